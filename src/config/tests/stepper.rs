//! Stepper heads in the controller file: what is read, and every way in which the keys do not fit.

use super::super::{ActiveLevel, HeadOutput, Output, StepSpeed, Stepper};
use super::{CONTROLLER, PLAN, check, edited, mistakes};
use crate::quantity::{Millis, Name};

const SWITCHED: &str = "output = \"GPIO22\"\nactive = \"high\"\n";
const KEYS: &str = "[head.magnesium.stepper]
step = \"GPIO22\"
direction = \"GPIO13\"
direction-level = \"low\"
enable = \"GPIO4\"
enable-active = \"low\"
steps-per-s = 1000
acceleration-steps-per-s2 = 4000
";

/// The sample with head `magnesium` as a stepper, one text of its table replaced.
fn stepper(old: &str, new: &str) -> String {
    let keys = edited(KEYS, old, new);
    let text = edited(CONTROLLER, SWITCHED, "");
    edited(
        &text,
        "[head.magnesium.simulated]",
        &format!("{keys}\n[head.magnesium.simulated]"),
    )
}

fn refused(old: &str, new: &str, words: &str) {
    let found = mistakes(&stepper(old, new), PLAN);
    assert_eq!(found.len(), 1, "{words}: {found:#?}");
    assert!(found[0].contains(words), "{words}: {}", found[0]);
}

#[test]
fn a_stepper_head_is_read_with_its_pins_and_its_speed() {
    let loaded = check(&stepper("steps-per-s = 1000", "steps-per-s = 1000"), PLAN).unwrap();
    let head = &loaded.controller.heads[&Name::new("magnesium").unwrap()];
    let low = |gpio| {
        Some(Output {
            gpio,
            active: ActiveLevel::Low,
        })
    };
    let speed = StepSpeed {
        steps_per_s: 1000,
        steps_per_s2: 4000,
    };
    assert_eq!(
        head.output,
        HeadOutput::Stepper(Stepper {
            step: 22,
            direction: low(13),
            enable: low(4),
            speed,
        })
    );
    assert_eq!(speed.ramps(), Millis::new(500));
    // GPIO4 rests high, where this driver's motor has no current: nothing to warn of.
    let gpio4 = loaded
        .warnings
        .iter()
        .any(|w| w.to_string().contains("GPIO4"));
    assert!(!gpio4, "{:?}", loaded.warnings);
}

#[test]
fn direction_and_enable_may_be_fixed_by_wires() {
    let keys = "direction = \"GPIO13\"\ndirection-level = \"low\"\nenable = \"GPIO4\"\nenable-active = \"low\"\n";
    let loaded = check(&stepper(keys, ""), PLAN).unwrap();
    let head = &loaded.controller.heads[&Name::new("magnesium").unwrap()];
    assert_eq!(head.output.pins().len(), 1);
}

#[test]
fn keys_of_a_stepper_that_are_missing_or_alone_are_named() {
    refused(
        "step = \"GPIO22\"\n",
        "",
        "head \"magnesium\": stepper.step is missing; give ",
    );
    refused("steps-per-s = 1000\n", "", "steps-per-s is missing; give ");
    refused(
        "acceleration-steps-per-s2 = 4000\n",
        "",
        "acceleration-steps-per-s2 is missing; give ",
    );
    refused(
        "direction-level = \"low\"\n",
        "",
        "direction-level is missing; give the level",
    );
    refused(
        "enable-active = \"low\"\n",
        "",
        "enable-active is missing; give the level",
    );
    refused(
        "enable = \"GPIO4\"\n",
        "",
        "enable-active has no meaning without enable",
    );
    refused(
        "direction = \"GPIO13\"\n",
        "",
        "direction-level has no meaning without direction",
    );
}

#[test]
fn keys_that_do_not_fit_a_stepper_and_speeds_out_of_range_are_refused() {
    let with = |extra: &str| {
        edited(
            &stepper("steps-per-s = 1000", "steps-per-s = 1000"),
            "[head.magnesium.stepper]",
            &format!("{extra}\n[head.magnesium.stepper]"),
        )
    };
    for (extra, words) in [
        ("output = \"GPIO13\"", "already used"),
        (
            "active = \"high\"",
            "head \"magnesium\": active switches a motor",
        ),
        (
            "run-sense = \"GPIO19\"",
            "run-sense shows whether a switched motor has voltage",
        ),
    ] {
        let found = mistakes(&with(extra), PLAN);
        assert!(
            found.iter().any(|m| m.contains(words)),
            "{extra}: {found:#?}"
        );
    }
    refused(
        "steps-per-s = 1000",
        "steps-per-s = 2001",
        "10 to 2000 steps/s",
    );
    refused(
        "steps-per-s = 1000",
        "steps-per-s = 100.5",
        "a whole number",
    );
    refused(
        "acceleration-steps-per-s2 = 4000",
        "acceleration-steps-per-s2 = 5",
        "10 to 100000 steps/s2",
    );
    // 0.5 mL at 30 mL/min take 1 s; up to 1,000 steps/s and down again at 1,900 take 1.053 s.
    refused(
        "acceleration-steps-per-s2 = 4000",
        "acceleration-steps-per-s2 = 1900",
        "too short to reach the speed",
    );
    check(
        &stepper(
            "acceleration-steps-per-s2 = 4000",
            "acceleration-steps-per-s2 = 2000",
        ),
        PLAN,
    )
    .unwrap();
}

#[test]
fn the_pins_of_a_stepper_are_written_as_pins_and_used_once() {
    for (pin, key) in [
        ("GPIO22", "step"),
        ("GPIO13", "direction"),
        ("GPIO4", "enable"),
    ] {
        let own = format!("{key} = \"{pin}\"");
        refused(
            &own,
            &format!("{key} = \"GPIO17\""),
            &format!(
                "head \"magnesium\": stepper: {key} = \"GPIO17\" is already used by head \"alkalinity\""
            ),
        );
        refused(
            &own,
            &format!("{key} = \"pin 11\""),
            "header pin 11 is GPIO17",
        );
    }
    refused(
        "enable = \"GPIO4\"",
        "enable = \"GPIO22\"",
        "already used by head \"magnesium\"",
    );
}

#[test]
fn pins_that_move_or_warm_the_motor_while_the_board_boots_are_named() {
    for (old, new, words) in [
        (
            "enable-active = \"low\"",
            "enable-active = \"high\"",
            "gives the motor current while the board boots",
        ),
        (
            "step = \"GPIO22\"",
            "step = \"GPIO3\"",
            "GPIO3 rests high while the board boots",
        ),
        ("step = \"GPIO22\"", "step = \"GPIO14\"", "boot console"),
    ] {
        let loaded = check(&stepper(old, new), PLAN).unwrap();
        let found: Vec<String> = loaded.warnings.iter().map(ToString::to_string).collect();
        assert!(
            found.iter().any(|w| w.contains(words)),
            "{words}: {found:#?}"
        );
    }
}

#[test]
fn a_head_of_neither_kind_is_told_what_a_switched_head_needs() {
    let found = mistakes(&edited(CONTROLLER, SWITCHED, ""), PLAN);
    assert_eq!(found.len(), 2, "{found:#?}");
    assert!(found[0].contains("head \"magnesium\": output is missing; give a pin"));
}
