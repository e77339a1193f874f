use super::*;
use crate::record::{
    Carried, Destination, DoseEnd, DoseKind, Entry, Hold, HoldChange, HoldScope, Intent, Stamp, Who,
};

fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

fn stamp() -> Stamp {
    Stamp {
        wall: "2026-11-25T10:00:00Z".parse().unwrap(),
        elapsed: Millis::ZERO,
        trusted: true,
    }
}

fn intent(id: i64, live: bool) -> Intent {
    Intent {
        id: DoseId(id),
        line: name("alk"),
        head: name("head"),
        reservoir: name("bottle"),
        solution: name("soda"),
        kind: DoseKind::Hand,
        slot: None,
        volume: Volume::from_ul(2000),
        run_time: Millis::new(2000),
        carries: Carried::new(),
        into: Destination::Tank,
        who: Who::Plan,
        live,
        at: stamp(),
    }
}

fn outcome(id: i64, ul: i64) -> Effect {
    Effect::StoreOutcome(Outcome {
        id: DoseId(id),
        end: DoseEnd::Interrupted,
        delivered: Volume::from_ul(ul),
        on_time: None,
        reservoir_left: Volume::from_ul(500_000),
        cause: "hold".to_owned(),
        at: stamp(),
    })
}

fn totals(known: bool) -> Totals {
    let mut totals = Totals {
        live: true,
        ..Totals::default()
    };
    if known {
        totals.delivered.insert(name("alk"), Volume::from_ul(100));
    }
    totals
}

fn sum(totals: &Totals) -> Option<i64> {
    totals.delivered.get(&name("alk")).map(|v| v.as_ul())
}

#[test]
fn the_total_grows_by_what_was_booked_once_for_each_dose() {
    let mut t = totals(true);
    t.effect(&Effect::StoreIntent(intent(1, true)));
    assert_eq!(sum(&t), Some(100), "an intent is no delivery");
    t.effect(&outcome(1, 1500));
    t.effect(&outcome(1, 1500));
    assert_eq!(sum(&t), Some(1600));
    assert!(t.open.is_empty(), "open doses do not pile up");
}

#[test]
fn doses_of_the_other_mode_and_unknown_totals_stay_out() {
    let mut t = totals(true);
    t.effect(&Effect::StoreIntent(intent(1, false)));
    t.effect(&outcome(1, 1500));
    assert_eq!(sum(&t), Some(100));
    let mut unknown = totals(false);
    unknown.effect(&Effect::StoreIntent(intent(1, true)));
    unknown.effect(&outcome(1, 1500));
    assert_eq!(sum(&unknown), None, "no number is made up");
}

#[test]
fn the_end_of_a_dose_and_a_hold_become_lines_that_name_what_they_concern() {
    let mut t = totals(true);
    t.effect(&Effect::StoreIntent(intent(7, true)));
    let line = lines::events(&outcome(7, 1500), &t.open).pop().unwrap();
    assert_eq!(
        (line.code.as_str(), line.line),
        ("dose-interrupted", Some(name("alk")))
    );
    assert!(
        line.text.contains("1.5 mL") && line.text.contains("hold"),
        "{}",
        line.text
    );
    let hold = Hold {
        scope: HoldScope::All,
        reason: "milky water".to_owned(),
        who: Who::Local { uid: 7 },
        since: stamp().wall,
    };
    let entry = Entry::Hold(HoldChange::set(hold, stamp()));
    let line = lines::events(
        &Effect::Store {
            entries: vec![entry],
            reply: None,
        },
        &t.open,
    )
    .pop()
    .unwrap();
    assert_eq!((line.code.as_str(), line.line), ("hold-set", None));
    assert!(line.text.contains("milky water") && line.who.contains("local user 7"));
}

#[test]
fn the_day_begins_where_the_owner_lives_and_on_a_day_without_midnight_too() {
    let began = |wall: &str, zone: &str| {
        let zone = TimeZone::get(zone).unwrap();
        day_began(wall.parse().unwrap(), &zone).unwrap().to_string()
    };
    assert_eq!(
        began("2026-11-25T10:00:00Z", "Europe/Berlin"),
        "2026-11-24T23:00:00Z"
    );
    // Santiago springs forward at midnight: the day of 2026-09-06 begins at 01:00.
    assert_eq!(
        began("2026-09-06T12:00:00Z", "America/Santiago"),
        "2026-09-06T04:00:00Z"
    );
}
