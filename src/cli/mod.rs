//! The command line: one file a command group.
//!
//! Every command says what it did with numbers and units, goes wrong with a reason and a next step on standard error, and has
//! one of a few exit codes (see `exit.rs`). Colour is used on a terminal only; a closed pipe is no error.

mod args;
mod exit;
#[cfg(any(test, fuzzing))]
#[path = "tests/fuzzed.rs"]
pub mod fuzzed;
mod headings;
mod heads;
mod moment;
mod out;
mod place;
mod proposal;
mod record;
mod running;
mod setup;
mod talk;
mod water;
mod words;

use std::io::Write;
use std::process::ExitCode;

use clap::{CommandFactory, Parser};

use crate::record::NOTHING_IS_HELD;
use args::Cli;
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
    let result = cli
        .command
        .run(&cli.place, &mut out)
        .and_then(|()| out.flush().map_err(Failure::from));
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
