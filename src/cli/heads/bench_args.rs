//! What can be typed at the bench.

use clap::{Args, Subcommand};

use crate::cli::Result;
use crate::cli::heads::measured::{Conditions, Read, TimedRun};
use crate::cli::place::{Agreed, Noted};
use crate::quantity::{
    FlowRate, Millis, Name, Volume, Words, parse_duration, parse_flow_rate, parse_volume,
};

/// Options of `bench`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright bench alkalinity\n          dosewright bench alkalinity open\n          dosewright bench alkalinity prime \"25 mL\"\n          dosewright bench alkalinity back\nWithout a further word it guides through the whole: outlet out of the tank, priming, runs that you measure, the calibration, one check, outlet back. What was measured is kept at once: whatever interrupts it, the same command goes on.\nBetween open and back the line gives nothing to the tank, and what its head gives does not count there. After 30 min without a run or a word all of it counts as given to the tank, and the line gives nothing until the outlet is said to be back."
)]
pub(crate) struct BenchArgs {
    /// The head
    #[arg(value_parser = Name::new)]
    pub(crate) head: Name,
    /// What is done; guided through all of it when left out
    #[command(subcommand)]
    pub(crate) command: Option<BenchCommand>,
}

/// What is done at the bench.
#[derive(Debug, Subcommand)]
pub(crate) enum BenchCommand {
    /// The outlet is out of the tank from now on
    #[command(
        after_help = "Examples: dosewright bench alkalinity open\n          dosewright bench alkalinity open --bucket 7"
    )]
    Open {
        /// The most that its runs may give; 20 times the line's dose cap, at least 250 mL, when left out
        #[arg(long, value_name = "VOLUME", value_parser = parse_volume)]
        cap: Option<Volume>,
        /// Let the plan run into the bucket for so many days; it waits when left out
        #[arg(long, value_name = "DAYS")]
        bucket: Option<u32>,
        #[command(flatten)]
        noted: Noted,
    },
    /// Fill the tube in one go; any key stops the head
    #[command(
        after_help = "Examples: dosewright bench alkalinity prime \"25 mL\"\n          dosewright bench alkalinity prime 90s"
    )]
    Prime {
        /// A volume or a time
        #[arg(value_parser = priming)]
        amount: Priming,
    },
    /// One run for a calibration, by time; measure what came out and enter it with `measured`
    #[command(after_help = "Examples: dosewright bench alkalinity run 3s")]
    Run {
        /// How long
        #[arg(value_parser = parse_duration)]
        time: Millis,
    },
    /// What came out in a run; it is kept at once
    #[command(
        after_help = "Examples: dosewright bench alkalinity measured 14 1.55mL\n          dosewright bench alkalinity measured 14 1.545g --water-temperature \"22 C\"\n          dosewright bench alkalinity measured 14 --take-back"
    )]
    Measured {
        /// The number of the run in the record
        dose: i64,
        /// What came out, in mL or in g
        #[arg(required_unless_present = "take_back", value_parser = Read::new)]
        amount: Option<Read>,
        /// What was entered of it is not to be used
        #[arg(long, conflicts_with = "amount")]
        take_back: bool,
        /// What vessels and scales are read by
        #[command(flatten)]
        conditions: Conditions,
    },
    /// Calibrate the head: guided, or from measured runs
    Calibrate(Calibrate),
    /// Check the calibration by one measured run
    Verify(Verify),
    /// The head has a new tube: its wear starts anew, its calibration is void
    #[command(after_help = "Examples: dosewright bench alkalinity new-tube --note \"3 x 5 mm\"")]
    NewTube {
        #[command(flatten)]
        noted: Noted,
    },
    /// The outlet is back in the tank: the line doses again from its next slot
    #[command(after_help = "Examples: dosewright bench alkalinity back")]
    Back,
    /// Whether the head is at the bench, and what its runs gave
    #[command(after_help = "Examples: dosewright bench alkalinity show")]
    Show,
}

/// Options of `calibrate`.
#[derive(Debug, Default, Args)]
#[command(
    after_help = "Examples: dosewright bench alkalinity calibrate\n          dosewright bench alkalinity calibrate --water-temperature \"22 C\"\n          dosewright bench alkalinity calibrate --runs 14,15,16,17 --resolution \"0.05 mL\"\n          dosewright bench alkalinity calibrate --run 3s=1.55mL --run 3s=1.53mL --run 12s=6.1mL --run 12s=6.15mL --resolution \"0.05 mL\"\nWithout --runs and --run it guides; any key stops the head. Each --run is a time and what came out in it, in mL or in g. Runs that scatter too much are refused. Doses shorter than the shortest run are not covered."
)]
pub(crate) struct Calibrate {
    /// Runs that were measured at the bench, by their numbers in the record; `bench HEAD show` lists them
    #[arg(long = "runs", value_name = "NUMBERS", value_delimiter = ',')]
    pub(crate) doses: Vec<i64>,
    /// A run that was timed before: time=mL or time=g, for example 3s=1.55mL; at least two lengths, the shortest and the longest twice
    #[arg(long = "run", value_name = "TIME=MEASURED", value_parser = TimedRun::new)]
    pub(crate) runs: Vec<TimedRun>,
    /// How long the guided runs are, for example "3s,12s"; half and twice the planned dose when left out
    #[arg(long, value_name = "TIMES", value_delimiter = ',', value_parser = parse_duration, conflicts_with_all = ["runs", "doses"])]
    pub(crate) lengths: Vec<Millis>,
    /// How often each length is run; 5 times when left out
    #[arg(long, value_parser = clap::value_parser!(u32).range(2..=20), conflicts_with_all = ["runs", "doses"])]
    pub(crate) repeats: Option<u32>,
    /// What vessels and scales are read by
    #[command(flatten)]
    pub(crate) conditions: Conditions,
    /// The step of the cylinder or scale, for example "0.1 mL" or "0.01 g"; asked for when it guides and this is left out
    #[arg(long, value_name = "STEP", value_parser = Read::new)]
    pub(crate) resolution: Option<Read>,
    /// The rate again, for example "4.10 mL/min": only for one that was asked about because it is far from the head's nominal rate or from the calibration before
    #[arg(long, value_name = "RATE", value_parser = parse_flow_rate)]
    pub(crate) rate: Option<FlowRate>,
    /// Guided, on a scale that creeps: weigh twice before and twice after each run, so that its drift is taken off or the run refused
    #[arg(long, conflicts_with_all = ["runs", "doses"])]
    pub(crate) creep: bool,
    /// In your words, for the certificate: the tube, the vessel
    #[arg(long, default_value = "")]
    pub(crate) note: Words,
    #[command(flatten)]
    pub(crate) agreed: Agreed,
}

/// Options of `verify`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright bench alkalinity verify \"3.15 mL\"\n          dosewright bench alkalinity verify \"3.15 mL\" --water-temperature \"22 C\"\n          dosewright bench alkalinity verify 3.15mL --start && dosewright bench alkalinity verify 3.15mL --measured 3.1mL\nRuns the head once into a vessel, asks what came out, and says whether that is within the head's tolerance-percent."
)]
pub(crate) struct Verify {
    /// A usual dose
    #[arg(value_parser = parse_volume)]
    pub(crate) volume: Volume,
    /// Ask nothing: run the head, and say which dose that was; measure it, then give --measured
    #[arg(long, conflicts_with_all = ["measured", "creep", "dose"])]
    pub(crate) start: bool,
    /// Ask nothing and run nothing: what came out of the head's last run for a check, for example 3.1mL or 3.09g
    #[arg(long, value_name = "MEASURED", conflicts_with = "creep", value_parser = Read::new)]
    pub(crate) measured: Option<Read>,
    /// With --measured: another dose of the head than its last run for a check, by its number in the record
    #[arg(long, value_name = "NUMBER", requires = "measured")]
    pub(crate) dose: Option<i64>,
    /// On a scale that creeps: weigh twice before and twice after the run, so that its drift is taken off or the check refused
    #[arg(long)]
    pub(crate) creep: bool,
    /// What vessels and scales are read by
    #[command(flatten)]
    pub(crate) conditions: Conditions,
}

/// What to show of a calibration.
#[derive(Debug, Subcommand)]
pub(crate) enum CalibrationCommand {
    /// The certificate of a head: runs, fit with its limits, what it covers, checks since, when it is due again
    #[command(
        after_help = "Examples: dosewright calibration show alkalinity\n          dosewright calibration show alkalinity --accuracy\nWorks without a daemon."
    )]
    Show {
        /// The head
        #[arg(value_parser = Name::new)]
        head: Name,
        /// Also the error by length of time, from the checks, and the terms of API 675 where they fit
        #[arg(long)]
        accuracy: bool,
    },
}

/// How much to fill a tube with.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Priming {
    Time(Millis),
    Volume(Volume),
}

pub(crate) fn priming(text: &str) -> Result<Priming, String> {
    let time = parse_duration(text).map(Priming::Time);
    time.or_else(|_| parse_volume(text).map(Priming::Volume))
        .map_err(|_| {
            format!(
                "\"{text}\" is neither a time nor a volume; write for example \"90 s\" or \"25 mL\""
            )
        })
}
