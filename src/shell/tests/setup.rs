use super::hands::{Remembering, known, terms};
use super::holds::hold;
use crate::engine::{HoldStatus, ShellFacts, Status};
use crate::quantity::{Volume, name};
use crate::record::{Arming, HoldScope, Stamp, Who};
use crate::shell::{Books, Core, Desk, Known, Read, Terms, check_arming, setup};

fn started(terms: Terms, known: Known) -> (Status, Remembering) {
    let now = terms.now;
    let mut hands = Remembering::new(now);
    let mut core = Core::start(setup(terms, known), Desk::new(Books::Well));
    core.go_on(&mut hands).unwrap();
    let status = core.engine.status(now, &ShellFacts::default());
    // What is shown of the holds is what is in force.
    let shown: Vec<HoldScope> = status.holds.iter().map(HoldStatus::scope).collect();
    let in_force = hands.saved.last().map(|(_, holds)| holds.iter());
    let in_force: Option<Vec<HoldScope>> =
        in_force.map(|holds| holds.map(|h| h.scope.clone()).collect());
    assert_eq!(shown, in_force.unwrap_or_default());
    (status, hands)
}

fn codes(status: &Status) -> Vec<&'static str> {
    status
        .alarms
        .iter()
        .map(|alarm| alarm.code.as_str())
        .collect()
}

#[test]
fn a_hold_file_that_cannot_be_read_holds_everything() {
    let mut known = known();
    known.hold_file = Err("holds.json is not a hold file".to_owned());
    let (status, hands) = started(terms(), known);
    assert_eq!(status.holds.len(), 1);
    assert_eq!(status.holds[0].scope(), HoldScope::All);
    assert!(
        status.holds[0]
            .reason
            .contains("holds.json is not a hold file")
    );
    assert!(codes(&status).contains(&"hold-file-fault"));
    let (_, saved) = hands.saved.last().unwrap();
    assert_eq!(saved.len(), 1, "and a file that says so is written");
    assert_eq!(saved[0].reason, status.holds[0].reason);
}

#[test]
fn holds_of_ledger_file_and_an_earlier_loop_are_all_in_force_each_once() {
    let line = |text: &str| HoldScope::Line(name(text));
    let (both, file) = (
        hold(line("calcium"), Who::Daemon),
        hold(line("alkalinity"), Who::Daemon),
    );
    let kept = hold(HoldScope::All, Who::Local { uid: 1000 });
    let mut known = known();
    known.ledger.as_mut().unwrap().history.holds = vec![both.clone()];
    known.hold_file = Ok(vec![both.clone(), file.clone()]);
    known.holds_kept = vec![kept.clone(), file.clone()];
    let (status, hands) = started(terms(), known);
    let whose = |holds: &[HoldStatus]| holds.iter().map(|h| h.who.clone()).collect::<Vec<_>>();
    let expected = [&both, &file, &kept].map(|h| h.who.to_string());
    assert_eq!(whose(&status.holds), expected);
    assert_eq!(hands.saved.last().unwrap().1, [both, file, kept]);
}

#[test]
fn a_level_told_in_a_dry_run_does_not_count_live_and_one_told_since_the_arming_does() {
    let bottles = || {
        let mut read = Read::default();
        let level = Volume::from_ul(500_000);
        read.history.reservoirs = vec![(name("alkalinity"), level), (name("calcium"), level)];
        read.told_since_arming.insert(name("calcium"));
        let mut known = known();
        known.ledger = Ok(read);
        known
    };
    let left = |live: bool, bottle: &str| {
        let mut terms = terms();
        (terms.live, terms.warp) = (live, None);
        let (status, hands) = started(terms, bottles());
        let told = hands
            .sent
            .iter()
            .any(|w| format!("{w:?}").contains("what alkalinity hold"));
        assert_eq!(told, live, "and the journal says so");
        let mut bottles = status.reservoirs.into_iter();
        let bottle = bottles.find(|r| r.name == name(bottle)).unwrap();
        bottle.left.map(Volume::as_ul)
    };
    assert_eq!(left(true, "alkalinity"), None);
    assert_eq!(left(true, "calcium"), Some(500_000));
    assert_eq!(left(false, "alkalinity"), Some(500_000));
    assert_eq!(left(false, "calcium"), Some(500_000));
}

#[test]
fn bottles_heads_and_inputs_are_assumed_in_a_dry_run_only() {
    let mut live = terms();
    live.live = true;
    let (live, _) = started(live, known());
    assert!(live.reservoirs.iter().all(|bottle| bottle.left.is_none()));
    assert!(live.heads.iter().all(|head| head.rate.is_none()));
    let (dry, _) = started(terms(), known());
    assert!(dry.reservoirs.iter().all(|bottle| bottle.left.is_some()));
    assert!(dry.heads.iter().all(|head| head.rate.is_some()));
}

#[test]
fn a_ledger_that_cannot_be_used_is_an_alarm_and_no_reason_not_to_start() {
    let mut known = known();
    known.ledger = Err("ledger.db is damaged".to_owned());
    let (status, _) = started(terms(), known);
    assert!(
        status
            .ledger
            .reason
            .as_ref()
            .unwrap()
            .contains("ledger.db is damaged")
    );
    assert!(codes(&status).contains(&"ledger-fault"));
}

#[test]
fn virtual_time_is_trusted_and_real_time_is_not_until_somebody_says_so() {
    assert_eq!(started(terms(), known()).0.clock.reason, None);
    let mut real = terms();
    real.warp = None;
    assert!(started(real, known()).0.clock.reason.is_some());
}

#[test]
fn only_an_arming_for_this_configuration_and_board_lets_outputs_be_driven() {
    let arming = |armed: bool, fingerprint: &str| Arming {
        armed,
        fingerprint: fingerprint.to_owned(),
        hardware: "board A".to_owned(),
        sentence: String::new(),
        who: Who::Daemon,
        at: Stamp {
            wall: "2026-06-01T00:00:00Z".parse().unwrap(),
            elapsed: crate::quantity::Millis::ZERO,
            trusted: true,
        },
    };
    let check = |arming: Option<Arming>| check_arming(arming.as_ref(), "aa-bb", "board B");
    assert_eq!(check(Some(arming(true, "aa-bb"))), Ok(()));
    assert!(check(None).unwrap_err().starts_with("it was never armed"));
    let disarmed = check(Some(arming(false, "aa-bb"))).unwrap_err();
    assert!(disarmed.starts_with("it was disarmed"));
    let other = check(Some(arming(true, "aa-cc"))).unwrap_err();
    assert!(other.contains("then aa-cc on board A, now aa-bb on board B"));
}
