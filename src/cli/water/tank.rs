//! What the owner tells of bottles.

use crate::cli::args::{Place, Refill};
use crate::cli::exit::{self, Failure};
use crate::cli::out::Out;
use crate::cli::running::daemon::ask;
use crate::control::Request;
use crate::quantity::{QuantityError, parse_volume};

fn usage(error: &QuantityError) -> Failure {
    Failure::new(exit::USAGE, error.to_string())
}

/// Tells what a bottle holds.
pub(in crate::cli) fn refill(
    place: &Place,
    options: &Refill,
    out: &mut Out,
) -> Result<(), Failure> {
    let full = options.volume == "full";
    let volume = if full {
        None
    } else {
        Some(
            parse_volume(&options.volume)
                .map_err(|e| usage(&e))?
                .as_ul(),
        )
    };
    let how = match (full, options.more) {
        (true, _) => "full",
        (false, true) => "add",
        (false, false) => "to",
    };
    let request = Request::Refill {
        reservoir: options.reservoir.clone(),
        how: how.to_owned(),
        volume_ul: volume,
        note: options.note.clone(),
    };
    ask(place, &request, options.json, out).map(drop)
}
