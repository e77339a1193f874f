//! The lines of `status`: a table where it fits, with fewer columns where it does not, and one block a line where it is too narrow for that.

use std::io::Write;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::cli::{Out, Result, Tone};
use crate::engine::{LineState, LineStatus, Status};
use crate::quantity::Volume;

/// Between two columns.
const GAP: usize = 2;

struct Column {
    title: &'static str,
    cells: Vec<String>,
    right: bool,
    /// Those with a higher number are left out first; without one never.
    left_out: Option<u8>,
}

impl Column {
    fn width(&self) -> usize {
        let cells = self.cells.iter().map(String::len);
        cells.max().unwrap_or(0).max(self.title.len())
    }

    fn padded(&self, text: &str) -> String {
        let width = self.width();
        if self.right {
            format!("{text:>width$}")
        } else {
            format!("{text:width$}")
        }
    }
}

pub(super) fn lines(view: &Status, out: &mut Out) -> Result {
    let Some(columns) = fitting(columns(view), out.width()) else {
        return blocks(view, out);
    };
    let titles: Vec<String> = columns.iter().map(|c| c.padded(c.title)).collect();
    let title = titles.join("  ");
    writeln!(out, "{}", out.tone(Tone::Strong, title.trim_end()))?;
    for (row, line) in view.lines.iter().enumerate() {
        let cells = columns.iter().map(|column| {
            let cell = column.padded(column.cells.get(row).map_or("", String::as_str));
            if column.title == STATE {
                out.tone(tone(line.state), &cell)
            } else {
                cell
            }
        });
        let cells: Vec<String> = cells.collect();
        writeln!(out, "{}", cells.join("  ").trim_end())?;
    }
    Ok(())
}

const STATE: &str = "state";

fn columns(view: &Status) -> Vec<Column> {
    let column = |title, left_out, cell: &dyn Fn(&LineStatus) -> String| Column {
        title,
        cells: view.lines.iter().map(cell).collect(),
        right: !matches!(title, "line" | STATE | "next dose"),
        left_out,
    };
    let bottle = |line: &LineStatus| view.reservoirs.iter().find(|r| r.name == line.reservoir);
    vec![
        column("line", None, &|line| line.name.to_string()),
        column(STATE, None, &|line| line.state.as_str().to_owned()),
        column("today", None, &|line| known(line.delivered_today)),
        column("24 h", Some(2), &|line| known(line.delivered_24h)),
        column("plan/day", Some(1), &|line| ml(line.planned)),
        column("cap left", Some(3), &|line| known(line.cap_left)),
        column("in bottle", None, &|line| {
            known(bottle(line).and_then(|b| b.left))
        }),
        column("lasts", None, &|line| {
            let days = bottle(line).and_then(|b| b.days_left);
            days.map_or("-".to_owned(), |days| format!("{days:.0} d"))
        }),
        column("next dose", None, &|line| next(line, view)),
    ]
}

/// As many columns as fit; `None` when those that must be there do not.
fn fitting(mut columns: Vec<Column>, width: Option<usize>) -> Option<Vec<Column>> {
    let needed = |columns: &[Column]| columns.iter().map(|c| c.width() + GAP).sum::<usize>() - GAP;
    while width.is_some_and(|width| needed(&columns) > width) {
        let first_out = columns.iter().filter_map(|c| c.left_out).max()?;
        columns.retain(|column| column.left_out != Some(first_out));
    }
    Some(columns)
}

fn blocks(view: &Status, out: &mut Out) -> Result {
    let columns = columns(view);
    for (row, line) in view.lines.iter().enumerate() {
        let state = out.tone(tone(line.state), line.state.as_str());
        writeln!(
            out,
            "{}  {state}, {}",
            out.tone(Tone::Strong, line.name.as_str()),
            upcoming(line, view)
        )?;
        let figures = columns.iter().filter(|column| column.right);
        let figures = figures
            .filter_map(|column| Some(format!("{} {}", column.title, column.cells.get(row)?)));
        writeln!(out, "  {}", figures.collect::<Vec<_>>().join(", "))?;
    }
    Ok(())
}

fn upcoming(line: &LineStatus, view: &Status) -> String {
    let next = next(line, view);
    if line.running.is_some() {
        next
    } else {
        format!("next dose {next}")
    }
}

fn next(line: &LineStatus, view: &Status) -> String {
    match (&line.running, &line.next_slot) {
        (Some(run), _) => format!("now: {} of {}", ml(run.so_far), ml(run.volume)),
        (None, Some(slot)) => format!("{} {}", slot_time(slot.at, view), ml(slot.volume)),
        (None, None) if line.state == LineState::Held => "none while held".to_owned(),
        (None, None) => "none".to_owned(),
    }
}

const fn tone(state: LineState) -> Tone {
    match state {
        LineState::Held | LineState::Blocked | LineState::Bench => Tone::Bad,
        LineState::Dosing => Tone::Good,
        LineState::Waiting | LineState::Unplanned => Tone::Quiet,
    }
}

fn known(volume: Option<Volume>) -> String {
    volume.map_or("unknown".to_owned(), ml)
}

/// With the decimals a table has room for.
pub(super) fn ml(volume: Volume) -> String {
    format!("{:.2} mL", volume.as_ml())
}

/// The owner's zone; UTC where this machine does not know it.
pub(super) fn zone_of(view: &Status) -> TimeZone {
    TimeZone::get(&view.daemon.time_zone).unwrap_or(TimeZone::UTC)
}

pub(super) fn clock_time(at: Timestamp, zone: &TimeZone) -> String {
    zone.to_datetime(at)
        .strftime("%Y-%m-%d %H:%M:%S")
        .to_string()
}

/// A time of today without its date.
pub(super) fn slot_time(at: Timestamp, view: &Status) -> String {
    today_or_dated(at, view.at, &zone_of(view))
}

pub(super) fn today_or_dated(at: Timestamp, now: Timestamp, zone: &TimeZone) -> String {
    let local = zone.to_datetime(at);
    if local.date() == zone.to_datetime(now).date() {
        local.strftime("%H:%M:%S").to_string()
    } else {
        clock_time(at, zone)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_of_today_is_shown_without_its_date() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let shown = |at: &str| {
            let now = "2026-11-25T18:30:00+01:00".parse().unwrap();
            today_or_dated(at.parse().unwrap(), now, &zone)
        };
        assert_eq!(shown("2026-11-25T19:00:05+01:00"), "19:00:05");
        assert_eq!(shown("2026-11-26T00:10:00+01:00"), "2026-11-26 00:10:00");
    }

    #[test]
    fn volumes_of_a_table_carry_their_unit() {
        for (ul, text) in [
            (0, "0.00 mL"),
            (3_150, "3.15 mL"),
            (99_999_999, "100000.00 mL"),
            (700, "0.70 mL"),
            (-20, "-0.02 mL"),
        ] {
            assert_eq!(ml(Volume::from_ul(ul)), text);
        }
    }
}
