//! What the owner tells of bottles.

use super::args::{Place, Refill};
use super::daemon::ask;
use super::exit::{self, Failure};
use super::out::Out;
use crate::control::Request;
use crate::quantity::{QuantityError, parse_volume};

fn usage(error: &QuantityError) -> Failure {
    Failure::new(exit::USAGE, error.to_string())
}

/// Tells what a bottle holds.
pub(super) fn refill(place: &Place, options: &Refill, out: &mut Out) -> Result<(), Failure> {
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
