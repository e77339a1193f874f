//! Advice in words, on one screen of 24 lines of 80 columns.

use super::advised::{Advice, AdviceChange, AdviceDay, AdviceOutlook, TestBecause, Verdict};
use crate::chemistry::Quantity;
use crate::quantity::f64_from_i64;
use crate::record::{Departure, amount};

const COLUMNS: usize = 80;
const LINES: usize = 24;
/// A break is named for sixty days. Ours.
const BREAK_NAMED_S: i64 = 60 * 86_400;

impl Advice {
    /// Where the water is, where it is going, what to do, when to test next.
    pub fn lines(&self) -> Vec<String> {
        let mut lines = Vec::new();
        if let (Some(target), Some(well)) = (self.target, self.well) {
            let (low, high) = (self.level(target - well), self.level(target + well));
            let wanted = self.level(target);
            let unit = &self.unit;
            lines.push(format!(
                "{}: target {wanted} {unit}, well from {low} to {high} {unit}",
                self.of
            ));
        } else {
            lines.push(self.of.to_string());
        }
        lines.extend(self.where_it_is());
        lines.extend(self.unseen.iter().cloned());
        lines.extend(self.corridor.iter().cloned());
        lines.push(format!("{}: {}", self.verdict.words(), self.because));
        lines.extend(self.test());
        let mut lines: Vec<String> = lines.iter().flat_map(|line| wrapped(line)).collect();
        let preview = self.preview();
        lines.truncate(LINES.saturating_sub(preview.len()));
        lines.extend(preview);
        lines
    }

    /// The verdict with its numbers; of one that proposes nothing yet, why.
    pub(super) fn reasons(&self) -> String {
        match self.verdict {
            Verdict::NotNow => self.because.clone(),
            Verdict::LeaveAlone => self.alone(),
            Verdict::Change => self.what_changes(),
        }
    }

    fn where_it_is(&self) -> Vec<String> {
        let (water, unit) = (&self.water, &self.unit);
        let shown = |value: Option<f64>| value.map_or("?".to_owned(), |value| self.level(value));
        let Some(age) = water.reading_age_s else {
            return Vec::new();
        };
        let adds = &self.adds;
        let course = if adds.course_days > 0.0 {
            format!(
                ", a course {} for {} days more",
                signed(&self.of, adds.course_per_day),
                days(adds.course_days)
            )
        } else {
            String::new()
        };
        let mut lines = vec![
            format!(
                "level now {} {unit} ({} to {} at 95 %; {}, tested {} days ago)",
                shown(water.level),
                shown(water.level_low),
                shown(water.level_high),
                match water.readings {
                    1 => "1 reading".to_owned(),
                    many => format!("{many} readings"),
                },
                days(f64_from_i64(age) / 86_400.0)
            ),
            format!(
                "uptake {} {unit} a day ({} to {}); the plan adds {} {unit}{course}",
                shown(water.uptake_per_day),
                shown(water.uptake_low_per_day),
                shown(water.uptake_high_per_day),
                self.level(adds.per_day)
            ),
        ];
        lines.extend(self.broke());
        lines
    }

    /// A break of the last weeks, and what is on record about it.
    fn broke(&self) -> Option<String> {
        let broke = self.water.broke.as_ref()?;
        let age = self.at.as_second().saturating_sub(broke.seen.as_second());
        if age > BREAK_NAMED_S {
            return None;
        }
        let changes = match broke.changes.as_slice() {
            [] => "nothing is on record about it".to_owned(),
            changes => changes.join("; "),
        };
        Some(format!(
            "uptake broke between {} and {}, from {} to {} {} a day; {changes}",
            broke.since.strftime("%Y-%m-%d"),
            broke.seen.strftime("%Y-%m-%d"),
            self.level(broke.before_per_day),
            self.level(broke.after_per_day),
            self.unit
        ))
    }

    fn alone(&self) -> String {
        let Some(outlook) = &self.as_it_is else {
            return "nothing that could be done better is seen".to_owned();
        };
        format!(
            "as it is, {}; less would be gained by a change than a change is worth",
            self.outside(outlook)
        )
    }

    fn outside(&self, outlook: &AdviceOutlook) -> String {
        let (target, well) = (
            self.target.unwrap_or_default(),
            self.well.unwrap_or_default(),
        );
        format!(
            "{} of the next {} days are likely spent outside {} to {} {}",
            days(outlook.days_outside),
            outlook.weighed_days,
            self.level(target - well),
            self.level(target + well),
            self.unit
        )
    }

    fn what_changes(&self) -> String {
        let Some((change, as_it_is)) = self.change.as_ref().zip(self.as_it_is.as_ref()) else {
            return String::new();
        };
        let text = format!(
            "{}. As it is, {}; with it, {}.",
            change.words(),
            self.outside(as_it_is),
            days(change.outlook.days_outside)
        );
        let quantity = if self.of == Quantity::Alkalinity {
            String::new()
        } else {
            format!(" {}", self.of)
        };
        text + " To put it into force: dosewright accept" + &quantity
    }

    fn test(&self) -> Option<String> {
        let next = self.next_test.as_ref()?;
        let why = match next.why {
            TestBecause::Questioned => "a second test decides on the first",
            TestBecause::MayLeave => "by then it may be too far from target",
            TestBecause::Routine => "nothing presses",
        };
        let half = |value| self.level(value);
        let rate = |value| self.of.unit().rate(value);
        Some(format!(
            "test next by {} ({}): {why}; it would tell the level to {} {unit} instead of {} {unit}, uptake to {} {unit} instead of {} {unit} a day",
            next.date,
            match next.in_days {
                1 => "tomorrow".to_owned(),
                days => format!("in {days} days"),
            },
            half(next.level_after),
            half(next.level_before),
            rate(next.uptake_after),
            rate(next.uptake_before),
            unit = self.unit
        ))
    }

    /// Two weeks day by day, two days on a row.
    fn preview(&self) -> Vec<String> {
        let Some(as_it_is) = &self.as_it_is else {
            return Vec::new();
        };
        let changed = self.change.as_ref().map(|change| &change.outlook.days);
        let what = if changed.is_some() {
            ": as it is (95 %), and with the change"
        } else {
            ", as it is (95 %)"
        };
        let what = format!("level in {} at the end of each day{what}", self.unit);
        let cell = |(n, day): (usize, &AdviceDay)| {
            let (low, high) = (self.level(day.level_low), self.level(day.level_high));
            let with = changed.and_then(|days| days.get(n));
            let with = with.map_or_else(String::new, |day| format!(" {}", self.level(day.level)));
            format!(
                "{}  {} ({low} to {high}){with}",
                day.date.strftime("%m-%d"),
                self.level(day.level)
            )
        };
        let cells: Vec<String> = as_it_is.days.iter().enumerate().map(cell).collect();
        let half = cells.len().div_ceil(2);
        let (first, second) = cells.split_at(half);
        let rows = first.iter().enumerate().map(|(n, cell)| {
            let other = second.get(n).map_or("", String::as_str);
            format!("{cell:<40}{other}").trim_end().to_owned()
        });
        std::iter::once(what).chain(rows).collect()
    }

    /// As a kit is read.
    fn level(&self, value: f64) -> String {
        self.of.unit().as_read(value)
    }
}

impl AdviceChange {
    /// What would be put into force.
    pub fn words(&self) -> String {
        let of = &self.uptake.of;
        let to = amount(of, self.uptake.uptake);
        let mut parts = vec![match self.uptake.before {
            Some(before) if (before - self.uptake.uptake).abs() < 1e-9 => {
                format!("uptake stays {to} a day")
            }
            Some(before) => {
                let before = amount(of, before);
                let before = before.trim_end_matches(of.unit().as_str()).trim_end();
                format!("uptake from {before} to {to} a day")
            }
            None => format!("uptake {to} a day"),
        }];
        let lines = self.volumes.iter();
        parts.extend(lines.map(|(line, volume)| format!("line {line} {volume} a day")));
        let ended = self.ends_courses.iter();
        parts.extend(ended.map(|number| format!("course {number} ends")));
        if let Some(course) = &self.course
            && let Departure::Add { line, per_day, .. } = &course.what
        {
            parts.push(format!(
                "from {} a course of {} a day on line {line} for {} days, which ends by itself",
                course.since,
                signed(of, *per_day),
                course.days
            ));
        }
        if let Some(why) = &self.held_back {
            parts.push(format!("as far as it goes now: {why}"));
        }
        if let Some(why) = &self.no_course {
            parts.push(format!("no course back to target: {why}"));
        }
        parts.join(", ")
    }
}

/// `+0.12 dKH`.
fn signed(of: &Quantity, value: f64) -> String {
    let sign = if value < 0.0 { '-' } else { '+' };
    format!("{sign}{}", amount(of, value.abs()))
}

fn days(days: f64) -> String {
    format!("{days:.1}")
}

/// In lines of a screen, those after the first a little to the right.
fn wrapped(text: &str) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let taken = lines.last().map_or(0, |line| line.chars().count());
        if taken > 0 && taken + 1 + word.chars().count() > COLUMNS {
            lines.push(format!("  {word}"));
        } else if let Some(line) = lines.last_mut() {
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines
}
