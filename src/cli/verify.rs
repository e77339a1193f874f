//! `verify`: one metered run held against what was measured.

use std::io::{self, Write};

use super::args::Place;
use super::bench::{Wanted, run};
use super::bench_args::Verify;
use super::daemon::ask;
use super::exit::{self, Failure};
use super::keys::Ear;
use super::measured::{Weighing, measured};
use super::out::Out;
use super::words::{configuration, usage};
use crate::control::Request;
use crate::quantity::{Volume, parse_volume};

/// Runs the head once, asks what came out, and has it judged and kept.
pub(super) fn verify(place: &Place, options: &Verify, out: &mut Out) -> Result<(), Failure> {
    let weighing = options.conditions.weighing()?;
    let volume = parse_volume(&options.volume).map_err(usage)?;
    let loaded = configuration(place)?;
    let line = loaded
        .controller
        .lines
        .iter()
        .find(|l| l.head.as_str() == options.head)
        .ok_or_else(|| usage(format!("no line uses a head {}", options.head)))?;
    let caustic = loaded
        .controller
        .solutions
        .get(&line.solution)
        .is_some_and(|s| s.caustic);
    let mut say = |text: &str| -> Result<(), Failure> {
        if !options.json {
            writeln!(out, "{text}")?;
            out.flush()?;
        }
        Ok(())
    };
    if caustic {
        say(
            "CAUTION: this solution is caustic. Gloves and eye protection; rinse spills with plenty of water.",
        )?;
    }
    say(&format!(
        "Head {} is to give {volume} into a vessel, NOT into the tank. Enter starts it, q ends:",
        options.head
    ))?;
    let mut ear = Ear::open()?;
    if ear.line()?.answer("nothing was run")? == "q" {
        return Err(Failure::new(exit::REFUSED, "nothing was run"));
    }
    let wanted = Wanted::Volume {
        line: line.name.as_str(),
        volume,
    };
    let ran = run(place, wanted, &mut ear, out)?;
    if !ran.whole {
        return Err(Failure::new(
            exit::REFUSED,
            format!(
                "stopped after {}; {} are counted, and nothing is checked by it",
                ran.on_time, ran.booked
            ),
        ));
    }
    let (typed, value) = asked(options, weighing.as_ref(), &mut ear, out)?;
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
fn asked(
    options: &Verify,
    weighing: Option<&Weighing>,
    ear: &mut Ear,
    out: &mut Out,
) -> Result<(String, Volume), Failure> {
    loop {
        if !options.json {
            writeln!(out, "What came out? (for example 3.1 mL, or 3.09 g)")?;
            out.flush()?;
        }
        let typed = ear
            .line()?
            .answer("nothing was checked; what was pumped is in the record")?;
        match measured(&typed, weighing) {
            Ok(value) => return Ok((typed, value)),
            Err(Failure::Said { text, .. }) => writeln!(io::stderr(), "{text}")?,
            Err(other @ Failure::ClosedPipe) => return Err(other),
        }
    }
}
