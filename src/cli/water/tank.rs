//! What the owner tells of bottles.

use crate::cli::args::Refill;
use crate::cli::exit::Failure;
use crate::cli::out::Out;
use crate::cli::place::Place;
use crate::cli::running::daemon::ask;
use crate::cli::words::usage;
use crate::engine::{Command, RefillLevel};
use crate::quantity::{Name, parse_volume};

/// Tells what a bottle holds.
pub(in crate::cli) fn refill(
    place: &Place,
    options: &Refill,
    out: &mut Out,
) -> Result<(), Failure> {
    let given = || parse_volume(&options.volume).map_err(usage);
    let level = match (options.volume == "full", options.more) {
        (true, _) => RefillLevel::Full,
        (false, true) => RefillLevel::Add(given()?),
        (false, false) => RefillLevel::To(given()?),
    };
    let command = Command::Refill {
        reservoir: Name::new(&options.reservoir).map_err(usage)?,
        level,
        note: options.note.as_str().into(),
    };
    ask(place, &command.into(), options.json, out).map(drop)
}
