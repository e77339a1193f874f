//! `bench HEAD verify`: one metered run held against what was measured.

use std::io::Write;

use crate::cli::heads::bench::{CAUSTIC, Ran, is_caustic, run};
use crate::cli::heads::bench_args::Verify;
use crate::cli::heads::creep;
use crate::cli::heads::keys::Ear;
use crate::cli::heads::measured::Entries;
use crate::cli::heads::session::{ask_back, ensure};
use crate::cli::record::ledger::open;
use crate::cli::running::daemon::ask;
use crate::cli::talk::{Person, Talk};
use crate::cli::words::{configuration, usage};
use crate::cli::{Out, Place, Result, refused};
use crate::config::Controller;
use crate::engine::{Command, NewVerification, Wish};
use crate::quantity::{Name, Volume};
use crate::record::{DoseEnd, DoseId, DoseKind};

/// What is as before when it ends early.
const KEPT: &str = "nothing was checked; what was pumped is in the record";

/// A dose that is checked: its number, and what the books say that came out.
type Given = (DoseId, Volume);

/// Runs the head once, asks what came out, and has it judged and kept; or a part of that, for scripts.
pub(crate) fn verify(place: &Place, name: &Name, options: &Verify, out: &mut Out) -> Result {
    let mut entries = Entries::new(&options.conditions)?;
    let volume = options.volume;
    let loaded = configuration(place)?;
    let line = loaded
        .controller
        .line_of_head(name)
        .map_err(usage)?
        .name
        .clone();
    let check = Check {
        place,
        head: name,
        line: &line,
        volume,
        creep: options.creep,
    };
    if let Some(read) = &options.measured {
        let value = read.volume(entries.weighing())?;
        let given = check.given_before(options.dose)?;
        return check
            .keep(given, (entries.kept(&read.typed)?, value), out)?
            .verdict();
    }
    let mut ear = Ear::open()?;
    let mut person = Person {
        ear: &mut ear,
        out,
        aside: place.json,
        kept: KEPT,
    };
    check.caution(&loaded.controller, &mut person)?;
    if options.start {
        ensure(place, name, &mut person)?;
        let ran = check.run(&mut person)?;
        return check.started(&ran, out);
    }
    person.say(&entries.words())?;
    let question = format!(
        "Head {name} is to give {volume} into a vessel, NOT into the tank. Enter starts it, q ends:"
    );
    if person.ask(&question)? == "q" {
        return Err(refused("nothing was run"));
    }
    let opened = ensure(place, name, &mut person)?;
    let kept = check.once(&mut entries, &mut person)?;
    if opened {
        ask_back(place, name, &mut person)?;
    }
    kept.verdict()
}

/// One check of a head.
#[derive(Debug)]
pub(crate) struct Check<'a> {
    pub(crate) place: &'a Place,
    pub(crate) head: &'a Name,
    pub(crate) line: &'a Name,
    pub(crate) volume: Volume,
    /// The scale creeps.
    pub(crate) creep: bool,
}

/// How a check came out; it is on record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kept {
    Passed,
    Failed,
}

impl Kept {
    pub(crate) fn verdict(self) -> Result {
        match self {
            Self::Passed => Ok(()),
            Self::Failed => Err(refused("")),
        }
    }
}

impl Check<'_> {
    fn caution(&self, controller: &Controller, person: &mut Person<'_>) -> Result {
        if is_caustic(controller, self.line) {
            person.say(CAUSTIC)?;
        }
        Ok(())
    }

    /// One run with its measurement, judged and kept.
    pub(crate) fn once(&self, entries: &mut Entries, person: &mut Person<'_>) -> Result<Kept> {
        let before = if self.creep {
            Some(creep::baseline(person, "before")?)
        } else {
            None
        };
        let ran = self.run(person)?;
        let read = match before {
            None => asked(entries, person)?,
            Some(before) => creep::weighed(&before, entries, person)?
                .map(|weighed| (weighed.words, weighed.volume))
                .ok_or_else(|| refused(KEPT))?,
        };
        self.keep((ran.dose, ran.booked), read, person.out)
    }

    fn run(&self, person: &mut Person<'_>) -> Result<Ran> {
        let wanted = Wish::Dose {
            line: self.line.clone(),
            volume: self.volume,
            kind: DoseKind::Calibration,
        };
        let ran = run(self.place, &wanted, person.ear, person.out)?;
        if ran.whole {
            return Ok(ran);
        }
        Err(refused(format!(
            "stopped after {}; {} are counted, and nothing is checked by it",
            ran.on_time, ran.booked
        )))
    }

    /// What a script needs of a run that is to be measured.
    fn started(&self, ran: &Ran, out: &mut Out) -> Result {
        if self.place.json {
            return Ok(out.json(&ran.as_json())?);
        }
        Ok(writeln!(
            out,
            "dose {}: {} in {}. Measure it, then: dosewright bench {} verify \"{}\" --measured AMOUNT",
            ran.dose.0, ran.booked, ran.on_time, self.head, self.volume
        )?)
    }

    /// The dose that was measured: the head's last run for a check, or one by its number.
    fn given_before(&self, number: Option<i64>) -> Result<Given> {
        let (head, volume) = (self.head, self.volume);
        let refuse = |why: String| refused(format!("refused: {why}"));
        let found = open(self.place)?.dose_to_check(head, number.map(DoseId))?;
        let dose = found.ok_or_else(|| {
            refuse(match number {
                Some(number) => format!("dose {number} is no dose of head {head}"),
                None => format!("head {head} has made no run for a check since it was calibrated; make one with --start"),
            })
        })?;
        let id = dose.id.0;
        if dose.checked {
            return Err(refuse(format!(
                "dose {id} of head {head} was checked before; make a new run with --start"
            )));
        }
        if dose.end != DoseEnd::Delivered {
            return Err(refuse(format!(
                "dose {id} of head {head} did not run its whole time, so nothing can be checked by it"
            )));
        }
        if dose.volume != volume {
            return Err(refuse(format!(
                "dose {id} of head {head} was {}, not {volume}; say which dose was measured with --dose",
                dose.volume
            )));
        }
        Ok((dose.id, dose.delivered))
    }

    /// Has a check judged and kept.
    fn keep(
        &self,
        (dose, expected): Given,
        (typed, measured): (String, Volume),
        out: &mut Out,
    ) -> Result<Kept> {
        let command = Command::Verify(NewVerification {
            head: self.head.clone(),
            dose,
            expected,
            measured,
            typed: typed.as_str().into(),
        });
        let response = ask(self.place, &command.into(), out)?;
        Ok(if response.text.contains("FAILED") {
            Kept::Failed
        } else {
            Kept::Passed
        })
    }
}

/// What came out, as it was entered and as a volume.
fn asked(entries: &mut Entries, talk: &mut impl Talk) -> Result<(String, Volume)> {
    loop {
        let typed = talk.ask("What came out? (for example 3.1 mL, or 3.09 g)")?;
        if let Some(value) = entries.volume(&typed, talk)? {
            return Ok((entries.kept(&typed)?, value));
        }
    }
}
