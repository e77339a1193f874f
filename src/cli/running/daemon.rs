//! The daemon, and what is asked of it in a word: resume, reload, the clock, alarms, simulated contacts.

use std::io::{IsTerminal, Write};

use clap::{Args, Subcommand};
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::{Layer, SubscriberExt};
use tracing_subscriber::util::SubscriberInitExt;

use crate::cli::exit::accepted;
use crate::cli::moment::{Moment, moment};
use crate::cli::{Out, Place, Result, refused};
use crate::control::{Client, Request, Response};
use crate::daemon::RunOptions;
use crate::engine::Command;
use crate::quantity::{Name, Words};

/// Options of `run`.
#[derive(Debug, Args)]
#[command(after_help = "Example: dosewright run --config config --state target/demo --warp 120")]
pub(crate) struct Run {
    /// Dry run only: let virtual time pass N times faster (1 to 3600); after a restart it goes on from where it was
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=i64::from(crate::daemon::WARP_MAX)))]
    warp: Option<u32>,
    /// With --warp and a new state folder: where virtual time begins, for example "2026-10-24 18:00"
    #[arg(long, value_name = "TIME", requires = "warp", value_parser = moment)]
    start_at: Option<Moment>,
}

/// Options of `resume`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright resume\n          dosewright resume calcium\nMissed slots are not made up for."
)]
pub(crate) struct Resume {
    /// The line; the hold on all dosing when left out
    #[arg(value_parser = Name::new)]
    line: Option<Name>,
}

/// What to do with the clock.
#[derive(Debug, Subcommand)]
pub(crate) enum ClockCommand {
    /// Say that the wall clock is right, until the next start
    Trust,
    /// Say that the clock was wrong while the record shows these times
    #[command(
        after_help = "Example, after a clock that was 70 years ahead for a while and is right again:\n  dosewright clock wrong --from 2096-11-30T14:00:00Z --to 2096-11-30T15:00:00Z"
    )]
    Wrong(WrongTimes),
}

/// Options of `clock wrong`.
#[derive(Debug, Args)]
pub(crate) struct WrongTimes {
    /// The first of them, as they are shown or with an offset
    #[arg(long, value_name = "TIME", value_parser = moment)]
    from: Moment,
    /// The last of them
    #[arg(long, value_name = "TIME", value_parser = moment)]
    to: Moment,
}

/// What to do with alarms.
#[derive(Debug, Subcommand)]
pub(crate) enum AlarmCommand {
    /// Raise a test alarm for 30 s: alarm output, displays, `dosewright tell`
    #[command(
        after_help = "It means nothing, touches no dosing and ends by itself; it is noted in the ledger. Go and see what arrives."
    )]
    Test,
    /// Say that an alarm has been seen; one whose cause lasts stays listed
    Acknowledge {
        /// Its code as `status` shows it; all when left out
        code: Option<Words>,
    },
}

/// Options of `simulate`.
#[derive(Debug, Args)]
#[command(after_help = "Example: dosewright simulate return-pump unsafe")]
pub(crate) struct Simulate {
    /// The input
    #[arg(value_parser = Name::new)]
    input: Name,
    /// safe or unsafe
    #[arg(value_parser = ["safe", "unsafe"])]
    level: String,
}

pub(crate) fn run(place: &Place, options: &Run) -> Result {
    set_up_logging();
    let start_at = options.start_at.map(|at| at.at(place)).transpose()?;
    let options = RunOptions {
        config: place.config.clone(),
        state: place.state.clone(),
        warp: options.warp,
        start_at,
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
            Err(refused(""))
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
pub(crate) fn clock(place: &Place, options: &ClockCommand, out: &mut Out) -> Result {
    match options {
        ClockCommand::Trust => ask(place, &Command::TrustClock {}.into(), out).map(drop),
        ClockCommand::Wrong(times) => {
            let (from, to) = (times.from.at(place)?, times.to.at(place)?);
            ask(place, &Command::ClockWrong { from, to }.into(), out).map(drop)
        }
    }
}

pub(crate) fn alarm(place: &Place, options: &AlarmCommand, out: &mut Out) -> Result {
    match options {
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
