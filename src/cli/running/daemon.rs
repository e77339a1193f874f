//! The daemon, and what is asked of it in a word: resume, reload, the clock, alarms, simulated contacts.

use std::io::{IsTerminal, Write};

use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::{Layer, SubscriberExt};
use tracing_subscriber::util::SubscriberInitExt;

use crate::cli::args::{Alarm, AlarmCommand, Clock, ClockCommand, Resume, Run, Simulate};
use crate::cli::exit::accepted;
use crate::cli::{Failure, Out, Place, Result, exit};
use crate::control::{Client, Request, Response};
use crate::daemon::RunOptions;
use crate::engine::Command;

pub(crate) fn run(place: &Place, options: &Run) -> Result {
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
pub(crate) fn ask(place: &Place, request: &Request, out: &mut Out) -> Result<Response> {
    let response = Client::connect(&place.state)?.ask(request)?;
    say(place, response, out)
}

/// Prints a response: a no fails the command.
pub(crate) fn say(place: &Place, response: Response, out: &mut Out) -> Result<Response> {
    if place.json {
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

pub(crate) fn resume(place: &Place, options: &Resume, out: &mut Out) -> Result {
    let scope = options.line.clone().into();
    let request = Command::Resume { scope }.into();
    ask(place, &request, out).map(drop)
}

/// Reads the plan again.
pub(crate) fn reload(place: &Place, out: &mut Out) -> Result {
    ask(place, &Request::Reload {}, out).map(drop)
}

/// Vouches for the clock, or says when it was wrong.
pub(crate) fn clock(place: &Place, options: &Clock, out: &mut Out) -> Result {
    match &options.command {
        ClockCommand::Trust => ask(place, &Command::TrustClock {}.into(), out).map(drop),
        ClockCommand::Wrong(times) => {
            let (from, to) = (times.from, times.to);
            ask(place, &Command::ClockWrong { from, to }.into(), out).map(drop)
        }
    }
}

pub(crate) fn alarm(place: &Place, options: &Alarm, out: &mut Out) -> Result {
    match &options.command {
        AlarmCommand::Test => ask(place, &Command::TestAlarm {}.into(), out).map(drop),
        AlarmCommand::Acknowledge { code } => {
            let code = code.clone();
            ask(place, &Command::Acknowledge { code }.into(), out).map(drop)
        }
    }
}

/// Sets what a simulated contact shows.
pub(crate) fn simulate(place: &Place, options: &Simulate, out: &mut Out) -> Result {
    let command = Command::SimulateInput {
        input: options.input.clone(),
        safe: options.level == "safe",
    };
    ask(place, &command.into(), out).map(drop)
}
