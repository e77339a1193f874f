//! PWM heads in the controller file: what is read, and every way in which the keys do not fit.

use super::super::{HeadOutput, Pwm};
use super::{CONTROLLER, PLAN, check, edited, mistakes};
use crate::quantity::Name;

const SWITCHED: &str = "output = \"GPIO22\"\nactive = \"high\"\n";
const KEYS: &str = "[head.magnesium.pwm]
chip = \"fe20c000.pwm\"
channel = 0
pin = \"GPIO18\"
frequency-hz = 1000
duty-percent = 60
";

/// The sample with head `magnesium` driven by PWM, one text of its table replaced.
fn pwm(old: &str, new: &str) -> String {
    let keys = edited(KEYS, old, new);
    let text = edited(CONTROLLER, SWITCHED, "");
    edited(
        &text,
        "[head.magnesium.simulated]",
        &format!("{keys}\n[head.magnesium.simulated]"),
    )
}

pub(crate) fn unchanged() -> String {
    pwm("channel = 0", "channel = 0")
}

fn refused(old: &str, new: &str, words: &str) {
    let found = mistakes(&pwm(old, new), PLAN);
    assert_eq!(found.len(), 1, "{words}: {found:#?}");
    assert!(found[0].contains(words), "{words}: {}", found[0]);
}

#[test]
fn a_pwm_head_is_read_with_its_channel_and_its_speed() {
    let loaded = check(&unchanged(), PLAN).unwrap();
    let head = &loaded.controller.heads[&Name::new("magnesium").unwrap()];
    let HeadOutput::Pwm(pwm) = &head.output else {
        panic!("{:?}", head.output);
    };
    let wanted = Pwm {
        chip: "fe20c000.pwm".to_owned(),
        channel: 0,
        pin: 18,
        frequency_hz: 1000,
        duty_percent: 60,
    };
    assert_eq!(*pwm, wanted);
    assert_eq!((pwm.period_ns(), pwm.duty_ns()), (1_000_000, 600_000));
    assert_eq!(head.output.speed(), "PWM 60 % at 1000 Hz");
}

#[test]
fn a_pulse_is_never_longer_than_its_period_and_never_none() {
    for frequency_hz in [50, 51, 333, 1000, 25_000, 50_000] {
        for duty_percent in 1..=100 {
            let pwm = Pwm {
                chip: String::new(),
                channel: 0,
                pin: 18,
                frequency_hz,
                duty_percent,
            };
            let (period, duty) = (pwm.period_ns(), pwm.duty_ns());
            assert!(0 < duty && duty <= period, "{pwm}");
            assert_eq!(duty == period, duty_percent == 100, "{pwm}");
        }
    }
}

/// Fault row FT-PWM-01: any number is answered, and none is taken for another.
#[test]
fn keys_that_are_missing_or_out_of_range_are_named() {
    for key in ["chip", "channel", "pin", "frequency-hz", "duty-percent"] {
        let line = KEYS.lines().find(|line| line.starts_with(key)).unwrap();
        refused(
            &format!("{line}\n"),
            "",
            &format!("head \"magnesium\": pwm.{key} is missing; give "),
        );
    }
    for (old, new, words) in [
        ("channel = 0", "channel = 256", "0 to 255"),
        ("channel = 0", "channel = -1", "0 to 255"),
        ("frequency-hz = 1000", "frequency-hz = 49", "50 to 50000 Hz"),
        ("duty-percent = 60", "duty-percent = 0", "1 to 100 %"),
        ("duty-percent = 60", "duty-percent = 101", "1 to 100 %"),
        ("duty-percent = 60", "duty-percent = 62.5", "a whole number"),
    ] {
        refused(old, new, words);
    }
    for channel in [0, 1, 2, 3, 127, 128, 255] {
        check(&pwm("channel = 0", &format!("channel = {channel}")), PLAN).unwrap();
    }
}

#[test]
fn a_chip_is_never_named_by_its_number() {
    for number in ["pwmchip0", "0", "/sys/class/pwm/pwmchip2"] {
        refused("fe20c000.pwm", number, "is a number of the kernel's");
    }
    check(&pwm("fe20c000.pwm", "soc/fe20c000.pwm"), PLAN).unwrap();
}

#[test]
fn keys_that_do_not_fit_a_pwm_head_are_refused() {
    let with = |extra: &str| {
        edited(
            &unchanged(),
            "[head.magnesium.pwm]",
            &format!("{extra}\n[head.magnesium.pwm]"),
        )
    };
    for (extra, words) in [
        (
            "output = \"GPIO13\"",
            "head \"magnesium\": output switches a motor",
        ),
        ("active = \"low\"", "a channel that is off rests low"),
        ("active = \"high\"", "a channel that is off rests low"),
        ("run-sense = \"GPIO4\"", "that of a PWM head pulses"),
        (
            "[head.magnesium.stepper]\nstep = \"GPIO4\"\nsteps-per-s = 1000\nacceleration-steps-per-s2 = 4000",
            "a head is driven in one way",
        ),
    ] {
        let found = mistakes(&with(extra), PLAN);
        assert!(
            found.iter().any(|m| m.contains(words)),
            "{extra}: {found:#?}"
        );
    }
}

#[test]
fn the_pin_of_a_pwm_head_is_written_as_a_pin_and_used_once() {
    refused(
        "GPIO18",
        "GPIO17",
        "head \"magnesium\": pwm: pin = \"GPIO17\" is already used by head \"alkalinity\"",
    );
    refused("GPIO18", "pin 12", "header pin 12 is GPIO18");
    let loaded = check(&pwm("GPIO18", "GPIO3"), PLAN).unwrap();
    let warned = |w: &super::super::Warning| {
        w.to_string()
            .contains("turns the head on while the board boots")
    };
    assert!(loaded.warnings.iter().any(warned), "{:?}", loaded.warnings);
}

#[test]
fn two_heads_do_not_share_a_channel() {
    let second = unchanged().replace(
        "[head.magnesium.pwm]",
        "[head.other]
nominal-rate-ml-per-min = 30
run-max-s = 20
dose-min-ml = 0.5
[head.other.pwm]
chip = \"/fe20c000.pwm\"
channel = 0
pin = \"GPIO13\"
frequency-hz = 500
duty-percent = 50

[head.magnesium.pwm]",
    );
    let found = mistakes(&second, PLAN);
    assert!(
        found.len() == 1
            && found[0].contains("fe20c000.pwm\" is already used by head \"magnesium\""),
        "{found:#?}"
    );
}

/// A killed program leaves the channel pulsing.
#[test]
fn live_mode_refuses_a_pwm_head_without_a_common_cut_off_and_says_why() {
    let live = |text: &str| edited(text, "mode = \"dry-run\"", "mode = \"live\"");
    let cut_off = "cut-off = \"GPIO24\"\n";
    assert_eq!(mistakes(&live(&unchanged()), PLAN), Vec::<String>::new());
    let without = edited(&unchanged(), cut_off, "");
    let found = mistakes(&live(&without), PLAN);
    assert!(
        found.len() == 1 && found[0].contains("goes on pulsing when the program is killed"),
        "{found:#?}"
    );
    // In dry run it is said, and not refused; a switched head may go without.
    let loaded = check(&without, PLAN).unwrap();
    let said = |w: &super::super::Warning| w.to_string().contains("goes on pulsing");
    assert!(loaded.warnings.iter().any(said));
    assert_eq!(
        mistakes(&live(&edited(CONTROLLER, cut_off, "")), PLAN),
        Vec::<String>::new()
    );
}
