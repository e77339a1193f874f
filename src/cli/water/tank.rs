//! What the owner tells of bottles.

use clap::Args;

use crate::cli::place::{Agreed, Noted};
use crate::cli::proposal::{Consent, propose};
use crate::cli::running::daemon::say;
use crate::cli::words::usage;
use crate::cli::{Out, Place, Result, refused};
use crate::control::Client;
use crate::engine::{Command, NewRefill, RefillLevel, Wish};
use crate::quantity::{Name, QuantityError, Volume, parse_volume};
use std::io::{self, BufRead, IsTerminal, Write};

/// Options of `refill`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright refill soda-ash-bottle full\n          dosewright refill soda-ash-bottle \"1850 mL\"\n          dosewright refill soda-ash-bottle \"500 mL\" --more\n          dosewright refill soda-ash-bottle full --solution soda-ash-80 --tube \"6 mL\""
)]
pub(crate) struct Refill {
    /// The reservoir
    #[arg(value_parser = Name::new)]
    reservoir: Name,
    /// What it holds now, for example "1850 mL", or "full"
    #[arg(value_name = "VOLUME", value_parser = level)]
    level: RefillLevel,
    /// The volume was added to what was in it
    #[arg(long)]
    more: bool,
    /// What is in it now, by its name in controller.toml; as before when not said
    #[arg(long, value_parser = Name::new)]
    solution: Option<Name>,
    /// What the tube of each of its lines still holds of the solution from before, for example "6 mL"
    #[arg(long, value_parser = parse_volume)]
    tube: Option<Volume>,
    /// Nothing of what the books say it held is in it any more
    #[arg(long)]
    emptied: bool,
    #[command(flatten)]
    agreed: Agreed,
    #[command(flatten)]
    noted: Noted,
}

fn level(text: &str) -> Result<RefillLevel, QuantityError> {
    match text {
        "full" => Ok(RefillLevel::Full),
        volume => parse_volume(volume).map(RefillLevel::To),
    }
}

/// Tells what a bottle holds. Another solution than before is shown and asked about.
pub(crate) fn refill(place: &Place, options: &Refill, out: &mut Out) -> Result {
    let level = match (options.level, options.more) {
        (RefillLevel::To(volume), true) => RefillLevel::Add(volume),
        (level, _) => level,
    };
    let mut new = NewRefill {
        reservoir: options.reservoir.clone(),
        level,
        solution: options.solution.clone(),
        tube: options.tube,
        emptied: options.emptied,
        note: options.noted.note.clone(),
    };
    let asks = io::stdin().is_terminal() && !place.json && !options.agreed.yes;
    let response = loop {
        let response = Client::connect(&place.state)?.ask(&Command::Refill(new.clone()).into())?;
        if !asks || response.code.as_deref() != Some("solution-not-said") {
            break response;
        }
        let typed = typed(&response.text, "solution", out)?;
        new.solution = Some(Name::new(&typed).map_err(usage)?);
    };
    if response.code.as_deref() != Some("another-solution") {
        return say(place, response, out).map(drop);
    }
    if asks && new.tube.is_none() {
        let why = "how much of the solution from before does the tube still hold (it goes first)? \
                   A tube of 3 mm inside holds 7 mL a metre; 0 mL when it was emptied or primed through";
        new.tube = Some(parse_volume(&typed(why, "tube", out)?).map_err(usage)?);
    }
    let consent = Consent {
        yes: options.agreed.yes,
        question: "Is that in the bottle now? Type yes to put it into force:",
        otherwise: "nothing was written down: the bottle counts as holding what it held",
    };
    propose(place, Wish::Refill(new), &consent, out)
}

/// Asks for what the command did not say.
fn typed(why: &str, what: &str, out: &mut Out) -> Result<String> {
    writeln!(out, "{why}")?;
    write!(out, "{what}: ")?;
    out.flush()?;
    let mut line = String::new();
    io::stdin().lock().read_line(&mut line)?;
    let line = line.trim();
    if line.is_empty() {
        return Err(refused("nothing was written down"));
    }
    Ok(line.to_owned())
}
