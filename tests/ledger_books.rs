//! The ledger's promises: nothing given is lost, nothing is done twice, the books add up.

mod support;

use dosewright::engine::record::{
    DoseEnd, DoseId, Entry, Hold, HoldScope, Measured, NotGiven, Note, Outcome, Reading,
    ReadingValue, SlotNotGiven, StoredCalibration, UptakeAccepted, Who,
};
use dosewright::ledger::{Ledger, LedgerError};
use dosewright::metering::Calibration;
use dosewright::quantity::{Alkalinity, FlowRate, Millis, Volume};
use support::{at, delivered, generate, intent, name, open, open_as, refill, slot_intent};

#[test]
fn an_open_intent_comes_back_in_full_after_a_restart() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let meant = slot_intent(1, "alkalinity", 1_000, "2026-01-01", 3_600);
    let mut ledger = open(&path, 0);
    assert!(ledger.is_new());
    ledger
        .store(&Entry::Refill(refill("alkalinity", 100_000, None, 500)))
        .unwrap();
    ledger.store_intent(&meant).unwrap();
    drop(ledger);
    let ledger = open(&path, 10_000);
    assert!(!ledger.is_new());
    let history = ledger.history(at(10_000)).unwrap();
    assert_eq!(history.open, vec![meant.clone()]);
    assert_eq!(history.dose_last, 1);
    assert_eq!(history.doses.len(), 1);
    assert_eq!(history.doses[0].counted, Volume::from_ul(2_000));
    assert_eq!(history.doses[0].slot, meant.slot);
    assert_eq!(
        history.reservoirs,
        vec![(name("bottle-alkalinity"), Volume::from_ul(100_000))]
    );
    assert_eq!(history.sessions.len(), 2);
    assert_eq!(history.sessions[history.doses[0].session].boot, "boot-1");
    assert_eq!(history.alkalinity_since_reading, meant.alkalinity);
    assert_eq!(history.newest_wall, Some(at(10_000).wall));
}

#[test]
fn million_doses() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let count: i64 = std::env::var("DOSES")
        .ok()
        .map_or(20_000, |n| n.parse().unwrap());
    generate(&path, count, count * 360_000 + 1_000);
    let now = at(count * 360_000 + 10_000);
    let opened = std::time::Instant::now();
    let ledger = Ledger::open(&path, &open_as("boot-2", now)).unwrap();
    let opened = opened.elapsed();
    let read = std::time::Instant::now();
    let history = ledger.history(now).unwrap();
    println!(
        "open {opened:?} history {:?} {}",
        read.elapsed(),
        history.doses.len()
    );
    assert_eq!(history.doses.len(), 260);
}
