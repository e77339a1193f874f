//! What a bottle holds, told by the owner.

use std::fmt;

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use crate::config::{Controller, TubeContent};
use crate::quantity::{Name, Volume};

/// A change of what a bottle holds, told by the owner.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Refill {
    pub reservoir: Name,
    #[serde(rename = "level_ul")]
    pub level: Volume,
    /// What the books said before; `None` for the first entry.
    #[serde(rename = "before_ul")]
    pub before: Option<Volume>,
    /// What is in it from now on.
    pub solution: Name,
    /// What the tubes of its lines still held, each of them; `None` when bottle and tubes are as before.
    pub tube: Option<TubeContent>,
    pub who: Who,
    pub note: String,
    #[serde(flatten)]
    pub at: Stamp,
}

/// What a bottle holds by the newest refill, and what its lines have drawn since it last changed.
#[derive(Debug, Clone, PartialEq)]
pub struct Content {
    pub reservoir: Name,
    pub solution: Name,
    /// Whether a person told it, not a dry run that assumed it.
    pub told: bool,
    /// What each tube held of another solution when the bottle last changed.
    pub tube: Option<TubeContent>,
    /// Volume that each line has drawn since then.
    pub drawn: BTreeMap<Name, Volume>,
    /// Lines, of any bottle, whose head has had a new tube since then.
    pub new_tubes: BTreeSet<Name>,
}

impl Content {
    /// What to say of one that cannot be put in force.
    pub fn not_in_file(&self) -> String {
        let Self {
            reservoir,
            solution,
            ..
        } = self;
        format!(
            "reservoir {reservoir} held {solution} by its last refill, which controller.toml does not name for it any more; nothing is dosed from it until `dosewright refill {reservoir} LEVEL --solution NAME` says what is in it"
        )
    }

    /// Puts it in force; false when the file says that this bottle does not hold that solution, so that nothing is known of it.
    pub fn put_into(&self, controller: &mut Controller) -> bool {
        let bottle = controller.reservoirs.get(&self.reservoir);
        let may_hold = bottle.is_some_and(|bottle| bottle.solutions.contains(&self.solution));
        let mut of_tube = self.tube.iter();
        if !may_hold || !of_tube.all(|t| controller.solutions.contains_key(&t.solution)) {
            return false;
        }
        controller.fill(
            &self.reservoir,
            (&self.solution, self.told),
            self.tube.as_ref(),
        );
        for (line, volume) in &self.drawn {
            controller.draw(line, *volume);
        }
        let lines = controller.drawing_on(&self.reservoir);
        let lines: Vec<Name> = lines.map(|line| line.name.clone()).collect();
        for line in lines.iter().filter(|line| self.new_tubes.contains(*line)) {
            controller.new_tube(line);
        }
        true
    }
}

impl fmt::Display for Refill {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "reservoir {} holds {}", self.reservoir, self.level)?;
        if self.note.is_empty() {
            return Ok(());
        }
        write!(f, " ({})", self.note)
    }
}
