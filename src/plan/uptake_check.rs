//! Whether shares and uptakes of a plan go together, and with what the bottles may hold.

use std::collections::BTreeMap;

use crate::chemistry::Quantity;
use crate::config::{Controller, Finding, Gives, Plan, PlanPlace, StartUptake};
use crate::quantity::Name;

/// How far the shares of one quantity may be from 1 together.
const SHARES_TOLERANCE: f64 = 0.001;

/// Uptake of alkalinity above which it is asked whether that is meant, dKH a day. Ours: few tanks take up more.
pub const UPTAKE_DOUBTFUL_DKH_PER_DAY: f64 = 3.0;

pub(super) fn uptakes_found(controller: &Controller, plan: &Plan) -> Vec<Finding<PlanPlace>> {
    let mut found = Vec::new();
    if let Some(StartUptake::PerDay(value)) = plan.starts.get(&Quantity::Alkalinity)
        && controller.tracked(&Quantity::Alkalinity).is_some()
        && *value > UPTAKE_DOUBTFUL_DKH_PER_DAY
    {
        found.push(Finding {
            at: PlanPlace::Uptake,
            is_mistake: false,
            message: format!(
                "uptake.alkalinity.start-dkh-per-day = {value}: more than {UPTAKE_DOUBTFUL_DKH_PER_DAY} dKH a day is rare; measure it again without dosing before you rely on it"
            ),
        });
    }
    let mut mistake = |at: PlanPlace, message: String| {
        found.push(Finding {
            at,
            is_mistake: true,
            message,
        });
    };
    for planned in plan.lines.iter().filter(|planned| !planned.gives.waits()) {
        // Of alkalinity that is said where the file is read.
        let unknown =
            |of: &&Quantity| !plan.starts.contains_key(of) && **of != Quantity::Alkalinity;
        if let Some(of) = planned.gives.of().filter(unknown) {
            let line = &planned.line;
            mistake(
                PlanPlace::Line(line.clone()),
                format!(
                    "line \"{line}\": it goes by the uptake of {of}, and there is no [uptake.{of}]; give it a starting value"
                ),
            );
        }
    }
    for (line, words) in unstated(controller, plan) {
        mistake(PlanPlace::Line(line), words);
    }
    let mut sums: BTreeMap<&Quantity, f64> = BTreeMap::new();
    for planned in &plan.lines {
        let Gives::Share { of, share } = &planned.gives else {
            continue;
        };
        *sums.entry(of).or_default() += share;
        let line = &planned.line;
        let leaving = controller.solution_of(line);
        if leaving.is_none_or(|s| !s.effect.carries(of) && !s.unstated) {
            mistake(
                PlanPlace::Line(line.clone()),
                format!(
                    "line \"{line}\": its solution carries no {of}, so it cannot give a share of its uptake"
                ),
            );
        }
    }
    for (of, sum) in sums {
        // Where all lines of a quantity wait, something else gives it.
        if sum > 0.0 && (sum - 1.0).abs() > SHARES_TOLERANCE {
            mistake(
                PlanPlace::File,
                format!(
                    "share-of-uptake of {of} adds up to {sum:.3} over all lines; make it 1, so that together they give what is taken up"
                ),
            );
        }
    }
    found
}

/// Whoever cannot see what a mix adds cannot let its volume go by an uptake that is estimated without it.
fn unstated(controller: &Controller, plan: &Plan) -> Vec<(Name, String)> {
    let found = plan.lines.iter().filter_map(|planned| {
        let (line, of) = (&planned.line, planned.gives.of()?);
        let solution = controller.solution_of(line)?;
        let words = format!(
            "line \"{line}\": it is not stated whether \"{}\" carries {of}, so its volume cannot go by the uptake of {of}; give daily-ml",
            solution.name
        );
        solution.may_carry(of).then(|| (line.clone(), words))
    });
    found.collect()
}
