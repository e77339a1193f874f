//! Tests of single interlocks: just at the limit passes, one step more does not, and the time told is the right one.

use std::collections::BTreeMap;

use super::{
    Allowance, AllowanceReason, BenchFacts, ClockFact, Counted, DoseWindow, Facts, Follows,
    InputBlock, LedgerFact, LowReading, Prediction, Refusal, Request, WaterFacts, allowance,
    effective_share, examine, judge, look_again,
};
use crate::chemistry::{Element, Quantity, SolutionEffect};
use crate::config::{
    ActiveLevel, AlarmAction, ApartRule, Head, HeadOutput, Line, OldCalibration, Outlet, Output,
    Reservoir, SimulatedHead, Solution, TrackedLimits, WaterLimits,
};
use crate::metering::{Calibration, Coverage, MeteringLimits, NoRefit, Uncovered};
use crate::quantity::{Alkalinity, FlowRate, Millis, Name, TankVolume, Volume, name};
use crate::record::{Destination, DoseId, DoseKind, Hold, HoldScope, Who};

mod edges;
mod orders;
mod windows;

const NOW: Millis = Millis::from_mins(3 * 24 * 60);

fn ul(value: i64) -> Volume {
    Volume::from_ul(value)
}

/// Everything a request is judged by, owned, all well: 60 mL/min, so that 1 mL takes 1 s; 100 L; 1 mL carries 1 meq.
struct Case {
    line: Line,
    head: Head,
    solution: Solution,
    tube: Option<(Solution, Volume)>,
    reservoirs: BTreeMap<Name, Reservoir>,
    solutions: BTreeMap<Name, Solution>,
    holds: Vec<Hold>,
    follows: Option<(Name, Hold)>,
    window: DoseWindow,
    apart: Vec<ApartRule>,
    heads_at_once: u32,
    hourly_cap: Volume,
    calibration: Option<Calibration>,
    expired: Option<String>,
    unverified: Option<&'static str>,
    bench: Option<BenchFacts>,
    into: Destination,
    coverage: Coverage,
    timed: Option<Millis>,
    left: Option<Volume>,
    ledger: Option<String>,
    clock: Option<String>,
    inputs: Vec<InputBlock>,
    water: BTreeMap<Quantity, WaterFacts>,
    volume: Volume,
    kind: DoseKind,
    now: Millis,
}

fn calcium() -> Quantity {
    Quantity::Element(Element::new("Ca").unwrap())
}

fn solution(of: &str, alkalinity_meq_per_l: f64) -> Solution {
    let dissolved_mg_per_l = BTreeMap::from([(Quantity::dissolved("Ca").unwrap(), 10_000.0)]);
    Solution {
        name: name(of),
        effect: SolutionEffect {
            alkalinity_meq_per_l,
            dissolved_mg_per_l,
        },
        salts: Vec::new(),
        unstated: false,
        caustic: false,
    }
}

impl Case {
    fn new() -> Self {
        let rate = FlowRate::from_ml_per_min(60.0);
        let own = solution("soda", 1_000.0);
        let other = solution("chloride", 0.0);
        Self {
            line: Line {
                name: name("a"),
                head: name("head-a"),
                reservoir: name("bottle-a"),
                daily_cap: ul(10_000),
                dose_cap: ul(5_000),
                hourly_cap: None,
            },
            head: Head {
                name: name("head-a"),
                nominal_rate: rate,
                run_max: Millis::from_secs(5),
                dose_min: ul(500),
                output: HeadOutput::Switched(Output {
                    gpio: 17,
                    active: ActiveLevel::High,
                }),
                run_sense: None,
                simulated: SimulatedHead {
                    rate,
                    offset: Volume::ZERO,
                    scatter: 0.0,
                },
                calibration_age_max: Millis::DAY,
                calibration_run_max: Millis::DAY,
                tolerance_percent: 5.0,
                calibration_old: OldCalibration::Block,
            },
            solutions: [own.clone(), other].map(|s| (s.name.clone(), s)).into(),
            solution: own,
            tube: None,
            reservoirs: BTreeMap::new(),
            holds: Vec::new(),
            follows: None,
            window: DoseWindow::default(),
            apart: Vec::new(),
            heads_at_once: 2,
            hourly_cap: ul(i64::MAX),
            calibration: Some(Calibration::new(rate, Volume::ZERO).unwrap()),
            expired: None,
            unverified: None,
            bench: None,
            into: Destination::Tank,
            coverage: Coverage::Assumed,
            timed: None,
            left: Some(ul(1_000_000)),
            ledger: None,
            clock: None,
            inputs: Vec::new(),
            water: BTreeMap::new(),
            volume: ul(1_000),
            kind: DoseKind::Hand,
            now: NOW,
        }
    }

    fn with<T>(&self, ask: impl FnOnce(&Request<'_>, &Facts<'_>) -> T) -> T {
        let facts = Facts {
            line: &self.line,
            head: &self.head,
            outlet: Outlet {
                tube: self.tube.as_ref().map(|(solution, left)| (solution, *left)),
                bottle: &self.solution,
            },
            reservoirs: &self.reservoirs,
            tank: TankVolume::from_litres(100.0),
            holds: self.holds.iter().collect(),
            follows: self.follows.as_ref().map(|(lead, hold)| Follows {
                of: ALKALINITY,
                lead,
                hold,
            }),
            bench: self.bench,
            hourly_cap: self.hourly_cap,
            window: &self.window,
            apart: &self.apart,
            heads_at_once: self.heads_at_once,
            calibration: self.calibration.as_ref(),
            coverage: &self.coverage,
            calibration_expired: self.expired.clone(),
            unverified: self.unverified,
            reservoir_left: self.left,
            reservoir_reserve: ul(10_000),
            ledger: self
                .ledger
                .as_deref()
                .map_or(LedgerFact::Writable, LedgerFact::NotWritable),
            clock: self
                .clock
                .as_deref()
                .map_or(ClockFact::Trusted, ClockFact::Unsure),
            inputs: self.inputs.clone(),
            water: self.water.clone(),
            permit_valid: Millis::from_secs(5),
        };
        let request = Request {
            id: DoseId(100),
            line: &self.line.name,
            volume: self.volume,
            kind: self.kind,
            timed: self.timed,
            into: self.into,
        };
        ask(&request, &facts)
    }

    fn verdict(&self) -> Result<Millis, Refusal> {
        self.with(|request, facts| examine(request, facts, self.now))
    }

    fn code(&self) -> &'static str {
        self.verdict()
            .map_or_else(|refusal| refusal.code(), |_| "ok")
    }

    /// An earlier dose of 1 mL per second, from so long before now.
    fn earlier(&mut self, id: i64, line: &str, of: &str, ago: Millis, volume: i64) {
        let began = self.now.minus(ago);
        let ended = began.plus(Millis::new(volume));
        self.window.add(Counted {
            id: DoseId(id),
            line: name(line),
            head: name(&format!("head-{line}")),
            reservoir: name(&format!("bottle-{line}")),
            solution: name(of),
            kind: DoseKind::Plan,
            volume: ul(volume),
            carries: self.solutions[&name(of)]
                .effect
                .carried(ul(volume), TankVolume::from_litres(100.0)),
            into: Destination::Tank,
            began,
            ended: Some(ended),
            due: ended,
        });
    }

    /// The time told is right: refused with this code one millisecond before, and not any more then.
    fn check_until(&mut self, code: &str) {
        let refusal = self.verdict().unwrap_err();
        assert_eq!(refusal.code(), code);
        let until = refusal.until().expect("a time");
        assert!(until > self.now);
        self.now = until.minus(Millis::new(1));
        assert_eq!(self.code(), code, "one millisecond before");
        self.now = until;
        assert_ne!(self.code(), code, "at the time that was told");
    }
}

const ALKALINITY: Quantity = Quantity::Alkalinity;

/// dKH in meq/L.
fn meq(meq_per_l: f64) -> f64 {
    Alkalinity::from_meq_per_l(meq_per_l).as_dkh()
}

fn band() -> TrackedLimits {
    TrackedLimits {
        target: 8.25,
        max_fall: meq(0.03),
        band_low: 7.5,
        band_high: 9.0,
        alarm_low: 6.5,
        alarm_high: 10.5,
        on_alarm_low: AlarmAction::Warn,
        on_alarm_high: AlarmAction::Warn,
        stale_after: Millis::from_mins(14 * 24 * 60),
        drift_per_day: 0.1,
        uptake_change_max: 0.3,
        settling: Millis::DAY,
    }
}

fn prediction(dkh: f64, age: Millis) -> Prediction {
    Prediction {
        value: dkh,
        uncertainty: 0.1,
        age,
    }
}

/// Uptake of 0.05 meq/L: 5 mL of this solution a day, and 7 mL with the rise.
fn ramp(predicted: Option<Prediction>) -> WaterFacts {
    WaterFacts {
        limits: WaterLimits {
            max_rise: meq(0.02),
            max_rise_per_hour: None,
            kit_step: 0.0,
            tracked: Some(band()),
        },
        rise_per_hour: f64::MAX,
        uptake: Some(meq(0.05)),
        prediction: predicted,
        low: None,
    }
}

/// Calcium with a largest rise of 0.5 mg/L a day: 5 mL of either solution, of which 1 mL raises it by 0.1 mg/L.
fn calcium_facts(tracked: bool, uptake: Option<f64>, value: Option<f64>) -> WaterFacts {
    let band = TrackedLimits {
        band_low: 400.0,
        band_high: 450.0,
        ..band()
    };
    WaterFacts {
        limits: WaterLimits {
            max_rise: 0.5,
            max_rise_per_hour: None,
            kit_step: 0.0,
            tracked: tracked.then_some(band),
        },
        rise_per_hour: f64::MAX,
        uptake,
        prediction: value.map(|value| Prediction {
            value,
            uncertainty: 2.0,
            age: Millis::DAY,
        }),
        low: None,
    }
}

#[test]
fn with_everything_well_a_dose_takes_its_run_time() {
    assert_eq!(Case::new().verdict(), Ok(Millis::from_secs(1)));
}

#[test]
fn a_hold_refuses_every_kind_and_says_who_set_it() {
    for kind in [
        DoseKind::Plan,
        DoseKind::Hand,
        DoseKind::Prime,
        DoseKind::Calibration,
    ] {
        let mut case = Case::new();
        case.kind = kind;
        case.holds.push(Hold {
            scope: HoldScope::All,
            reason: "looks wrong".to_owned(),
            who: Who::Local { uid: 7 },
            since: jiff::Timestamp::UNIX_EPOCH,
            until: None,
        });
        let refusal = case.verdict().unwrap_err();
        assert_eq!((refusal.code(), refusal.until()), ("held", None));
        assert!(
            refusal
                .to_string()
                .contains("looks wrong (set by local user 7)")
        );
    }
}

#[test]
fn without_a_ledger_nothing_is_given() {
    let mut case = Case::new();
    case.kind = DoseKind::Prime;
    case.ledger = Some("disk full".to_owned());
    assert_eq!(case.code(), "ledger-not-writable");
}

#[test]
fn an_unsure_clock_stops_plan_and_hand_and_not_what_a_person_watches() {
    let mut case = Case::new();
    case.clock = Some("it is behind".to_owned());
    for (kind, code) in [
        (DoseKind::Plan, "clock-unsure"),
        (DoseKind::Hand, "clock-unsure"),
        (DoseKind::Prime, "ok"),
        (DoseKind::Calibration, "ok"),
    ] {
        case.kind = kind;
        assert_eq!(case.code(), code);
    }
}

#[test]
fn an_input_blocks_until_its_time_or_for_good() {
    let mut case = Case::new();
    let block = |until| InputBlock {
        input: "return-pump".to_owned(),
        says: "still water".to_owned(),
        until,
    };
    case.inputs = vec![
        block(Some(NOW)),
        block(Some(NOW.plus(Millis::from_secs(3)))),
    ];
    case.check_until("input-blocks");
    case.inputs = vec![block(None)];
    assert_eq!(case.verdict().unwrap_err().until(), None);
}

#[test]
fn a_head_is_calibrated_or_does_not_run() {
    let mut case = Case::new();
    case.expired = Some("its calibration is old".to_owned());
    for (kind, code) in [
        (DoseKind::Plan, "calibration-expired"),
        (DoseKind::Hand, "calibration-expired"),
        (DoseKind::Prime, "ok"),
        (DoseKind::Calibration, "ok"),
    ] {
        case.kind = kind;
        assert_eq!(case.code(), code);
    }
    case.calibration = None;
    assert_eq!(case.code(), "uncalibrated");
}

#[test]
fn the_dose_cap_and_the_smallest_dose_are_inclusive() {
    let mut case = Case::new();
    for (volume, code) in [
        (5_000, "ok"),
        (5_001, "dose-cap"),
        (500, "ok"),
        (499, "too-small"),
    ] {
        case.volume = ul(volume);
        assert_eq!(case.code(), code, "{volume} uL");
    }
}

#[test]
fn the_longest_run_is_inclusive() {
    let mut case = Case::new();
    case.line.dose_cap = ul(10_000);
    case.volume = ul(5_000);
    assert_eq!(case.verdict(), Ok(Millis::from_secs(5)));
    case.volume = ul(5_001);
    assert_eq!(case.code(), "run-too-long");
}

#[test]
fn a_run_too_short_to_be_metered_is_refused() {
    let mut case = Case::new();
    case.head.dose_min = ul(1);
    case.volume = ul(200);
    assert_eq!(case.verdict(), Ok(Millis::new(200)));
    case.volume = ul(199);
    assert_eq!(case.code(), "too-small");
}

#[test]
fn a_bottle_gives_all_but_its_reserve_and_what_is_promised() {
    let mut case = Case::new();
    for (left, code) in [(11_000, "ok"), (10_999, "reservoir-used-up")] {
        case.left = Some(ul(left));
        assert_eq!(case.code(), code, "{left} uL");
    }
    case.left = Some(ul(-5));
    assert_eq!(case.code(), "reservoir-used-up");
    case.left = None;
    assert_eq!(case.code(), "reservoir-unknown");
    // Another head draws from the same bottle and is not done yet.
    case.left = Some(ul(13_000));
    case.earlier(1, "b", "chloride", Millis::ZERO, 2_000);
    case.window.update(DoseId(1), |d| {
        d.ended = None;
        d.reservoir = name("bottle-a");
    });
    assert_eq!(case.code(), "ok");
    case.left = Some(ul(12_999));
    assert_eq!(case.code(), "reservoir-used-up");
}

#[test]
fn the_daily_cap_is_inclusive_and_tells_when_there_is_room() {
    let mut case = Case::new();
    case.kind = DoseKind::Plan;
    case.earlier(1, "a", "soda", Millis::from_mins(600), 4_000);
    case.earlier(2, "a", "soda", Millis::from_mins(300), 5_000);
    case.earlier(3, "b", "chloride", Millis::from_mins(300), 9_000);
    assert_eq!(case.code(), "ok", "exactly at the cap");
    case.volume = ul(1_001);
    let refusal = case.verdict().unwrap_err();
    let Refusal::DailyCap {
        total, cap, until, ..
    } = &refusal
    else {
        panic!("{refusal}");
    };
    assert_eq!((*total, *cap), (ul(10_001), ul(10_000)));
    // The first dose leaves 24 h after its end.
    let leaves = NOW
        .minus(Millis::from_mins(600))
        .plus(Millis::from_secs(4))
        .plus(Millis::DAY);
    assert_eq!(*until, Some(leaves));
    case.check_until("daily-cap");
    // More than the cap never fits, and a dose that is not over has no time to leave.
    let mut case = Case::new();
    case.line.daily_cap = ul(999);
    assert_eq!(case.verdict().unwrap_err().until(), None);
    let mut case = Case::new();
    case.line.daily_cap = ul(5_000);
    case.earlier(1, "a", "soda", Millis::ZERO, 4_500);
    case.window.update(DoseId(1), |d| d.ended = None);
    assert_eq!(
        (case.code(), case.verdict().unwrap_err().until()),
        ("daily-cap", None)
    );
}

#[test]
fn an_hour_holds_no_more_than_its_cap_and_its_rise_and_tells_when_there_is_room() {
    let mut case = Case::new();
    case.kind = DoseKind::Plan;
    case.hourly_cap = ul(4_000);
    case.earlier(1, "a", "soda", Millis::from_mins(40), 3_000);
    case.earlier(2, "b", "soda", Millis::from_mins(20), 3_000);
    assert_eq!(case.code(), "ok", "exactly at the cap");
    case.volume = ul(1_001);
    let refusal = case.verdict().unwrap_err();
    let words = "1.001 mL would make 4.001 mL of line a in 1 h, over the hourly cap of 4.0 mL";
    assert_eq!(refusal.to_string(), words);
    case.check_until("hourly-cap");
    let mut case = Case::new();
    case.kind = DoseKind::Plan;
    case.earlier(1, "a", "soda", Millis::from_mins(40), 3_000);
    case.earlier(2, "b", "soda", Millis::from_mins(20), 3_000);
    let limits = WaterFacts {
        rise_per_hour: meq(0.07),
        uptake: Some(10.0),
        ..ramp(Some(prediction(8.0, Millis::DAY)))
    };
    case.water.insert(ALKALINITY, limits);
    assert_eq!(case.code(), "ok", "7 mL of both lines in an hour");
    case.volume = ul(1_001);
    case.check_until("hourly-rise");
}

#[test]
fn the_ramp_is_inclusive_over_all_lines_and_tells_when_there_is_room() {
    let mut case = Case::new();
    case.line.daily_cap = ul(100_000);
    case.kind = DoseKind::Prime;
    case.water
        .insert(ALKALINITY, ramp(Some(prediction(8.0, Millis::DAY))));
    case.earlier(1, "b", "soda", Millis::from_mins(600), 3_000);
    case.earlier(2, "a", "soda", Millis::from_mins(300), 3_000);
    assert_eq!(case.code(), "ok", "7 mL are uptake plus rise");
    case.volume = ul(1_001);
    assert_eq!(case.code(), "ramp-limit");
    // It leaves as it came, a microlitre in a millisecond: from then on this one comes in at the same rate.
    let refusal = case.verdict().unwrap_err();
    let leaves = NOW.minus(Millis::from_mins(600)).plus(Millis::DAY);
    assert_eq!(refusal.until(), Some(leaves.minus(Millis::from_secs(1))));
    case.check_until("ramp-limit");
}

#[test]
fn without_uptake_no_alkalinity_and_without_alkalinity_no_ramp() {
    let mut case = Case::new();
    let none = WaterFacts {
        uptake: None,
        ..ramp(None)
    };
    case.water.insert(ALKALINITY, none);
    assert_eq!(case.code(), "no-uptake");
    case.solution = solution("soda", 0.0);
    assert_eq!(case.code(), "ok");
}

#[test]
fn the_allowance_is_uptake_alone_without_a_fresh_reading_or_above_the_band() {
    let day = Millis::DAY;
    let stale = band().stale_after;
    let of = |p: Option<Prediction>| allowance(&ALKALINITY, &ramp(p)).unwrap();
    let close = |allowed: Allowance, dkh: f64| {
        assert!((allowed.per_day - dkh).abs() < 1e-12, "{allowed:?}");
    };
    close(of(Some(prediction(8.0, day))), meq(0.07));
    assert_eq!(
        of(Some(prediction(8.0, stale))).reason,
        AllowanceReason::UptakePlusRise
    );
    let cases = [
        None,
        Some(prediction(8.0, stale.plus(Millis::new(1)))),
        Some(prediction(8.81, day)),
    ];
    for p in cases {
        close(of(p), meq(0.05));
    }
    assert_eq!(
        of(Some(prediction(8.79, day))).reason,
        AllowanceReason::UptakePlusRise
    );
}

#[test]
fn the_plan_in_force_is_clamped_between_uptake_less_fall_and_the_allowance() {
    let share = |planned: f64, p| effective_share(&ALKALINITY, meq(planned), &ramp(p));
    let fresh = Some(prediction(8.0, Millis::DAY));
    let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-12, "{a} {b}");
    close(share(0.05, fresh), 1.0);
    close(share(0.07, fresh), 1.0);
    close(share(0.02, fresh), 1.0);
    close(share(0.14, fresh), 0.5);
    close(share(0.01, fresh), 2.0);
    close(share(0.07, None), 0.05 / 0.07);
    close(share(0.0, None), 1.0);
}

#[test]
fn the_plan_is_clamped_only_where_an_uptake_is_established() {
    let share =
        |uptake| effective_share(&calcium(), 2.0, &calcium_facts(true, uptake, Some(420.0)));
    assert!((share(None) - 1.0).abs() < f64::EPSILON);
    // 0.3 of uptake and 0.5 of rise, of 2.0 mg/L that are planned.
    assert!((share(Some(0.3)) - 0.4).abs() < 1e-12);
}

#[test]
fn a_prediction_grows_uncertain_with_its_age() {
    let p = Prediction::new((8.0, 0.3), 1.5, 0.8, Millis::DAY, 0.4);
    assert!((p.value - 8.7).abs() < 1e-9);
    assert!((p.uncertainty - 0.5).abs() < 1e-9);
    assert!((p.worst_high() - 9.7).abs() < 1e-9);
}

#[test]
fn an_element_limit_is_inclusive_over_all_lines_and_tells_when_there_is_room() {
    let mut case = Case::new();
    case.water
        .insert(calcium(), calcium_facts(false, None, None));
    case.earlier(1, "b", "chloride", Millis::from_mins(600), 3_000);
    case.volume = ul(2_000);
    assert_eq!(case.code(), "ok");
    case.volume = ul(2_001);
    let refusal = case.verdict().unwrap_err();
    assert!(refusal.to_string().contains("calcium"), "{refusal}");
    case.check_until("element-limit");
}

#[test]
fn calcium_may_rise_by_its_uptake_and_the_largest_rise_while_its_level_is_known_and_in_the_band() {
    // 1 mL raises by 0.1 mg/L. 3 mL were given: with uptake 0.3 and rise 0.5 mg/L, 8 mL may be in 24 h; with uptake alone 3 mL.
    let largest = |water: WaterFacts| {
        let mut case = Case::new();
        case.water.insert(calcium(), water);
        case.earlier(1, "b", "chloride", Millis::from_mins(600), 3_000);
        let mut fits = 0;
        for volume in [1_000, 2_000, 2_001, 5_000] {
            case.volume = ul(volume);
            match case.code() {
                "ok" => fits = volume,
                code => assert_eq!(code, "element-limit"),
            }
        }
        fits
    };
    assert_eq!(largest(calcium_facts(true, Some(0.3), Some(420.0))), 5_000);
    assert_eq!(
        largest(calcium_facts(true, None, Some(420.0))),
        2_000,
        "0.5 mg/L"
    );
    // Two standard uncertainties of 2 mg/L: 446 may be 450, the top of the band; 446.1 may be over it.
    assert_eq!(largest(calcium_facts(true, None, Some(446.0))), 2_000);
    for known in [None, Some(446.1)] {
        assert_eq!(largest(calcium_facts(true, None, known)), 0, "{known:?}");
        assert_eq!(
            largest(calcium_facts(true, Some(0.4), known)),
            1_000,
            "0.4 mg/L"
        );
        assert_eq!(largest(calcium_facts(false, None, known)), 2_000, "no band");
    }
    let mut stale = calcium_facts(true, Some(0.4), Some(420.0));
    let age = band().stale_after;
    stale.prediction = stale.prediction.map(|p| Prediction { age, ..p });
    assert_eq!(largest(stale), 5_000, "just not stale: 0.9 mg/L");
    let age = age.plus(Millis::new(1));
    stale.prediction = stale.prediction.map(|p| Prediction { age, ..p });
    assert_eq!(largest(stale), 1_000);
}

#[test]
fn a_refused_rise_says_quantity_numbers_unit_and_reason() {
    let mut case = Case::new();
    case.water
        .insert(calcium(), calcium_facts(true, Some(0.1), None));
    case.volume = ul(2_000);
    let text = case.verdict().unwrap_err().to_string();
    let wanted = "0.200 mg/L more of calcium would make 0.200 mg/L added in 24 h, over the 0.100 mg/L that is allowed now (uptake only: there is no calcium reading";
    assert!(text.starts_with(wanted), "{text}");
}

#[test]
fn a_head_runs_once_at_a_time_and_the_supply_carries_so_many() {
    let running = |case: &mut Case, id, line: &str| {
        case.earlier(id, line, "chloride", Millis::ZERO, 3_000);
        case.window.update(DoseId(id), |d| d.ended = None);
    };
    let mut case = Case::new();
    running(&mut case, 1, "b");
    assert_eq!(case.code(), "ok", "one of two");
    running(&mut case, 2, "c");
    let refusal = case.verdict().unwrap_err();
    assert_eq!(refusal.code(), "supply-busy");
    assert_eq!(
        refusal.until(),
        Some(NOW.plus(Millis::from_secs(4))),
        "a second after its end"
    );
    let mut case = Case::new();
    running(&mut case, 1, "a");
    let refusal = case.verdict().unwrap_err();
    assert_eq!(refusal.code(), "head-busy");
    assert_eq!(refusal.until(), Some(NOW.plus(Millis::from_secs(4))));
    // One that should long be over is looked at in a second, not at once and for ever.
    case.now = NOW.plus(Millis::DAY);
    let until = case.verdict().unwrap_err().until();
    assert_eq!(until, Some(case.now.plus(Millis::from_secs(1))));
}

fn held(scope: HoldScope) -> Hold {
    Hold {
        scope,
        reason: "looks wrong".to_owned(),
        who: Who::Local { uid: 7 },
        since: jiff::Timestamp::UNIX_EPOCH,
        until: None,
    }
}

#[test]
fn what_a_line_gives_by_plan_stands_still_with_what_it_goes_by() {
    for (kind, code) in [
        (DoseKind::Plan, "follows-held"),
        (DoseKind::Hand, "ok"),
        (DoseKind::Prime, "ok"),
    ] {
        let mut case = Case::new();
        case.kind = kind;
        case.follows = Some((name("lead"), held(HoldScope::Line(name("lead")))));
        assert_eq!(case.code(), code);
    }
    let mut case = Case::new();
    case.kind = DoseKind::Plan;
    case.follows = Some((name("lead"), held(HoldScope::Line(name("lead")))));
    let text = case.verdict().unwrap_err().to_string();
    for words in [
        "line a stands still with line lead",
        "looks wrong",
        "dosewright resume lead",
        "keeps-on = true",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
}

/// No limit on the water sees what is not stated, so what remains must hold.
#[test]
fn what_is_not_stated_is_held_by_caps_and_by_rules_with_its_name() {
    let mut mix = solution("mix", 0.0);
    mix.effect = SolutionEffect::default();
    mix.unstated = true;
    let begin = |volume: i64| {
        let mut case = Case::new();
        case.solution = mix.clone();
        case.solutions.insert(mix.name.clone(), mix.clone());
        case.kind = DoseKind::Plan;
        case.volume = ul(volume);
        case.water.insert(ALKALINITY, ramp(None));
        case
    };
    assert_eq!(begin(5_000).code(), "ok");
    assert_eq!(begin(5_001).code(), "dose-cap");
    let mut case = begin(1_001);
    case.earlier(1, "a", "mix", Millis::from_mins(600), 9_000);
    assert_eq!(case.code(), "daily-cap");
    let mut case = begin(1_001);
    case.hourly_cap = ul(2_000);
    case.earlier(1, "a", "mix", Millis::from_mins(10), 1_000);
    assert_eq!(case.code(), "hourly-cap");
    let mut case = begin(1_000);
    case.apart.push(ApartRule {
        first: name("mix"),
        second: name("soda"),
        gap: Millis::from_mins(15),
    });
    case.earlier(1, "b", "soda", Millis::from_mins(10), 1_000);
    assert_eq!(case.code(), "keep-apart");
}

#[test]
fn below_the_alarm_limit_the_allowance_is_what_keeps_the_level_and_no_more() {
    let low = |uptake, keeps| WaterFacts {
        uptake,
        low: Some(LowReading { read: 6.0, keeps }),
        ..ramp(Some(prediction(6.0, Millis::DAY)))
    };
    let allowed = allowance(&ALKALINITY, &low(Some(meq(0.05)), meq(0.05))).unwrap();
    assert!((allowed.per_day - meq(0.05)).abs() < 1e-12);
    assert!(matches!(allowed.reason, AllowanceReason::BelowAlarm { .. }));
    assert!(
        allowed
            .reason
            .words(&ALKALINITY)
            .contains("is below the alarm limit")
    );
    // A plan at uptake is not touched, one above it is cut.
    assert!(
        (effective_share(&ALKALINITY, meq(0.05), &low(Some(meq(0.05)), meq(0.05))) - 1.0).abs()
            < 1e-12
    );
    assert!(
        (effective_share(&ALKALINITY, meq(0.1), &low(Some(meq(0.05)), meq(0.05))) - 0.5).abs()
            < 1e-9
    );
    // Where no uptake of an element is established, what is planned goes on.
    let calcium_low = WaterFacts {
        low: Some(LowReading {
            read: 340.0,
            keeps: 0.3,
        }),
        ..calcium_facts(true, None, Some(340.0))
    };
    assert!((allowance(&calcium(), &calcium_low).unwrap().per_day - 0.3).abs() < 1e-12);
}

#[test]
fn solutions_are_kept_apart_in_either_order_from_end_to_start() {
    for (first, second) in [("soda", "chloride"), ("chloride", "soda")] {
        let mut case = Case::new();
        case.apart.push(ApartRule {
            first: name(first),
            second: name(second),
            gap: Millis::from_mins(15),
        });
        case.earlier(1, "b", "chloride", Millis::from_mins(10), 2_000);
        let refusal = case.verdict().unwrap_err();
        let ended = NOW.minus(Millis::from_mins(10)).plus(Millis::from_secs(2));
        assert_eq!(refusal.until(), Some(ended.plus(Millis::from_mins(15))));
        case.check_until("keep-apart");
    }
}

/// A bottle counts as holding everything that it may hold, whatever the newest refill says.
#[test]
fn a_bottle_is_kept_apart_by_all_that_it_may_hold() {
    let mut case = Case::new();
    case.apart.push(ApartRule {
        first: name("strong-soda"),
        second: name("chloride"),
        gap: Millis::from_mins(15),
    });
    case.earlier(1, "b", "chloride", Millis::from_mins(10), 2_000);
    assert_eq!(case.code(), "ok");
    let own = bottle("bottle-a", &["soda", "strong-soda"]);
    case.reservoirs.insert(own.name.clone(), own);
    case.check_until("keep-apart");
    // The other way round: what the other bottle may hold is kept from this one's solution.
    let mut case = Case::new();
    case.apart.push(ApartRule {
        first: name("soda"),
        second: name("strong-chloride"),
        gap: Millis::from_mins(15),
    });
    case.earlier(1, "b", "chloride", Millis::from_mins(10), 2_000);
    assert_eq!(case.code(), "ok");
    let drawn = case.window.iter().next().unwrap().reservoir.clone();
    let other = bottle(drawn.as_str(), &["chloride", "strong-chloride"]);
    case.reservoirs.insert(drawn, other);
    case.check_until("keep-apart");
}

/// 5 mL of soda may be given with the rise that is left; of which the tube's content is worth nothing.
#[test]
fn a_dose_across_the_end_of_a_tube_counts_by_what_each_part_carries() {
    let mut case = Case::new();
    case.volume = ul(5_000);
    case.water.insert(ALKALINITY, ramp(None));
    assert_eq!(case.code(), "ok");
    // Three times as strong for as much as the tube still holds.
    let strong = solution("strong-soda", 3_000.0);
    case.tube = Some((strong.clone(), ul(500)));
    assert_eq!(case.code(), "ramp-limit");
    case.volume = ul(4_000);
    assert_eq!(case.code(), "ok");
    case.tube = Some((strong, ul(4_000)));
    assert_eq!(case.code(), "ramp-limit");
}

fn bottle(of: &str, solutions: &[&str]) -> Reservoir {
    Reservoir {
        name: name(of),
        solutions: solutions.iter().map(|text| name(text)).collect(),
        capacity: ul(1_000_000),
        reserve: ul(10_000),
        low_warning: Millis::DAY,
        coldest: crate::chemistry::Celsius::from_degrees(15.0),
    }
}

#[test]
fn what_runs_beside_is_kept_apart_from_its_end_that_is_still_to_come() {
    let mut case = Case::new();
    case.apart.push(ApartRule {
        first: name("soda"),
        second: name("chloride"),
        gap: Millis::from_mins(15),
    });
    case.earlier(1, "b", "chloride", Millis::ZERO, 2_000);
    case.window.update(DoseId(1), |d| d.ended = None);
    let refusal = case.verdict().unwrap_err();
    let due = NOW.plus(Millis::from_secs(2));
    assert_eq!(refusal.until(), Some(due.plus(Millis::from_mins(15))));
    // The same solution needs no gap.
    let mut same = Case::new();
    same.apart = case.apart.clone();
    same.earlier(1, "b", "soda", Millis::from_secs(5), 2_000);
    assert_eq!(same.code(), "ok");
}

#[test]
fn the_same_dose_by_hand_within_ten_seconds_is_a_slip() {
    let mut case = Case::new();
    case.earlier(1, "a", "soda", Millis::from_secs(4), 1_000);
    assert_eq!(case.code(), "ok", "the plan's dose before is no repetition");
    case.window.update(DoseId(1), |d| d.kind = DoseKind::Hand);
    case.check_until("repeated");
    case.now = NOW;
    case.volume = ul(1_001);
    assert_eq!(case.code(), "ok");
    // Still running: another volume is a slip as well.
    case.heads_at_once = 9;
    case.window.update(DoseId(1), |d| d.ended = None);
    assert_eq!(case.code(), "repeated");
}

#[test]
fn a_permit_carries_what_was_asked_and_is_good_for_its_time() {
    let mut case = Case::new();
    let permit = case
        .with(|request, facts| judge(request, facts, NOW))
        .unwrap();
    assert_eq!(
        (permit.volume(), permit.run_time()),
        (ul(1_000), Millis::from_secs(1))
    );
    assert_eq!(permit.expires(), NOW.plus(Millis::from_secs(5)));
    assert_eq!((permit.dose(), permit.line().as_str()), (DoseId(100), "a"));
    case.now = permit.expires();
    let now = case.now;
    let permit = case
        .with(|request, facts| look_again(permit, request, facts, now))
        .unwrap();
    let late = now.plus(Millis::new(1));
    let refusal = case
        .with(|request, facts| look_again(permit, request, facts, late))
        .unwrap_err();
    assert_eq!(refusal.code(), "permit-expired");
}

#[test]
fn a_second_look_does_not_count_the_dose_against_itself_and_sees_what_came_up() {
    let mut case = Case::new();
    case.line.daily_cap = ul(1_000);
    case.heads_at_once = 1;
    case.left = Some(ul(11_000));
    case.water
        .insert(ALKALINITY, ramp(Some(prediction(8.0, Millis::DAY))));
    let first = case
        .with(|request, facts| judge(request, facts, NOW))
        .unwrap();
    case.earlier(100, "a", "soda", Millis::ZERO, 1_000);
    case.window.update(DoseId(100), |d| {
        d.ended = None;
        d.kind = DoseKind::Hand;
    });
    let permit = case
        .with(|request, facts| look_again(first, request, facts, NOW))
        .unwrap();
    case.clock = Some("it stepped".to_owned());
    let refusal = case
        .with(|request, facts| look_again(permit, request, facts, NOW))
        .unwrap_err();
    assert_eq!(refusal.code(), "clock-unsure");
}

#[test]
fn a_dose_outside_what_the_calibration_covers_is_refused_and_the_bench_is_not_held_to_it() {
    let mut case = Case::new();
    let limits = MeteringLimits {
        run_min: Millis::new(500),
        run_max: Millis::new(2_000),
        dose_min: ul(800),
        tolerance_percent: 5.0,
    };
    case.coverage = Coverage::Limits(limits);
    for (volume, code) in [
        (800, "ok"),
        (799, "not-metered"),
        (2_000, "ok"),
        (2_001, "not-metered"),
    ] {
        case.volume = ul(volume);
        assert_eq!(case.code(), code, "{volume} uL");
    }
    case.volume = ul(1_000);
    case.coverage = Coverage::Unknown(Uncovered::OtherTolerance {
        made_for: 5.0,
        now: 1.0,
        why: NoRefit::NoRuns,
    });
    for kind in [DoseKind::Plan, DoseKind::Hand] {
        case.kind = kind;
        assert_eq!(case.code(), "not-metered");
    }
    for kind in [DoseKind::Prime, DoseKind::Calibration] {
        case.kind = kind;
        assert_eq!(case.code(), "ok");
    }
}

#[test]
fn a_calibration_that_waits_for_a_check_gives_no_dose_and_lets_the_check_run() {
    let mut case = Case::new();
    case.unverified = Some("18 mL/min is far off");
    for kind in [DoseKind::Plan, DoseKind::Hand] {
        case.kind = kind;
        assert_eq!(case.code(), "unverified");
    }
    for kind in [DoseKind::Prime, DoseKind::Calibration] {
        case.kind = kind;
        assert_eq!(case.code(), "ok");
    }
}

#[test]
fn a_session_at_the_bench_has_its_own_cap_and_none_of_the_tanks() {
    let mut case = Case::new();
    case.into = Destination::Bench;
    case.kind = DoseKind::Calibration;
    assert_eq!(case.code(), "bench", "no session");
    let bench = |given, silent| {
        Some(BenchFacts {
            cap: ul(20_000),
            given: ul(given),
            silent,
            runs_on_hold: false,
        })
    };
    // 5.001 mL are over the dose cap of the tank, 15 mL before them over its daily cap.
    case.volume = ul(5_001);
    case.head.run_max = Millis::from_secs(60);
    case.earlier(1, "a", "soda", Millis::from_mins(60), 9_900);
    case.bench = bench(14_999, false);
    assert_eq!(case.code(), "ok");
    case.bench = bench(15_000, false);
    assert_eq!(case.code(), "bench-cap");
    case.bench = bench(0, true);
    assert_eq!(case.code(), "bench");
    case.hourly_cap = ul(5_000);
    case.bench = bench(0, false);
    assert_eq!(case.code(), "ok", "nor the hour's");
    // What the plan gives into a bucket is held to the caps of the tank, for itself.
    case.bench = bench(0, false);
    case.kind = DoseKind::Plan;
    assert_eq!(case.code(), "dose-cap");
    case.volume = ul(1_000);
    assert_eq!(case.code(), "ok");
    case.into = Destination::Tank;
    assert_eq!(case.code(), "bench");
}

#[test]
fn a_hold_of_the_line_from_before_its_outlet_came_out_lets_the_bench_run_and_nothing_else() {
    let mut case = Case::new();
    let line = case.line.name.clone();
    let hold = |scope| Hold {
        scope,
        reason: "looks wrong".to_owned(),
        who: Who::Local { uid: 7 },
        since: jiff::Timestamp::UNIX_EPOCH,
        until: None,
    };
    let bench = |silent, runs_on_hold| {
        Some(BenchFacts {
            cap: ul(20_000),
            given: Volume::ZERO,
            silent,
            runs_on_hold,
        })
    };
    case.holds = vec![hold(HoldScope::Line(line))];
    case.into = Destination::Bench;
    for kind in [DoseKind::Prime, DoseKind::Calibration] {
        case.kind = kind;
        case.bench = bench(false, true);
        assert_eq!(case.code(), "ok");
        // One that came later, a session that nobody is at.
        for bench in [bench(false, false), bench(true, true), None] {
            case.bench = bench;
            assert_eq!(case.code(), "held");
        }
    }
    case.bench = bench(false, true);
    for (kind, into) in [
        (DoseKind::Plan, Destination::Bench),
        (DoseKind::Hand, Destination::Bench),
        (DoseKind::Calibration, Destination::Tank),
    ] {
        (case.kind, case.into) = (kind, into);
        assert_eq!(case.code(), "held", "{kind} {into}");
    }
    (case.kind, case.into) = (DoseKind::Calibration, Destination::Bench);
    case.holds.push(hold(HoldScope::All));
    let refusal = case.verdict().unwrap_err();
    assert_eq!(refusal.code(), "held");
    let said = refusal.to_string();
    assert!(
        said.contains("`dosewright resume`") && said.contains("`dosewright hold LINE`"),
        "{said}"
    );
}
