//! Why a dose is not given, with the numbers.

use thiserror::Error;

use super::allowance::Allowance;
use crate::chemistry::Quantity;
use crate::quantity::{Millis, Name, Volume};

/// A typed no. Its text is read by the keeper; its [`code`](Self::code) by programs.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum Refusal {
    /// A hold is in force.
    #[error(
        "on hold: {reason} (set by {who}); `{lifted_by}` lifts it{}",
        at_bench.as_ref().map_or(String::new(), |head| format!("; to run head {head} at the bench and nothing else, first hold every other line by its name (`dosewright hold LINE`)"))
    )]
    Held {
        /// Why it was set.
        reason: String,
        who: String,
        /// The command that lifts it.
        lifted_by: String,
        /// The head, when it is at the bench and everything is on hold.
        at_bench: Option<Name>,
    },
    /// The outlet is out of the tank.
    #[error(
        "line {line} is at the bench, {}; when its outlet is back in the tank run `dosewright bench {head} back`{}",
        if *.silent { "and its session fell silent, so nobody knows where its outlet is" } else { "so it gives nothing to the tank" },
        if *.silent { format!(", when it is in a vessel `dosewright bench {head} open`") } else { String::new() }
    )]
    AtBench {
        line: Name,
        head: Name,
        /// The session fell silent.
        silent: bool,
    },
    /// It was to go into a vessel, and the outlet is in the tank.
    #[error(
        "head {head} is not at the bench; hang its outlet into a vessel and run `dosewright bench {head} open`"
    )]
    NotAtBench { head: Name },
    /// The runs of the session would give too much.
    #[error(
        "{volume} would make {total} in this session of head {head} at the bench, over its cap of {cap}; run `dosewright bench {head} back` and open a new one, with --cap if it is to be larger"
    )]
    BenchCap {
        head: Name,
        /// What was asked for.
        volume: Volume,
        /// What all runs would come to.
        total: Volume,
        cap: Volume,
    },
    /// Doses cannot be recorded.
    #[error("the ledger cannot be written, and no dose is given without a record: {why}")]
    LedgerNotWritable { why: String },
    /// The clock is not known to be set.
    #[error("the clock is not trusted: {why}")]
    ClockUnsure { why: String },
    /// A contact or a flag of the board blocks.
    #[error("input {input}: {says}")]
    InputBlocks {
        input: String,
        says: String,
        /// When it stops blocking, if known.
        until: Option<Millis>,
    },
    /// The head has no calibration.
    #[error(
        "head {head} is not calibrated, so nothing can be metered with it; run `dosewright bench {head}`"
    )]
    Uncalibrated { head: Name },
    /// The calibration is past its age or run hours, and the configuration says to block.
    #[error("head {head}: {why}; calibrate it again")]
    CalibrationExpired {
        head: Name,
        /// How old it is.
        why: String,
    },
    /// The calibration was asked about, and no run was checked since.
    #[error(
        "the calibration of head {head} was taken although {why}; measure one run with `dosewright bench {head} verify VOLUME` before it doses"
    )]
    Unverified {
        head: Name,
        /// What was doubtful.
        why: String,
    },
    /// More than one dose may be.
    #[error("{volume} is over the dose cap of {cap} of line {line}")]
    DoseCap {
        line: Name,
        /// What was asked for.
        volume: Volume,
        cap: Volume,
    },
    /// Less than the head meters.
    #[error("{volume} is less than head {head} can meter ({smallest})")]
    TooSmall {
        head: Name,
        /// What was asked for.
        volume: Volume,
        smallest: Volume,
    },
    /// The run would be too short to be one.
    #[error(
        "a run of {run_time} on head {head} is too short to measure; the shortest is {smallest}"
    )]
    RunTooShort {
        head: Name,
        run_time: Millis,
        smallest: Millis,
    },
    /// Outside what the calibration covers.
    #[error("the calibration of head {head} does not cover this dose: {why}")]
    NotMetered {
        head: Name,
        why: crate::metering::DoseRefusal,
    },
    /// The run would be too long.
    #[error("{volume} takes {run_time} on head {head}, over its longest run of {run_max}")]
    RunTooLong {
        head: Name,
        /// What was asked for.
        volume: Volume,
        /// Time it would take.
        run_time: Millis,
        run_max: Millis,
    },
    /// What the line goes by is on hold.
    #[error(
        "line {line} stands still with line {lead}: it goes by the uptake of {of}, and line {lead}, which gives that, is on hold ({reason}). `{lifted_by}` lifts both; `keeps-on = true` in [line.{line}] of plan.toml lets it go on alone"
    )]
    FollowsHeld {
        line: Name,
        lead: Name,
        of: Quantity,
        reason: String,
        lifted_by: String,
    },
    /// Nobody has said what the bottle holds.
    #[error(
        "nobody has said what reservoir {reservoir} holds; enter it with `dosewright refill {reservoir} VOLUME`"
    )]
    ReservoirUnknown { reservoir: Name },
    /// The bottle is used up by the books.
    #[error(
        "reservoir {reservoir} is used up: {left} left, {reserve} of it reserve, {volume} wanted; refill it and run `dosewright refill {reservoir} VOLUME`"
    )]
    ReservoirUsedUp {
        reservoir: Name,
        /// Content by the books.
        left: Volume,
        /// What is never pumped.
        reserve: Volume,
        /// What was asked for.
        volume: Volume,
    },
    /// The daily cap would be passed.
    #[error("{volume} would make {total} of line {line} in 24 h, over the daily cap of {cap}")]
    DailyCap {
        line: Name,
        /// What was asked for.
        volume: Volume,
        /// What the last 24 h would come to.
        total: Volume,
        cap: Volume,
        /// When there is room again; `None` when there never is.
        until: Option<Millis>,
    },
    /// The hourly cap would be passed.
    #[error("{volume} would make {total} of line {line} in 1 h, over the hourly cap of {cap}")]
    HourlyCap {
        line: Name,
        /// What was asked for.
        volume: Volume,
        /// What the worst hour would come to.
        total: Volume,
        cap: Volume,
        /// When there is room again; `None` when there never is.
        until: Option<Millis>,
    },
    /// A water quantity would rise too much in an hour. Amounts are in its unit: dKH or mg/L.
    #[error(
        "{} more of {of} would make {} added in 1 h, over the {} that is allowed in an hour",
        of.amount(*rise),
        of.amount(*total),
        of.amount(*limit)
    )]
    HourlyRise {
        of: Quantity,
        /// What this dose adds.
        rise: f64,
        /// What the worst hour would come to.
        total: f64,
        limit: f64,
        /// When there is room again; `None` when there never is.
        until: Option<Millis>,
    },
    /// A water quantity would rise too fast. Amounts are in its unit: dKH or mg/L.
    #[error(
        "{} more of {of} would make {} added in 24 h, over the {} that is allowed now ({})",
        of.amount(*rise),
        of.amount(*total),
        of.amount(allowed.per_day),
        allowed.reason.words(of)
    )]
    Rise {
        of: Quantity,
        /// What this dose adds.
        rise: f64,
        /// What the last 24 h would come to.
        total: f64,
        /// What is allowed in 24 h, and why.
        allowed: Allowance,
        /// When there is room again; `None` when there never is.
        until: Option<Millis>,
    },
    /// No uptake is known, so no alkalinity may be added.
    #[error(
        "line {line} carries alkalinity, but no uptake is established; give [uptake.alkalinity] in plan.toml"
    )]
    NoUptake { line: Name },
    /// The head is running, or about to.
    #[error("head {head} is running another dose")]
    HeadBusy {
        head: Name,
        /// When that run should be over.
        until: Millis,
    },
    /// The supply has no room for another head.
    #[error("{running} heads are running, and the supply allows {max} at once")]
    SupplyBusy {
        running: u32,
        max: u32,
        /// When one of them should be over.
        until: Millis,
    },
    /// A solution that precipitates with this one was dosed too lately.
    #[error("{other} was dosed {since} ago and must be kept {gap} apart from {solution}")]
    Apart {
        solution: Name,
        other: Name,
        /// Time since its dose ended.
        since: Millis,
        gap: Millis,
        /// When the gap is over.
        until: Millis,
    },
    /// The same dose was asked for by hand a moment ago.
    #[error(
        "the same dose of {volume} was given by hand {since} ago; ask again after {wait} if you mean a second one"
    )]
    Repeated {
        volume: Volume,
        /// Time since it began.
        since: Millis,
        /// The time in which a repetition is taken for a slip.
        wait: Millis,
        /// When it may be asked again.
        until: Millis,
    },
    /// Storing the intent took too long.
    #[error("the record was stored only after {waited}; too late to start this dose")]
    PermitExpired {
        /// How long it took.
        waited: Millis,
    },
}

impl Refusal {
    /// A short stable code for programs and topics.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Held { .. } => "held",
            Self::FollowsHeld { .. } => "follows-held",
            Self::AtBench { .. } | Self::NotAtBench { .. } => "bench",
            Self::BenchCap { .. } => "bench-cap",
            Self::LedgerNotWritable { .. } => "ledger-not-writable",
            Self::ClockUnsure { .. } => "clock-unsure",
            Self::InputBlocks { .. } => "input-blocks",
            Self::Uncalibrated { .. } => "uncalibrated",
            Self::CalibrationExpired { .. } => "calibration-expired",
            Self::Unverified { .. } => "unverified",
            Self::DoseCap { .. } => "dose-cap",
            Self::TooSmall { .. } => "too-small",
            Self::RunTooShort { .. } => "run-too-short",
            Self::NotMetered { .. } => "not-metered",
            Self::RunTooLong { .. } => "run-too-long",
            Self::ReservoirUnknown { .. } => "reservoir-unknown",
            Self::ReservoirUsedUp { .. } => "reservoir-used-up",
            Self::DailyCap { .. } => "daily-cap",
            Self::HourlyCap { .. } => "hourly-cap",
            Self::HourlyRise { .. } => "hourly-rise",
            Self::Rise {
                of: Quantity::Alkalinity,
                ..
            } => "ramp-limit",
            Self::Rise { .. } => "element-limit",
            Self::NoUptake { .. } => "no-uptake",
            Self::HeadBusy { .. } => "head-busy",
            Self::SupplyBusy { .. } => "supply-busy",
            Self::Apart { .. } => "keep-apart",
            Self::Repeated { .. } => "repeated",
            Self::PermitExpired { .. } => "permit-expired",
        }
    }

    /// Elapsed time at which it is worth asking again; `None` when a person, or something else than time, must act first.
    pub fn until(&self) -> Option<Millis> {
        match self {
            Self::InputBlocks { until, .. }
            | Self::DailyCap { until, .. }
            | Self::HourlyCap { until, .. }
            | Self::HourlyRise { until, .. }
            | Self::Rise { until, .. } => *until,
            Self::HeadBusy { until, .. }
            | Self::SupplyBusy { until, .. }
            | Self::Apart { until, .. }
            | Self::Repeated { until, .. } => Some(*until),
            Self::Held { .. }
            | Self::FollowsHeld { .. }
            | Self::AtBench { .. }
            | Self::NotAtBench { .. }
            | Self::BenchCap { .. }
            | Self::LedgerNotWritable { .. }
            | Self::ClockUnsure { .. }
            | Self::Uncalibrated { .. }
            | Self::CalibrationExpired { .. }
            | Self::Unverified { .. }
            | Self::DoseCap { .. }
            | Self::TooSmall { .. }
            | Self::RunTooShort { .. }
            | Self::NotMetered { .. }
            | Self::RunTooLong { .. }
            | Self::ReservoirUnknown { .. }
            | Self::ReservoirUsedUp { .. }
            | Self::NoUptake { .. }
            | Self::PermitExpired { .. } => None,
        }
    }
}
