//! What a long run must have met, and how often it did.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::plan::{Books, Disk, Fault, Shows};
use crate::rehearsal::watch::Rule;

const RULES: &[Rule] = &[
    Rule::NoRecord,
    Rule::DailyCap,
    Rule::HourlyCap,
    Rule::DoseCap,
    Rule::Ramp,
    Rule::KeepApart,
    Rule::EmptyMeansStop,
    Rule::ExactBooks,
    Rule::HoldStops,
    Rule::NoCatchUp,
    Rule::ClockTrusted,
    Rule::InputStops,
    Rule::AtBench,
    Rule::NotLive,
    Rule::Plausible,
    Rule::LivesOn,
];

/// Each fault, the refusals and alarms that this reef can come to, and the moments at which mistakes are made.
const MUST_MEET: &[&str] = &[
    "a crash in a dose",
    "two crashes in one dose",
    "slot in a gap of the clock",
    "slot in a fold of the clock",
    "dose of the plan",
    "dose by hand given",
    "calibration run",
    "power cut, clock right",
    "power cut, clock stood",
    "power cut, clock anywhere",
    "kill, hook ran",
    "kill, no hook",
    "stop",
    "the engine wants the end",
    "clock step",
    "no time source",
    "wrong trusted time",
    "times called wrong",
    "disk full",
    "disk read-only",
    "disk slow",
    "ledger lost",
    "ledger replaced",
    "ledger restored from a copy",
    "hold file torn",
    "hold file gone",
    "hold file not written",
    "run too long",
    "relay stuck on",
    "head hangs",
    "tube blocked",
    "tube worn",
    "head backwards",
    "contact",
    "contact bounces",
    "under-voltage",
    "hold",
    "resume",
    "dose by hand",
    "reading slips",
    "bottle emptier than told",
    "bench",
    "calibration slips",
    "plan edited",
    "holds by remote",
    "water change untold",
    "level-not-counted",
    "output-found-on",
    "slots-missed",
    "not given: bench",
    "not given: calibration-expired",
    "not given: daily-cap",
    "not given: follows-held",
    "not given: held",
    "not given: input-blocks",
    "not given: ledger-not-writable",
    "not given: ramp-limit",
    "not given: reservoir-used-up",
    "not given: uncalibrated",
    "denied: calibration-implausible",
    "denied: clock-behind",
    "denied: clock-unsure",
    "denied: daily-cap",
    "denied: dose-cap",
    "denied: head-busy",
    "denied: hourly-cap",
    "denied: keep-apart",
    "denied: not-metered",
    "denied: ramp-limit",
    "denied: reading-questioned",
    "denied: supply-busy",
    "denied: too-small",
    "alarm: books-forgotten",
    "alarm: dose-uncertain",
    "alarm: hold-forgotten",
    "alarm: reservoir-disagrees",
];

pub(super) fn table(looked: &BTreeMap<Rule, u64>, met: &BTreeMap<String, u64>) -> String {
    let mut table = String::new();
    for (rule, times) in looked {
        writeln!(table, "{times:>9}  looked whether {rule:?}").unwrap();
    }
    for (what, times) in met {
        writeln!(table, "{times:>9}  {what}").unwrap();
    }
    table
}

pub(super) fn never_looked_at(looked: &BTreeMap<Rule, u64>) -> Option<String> {
    let never = RULES.iter().filter(|rule| !looked.contains_key(rule));
    let never: Vec<_> = never.collect();
    (!never.is_empty()).then(|| format!("rules that were never looked at: {never:?}"))
}

pub(super) fn never_met(met: &BTreeMap<String, u64>) -> Option<String> {
    let never = MUST_MEET.iter().filter(|what| !met.contains_key(**what));
    let never: Vec<_> = never.collect();
    (!never.is_empty()).then(|| format!("never met: {never:?}"))
}

pub(super) fn kind_of(fault: &Fault) -> &'static str {
    match fault {
        Fault::PowerCut {
            shows: Shows::Right,
            ..
        } => "power cut, clock right",
        Fault::PowerCut {
            shows: Shows::Stood,
            ..
        } => "power cut, clock stood",
        Fault::PowerCut {
            shows: Shows::Ahead(_),
            ..
        } => "power cut, clock anywhere",
        Fault::Kill { hook: Some(_), .. } => "kill, hook ran",
        Fault::Kill { hook: None, .. } => "kill, no hook",
        Fault::Stop { .. } => "stop",
        Fault::Step(_) => "clock step",
        Fault::NoSource(_) => "no time source",
        Fault::WrongTime(_) => "wrong trusted time",
        Fault::Disk(Disk::Full, _) => "disk full",
        Fault::Disk(Disk::ReadOnly, _) => "disk read-only",
        Fault::Disk(Disk::Slow(_), _) => "disk slow",
        Fault::Ledger(Books::Lost) => "ledger lost",
        Fault::Ledger(Books::Replaced) => "ledger replaced",
        Fault::Ledger(Books::Old) => "ledger restored from a copy",
        Fault::HoldFileTorn => "hold file torn",
        Fault::HoldFileGone => "hold file gone",
        Fault::HoldFileFails(_) => "hold file not written",
        Fault::Late(_) => "run too long",
        Fault::Stuck(_) => "relay stuck on",
        Fault::Hangs => "head hangs",
        Fault::Tube(_, 0) => "tube blocked",
        Fault::Tube(_, -50) => "head backwards",
        Fault::Tube(..) => "tube worn",
        Fault::Contact(..) => "contact",
        Fault::Bounce(_) => "contact bounces",
        Fault::UnderVoltage(_) => "under-voltage",
        Fault::Hold(..) => "hold",
        Fault::Resume(_) => "resume",
        Fault::Dose(..) => "dose by hand",
        Fault::Slip(_) => "reading slips",
        Fault::Bottle(..) => "bottle emptier than told",
        Fault::Bench(..) => "bench",
        Fault::Miscalibrated(..) => "calibration slips",
        Fault::Plan(_) => "plan edited",
        Fault::Remote(_) => "holds by remote",
        Fault::WaterChange(_) => "water change untold",
        Fault::Synced
        | Fault::Look
        | Fault::DiskWell
        | Fault::HoldFileWell
        | Fault::ContactWell(_)
        | Fault::SupplyWell
        | Fault::OutletBack(_) => "put right",
    }
}
