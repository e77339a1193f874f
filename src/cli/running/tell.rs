//! `tell`: alarms to a program of the owner's.

use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;

use clap::Args;

use super::daemon::set_up_logging;
use crate::cli::{Failure, Place, Result, exit};
use crate::daemon::machine_now;
use crate::quantity::{Millis, parse_duration};
use crate::tell::{Looking, Program, run};

/// Options of `tell`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: dosewright tell --program /etc/dosewright/tell\nThe program gets the text on standard input, its first line good for a subject, and the facts as DOSEWRIGHT_HAPPENED (raised, over), _ALARM, _SUBJECT, _TEXT, _SINCE, _TIMES, _URGENT (yes, no), _NAME, _MODE, _LEFT_OUT. Exit code 0 means that it was told; anything else is tried again, after 10 s at first and 10 min at last. No shell is between. Runs until it is ended; the unit dosewright-tell does that."
)]
pub(crate) struct Tell {
    /// Your program, with its whole path
    #[arg(long, value_name = "PATH")]
    program: PathBuf,
    /// Kill the program after this long
    #[arg(long, value_name = "TIME", default_value = "30 s", value_parser = tell_time)]
    patience: Millis,
    /// Time between two looks at the daemon
    #[arg(long, value_name = "TIME", default_value = "10 s", value_parser = tell_time)]
    every: Millis,
    /// Arguments of your program, after --
    #[arg(last = true)]
    args: Vec<String>,
}

fn tell_time(text: &str) -> Result<Millis, String> {
    let time = parse_duration(text).map_err(|e| e.to_string())?;
    let range = Millis::from_secs(1)..=Millis::from_mins(5);
    if range.contains(&time) {
        Ok(time)
    } else {
        Err(format!("{time} is out of range; give 1 s to 5 min"))
    }
}

/// Looks and tells until it is ended.
pub(crate) fn tell(place: &Place, options: &Tell) -> Result {
    let path = &options.program;
    let shown = path.display();
    let refuse = |why: String| Err(Failure::new(exit::USAGE, why));
    if !path.is_absolute() {
        return refuse(format!(
            "{shown}: give the whole path of the program, from /, so that no search path decides what runs"
        ));
    }
    match path.metadata() {
        Err(error) => return refuse(format!("{shown}: {error}")),
        Ok(meta) if !meta.is_file() || meta.permissions().mode() & 0o111 == 0 => {
            return refuse(format!(
                "{shown} is no program; make it one with: chmod +x {shown}"
            ));
        }
        Ok(_) => {}
    }
    set_up_logging();
    let program = Program {
        path: path.clone(),
        args: options.args.clone(),
        patience: options.patience,
    };
    let looking = Looking {
        state: place.state.clone(),
        every: options.every,
        clock: &machine_now,
    };
    tracing::info!(program = %shown, state = %place.state.display(), "alarms are told");
    run(&looking, &program)
}
