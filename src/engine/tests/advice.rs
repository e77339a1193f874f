//! Advice, accepted as one proposal, and corridors, on a model tank that takes up what it takes up whatever is believed of it.

use super::rig::{
    DAY, HOUR, MINUTE, SECOND, World, demo, name, plan_of, same, ul, unlimited_hours,
};
use crate::chemistry::Quantity;
use crate::config::Controller;
use crate::engine::{
    Advice, AdviceChange, Answer, Command, Confirm, CourseWish, Denial, EstimateStatus, Figures,
    NewRefill, NewUptake, Proposal, RefillLevel, Verdict, Wish,
};
use crate::estimate::policy;
use crate::quantity::{Alkalinity, f64_from_i64};
use crate::record::{CourseState, Departure, Entry, Observed, UptakeHow};

/// Twelve doses a day, because a day of many takes long to live through.
const ONE_LINE: &str = r#"
[uptake.alkalinity]
start-dkh-per-day = 0.80
[line.alkalinity]
share-of-uptake = 1.0
of = "alkalinity"
doses = 12
[line.magnesium]
daily-ml = 6
doses = 2
"#;

const ALKALINITY: Quantity = Quantity::Alkalinity;

/// The demo reef over a tank that takes up so much.
struct Reef {
    world: World,
    start: f64,
    uptake: f64,
}

impl Reef {
    fn new(start: f64, uptake: f64) -> Self {
        Self::with(start, uptake, |_| {})
    }

    fn with(start: f64, uptake: f64, change: impl Fn(&mut Controller)) -> Self {
        Self::planned(ONE_LINE, (start, uptake), change)
    }

    /// The plan was checked before the change.
    fn planned(plan: &str, (start, uptake): (f64, f64), change: impl Fn(&mut Controller)) -> Self {
        let (mut controller, _) = demo();
        controller.inputs.clear();
        unlimited_hours(&mut controller);
        controller.lines[0].dose_cap = ul(10_000);
        controller.lines[0].daily_cap = ul(120_000);
        let plan = plan_of(plan, &controller);
        change(&mut controller);
        let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
        world.start();
        world.sync();
        world.run(MINUTE);
        let mut reef = Self {
            world,
            start,
            uptake,
        };
        reef.test();
        reef
    }

    fn level(&self) -> f64 {
        let added: f64 = self.world.flows.iter().map(|flow| flow.alkalinity).sum();
        let days = f64_from_i64(self.world.t) / f64_from_i64(DAY);
        self.start + Alkalinity::from_meq_per_l(added).as_dkh() - self.uptake * days
    }

    /// A test to the tenth.
    fn test(&mut self) {
        let level = (self.level() * 10.0).round() / 10.0;
        self.world.read_alkalinity(level);
    }

    fn days(&mut self, days: i64) {
        for _ in 0..days {
            self.world.run(DAY);
            self.world.refill("alkalinity", RefillLevel::Full);
        }
    }

    /// So many tests, two days apart.
    fn tests(&mut self, count: i64) {
        for _ in 0..count {
            self.days(2);
            self.test();
        }
    }

    fn advice(&self) -> Advice {
        let engine = self.world.engine.as_ref().unwrap();
        engine.advice(&ALKALINITY, self.world.now())
    }

    fn proposed(&mut self) -> (Proposal, AdviceChange) {
        let proposal = self.world.proposed(accept()).unwrap();
        let Figures::Advice(change) = proposal.figures.clone() else {
            panic!("{proposal:?}")
        };
        (proposal, *change)
    }

    fn confirm(&mut self, confirm: Confirm) -> Result<Answer, Denial> {
        self.world.told(Command::Confirm(confirm))
    }

    fn in_force(&mut self) -> f64 {
        self.world.uptake().unwrap().as_dkh()
    }

    /// Steps of a corridor, as they were written down.
    fn steps(&self) -> Vec<(f64, f64)> {
        let entries = self.world.books.entries.iter();
        entries.filter_map(step).collect()
    }

    fn corridor_ended(&self) -> Option<String> {
        let entries = self.world.books.entries.iter().rev();
        let mut ended = entries.filter_map(|entry| {
            let Entry::Corridor(corridor) = entry else {
                return None;
            };
            Some(corridor.ended.clone())
        });
        ended.next().expect("a corridor")
    }

    fn waits(&mut self) -> Option<String> {
        let corridors = self.world.status().water.corridors;
        corridors.into_iter().next().expect("a corridor").waits
    }
}

/// A step within a corridor: from where to where.
fn step(entry: &Entry) -> Option<(f64, f64)> {
    let Entry::Uptake(uptake) = entry else {
        return None;
    };
    let is_step = uptake.how == UptakeHow::Corridor;
    is_step.then_some((uptake.before?, uptake.uptake))
}

fn accept() -> Wish {
    Wish::Advice { of: ALKALINITY }
}

fn corridor(share: f64, days: u32) -> Wish {
    Wish::Corridor {
        of: ALKALINITY,
        share,
        days,
    }
}

fn back() -> Wish {
    Wish::CorridorBack { of: ALKALINITY }
}

fn told(per_day: f64) -> Wish {
    Wish::Uptake(NewUptake {
        of: ALKALINITY,
        per_day,
        how: UptakeHow::Told,
        sure: false,
    })
}

#[test]
fn a_level_that_the_plan_keeps_is_left_alone_with_the_numbers_that_say_so() {
    let mut reef = Reef::new(8.3, 0.8);
    reef.tests(4);
    let advice = reef.advice();
    assert_eq!(advice.verdict, Verdict::LeaveAlone, "{advice:?}");
    let outlook = advice.as_it_is.as_ref().unwrap();
    assert!(outlook.days.len() == 14 && outlook.days_outside < 1.0);
    let refused = reef.world.proposed(accept()).unwrap_err();
    assert_eq!(refused.code, "nothing-to-accept");
    assert!(refused.text.contains("leave it alone"), "{}", refused.text);
}

#[test]
fn advice_and_status_say_the_same_of_the_water_and_say_it_of_now() {
    let mut reef = Reef::new(8.4, 1.0);
    reef.tests(3);
    let then = reef.advice().water;
    assert_eq!(then, reef.world.status().water.estimates["alkalinity"]);
    reef.days(1);
    let now = reef.advice().water;
    assert_eq!(now, reef.world.status().water.estimates["alkalinity"]);
    // A day without a test: what was added, less what is taken up.
    let fallen = then.level.unwrap() - now.level.unwrap();
    let uptake = then.uptake_per_day.unwrap();
    assert!((fallen - (uptake - 0.8)).abs() < 0.07, "{fallen} {uptake}");
    assert_eq!(
        now.reading_age_s.unwrap() - then.reading_age_s.unwrap(),
        86_400
    );
    let width = |water: &EstimateStatus| water.level_high.unwrap() - water.level_low.unwrap();
    assert!(
        width(&now) > width(&then),
        "nobody looked, so it is known less well"
    );
}

#[test]
fn a_level_that_falls_gets_an_uptake_and_a_course_that_ends_at_target() {
    let mut reef = Reef::new(8.4, 1.0);
    reef.tests(4);
    assert!(reef.level() < 7.0, "{}", reef.level());
    let (proposal, change) = reef.proposed();
    assert!((change.uptake.uptake - 1.0).abs() < 0.1, "{change:?}");
    let course = change.course.clone().unwrap();
    let Departure::Add { per_day, .. } = course.what else {
        panic!("{course:?}")
    };
    assert!(
        per_day > 0.0 && per_day <= 0.5,
        "within the ramp: {per_day}"
    );
    reef.confirm(proposal.confirm(None)).unwrap();
    assert!((reef.in_force() - change.uptake.uptake).abs() < 1e-9);
    assert_eq!(reef.world.status().courses.len(), 1);
    let accepted = reef.advice();
    assert_eq!(accepted.verdict, Verdict::NotNow);
    assert!(accepted.because.contains("until the next test"));
    // With tests on the way: without them the guard's worst case stops a rise before it is there.
    reef.tests(i64::from(course.days) / 2 + 1);
    assert_eq!(reef.world.status().courses.len(), 0, "it ends by itself");
    assert!(
        (reef.level() - 8.25).abs() < 0.4,
        "{}: {:?}",
        reef.level(),
        reef.world.not_given()
    );
    reef.world.check_caps();
}

/// What the stability bench measures is what an owner gets: while uptake grows the level is to swing about target, not to begin there.
#[test]
fn a_course_moves_the_level_as_far_as_the_policy_aims() {
    let mut reef = Reef::new(8.4, 0.8);
    let mut all = (0..40).map(|_| {
        reef.uptake += 0.012;
        reef.tests(1);
        reef.advice().change?.course
    });
    let course = all.find_map(std::convert::identity).expect("a course");
    let Departure::Add { per_day, .. } = course.what else {
        panic!("{course:?}")
    };
    let engine = reef.world.engine.as_ref().unwrap();
    let estimate = engine.estimate_of(&ALKALINITY, reef.world.now()).unwrap();
    let aim = engine.means(&ALKALINITY).unwrap().aim;
    let gap = policy::gap(&estimate.state, &aim);
    let short_of_target = aim.target - estimate.state.level;
    assert!((gap - short_of_target).abs() > 0.05, "{gap}");
    let moved = per_day * f64::from(course.days);
    assert!((moved - gap).abs() < 0.01, "{moved} {gap}");
}

#[test]
fn nothing_but_what_was_shown_is_put_into_force() {
    let mut reef = Reef::new(8.4, 1.0);
    reef.tests(4);
    let (proposal, change) = reef.proposed();
    let mut more = change.clone();
    more.uptake.uptake += 0.1;
    let confirm = Confirm {
        shown: Some(Figures::Advice(Box::new(more))),
        ..proposal.confirm(None)
    };
    assert_eq!(reef.confirm(confirm).unwrap_err().code, "not-as-shown");
    // A reading in between makes another advice of it.
    let (proposal, _) = reef.proposed();
    reef.world.read_alkalinity(7.3);
    let refused = reef.confirm(proposal.confirm(None)).unwrap_err();
    assert_eq!(refused.code, "token-stale");
    // So does another start of the daemon.
    let (proposal, _) = reef.proposed();
    reef.world.restart_after(SECOND);
    reef.world.sync();
    let refused = reef.confirm(proposal.confirm(None)).unwrap_err();
    assert_eq!(refused.code, "token-unknown");
    assert!((reef.in_force() - 0.8).abs() < 1e-9);
    // Doses and minutes are nothing that moves it.
    let (proposal, change) = reef.proposed();
    reef.world.run(50 * SECOND);
    reef.confirm(proposal.confirm(None)).unwrap();
    assert!((reef.in_force() - change.uptake.uptake).abs() < 1e-9);
}

#[test]
fn uptake_and_course_are_written_down_in_one_transaction_and_come_back_together() {
    let mut reef = Reef::new(8.4, 1.0);
    reef.tests(4);
    let (proposal, change) = reef.proposed();
    reef.world.trace.clear();
    reef.confirm(proposal.confirm(None)).unwrap();
    let both = |effect: &&String| effect.contains("Uptake(") && effect.contains("Course(");
    assert_eq!(reef.world.trace.iter().filter(both).count(), 1);
    assert!(
        reef.world
            .trace
            .iter()
            .find(both)
            .unwrap()
            .contains("Store")
    );
    reef.world.restart_after(SECOND);
    reef.world.sync();
    reef.world.run(SECOND);
    assert!((reef.in_force() - change.uptake.uptake).abs() < 1e-9);
    let courses = reef.world.status().courses;
    assert_eq!(courses[0].course.state, CourseState::Running);
}

#[test]
fn a_course_that_is_under_way_is_replaced_in_the_same_confirmation() {
    let mut reef = Reef::new(8.4, 1.0);
    reef.tests(2);
    reef.world
        .begin(CourseWish::Change {
            line: name("alkalinity"),
            of: ALKALINITY,
            by: 2.0,
            at_most_per_day: 0.1,
        })
        .unwrap();
    reef.tests(2);
    let before = reef.world.status().courses[0].course.number;
    let (proposal, change) = reef.proposed();
    assert_eq!(change.ends_courses, [before]);
    reef.confirm(proposal.confirm(None)).unwrap();
    let courses = reef.world.status().courses;
    assert!(courses.iter().all(|c| c.course.number != before));
}

#[test]
fn no_advice_asks_for_more_than_the_caps_let_a_line_give() {
    let capped = |controller: &mut Controller| {
        controller.lines[0].daily_cap = ul(100_000);
    };
    let mut reef = Reef::with(8.4, 1.0, capped);
    reef.tests(4);
    let (proposal, change) = reef.proposed();
    // The day and one dose more must fit.
    let volume = change.volumes[&name("alkalinity")];
    assert!(volume > ul(80_000) && volume <= ul(92_400), "{volume}");
    reef.confirm(proposal.confirm(None)).unwrap();
    reef.days(3);
    reef.world.check_caps();
}

fn metering_from(smallest: i64) -> impl Fn(&mut Controller) {
    move |controller| {
        let head = controller.lines[0].head.clone();
        controller.heads.get_mut(&head).unwrap().dose_min = ul(smallest);
    }
}

/// 0.8 dKH are 75.6 mL a day in twelve doses of 6.3 mL.
#[test]
fn where_a_head_meters_no_smaller_dose_what_it_can_meter_is_offered_and_how_many_doses_would_do() {
    let mut reef = Reef::with(8.2, 0.6, metering_from(5_200));
    reef.tests(4);
    let (proposal, change) = reef.proposed();
    let volume = change.volumes[&name("alkalinity")];
    assert!(volume >= ul(12 * 5_200) && volume < ul(63_500), "{volume}");
    let why = change.held_back.unwrap();
    assert!(
        why.contains("smaller than its head meters (5.2 mL)"),
        "{why}"
    );
    let doses = why.split("at most ").nth(1).unwrap();
    let doses: i64 = doses.split(' ').next().unwrap().parse().unwrap();
    assert!((7..12).contains(&doses), "{why}");
    assert!(proposal.text.join(" ").contains("at most"), "{proposal:?}");
    reef.confirm(proposal.confirm(None)).unwrap();
    reef.days(2);
    let not_given = reef.world.not_given();
    assert!(
        not_given.iter().all(|slot| slot.code != "not-metered"),
        "{not_given:?}"
    );
    assert!(
        reef.world.flows_of("alkalinity").len() > 12 * 8,
        "{not_given:?}"
    );
}

#[test]
fn where_a_head_can_meter_nothing_less_the_advice_says_how_many_doses_would_do() {
    let mut reef = Reef::with(8.2, 0.6, metering_from(6_290));
    reef.tests(4);
    let advice = reef.advice();
    assert_eq!(advice.verdict, Verdict::NotNow, "{advice:?}");
    let why = advice.because;
    assert!(
        why.contains("plan at most ") && why.contains("doses a day"),
        "{why}"
    );
}

/// What is proposed for a level that falls: more of alkalinity, and nothing that holds it back.
fn is_raised(mut reef: Reef) {
    reef.tests(4);
    let (_, change) = reef.proposed();
    assert_eq!(change.held_back, None);
    let volume = change.volumes[&name("alkalinity")];
    assert!(volume > ul(78_000), "{volume}");
}

#[test]
fn a_line_that_gives_the_same_as_before_keeps_no_advice_back_whatever_its_cap_says() {
    is_raised(Reef::planned(ONE_LINE, (8.4, 1.0), |controller| {
        let lines = &mut controller.lines;
        let magnesium = lines.iter_mut().find(|l| l.name == name("magnesium"));
        magnesium.unwrap().daily_cap = ul(5_000);
    }));
}

#[test]
fn a_line_whose_head_meters_none_of_its_doses_keeps_no_advice_back_from_the_others() {
    const TIED: &str = r#"
[uptake.alkalinity]
start-dkh-per-day = 0.80
[uptake.calcium]
with = "alkalinity"
[line.alkalinity]
share-of-uptake = 1.0
of = "alkalinity"
doses = 12
[line.calcium]
share-of-uptake = 1.0
of = "calcium"
doses = 24
"#;
    is_raised(Reef::planned(TIED, (8.4, 1.0), |controller| {
        let calcium = controller.heads.get_mut(&name("calcium")).unwrap();
        calcium.dose_min = ul(4_000);
    }));
}

#[test]
fn nothing_is_proposed_before_what_stands_in_the_way_is_done() {
    let mut reef = Reef::new(8.4, 1.0);
    reef.tests(4);
    let because = |reef: &Reef, wanted: &str| {
        let advice = reef.advice();
        assert_eq!(advice.verdict, Verdict::NotNow, "{wanted}: {advice:?}");
        assert!(advice.because.contains(wanted), "{}", advice.because);
        assert!(advice.change.is_none());
    };
    assert_eq!(reef.advice().verdict, Verdict::Change);
    reef.world.hold(None, "look");
    because(&reef, "dosewright resume");
    reef.world.resume(None);
    reef.world.hold(Some("alkalinity"), "look");
    because(&reef, "line alkalinity is on hold");
    reef.world.resume(Some("alkalinity"));
    reef.world.read_alkalinity(9.9);
    because(&reef, "does not fit");
    reef.world.restart_after(SECOND);
    because(&reef, "clock");
    reef.world.sync();
    reef.days(15);
    because(&reef, "test, then `dosewright reading add alkalinity`");
    let fresh = World::new(demo().0, demo().1, "2026-06-10T04:00:00Z");
    let mut fresh = Reef {
        world: fresh,
        start: 8.0,
        uptake: 0.8,
    };
    fresh.world.start();
    fresh.world.sync();
    because(&fresh, "there is no alkalinity reading");
}

#[test]
fn an_advice_of_a_dry_run_says_that_no_dose_counts() {
    let mut reef = Reef::new(8.4, 1.0);
    let says = |reef: &Reef| reef.advice().lines().join(" ").contains("no dose reaches");
    assert!(!says(&reef));
    reef.world.kill();
    reef.world.live = false;
    reef.world.start();
    reef.world.sync();
    assert!(says(&reef));
}

#[test]
fn an_advice_fits_on_one_screen_and_says_what_to_do() {
    let mut reef = Reef::new(8.4, 1.0);
    reef.tests(4);
    let told = Observed::Note {
        text: "new light over the left side, brighter by a third than the old one was".to_owned(),
    };
    reef.world.tell_surely(told);
    let shown = reef.advice().lines();
    assert!(shown.len() <= 24, "{shown:#?}");
    assert!(
        shown.iter().all(|line| line.chars().count() <= 80),
        "{shown:#?}"
    );
    let all = shown.join("\n");
    for part in [
        "target 8.25 dKH, well from 7.50 to 9.00",
        "level now ",
        "uptake ",
        "CHANGE: uptake from 0.80 to ",
        "To put it into force:",
        "test next by 2026-0",
        "06-25",
    ] {
        assert!(all.contains(part), "{part}: {all}");
    }
}

#[test]
fn an_advice_need_not_settle_and_an_uptake_that_is_told_must() {
    let mut reef = Reef::new(8.4, 1.0);
    reef.tests(4);
    reef.world.wished(accept()).unwrap();
    assert_eq!(
        reef.world.wished(told(0.95)).unwrap_err().code,
        "uptake-refused"
    );
    // Three days later the next test may ask for more at once.
    reef.days(3);
    reef.test();
    assert_ne!(
        reef.advice().verdict,
        Verdict::NotNow,
        "{:?}",
        reef.advice()
    );
}

#[test]
fn a_corridor_steps_by_two_per_cent_a_day_within_its_share_over_restarts() {
    let mut reef = Reef::new(8.4, 1.0);
    reef.tests(2);
    reef.world.wished(corridor(0.1, 60)).unwrap();
    reef.days(2);
    reef.world.restart_after(HOUR);
    reef.world.sync();
    reef.days(1);
    reef.test();
    for _ in 0..2 {
        reef.days(1);
        reef.world.power_cut(2 * HOUR, 0);
        reef.world.sync();
    }
    reef.tests(2);
    let steps = reef.steps();
    assert!(steps.len() >= 5, "{steps:?}");
    for (before, after) in &steps {
        assert!((after - before).abs() <= 0.016 + 1e-6, "{steps:?}");
        assert!(*after <= 0.88 + 1e-6, "{steps:?}");
    }
    // No day has two of them.
    let zone = &reef.world.controller.time_zone;
    let entries = reef.world.books.entries.iter();
    let steps_at = entries.filter(|entry| step(entry).is_some());
    let dates = steps_at.map(|entry| zone.to_datetime(entry.at().wall).date());
    let dates: Vec<_> = dates.collect();
    assert!(dates.windows(2).all(|pair| pair[0] < pair[1]), "{dates:?}");
    assert!((reef.in_force() - 0.88).abs() < 0.01, "{steps:?}");
    reef.world.check_caps();
}

#[test]
fn a_corridor_waits_while_something_is_in_the_way() {
    let mut reef = Reef::new(8.4, 1.0);
    reef.tests(2);
    reef.world.wished(corridor(0.1, 60)).unwrap();
    assert_eq!(reef.waits(), None);
    reef.world.read_alkalinity(10.0);
    assert!(reef.waits().unwrap().contains("does not fit"));
    reef.days(2);
    assert_eq!(reef.steps(), []);
    reef.test();
    reef.days(2);
    assert!(!reef.steps().is_empty(), "{:?}", reef.waits());
    let steps = reef.steps().len();
    reef.world.hold(Some("alkalinity"), "look");
    assert!(reef.waits().unwrap().contains("on hold"));
    reef.days(2);
    assert_eq!(reef.steps().len(), steps);
}

#[test]
fn a_corridor_ends_with_its_date_by_a_trusted_clock_only() {
    let mut reef = Reef::new(8.3, 0.8);
    reef.tests(1);
    reef.world.wished(corridor(0.1, 5)).unwrap();
    reef.days(3);
    reef.world.power_cut(HOUR, 100 * DAY);
    reef.world.run(HOUR);
    assert_eq!(reef.corridor_ended(), None, "the clock is not trusted");
    reef.world.sync();
    reef.days(1);
    assert_eq!(reef.corridor_ended(), None);
    reef.days(2);
    assert!(reef.corridor_ended().unwrap().contains("granted until"));
    assert!(reef.world.status().water.corridors.is_empty());
}

#[test]
fn a_corridor_belongs_to_the_mode_it_was_granted_in() {
    let mut reef = Reef::new(8.4, 1.0);
    reef.tests(2);
    reef.world.wished(corridor(0.1, 60)).unwrap();
    let corridors = |reef: &mut Reef, live| {
        reef.world.live = live;
        reef.world.restart_after(SECOND);
        reef.world.sync();
        reef.world.run(SECOND);
        reef.world.status().water.corridors.len()
    };
    assert_eq!(corridors(&mut reef, false), 0, "granted live");
    assert_eq!(reef.corridor_ended(), None);
    assert_eq!(corridors(&mut reef, true), 1, "a dry run does not end it");
    for entry in &mut reef.world.books.entries {
        if let Entry::Corridor(corridor) = entry {
            corridor.live = false;
        }
    }
    assert_eq!(corridors(&mut reef, true), 0, "granted in a dry run");
    assert!(reef.corridor_ended().unwrap().contains("in a dry run"));
    assert_eq!(corridors(&mut reef, false), 0, "and over for good");
}

#[test]
fn a_corridor_is_undone_by_one_word() {
    let mut reef = Reef::new(8.4, 1.0);
    reef.tests(2);
    reef.world.wished(corridor(0.1, 60)).unwrap();
    reef.days(4);
    assert!(reef.in_force() > 0.82);
    reef.world.wished(back()).unwrap();
    assert!((reef.in_force() - 0.8).abs() < 1e-9);
    assert_eq!(reef.corridor_ended().unwrap(), "taken back");
    reef.days(3);
    assert!((reef.in_force() - 0.8).abs() < 1e-9);
    assert_eq!(reef.world.wished(back()).unwrap_err().code, "no-corridor");
}

#[test]
fn another_uptake_another_plan_and_another_solution_end_a_corridor() {
    let granted_on = |change: fn(&mut Controller)| {
        let mut reef = Reef::with(8.3, 0.8, change);
        reef.tests(1);
        reef.world.wished(corridor(0.1, 60)).unwrap();
        reef.days(1);
        reef
    };
    let granted = || granted_on(|_| {});
    let mut reef = granted();
    reef.world.wished(told(0.85)).unwrap();
    assert!(reef.corridor_ended().unwrap().contains("told"));
    // An edit of another line leaves it, one that bears on it does not.
    let mut reef = granted();
    let other = ONE_LINE.replacen("daily-ml = 6", "daily-ml = 5", 1);
    assert_ne!(other, ONE_LINE);
    let plan = plan_of(&other, &reef.world.controller);
    reef.world.reload(plan);
    assert_eq!(reef.corridor_ended(), None);
    let by_volume = ONE_LINE.replacen(
        "share-of-uptake = 1.0\nof = \"alkalinity\"",
        "daily-ml = 75.6",
        1,
    );
    let plan = plan_of(&by_volume, &reef.world.controller);
    reef.world.plan = plan;
    reef.world.restart_after(SECOND);
    reef.world.sync();
    reef.world.run(SECOND);
    assert!(reef.corridor_ended().unwrap().contains("plan.toml"));
    // The same again in the bottle is no other ground; another solution is.
    let mut reef = granted_on(|controller| {
        let mut stronger = controller.solutions[&name("soda-ash")].clone();
        stronger.name = name("soda-ash-66");
        stronger.effect.alkalinity_meq_per_l *= 1.1;
        let bottle = controller.reservoirs.get_mut(&name("alkalinity"));
        bottle.unwrap().solutions.push(stronger.name.clone());
        let solutions = &mut controller.solutions;
        solutions.insert(stronger.name.clone(), stronger);
    });
    reef.world.refill("alkalinity", RefillLevel::Full);
    reef.world.run(MINUTE);
    assert_eq!(reef.corridor_ended(), None);
    let stronger = NewRefill {
        solution: Some(name("soda-ash-66")),
        tube: Some(ul(6_000)),
        emptied: true,
        ..same("alkalinity", RefillLevel::Full)
    };
    reef.world.wished(Wish::Refill(stronger)).unwrap();
    reef.world.run(MINUTE);
    let why = reef.corridor_ended().unwrap();
    assert!(why.contains("holds another solution"), "{why}");
}

#[test]
fn a_corridor_is_granted_only_as_far_as_it_can_be_undone_in_one_step() {
    let small = |controller: &mut Controller| {
        let limits = controller.water.get_mut(&ALKALINITY).unwrap();
        limits.tracked.as_mut().unwrap().max_fall = 0.05;
    };
    let mut reef = Reef::with(8.3, 0.8, small);
    reef.tests(1);
    let refused = reef.world.proposed(corridor(0.1, 60)).unwrap_err();
    assert!(
        refused.text.contains("give at most 6.1 %"),
        "{}",
        refused.text
    );
    for (share, days) in [(0.3, 60), (0.1, 0), (0.1, 93), (0.0, 60), (f64::NAN, 60)] {
        let refused = reef.world.proposed(corridor(share, days)).unwrap_err();
        assert_eq!(refused.code, "corridor-refused");
    }
    reef.world.proposed(corridor(0.05, 60)).unwrap();
}

#[test]
fn a_corridor_never_asks_a_line_for_more_than_its_caps() {
    let capped = |controller: &mut Controller| {
        controller.lines[0].daily_cap = ul(84_000);
    };
    let mut reef = Reef::with(8.4, 1.0, capped);
    reef.tests(2);
    reef.world.wished(corridor(0.1, 60)).unwrap();
    reef.tests(3);
    // 84 mL hold a day and one dose of 12 more: 77.5 mL, 0.8206 dKH.
    assert!(
        reef.in_force() > 0.81 && reef.in_force() < 0.8207,
        "{}",
        reef.in_force()
    );
    reef.world.check_caps();
}

#[test]
fn a_line_that_gave_little_is_looked_at_before_anything_is_changed() {
    let mut reef = Reef::new(8.3, 0.8);
    reef.tests(2);
    reef.world
        .refill("alkalinity", RefillLevel::To(ul(140_000)));
    reef.world.run(2 * DAY);
    reef.test();
    let refused = reef.world.proposed(accept()).unwrap_err();
    assert!(
        refused.text.contains("gave much less than its plan"),
        "{}",
        refused.text
    );
}
