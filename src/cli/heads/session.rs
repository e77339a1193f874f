//! `bench`: a head whose outlet is out of the tank.

use std::io::Write;

use serde_json::json;

use crate::cli::exit::{self, Failure, accepted};
use crate::cli::heads::bench::{Wanted, run, status};
use crate::cli::heads::bench_args::{BenchArgs, BenchCommand};
use crate::cli::heads::keys::Ear;
use crate::cli::out::Out;
use crate::cli::place::Place;
use crate::cli::running::daemon::ask;
use crate::cli::talk::{Person, Talk};
use crate::cli::words::{configuration, minute, usage};
use crate::config::Head;
use crate::control::Client;
use crate::engine::{BenchAsk, BenchStatus, Command, NewBench, Status};
use crate::quantity::{FlowRate, Millis, Name, Volume, Words, parse_duration, parse_volume};
use crate::record::DoseKind;

/// A rest of priming that is shorter is left.
const REST: Millis = Millis::new(500);

pub(in crate::cli) fn bench(
    place: &Place,
    options: &BenchArgs,
    out: &mut Out,
) -> Result<(), Failure> {
    let head = Name::new(&options.head).map_err(usage)?;
    match &options.command {
        BenchCommand::Open {
            cap,
            bucket,
            note,
            json,
        } => {
            let new = NewBench {
                head,
                cap: cap
                    .as_deref()
                    .map(parse_volume)
                    .transpose()
                    .map_err(usage)?,
                bucket_days: *bucket,
                note: note.as_str().into(),
            };
            let command = Command::Bench(BenchAsk::Open(new));
            ask(place, &command.into(), *json, out).map(drop)
        }
        BenchCommand::Back { json } => {
            let command = Command::Bench(BenchAsk::Back { head });
            ask(place, &command.into(), *json, out).map(drop)
        }
        BenchCommand::NewTube { note, json } => {
            let note = note.as_str().into();
            let command = Command::Bench(BenchAsk::NewTube { head, note });
            ask(place, &command.into(), *json, out).map(drop)
        }
        BenchCommand::Prime { amount } => prime(place, &head, amount, out),
        BenchCommand::Show { json } => show(place, &head, *json, out),
    }
}

fn session_in(view: &Status, head: &Name) -> Option<BenchStatus> {
    let head = view.heads.iter().find(|h| h.name == *head)?;
    head.bench.clone()
}

fn show(place: &Place, head: &Name, json: bool, out: &mut Out) -> Result<(), Failure> {
    let view = status(place)?;
    let session = session_in(&view, head);
    if json {
        return Ok(out.json(&json!(session))?);
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

/// Opens a session unless the head is in one; whether it did.
pub(in crate::cli) fn ensure(
    place: &Place,
    head: &Name,
    talk: &mut impl Talk,
) -> Result<bool, Failure> {
    if session_in(&status(place)?, head).is_some() {
        return Ok(false);
    }
    let command = Command::Bench(BenchAsk::Open(NewBench {
        head: head.clone(),
        cap: None,
        bucket_days: None,
        note: Words::default(),
    }));
    let opened = accepted(Client::connect(&place.state)?.ask(&command.into())?)?;
    talk.say(&opened.text)?;
    Ok(true)
}

/// Asks whether the outlet is back; without an answer the line waits on.
pub(in crate::cli) fn ask_back(
    place: &Place,
    head: &Name,
    talk: &mut impl Talk,
) -> Result<(), Failure> {
    let answer =
        talk.ask("Is the outlet back in the tank? Type back when it is, Enter when not yet:");
    if answer.is_ok_and(|answer| answer == "back") {
        let command = Command::Bench(BenchAsk::Back { head: head.clone() });
        let done = accepted(Client::connect(&place.state)?.ask(&command.into())?)?;
        return talk.say(&done.text);
    }
    talk.say(&waits(head))
}

/// What to do after an end in the middle.
pub(in crate::cli) fn waits(head: &Name) -> String {
    format!(
        "The line of head {head} gives nothing to the tank until you run `dosewright bench {head} back`."
    )
}

/// What the runs of a session may still give.
pub(in crate::cli) fn cap_left(view: &Status, head: &Name, unopened: Volume) -> Volume {
    session_in(view, head).map_or(unopened, |s| s.cap.saturating_sub(s.given).or_zero())
}

/// Fills a tube of any length: as many runs as it takes, until the amount is given or somebody stops it.
fn prime(place: &Place, name: &Name, amount: &str, out: &mut Out) -> Result<(), Failure> {
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
        let wanted = Wanted::Time {
            head: name.as_str(),
            run_time: next_run(head, left),
            kind: DoseKind::Prime,
        };
        let ran = run(place, wanted, person.ear, person.out)?;
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
fn time_of(amount: &str, rate: FlowRate) -> Result<Millis, Failure> {
    let volume = match parse_duration(amount) {
        Ok(time) => return Ok(time),
        Err(_) => parse_volume(amount).map_err(|_| {
            usage(format!(
                "\"{amount}\" is neither a time nor a volume; write for example \"90 s\" or \"25 mL\""
            ))
        })?,
    };
    Millis::from_secs_f64(volume.as_ml() / rate.as_ml_per_min() * 60.0)
        .filter(|time| *time >= REST)
        .ok_or_else(|| Failure::new(exit::USAGE, format!("{volume} is too little to prime with")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn priming_takes_a_time_or_a_volume_and_says_what_is_neither() {
        let rate = FlowRate::from_ml_per_min(30.0);
        assert_eq!(time_of("90 s", rate).unwrap(), Millis::from_secs(90));
        assert_eq!(time_of("25 mL", rate).unwrap(), Millis::from_secs(50));
        for wrong in ["25", "0.1 mL", "full"] {
            assert!(time_of(wrong, rate).is_err(), "{wrong}");
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
