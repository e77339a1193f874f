use std::collections::BTreeMap;

use jiff::tz::TimeZone;

use super::*;
use crate::quantity::{Volume, name};
use crate::record::{DoseEnd, DoseId, Entry, Hold, HoldChange, HoldScope, Outcome, Stamp, Who};

fn outcome(id: i64, ul: i64) -> Effect {
    Effect::StoreOutcome(Outcome {
        id: DoseId(id),
        end: DoseEnd::Interrupted,
        delivered: Volume::from_ul(ul),
        on_time: None,
        reservoir_left: Volume::from_ul(500_000),
        cause: "hold".to_owned(),
        at: Stamp::trusted_at("2026-11-25T10:00:00Z"),
    })
}

#[test]
fn the_end_of_a_dose_and_a_hold_become_lines_that_name_what_they_concern() {
    let open = BTreeMap::from([(DoseId(7), (name("alk"), true))]);
    let line = lines::events(&outcome(7, 1500), &open, &TimeZone::UTC)
        .pop()
        .unwrap();
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
        since: Stamp::trusted_at("2026-11-25T10:00:00Z").wall,
        until: None,
    };
    let entry = Entry::Hold(HoldChange::set(
        hold,
        Stamp::trusted_at("2026-11-25T10:00:00Z"),
    ));
    let line = lines::events(
        &Effect::Store {
            entries: vec![entry],
            reply: None,
        },
        &open,
        &TimeZone::UTC,
    )
    .pop()
    .unwrap();
    assert_eq!((line.code.as_str(), line.line), ("hold-set", None));
    assert!(line.text.contains("milky water") && line.who.contains("local user 7"));
}
