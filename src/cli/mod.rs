//! The command line: one file a command group.
//!
//! Every command says what it did with numbers and units, goes wrong with a reason and a next step on standard error, and has
//! one of a few exit codes (see `exit.rs`). Colour is used on a terminal only; a closed pipe is no error.

mod accept;
mod advise;
mod args;
mod arm;
mod bench;
mod bench_args;
mod calibrate;
mod certificate;
mod changeover;
mod changes;
mod check;
mod course;
mod creep;
mod daemon;
mod dose;
mod exchanged;
mod exit;
mod guided;
mod keys;
mod ledger;
mod measured;
mod mqtt;
mod out;
mod outputs_off;
mod owner_args;
mod panel;
mod panel_csv;
mod plan_edit;
mod quantities;
mod reading;
mod saturation;
mod solution;
mod status;
mod swap;
mod talk;
mod tank;
mod verify;
mod water;
mod words;

use std::io::Write;
use std::process::ExitCode;

use clap::{CommandFactory, Parser};

use args::{Cli, Command};
use exit::Failure;
use out::Out;

/// Runs the command that was asked for.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version come this way too, and are no failure.
            let code = u8::try_from(error.exit_code()).unwrap_or(exit::USAGE);
            return if error.print().is_ok() {
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

fn dispatch(cli: &Cli, out: &mut Out) -> Result<(), Failure> {
    let place = &cli.place;
    match &cli.command {
        Command::Run(options) => daemon::run(place, options),
        Command::Check(options) => check::check(place, options, out),
        Command::Status(options) => status::status(place, options, out),
        Command::Arm(_) => arm::arm(place, out),
        Command::Disarm(options) => arm::disarm(place, options, out),
        Command::OutputsOff(options) => outputs_off::outputs_off(place, options, out),
        Command::Hold(options) => daemon::hold(place, options, out),
        Command::Resume(options) => daemon::resume(place, options, out),
        Command::Reload(options) => daemon::reload(place, options, out),
        Command::Dose(options) => dose::dose(place, options, out),
        Command::Prime(options) => dose::prime(place, options, out),
        Command::Refill(options) => tank::refill(place, options, out),
        Command::Reading(options) => reading::reading(place, options, out),
        Command::Solution(options) => solution::solution(place, options, out),
        Command::Saturation(options) => saturation::saturation(place, options, out),
        Command::Advise(options) => advise::advise(place, options, out),
        Command::Accept(options) => accept::accept(place, options, out),
        Command::Changes(options) => changes::changes(place, options, out),
        Command::Course(options) => course::course(place, options, out),
        Command::Panel(options) => panel::panel(place, options, out),
        Command::Dilute(options) => water::dilute(place, options, out),
        Command::Changeover(options) => changeover::changeover(place, options, out),
        Command::Calibrate(options) => calibrate::calibrate(place, options, out),
        Command::Verify(options) => verify::verify(place, options, out),
        Command::Calibration(options) => certificate::calibration(place, options, out),
        Command::Clock(options) => daemon::clock(place, options, out),
        Command::Alarm(options) => daemon::alarm(place, options, out),
        Command::Simulate(options) => daemon::simulate(place, options, out),
        Command::Mqtt(options) => mqtt::mqtt(place, options, out),
        Command::Schema => Ok(out.json(&crate::mqtt::schema())?),
        Command::Ledger(options) => ledger::ledger(place, options, out),
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
