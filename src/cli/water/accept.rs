//! Putting advice into force: the established uptake with the daemon; what to write into the plan file is shown.

use std::io::Write;

use serde_json::json;

use crate::chemistry::{Quantity, figures};
use crate::cli::args::Place;
use crate::cli::exit::{self, Failure, accepted};
use crate::cli::out::Out;
use crate::cli::proposal::prepare;
use crate::cli::water::advise::{Case, GIVEN_SHARE, advice, gather, tracked};
use crate::cli::water::owner_args::Accept;
use crate::cli::words::agreed;
use crate::config::TrackedLimits;
use crate::control::{Client, Response};
use crate::engine::{Command, Proposal as Proposed, Wish};
use crate::estimate::{Advice, Proposal, Tracked, Uptake};
use crate::quantity::{Alkalinity, f64_from_i64};

/// A daily volume is changed by at most this part of itself at a time; what is right to do at once for alkalinity is bounded by its own
/// limits. Ours.
const PART_MAX: f64 = 0.25;

/// What is to be put into force.
struct Step {
    /// The line's new daily volume, mL.
    ml: f64,
    /// The new established uptake, dKH a day; alkalinity only.
    uptake_dkh: Option<f64>,
    /// What is shown before it is agreed to.
    said: Vec<String>,
}

/// Puts the advice into force.
pub(in crate::cli) fn accept(
    place: &Place,
    options: &Accept,
    out: &mut Out,
) -> Result<(), Failure> {
    let tracked = tracked(&options.quantity)?;
    let case = gather(place, &tracked, options.days)?;
    if let Some(what) = &case.under_way {
        return Err(Failure::new(
            exit::REFUSED,
            format!(
                "{what} is under way; one thing at a time, or nobody can tell what did what: finish it or go back first"
            ),
        ));
    }
    let advice = advice(&case)?;
    let refused = |why: String| Failure::new(exit::REFUSED, why);
    let (Advice::Change(proposal), Ok(uptake)) = (&advice, &case.estimate) else {
        return Err(refused(format!("there is nothing to accept: {advice}")));
    };
    if case
        .given_per_day
        .is_some_and(|given| given < GIVEN_SHARE * case.dosing.per_day)
    {
        return Err(refused(
            "much less than the plan was given while these readings were taken; find out why before anything is changed (dosewright status, dosewright ledger list not_given)".to_owned(),
        ));
    }
    let step = match &tracked {
        Tracked::Alkalinity => of_alkalinity(&case, uptake)?,
        Tracked::Element(_) => of_element(&case, proposal),
    };
    let proposed = proposed(place, &step, options.json, out)?;
    if !options.json {
        for line in &step.said {
            writeln!(out, "{line}")?;
        }
        let uptake = step
            .uptake_dkh
            .map(|dkh| format!("uptake-dkh-per-day = {dkh} and "));
        writeln!(
            out,
            "for plan.toml: {}daily-ml = {} in [line.{}]",
            uptake.unwrap_or_default(),
            step.ml,
            case.lead
        )?;
        if let Some(target) = step.uptake_dkh {
            writeln!(out, "{}", meanwhile(&case, target))?;
        }
    }
    if !options.yes {
        agreed("Accept it? Type yes to go on:", "nothing was changed", out)?;
    }
    let told = put_into_force(proposed)?;
    if options.json {
        let texts: Vec<&str> = told.iter().map(|r| r.text.as_str()).collect();
        let (line, daily) = (case.lead.as_str(), step.ml);
        return Ok(out.json(&json!({
            "quantity": tracked.to_string(), "line": line, "daily_ml": daily, "uptake_dkh_per_day": step.uptake_dkh,
            "done": texts,
        }))?);
    }
    for response in &told {
        writeln!(out, "{}", response.text)?;
    }
    Ok(())
}

/// The uptake as the daemon would take it, with the connection that confirms it; `None` when none changes.
fn proposed(
    place: &Place,
    step: &Step,
    json: bool,
    out: &mut Out,
) -> Result<Option<(Client, Proposed)>, Failure> {
    let Some(target) = step.uptake_dkh else {
        return Ok(None);
    };
    let mut client = Client::connect(&place.state)?;
    let uptake = Alkalinity::from_dkh(target);
    let proposal = prepare(&mut client, Wish::Uptake { uptake }, json, out)?;
    Ok(Some((client, proposal)))
}

fn put_into_force(proposed: Option<(Client, Proposed)>) -> Result<Vec<Response>, Failure> {
    let mut told = Vec::new();
    if let Some((mut client, proposal)) = proposed {
        let confirm = Command::Confirm(proposal.confirm(None));
        told.push(accepted(client.ask(&confirm.into())?)?);
    }
    Ok(told)
}

fn of_alkalinity(case: &Case, uptake: &Uptake) -> Result<Step, Failure> {
    let limits = case.loaded.controller.tracked(&Quantity::Alkalinity);
    let (Some(established), Some(limits)) = (case.established, limits) else {
        return Err(Failure::new(
            exit::REFUSED,
            "there is nothing to accept: no line carries alkalinity, or no uptake is declared in plan.toml yet",
        ));
    };
    let target = bounded(established, uptake, limits);
    let ml = case.dosing.volume.as_ml() + (target - case.dosing.per_day) / case.dosing.rise_per_ml;
    let mut said = vec![format!(
        "uptake from {established} to {target:.2} dKH a day (estimate {} dKH a day, {} to {} at 95 %)",
        figures(uptake.per_day),
        figures(uptake.low),
        figures(uptake.high)
    )];
    if (uptake.per_day.max(0.0) - target).abs() > 0.0051 {
        said.push(format!(
            "that is the largest step of {} a day; a further one is possible after {}",
            Quantity::Alkalinity.amount(limits.uptake_change_max),
            limits.settling
        ));
    }
    Ok(Step {
        ml: written_ml(ml.max(0.0)),
        uptake_dkh: Some(target),
        said,
    })
}

/// The estimate, within the largest step; two decimals, as the plan file will have it.
fn bounded(established: Alkalinity, uptake: &Uptake, limits: &TrackedLimits) -> f64 {
    let most = limits.uptake_change_max;
    let step = (uptake.per_day.max(0.0) - established.as_dkh()).clamp(-most, most);
    ((established.as_dkh() + step) * 100.0).round() / 100.0
}

fn of_element(case: &Case, proposal: &Proposal) -> Step {
    let (from, wanted) = (proposal.from.as_ml(), proposal.to.as_ml());
    let to = wanted.clamp(from * (1.0 - PART_MAX), from * (1.0 + PART_MAX));
    let mut said = vec![format!(
        "line {} from {} to {} mL a day ({} to {} at 95 %)",
        case.lead,
        proposal.from,
        written_ml(to),
        proposal.interval.0,
        proposal.interval.1
    )];
    if (wanted - to).abs() > 0.001 {
        said.push(format!(
            "that is the largest step, {:.0} % of it; a further one is possible once this one has settled",
            PART_MAX * 100.0
        ));
    }
    Step {
        ml: written_ml(to),
        uptake_dkh: None,
        said,
    }
}

/// What the plan does until it is edited.
fn meanwhile(case: &Case, target_dkh: f64) -> String {
    let water = case.loaded.controller.water.get(&Quantity::Alkalinity);
    let Some((max_rise, limits)) = water.and_then(|w| Some((w.max_rise, w.tracked?))) else {
        return String::new();
    };
    let planned = case.dosing.per_day;
    let high = target_dkh + max_rise;
    let low = (target_dkh - limits.max_fall).max(0.0);
    let days = f64_from_i64(limits.stale_after.as_ms()) / 86_400_000.0;
    if planned > high || planned < low {
        format!(
            "until then the plan's {planned:.2} dKH a day is clamped to {low:.2} to {high:.2} dKH a day"
        )
    } else if planned <= target_dkh + 0.0051 {
        format!("until then the plan's {planned:.2} dKH a day goes on unchanged")
    } else {
        format!(
            "until then the plan's {planned:.2} dKH a day goes on unchanged; without a reading for {days:.0} d, or with alkalinity above the band, it is clamped to {target_dkh:.2} dKH a day"
        )
    }
}

/// A daily volume as a person writes it: at most a two-hundredth of it is lost by rounding.
fn written_ml(ml: f64) -> f64 {
    let places = if ml >= 20.0 {
        10.0
    } else if ml >= 2.0 {
        100.0
    } else {
        1000.0
    };
    (ml * places).round() / places
}
