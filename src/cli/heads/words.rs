//! `bench HEAD`: guided, or word by word.

use std::io::Write;

use serde_json::json;

use crate::cli::heads::bench::{run, status};
use crate::cli::heads::bench_args::{BenchArgs, BenchCommand, Calibrate, Priming};
use crate::cli::heads::calibrate::calibrate;
use crate::cli::heads::keys::Ear;
use crate::cli::heads::measured::{Conditions, Entries, Read};
use crate::cli::heads::session::{ensure, kept_runs, session_in, waits};
use crate::cli::heads::verify::verify;
use crate::cli::record::ledger::open;
use crate::cli::running::daemon::ask;
use crate::cli::talk::{Person, Talk};
use crate::cli::words::{configuration, minute, usage};
use crate::cli::{Failure, Out, Place, Result, exit};
use crate::config::Head;
use crate::engine::{BenchAsk, Command, NewBench, NewMeasured, Wish};
use crate::quantity::{FlowRate, Millis, Name, Volume};
use crate::record::{CalibrationRun, DoseId, DoseKind};

/// A rest of priming that is shorter is left.
const REST: Millis = Millis::new(500);

pub(crate) fn bench(place: &Place, options: &BenchArgs, out: &mut Out) -> Result {
    let head = options.head.clone();
    let guided = BenchCommand::Calibrate(Calibrate::default());
    let ask_for = match options.command.as_ref().unwrap_or(&guided) {
        BenchCommand::Open { cap, bucket, noted } => {
            let new = NewBench {
                head,
                cap: *cap,
                bucket_days: *bucket,
                note: noted.note.clone(),
            };
            BenchAsk::Open(new)
        }
        BenchCommand::Back => BenchAsk::Back { head },
        BenchCommand::NewTube { noted } => {
            let note = noted.note.clone();
            BenchAsk::NewTube { head, note }
        }
        BenchCommand::Prime { amount } => return prime(place, &head, *amount, out),
        BenchCommand::Run { time } => return one_run(place, &head, *time, out),
        BenchCommand::Measured {
            dose,
            amount,
            conditions,
            take_back: _,
        } => {
            let run = measured_run(place, &head, *dose, (amount.as_ref(), conditions))?;
            BenchAsk::Measured(NewMeasured { head, run })
        }
        BenchCommand::Calibrate(options) => return calibrate(place, &head, options, out),
        BenchCommand::Verify(options) => return verify(place, &head, options, out),
        BenchCommand::Show => return show(place, &head, out),
    };
    ask(place, &Command::Bench(ask_for).into(), out).map(drop)
}

/// One run for a calibration, for scripts.
fn one_run(place: &Place, head: &Name, run_time: Millis, out: &mut Out) -> Result {
    let mut ear = Ear::open()?;
    let mut person = Person {
        ear: &mut ear,
        out,
        aside: place.json,
        kept: "what was pumped is in the record",
    };
    ensure(place, head, &mut person)?;
    let wanted = Wish::Run {
        head: head.clone(),
        run_time,
        kind: DoseKind::Calibration,
    };
    let ran = run(place, &wanted, person.ear, person.out)?;
    if place.json {
        return Ok(out.json(&ran.as_json())?);
    }
    Ok(writeln!(
        out,
        "dose {}: {} on. Measure it, then: dosewright bench {head} measured {} AMOUNT",
        ran.dose.0, ran.on_time, ran.dose.0
    )?)
}

/// What came out in a dose on record; without an amount what was entered of it is taken back.
fn measured_run(
    place: &Place,
    head: &Name,
    dose: i64,
    (amount, conditions): (Option<&Read>, &Conditions),
) -> Result<CalibrationRun> {
    let reader = open(place)?;
    let Some(amount) = amount else {
        let kept = kept_runs(&reader, head)?;
        let entered = kept.into_iter().rfind(|r| r.dose == Some(DoseId(dose)));
        let run = entered.map(|run| CalibrationRun { used: false, ..run });
        return run.ok_or_else(|| usage(format!("nothing was entered of dose {dose}")));
    };
    let ended = reader.end_of(DoseId(dose))?;
    let on_time = ended.and_then(|ended| ended.on_time);
    let entries = Entries::new(conditions)?;
    Ok(CalibrationRun {
        on_time: on_time.ok_or_else(|| usage(format!("dose {dose} is no run that is over")))?,
        volume: amount.volume(entries.weighing())?,
        typed: entries.kept(&amount.typed)?,
        dose: Some(DoseId(dose)),
        used: true,
    })
}

fn show(place: &Place, head: &Name, out: &mut Out) -> Result {
    let view = status(place)?;
    let session = session_in(&view, head);
    let runs = kept_runs(&open(place)?, head)?;
    if place.json {
        return Ok(out.json(&json!({ "session": session, "runs": runs }))?);
    }
    for run in &runs {
        writeln!(
            out,
            "dose {}: {} in {} (entered \"{}\"){}",
            run.dose.map_or(0, |dose| dose.0),
            run.volume,
            run.on_time,
            run.typed,
            if run.used { "" } else { ", not used" }
        )?;
    }
    let Some(session) = session else {
        return Ok(writeln!(out, "head {head} is not at the bench")?);
    };
    let plan = match (session.silent, session.bucket_days) {
        (true, _) => "it fell silent and counts as given to the tank".to_owned(),
        (false, None) => "the plan of its line waits".to_owned(),
        (false, Some(days)) => format!("the plan runs into the bucket for {days} days"),
    };
    let zone = configuration(place)?.controller.time_zone;
    Ok(writeln!(
        out,
        "head {head} is at the bench since {} (session {}): {} of {} given; {plan}; `dosewright bench {head} back` when the outlet is back in the tank",
        minute(session.since, &zone),
        session.session,
        session.given,
        session.cap
    )?)
}

/// Fills a tube of any length: as many runs as it takes, until the amount is given or somebody stops it.
fn prime(place: &Place, name: &Name, amount: Priming, out: &mut Out) -> Result {
    let controller = configuration(place)?.controller;
    let head = controller.head_named(name.as_str()).map_err(usage)?;
    let view = status(place)?;
    let known = view.heads.iter().find(|h| h.name == *name);
    let rate = known.and_then(|h| h.rate).unwrap_or(head.nominal_rate);
    let mut left = time_of(amount, rate)?;
    let mut ear = Ear::open()?;
    let mut person = Person {
        ear: &mut ear,
        out,
        aside: false,
        kept: "what was pumped is in the record",
    };
    ensure(place, name, &mut person)?;
    let (mut given, mut whole) = (Volume::ZERO, true);
    while left >= REST && whole {
        let wanted = Wish::Run {
            head: name.clone(),
            run_time: next_run(head, left),
            kind: DoseKind::Prime,
        };
        let ran = run(place, &wanted, person.ear, person.out)?;
        given = given.saturating_add(ran.booked);
        left = left.minus(ran.on_time);
        whole = ran.whole;
    }
    person.say(&format!(
        "{given} counted{}. {}",
        if whole { "" } else { ", stopped" },
        waits(name)
    ))
}

fn next_run(head: &Head, left: Millis) -> Millis {
    let longest = head.run_max.min(left);
    // No rest that is too short to be a run.
    if left.minus(longest) > Millis::ZERO && left.minus(longest) < REST {
        return longest.minus(REST).max(REST);
    }
    longest
}

/// How long to run for a time or a volume.
fn time_of(amount: Priming, rate: FlowRate) -> Result<Millis> {
    let volume = match amount {
        Priming::Time(time) => return Ok(time),
        Priming::Volume(volume) => volume,
    };
    Millis::from_secs_f64(volume.as_ml() / rate.as_ml_per_min() * 60.0)
        .filter(|time| *time >= REST)
        .ok_or_else(|| Failure::new(exit::USAGE, format!("{volume} is too little to prime with")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::heads::bench_args::priming;

    #[test]
    fn priming_takes_a_time_or_a_volume_and_says_what_is_neither() {
        let rate = FlowRate::from_ml_per_min(30.0);
        let time = |text: &str| {
            priming(text)
                .map_err(usage)
                .and_then(|amount| time_of(amount, rate))
        };
        assert_eq!(time("90 s").unwrap(), Millis::from_secs(90));
        assert_eq!(time("25 mL").unwrap(), Millis::from_secs(50));
        for wrong in ["25", "0.1 mL", "full"] {
            assert!(time(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_long_tube_is_filled_in_runs_that_the_head_may_make() {
        let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
        let loaded = crate::config::load(&demo, &crate::plan::check_plan).unwrap();
        for head in loaded.controller.heads.values() {
            for ms in [500, 19_999, 20_000, 20_300, 90_000, 600_001] {
                let mut left = Millis::new(ms);
                while left >= REST {
                    let next = next_run(head, left);
                    assert!(
                        next <= head.run_max && next >= REST && next <= left,
                        "{next} of {left}"
                    );
                    left = left.minus(next);
                }
            }
        }
    }
}
