//! Uptakes put into force: told by the owner, or advice that is accepted.

use std::io::Write;

use serde_json::json;

use crate::chemistry::figures;
use crate::cli::exit::{self, Failure, accepted};
use crate::cli::out::Out;
use crate::cli::place::Place;
use crate::cli::proposal::{agreed_to, prepare};
use crate::cli::record::ledger::open;
use crate::cli::water::advise::{Case, GIVEN_SHARE, advice, gather, quantity};
use crate::cli::water::begin::begin;
use crate::cli::water::owner_args::{Accept, UptakeArgs};
use crate::cli::words::{agreed, configuration, unread, usage};
use crate::control::{Client, Response};
use crate::engine::{Command, NewUptake, Wish};
use crate::estimate::{Advice, Uptake};
use crate::record::UptakeHow;

/// An accepted uptake of an element moves by at most this part of the one in force at a time. Ours.
const PART_MAX: f64 = 0.25;

/// Puts the advice into force.
pub(in crate::cli) fn accept(
    place: &Place,
    options: &Accept,
    out: &mut Out,
) -> Result<(), Failure> {
    let tracked = &options.of.quantity;
    let case = gather(place, tracked, options.of.days)?;
    let (of, uptake) = (quantity(tracked), worth_accepting(&case)?);
    let Some(established) = case.established else {
        return Err(Failure::new(
            exit::REFUSED,
            format!(
                "there is nothing to accept: no uptake of {of} is in force; tell a first one with `dosewright uptake {of} VALUE`, or give it a start in plan.toml"
            ),
        ));
    };
    let limits = case.loaded.controller.tracked(&of);
    let most = limits.map_or(PART_MAX * established, |l| l.uptake_change_max);
    let wanted = uptake.per_day.max(0.0);
    let target = established + (wanted - established).clamp(-most, most);
    let target = (target * 100.0).round() / 100.0;
    if !place.json {
        let unit = of.unit();
        writeln!(
            out,
            "uptake of {of} from {established:.2} to {target:.2} {unit} a day (estimate {} {unit} a day, {} to {} at 95 %)",
            figures(uptake.per_day),
            figures(uptake.low),
            figures(uptake.high)
        )?;
        if (wanted - target).abs() > 0.0051 {
            writeln!(
                out,
                "that is the largest step of {most:.2} {unit} a day; a further one is possible once this one has settled"
            )?;
        }
        let lines = case.loaded.plan.lines.iter();
        if lines.clone().all(|l| l.gives.of() != Some(&of)) {
            writeln!(
                out,
                "no line of plan.toml goes by this uptake, so no dose changes with it: line {} has a volume of its own there",
                case.lead
            )?;
        }
    }
    if !agreed_to(place, &options.agreed)? {
        agreed("Accept it? Type yes to go on:", "nothing was changed", out)?;
    }
    let new = NewUptake {
        of,
        per_day: target,
        how: UptakeHow::Accepted,
        sure: true,
    };
    put(place, new, out)
}

/// The estimate, when advice is to change something and nothing is in the way.
fn worth_accepting(case: &Case) -> Result<&Uptake, Failure> {
    let refused = |why: String| Failure::new(exit::REFUSED, why);
    if let Some(what) = &case.under_way {
        return Err(refused(format!(
            "{what} is under way; one thing at a time, or nobody can tell what did what: finish it or go back first"
        )));
    }
    let advice = advice(case)?;
    let (Advice::Change(_), Ok(uptake)) = (&advice, &case.estimate) else {
        return Err(refused(format!("there is nothing to accept: {advice}")));
    };
    let little = case
        .given_per_day
        .is_some_and(|given| given < GIVEN_SHARE * case.dosing.per_day);
    if little {
        return Err(refused(
            "much less than the plan was given while these readings were taken; find out why before anything is changed (dosewright status, dosewright ledger list not_given)".to_owned(),
        ));
    }
    Ok(uptake)
}

/// Tells an uptake, or lists those in force.
pub(in crate::cli) fn uptake(
    place: &Place,
    options: &UptakeArgs,
    out: &mut Out,
) -> Result<(), Failure> {
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

fn list(place: &Place, out: &mut Out) -> Result<(), Failure> {
    let loaded = configuration(place)?;
    let recorded = match open(place) {
        Ok(reader) => reader.uptakes().map_err(|e| unread(&e))?,
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
fn put(place: &Place, new: NewUptake, out: &mut Out) -> Result<(), Failure> {
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
