//! A calibration holds for the speed that the head was driven at, and for no other.

use super::faults::calcium_world;
use super::rig::{MINUTE, SECOND, World, name, ul};
use crate::config::{ActiveLevel, HeadOutput, Output, Pwm, StepSpeed, Stepper};
use crate::engine::{Command, NewCalibration};
use crate::quantity::{Millis, Volume, Words};
use crate::record::{CalibrationRun, DoseKind, Entry};

fn pwm(duty_percent: u8, frequency_hz: u32) -> HeadOutput {
    HeadOutput::Pwm(Pwm {
        chip: "fe20c000.pwm".to_owned(),
        channel: 0,
        pin: 18,
        frequency_hz,
        duty_percent,
    })
}

fn stepper(steps_per_s: u32, steps_per_s2: u32) -> HeadOutput {
    HeadOutput::Stepper(Stepper {
        step: 27,
        direction: None,
        enable: None,
        speed: StepSpeed {
            steps_per_s,
            steps_per_s2,
        },
    })
}

fn switched(gpio: u8) -> HeadOutput {
    HeadOutput::Switched(Output {
        gpio,
        active: ActiveLevel::High,
    })
}

fn drive(world: &mut World, output: &HeadOutput) {
    let mut controller = (*world.controller).clone();
    controller.heads.get_mut(&name("calcium")).unwrap().output = output.clone();
    world.controller = controller.into();
    world.restart_after(SECOND);
    world.sync();
    world.run(6 * MINUTE);
}

fn calibrated_at(world: &mut World, drive: &str) {
    for entry in &mut world.books.entries {
        if let Entry::Calibration(stored) = entry
            && stored.head == name("calcium")
        {
            drive.clone_into(&mut stored.drive);
        }
    }
}

fn code(world: &mut World) -> String {
    let asked = world.by_hand("calcium", 2_000, DoseKind::Hand);
    asked.map_or_else(|denial| denial.code.clone(), |_| "given".to_owned())
}

#[test]
fn a_calibration_does_not_count_once_speed_frequency_or_kind_of_the_head_is_another() {
    for (then, now, counts) in [
        (pwm(60, 1000), pwm(60, 1000), true),
        (pwm(60, 1000), pwm(61, 1000), false),
        (pwm(60, 1000), pwm(60, 2000), false),
        (pwm(60, 1000), switched(27), false),
        (switched(27), pwm(60, 1000), false),
        (stepper(1000, 4000), stepper(1000, 4000), true),
        (stepper(1000, 4000), stepper(900, 4000), false),
        (stepper(1000, 4000), stepper(1000, 5000), false),
        (switched(27), stepper(1000, 4000), false),
        // Another pin is the same speed.
        (switched(27), switched(25), true),
    ] {
        let mut world = calcium_world("\"23:00\"", 1);
        calibrated_at(&mut world, &then.speed());
        drive(&mut world, &now);
        let wanted = if counts { "given" } else { "uncalibrated" };
        assert_eq!(code(&mut world), wanted, "{then:?} {now:?}");
        let alarm = world
            .status()
            .alarms
            .into_iter()
            .find(|a| a.code.as_str() == "calibration-old");
        assert_eq!(alarm.is_some(), !counts, "{then:?} {now:?}");
        if let Some(alarm) = alarm {
            assert!(
                alarm.text.contains(&now.speed()) && alarm.text.contains(&then.speed()),
                "{}",
                alarm.text
            );
        }
    }
}

#[test]
fn a_ledger_of_before_the_speed_was_kept_still_meters_what_there_was_then() {
    for (now, wanted) in [
        (switched(27), "given"),
        (stepper(1000, 4000), "given"),
        (pwm(60, 1000), "uncalibrated"),
    ] {
        let mut world = calcium_world("\"23:00\"", 1);
        calibrated_at(&mut world, "");
        drive(&mut world, &now);
        assert_eq!(code(&mut world), wanted, "{now:?}");
    }
}

#[test]
fn a_calibration_counts_again_when_the_head_is_driven_as_it_was_then() {
    let mut world = calcium_world("\"23:00\"", 1);
    drive(&mut world, &pwm(60, 1000));
    assert_eq!(code(&mut world), "uncalibrated");
    drive(&mut world, &switched(27));
    assert_eq!(code(&mut world), "given");
    // A new one belongs to the speed of now.
    drive(&mut world, &pwm(60, 1000));
    let run = |(ms, volume)| CalibrationRun {
        on_time: Millis::new(ms),
        volume: ul(volume),
        typed: String::new(),
        dose: None,
        used: true,
    };
    world.ask(Command::Calibrate(NewCalibration {
        head: name("calcium"),
        runs: [
            (2_000, 1_000),
            (2_000, 1_004),
            (12_000, 6_002),
            (12_000, 5_998),
        ]
        .map(run)
        .to_vec(),
        resolution: Volume::ZERO,
        weighing: Words::default(),
        method: Words::default(),
        sure_of: None,
    }));
    world.run(SECOND);
    drive(&mut world, &pwm(60, 1000));
    assert_eq!(code(&mut world), "given");
    drive(&mut world, &switched(27));
    assert_eq!(code(&mut world), "uncalibrated");
}
