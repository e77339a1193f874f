//! The checked types: everything in them has been validated, and the core takes them as they are. Pure data.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Time;
use jiff::tz::TimeZone;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::calendar::CronTimes;
use super::contents::Contents;
use super::drive::{ActiveLevel, HeadOutput, Output};
use super::peer::Peer;
use super::words::{AlarmAction, LineBy, Mode, OldCalibration};
use crate::chemistry::{Celsius, Quantity, Salt, SolutionEffect};
use crate::metering::Calibration;
use crate::quantity::{Alkalinity, FlowRate, Millis, Name, TankVolume, Volume, local};

#[derive(Debug, Clone)]
pub struct Controller {
    /// Name of this controller, as displays show it.
    pub name: Name,
    /// Whether outputs may be driven at all.
    pub mode: Mode,
    /// How pins are driven in live mode; live mode is refused without it.
    pub board: Option<Board>,
    /// IANA name of the owner's time zone, as configured.
    pub time_zone_name: String,
    /// The zone's rules, read from the system's zone data.
    pub time_zone: TimeZone,
    pub tank: TankVolume,
    /// Pump heads by name.
    pub heads: BTreeMap<Name, Head>,
    pub reservoirs: BTreeMap<Name, Reservoir>,
    /// What bottles and tubes hold now, as far as it was told.
    pub contents: Contents,
    pub solutions: BTreeMap<Name, Solution>,
    /// Lines in the order of the file; earlier lines get the better times when slots are placed.
    pub lines: Vec<Line>,
    /// Pairs of solutions that precipitate with each other, each with the time that must lie between them.
    pub apart: Vec<ApartRule>,
    /// Contacts and switches by name.
    pub inputs: BTreeMap<Name, Input>,
    /// How many heads the supply can run together.
    pub heads_at_once: u32,
    /// Limits on each quantity that has a table; alkalinity is among them just when a line carries it.
    pub water: BTreeMap<Quantity, WaterLimits>,
    pub times: TimeLimits,
    /// Who may ask for what over the local socket; without any, the rule of [`super::peer::allows`].
    pub peers: Vec<Peer>,
}

impl Controller {
    /// A time as the owner's clocks show it.
    pub fn local(&self, at: Timestamp) -> String {
        local(at, &self.time_zone)
    }

    /// `None` for a quantity without a band.
    pub fn tracked(&self, of: &Quantity) -> Option<&TrackedLimits> {
        self.water.get(of)?.tracked.as_ref()
    }
}

/// How pins are driven and read in live mode.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Board {
    pub driver: BoardDriver,
    /// Common cut-off, in series with the supply of all heads: on only while a dose runs.
    pub cut_off: Option<Output>,
    /// Pin on which a healthy daemon sends edges to a watchdog relay.
    pub heartbeat: Option<u8>,
    /// Lamp or buzzer: on while an urgent alarm stands that nobody has acknowledged.
    pub alarm: Option<Output>,
    /// Time between two looks at the inputs.
    pub input_poll: Millis,
}

/// The driver of a board.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum BoardDriver {
    /// Registers of a Raspberry Pi.
    Rppal,
    /// The GPIO character device of the kernel.
    Chardev {
        /// Label of the chip; exactly one chip of the machine must have it.
        chip_label: String,
        /// How a pin is found on that chip.
        line_by: LineBy,
    },
}

/// A contact that shows whether a head's motor really has voltage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RunSense {
    /// BCM GPIO number, from the text `GPIO17`.
    pub gpio: u8,
    /// The level that means that it runs.
    pub running: ActiveLevel,
}

#[derive(Debug, Clone)]
pub struct Head {
    pub name: Name,
    /// The rate the maker states or the owner expects; plausibility and slot planning only, never metering.
    pub nominal_rate: FlowRate,
    /// Longest single run; the driver enforces it too.
    pub run_max: Millis,
    /// Smallest dose this head may be asked for.
    pub dose_min: Volume,
    /// How the head is driven in live mode.
    pub output: HeadOutput,
    /// What shows whether its motor has voltage, where there is such a contact.
    pub run_sense: Option<RunSense>,
    /// What the simulated head does in dry run.
    pub simulated: SimulatedHead,
    /// Age in days after which a calibration is old.
    pub calibration_age_max: Millis,
    /// Run time after which a calibration is old.
    pub calibration_run_max: Millis,
    /// What an old calibration does.
    pub calibration_old: OldCalibration,
    /// How far a dose may be off and a check still passes, %; no dose is metered that may be off by more at 95 % confidence.
    pub tolerance_percent: f64,
}

impl Head {
    /// How much more than its nominal rate a head without a calibration may give: heads are sold by the rate of a new, soft tube at
    /// full voltage, so half more is not expected. Ours.
    const OVER_NOMINAL: f64 = 1.5;

    /// The most that it gives in a time: by its calibration, or by its nominal rate and a margin.
    pub fn at_most(&self, calibration: Option<&Calibration>, run_time: Millis) -> Volume {
        let nominal = || {
            let rate = self.nominal_rate.as_ml_per_min() * Self::OVER_NOMINAL;
            Volume::from_ml(rate * run_time.as_secs() / 60.0).unwrap_or(Volume::from_ul(i64::MAX))
        };
        calibration.map_or_else(nominal, |c| c.at_most(run_time))
    }
}

/// The stand-in for a real head in dry run.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatedHead {
    pub rate: FlowRate,
    /// Its true start-stop offset.
    pub offset: Volume,
    /// Coefficient of variation of a run, 0 to 0.2; drawn deterministically from the dose number.
    pub scatter: f64,
}

#[derive(Debug, Clone)]
pub struct Reservoir {
    pub name: Name,
    /// What it may hold, at least one; the first is taken to be in it until a refill tells.
    pub solutions: Vec<Name>,
    /// What it holds when full.
    pub capacity: Volume,
    /// What is never pumped: the last of the bottle, where the tube draws air.
    pub reserve: Volume,
    /// A warning comes when the effective plan would use it up within this time.
    pub low_warning: Millis,
    /// The coldest its content gets; what is dissolved must stay so down to it.
    pub coldest: Celsius,
}

/// What is in a bottle.
#[derive(Debug, Clone)]
pub struct Solution {
    pub name: Name,
    /// What one litre of it carries.
    pub effect: SolutionEffect,
    /// The salts it is made of, g per litre of finished solution; empty when its strength is given in another way.
    pub salts: Vec<(Salt, f64)>,
    /// Whether it holds more than its effect says, or nobody says what: a bought mix whose maker does not tell.
    pub unstated: bool,
    /// Whether it burns skin and eyes; shown with every manual command.
    pub caustic: bool,
}

impl Solution {
    /// Whether it may carry a quantity without anybody having said so.
    pub fn may_carry(&self, of: &Quantity) -> bool {
        self.unstated && !self.effect.carries(of)
    }

    /// What is not known of it, in words; `None` where all is.
    pub fn unstated_words(&self) -> Option<&'static str> {
        let knows_some = self.effect != SolutionEffect::default();
        self.unstated.then_some(if knows_some {
            "what else it carries is not stated"
        } else {
            "what it carries is not stated"
        })
    }
}

/// One head drawing from one reservoir.
#[derive(Debug, Clone)]
pub struct Line {
    pub name: Name,
    pub head: Name,
    pub reservoir: Name,
    /// Most in any 24 h of elapsed time, whoever asks.
    pub daily_cap: Volume,
    /// Most in one dose, whoever asks.
    pub dose_cap: Volume,
    /// Most in any 60 min of elapsed time, whoever asks; `None` for the dose cap or the busiest hour of the plan, whichever is more.
    pub hourly_cap: Option<Volume>,
}

impl Line {
    /// The most that a session at the bench may give where its owner says nothing: twenty times the dose cap, or 250 mL where that is
    /// more. Ours: three rounds of half and twice the largest dose, by a head that nobody has calibrated and that may give half as much
    /// again, are 11.25 dose caps; the rest is for priming and a check. 250 mL fill two metres of any tube of a dosing head, and are no
    /// flood.
    pub fn bench_cap(&self) -> Volume {
        let doses = self.dose_cap.as_ul().saturating_mul(20);
        Volume::from_ul(doses).max(Volume::from_ul(250_000))
    }
}

/// Two solutions that must not meet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ApartRule {
    pub first: Name,
    pub second: Name,
    /// Time from the end of one dose to the start of the other, in either order.
    pub gap: Millis,
}

/// A contact or switch.
#[derive(Debug, Clone)]
pub struct Input {
    pub name: Name,
    pub role: InputRole,
    /// BCM GPIO number, from the text `GPIO24`.
    pub gpio: u8,
    /// The electrical level that means "safe". A broken wire reads as the other one.
    pub safe: ActiveLevel,
    /// What it blocks when unsafe.
    pub blocks: Blocks,
    /// Whether a running dose of a blocked line is stopped at once.
    pub stops_running: bool,
    /// How long the level must be steady to count as unsafe.
    pub trip_after: Millis,
    /// How long the level must be steady to count as safe again.
    pub clear_after: Millis,
    /// Extra wait after it is safe again (a return pump needs time to mix).
    pub resume_after: Millis,
}

/// What a contact tells.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum InputRole {
    /// Unsafe means: the named reservoir is empty.
    ReservoirFloat(Name),
    /// Unsafe means: the return pump does not run, so the water stands still.
    ReturnPump,
    /// Unsafe means: water where none should be.
    Leak,
    /// Unsafe means: the sump is too full.
    SumpHigh,
    /// Unsafe means: somebody pressed stop; latches as a hold.
    StopButton,
}

/// What an input blocks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Blocks {
    All,
    Lines(Vec<Name>),
}

/// Limits on one water quantity, counted over every line that carries it. Numbers are in its own unit: dKH or mg/L.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WaterLimits {
    /// How much more than uptake may be added in 24 h.
    pub max_rise: f64,
    /// How much may be added in any 60 min; `None` for what the hourly cap of a line or the busiest hour of the plan adds.
    pub max_rise_per_hour: Option<f64>,
    /// The step that the owner's test of it is read to; 0 when nobody told.
    pub kit_step: f64,
    /// Present when the owner gives it a band: it has a predicted level and needs readings. Otherwise only its rise is limited.
    pub tracked: Option<TrackedLimits>,
}

/// Where the owner wants a quantity, and what guards that. Numbers are in its own unit: dKH or mg/L.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackedLimits {
    pub target: f64,
    /// Lower edge of the wanted band.
    pub band_low: f64,
    /// Upper edge of the wanted band.
    pub band_high: f64,
    /// A reading below this is an alarm.
    pub alarm_low: f64,
    /// A reading above this is an alarm.
    pub alarm_high: f64,
    pub on_alarm_low: AlarmAction,
    pub on_alarm_high: AlarmAction,
    /// How much less than uptake a plan may add in 24 h.
    pub max_fall: f64,
    /// Age of the last reading after which nothing may rise above uptake.
    pub stale_after: Millis,
    /// Growth of the prediction's uncertainty per day.
    pub drift_per_day: f64,
    /// Largest accepted change of the established uptake per day.
    pub uptake_change_max: f64,
    /// Time that must pass between two accepted changes.
    pub settling: Millis,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TimeLimits {
    /// A slot seen later than this is missed.
    pub slot_lateness_max: Millis,
    /// How long a due slot may wait for a gap, a free supply or room in a window.
    pub slot_wait_max: Millis,
    /// A step of the clock larger than this holds all lines until acknowledged.
    pub clock_step_max: Millis,
    /// After this long without a trusted clock there is an alarm.
    pub clock_wait_alarm: Millis,
    /// A hold older than this reminds.
    pub hold_reminder: Millis,
    /// How long the ledger may take to store an intent before the dose is dropped.
    pub permit_valid: Millis,
}

/// `plan.toml`, checked against its controller.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Starting values, used until an uptake is accepted or told.
    pub starts: BTreeMap<Quantity, StartUptake>,
    /// The uptakes in force, by which the volumes are worked out.
    pub uptakes: Uptakes,
    /// One entry for each planned line, in the order of the controller's lines.
    pub lines: Vec<PlannedLine>,
    /// What the owner wants to be reminded of.
    pub jobs: Vec<Job>,
}

/// A job of the owner's that comes again and again.
#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    pub name: Name,
    pub every: Millis,
    /// What does it without being told done: `panel`, `water-change`, or the word of what a test is of.
    pub ticked_by: Option<String>,
}

/// Uptake a day of each quantity, in its own unit.
pub type Uptakes = BTreeMap<Quantity, f64>;

/// Where an uptake begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StartUptake {
    /// A day, in the quantity's unit.
    PerDay(f64),
    /// Tied to alkalinity's by the calcification ratio.
    WithAlkalinity,
}

/// How much a line gives a day.
#[derive(Debug, Clone, PartialEq)]
pub enum Gives {
    /// This part of the uptake of a quantity that its solution carries; 0 for a line that waits for a changeover.
    Share {
        of: Quantity,
        share: f64,
    },
    /// So many mL for each unit of the uptake of a quantity.
    PerUptake {
        of: Quantity,
        ml: f64,
    },
    Daily(Volume),
}

/// Where something that is in force comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Origin {
    /// controller.toml or plan.toml.
    File,
    /// Told, accepted or measured.
    Ledger,
}

impl Plan {
    pub fn alkalinity_uptake(&self) -> Option<Alkalinity> {
        let dkh = self.uptakes.get(&Quantity::Alkalinity)?;
        Some(Alkalinity::from_dkh(*dkh))
    }
}

impl Gives {
    /// Whether it keeps its times and gives nothing yet.
    pub fn waits(&self) -> bool {
        matches!(self, Self::Share { share, .. } if *share <= 0.0)
    }

    /// The quantity whose uptake it goes by.
    pub fn of(&self) -> Option<&Quantity> {
        match self {
            Self::Share { of, .. } | Self::PerUptake { of, .. } => Some(of),
            Self::Daily(_) => None,
        }
    }
}

/// The standing plan of one line.
#[derive(Debug, Clone)]
pub struct PlannedLine {
    pub line: Name,
    pub gives: Gives,
    /// Whether it goes on while what gives the quantity that it goes by is on hold.
    pub keeps_on: bool,
    /// Volume per local day that follows from `gives`.
    pub daily_volume: Volume,
    pub times: Times,
}

/// When a line doses. All times are local civil times.
#[derive(Debug, Clone)]
pub enum Times {
    /// Evenly over a window.
    Spread {
        /// Number of doses a day.
        doses: u32,
        /// Seconds of the local day at which the window opens, 0 to 86,400.
        window_start_s: u32,
        /// Seconds of the local day at which it closes, up to 86,400; before the start for a window through midnight.
        window_end_s: u32,
    },
    /// At fixed times, in order.
    At(Vec<Time>),
    /// By a cron expression, evaluated on the bare calendar.
    Cron(CronTimes),
}
