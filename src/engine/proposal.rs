//! Prepare, show, confirm: the one way in which anything comes into force that changes what the water gets.
//!
//! A *wish* is what somebody wants; a *proposal* is what it comes to by what is in force, with every number; a confirmation names the
//! proposal by a token that nobody can guess and says again what was shown. It is good once, for a minute, in this run of the daemon, and
//! only while the same wish still comes to the same numbers.
//!
//! To add a wish: a variant of [`Wish`] and one of [`Figures`], a function that works it out, a function that puts it into force, and their
//! two lines here.

use std::fmt;

use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::bench::DoseFigures;
use super::changeover::{ChangeoverFigures, NewChangeover};
use super::course::{CourseFigures, NewCourse};
use super::effect::{Answer, Denial, Ticket};
use super::event::Now;
use super::owner::UptakeFigures;
use super::state::Engine;
use crate::config::Right;
use crate::quantity::{Alkalinity, Millis, Name, Volume, positive};
use crate::record::{DoseKind, Who};

/// How long a proposal may wait for its confirmation, in real time.
pub(super) const VALID: Millis = Millis::from_secs(60);
/// What to do after any confirmation that came to nothing.
const AGAIN: &str = "ask again and look at what it says";

/// Something that changes what the water gets.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "wish", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Wish {
    /// A dose by hand.
    Dose {
        line: Name,
        #[serde(rename = "volume_ul", deserialize_with = "positive")]
        volume: Volume,
        /// By hand, priming or calibrating.
        #[serde(deserialize_with = "by_hand")]
        kind: DoseKind,
    },
    /// A run by time.
    Run {
        head: Name,
        #[serde(rename = "run_time_ms")]
        run_time: Millis,
        /// Priming, or a calibration run.
        #[serde(deserialize_with = "by_time")]
        kind: DoseKind,
    },
    /// A course, from the next local day on.
    Course(NewCourse),
    /// A changeover, from the next local day on.
    Changeover(NewChangeover),
    /// Another established uptake per day; within the same limits as a declaration in the plan.
    Uptake {
        #[serde(rename = "uptake_dkh_per_day")]
        uptake: Alkalinity,
    },
}

impl Wish {
    pub(super) const fn right(&self) -> Right {
        match self {
            Self::Dose { .. } | Self::Run { .. } => Right::Dose,
            Self::Course(_) | Self::Changeover(_) | Self::Uptake { .. } => Right::Propose,
        }
    }
}

fn by_hand<'de, D: Deserializer<'de>>(deserializer: D) -> Result<DoseKind, D::Error> {
    match DoseKind::deserialize(deserializer)? {
        DoseKind::Plan => Err(D::Error::custom(
            "a dose of the plan is not asked for; it must be hand, prime or calibration",
        )),
        kind @ (DoseKind::Hand | DoseKind::Prime | DoseKind::Calibration) => Ok(kind),
    }
}

fn by_time<'de, D: Deserializer<'de>>(deserializer: D) -> Result<DoseKind, D::Error> {
    match DoseKind::deserialize(deserializer)? {
        DoseKind::Hand | DoseKind::Plan => Err(D::Error::custom(
            "a run by time is for priming or calibration; a dose is given by volume",
        )),
        kind @ (DoseKind::Prime | DoseKind::Calibration) => Ok(kind),
    }
}

/// Names a proposal: random, so that nobody confirms what they were not shown. 32 hexadecimal digits in writing.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Token(u128);

impl Token {
    /// From 32 hexadecimal digits.
    pub fn from_hex(text: &str) -> Option<Self> {
        let hex = text.len() == 32 && text.bytes().all(|b| b.is_ascii_hexdigit());
        u128::from_str_radix(text, 16)
            .ok()
            .filter(|_| hex)
            .map(Self)
    }
}

impl fmt::Display for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:032x}", self.0)
    }
}

/// It is a secret until it is used.
impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token")
    }
}

impl Serialize for Token {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Token {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::from_hex(&text).ok_or_else(|| D::Error::custom("no token that was given out"))
    }
}

/// A wish as it would be put into force.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Proposal {
    pub token: Token,
    /// How long it may be confirmed.
    #[serde(rename = "valid_ms")]
    pub valid: Millis,
    /// As it was understood.
    pub wish: Wish,
    pub figures: Figures,
    /// The same for people, with what else they should know.
    pub text: Vec<String>,
    /// Why the volume must be said again; `None` when it need not be.
    pub ask_twice: Option<String>,
}

/// Every number that a proposal shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "of", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Figures {
    Dose(DoseFigures),
    Course(CourseFigures),
    Changeover(ChangeoverFigures),
    Uptake(UptakeFigures),
}

impl Figures {
    /// The volume that is said again where that is needed.
    const fn volume(&self) -> Option<Volume> {
        match self {
            Self::Dose(dose) => Some(dose.volume),
            Self::Course(_) | Self::Changeover(_) | Self::Uptake(_) => None,
        }
    }
}

/// The second step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Confirm {
    pub token: Token,
    /// The proposal's figures as they were shown. For a dose its volume may stand for them.
    pub shown: Option<Figures>,
    /// The volume of a dose again; needed where the proposal asks twice.
    #[serde(rename = "repeated_volume_ul")]
    pub repeated_volume: Option<Volume>,
}

impl Confirm {
    /// What whoever confirms must be allowed to do. Whoever says that another thing was shown than was is refused for that.
    pub const fn right(&self) -> Right {
        match &self.shown {
            Some(Figures::Course(_) | Figures::Changeover(_) | Figures::Uptake(_)) => {
                Right::Propose
            }
            Some(Figures::Dose(_)) | None => Right::Dose,
        }
    }
}

impl Proposal {
    /// Its confirmation as it was shown.
    pub fn confirm(&self, repeated_volume: Option<Volume>) -> Confirm {
        Confirm {
            token: self.token,
            shown: Some(self.figures.clone()),
            repeated_volume,
        }
    }

    /// Whether what is confirmed is what was shown.
    fn check(&self, confirm: &Confirm) -> Result<(), Denial> {
        let other = |text: String| Denial::new("not-as-shown", text);
        if confirm.shown.as_ref().is_some_and(|f| *f != self.figures) {
            return Err(other(format!(
                "what is confirmed is not what was shown: {}; {AGAIN}",
                self.text.join("; ")
            )));
        }
        let (repeated, volume) = (confirm.repeated_volume, self.figures.volume());
        if let Some(why) = self.ask_twice.as_ref().filter(|_| repeated != volume) {
            let volume = volume.unwrap_or_default();
            return Err(Denial::new(
                "volume-not-repeated",
                format!("{volume} is {why}; repeat the volume to confirm that you mean it"),
            ));
        }
        if let Some(repeated) = repeated.filter(|_| repeated != volume) {
            let shown = volume.map_or("no volume".to_owned(), |v| v.to_string());
            return Err(other(format!(
                "{repeated} is confirmed, and {shown} was shown; {AGAIN}"
            )));
        }
        if confirm.shown.is_none() && repeated.is_none() {
            return Err(other(format!(
                "a confirmation says what was shown: the figures of the proposal, or the volume of a dose; {AGAIN}"
            )));
        }
        Ok(())
    }
}

/// A wish worked out.
#[derive(Debug)]
pub(super) struct Worked {
    pub(super) figures: Figures,
    pub(super) text: Vec<String>,
    pub(super) ask_twice: Option<String>,
    /// A line on which nothing at all may happen in between.
    pub(super) quiet: Option<Name>,
}

/// A proposal that waits to be confirmed.
#[derive(Debug)]
pub(super) struct Pending {
    proposal: Proposal,
    /// A line with its generation.
    quiet: Option<(Name, u64)>,
    expires: Millis,
}

impl Engine {
    /// Works a wish out by what is in force; changes nothing.
    fn work_out(&self, wish: &Wish, now: Now) -> Result<Worked, Denial> {
        match wish {
            Wish::Dose { line, volume, kind } => self.work_out_dose(line, (*volume, *kind), now),
            Wish::Run {
                head,
                run_time,
                kind,
            } => self.work_out_run(head, (*run_time, *kind), now),
            Wish::Course(new) => self.work_out_course(new, now),
            Wish::Changeover(new) => self.work_out_changeover(new, now),
            Wish::Uptake { uptake } => self.work_out_uptake(*uptake, now),
        }
    }

    fn put_into_force(
        &mut self,
        (wish, figures): (Wish, Figures),
        (ticket, who): (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        match (wish, figures) {
            (Wish::Course(new), Figures::Course(course)) => {
                self.begin_course(new, &course, (ticket, who), now);
            }
            (Wish::Changeover(new), _) => self.begin_changeover(new, (ticket, who), now),
            (Wish::Uptake { .. }, Figures::Uptake(shown)) => {
                self.take_uptake(shown, (ticket, who), now);
            }
            (wish, Figures::Dose(dose)) => {
                return self.begin_by_hand(&wish, &dose, (ticket, who), now);
            }
            (wish, _) => {
                return Err(Denial::new(
                    "unknown-wish",
                    format!("{wish:?} is not what was worked out; {AGAIN}"),
                ));
            }
        }
        Ok(())
    }

    pub(super) fn prepare(
        &mut self,
        wish: Wish,
        nonce: Option<u128>,
        now: Now,
    ) -> Result<Answer, Denial> {
        let Worked {
            figures,
            text,
            ask_twice,
            quiet,
        } = self.work_out(&wish, now)?;
        let token = nonce.map(Token).ok_or_else(|| {
            Denial::new(
                "no-random",
                "the system gives no random numbers, so nothing can be confirmed safely; ask again in a minute",
            )
        })?;
        let proposal = Proposal {
            token,
            valid: VALID,
            wish,
            figures,
            text,
            ask_twice,
        };
        let quiet = quiet.map(|line| {
            let generation = self.generation(&line);
            (line, generation)
        });
        self.pending = Some(Pending {
            proposal: proposal.clone(),
            quiet,
            expires: now.elapsed.plus(self.proposal_valid),
        });
        Ok(Answer::Proposal(Box::new(proposal)))
    }

    pub(super) fn confirm(
        &mut self,
        confirm: &Confirm,
        asked: (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        // Taken out first: a token is good for one try, also for one that is denied.
        let pending = self
            .pending
            .take()
            .filter(|p| p.proposal.token == confirm.token);
        let Some(pending) = pending else {
            return Err(Denial::new(
                "token-unknown",
                format!("this confirmation was used already or never given; {AGAIN}"),
            ));
        };
        if pending.expires < now.elapsed {
            return Err(Denial::new(
                "token-expired",
                format!("this confirmation came later than {VALID}; {AGAIN}"),
            ));
        }
        if let Some((line, generation)) = &pending.quiet
            && self.generation(line) != *generation
        {
            return Err(Denial::new(
                "token-stale",
                format!("something changed on line {line} in between; {AGAIN}"),
            ));
        }
        let proposal = pending.proposal;
        proposal.check(confirm)?;
        if self.work_out(&proposal.wish, now)?.figures != proposal.figures {
            return Err(Denial::new(
                "token-stale",
                format!("something changed in between, and the numbers with it; {AGAIN}"),
            ));
        }
        self.put_into_force((proposal.wish, proposal.figures), asked, now)
    }

    fn generation(&self, line: &Name) -> u64 {
        self.lines.get(line).map_or(0, |l| l.generation)
    }
}
