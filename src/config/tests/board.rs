//! `[board]`, and the pins that hang on it.

use super::{CONTROLLER, PLAN, check, edited, mistakes};
use crate::config::{ActiveLevel, BoardDriver, LineBy, Output, RunSense};

const CHARDEV: &str = "driver = \"chardev\"\nchip-label = \"pinctrl-rp1\"";

#[test]
fn the_board_of_the_sample_is_read() {
    let controller = check(CONTROLLER, PLAN).unwrap().controller;
    let board = controller.board.unwrap();
    assert_eq!(board.driver, BoardDriver::Rppal);
    let active = ActiveLevel::High;
    assert_eq!(board.cut_off, Some(Output { gpio: 24, active }));
    assert_eq!(board.heartbeat, Some(26));
    assert_eq!(board.alarm, Some(Output { gpio: 20, active }));
    let low = edited(
        CONTROLLER,
        "alarm-active = \"high\"",
        "alarm-active = \"low\"",
    );
    let board = check(&low, PLAN).unwrap().controller.board.unwrap();
    assert_eq!(board.alarm.unwrap().active, ActiveLevel::Low);
    let sensed = controller.heads.values().find_map(|head| head.run_sense);
    let running = ActiveLevel::Low;
    assert_eq!(sensed, Some(RunSense { gpio: 16, running }));
}

#[test]
fn a_chip_is_named_by_its_label_and_only_where_there_is_a_chip() {
    let text = edited(CONTROLLER, "driver = \"rppal\"", CHARDEV);
    let driver = check(&text, PLAN).unwrap().controller.board.unwrap().driver;
    let chip_label = "pinctrl-rp1".to_owned();
    let line_by = LineBy::Offset;
    assert_eq!(
        driver,
        BoardDriver::Chardev {
            chip_label,
            line_by
        }
    );
    for (driver, said) in [
        ("driver = \"chardev\"", "chip-label is missing"),
        (
            "driver = \"rppal\"\nchip-label = \"pinctrl-rp1\"",
            "belongs to driver = \"chardev\" only",
        ),
        ("driver = \"wiring\"", "rppal"),
    ] {
        let found = mistakes(&edited(CONTROLLER, "driver = \"rppal\"", driver), PLAN);
        assert!(found.len() == 1 && found[0].contains(said), "{found:?}");
    }
}

#[test]
fn live_without_a_board_is_a_mistake() {
    let live = edited(CONTROLLER, "mode = \"dry-run\"", "mode = \"live\"");
    assert_eq!(mistakes(&live, PLAN), Vec::<String>::new());
    let start = live.find("[board]").unwrap();
    let end = live.find("[tank]").unwrap();
    let without = format!("{}{}", &live[..start], &live[end..]);
    let found = mistakes(&without, PLAN);
    assert!(
        found.len() == 1 && found[0].contains("needs a table [board]"),
        "{found:?}"
    );
}

#[test]
fn the_pins_of_the_board_are_not_shared_with_heads_inputs_or_each_other() {
    for (from, to) in [
        ("cut-off = \"GPIO24\"", "cut-off = \"GPIO17\""),
        ("heartbeat = \"GPIO26\"", "heartbeat = \"GPIO24\""),
        ("alarm = \"GPIO20\"", "alarm = \"GPIO17\""),
        ("alarm = \"GPIO20\"", "alarm = \"GPIO26\""),
        ("run-sense = \"GPIO16\"", "run-sense = \"GPIO12\""),
        ("run-sense = \"GPIO16\"", "run-sense = \"GPIO17\""),
    ] {
        let found = mistakes(&edited(CONTROLLER, from, to), PLAN);
        assert!(
            found.len() == 1 && found[0].contains("is already used by"),
            "{to}: {found:?}"
        );
    }
    let found = mistakes(
        &edited(CONTROLLER, "cut-off = \"GPIO24\"", "cut-off = \"18\""),
        PLAN,
    );
    assert!(
        found.len() == 1 && found[0].contains("no numbering scheme"),
        "{found:?}"
    );
}

#[test]
fn run_sense_needs_both_of_its_keys() {
    for (line, said) in [
        ("run-sense = \"GPIO16\"\n", "no meaning without run-sense"),
        (
            "run-sense-running = \"low\"\n",
            "run-sense-running is missing",
        ),
    ] {
        let found = mistakes(&edited(CONTROLLER, line, ""), PLAN);
        assert!(found.len() == 1 && found[0].contains(said), "{found:?}");
    }
}
