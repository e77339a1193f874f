//! Bottles of `controller.toml` and what they may hold: who draws on them, what must not meet in them, what stays dissolved.

use std::collections::{BTreeMap, BTreeSet};

use super::keys;
use super::model::{ApartRule, Line, Reservoir, Solution};
use super::relations::{ALL_LINES, table_of};
use super::tree::RawTable;
use crate::chemistry::{Quantity, StockError, check_dissolves};
use crate::quantity::Name;

type Bottles = BTreeMap<Name, Reservoir>;
type Solutions = BTreeMap<Name, Solution>;

/// Whether a line may ever give a solution.
pub(super) fn is_used(lines: &[Line], bottles: &Bottles, solution: &Name) -> bool {
    let of = |line: &Line| bottles.get(&line.reservoir);
    let mut drawn = lines.iter().filter_map(of);
    drawn.any(|bottle| bottle.solutions.contains(solution))
}

/// One head for each line; what two lines on one bottle mean; nothing left over.
pub(super) fn check_sharing(raw: &RawTable, (lines, bottles): (&[Line], &Bottles)) {
    let mut by_head: BTreeMap<&Name, &Name> = BTreeMap::new();
    let mut by_bottle: BTreeMap<&Name, &Name> = BTreeMap::new();
    for line in lines {
        let Some(table) = table_of(raw, keys::controller::LINE, &line.name) else {
            continue;
        };
        if line.name.as_str() == ALL_LINES {
            table.refuse(
                keys::line::HEAD,
                format!("\"{ALL_LINES}\" means every line, as in `dosewright hold {ALL_LINES}`; give the line another name")
            );
        }
        if let Some(other) = by_head.insert(&line.head, &line.name) {
            table.refuse(
                keys::line::HEAD,
                format!(
                    "head \"{}\" already belongs to line \"{other}\"; give each line its own head",
                    line.head
                ),
            );
        }
        if let Some(other) = by_bottle.insert(&line.reservoir, &line.name) {
            table.doubt(
                keys::line::RESERVOIR,
                format!(
                    "draws from reservoir \"{}\" like line \"{other}\": the bottle empties by both, both stop together when it is used up, and a refill is told once for both",
                    line.reservoir
                )
            );
        }
    }
    let declared = raw.named(keys::controller::LINE).len();
    if declared != lines.len() {
        return;
    }
    let heads = lines.iter().map(|line| &line.head).collect::<BTreeSet<_>>();
    let drawn = lines.iter().map(|line| &line.reservoir).collect();
    let held = |name: &&Name| bottles.get(*name).map(|bottle| &bottle.solutions);
    let solutions = by_bottle.keys().filter_map(held).flatten().collect();
    for (group, used) in [
        (keys::controller::HEAD, heads),
        (keys::controller::RESERVOIR, drawn),
        (keys::controller::SOLUTION, solutions),
    ] {
        for (name, table) in raw.named(group) {
            if !used.iter().any(|used| used.as_str() == name) {
                table.doubt_whole("is used by no line");
            }
        }
    }
}

/// What one bottle may hold meets in it and in its tube when one follows the other.
pub(super) fn check_mixed(
    raw: &RawTable,
    (bottles, solutions): (&Bottles, &Solutions),
    apart: &[ApartRule],
) {
    let unstated = |name: &Name| solutions.get(name).is_some_and(|s| s.unstated);
    for bottle in bottles.values() {
        let Some(table) = table_of(raw, keys::controller::RESERVOIR, &bottle.name) else {
            continue;
        };
        for (n, first) in bottle.solutions.iter().enumerate() {
            for second in bottle.solutions.iter().skip(n.saturating_add(1)) {
                if first == second {
                    table.refuse(
                        keys::reservoir::SOLUTIONS,
                        format!("\"{first}\" is named twice; keep one"),
                    );
                } else if let Some(mix) = [first, second].into_iter().find(|name| unstated(name)) {
                    table.refuse(keys::reservoir::SOLUTIONS, format!("what \"{mix}\" carries is not stated, so nobody can tell what it does with \"{}\" in one bottle and its tube; give it a bottle of its own",
                            if mix == first { second } else { first }));
                } else if falls_out((first, second), solutions, apart) {
                    table.refuse(keys::reservoir::SOLUTIONS, format!("\"{first}\" and \"{second}\" precipitate where they meet, and in one bottle and its tube they would; give each a bottle of its own"));
                }
            }
        }
    }
}

/// By a rule of the owner's, or because one carries carbonate and the other calcium.
fn falls_out(pair: (&Name, &Name), solutions: &Solutions, apart: &[ApartRule]) -> bool {
    let of = |name: &Name| solutions.get(name);
    let meets = |a: &Name, b: &Name| {
        of(a).is_some_and(|s| s.effect.carries_alkalinity()) && of(b).is_some_and(holds_calcium)
    };
    ruled(pair, apart) || meets(pair.0, pair.1) || meets(pair.1, pair.0)
}

fn ruled((first, second): (&Name, &Name), apart: &[ApartRule]) -> bool {
    apart.iter().any(|rule| {
        [&rule.first, &rule.second].contains(&first)
            && [&rule.first, &rule.second].contains(&second)
            && first != second
    })
}

fn holds_calcium(solution: &Solution) -> bool {
    let calcium = Quantity::dissolved("Ca");
    calcium.is_some_and(|calcium| solution.effect.dissolved_mg_per_l.contains_key(&calcium))
}

/// The solutions that a bottle of a line may hold.
fn used<'a>(
    solutions: &'a Solutions,
    lines: &[Line],
    bottles: &Bottles,
) -> impl Iterator<Item = &'a Solution> {
    solutions
        .values()
        .filter(|solution| is_used(lines, bottles, &solution.name))
}

/// Carbonate and calcium that meet fall out as calcium carbonate, which is lost for both (convention: 15 to 60 min apart,
/// reference row a8.cp.apart_time, common practice, no source).
pub(super) fn check_apart(
    raw: &RawTable,
    (bottles, solutions): (&Bottles, &Solutions),
    lines: &[Line],
    apart: &[ApartRule],
) {
    let used = || used(solutions, lines, bottles);
    for basic in used().filter(|s| s.effect.carries_alkalinity()) {
        let other = used().filter(|s| holds_calcium(s));
        for other in other.filter(|other| other.name != basic.name) {
            let pair = (&basic.name, &other.name);
            if let (false, Some(table)) = (
                ruled(pair, apart),
                table_of(raw, keys::controller::SOLUTION, &other.name),
            ) {
                table.refuse_whole(
                    format!(
                        "carries calcium and \"{basic}\" carries alkalinity, but no [[apart]] rule keeps them apart, and they precipitate where they meet; give one with first = \"{basic}\", second = \"{}\" and gap-min = 15, or with no-gap-because",
                        other.name,
                        basic = basic.name
                    ),
                );
            }
        }
    }
}

/// What is not stated is held by no limit on the water, and no rule keeps it from what it may precipitate with.
pub(super) fn warn_unstated(
    raw: &RawTable,
    (bottles, solutions): (&Bottles, &Solutions),
    lines: &[Line],
    apart: &[ApartRule],
) {
    let used = || used(solutions, lines, bottles);
    for mix in used().filter(|s| s.unstated) {
        let Some(table) = table_of(raw, keys::controller::SOLUTION, &mix.name) else {
            continue;
        };
        let alkalinity = if mix.effect.carries_alkalinity() {
            "what it carries beside that"
        } else {
            "alkalinity and whatever else it carries"
        };
        table.doubt(keys::solution::UNSTATED, format!("{alkalinity} is not stated, so no rise of it by this bottle is guarded: only the caps of its line limit it; ask its maker, or test before and after"));
        let others = used().filter(|o| o.name != mix.name);
        let meets = |other: &&Solution| {
            (other.effect.carries_alkalinity() || holds_calcium(other))
                && !ruled((&mix.name, &other.name), apart)
        };
        let others: Vec<String> = others
            .filter(meets)
            .map(|other| format!("\"{}\"", other.name))
            .collect();
        if !others.is_empty() {
            table.doubt_whole(format!("what it carries is not stated and may precipitate with {}, and no [[apart]] rule keeps them apart",
                    others.join(", ")));
        }
    }
}

/// A recipe must stay dissolved at the coldest its bottle gets: crystals block the tube, and what is left doses weak.
pub(super) fn check_dissolved<'a>(raw: &RawTable, reservoirs: &'a Bottles, solutions: &Solutions) {
    let held = |bottle: &'a Reservoir| bottle.solutions.iter().map(move |name| (bottle, name));
    for (reservoir, name) in reservoirs.values().flat_map(held) {
        let Some(solution) = solutions.get(name).filter(|s| !s.salts.is_empty()) else {
            continue;
        };
        let Some(table) = table_of(raw, keys::controller::SOLUTION, &solution.name) else {
            continue;
        };
        match check_dissolves(&solution.salts, reservoir.coldest) {
            // What precipitates or is no amount has been reported with the salts themselves.
            Ok(_) | Err(StockError::Recipe(_) | StockError::CarriesNone { .. }) => {}
            Err(error @ (StockError::TooMuch { .. } | StockError::TooMuchTogether { .. })) => {
                table.refuse(
                    keys::solution::SALTS,
                    format!("in reservoir \"{}\": {error}", reservoir.name),
                );
            }
            Err(error @ (StockError::NotTabulated { .. } | StockError::OutsideTable { .. })) => {
                table.doubt(
                    keys::solution::SALTS,
                    format!("in reservoir \"{}\": {error}", reservoir.name),
                );
            }
        }
    }
}
