//! The daemon, and what is asked of it in a word: hold, resume, reload, the clock, alarms, simulated contacts.

use std::io::{IsTerminal, Write};
use std::time::Duration;

use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::{Layer, SubscriberExt};
use tracing_subscriber::util::SubscriberInitExt;

use crate::cli::args::{
    Alarm, AlarmCommand, Clock, ClockCommand, Hold, Place, Plain, Resume, Run, Simulate,
};
use crate::cli::exit::{self, Failure, accepted};
use crate::cli::out::Out;
use crate::cli::words::usage;
use crate::control::{Client, ClientError, Request, Response};
use crate::daemon::{
    InstanceLock, LockError, RunOptions, add_hold_offline, kernel_clock_is_synchronised,
    machine_now,
};
use crate::engine::Command;
use crate::quantity::{Millis, Name, Words};
use crate::record::{Hold as HoldRecord, HoldScope, Who};

pub(in crate::cli) fn run(place: &Place, options: &Run) -> Result<(), Failure> {
    set_up_logging();
    let options = RunOptions {
        config: place.config.clone(),
        state: place.state.clone(),
        warp: options.warp,
        start_at: options.start_at,
    };
    Ok(crate::daemon::run(&options)?)
}

/// Logs to standard error. The level is `info` unless `DOSEWRIGHT_LOG` says otherwise (`debug`, or `warn,dosewright=info`).
pub(super) fn set_up_logging() {
    let wanted = std::env::var("DOSEWRIGHT_LOG")
        .ok()
        .and_then(|text| text.parse::<Targets>().ok());
    let targets = wanted.unwrap_or_else(|| Targets::new().with_default(tracing::Level::INFO));
    let lines = tracing_subscriber::fmt::layer()
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal())
        .with_target(false)
        .with_timer(crate::daemon::LogTime);
    tracing_subscriber::registry()
        .with(lines.with_filter(targets))
        .init();
}

/// Asks the daemon once and prints what it says.
pub(in crate::cli) fn ask(
    place: &Place,
    request: &Request,
    json: bool,
    out: &mut Out,
) -> Result<Response, Failure> {
    let response = Client::connect(&place.state)?.ask(request)?;
    say(response, json, out)
}

/// Prints a response: a no fails the command.
pub(in crate::cli) fn say(
    response: Response,
    json: bool,
    out: &mut Out,
) -> Result<Response, Failure> {
    if json {
        out.json(&response)?;
        return if response.ok {
            Ok(response)
        } else {
            Err(Failure::new(exit::REFUSED, ""))
        };
    }
    let response = accepted(response)?;
    writeln!(out, "{}", response.text)?;
    Ok(response)
}

/// A hold that meets a daemon which is just starting, or starting anew, tries again this often,
const HOLD_TRY_EVERY: Duration = Duration::from_millis(50);
/// and so many times: 5 s.
const HOLD_TRIES: u32 = 100;

fn scope(line: Option<&str>) -> Result<HoldScope, Failure> {
    line.map_or(Ok(HoldScope::All), |text| {
        Name::new(text).map(HoldScope::Line).map_err(usage)
    })
}

/// Stops all dosing, or one line. Without a daemon the hold is written down for its next start.
pub(in crate::cli) fn hold(place: &Place, options: &Hold, out: &mut Out) -> Result<(), Failure> {
    let scope = scope(options.line.as_deref())?;
    let reason = Words::new(&options.reason);
    let request = Request::Command(Command::Hold {
        scope: scope.clone(),
        reason: reason.clone(),
        length: options.length,
    });
    for _ in 0..HOLD_TRIES {
        match Client::connect(&place.state) {
            Ok(mut client) => {
                let response = client.ask(&request)?;
                say(response, options.json, out)?;
                return Ok(());
            }
            Err(error @ ClientError::NotRunning { .. }) => {
                let hold = (scope.clone(), reason.clone(), options.length);
                if hold_offline(place, hold, (&error, options.json), out)? {
                    return Ok(());
                }
            }
            Err(error) => return Err(error.into()),
        }
        std::thread::park_timeout(HOLD_TRY_EVERY);
    }
    let text = format!(
        "a daemon holds the state folder {} but does not answer; stop it, or switch the heads' supply off",
        place.state.display()
    );
    Err(Failure::new(exit::NO_DAEMON, text))
}

/// Writes a hold down for the next start. `false` when a daemon holds the folder: it is just starting, and will answer soon.
fn hold_offline(
    place: &Place,
    (scope, reason, length): (HoldScope, Words, Option<Millis>),
    (error, json): (&ClientError, bool),
    out: &mut Out,
) -> Result<bool, Failure> {
    if !place.state.is_dir() {
        return Err(Failure::new(exit::NO_DAEMON, exit::chain(error)));
    }
    // The lock keeps a daemon that is just starting from reading the file half-way.
    let _lock = match InstanceLock::take(&place.state) {
        Ok(lock) => lock,
        Err(LockError::Taken { .. }) => return Ok(false),
        Err(lock @ LockError::Make { .. }) => {
            return Err(Failure::new(exit::IO, exit::chain(&lock)));
        }
    };
    let who = Who::Local {
        uid: rustix::process::getuid().as_raw(),
    };
    let since = machine_now().wall;
    // No end by a clock that may be wrong.
    let until = length
        .filter(|_| kernel_clock_is_synchronised() == Some(true))
        .and_then(|l| {
            since
                .checked_add(jiff::Span::new().milliseconds(l.as_ms()))
                .ok()
        });
    let hold = HoldRecord {
        scope,
        reason: reason.into(),
        who,
        since,
        until,
    };
    add_hold_offline(&place.state, hold).map_err(|e| Failure::new(exit::IO, exit::chain(&e)))?;
    let end = match (length, until) {
        (None, _) => String::new(),
        (Some(_), Some(until)) => format!("; it ends by itself at {until:.0}"),
        (Some(_), None) => {
            "; it has no end, because the clock is not synchronised: lift it with `dosewright resume`"
                .to_owned()
        }
    };
    let text = format!(
        "no daemon runs here; the hold is written down and in force from its next start{end}"
    );
    say(Response::done(text, serde_json::Value::Null), json, out)?;
    Ok(true)
}

pub(in crate::cli) fn resume(
    place: &Place,
    options: &Resume,
    out: &mut Out,
) -> Result<(), Failure> {
    let scope = scope(options.line.as_deref())?;
    let request = Command::Resume { scope }.into();
    ask(place, &request, options.json, out).map(drop)
}

/// Reads the plan again.
pub(in crate::cli) fn reload(place: &Place, options: &Plain, out: &mut Out) -> Result<(), Failure> {
    ask(place, &Request::Reload {}, options.json, out).map(drop)
}

/// Vouches for the clock.
pub(in crate::cli) fn clock(place: &Place, options: &Clock, out: &mut Out) -> Result<(), Failure> {
    match &options.command {
        ClockCommand::Trust(plain) => {
            ask(place, &Command::TrustClock {}.into(), plain.json, out).map(drop)
        }
    }
}

pub(in crate::cli) fn alarm(place: &Place, options: &Alarm, out: &mut Out) -> Result<(), Failure> {
    match &options.command {
        AlarmCommand::Test { json } => {
            ask(place, &Command::TestAlarm {}.into(), *json, out).map(drop)
        }
        AlarmCommand::Acknowledge { code, json } => {
            let code = code.as_deref().map(Words::new);
            ask(place, &Command::Acknowledge { code }.into(), *json, out).map(drop)
        }
    }
}

/// Sets what a simulated contact shows.
pub(in crate::cli) fn simulate(
    place: &Place,
    options: &Simulate,
    out: &mut Out,
) -> Result<(), Failure> {
    let command = Command::SimulateInput {
        input: Name::new(&options.input).map_err(usage)?,
        safe: options.level == "safe",
    };
    ask(place, &command.into(), options.json, out).map(drop)
}
