use std::time::Duration;

use jiff::Timestamp;

use crate::quantity::Name;
use crate::record::{Hold, HoldScope, Who};
use crate::shell::{HoldOrders, HoldsWritten, Order, hold_text, parse_holds};

pub(super) fn hold(scope: HoldScope, who: Who) -> Hold {
    Hold {
        scope,
        reason: "bad test".to_owned(),
        who,
        since: Timestamp::from_second(1_700_000_000).unwrap(),
        until: None,
    }
}

#[test]
fn holds_come_back_from_their_text_as_they_were() {
    let line = Name::new("calcium").unwrap();
    let name = "panel in the hall".to_owned();
    let holds = vec![
        hold(HoldScope::All, Who::Local { uid: 1000 }),
        hold(HoldScope::Line(line), Who::Daemon),
        hold(HoldScope::All, Who::Remote { name }),
        hold(HoldScope::All, Who::Plan),
    ];
    let text = hold_text(&holds).unwrap();
    assert_eq!(parse_holds(&text), Ok(holds));
    let half = text.replace("1000", "1001");
    assert!(
        parse_holds(&half).is_err(),
        "half of one text and half of another"
    );
    assert_eq!(parse_holds(&hold_text(&[]).unwrap()), Ok(Vec::new()));
}

#[test]
fn a_text_that_is_no_hold_file_is_an_error_and_not_an_empty_list() {
    for text in [
        "",
        "{}",
        "[]",
        "{\"holds\":[],\"more\":1}",
        "{\"holds\":[{\"line\":\"no good\",\"reason\":\"\",\"who\":\"daemon\",\"since\":\"2026-01-01T00:00:00Z\"}]}",
        "\0\0\0\0",
    ] {
        assert!(parse_holds(text).is_err(), "{text:?} was taken");
    }
}

fn order(number: u64) -> Order {
    Order {
        number,
        holds: vec![hold(HoldScope::All, Who::Daemon)],
    }
}

fn failed() -> Result<(), String> {
    Err("disk full".to_owned())
}

#[test]
fn only_the_newest_of_several_waiting_sets_is_written() {
    let mut orders = HoldOrders::default();
    assert_eq!((orders.next(), orders.patience()), (None, None));
    for number in 1..=3 {
        orders.order(order(number));
    }
    assert_eq!(orders.next(), Some(&order(3)));
    assert_eq!(orders.patience(), Some(Duration::ZERO));
    let (number, result) = (3, Ok(()));
    assert_eq!(
        orders.written(Ok(())),
        Some(HoldsWritten { number, result })
    );
    assert_eq!((orders.next(), orders.patience()), (None, None));
}

#[test]
fn a_set_that_cannot_be_written_is_tried_soon_then_now_and_then_and_told_once() {
    let mut orders = HoldOrders::default();
    orders.order(order(1));
    assert_eq!(orders.written(failed()), None, "it may pass in a moment");
    assert_eq!(orders.patience(), Some(Duration::from_millis(200)));
    let (number, result) = (1, failed());
    assert_eq!(
        orders.written(failed()),
        Some(HoldsWritten { number, result })
    );
    for _ in 0..3 {
        assert_eq!(orders.patience(), Some(Duration::from_secs(5)));
        assert_eq!(orders.written(failed()), None);
    }
    orders.order(order(2));
    assert_eq!(
        orders.patience(),
        Some(Duration::ZERO),
        "a newer one at once"
    );
    let (number, result) = (2, Ok(()));
    assert_eq!(
        orders.written(Ok(())),
        Some(HoldsWritten { number, result })
    );
}
