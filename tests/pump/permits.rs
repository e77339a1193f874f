//! Permits for tests and benches, got from the guard like any other.

use std::collections::BTreeMap;

use dosewright::config::{Controller, check_texts};
use dosewright::guard::{ClockFact, DosePermit, DoseWindow, Facts, LedgerFact, Request, judge};
use dosewright::metering::{Calibration, Coverage};
use dosewright::quantity::{FlowRate, Millis, Name, Volume};
use dosewright::record::{Destination, DoseId, DoseKind};
use jiff::tz::TimeZone;

/// The demo reef; its line `magnesium` carries no alkalinity, so nothing but the run itself is judged.
pub(crate) fn demo() -> Controller {
    let texts = [
        (
            "controller.toml",
            include_str!("../../config/controller.toml"),
        ),
        ("plan.toml", include_str!("../../config/plan.toml")),
    ];
    check_texts(
        texts,
        &|_| Some(TimeZone::UTC),
        &dosewright::plan::check_plan,
    )
    .expect("the sample files have no mistake")
    .controller
}

pub(crate) fn name(text: &str) -> Name {
    Name::new(text).expect("a name")
}

/// Longest run of the demo's heads for alkalinity, calcium and magnesium.
pub(crate) const RUN_MAX: Millis = Millis::from_secs(20);

/// A permit that is good now, for a run of this many milliseconds on the head of line `magnesium`, by a calibration of 30 mL/min without offset:
/// 2 ms a microlitre.
pub(crate) fn permit(controller: &Controller, dose: i64, run_ms: i64) -> DosePermit {
    permit_given_at(controller, dose, run_ms, dosewright::pump::elapsed())
}

/// The same, given at another moment of the elapsed clock.
pub(crate) fn permit_given_at(
    controller: &Controller,
    dose: i64,
    run_ms: i64,
    at: Millis,
) -> DosePermit {
    let line = controller
        .lines
        .iter()
        .find(|line| line.name.as_str() == "magnesium")
        .expect("a line of the demo reef");
    let calibration = Calibration::new(FlowRate::from_ml_per_min(30.0), Volume::ZERO)
        .expect("a plausible calibration");
    let known = "the file has been checked";
    let mut head = controller.heads.get(&line.head).expect(known).clone();
    head.dose_min = Volume::from_ul(1);
    let window = DoseWindow::default();
    let facts = Facts {
        line,
        head: &head,
        outlet: controller.outlet(&line.name).expect(known),
        reservoirs: &controller.reservoirs,
        tank: controller.tank,
        holds: Vec::new(),
        follows: None,
        bench: None,
        hourly_cap: line.dose_cap,
        window: &window,
        apart: &[],
        heads_at_once: 1,
        calibration: Some(&calibration),
        coverage: &Coverage::Assumed,
        calibration_expired: None,
        unverified: None,
        reservoir_left: Some(Volume::from_ul(1_000_000)),
        reservoir_reserve: Volume::ZERO,
        ledger: LedgerFact::Writable,
        clock: ClockFact::Trusted,
        inputs: Vec::new(),
        water: BTreeMap::new(),
        permit_valid: Millis::from_secs(5),
    };
    let request = Request {
        id: DoseId(dose),
        line: &line.name,
        volume: Volume::from_ul(run_ms / 2),
        kind: DoseKind::Hand,
        timed: None,
        into: Destination::Tank,
    };
    judge(&request, &facts, at).expect("nothing stands against it")
}
