//! `verify`: one metered run held against what was measured.

use std::io::Write;

use serde_json::json;

use crate::cli::args::Place;
use crate::cli::exit::{self, Failure};
use crate::cli::heads::bench::{Ran, Wanted, run};
use crate::cli::heads::bench_args::Verify;
use crate::cli::heads::creep;
use crate::cli::heads::keys::Ear;
use crate::cli::heads::measured::{Entries, measured};
use crate::cli::heads::session::{ask_back, ensure};
use crate::cli::out::Out;
use crate::cli::record::ledger::open;
use crate::cli::running::daemon::ask;
use crate::cli::talk::{Person, Talk};
use crate::cli::words::{configuration, unread, usage};
use crate::engine::{Command, NewVerification};
use crate::quantity::{Name, Volume, parse_volume};
use crate::record::{DoseEnd, DoseId};

/// What is as before when it ends early.
const KEPT: &str = "nothing was checked; what was pumped is in the record";

/// A dose that is checked: its number, and what the books say that came out.
type Given = (DoseId, Volume);

/// Runs the head once, asks what came out, and has it judged and kept; or a part of that, for scripts.
pub(in crate::cli) fn verify(
    place: &Place,
    options: &Verify,
    out: &mut Out,
) -> Result<(), Failure> {
    let mut entries = Entries::new(&options.conditions)?;
    let volume = parse_volume(&options.volume).map_err(usage)?;
    let loaded = configuration(place)?;
    let head = loaded.controller.head_named(&options.head).map_err(usage)?;
    let line = loaded.controller.line_of_head(&head.name).map_err(usage)?;
    if let Some(text) = &options.measured {
        let value = measured(text, entries.weighing())?;
        let given = given_before(place, (&head.name, volume), options.dose)?;
        return keep(
            (place, options),
            given,
            (entries.kept(text.trim())?, value),
            out,
        );
    }
    let caustic = loaded
        .controller
        .solution_of(&line.name)
        .is_some_and(|s| s.caustic);
    let mut ear = Ear::open()?;
    let mut person = Person {
        ear: &mut ear,
        out,
        aside: options.json,
        kept: KEPT,
    };
    if caustic {
        person.say(
            "CAUTION: this solution is caustic. Gloves and eye protection; rinse spills with plenty of water.",
        )?;
    }
    let wanted = Wanted::Volume {
        line: line.name.as_str(),
        volume,
    };
    if options.start {
        ensure(place, &head.name, &mut person)?;
        let ran = whole(run(place, wanted, person.ear, person.out)?)?;
        return started(options, &ran, out);
    }
    person.say(&entries.words())?;
    let question = format!(
        "Head {} is to give {volume} into a vessel, NOT into the tank. Enter starts it, q ends:",
        options.head
    );
    if person.ask(&question)? == "q" {
        return Err(Failure::new(exit::REFUSED, "nothing was run"));
    }
    let opened = ensure(place, &head.name, &mut person)?;
    let before = if options.creep {
        Some(creep::baseline(&mut person, "before")?)
    } else {
        None
    };
    let ran = whole(run(place, wanted, person.ear, person.out)?)?;
    let read = match before {
        None => asked(&mut entries, &mut person)?,
        Some(before) => creep::weighed(&before, &mut entries, &mut person)?
            .map(|weighed| (weighed.words, weighed.volume))
            .ok_or_else(|| Failure::new(exit::REFUSED, KEPT))?,
    };
    let kept = keep((place, options), (ran.dose, ran.booked), read, person.out);
    if opened {
        ask_back(place, &head.name, &mut person)?;
    }
    kept
}

fn whole(ran: Ran) -> Result<Ran, Failure> {
    if ran.whole {
        return Ok(ran);
    }
    Err(Failure::new(
        exit::REFUSED,
        format!(
            "stopped after {}; {} are counted, and nothing is checked by it",
            ran.on_time, ran.booked
        ),
    ))
}

/// What a script needs of a run that is to be measured.
fn started(options: &Verify, ran: &Ran, out: &mut Out) -> Result<(), Failure> {
    if options.json {
        return Ok(out.json(&json!({
            "dose": ran.dose.0, "on_time_ms": ran.on_time.as_ms(), "volume_ul": ran.booked.as_ul(),
        }))?);
    }
    Ok(writeln!(
        out,
        "dose {}: {} in {}. Measure it, then: dosewright verify {} \"{}\" --measured AMOUNT",
        ran.dose.0, ran.booked, ran.on_time, options.head, options.volume
    )?)
}

/// The dose that was measured: the head's last run for a check, or one by its number.
fn given_before(
    place: &Place,
    (head, volume): (&Name, Volume),
    number: Option<i64>,
) -> Result<Given, Failure> {
    let refuse = |why: String| Failure::new(exit::REFUSED, format!("refused: {why}"));
    let found = open(place)?
        .dose_to_check(head, number.map(DoseId))
        .map_err(|e| unread(&e))?;
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
    (place, options): (&Place, &Verify),
    (dose, expected): Given,
    (typed, measured): (String, Volume),
    out: &mut Out,
) -> Result<(), Failure> {
    let command = Command::Verify(NewVerification {
        head: Name::new(&options.head).map_err(usage)?,
        dose,
        expected,
        measured,
        typed: typed.as_str().into(),
    });
    let response = ask(place, &command.into(), options.json, out)?;
    if response.text.contains("FAILED") {
        return Err(Failure::new(exit::REFUSED, ""));
    }
    Ok(())
}

/// What came out, as it was entered and as a volume.
fn asked(entries: &mut Entries, talk: &mut impl Talk) -> Result<(String, Volume), Failure> {
    loop {
        let typed = talk.ask("What came out? (for example 3.1 mL, or 3.09 g)")?;
        if let Some(value) = entries.volume(&typed, talk)? {
            return Ok((entries.kept(&typed)?, value));
        }
    }
}
