//! What happened in these days, and is it working: in words of numbers.

use super::model::{Day, LineReport, Report, WaterReport};
use super::words::{counted, fig, joined, lasted, minute, ml};
use crate::chemistry::Quantity;
use crate::quantity::{Volume, f64_from_i64, f64_from_usize};

/// It works while the level was in its band on so many days; mostly, below it. Ours.
const WORKS: f64 = 0.95;
const MOSTLY: f64 = 0.8;
/// A line that gave less than this part of its plan is named. Ours.
const NAMED_BELOW: f64 = 0.98;

pub(super) fn story(report: &Report) -> Vec<String> {
    let mut story = vec![answer(report)];
    for water in &report.water {
        story.extend(read(water, report));
        story.extend(taken_up(water));
    }
    story.extend(given(report));
    story.extend(lost(report));
    story.extend(held(report));
    story.extend(filled(report));
    story.extend(found_by_labs(report));
    story.extend(checked(report));
    let changes = u64::try_from(report.changes.len()).unwrap_or_default();
    if let Some(last) = report.changes.last() {
        story.push(format!(
            "{} on record, the last on {}: {}.",
            counted(changes, "change"),
            minute(last.at, &report.zone),
            last.what
        ));
    }
    story
}

fn answer(report: &Report) -> String {
    let banded = report
        .water
        .iter()
        .find(|w| w.band_low.is_some() && w.days_known > 0);
    let Some((water, low, high)) =
        banded.and_then(|water| Some((water, water.band_low?, water.band_high?)))
    else {
        return "Without readings of a quantity that has a band nobody can tell whether it is working: test the water and enter what you read.".to_owned();
    };
    let verdict = verdict(water.days_in_band, water.days_known);
    let of = &water.of;
    format!(
        "{verdict}: by the estimate {of} was between {} and {} on {} of {} days.",
        amount(of, low),
        amount(of, high),
        water.days_in_band,
        water.days_known
    )
}

fn verdict(days_in_band: usize, days_known: usize) -> &'static str {
    let share = f64_from_usize(days_in_band) / f64_from_usize(days_known);
    if share >= WORKS {
        "It is working"
    } else if share >= MOSTLY {
        "It is mostly working"
    } else {
        "It is not working well"
    }
}

fn amount(of: &Quantity, value: f64) -> String {
    format!("{} {}", fig(value), of.unit())
}

fn read(water: &WaterReport, report: &Report) -> Option<String> {
    let of = &water.of;
    let last = water.readings.last()?;
    let values = || water.readings.iter().map(|read| read.value);
    let low = values().fold(f64::INFINITY, f64::min);
    let high = values().fold(f64::NEG_INFINITY, f64::max);
    let count = u64::try_from(water.readings.len()).unwrap_or_default();
    let when = minute(last.at, &report.zone);
    Some(if count == 1 {
        format!("One reading of {of}: {} on {when}.", amount(of, last.value))
    } else {
        format!(
            "{} of {of} from {} to {}, the last {} on {when}.",
            counted(count, "reading"),
            amount(of, low),
            amount(of, high),
            amount(of, last.value)
        )
    })
}

fn taken_up(water: &WaterReport) -> Option<String> {
    let (first, last) = (water.estimates.first()?, water.estimates.last()?);
    let unit = water.unit;
    let half = (last.uptake_high_per_day - last.uptake_low_per_day) / 2.0;
    let (began, ends) = (fig(first.uptake_per_day), fig(last.uptake_per_day));
    let how = if (last.uptake_per_day - first.uptake_per_day).abs() < half {
        format!("stayed about {ends} {unit} a day")
    } else {
        format!("went from {began} to {ends} {unit} a day")
    };
    Some(format!(
        "What is taken up of {} {how} (now {} to {}, 95 %).",
        water.of,
        fig(last.uptake_low_per_day),
        fig(last.uptake_high_per_day)
    ))
}

fn sum(report: &Report, of: impl Fn(&Day) -> Volume) -> Volume {
    let all = report.lines.iter().map(|line| of(&line.all));
    all.fold(Volume::ZERO, Volume::saturating_add)
}

fn part(line: &Day) -> Option<f64> {
    let planned = f64_from_i64(line.planned.as_ul());
    (planned > 0.0).then(|| f64_from_i64(line.given.as_ul()) / planned)
}

fn given(report: &Report) -> Option<String> {
    let (planned, given) = (sum(report, |d| d.planned), sum(report, |d| d.given));
    let doses: u64 = report.lines.iter().map(|line| line.doses).sum();
    if planned == Volume::ZERO && doses == 0 {
        return None;
    }
    let share = 100.0 * f64_from_i64(given.as_ul()) / f64_from_i64(planned.as_ul().max(1));
    let fewer = |line: &&LineReport| part(&line.all).is_some_and(|part| part < NAMED_BELOW);
    let named: Vec<String> = report
        .lines
        .iter()
        .filter(fewer)
        .filter_map(|line| Some(format!("{} {:.1} %", line.line, 100.0 * part(&line.all)?)))
        .collect();
    let named = if named.is_empty() {
        String::new()
    } else {
        format!("; less than 98 % by {}", joined(&named))
    };
    let dry = if report.live || report.rehearsed.is_some() {
        ""
    } else {
        " The last of it in a dry run, which gives the water nothing."
    };
    Some(format!(
        "{} gave {} of the {} planned ({share:.1} %){named}.{dry}",
        counted(doses, "dose"),
        ml(given),
        ml(planned)
    ))
}

fn lost(report: &Report) -> Option<String> {
    let missed: u64 = report.lines.iter().map(|line| line.slots_missed).sum();
    let refused: u64 = report.lines.iter().map(|line| line.slots_refused).sum();
    let uncertain = sum(report, |d| d.uncertain);
    let mut parts = Vec::new();
    if missed > 0 {
        let volume = ml(sum(report, |d| d.missed));
        parts.push(format!("{} ({volume}) missed", counted(missed, "dose")));
    }
    if refused > 0 {
        let volume = ml(sum(report, |d| d.refused));
        parts.push(format!(
            "{} ({volume}) refused by an interlock or a hold",
            counted(refused, "dose")
        ));
    }
    if uncertain > Volume::ZERO {
        parts.push(format!(
            "of {} nobody saw the end, so it counts as given",
            ml(uncertain)
        ));
    }
    (!parts.is_empty()).then(|| format!("Not all went in: {}.", joined(&parts)))
}

fn held(report: &Report) -> Vec<String> {
    let all = report.holds.iter().map(|hold| {
        let what = hold
            .line
            .as_ref()
            .map_or_else(|| "Everything".to_owned(), |line| format!("Line {line}"));
        let since = minute(hold.since, &report.zone);
        let long = hold.until.map_or_else(
            || "and still is".to_owned(),
            |until| format!("for {}", lasted(hold.since, until)),
        );
        format!(
            "{what} was on hold from {since} {long}: {}.",
            hold.reason.trim_end_matches('.')
        )
    });
    all.collect()
}

fn filled(report: &Report) -> Option<String> {
    let each = report
        .bottles
        .iter()
        .filter(|bottle| !bottle.refills.is_empty());
    let each: Vec<String> = each
        .map(|bottle| {
            let times = u64::try_from(bottle.refills.len()).unwrap_or_default();
            format!("{} {}", bottle.bottle, counted(times, "time"))
        })
        .collect();
    (!each.is_empty()).then(|| format!("Bottles were filled: {}.", joined(&each)))
}

fn found_by_labs(report: &Report) -> Option<String> {
    let newest = report
        .panels
        .iter()
        .flat_map(|row| &row.values)
        .map(|value| value.at)
        .max()?;
    let mut low = Vec::new();
    let mut high = Vec::new();
    for row in &report.panels {
        for value in row.values.iter().filter(|value| value.at == newest) {
            if value.low {
                low.push(row.element.to_string());
            }
            if value.high {
                high.push(row.element.to_string());
            }
        }
    }
    let when = minute(newest, &report.zone);
    let found = match (low.is_empty(), high.is_empty()) {
        (true, true) => "nothing far from natural seawater".to_owned(),
        (false, true) => format!("{} low", joined(&low)),
        (true, false) => format!("{} high", joined(&high)),
        (false, false) => format!("{} low, {} high", joined(&low), joined(&high)),
    };
    Some(format!("The newest lab report, of {when}, found {found}."))
}

fn checked(report: &Report) -> Vec<String> {
    let all = report.heads.iter().filter_map(|head| {
        let last = head.checks.last()?;
        let how = if last.passed { "within" } else { "MORE THAN" };
        Some(format!(
            "Head {} was {:+.1} % off at its check on {}, {how} the {} % that it may be.",
            head.head,
            last.error_percent,
            minute(last.at, &report.zone),
            head.tolerance_percent
        ))
    });
    all.collect()
}

#[cfg(test)]
mod tests {
    use super::verdict;

    #[test]
    fn it_works_by_the_share_of_days_in_the_band() {
        let of_hundred = |days| verdict(days, 100);
        assert_eq!(of_hundred(95), "It is working");
        assert_eq!(of_hundred(94), "It is mostly working");
        assert_eq!(of_hundred(79), "It is not working well");
    }
}
