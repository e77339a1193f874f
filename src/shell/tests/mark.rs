use super::super::{FoundMark, Mark, Recorded, SLOT_BYTES, before_start, doubt, read_slots, slot};
use crate::config::Mode;
use crate::quantity::Millis;
use crate::record::{Arming, Entry, HoldScope, Stamp, Who};

fn recorded(dose: i64, order: i64, entry: i64) -> Recorded {
    Recorded {
        installation: "a1".to_owned(),
        dose,
        order,
        entry,
    }
}

fn said(dose: i64, order: i64, entry: i64) -> FoundMark {
    FoundMark::Says {
        number: 1,
        mark: Mark::Recorded(recorded(dose, order, entry)),
    }
}

fn at() -> Stamp {
    Stamp {
        wall: "2026-11-25T10:00:00Z".parse().unwrap(),
        elapsed: Millis::ZERO,
        trusted: false,
    }
}

#[test]
fn the_newer_of_two_slots_counts_and_a_torn_one_leaves_the_one_before_it() {
    let marks = [5, 6].map(|dose| Mark::Recorded(recorded(dose, 8, 20)));
    let older = slot(11, &marks[0]).unwrap();
    let newer = slot(12, &marks[1]).unwrap();
    let both = |first: &[u8], second: &[u8]| read_slots(&[first, second].concat());
    let [old, new] = [(11, &marks[0]), (12, &marks[1])].map(|(number, mark)| FoundMark::Says {
        number,
        mark: mark.clone(),
    });
    assert_eq!(both(&older, &newer), new);
    assert_eq!(both(&newer, &older), new);
    assert_eq!(both(&newer, &[0; SLOT_BYTES]), new);
    let text = newer.iter().position(|b| *b == b'\n').unwrap();
    for torn in 0..text {
        let mut bytes = newer.clone();
        bytes[torn..].fill(0);
        assert_eq!(both(&older, &bytes), old, "torn after {torn} bytes");
        assert_eq!(both(&bytes, &bytes), FoundMark::Unreadable);
    }
    for changed in 0..text {
        let mut bytes = newer.clone();
        bytes[changed] ^= 1;
        assert_eq!(both(&older, &bytes), old, "changed at {changed}");
    }
    assert_eq!(read_slots(b""), FoundMark::Unreadable);
}

#[test]
fn a_ledger_that_is_ahead_of_its_mark_is_in_no_doubt_and_one_that_is_behind_is() {
    let mark = said(5, 8, 20);
    for ahead in [recorded(5, 8, 20), recorded(6, 8, 20), recorded(6, 10, 25)] {
        assert_eq!(doubt(&mark, &ahead), None, "{ahead:?}");
    }
    for behind in [
        recorded(4, 8, 20),
        recorded(5, 7, 20),
        recorded(5, 8, 19),
        recorded(0, 0, 0),
    ] {
        let why = doubt(&mark, &behind).unwrap();
        assert!(why.contains("older than what was written here"), "{why}");
    }
}

#[test]
fn another_ledger_and_a_mark_that_says_nothing_are_a_doubt_and_a_first_start_is_none() {
    let other = Recorded {
        installation: "b2".to_owned(),
        ..recorded(500, 900, 900)
    };
    assert!(
        doubt(&said(5, 8, 20), &other)
            .unwrap()
            .contains("another one")
    );
    let new = Recorded {
        installation: "b2".to_owned(),
        ..recorded(0, 0, 0)
    };
    assert!(doubt(&said(5, 8, 20), &new).unwrap().contains("a new one"));
    for nothing in [FoundMark::Absent, FoundMark::Unreadable] {
        assert_eq!(doubt(&nothing, &recorded(0, 0, 0)), None);
        for some in [recorded(1, 0, 0), recorded(0, 1, 0), recorded(0, 0, 1)] {
            assert!(doubt(&nothing, &some).is_some(), "{nothing:?} {some:?}");
        }
    }
    let told = FoundMark::Says {
        number: 3,
        mark: Mark::Doubt("restored".to_owned()),
    };
    assert_eq!(
        doubt(&told, &recorded(9, 9, 9)).as_deref(),
        Some("restored")
    );
}

#[test]
fn a_doubt_and_a_dry_run_end_the_arming_and_a_doubt_holds_everything() {
    let armed = Arming {
        armed: true,
        fingerprint: "f".to_owned(),
        hardware: "a board".to_owned(),
        sentence: "I accept".to_owned(),
        who: Who::Local { uid: 0 },
        at: at(),
    };
    let disarms = |entries: &[Entry]| {
        entries
            .iter()
            .any(|e| matches!(e, Entry::Arming(a) if !a.armed && a.who == Who::Daemon))
    };
    let of = |why: Option<&str>, armed: &Arming, mode| {
        before_start(why, Some(armed.clone()), mode, at())
    };
    assert_eq!(of(None, &armed, Mode::Live), []);
    assert!(disarms(&of(None, &armed, Mode::DryRun)));
    let disarmed = Arming {
        armed: false,
        ..armed.clone()
    };
    assert_eq!(of(None, &disarmed, Mode::DryRun), []);
    for mode in [Mode::Live, Mode::DryRun] {
        let entries = of(Some("the ledger is older"), &armed, mode);
        assert!(disarms(&entries));
        assert!(entries.iter().any(|e| matches!(e, Entry::Forgotten(_))));
        let reason = entries.iter().find_map(|e| {
            let Entry::Hold(change) = e else { return None };
            change
                .reason
                .clone()
                .filter(|_| change.scope == HoldScope::All)
        });
        let reason = reason.unwrap();
        for word in ["the ledger is older", "24 h", "dosewright resume"] {
            assert!(reason.contains(word), "{word}: {reason}");
        }
    }
}
