//! Stopping, whatever state the daemon is in.

use std::io::{self, Write};
use std::sync::mpsc;
use std::time::Duration;

use clap::Args;
use jiff::Timestamp;

use super::daemon::say;
use super::outputs_off::outputs_off;
use crate::cli::words::zone;
use crate::cli::{Failure, Out, Place, Result, exit};
use crate::config::load;
use crate::control::{Client, ClientError, NO_ANSWER, Request, Response, STOPPING};
use crate::daemon::{InstanceLock, LockError, add_hold, kernel_clock_is_synchronised, machine_now};
use crate::engine::Command;
use crate::plan::check_plan;
use crate::quantity::{Millis, Name, Words, listed, local, parse_duration};
use crate::record::{Hold as HoldRecord, HoldScope, NOTHING_IS_HELD, Who};

/// Options of `hold`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright hold --reason \"bad alkalinity test\"\n          dosewright hold calcium --for 2h\nA running head is switched off at once. Without a running daemon the hold is written down for its next start. When a daemon is there and does not answer within 2 s, the outputs are driven off without it and the hold is written down for it.\nExit code 0: on hold, or written down. 1, 2: NOTHING IS HELD, the text says why. 69: no daemon answers; the text says what was done, and what to do with your hands."
)]
pub(crate) struct Hold {
    /// The line; all dosing when left out, or "all"
    line: Option<String>,
    /// Why, for the record and the displays
    #[arg(long, default_value = "by hand")]
    reason: String,
    /// How long, for example 2h, 30 min or 1 d, at most 30 d; it ends by itself. Until `dosewright resume` when left out
    #[arg(long = "for", value_name = "TIME", value_parser = hold_length)]
    length: Option<Millis>,
}

/// A hold that ends by itself lasts at least as long as it takes to look, and no longer than anybody remembers it.
fn hold_length(text: &str) -> Result<Millis, String> {
    let length = parse_duration(text).map_err(|e| e.to_string())?;
    let range = Millis::from_secs(1)..=HoldRecord::LENGTH_MAX;
    if range.contains(&length) {
        Ok(length)
    } else {
        Err(format!(
            "{length} is no length of a hold; give 1 s to 30 d, or leave --for out and lift the hold by hand"
        ))
    }
}

/// A daemon that lives has answered by then, also when its disk hangs. Nobody waits longer for a stop.
const PATIENCE: Millis = Millis::new(1_800);
/// One that is just starting, or starting anew, is asked again this often.
const TRY_EVERY: Duration = Duration::from_millis(50);
/// A disk that hangs does not keep the last word back.
const DISK_PATIENCE: Duration = Duration::from_secs(1);

/// The last word when a pump may run on.
const BY_HAND: &str = "PULL THE PUMPS' PLUG if anything may still run";

fn nothing_held(code: u8, why: &str) -> Failure {
    let said = why.strip_prefix(NOTHING_IS_HELD).unwrap_or(why);
    let why = said.trim_start_matches([':', ' ']);
    Failure::new(code, format!("{NOTHING_IS_HELD}: {why}"))
}

/// Stops all dosing, or one line. Without a daemon the hold is written down for its next start.
pub(crate) fn hold(place: &Place, options: &Hold, out: &mut Out) -> Result {
    let scope = scope(place, options.line.as_deref())?;
    let request = Request::Command(Command::Hold {
        scope: scope.clone(),
        reason: Words::new(&options.reason),
        length: options.length,
    });
    let until = machine_now().elapsed.plus(PATIENCE);
    loop {
        let left = until.minus(machine_now().elapsed);
        if left <= Millis::ZERO {
            return by_hand(place, (scope, options), out);
        }
        match ask(place, &request, left.to_duration()) {
            Ok(response) if response.code.as_deref() == Some(STOPPING) => {}
            Ok(response) if response.code.as_deref() == Some(NO_ANSWER) => {}
            Ok(response) if response.ok || place.json => {
                return say(place, response, out).map(drop);
            }
            Ok(response) => return Err(nothing_held(exit::REFUSED, &response.text)),
            Err(error @ ClientError::NotRunning { .. }) => {
                if let Some(text) = offline(place, (&scope, options), &error)? {
                    return say(place, Response::done(text, serde_json::Value::Null), out)
                        .map(drop);
                }
            }
            // The place was needed, or the daemon has just ended.
            Err(ClientError::Broken(_) | ClientError::Silent { .. }) => {}
            Err(error @ (ClientError::NotAllowed { .. } | ClientError::NotUnderstood(_))) => {
                let why = format!("{}; {BY_HAND}", exit::chain(&error));
                return Err(nothing_held(exit::NO_DAEMON, &why));
            }
        }
        std::thread::park_timeout(TRY_EVERY);
    }
}

fn ask(place: &Place, request: &Request, patience: Duration) -> Result<Response, ClientError> {
    Client::connect_within(&place.state, patience)?.ask(request)
}

/// Names of the lines, as far as the files tell.
fn lines(place: &Place) -> Option<Vec<Name>> {
    let loaded = load(&place.config, &check_plan).ok()?;
    let lines = loaded.controller.lines.into_iter();
    Some(lines.map(|line| line.name).collect())
}

fn scope(place: &Place, line: Option<&str>) -> Result<HoldScope> {
    let line = line.map(Name::new).transpose();
    line.map(HoldScope::from)
        .map_err(|error| nothing_held(exit::USAGE, &format!("{error}; {}", known_lines(place))))
}

fn known_lines(place: &Place) -> String {
    match lines(place) {
        Some(lines) => format!(
            "the lines are: {}; `dosewright hold` holds all",
            listed(&lines)
        ),
        None => "`dosewright status` shows the lines; `dosewright hold` holds all".to_owned(),
    }
}

/// Writes a hold down for the next start. `None` when a daemon holds the folder: it is just starting, and will answer soon.
fn offline(
    place: &Place,
    (scope, options): (&HoldScope, &Hold),
    error: &ClientError,
) -> Result<Option<String>> {
    if !place.state.is_dir() {
        let why = format!(
            "{}; if one runs, give its folder with --state. {BY_HAND}",
            exit::chain(error)
        );
        return Err(nothing_held(exit::NO_DAEMON, &why));
    }
    // The lock keeps a daemon that is just starting from having read the file already.
    let _lock = match InstanceLock::take(&place.state) {
        Ok(lock) => lock,
        Err(LockError::Taken { .. }) => return Ok(None),
        Err(lock @ LockError::Make { .. }) => {
            let why = format!("{}; {BY_HAND}", exit::chain(&lock));
            return Err(nothing_held(exit::IO, &why));
        }
    };
    if let HoldScope::Line(line) = scope
        && lines(place).is_some_and(|lines| !lines.contains(line))
    {
        let why = format!("there is no line {line}; {}", known_lines(place));
        return Err(nothing_held(exit::REFUSED, &why));
    }
    let hold = written_hold(scope.clone(), options);
    let until = hold.until;
    add_hold(&place.state, hold)
        .map_err(|e| nothing_held(exit::IO, &format!("{}; {BY_HAND}", exit::chain(&e))))?;
    let end = its_end(options.length, until, place);
    Ok(Some(format!(
        "{NOTHING_IS_HELD} NOW, for no daemon runs here ({}); the hold is written down and in force from its next start{end}. If a pump runs, another daemon drives it: give its --state folder. {BY_HAND}",
        place.state.display()
    )))
}

/// The hold as it is written down without a daemon.
fn written_hold(scope: HoldScope, options: &Hold) -> HoldRecord {
    let since = machine_now().wall;
    let is_set = kernel_clock_is_synchronised() == Some(true);
    HoldRecord {
        scope,
        reason: Words::new(&options.reason).into(),
        who: Who::Local {
            uid: rustix::process::getuid().as_raw(),
        },
        since,
        until: HoldRecord::end(since, options.length, is_set),
    }
}

/// What is to be said of its end, once it is written: the files are read for the zone.
fn its_end(length: Option<Millis>, until: Option<Timestamp>, place: &Place) -> String {
    match (length, until) {
        (None, _) => String::new(),
        (Some(_), Some(until)) => {
            format!("; it ends by itself at {}", local(until, &zone(place)))
        }
        (Some(_), None) => {
            "; it has no end, because the clock is not synchronised: lift it with `dosewright resume`"
                .to_owned()
        }
    }
}

/// A daemon is there and says nothing: its outputs go off from here, and the hold stands where it finds it when it wakes or starts.
fn by_hand(place: &Place, (scope, options): (HoldScope, &Hold), out: &mut Out) -> Result {
    writeln!(
        io::stderr(),
        "THE DAEMON DOES NOT ANSWER. Its outputs are driven off without it:"
    )?;
    let outputs = outputs_off(place, false, &mut Out::stderr());
    let off = match outputs {
        Ok(()) => "Every output was driven off, but a daemon that wakes may drive one again before it finds the hold.".to_owned(),
        Err(Failure::Said { text, .. }) => format!("NOT EVERY OUTPUT IS OFF: {text}."),
        Err(Failure::ClosedPipe) => String::new(),
    };
    let hold = written_hold(scope, options);
    let until = hold.until;
    let written = match write_within(place, hold) {
        Ok(()) => format!(
            "The hold is written down: this daemon takes it up when it wakes, and the next one when it starts{}.",
            its_end(options.length, until, place)
        ),
        Err(why) => format!("THE HOLD COULD NOT BE WRITTEN DOWN and is in force nowhere: {why}."),
    };
    let text = format!(
        "{BY_HAND}, and leave it out until `dosewright status` answers and shows the hold. {off} {written} Then look in the daemon's log why it hangs, and end it: its service manager starts it anew"
    );
    if place.json {
        let response = Response::denied(NO_ANSWER, text);
        out.json(&response)?;
        return Err(Failure::new(exit::NO_DAEMON, ""));
    }
    Err(Failure::new(exit::NO_DAEMON, text))
}

fn write_within(place: &Place, hold: HoldRecord) -> Result<(), String> {
    let (tell, told) = mpsc::channel();
    let state = place.state.clone();
    std::thread::spawn(move || {
        let written = add_hold(&state, hold).map_err(|e| exit::chain(&e));
        // Whoever waited has gone on without.
        drop(tell.send(written));
    });
    told.recv_timeout(DISK_PATIENCE)
        .unwrap_or_else(|_| Err("the disk does not answer".to_owned()))
}
