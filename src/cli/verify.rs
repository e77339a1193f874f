//! `verify`: one metered run held against what was measured.

use super::args::Place;
use super::bench::{Wanted, run};
use super::bench_args::Verify;
use super::creep;
use super::daemon::ask;
use super::exit::{self, Failure};
use super::keys::Ear;
use super::measured::Entries;
use super::out::Out;
use super::talk::{Person, Talk};
use super::words::{configuration, usage};
use crate::control::Request;
use crate::quantity::{Volume, parse_volume};

/// Runs the head once, asks what came out, and has it judged and kept.
pub(super) fn verify(place: &Place, options: &Verify, out: &mut Out) -> Result<(), Failure> {
    let mut entries = Entries::new(&options.conditions)?;
    let volume = parse_volume(&options.volume).map_err(usage)?;
    let loaded = configuration(place)?;
    let head = loaded.controller.head_named(&options.head).map_err(usage)?;
    let line = loaded.controller.line_of_head(&head.name).map_err(usage)?;
    let caustic = loaded
        .controller
        .solutions
        .get(&line.solution)
        .is_some_and(|s| s.caustic);
    let mut ear = Ear::open()?;
    let mut person = Person {
        ear: &mut ear,
        out,
        aside: options.json,
        kept: "nothing was checked; what was pumped is in the record",
    };
    if caustic {
        person.say(
            "CAUTION: this solution is caustic. Gloves and eye protection; rinse spills with plenty of water.",
        )?;
    }
    person.say(&entries.words())?;
    let start = format!(
        "Head {} is to give {volume} into a vessel, NOT into the tank. Enter starts it, q ends:",
        options.head
    );
    if person.ask(&start)? == "q" {
        return Err(Failure::new(exit::REFUSED, "nothing was run"));
    }
    let before = if options.creep {
        Some(creep::baseline(&mut person, "before")?)
    } else {
        None
    };
    let wanted = Wanted::Volume {
        line: line.name.as_str(),
        volume,
    };
    let ran = run(place, wanted, person.ear, person.out)?;
    if !ran.whole {
        return Err(Failure::new(
            exit::REFUSED,
            format!(
                "stopped after {}; {} are counted, and nothing is checked by it",
                ran.on_time, ran.booked
            ),
        ));
    }
    let (typed, value) = match before {
        None => asked(&mut entries, &mut person)?,
        Some(before) => creep::weighed(&before, &mut entries, &mut person)?
            .map(|weighed| (weighed.words, weighed.volume))
            .ok_or_else(|| {
                Failure::new(
                    exit::REFUSED,
                    "nothing was checked; what was pumped is in the record",
                )
            })?,
    };
    let request = Request::Verify {
        head: options.head.clone(),
        dose: ran.dose.0,
        expected_ul: ran.booked.as_ul(),
        measured_ul: value.as_ul(),
        typed,
    };
    let response = ask(place, &request, options.json, out)?;
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
