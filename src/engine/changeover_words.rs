//! A changeover worked out: its numbers, and the same for people.

use super::wish::{ChangeoverFigures, ChangeoverStep};
use crate::chemistry::{Quantity, Rises, amount, drift_words};
use crate::config::Controller;
use crate::plan::{ChangeoverShape, Crossing, drift_per_day};
use crate::quantity::{Name, Volume, f64_from_i64};

fn dkh_of(crossing: &Crossing) -> f64 {
    crossing.rise_of(&Quantity::Alkalinity)
}

fn worst(crossings: &[Crossing]) -> Option<&Crossing> {
    crossings
        .iter()
        .max_by(|a, b| dkh_of(a).total_cmp(&dkh_of(b)))
}

pub(super) fn changeover_figures(
    controller: &Controller,
    (shape, by): (&ChangeoverShape, &Quantity),
    crossings: &[Crossing],
) -> ChangeoverFigures {
    let step = |step| {
        let day = shape.at(step);
        ChangeoverStep {
            from: day.from,
            to: day.to,
        }
    };
    ChangeoverFigures {
        from: shape.from.line.clone(),
        to: shape.to.line.clone(),
        by: by.clone(),
        days: shape.days,
        steps: (0..=shape.days).map(step).collect(),
        most_in_24_h_dkh: worst(crossings).map_or(0.0, dkh_of),
        drift_mg_per_l_per_day: drift_per_day(controller, shape)
            .into_iter()
            .map(|(element, change)| (Quantity::Element(element), change))
            .collect(),
    }
}

/// What one line adds a day.
fn rises_of(controller: &Controller, line: &Name, volume: Volume) -> Rises {
    let config = controller.lines.iter().find(|l| l.name == *line);
    let effect = config
        .and_then(|l| controller.solutions.get(&l.solution))
        .map(|s| &s.effect);
    let parts: Vec<_> = effect.map(|e| (e, volume)).into_iter().collect();
    Rises::of(&parts, controller.tank)
}

pub(super) fn changeover_text(
    controller: &Controller,
    (shape, by): (&ChangeoverShape, &Quantity),
    crossings: &[Crossing],
) -> Vec<String> {
    let (from, to) = (&shape.from.line, &shape.to.line);
    let mut text = vec![format!(
        "from line {from} to line {to} over {} days, at equal {by}; begins with the next local day",
        shape.days
    )];
    text.extend(table(controller, shape));
    for side in [&shape.from, &shape.to] {
        if let Some(line) = controller.lines.iter().find(|l| l.name == side.line) {
            text.push(format!(
                "line {}: {} doses a day of at least {}, caps {} a day and {} a dose",
                side.line, side.doses, side.dose_min, line.daily_cap, line.dose_cap
            ));
        }
    }
    if let Some(limits) = controller.water.get(&Quantity::Alkalinity) {
        text.push(format!(
            "the ramp allows uptake and {} a day, uptake alone without a fresh reading",
            Quantity::Alkalinity.amount(limits.max_rise)
        ));
    }
    let skipped = (1..shape.days).any(|s| {
        let day = shape.at(s);
        day.from == Volume::ZERO || day.to == Volume::ZERO
    });
    if skipped {
        text.push(
            "where a line's share would make doses that its head cannot meter, the other line gives all of it"
                .to_owned(),
        );
    }
    let drifts = drift_per_day(controller, shape);
    if drifts.is_empty() {
        text.push("nothing else changes".to_owned());
    }
    let over = over_the_changeover(shape);
    text.extend(drift_words(&drifts, |per_day| {
        format!(
            "; {} over the changeover, if nothing takes it up",
            amount((per_day * over).abs())
        )
    }));
    text.push(format!(
        "a day on which line {to} gave less than half of its share is not a step; a missed dose is not made up for"
    ));
    text.extend(worst(crossings).map(|worst| {
        format!(
            "all lines add at most {:.3} dKH in any 24 h across a midnight (before day {})",
            dkh_of(worst),
            worst.day
        )
    }));
    text
}

/// Each day's volumes with the alkalinity of both lines.
fn table(controller: &Controller, shape: &ChangeoverShape) -> Vec<String> {
    let (from, to) = (&shape.from.line, &shape.to.line);
    let mut lines = vec![format!(
        "{:>4}  {:>14}  {:>14}  alkalinity a day of both",
        "day",
        from.as_str(),
        to.as_str(),
    )];
    for step in 0..=shape.days {
        let day = shape.at(step);
        let dkh = |line: &Name, volume| rises_of(controller, line, volume).alkalinity.as_dkh();
        let (old, new) = (dkh(from, day.from), dkh(to, day.to));
        let number = if step == 0 {
            "now".to_owned()
        } else {
            step.to_string()
        };
        lines.push(format!(
            "{number:>4}  {:>14}  {:>14}  {old:.3} + {new:.3} = {:.3} dKH",
            day.from.to_string(),
            day.to.to_string(),
            old + new
        ));
    }
    lines
}

/// Days' worth of the full change that the days of the changeover make together.
fn over_the_changeover(shape: &ChangeoverShape) -> f64 {
    let whole = f64_from_i64(shape.at(shape.days).to.as_ul()).max(1.0);
    (1..=shape.days)
        .map(|step| f64_from_i64(shape.at(step).to.as_ul()) / whole)
        .sum()
}
