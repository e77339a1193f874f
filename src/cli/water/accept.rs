//! Uptakes put into force: told by the owner, or advice that is accepted.

use std::io::Write;

use clap::Args;
use serde_json::json;

use crate::chemistry::Quantity;
use crate::cli::exit::accepted;
use crate::cli::place::Agreed;
use crate::cli::proposal::{Consent, agreed_to, prepare, propose};
use crate::cli::record::ledger::open;
use crate::cli::water::begin::{Begin, begin};
use crate::cli::words::{Amount, amount, configuration, quantity, usage};
use crate::cli::{Out, Place, Result};
use crate::control::{Client, Response};
use crate::engine::{Command, NewUptake, Wish};
use crate::record::UptakeHow;

/// What can be typed with `accept`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright accept\n          dosewright accept calcium\nShows what will change and asks; then uptake and course are in force together, and every line that goes by the uptake gives accordingly. No file is changed."
)]
pub(crate) struct Accept {
    /// alkalinity, calcium, magnesium
    #[arg(default_value = "alkalinity", value_parser = quantity)]
    quantity: Quantity,
    #[command(flatten)]
    agreed: Agreed,
}

/// What can be typed with `uptake`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright uptake\n          dosewright uptake alkalinity \"0.85 dKH\"\n          dosewright uptake calcium \"6.1 mg/L\"\nTo begin with, from two tests or from a dose that keeps the level still:\n          dosewright uptake alkalinity --from \"8.4 dKH\" --to \"7.8 dKH\" --after \"1 d\"\n          dosewright uptake alkalinity --newest\n          dosewright uptake alkalinity --stands-still-at \"60 mL\" --of soda-ash --after \"14 d\"\nWithout a value it lists what is in force. Every line that goes by it gives accordingly; no file is changed. What is worked out from tests is shown first and asked about; showing needs no daemon."
)]
pub(crate) struct UptakeArgs {
    /// alkalinity, or an element such as calcium
    #[arg(requires = "how", value_parser = quantity)]
    quantity: Option<Quantity>,
    /// What the animals take up a day, with its unit
    #[arg(group = "how", value_parser = amount)]
    value: Option<Amount>,
    #[command(flatten)]
    begin: Begin,
    /// It is right, however unlikely
    #[arg(long)]
    sure: bool,
}

/// Puts the advice into force.
pub(crate) fn accept(place: &Place, options: &Accept, out: &mut Out) -> Result {
    let consent = Consent {
        yes: agreed_to(place, &options.agreed)?,
        question: "Accept it? Type yes to go on:",
        otherwise: "nothing was changed",
    };
    let of = options.quantity.clone();
    propose(place, Wish::Advice { of }, &consent, out)
}

/// Tells an uptake, or lists those in force.
pub(crate) fn uptake(place: &Place, options: &UptakeArgs, out: &mut Out) -> Result {
    let Some(of) = &options.quantity else {
        return list(place, out);
    };
    let Some(value) = options.value else {
        return begin(place, of, (&options.begin, options.sure), out);
    };
    let new = NewUptake {
        of: of.clone(),
        per_day: value.of(of).map_err(usage)?,
        how: UptakeHow::Told,
        sure: options.sure,
    };
    put(place, new, out)
}

fn list(place: &Place, out: &mut Out) -> Result {
    let loaded = configuration(place)?;
    let recorded = match open(place) {
        Ok(reader) => reader.uptakes()?,
        Err(_) => Vec::new(),
    };
    let mut rows = Vec::new();
    for (of, value) in &loaded.plan.uptakes {
        let known = recorded.iter().rfind(|u| u.of == *of);
        let how = known.map_or("start", |u| u.how.as_str());
        let since = known.map(|u| u.at.wall.to_string());
        if place.json {
            rows.push(
                json!({ "of": of, "per_day": value, "unit": of.unit(), "how": how, "at": since }),
            );
            continue;
        }
        let since = since.map_or_else(|| "from plan.toml".to_owned(), |at| format!("since {at}"));
        writeln!(out, "{of}: {value:.4} {} a day ({how}, {since})", of.unit())?;
    }
    if place.json {
        return Ok(out.json(&rows)?);
    }
    if loaded.plan.uptakes.is_empty() {
        writeln!(out, "no uptake is in force")?;
    }
    Ok(())
}

/// What is asked was asked before, so it is confirmed at once.
fn put(place: &Place, new: NewUptake, out: &mut Out) -> Result {
    let (of, per_day) = (new.of.clone(), new.per_day);
    let mut client = Client::connect(&place.state)?;
    let proposal = prepare(place, &mut client, Wish::Uptake(new), out)?;
    let confirm = Command::Confirm(proposal.confirm(None));
    let said: Response = accepted(client.ask(&confirm.into())?)?;
    if place.json {
        let shown = json!({ "of": of, "per_day": per_day, "unit": of.unit(), "done": said.text });
        return Ok(out.json(&shown)?);
    }
    writeln!(out, "{}", said.text)?;
    Ok(())
}
