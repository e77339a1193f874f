//! From `[board]` and the pins of a head to their checked types.

use super::drive::{ActiveLevel, Output};
use super::keys;
use super::model::{Board, BoardDriver, RunSense};
use super::pin::parse_pin;
use super::schema::{Of, Text};
use super::take::time;
use super::tree::RawTable;
use super::words::LineBy;

/// Builds the board; `None` when there is no such table, or it is wrong, which is then in the sink.
pub(super) fn build(whole: &RawTable) -> Option<Board> {
    let Some(raw) = whole.table(keys::controller::BOARD) else {
        if whole.text(keys::controller::MODE) == Some("live") {
            whole.sink.mistake(whole.place(keys::controller::MODE), "mode = \"live\" needs a table [board] that says how the pins are driven; add one, or set mode = \"dry-run\"");
        }
        return None;
    };
    let driver = driver(raw)?;
    let pin = |key: Of<Text>| raw.text(key).and_then(|text| parse_pin(text).ok());
    let output = |key: Of<Text>, active: Of<Text>| {
        Some(Output {
            gpio: pin(key)?,
            active: level(raw, active)?,
        })
    };
    Some(Board {
        driver,
        cut_off: output(keys::board::CUT_OFF, keys::board::CUT_OFF_ACTIVE),
        heartbeat: pin(keys::board::HEARTBEAT),
        alarm: output(keys::board::ALARM, keys::board::ALARM_ACTIVE),
        input_poll: time(raw, keys::board::INPUT_POLL_MS, 0.001)?,
    })
}

fn driver(raw: &RawTable) -> Option<BoardDriver> {
    let label = raw.text(keys::board::CHIP_LABEL);
    if raw.text(keys::board::DRIVER)? == "rppal" {
        if label.is_some() {
            raw.sink.mistake(
                raw.place(keys::board::CHIP_LABEL),
                "board.chip-label belongs to driver = \"chardev\" only; take it out",
            );
            return None;
        }
        return Some(BoardDriver::Rppal);
    }
    let Some(label) = label.filter(|label| !label.trim().is_empty()) else {
        raw.sink.mistake(
            raw.at,
            "board.chip-label is missing; driver = \"chardev\" finds the chip by its label, never by its number, which changes \
             between kernels; `gpiodetect` shows it in brackets",
        );
        return None;
    };
    Some(BoardDriver::Chardev {
        chip_label: label.to_owned(),
        line_by: LineBy::from_word(raw.text(keys::board::LINE_BY)?)?,
    })
}

/// The run-sense contact of a head: both keys or none. `None` when there is none, or it is wrong, which is then in the sink.
pub(super) fn run_sense(raw: &RawTable) -> Option<RunSense> {
    match (
        raw.text(keys::head::RUN_SENSE),
        raw.text(keys::head::RUN_SENSE_RUNNING),
    ) {
        (None, None) => None,
        (Some(pin), Some(_)) => Some(RunSense {
            gpio: parse_pin(pin).ok()?,
            running: level(raw, keys::head::RUN_SENSE_RUNNING)?,
        }),
        (Some(_), None) => {
            raw.refuse(
                keys::head::RUN_SENSE,
                "run-sense-running is missing; give the level (\"high\" or \"low\") that the pin shows while the motor has voltage"
            );
            None
        }
        (None, Some(_)) => {
            raw.refuse(
                keys::head::RUN_SENSE_RUNNING,
                "run-sense-running has no meaning without run-sense; give the pin, or take it out",
            );
            None
        }
    }
}

pub(super) fn level(raw: &RawTable, key: Of<Text>) -> Option<ActiveLevel> {
    ActiveLevel::from_word(raw.text(key)?)
}
