//! The command line: one file a command group.
//!
//! Every command says what it did with numbers and units, goes wrong with a reason and a next step on standard error, and has
//! one of a few exit codes (see `exit.rs`). Colour is used on a terminal only; a closed pipe is no error.

mod args;
mod exit;
mod headings;
mod heads;
mod out;
mod place;
mod proposal;
mod record;
mod running;
mod talk;
mod water;
mod words;

use std::io::Write;
use std::process::ExitCode;

use clap::{CommandFactory, Parser};

use crate::record::NOTHING_IS_HELD;
use args::{Cli, Command};
use exit::{Failure, Result, refused};
use out::{Out, Tone};
use place::Place;

/// Runs the command that was asked for.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version come this way too, and are no failure.
            let code = u8::try_from(error.exit_code()).unwrap_or(exit::USAGE);
            let printed = error.print();
            if code != 0 && may_have_meant_a_stop(&error) {
                // A closed standard error leaves the exit code to speak.
                drop(writeln!(
                    std::io::stderr(),
                    "{NOTHING_IS_HELD}. `dosewright hold` stops all dosing"
                ));
            }
            return if printed.is_ok() {
                ExitCode::from(code)
            } else {
                ExitCode::SUCCESS
            };
        }
    };
    let mut out = Out::stdout();
    let result = dispatch(&cli, &mut out).and_then(|()| out.flush().map_err(Failure::from));
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => failure.report(),
    }
}

/// Whether a command line that was not understood could have been one that stops.
fn may_have_meant_a_stop(error: &clap::Error) -> bool {
    let cli = Cli::command();
    let mut words = std::env::args().skip(1);
    let command = words.find_map(|word| cli.find_subcommand(&word));
    error.kind() == clap::error::ErrorKind::InvalidSubcommand
        || command.is_some_and(|command| command.get_name() == "hold")
}

fn dispatch(cli: &Cli, out: &mut Out) -> Result {
    let place = &cli.place;
    match &cli.command {
        Command::Run(options) => running::daemon::run(place, options),
        Command::Check(options) => running::check::check(place, options, out),
        Command::Rehearse(options) => running::rehearse::rehearse(place, options, out),
        Command::Status(options) => running::status::status(place, options, out),
        Command::Arm => running::arm::arm(place, out),
        Command::Disarm => running::arm::disarm(place, out),
        Command::OutputsOff => running::outputs_off::outputs_off(place, place.json, out),
        Command::Tell(options) => running::tell::tell(place, options),
        Command::Hold(options) => running::hold::hold(place, options, out),
        Command::Resume(options) => running::daemon::resume(place, options, out),
        Command::Reload => running::daemon::reload(place, out),
        Command::Dose(options) => running::dose::dose(place, options, out),
        Command::Prime(options) => running::dose::prime(place, options, out),
        Command::Refill(options) => water::tank::refill(place, options, out),
        Command::Reading(options) => water::reading::reading(place, options, out),
        Command::Solution(options) => water::solution::solution(place, options, out),
        Command::Saturation(options) => water::saturation::saturation(place, options, out),
        Command::Advise(options) => water::advise::advise(place, options, out),
        Command::Accept(options) => water::accept::accept(place, options, out),
        Command::Uptake(options) => water::accept::uptake(place, options, out),
        Command::Changes(options) => water::changes::changes(place, options, out),
        Command::Course(options) => water::course::course(place, options, out),
        Command::Panel(options) => water::panel::panel(place, options, out),
        Command::Dilute(options) => water::dilute::dilute(place, options, out),
        Command::Bench(options) => heads::words::bench(place, options, out),
        Command::Calibration(options) => heads::certificate::calibration(place, options, out),
        Command::Clock(options) => running::daemon::clock(place, options, out),
        Command::Alarm(options) => running::daemon::alarm(place, options, out),
        Command::Simulate(options) => running::daemon::simulate(place, options, out),
        Command::Mqtt(options) => running::mqtt::mqtt(place, options, out),
        Command::Schema { of } => Ok(out.json(&running::schema(*of))?),
        Command::Report(options) => record::report::report(place, options, out),
        Command::Demo(options) => running::demo::demo(options, out),
        Command::Ledger(options) => record::ledger::ledger(place, options, out),
        Command::Completions { shell } => {
            clap_complete::generate(*shell, &mut Cli::command(), "dosewright", out);
            Ok(())
        }
        Command::Manual => Ok(clap_mangen::Man::new(Cli::command())
            .render(out)
            .and_then(|()| manual_of_commands(out))?),
    }
}

/// The manual has a section for each command, made of the same texts as its help.
fn manual_of_commands(out: &mut Out) -> std::io::Result<()> {
    let mut cli = Cli::command();
    cli.build();
    for command in cli.get_subcommands().filter(|c| c.get_name() != "help") {
        let man = clap_mangen::Man::new(command.clone());
        man.render_name_section(out)?;
        man.render_synopsis_section(out)?;
        man.render_description_section(out)?;
        man.render_options_section(out)?;
        man.render_extra_section(out)?;
    }
    Ok(())
}
