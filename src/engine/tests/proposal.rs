//! Prepare, show, confirm: what is put into force is what was shown, or nothing is.

use super::rig::{
    DAY, MINUTE, PLAN, SECOND, World, a_course, calcium_at, demo, name, plan_of, reading, tell, ul,
};
use crate::chemistry::{Measurand, Quantity};
use crate::config::Right;
use crate::engine::{
    Answer, Command, Confirm, CourseWish, Denial, Figures, Proposal, Tell, Token, Wish,
};
use crate::record::{Departure, DoseKind, Observed};

fn world() -> World {
    let (mut controller, _) = demo();
    controller.inputs.clear();
    let plan = calcium_at("\"23:00\"", 1, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    world
}

fn calcium(volume: i64) -> Wish {
    Wish::Dose {
        line: name("calcium"),
        volume: ul(volume),
        kind: DoseKind::Hand,
    }
}

fn confirm(world: &mut World, confirm: Confirm) -> Result<Answer, String> {
    let ticket = world.ask(Command::Confirm(confirm));
    world.run(20 * SECOND);
    world.answer(ticket).clone().map_err(|denial| denial.code)
}

fn with_volume(proposal: &Proposal, volume: i64) -> Figures {
    let Figures::Dose(mut dose) = proposal.figures.clone() else {
        panic!("{proposal:?}");
    };
    dose.volume = ul(volume);
    Figures::Dose(dose)
}

#[test]
fn a_dose_confirmed_with_another_volume_than_was_shown_is_not_given() {
    let mut world = world();
    for (shown, repeated) in [
        (None, Some(5_000)),
        (Some(5_000), None),
        (Some(1_000), Some(5_000)),
        (Some(5_000), Some(1_000)),
        (None, None),
    ] {
        let proposal = world.proposed(calcium(1_000)).unwrap();
        let wrong = Confirm {
            token: proposal.token,
            shown: shown.map(|volume| with_volume(&proposal, volume)),
            repeated_volume: repeated.map(ul),
        };
        assert_eq!(
            confirm(&mut world, wrong),
            Err("not-as-shown".to_owned()),
            "{shown:?} {repeated:?}"
        );
        // The token is used up all the same.
        let right = proposal.confirm(None);
        assert_eq!(confirm(&mut world, right), Err("token-unknown".to_owned()));
    }
    assert!(world.flows.is_empty());
    // The volume alone may stand for what was shown.
    let proposal = world.proposed(calcium(1_000)).unwrap();
    let repeated = Confirm {
        shown: None,
        repeated_volume: Some(ul(1_000)),
        ..proposal.confirm(None)
    };
    assert!(confirm(&mut world, repeated).is_ok());
    assert_eq!(world.flows.len(), 1);
}

#[test]
fn a_token_from_before_a_restart_gives_nothing_also_where_something_else_waits() {
    let mut world = world();
    let before = world.proposed(calcium(1_000)).unwrap();
    world.restart_after(SECOND);
    world.sync();
    assert_eq!(
        confirm(&mut world, before.confirm(None)),
        Err("token-unknown".to_owned())
    );
    // Another line's dose is the first thing prepared in the new run.
    let magnesium = Wish::Dose {
        line: name("magnesium"),
        volume: ul(2_000),
        kind: DoseKind::Prime,
    };
    let waits = world.proposed(magnesium).unwrap();
    let by_volume = Confirm {
        shown: None,
        ..before.confirm(Some(ul(2_000)))
    };
    assert_ne!(waits.token, before.token);
    assert_eq!(
        confirm(&mut world, by_volume),
        Err("token-unknown".to_owned())
    );
    assert!(world.flows.is_empty());
}

#[test]
fn without_random_numbers_nothing_is_proposed() {
    let mut world = world();
    let ticket = world.ask_with(Command::Prepare(calcium(1_000)), None);
    assert_eq!(world.answer(ticket).as_ref().unwrap_err().code, "no-random");
}

#[test]
fn a_token_is_32_hexadecimal_digits_and_stays_out_of_logs() {
    let text = "00f0000000000000000000000000abcd";
    let token = Token::from_hex(text).unwrap();
    assert_eq!(token.to_string(), text);
    assert!(!format!("{token:?}").contains("abcd"));
    for wrong in ["", "1", "0x00000000000000000000000000abcd", &"f".repeat(33)] {
        assert!(Token::from_hex(wrong).is_none(), "{wrong}");
    }
}

fn demo_world() -> World {
    let (controller, plan) = demo();
    let mut world = World::new(controller, plan, "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    world.run(2 * DAY);
    world
}

fn iodine() -> Wish {
    a_course(CourseWish::Change {
        line: name("iodine"),
        of: Quantity::from_word("I").unwrap(),
        by: 0.0002,
        at_most_per_day: 0.00005,
    })
}

fn with_all(proposal: &Proposal) -> i64 {
    let Figures::Course(course) = &proposal.figures else {
        panic!("{proposal:?}");
    };
    course.by_day[1].volumes[&name("iodine")].as_ul()
}

#[test]
fn a_second_course_on_a_line_is_shown_with_the_first_and_gives_what_was_shown() {
    let mut world = demo_world();
    let first = world.proposed(iodine()).unwrap();
    world.told(Command::Confirm(first.confirm(None))).unwrap();
    let second = world.proposed(iodine()).unwrap();
    let Figures::Course(shown) = &second.figures else {
        panic!("{second:?}");
    };
    let Departure::Add { extra, .. } = &shown.what else {
        panic!("{shown:?}");
    };
    assert_eq!(with_all(&second) - with_all(&first), extra.as_ul());
    let all = format!("{} a day", ul(with_all(&second)));
    assert!(
        second.text.iter().any(|words| words.contains(&all)),
        "{:?}",
        second.text
    );
    world.told(Command::Confirm(second.confirm(None))).unwrap();
    let begun = world.t;
    world.run(2 * DAY);
    // The local day after the one on which both began.
    let midnight = begun - begun.rem_euclid(DAY) + 18 * super::rig::HOUR;
    let midnight = if midnight < begun {
        midnight + DAY
    } else {
        midnight
    };
    let given: i64 = world
        .flows_of("iodine")
        .iter()
        .filter(|f| (midnight..midnight + DAY).contains(&f.began))
        .map(|f| f.volume)
        .sum();
    assert!((given - with_all(&second)).abs() <= 60, "{given}");
}

#[test]
fn a_course_whose_numbers_moved_since_they_were_shown_does_not_begin() {
    let mut world = demo_world();
    let proposal = world.proposed(iodine()).unwrap();
    let edited = PLAN.replace("daily-ml = 2\n", "daily-ml = 1.8\n");
    assert_ne!(edited, PLAN, "the plan of iodine was edited");
    let plan = plan_of(&edited, &world.controller);
    world.reload(plan);
    world.run(SECOND);
    assert_eq!(
        confirm(&mut world, proposal.confirm(None)),
        Err("token-stale".to_owned())
    );
    let proposal = world.proposed(iodine()).unwrap();
    let Figures::Course(mut other) = proposal.figures.clone() else {
        panic!("{proposal:?}");
    };
    other.days += 1;
    let wrong = Confirm {
        shown: Some(Figures::Course(other)),
        ..proposal.confirm(None)
    };
    assert_eq!(confirm(&mut world, wrong), Err("not-as-shown".to_owned()));
    let nothing = Confirm {
        shown: None,
        ..world.proposed(iodine()).unwrap().confirm(None)
    };
    assert_eq!(confirm(&mut world, nothing), Err("not-as-shown".to_owned()));
    // A minute and no longer.
    let late = world.proposed(iodine()).unwrap();
    world.run(MINUTE + 1);
    assert_eq!(
        confirm(&mut world, late.confirm(None)),
        Err("token-expired".to_owned())
    );
}

fn read(world: &mut World, item: Observed, sure: bool) -> Result<Answer, Denial> {
    world.told(Command::Tell(Tell { sure, ..tell(item) }))
}

fn read_calcium(world: &mut World, mg_per_l: f64, sure: bool) -> Result<Answer, Denial> {
    let calcium = Quantity::from_word("Ca").unwrap();
    read(world, reading(calcium, mg_per_l, 5.0), sure)
}

fn test_nitrate(world: &mut World, mg_per_l: f64, sure: bool) -> Result<Answer, Denial> {
    read(world, reading(Measurand::Nitrate, mg_per_l, 0.5), sure)
}

#[test]
fn a_value_that_looks_like_a_slip_is_asked_about_whichever_door_it_comes_in_by() {
    let mut world = world();
    for wrong in [42.1, 4_210.0] {
        let denial = read_calcium(&mut world, wrong, false).unwrap_err();
        assert_eq!(denial.code, "reading-questioned");
        assert!(denial.text.contains("is the unit right?"), "{denial:?}");
    }
    read_calcium(&mut world, 421.0, false).unwrap();
    read_calcium(&mut world, 4_210.0, true).unwrap();
    read_calcium(&mut world, 421.0, false).unwrap_err();
    read_calcium(&mut world, 421.0, true).unwrap();
    read_calcium(&mut world, 425.0, false).unwrap();
    test_nitrate(&mut world, 5.0, false).unwrap();
    let slip = test_nitrate(&mut world, 50.0, false).unwrap_err();
    assert!(
        slip.text.contains("is the decimal point right?"),
        "{slip:?}"
    );
    test_nitrate(&mut world, 50.0, true).unwrap();
}

#[test]
fn a_reading_in_the_unit_of_another_quantity_is_refused() {
    let wrong = r#"{"what":"reading","of":"alkalinity","value":420,"uncertainty":5,"unit":"mg/L"}"#;
    let why = serde_json::from_str::<Observed>(wrong).unwrap_err();
    assert!(why.to_string().contains("dKH"), "{why}");
}

#[test]
fn whoever_may_only_dose_cannot_confirm_another_plan_by_saying_less() {
    let mut world = demo_world();
    let proposal = world.proposed(iodine()).unwrap();
    let in_full = Command::Confirm(proposal.confirm(None));
    assert_eq!(in_full.right(), Right::Propose);
    let by_volume = Confirm {
        shown: None,
        ..proposal.confirm(Some(ul(1_000)))
    };
    assert_eq!(Command::Confirm(by_volume.clone()).right(), Right::Dose);
    assert_eq!(
        confirm(&mut world, by_volume),
        Err("not-as-shown".to_owned())
    );
}
