//! What is told of the water: corrected, taken back, and asked about.

use super::rig::{DAY, HOUR, SECOND, World, reading, tell};
use crate::chemistry::{Measurand, Quantity};
use crate::engine::{Answer, Command, Denial, Lab, Replaces, Tell};
use crate::quantity::{Name, Volume};
use crate::record::{Addition, Carried, DoseKind, Entry, Observation, Observed};

fn world() -> World {
    let mut world = super::owner::settled();
    world.read_alkalinity(7.9);
    world.run(DAY);
    world
}

fn alkalinity(dkh: f64, replaces: Option<i64>, sure: bool) -> Command {
    Command::Tell(Tell {
        replaces: replaces.map(instead_of),
        sure,
        ..tell(reading(Quantity::Alkalinity, dkh, 0.1))
    })
}

fn instead_of(number: i64) -> Replaces {
    Replaces {
        number,
        why: "wrong syringe".into(),
    }
}

/// A report of mg/L by symbol.
fn report(rows: &[(&str, f64)]) -> Tell {
    let read =
        |(symbol, mg): &(&str, f64)| reading(Measurand::new(symbol, None).unwrap(), *mg, mg * 0.05);
    Tell {
        items: rows.iter().map(read).collect(),
        lab: Some(Box::new(Lab {
            name: "north".into(),
            columns: None,
        })),
        ..tell(note("none"))
    }
}

fn note(text: &str) -> Observed {
    Observed::Note {
        text: text.to_owned(),
    }
}

fn take_back(world: &mut World, number: i64) -> Result<Answer, Denial> {
    world.told(Command::TakeBack {
        number,
        why: "wrong tank".into(),
    })
}

fn last(world: &World) -> &Observation {
    let told = |entry: &'_ Entry| matches!(entry, Entry::Observation(_));
    let newest = world
        .books
        .entries
        .iter()
        .rfind(|entry| told(entry))
        .unwrap();
    let Entry::Observation(told) = newest else {
        panic!()
    };
    told
}

fn last_number(world: &World) -> i64 {
    last(world).number
}

/// dKH of the reading that the status shows, and of the prediction.
fn in_force(world: &mut World) -> (f64, Option<f64>) {
    let predicted = world.prediction().map(|p| p.value);
    let water = world.status().water;
    let shown = &water.readings["alkalinity"].reading;
    let shown = shown.reading().unwrap().found.amount().0;
    (shown, predicted)
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
        matches!(pair, [Entry::TakenBack(back), Entry::Observation(reading)]
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
    let of_what = Command::Tell(Tell {
        replaces: Some(instead_of(wrong)),
        ..tell(note("new light"))
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
    let (litres, held) = (30.0, Carried::new());
    let change = Observed::WaterChange { litres, held };
    world.told(Command::Tell(tell(change))).unwrap();
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
    let slip = report(&[("Ca", 412.5), ("Mg", 1.29)]);
    let asked = world.told(Command::Tell(slip.clone())).unwrap_err();
    assert_eq!(asked.code, "reading-questioned");
    assert!(
        asked.text.contains("magnesium 1.29") && !asked.text.contains("calcium"),
        "{asked:?}"
    );
    let before = report(&[("Mg", 1290.0), ("Zn", 0.002)]);
    world.told(Command::Tell(before)).unwrap();
    let number = last(&world).panel.unwrap();
    let zinc = report(&[("Zn", 0.06)]);
    let asked = world.told(Command::Tell(zinc.clone())).unwrap_err();
    assert!(asked.text.contains("report before"), "{asked:?}");
    take_back(&mut world, number).unwrap();
    world.told(Command::Tell(zinc)).unwrap();
    world
        .told(Command::Tell(Tell { sure: true, ..slip }))
        .unwrap();
}

#[test]
fn a_lab_s_alkalinity_is_a_reading_that_moves_the_prediction_and_is_corrected_or_taken_back_with_its_report()
 {
    let mut world = world();
    let first = in_force(&mut world);
    world
        .told(Command::Tell(report(&[("alkalinity", 8.6), ("Ca", 430.0)])))
        .unwrap();
    let (row, panel) = (last_number(&world) - 1, last(&world).panel.unwrap());
    assert_eq!(panel, row - 1, "a report has a number of its own");
    assert!((in_force(&mut world).0 - 8.6).abs() < 1e-9);
    assert!((in_force(&mut world).1.unwrap() - 8.6).abs() < 1e-3);
    assert_eq!(last(&world).method, "north");
    // A row of it like any other reading; it stays a row.
    world.told(alkalinity(8.4, Some(row), false)).unwrap();
    assert!((in_force(&mut world).1.unwrap() - 8.4).abs() < 1e-3);
    assert_eq!(
        (last(&world).panel, last(&world).method.as_str()),
        (Some(panel), "north")
    );
    // All of it in one step.
    let again = Tell {
        replaces: Some(instead_of(panel)),
        ..report(&[("alkalinity", 8.3)])
    };
    world.told(Command::Tell(again)).unwrap();
    assert!((in_force(&mut world).1.unwrap() - 8.3).abs() < 1e-3);
    assert!(!world.status().water.readings.contains_key("calcium"));
    let newest = last(&world).panel.unwrap();
    take_back(&mut world, newest).unwrap();
    assert!((in_force(&mut world).0 - first.0).abs() < 1e-9);
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert!((in_force(&mut world).0 - first.0).abs() < 1e-9);
    assert!(take_back(&mut world, newest).is_err(), "twice");
}

#[test]
fn a_report_is_replaced_by_a_report_and_has_one_value_of_each_thing() {
    let mut world = world();
    let twice = report(&[("Ca", 412.0), ("Ca", 41.0)]);
    assert_eq!(
        world.told(Command::Tell(twice)).unwrap_err().code,
        "bad-value"
    );
    world.told(Command::Tell(report(&[("Ca", 412.0)]))).unwrap();
    let panel = last(&world).panel.unwrap();
    let single = Tell {
        replaces: Some(instead_of(panel)),
        lab: None,
        ..report(&[("Ca", 410.0)])
    };
    assert_eq!(
        world.told(Command::Tell(single)).unwrap_err().code,
        "other-observation"
    );
}

#[test]
fn a_correction_has_the_method_of_what_it_corrects_unless_another_is_told() {
    let mut world = world();
    let told = |method: &str, replaces| {
        Command::Tell(Tell {
            method: method.into(),
            replaces,
            ..tell(reading(Quantity::Alkalinity, 8.0, 0.1))
        })
    };
    world.told(told("drop test", None)).unwrap();
    let first = last_number(&world);
    world.told(told("", Some(instead_of(first)))).unwrap();
    assert_eq!(last(&world).method, "drop test");
    let second = last_number(&world);
    world
        .told(told("photometer", Some(instead_of(second))))
        .unwrap();
    assert_eq!(last(&world).method, "photometer");
}

fn by_hand(dkh: f64) -> Tell {
    let adds = Carried::from([(Quantity::Alkalinity, dkh)]);
    tell(Observed::Addition(Addition { from: None, adds }))
}

fn of_solution(name: &str, ml: i64) -> Tell {
    tell(Observed::Addition(Addition {
        from: Some((Name::new(name).unwrap(), Volume::from_ul(1000 * ml))),
        adds: Carried::new(),
    }))
}

fn predicted(world: &mut World) -> f64 {
    in_force(world).1.unwrap()
}

fn near(found: f64, wanted: f64) {
    assert!((found - wanted).abs() < 2e-3, "{found} is not {wanted}");
}

#[test]
fn what_was_added_by_hand_moves_the_prediction_until_it_is_corrected_or_taken_back() {
    let mut world = world();
    // No slot is about to begin, which the addition would leave no room for.
    world.run(HOUR / 4);
    let before = predicted(&mut world);
    world.told(Command::Tell(by_hand(0.2))).unwrap();
    near(predicted(&mut world), before + 0.2);
    let wrong = last_number(&world);
    let right = Tell {
        replaces: Some(instead_of(wrong)),
        ..by_hand(0.1)
    };
    world.told(Command::Tell(right)).unwrap();
    near(predicted(&mut world), before + 0.1);
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    near(predicted(&mut world), before + 0.1);
    let number = last_number(&world);
    take_back(&mut world, number).unwrap();
    near(predicted(&mut world), before);
    // One from before the sample was in it already.
    let earlier = Tell {
        happened: Some(world.now().wall - jiff::SignedDuration::from_hours(30)),
        ..by_hand(0.2)
    };
    world.told(Command::Tell(earlier)).unwrap();
    near(predicted(&mut world), before);
}

#[test]
fn an_addition_counts_by_what_its_solution_carries_and_limewater_is_known() {
    let mut world = world();
    world.run(HOUR / 4);
    let before = predicted(&mut world);
    // Row a3.lime.M_25C: 0.0203 mol/L are 40.6 meq/L; 2 L of it in 300 L are 0.2707 meq/L, 0.759 dKH.
    world
        .told(Command::Tell(of_solution("limewater", 2_000)))
        .unwrap();
    near(predicted(&mut world), before + 0.759);
    let calcium = Quantity::from_word("calcium").unwrap();
    let added = last(&world).what.added().unwrap();
    // 2 x 0.0203 mol of 40.078 g in 300 L.
    near(added[&calcium], 5.424);
    let unknown = world
        .told(Command::Tell(of_solution("vinegar", 10)))
        .unwrap_err();
    assert_eq!(unknown.code, "unknown-solution");
    assert!(unknown.text.contains("soda-ash"), "{unknown:?}");
}

#[test]
fn more_by_hand_than_a_day_may_bring_is_an_alarm_and_nothing_more_is_given_until_there_is_room() {
    let mut world = world();
    world.told(Command::Tell(by_hand(1.6))).unwrap();
    let number = last_number(&world);
    assert!(world.has_alarm("added-by-hand"));
    let given = world.flows_of("alkalinity").len();
    world.run(20 * HOUR);
    assert_eq!(world.flows_of("alkalinity").len(), given);
    world.restart_after(SECOND);
    world.sync();
    world.run(HOUR);
    assert_eq!(world.flows_of("alkalinity").len(), given);
    assert!(world.has_alarm("added-by-hand"));
    take_back(&mut world, number).unwrap();
    assert!(!world.has_alarm("added-by-hand"));
    world.run(3 * HOUR);
    assert!(world.flows_of("alkalinity").len() > given);
}

#[test]
fn what_was_added_by_hand_leaves_the_window_a_day_after_it_was_given() {
    let mut world = world();
    let earlier = Tell {
        happened: Some(world.now().wall - jiff::SignedDuration::from_hours(20)),
        ..by_hand(1.6)
    };
    world.told(Command::Tell(earlier)).unwrap();
    assert!(world.has_alarm("added-by-hand"));
    world.run(3 * HOUR);
    assert!(world.has_alarm("added-by-hand"));
    world.run(2 * HOUR);
    assert!(!world.has_alarm("added-by-hand"));
}

#[test]
fn a_solution_added_by_hand_is_kept_apart_from_what_it_precipitates_with() {
    let mut world = world();
    world.hold(Some("calcium"), "out of the way");
    world.run(6 * HOUR + HOUR / 4);
    let dose = |world: &mut World| world.by_hand("alkalinity", 1_000, DoseKind::Hand);
    dose(&mut world).unwrap();
    world.run(HOUR / 60);
    world
        .told(Command::Tell(of_solution("calcium-chloride", 1)))
        .unwrap();
    let refused = dose(&mut world).unwrap_err();
    assert_eq!(refused.code, "keep-apart");
}

#[test]
fn a_job_is_due_until_it_is_told_done_or_its_test_came_in_and_then_again_after_its_days() {
    let mut world = world();
    let due = |world: &mut World, name: &str| {
        let jobs = world.status().jobs;
        jobs.iter()
            .find(|job| job.name.as_str() == name)
            .unwrap()
            .due
    };
    let done = |name: &str| {
        let job = Name::new(name).unwrap();
        Command::Tell(tell(Observed::Job { job }))
    };
    assert!(due(&mut world, "carbon") && due(&mut world, "lab-panel"));
    let denial = world.told(done("skimmer")).unwrap_err();
    assert_eq!(denial.code, "unknown-job");
    assert!(denial.text.contains("carbon"), "{}", denial.text);
    world.told(done("carbon")).unwrap();
    assert!(!due(&mut world, "carbon") && due(&mut world, "lab-panel"));
    // A reading of the same thing is no report of a lab.
    world.told(alkalinity(8.0, None, true)).unwrap();
    assert!(due(&mut world, "lab-panel"));
    world.told(Command::Tell(report(&[("Ca", 420.0)]))).unwrap();
    assert!(!due(&mut world, "lab-panel"));
    world.run(30 * DAY);
    assert!(due(&mut world, "carbon") && !due(&mut world, "lab-panel"));
    // What was told by mistake does nothing.
    world.told(done("carbon")).unwrap();
    let number = last_number(&world);
    take_back(&mut world, number).unwrap();
    assert!(due(&mut world, "carbon"));
}
