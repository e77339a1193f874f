//! From `[board]` and the pins of a head to their checked types.

use super::controller::time;
use super::mistake::Sink;
use super::model::{ActiveLevel, Board, BoardDriver, LineBy, Output, RunSense};
use super::pin::parse_pin;
use super::tree::RawTable;

/// Builds the board; `None` when there is no such table, or it is wrong, which is then in the sink.
pub(super) fn build(whole: &RawTable, sink: &mut Sink<'_>) -> Option<Board> {
    let Some(raw) = whole.table("board") else {
        if whole.text("mode") == Some("live") {
            sink.mistake(
                whole.place("mode"),
                "mode = \"live\" needs a table [board] that says how the pins are driven; add one, or set mode = \"dry-run\"",
            );
        }
        return None;
    };
    let driver = driver(raw, sink)?;
    let pin = |key: &str| raw.text(key).and_then(|text| parse_pin(text).ok());
    Some(Board {
        driver,
        cut_off: match pin("cut-off") {
            None => None,
            Some(gpio) => Some(Output {
                gpio,
                active: level(raw, "cut-off-active")?,
            }),
        },
        heartbeat: pin("heartbeat"),
        input_poll: time(raw, "input-poll-ms", 0.001)?,
    })
}

fn driver(raw: &RawTable, sink: &mut Sink<'_>) -> Option<BoardDriver> {
    let label = raw.text("chip-label");
    if raw.text("driver")? == "rppal" {
        if label.is_some() {
            sink.mistake(
                raw.place("chip-label"),
                "board.chip-label belongs to driver = \"chardev\" only; take it out",
            );
            return None;
        }
        return Some(BoardDriver::Rppal);
    }
    let Some(label) = label.filter(|label| !label.trim().is_empty()) else {
        sink.mistake(
            raw.at,
            "board.chip-label is missing; driver = \"chardev\" finds the chip by its label, never by its number, which changes \
             between kernels; `gpiodetect` shows it in brackets",
        );
        return None;
    };
    Some(BoardDriver::Chardev {
        chip_label: label.to_owned(),
        line_by: if raw.text("line-by")? == "name" {
            LineBy::Name
        } else {
            LineBy::Offset
        },
    })
}

/// The run-sense contact of a head: both keys or none. `None` when there is none, or it is wrong, which is then in the sink.
pub(super) fn run_sense(raw: &RawTable, sink: &mut Sink<'_>) -> Option<RunSense> {
    match (raw.text("run-sense"), raw.text("run-sense-running")) {
        (None, None) => None,
        (Some(pin), Some(_)) => Some(RunSense {
            gpio: parse_pin(pin).ok()?,
            running: level(raw, "run-sense-running")?,
        }),
        (Some(_), None) => {
            sink.mistake(
                raw.place("run-sense"),
                format!(
                    "{}run-sense-running is missing; give the level (\"high\" or \"low\") that the pin shows while the motor has voltage",
                    raw.label
                ),
            );
            None
        }
        (None, Some(_)) => {
            sink.mistake(
                raw.place("run-sense-running"),
                format!(
                    "{}run-sense-running has no meaning without run-sense; give the pin, or take it out",
                    raw.label
                ),
            );
            None
        }
    }
}

fn level(raw: &RawTable, key: &str) -> Option<ActiveLevel> {
    Some(match raw.text(key)? {
        "low" => ActiveLevel::Low,
        _ => ActiveLevel::High,
    })
}
