//! `tell`: alarms to a program of the owner's.

use std::os::unix::fs::PermissionsExt;

use super::daemon::set_up_logging;
use crate::cli::args::Tell;
use crate::cli::{Failure, Place, Result, exit};
use crate::daemon::machine_now;
use crate::tell::{Looking, Program, run};

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
