//! How fast each water quantity may be raised, over all lines that carry it.
//!
//! In every 24 h of elapsed time, wherever they begin, what is added of it stays within its allowance. A dose counts as it is given, evenly
//! from its begin to its end, so that a plan at exactly the limit can repeat itself day after day at the same times. So it is with every
//! 60 min and the most that an hour may bring.

use super::allowance::{WaterFacts, allowance};
use super::window::{Limit, Wanted};
use super::{Facts, Refusal, Request, run};
use crate::chemistry::Quantity;
use crate::quantity::Millis;
use crate::record::Destination;

pub(super) fn check(request: &Request<'_>, facts: &Facts<'_>, now: Millis) -> Result<(), Refusal> {
    if request.into == Destination::Bench {
        return Ok(());
    }
    for (of, water) in &facts.water {
        let effect = &facts.solution.effect;
        let rise = effect.rise(of, request.volume, facts.tank);
        if rise > 0.0 {
            check_rise(request, facts, (of, water, rise), now)?;
        }
    }
    Ok(())
}

fn check_rise(
    request: &Request<'_>,
    facts: &Facts<'_>,
    (of, water, rise): (&Quantity, &WaterFacts, f64),
    now: Millis,
) -> Result<(), Refusal> {
    let allowed = allowance(of, water).ok_or_else(|| Refusal::NoUptake {
        line: facts.line.name.clone(),
    })?;
    let weight = |d: &super::Counted| {
        let other = d.id != request.id && d.into == Destination::Tank;
        other.then(|| d.carries.get(of).copied()).flatten()
    };
    let wanted = Wanted {
        amount: rise,
        run_time: run::run_time(request, facts)?,
    };
    let limit = Limit {
        most: allowed.per_day,
        length: Millis::DAY,
    };
    let given = facts.window.given(weight);
    given
        .fits(wanted, limit, now)
        .map_err(|over| Refusal::Rise {
            of: of.clone(),
            rise,
            total: over.total,
            allowed,
            until: over.until,
        })?;
    let limit = Limit {
        most: water.rise_per_hour,
        length: Millis::HOUR,
    };
    given
        .fits(wanted, limit, now)
        .map_err(|over| Refusal::HourlyRise {
            of: of.clone(),
            rise,
            total: over.total,
            limit: limit.most,
            until: over.until,
        })
}
