//! What is told of the water: corrected, taken back, and asked about.

use super::rig::{DAY, HOUR, SECOND, World};
use crate::chemistry::Quantity;
use crate::engine::{Answer, Command, Denial, NewFact, NewReading, Replaces};
use crate::quantity::{Alkalinity, Lines, Words};
use crate::record::{Entry, FactKind, ReadingValue, Told};

fn world() -> World {
    let mut world = super::owner::settled();
    world.read_alkalinity(7.9);
    world.run(DAY);
    world
}

fn alkalinity(dkh: f64, replaces: Option<i64>, sure: bool) -> Command {
    Command::AddReading(NewReading {
        measured: Quantity::Alkalinity,
        value: ReadingValue::Alkalinity {
            value: Alkalinity::from_dkh(dkh),
            uncertainty: Alkalinity::from_dkh(0.1),
        },
        method: Words::default(),
        taken: None,
        replaces: replaces.map(|number| Replaces {
            number,
            why: "wrong syringe".into(),
        }),
        sure,
    })
}

fn fact(kind: FactKind, value: Option<f64>, text: &str) -> NewFact {
    NewFact {
        kind,
        name: "north".into(),
        value,
        uncertainty: None,
        text: Lines::new(text).unwrap(),
        happened: None,
        replaces: None,
        sure: false,
    }
}

fn take_back(world: &mut World, number: i64) -> Result<Answer, Denial> {
    world.told(Command::TakeBack {
        number,
        why: "wrong tank".into(),
    })
}

fn last_number(world: &World) -> i64 {
    let number = |entry: &Entry| Told::from_entry(entry.clone()).map(|told| told.number());
    world.books.entries.iter().rev().find_map(number).unwrap()
}

/// dKH of the reading that the status shows, and of the prediction.
fn in_force(world: &mut World) -> (f64, Option<f64>) {
    let water = world.status().water;
    let shown = water.alkalinity.unwrap().value.unwrap().as_dkh();
    (shown, water.predicted.map(Alkalinity::as_dkh))
}

#[test]
fn a_correction_and_what_it_replaces_are_one_step_and_at_once_in_force() {
    let mut world = world();
    world.told(alkalinity(11.2, None, true)).unwrap();
    let wrong = last_number(&world);
    world.run(HOUR);
    let before = in_force(&mut world).1.unwrap();
    world.told(alkalinity(8.1, Some(wrong), false)).unwrap();
    let new = last_number(&world);
    let together = world.books.entries.windows(2).any(|pair| {
        matches!(pair, [Entry::TakenBack(back), Entry::Reading(reading)]
            if (back.number, back.replaced_by, reading.number) == (wrong, Some(new), new))
    });
    assert!(together);
    let (shown, predicted) = in_force(&mut world);
    assert!((shown - 8.1).abs() < 1e-9);
    // The same sample: as old, and as much was added since.
    assert!((before - predicted.unwrap() - 3.1).abs() < 1e-3);
    world.restart_after(SECOND);
    world.sync();
    assert!((in_force(&mut world).0 - 8.1).abs() < 1e-9);
    let again = world.told(alkalinity(8.2, Some(wrong), false)).unwrap_err();
    assert_eq!(again.code, "unknown-observation");
}

#[test]
fn a_correction_is_held_against_what_was_read_before_the_wrong_value() {
    let mut world = world();
    world.told(alkalinity(11.2, None, true)).unwrap();
    let wrong = last_number(&world);
    let slip = world
        .told(alkalinity(11.1, Some(wrong), false))
        .unwrap_err();
    assert_eq!(slip.code, "reading-questioned");
    let of_what = Command::AddFact(NewFact {
        replaces: Some(Replaces {
            number: wrong,
            why: Words::default(),
        }),
        ..fact(FactKind::Change, None, "new light")
    });
    assert_eq!(world.told(of_what).unwrap_err().code, "other-observation");
    world.told(alkalinity(8.0, Some(wrong), false)).unwrap();
}

#[test]
fn the_reading_before_is_in_force_once_the_newest_is_taken_back() {
    let mut world = world();
    let first = in_force(&mut world);
    let first_number = last_number(&world);
    world.told(alkalinity(8.3, None, true)).unwrap();
    assert!((in_force(&mut world).0 - 8.3).abs() < 1e-9);
    let newest = last_number(&world);
    take_back(&mut world, newest).unwrap();
    assert!((in_force(&mut world).0 - first.0).abs() < 1e-9);
    assert!((in_force(&mut world).1.unwrap() - first.1.unwrap()).abs() < 0.01);
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert!((in_force(&mut world).0 - first.0).abs() < 1e-9);
    assert!(take_back(&mut world, newest).is_err(), "twice");
    world.told(alkalinity(8.3, None, true)).unwrap();
    assert!(
        last_number(&world) > newest,
        "a number is not given a second time"
    );
    let newest = last_number(&world);
    for number in [newest, first_number] {
        take_back(&mut world, number).unwrap();
    }
    assert!(world.prediction().is_none());
}

#[test]
fn a_water_change_that_was_taken_back_no_longer_stands_in_the_way() {
    let mut world = world();
    let change = fact(FactKind::WaterChange, Some(30.0), "");
    world.told(Command::AddFact(change)).unwrap();
    assert!(world.prediction().is_none());
    let number = last_number(&world);
    take_back(&mut world, number).unwrap();
    assert!(world.prediction().is_some());
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert!(world.prediction().is_some());
}

#[test]
fn a_lab_report_is_asked_about_before_it_counts_whichever_door_it_comes_in_by() {
    let mut world = world();
    let report = |text: &str| fact(FactKind::Panel, Some(5.0), text);
    let slip = report("Ca;412.5;mg/L\nMg;1.29;mg/L");
    let asked = world.told(Command::AddFact(slip.clone())).unwrap_err();
    assert_eq!(asked.code, "reading-questioned");
    assert!(
        asked.text.contains("Mg 1.29") && !asked.text.contains("Ca "),
        "{asked:?}"
    );
    world
        .told(Command::AddFact(report("Mg;1290;mg/L\nZn;2;ug/L")))
        .unwrap();
    let asked = world
        .told(Command::AddFact(report("Zn;60;ug/L")))
        .unwrap_err();
    assert!(asked.text.contains("report before"), "{asked:?}");
    let number = last_number(&world);
    take_back(&mut world, number).unwrap();
    world.told(Command::AddFact(report("Zn;60;ug/L"))).unwrap();
    world
        .told(Command::AddFact(NewFact { sure: true, ..slip }))
        .unwrap();
}
