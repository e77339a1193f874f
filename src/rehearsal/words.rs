//! What was found, on one screen for a person.

use std::collections::BTreeMap;

use super::found::{BottleFound, Found, LineFound, WaterFound};
use super::plot::{MARKS, plot};
use crate::chemistry::Quantity;
use crate::quantity::{Volume, f64_from_i64, local};

/// So many tasks are told one by one.
const TASKS_SHOWN: usize = 12;

/// Of one run, or of two beside each other.
pub fn summary(runs: &[&Found]) -> String {
    let mut text = String::new();
    for (run, mark) in runs.iter().zip(MARKS) {
        let mark = if runs.len() > 1 {
            format!("{mark} ")
        } else {
            String::new()
        };
        put(&mut text, &format!("{mark}{}", head(run)));
        for broken in &run.broken {
            put(
                &mut text,
                &format!(
                    "  BROKEN at {}: {}",
                    local(broken.at, &run.zone),
                    broken.text
                ),
            );
        }
    }
    let first = runs.first().map(|run| &run.water);
    let tracked = first
        .into_iter()
        .flatten()
        .filter(|(_, water)| water.band.is_some());
    for of in tracked.map(|(of, _)| of) {
        let water: Vec<&WaterFound> = runs.iter().filter_map(|run| run.water.get(of)).collect();
        let unit = of.unit();
        put(
            &mut text,
            &format!(
                "\n{of}, {unit} ({} level, o test, . target, - band)",
                marks(runs.len())
            ),
        );
        text.push_str(&plot(&water));
    }
    put(&mut text, "");
    let tables: Vec<Vec<(String, String)>> = runs.iter().map(|run| rows(run)).collect();
    table(&mut text, &tables);
    for (run, mark) in runs.iter().zip(MARKS) {
        let mark = if runs.len() > 1 {
            format!(" ({mark})")
        } else {
            String::new()
        };
        faults(&mut text, run, &mark);
        asked(&mut text, run, &mark);
        tasks(&mut text, run, &mark);
    }
    text
}

fn put(text: &mut String, line: &str) {
    text.push_str(line);
    text.push('\n');
}

fn marks(count: usize) -> String {
    let each = MARKS.iter().take(count).map(char::to_string);
    each.collect::<Vec<_>>().join(" and ")
}

fn head(run: &Found) -> String {
    let rules = match run.violations {
        0 => "no rule was broken".to_owned(),
        1 => "1 RULE WAS BROKEN".to_owned(),
        many => format!("RULES WERE BROKEN {many} TIMES"),
    };
    let ended = run
        .ended
        .as_ref()
        .map_or(String::new(), |why| format!("; ENDED EARLY: {why}"));
    format!(
        "{:.0} days from {}, scenario {}, seed {}: {rules}{ended}\n  {} doses, {} events, sum {}",
        run.days, run.begins, run.scenario, run.seed, run.doses, run.events, run.digest
    )
}

/// A line for each row; where two runs differ, one for each.
fn table(text: &mut String, tables: &[Vec<(String, String)>]) {
    let mut labels: Vec<&String> = Vec::new();
    for (label, _) in tables.iter().flatten() {
        if !labels.contains(&label) {
            labels.push(label);
        }
    }
    let width = labels.iter().map(|label| label.len()).max().unwrap_or(0);
    for label in labels {
        let of = |rows: &Vec<(String, String)>| {
            let found = rows.iter().find(|(known, _)| known == label);
            found.map_or_else(|| "-".to_owned(), |(_, value)| value.clone())
        };
        let values: Vec<String> = tables.iter().map(of).collect();
        let same = values.windows(2).all(|pair| pair.first() == pair.last());
        for (number, (value, mark)) in values.iter().zip(MARKS).enumerate() {
            let label = if number == 0 { label.as_str() } else { "" };
            if same {
                put(text, &format!("{label:width$}  {value}"));
                break;
            }
            put(text, &format!("{label:width$}  {mark} {value}"));
        }
    }
}

fn rows(run: &Found) -> Vec<(String, String)> {
    let water = run
        .water
        .iter()
        .map(|(of, water)| (of.to_string(), in_words(of, water)));
    let lines = run.lines.iter();
    let lines = lines.map(|(name, line)| (format!("line {name}"), line_words(line)));
    let bottles = run.reservoirs.iter();
    let bottles = bottles.map(|(name, bottle)| (format!("bottle {name}"), bottle_words(bottle)));
    let mut rows: Vec<_> = water.chain(lines).collect();
    rows.push(("not given".to_owned(), counted(&run.refusals)));
    rows.extend(bottles);
    let changes = format!("asked for {}, made {}", run.asked, run.changes);
    rows.push(("changes".to_owned(), changes));
    if !run.denied.is_empty() {
        rows.push(("wanted and denied".to_owned(), counted(&run.denied)));
    }
    rows
}

fn in_words(of: &Quantity, water: &WaterFound) -> String {
    let near = match (water.share_within_half_dkh, water.share_within_5_percent) {
        (Some(share), _) => format!(
            "within 0.5 dKH of {} on {:.0} % of days",
            of.amount(water.target),
            share * 100.0
        ),
        (None, Some(share)) => format!(
            "within 5 % of {} on {:.0} % of days",
            of.amount(water.target),
            share * 100.0
        ),
        (None, None) => String::new(),
    };
    let band = water.band.map_or(String::new(), |(low, high)| {
        format!(
            ", outside {} to {} on {}",
            of.amount(low),
            of.amount(high),
            water.days_outside_band
        )
    });
    format!(
        "{near}{band}; at most {} away, {} moved in 24 h",
        of.amount(water.largest_distance),
        of.amount(water.largest_move_24h)
    )
}

fn line_words(line: &LineFound) -> String {
    let part = ul(line.delivered) / ul(line.planned).max(1.0) * 100.0;
    let air = if line.air == Volume::ZERO {
        String::new()
    } else {
        format!(
            "; besides, {:.1} mL of AIR from an EMPTY BOTTLE, booked as given",
            line.air.as_ml()
        )
    };
    format!(
        "{:.1} of {:.1} mL planned ({part:.1} %) in {} doses, {} not given{air}",
        line.delivered.as_ml(),
        line.planned.as_ml(),
        line.doses,
        line.not_given
    )
}

fn ul(volume: Volume) -> f64 {
    f64_from_i64(volume.as_ul())
}

fn bottle_words(bottle: &BottleFound) -> String {
    let lasts = bottle.lasts_days.map_or_else(
        || "not drawn on".to_owned(),
        |days| format!("empty after {days:.0} days"),
    );
    let days: Vec<String> = bottle.refilled_on.iter().map(i64::to_string).collect();
    let filled = match days.len() {
        0 => "never filled".to_owned(),
        1..=8 => format!("filled on day {}", days.join(", ")),
        many => format!(
            "filled {many} times, first on day {}",
            days.first().map_or("", String::as_str)
        ),
    };
    let dry = match bottle.empty_days {
        0 => String::new(),
        days => format!("; USED UP on {days} days"),
    };
    format!("{lasts}; {filled}{dry}")
}

fn counted(counts: &BTreeMap<String, u64>) -> String {
    let each: Vec<String> = counts
        .iter()
        .map(|(what, count)| format!("{what} {count}"))
        .collect();
    if each.is_empty() {
        "nothing".to_owned()
    } else {
        each.join(", ")
    }
}

fn faults(text: &mut String, run: &Found, mark: &str) {
    if !run.faults.is_empty() {
        put(
            text,
            &format!("\nwhat went wrong{mark}, as the scenario has it:"),
        );
    }
    for fault in &run.faults {
        let at = local(fault.at, &run.zone);
        put(text, &format!("  day {}, {at}: {}", fault.day, fault.text));
    }
}

/// When a change was asked for, and which.
fn asked(text: &mut String, run: &Found, mark: &str) {
    if run.asked > 0 {
        put(text, &format!("\nchanges asked for{mark}:"));
    }
    for (of, water) in &run.water {
        for asked in &water.changes_asked {
            put(text, &format!("  day {}: {of}: {}", asked.day, asked.told));
        }
    }
}

fn tasks(text: &mut String, run: &Found, mark: &str) {
    let nothing = if run.tasks.is_empty() { " nothing" } else { "" };
    put(text, &format!("\nasked of you{mark}:{nothing}"));
    for (what, task) in run.tasks.iter().take(TASKS_SHOWN) {
        let when = if task.times == 1 {
            format!("day {}", task.first_day)
        } else {
            format!(
                "day {} to {}, {} times",
                task.first_day, task.last_day, task.times
            )
        };
        let said: String = task.text.chars().take(90).collect();
        put(text, &format!("  {when}: {what}: {said}"));
    }
    if let Some(more) = run
        .tasks
        .len()
        .checked_sub(TASKS_SHOWN)
        .filter(|more| *more > 0)
    {
        put(text, &format!("  and {more} more, see --json"));
    }
}
