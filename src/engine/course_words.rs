//! What courses say of themselves.

use super::figures::CourseDay;
use super::state::Engine;
use crate::chemistry::{Quantity, amount, drift_words, rises_words};
use crate::plan::{DailyVolumes, ShiftShape, rises_of_day};
use crate::quantity::{Name, Volume, f64_from_i64};
use crate::record::{Course, CourseState, Departure, Ends};

impl Engine {
    /// How a course stands.
    pub(super) fn course_words(&self, course: &Course) -> String {
        let number = course.number;
        match (&course.what, course.state) {
            (_, CourseState::Ended) => format!("course {number}, {}, is over", course.what),
            (Departure::Add { .. }, CourseState::Paused) => format!(
                "course {number}, {}, is paused with {} days to come; nothing of it is given until it is resumed: `dosewright course resume {number}`",
                course.what,
                course.days.saturating_sub(course.step)
            ),
            (Departure::Add { line, extra, .. }, _) => {
                let (size, word) = size_and_word(*extra);
                format!(
                    "course {number}: {size} {word} a day on line {line}, from {} to {}",
                    course.since,
                    course.last()
                )
            }
            (Departure::Shift { from, to, .. }, state) => {
                let day = self.shape().map(|shape| shape.at(course.step));
                let today = day.map_or_else(String::new, |day| {
                    format!(
                        ": today {} of line {from} and {} of line {to}",
                        day.from, day.to
                    )
                });
                if state == CourseState::Complete {
                    let full = day.map_or(Volume::ZERO, |day| day.to).as_ml();
                    format!(
                        "course {number} is complete{today}; that stays in force until plan.toml says it itself (line {to} `daily-ml = {full}`, line {from} 0), then `dosewright reload`"
                    )
                } else {
                    let Course { step, days, .. } = course;
                    format!(
                        "course {number} at step {step} of {days} ({}){today}",
                        state.as_str()
                    )
                }
            }
        }
    }

    /// A course day by day, and what an owner should know before it begins.
    pub(super) fn proposal_words(&self, course: &Course, days: &[CourseDay]) -> Vec<String> {
        let mut text = table(days);
        text.extend(self.words_to_know(course, days));
        let lines = match &course.what {
            Departure::Add { line, .. } => vec![line],
            Departure::Shift { from, to, .. } => vec![from, to],
        };
        for line in lines {
            let solution = self.controller().solution_of(line);
            let unstated = solution.and_then(|s| Some((&s.name, s.unstated_words()?)));
            text.extend(unstated.map(|(solution, words)| {
                format!("of {solution} in line {line} {words}: that moves along and is in no figure here")
            }));
        }
        text
    }

    fn words_to_know(&self, course: &Course, days: &[CourseDay]) -> Vec<String> {
        match &course.what {
            Departure::Add { .. } => self.addition_words(course, days),
            Departure::Shift { from, to, of } => {
                let mut words = vec![format!(
                    "from line {from} to line {to} over {} days, at equal {of}; begins with the next local day",
                    course.days
                )];
                let shape = ShiftShape::of(
                    (self.controller(), &self.in_force.plan),
                    &self.in_force.standing_volumes(),
                    (from, to, of),
                    course.days,
                    &|line| self.dose_min(line),
                );
                if let Ok(shape) = shape {
                    self.say_shift(&shape, days, &mut words);
                }
                words
            }
        }
    }

    fn addition_words(&self, course: &Course, days: &[CourseDay]) -> Vec<String> {
        let Departure::Add {
            line,
            of,
            per_day,
            ends,
            extra,
            ..
        } = &course.what
        else {
            return Vec::new();
        };
        let (size, word) = size_and_word(*extra);
        let count = f64::from(course.days);
        let total = size.scaled(count).unwrap_or(size);
        let whole = days.get(1).and_then(|day| day.volumes.get(line).copied());
        let whole = whole.unwrap_or(Volume::ZERO);
        let verb = if *per_day < 0.0 { "lowers" } else { "raises" };
        let so_much = |value: f64| of.unit().figures(value.abs());
        let (each, all) = (so_much(*per_day), so_much(per_day * count));
        let alone = DailyVolumes::from([(line.clone(), size)]);
        let rises = rises_words(&rises_of_day(self.controller(), &alone));
        let mut words = vec![
            format!(
                "{size} {word} a day on line {line} for {} days, {total} in all: with everything that is in force {whole} a day, split over its doses",
                course.days
            ),
            format!("{verb} {of} by {each} a day, {all} in all, if nothing is taken up meanwhile"),
            format!("each day's {size} are worth {rises}"),
        ];
        let end = match ends {
            Ends::Aim => {
                "ends by itself; a missed day is not made up for. Test before, in the middle and after."
            }
            Ends::Review => {
                "stops after these days unless a new reading confirms it (dosewright course confirm); a missed day is not made up for"
            }
        };
        words.push(format!("begins with the next local day and {end}"));
        if *of == Quantity::Alkalinity && *per_day > 0.0 {
            words.push("without a fresh reading, or above the band, alkalinity stays at uptake and the course is clamped".to_owned());
        }
        words
    }

    fn say_shift(&self, shape: &ShiftShape, days: &[CourseDay], words: &mut Vec<String>) {
        for side in [&shape.from, &shape.to] {
            if let Some(line) = self.in_force.line_config(&side.line) {
                words.push(format!(
                    "line {}: {} doses a day of at least {}, caps {} a day and {} a dose",
                    side.line, side.doses, side.dose_min, line.daily_cap, line.dose_cap
                ));
            }
        }
        if let Some(limits) = self.controller().water.get(&Quantity::Alkalinity) {
            words.push(format!(
                "the ramp allows uptake and {} a day, uptake alone without a fresh reading",
                Quantity::Alkalinity.amount(limits.max_rise)
            ));
        }
        let skipped = (1..shape.days).any(|s| {
            let day = shape.at(s);
            day.from == Volume::ZERO || day.to == Volume::ZERO
        });
        if skipped {
            words.push("where a line's share would make doses that its head cannot meter, the other line gives all of it".to_owned());
        }
        self.say_drifts(shape, words);
        let worst = (0..)
            .zip(days)
            .filter_map(|(n, day)| Some((n, day.across_midnight?)));
        let worst = worst.max_by(|(_, a), (_, b)| a.as_dkh().total_cmp(&b.as_dkh()));
        if let Some((day, most)) = worst {
            words.push(format!(
                "all lines add at most {:.3} dKH in any 24 h across a midnight (before day {day})",
                most.as_dkh()
            ));
        }
        words.push(format!(
            "a day on which line {} gave less than half of its share is not a step; a missed dose is not made up for",
            shape.to.line
        ));
    }

    /// How much more or less of each element is added once the new line gives all of it.
    fn say_drifts(&self, shape: &ShiftShape, words: &mut Vec<String>) {
        let last = shape.at(shape.days);
        let of = |line: &Name, volume: Volume| {
            rises_of_day(
                self.controller(),
                &DailyVolumes::from([(line.clone(), volume)]),
            )
        };
        let before = of(&shape.from.line, shape.standing);
        let drifts = of(&shape.to.line, last.to).more_than(&before);
        if drifts.is_empty() {
            words.push("nothing else changes".to_owned());
        }
        // Days' worth of the full change that the days of the changeover make together.
        let whole = f64_from_i64(last.to.as_ul()).max(1.0);
        let parts = (1..=shape.days).map(|step| f64_from_i64(shape.at(step).to.as_ul()) / whole);
        let over: f64 = parts.sum();
        words.extend(drift_words(&drifts, |per_day| {
            let all = amount((per_day * over).abs());
            format!("; {all} over the changeover, if nothing takes it up")
        }));
    }
}

/// Days like the one before need no row of their own.
fn table(days: &[CourseDay]) -> Vec<String> {
    let Some(today) = days.first() else {
        return Vec::new();
    };
    let row = |first: &str, columns: Vec<String>, last: &str| {
        let columns = columns.iter().fold(format!("{first:<12}"), |row, column| {
            row + &format!("{column:>16}")
        });
        format!("{columns}  {last}")
    };
    let lines = today.volumes.keys().map(ToString::to_string).collect();
    let mut rows = vec![row("day", lines, "alkalinity a day of all lines")];
    let mut before = None;
    for day in days {
        if before.replace(&day.volumes) == Some(&day.volumes) {
            continue;
        }
        let volumes = day.volumes.values().map(ToString::to_string).collect();
        let alkalinity = format!("{:.3} dKH", day.alkalinity.as_dkh());
        rows.push(row(&day.date.to_string(), volumes, &alkalinity));
    }
    rows
}

/// `0.5 mL` and `more`, `0.5 mL` and `less`.
fn size_and_word(extra: Volume) -> (Volume, &'static str) {
    if extra < Volume::ZERO {
        (Volume::ZERO.saturating_sub(extra), "less")
    } else {
        (extra, "more")
    }
}
