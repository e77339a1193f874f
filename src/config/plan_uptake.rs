//! Whether shares and uptakes of a plan go together, and with what the bottles may hold.

use std::collections::{BTreeMap, BTreeSet};

use super::mistake::Sink;
use super::model::{Controller, Gives, PlannedLine, StartUptake};
use super::tree::RawTable;
use crate::chemistry::Quantity;

/// How far the shares of one quantity may be from 1 together.
const SHARES_TOLERANCE: f64 = 0.001;

/// Uptake of alkalinity above which it is asked whether that is meant, dKH a day. Ours: few tanks take up more.
pub const UPTAKE_DOUBTFUL_DKH_PER_DAY: f64 = 3.0;

pub(super) fn check_uptakes(
    raw: &RawTable,
    (starts, lines): (&BTreeMap<Quantity, StartUptake>, &[PlannedLine]),
    controller: &Controller,
    sink: &mut Sink<'_>,
) {
    let alkalinity = Quantity::Alkalinity;
    match (&controller.alkalinity, starts.get(&alkalinity)) {
        (Some(_), None) if !raw.spoiled && raw.named("uptake").iter().all(|(name, _)| name != "alkalinity") => sink.mistake(
            raw.at,
            "[uptake.alkalinity] is missing, and a line carries alkalinity; give start-dkh-per-day, 0 to 10 dKH per day, as measured without dosing, it has no default",
        ),
        (None, Some(_)) => sink.warn(place(raw, "uptake", "alkalinity"), "uptake.alkalinity has no effect: no line carries alkalinity"),
        (Some(_), Some(StartUptake::PerDay(value))) if *value > UPTAKE_DOUBTFUL_DKH_PER_DAY => sink.warn(
            place(raw, "uptake", "alkalinity"),
            format!("uptake.alkalinity.start-dkh-per-day = {value}: more than {UPTAKE_DOUBTFUL_DKH_PER_DAY} dKH a day is rare; measure it again without dosing before you rely on it"),
        ),
        (Some(_) | None, _) => {}
    }
    let by_uptake: BTreeSet<&Quantity> = lines
        .iter()
        .filter(|l| !l.gives.waits())
        .filter_map(|l| l.gives.of())
        .collect();
    for of in by_uptake {
        // Of alkalinity that is said above.
        let known = starts.contains_key(of) || *of == alkalinity;
        for planned in lines.iter().filter(|l| l.gives.of() == Some(of) && !known) {
            sink.mistake(
                place(raw, "line", planned.line.as_str()),
                format!("line \"{}\": it goes by the uptake of {of}, and there is no [uptake.{of}]; give it a starting value", planned.line),
            );
        }
    }
    check_shares(raw, lines, controller, sink);
}

fn check_shares(
    raw: &RawTable,
    lines: &[PlannedLine],
    controller: &Controller,
    sink: &mut Sink<'_>,
) {
    let mut sums: BTreeMap<&Quantity, f64> = BTreeMap::new();
    for planned in lines {
        let Gives::Share { of, share } = &planned.gives else {
            continue;
        };
        *sums.entry(of).or_default() += share;
        let effect = controller.effect_of(&planned.line);
        if effect.is_none_or(|effect| of.rise_per_ml(effect, controller.tank) <= 0.0) {
            sink.mistake(
                place(raw, "line", planned.line.as_str()),
                format!("line \"{}\": its solution carries no {of}, so it cannot give a share of its uptake", planned.line),
            );
        }
    }
    for (of, sum) in sums {
        // Where all lines of a quantity wait, something else gives it.
        if sum > 0.0 && (sum - 1.0).abs() > SHARES_TOLERANCE {
            sink.mistake(
                raw.at,
                format!("share-of-uptake of {of} adds up to {sum:.3} over all lines; make it 1, so that together they give what is taken up"),
            );
        }
    }
}

fn place(raw: &RawTable, group: &str, name: &str) -> usize {
    let found = raw.named(group).iter().find(|(known, _)| known == name);
    found.map_or(raw.at, |(_, table)| table.at)
}
