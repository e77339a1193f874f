//! The lines of `status`: a table where it fits, with fewer columns where it does not, and one block a line where it is too narrow for that.

use std::io::Write;

use crate::cli::running::status::{ml, slot_time};
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

#[cfg(test)]
mod tests {
    use std::io;

    use super::*;

    /// As on record, with names and figures as long as they come.
    fn view() -> Status {
        let mut view: Status =
            serde_json::from_str(include_str!("../../../tests/golden/status.json")).unwrap();
        let mut second = view.lines[0].clone();
        second.name = crate::quantity::Name::new("calcium-chloride").unwrap();
        view.lines.push(second);
        view
    }

    fn seen(view: &Status, width: usize) -> String {
        let (mut reads, writes) = io::pipe().unwrap();
        let mut out = Out::onto(Box::new(writes), Some(width));
        crate::cli::running::status::print(view, &mut out).unwrap();
        drop(out);
        let mut seen = String::new();
        io::Read::read_to_string(&mut reads, &mut seen).unwrap();
        seen
    }

    #[test]
    fn status_is_no_wider_than_a_terminal_of_60_80_or_120_columns() {
        let view = view();
        for (width, table, dropped) in [(60, false, true), (80, true, true), (120, true, false)] {
            let seen = seen(&view, width);
            for line in seen.lines() {
                assert!(line.chars().count() <= width, "{width}: {line}");
            }
            let titles = seen
                .lines()
                .find(|l| l.starts_with("line ") && l.contains("lasts"));
            assert_eq!(titles.is_some(), table, "{seen}");
            let cap = titles.is_some_and(|titles| titles.contains("cap left"));
            assert_eq!(!cap, dropped, "{seen}");
            // Nothing that matters is left out, however narrow.
            for needed in [
                "calcium-chloride",
                "in bottle",
                "lasts",
                "next dose",
                "today",
            ] {
                assert!(seen.contains(needed), "{needed} at {width}: {seen}");
            }
        }
    }

    #[test]
    fn alarms_come_before_all_else_and_what_cannot_wait_before_what_can() {
        let mut view = view();
        let mut urgent = view.alarms[0].clone();
        urgent.urgent = true;
        urgent.text = "look into the sump".to_owned();
        view.alarms.push(urgent);
        let seen = seen(&view, 120);
        let place = |text: &str| seen.find(text).unwrap();
        assert!(place("look into the sump") < place("refill it"), "{seen}");
        assert!(place("refill it") < place("next dose"), "{seen}");
        assert!(
            place("dosewright alarm acknowledge") < place("next dose"),
            "{seen}"
        );
    }
}
