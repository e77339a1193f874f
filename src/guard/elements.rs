//! The largest rise of single elements in 24 h, where the owner gives one.

use super::{Facts, Refusal, Request};
use crate::chemistry::Quantity;
use crate::quantity::{Concentration, Millis};
use crate::record::Destination;

pub(super) fn check(request: &Request<'_>, facts: &Facts<'_>, now: Millis) -> Result<(), Refusal> {
    if request.into == Destination::Bench {
        return Ok(());
    }
    let since = now.minus(Millis::DAY);
    for (element, limit) in facts.element_rise_max {
        let rise = facts
            .solution
            .effect
            .element_rise(element, request.volume, facts.tank)
            .as_mg_per_l();
        if rise <= 0.0 {
            continue;
        }
        let of = Quantity::Element(element.clone());
        let weight = |d: &super::Counted| {
            let other = d.id != request.id && d.into == Destination::Tank;
            other.then(|| d.carries.get(&of).copied()).flatten()
        };
        let before: f64 = facts
            .window
            .iter()
            .filter(|d| d.began > since)
            .filter_map(weight)
            .sum();
        let (total, allowed) = (before + rise, limit.as_mg_per_l() * (1.0 + 1e-9));
        if total > allowed {
            return Err(Refusal::ElementRise {
                element: element.symbol().to_owned(),
                rise: Concentration::from_mg_per_l(rise),
                total: Concentration::from_mg_per_l(total),
                limit: *limit,
                until: facts.window.room_at(rise, allowed, now, |d| {
                    weight(d).map(|w| (w, Some(d.began)))
                }),
            });
        }
    }
    Ok(())
}
