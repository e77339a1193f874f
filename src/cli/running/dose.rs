//! Doses by hand and priming, in two steps: what would be given, then the word to give it.

use std::io::{self, BufRead, IsTerminal, Write};

use clap::Args;

use crate::cli::place::Agreed;
use crate::cli::proposal::prepare;
use crate::cli::running::daemon::say;
use crate::cli::words::usage;
use crate::cli::{Out, Place, Result, refused};
use crate::control::Client;
use crate::engine::{Command, Wish};
use crate::quantity::{Name, Volume, parse_volume};
use crate::record::DoseKind;

/// Options of `dose` and `prime`.
#[derive(Debug, Args)]
pub(crate) struct Dose {
    /// The line
    #[arg(value_parser = Name::new)]
    line: Name,
    /// The volume with its unit, for example "2.5 mL"
    #[arg(value_parser = parse_volume)]
    volume: Volume,
    #[command(flatten)]
    agreed: Agreed,
    /// The volume again, when it is more than three times the line's usual dose
    #[arg(long, value_name = "VOLUME", value_parser = parse_volume)]
    repeat: Option<Volume>,
}

/// Gives one dose by hand.
pub(crate) fn dose(place: &Place, options: &Dose, out: &mut Out) -> Result {
    by_hand(place, options, DoseKind::Hand, out)
}

pub(crate) fn prime(place: &Place, options: &Dose, out: &mut Out) -> Result {
    by_hand(place, options, DoseKind::Prime, out)
}

fn by_hand(place: &Place, options: &Dose, kind: DoseKind, out: &mut Out) -> Result {
    let mut repeated = options.repeat;
    let wish = Wish::Dose {
        line: options.line.clone(),
        volume: options.volume,
        kind,
    };
    let mut client = Client::connect(&place.state)?;
    let proposal = prepare(place, &mut client, wish, out)?;
    if !options.agreed.yes {
        for line in &proposal.text {
            writeln!(out, "{line}")?;
        }
        let again = proposal.ask_twice.as_ref().filter(|_| repeated.is_none());
        match again {
            Some(why) => writeln!(out, "That is {why}. Type the volume again to go on:")?,
            None => writeln!(out, "Give it? Type yes to go on:")?,
        }
        out.flush()?;
        let typed = read_line()?;
        if again.is_some() {
            repeated = Some(parse_volume(&typed).map_err(usage)?);
        } else if typed.trim() != "yes" {
            return Err(refused("nothing was given"));
        }
    }
    let confirm = Command::Confirm(proposal.confirm(repeated));
    say(place, client.ask(&confirm.into())?, out).map(drop)
}

fn read_line() -> Result<String> {
    if !io::stdin().is_terminal() {
        tracing::debug!("the answer is read from a pipe");
    }
    let mut line = String::new();
    io::stdin().lock().read_line(&mut line)?;
    Ok(line)
}
