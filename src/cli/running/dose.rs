//! Doses by hand and priming, in two steps: what would be given, then the word to give it.

use std::io::{self, BufRead, IsTerminal, Write};

use serde_json::Value;

use crate::cli::args::{Dose, Place};
use crate::cli::exit::{self, Failure, accepted};
use crate::cli::out::Out;
use crate::cli::running::daemon::say;
use crate::control::{Client, Request};
use crate::quantity::parse_volume;

/// Gives one dose by hand.
pub(in crate::cli) fn dose(place: &Place, options: &Dose, out: &mut Out) -> Result<(), Failure> {
    by_hand(place, options, "hand", out)
}

pub(in crate::cli) fn prime(place: &Place, options: &Dose, out: &mut Out) -> Result<(), Failure> {
    by_hand(place, options, "prime", out)
}

fn by_hand(place: &Place, options: &Dose, kind: &str, out: &mut Out) -> Result<(), Failure> {
    let usage = |e: crate::quantity::QuantityError| Failure::new(exit::USAGE, e.to_string());
    let volume = parse_volume(&options.volume).map_err(usage)?;
    let repeated = options
        .repeat
        .as_deref()
        .map(parse_volume)
        .transpose()
        .map_err(usage)?;
    let mut client = Client::connect(&place.state)?;
    let prepare = Request::PrepareDose {
        line: options.line.clone(),
        volume_ul: volume.as_ul(),
        kind: kind.to_owned(),
    };
    let prepared = client.ask(&prepare)?;
    if options.json && !prepared.ok {
        say(prepared, true, out)?;
        return Ok(());
    }
    let prepared = accepted(prepared)?;
    let flag = |key: &str| {
        prepared
            .data
            .get(key)
            .and_then(Value::as_bool)
            .unwrap_or(false)
    };
    let mut repeated_ul = repeated.map(crate::quantity::Volume::as_ul);
    if !options.yes {
        if flag("caustic") {
            writeln!(
                out,
                "CAUTION: this solution is caustic. Gloves and eye protection; rinse spills with plenty of water."
            )?;
        }
        writeln!(out, "{}", prepared.text)?;
        let asked_for_repeat = flag("unusual") && repeated_ul.is_none();
        if asked_for_repeat {
            writeln!(
                out,
                "That is more than three times the usual dose. Type the volume again to go on:"
            )?;
        } else {
            writeln!(out, "Give it? Type yes to go on:")?;
        }
        out.flush()?;
        let typed = read_line()?;
        if asked_for_repeat {
            repeated_ul = Some(parse_volume(&typed).map_err(usage)?.as_ul());
        } else if typed.trim() != "yes" {
            return Err(Failure::new(exit::REFUSED, "nothing was given"));
        }
    }
    let token = prepared
        .data
        .get("token")
        .and_then(Value::as_u64)
        .unwrap_or_default();
    let response = client.ask(&Request::ConfirmDose {
        token,
        repeated_volume_ul: repeated_ul,
    })?;
    say(response, options.json, out)?;
    Ok(())
}

fn read_line() -> Result<String, Failure> {
    if !io::stdin().is_terminal() {
        tracing::debug!("the answer is read from a pipe");
    }
    let mut line = String::new();
    io::stdin().lock().read_line(&mut line)?;
    Ok(line)
}
