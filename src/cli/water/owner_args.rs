//! What can be typed for the owner's arithmetic and for what is told of the water: solutions, dilution, saturation, advice, courses,
//! readings, lab reports, changes.

use clap::builder::{PossibleValuesParser, TypedValueParser};
use clap::{Args, Subcommand};
use jiff::Timestamp;

use crate::chemistry::{Celsius, PhScale, Quantity, Salinity, Salt};
use crate::cli::place::{Agreed, Noted};
use crate::cli::water::begin::Begin;
use crate::cli::water::panel_csv::{Decimal, columns};
use crate::cli::words::{
    Amount, amount, celsius, held, litres, ph_scale, quantity, salinity, tank_volume, tracked,
};
use crate::estimate::Tracked;
use crate::quantity::{
    Alkalinity, Concentration, Name, TankVolume, Volume, parse_alkalinity, parse_concentration,
    parse_volume,
};
use crate::record::{Carried, Columns};

/// How what is told goes with the time, the method and the questions.
#[derive(Debug, Args)]
pub(in crate::cli) struct Told {
    /// When it was so (RFC 3339); now when left out, or the time of what is corrected
    #[arg(long, value_name = "TIME")]
    pub(in crate::cli) at: Option<Timestamp>,
    /// How it was measured or done, in your words
    #[arg(long, default_value = "")]
    pub(in crate::cli) method: String,
    /// You were asked about an unlikely value, and it is right
    #[arg(long)]
    pub(in crate::cli) sure: bool,
}

/// What was told by mistake. It stays in the record, marked.
#[derive(Debug, Args)]
pub(in crate::cli) struct Mistake {
    /// Its number, as the list shows it
    pub(in crate::cli) number: i64,
    /// Why, in your words
    #[arg(long)]
    pub(in crate::cli) reason: String,
}

#[derive(Debug, Args)]
#[command(
    args_conflicts_with_subcommands = true,
    after_help = "Examples: dosewright solution\n          dosewright solution soda-ash\n          dosewright solution recipe --salt Na2CO3 --volume \"20 mL\" --raises alkalinity --by \"0.5 dKH\""
)]
pub(in crate::cli) struct Solution {
    /// Something else than a look at the configured solutions
    #[command(subcommand)]
    pub(in crate::cli) command: Option<SolutionCommand>,
    /// The solution; all of them when left out
    pub(in crate::cli) name: Option<String>,
}

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum SolutionCommand {
    /// Work out the recipe of one salt for a wanted strength
    #[command(
        after_help = "Example: dosewright solution recipe --salt Na2CO3 --volume \"10 mL\" --raises alkalinity --by \"1 dKH\"\nRefused when it would not stay dissolved at the coldest the bottle gets. CAUTION: hydroxides and soda burn skin and eyes; add the powder to water, never water to the powder."
    )]
    Recipe(SolutionRecipe),
}

#[derive(Debug, Args)]
pub(in crate::cli) struct SolutionRecipe {
    /// The salt's formula with its crystal water, for example CaCl2.2H2O
    #[arg(long)]
    pub(in crate::cli) salt: Salt,
    /// The volume that is to do it, for example "20 mL"
    #[arg(long, value_parser = parse_volume)]
    pub(in crate::cli) volume: Volume,
    /// alkalinity, or an element
    #[arg(long, value_parser = quantity)]
    pub(in crate::cli) raises: Quantity,
    /// By how much, for example "0.5 dKH" or "10 mg/L"
    #[arg(long, value_parser = amount)]
    pub(in crate::cli) by: Amount,
    /// The tank's net water, for example "300 L"; that of controller.toml when left out
    #[arg(long, value_parser = tank_volume)]
    pub(in crate::cli) tank: Option<TankVolume>,
    /// The coldest the bottle gets, for example "15 C"
    #[arg(long, default_value = "15 C", value_parser = celsius)]
    pub(in crate::cli) coldest: Celsius,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct Dilute {
    /// What to work out
    #[command(subcommand)]
    pub(in crate::cli) command: DiluteCommand,
    /// The tank's net water, for example "300 L"; that of controller.toml when left out
    #[arg(long, global = true, value_parser = tank_volume)]
    pub(in crate::cli) tank: Option<TankVolume>,
}

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum DiluteCommand {
    /// What a series of equal water changes leaves
    #[command(
        after_help = "Example: dosewright dilute changes --change \"30 L\" --times 4 --from \"50 mg/L\" --new \"0 mg/L\""
    )]
    Changes {
        /// Water of one change, for example "30 L"
        #[arg(long, value_parser = litres)]
        change: TankVolume,
        /// How many of them
        #[arg(long, value_parser = clap::value_parser!(u32).range(1..=1000))]
        times: u32,
        /// The level now, for example "50 mg/L"
        #[arg(long, value_parser = parse_concentration)]
        from: Option<Concentration>,
        /// The level of the new water
        #[arg(long, default_value = "0 mg/L", value_parser = parse_concentration)]
        new: Concentration,
    },
    /// How many changes, or which single one, bring a level to another
    #[command(
        after_help = "Example: dosewright dilute reach --change \"30 L\" --from \"50 mg/L\" --to \"20 mg/L\""
    )]
    Reach {
        /// Water of one change
        #[arg(long, value_parser = litres)]
        change: TankVolume,
        /// The level now
        #[arg(long, value_parser = parse_concentration)]
        from: Concentration,
        /// The wanted level
        #[arg(long, value_parser = parse_concentration)]
        to: Concentration,
        /// The level of the new water
        #[arg(long, default_value = "0 mg/L", value_parser = parse_concentration)]
        new: Concentration,
    },
    /// Where a level settles under routine changes while it is gained or taken up
    #[command(
        after_help = "Examples: dosewright dilute steady --change \"30 L\" --every-days 7 --gain \"1 mg/L\"\n          dosewright dilute steady --change \"30 L\" --every-days 7 --uptake \"2 mg/L\" --new \"420 mg/L\""
    )]
    Steady {
        /// Water of one change
        #[arg(long, value_parser = litres)]
        change: TankVolume,
        /// Days from one change to the next
        #[arg(long, value_parser = clap::value_parser!(u32).range(1..=3650))]
        every_days: u32,
        /// Gained each day
        #[arg(long, conflicts_with = "uptake", required_unless_present = "uptake", value_parser = parse_concentration)]
        gain: Option<Concentration>,
        /// Taken up each day
        #[arg(long, value_parser = parse_concentration)]
        uptake: Option<Concentration>,
        /// The level of the new water
        #[arg(long, default_value = "0 mg/L", value_parser = parse_concentration)]
        new: Concentration,
    },
    /// A steady exchange in which new water flows in and old water out
    #[command(
        after_help = "Examples: dosewright dilute continuous --litres \"90 L\"\n          dosewright dilute continuous --left 50"
    )]
    Continuous {
        /// Water exchanged in all
        #[arg(long, required_unless_present = "left", conflicts_with = "left", value_parser = litres)]
        litres: Option<TankVolume>,
        /// Percent of the old water that is to be left
        #[arg(long)]
        left: Option<f64>,
    },
    /// What the water and salt of the plan's own doses do to the salinity
    #[command(
        after_help = "Example: dosewright dilute doses --days 365 --salinity 35 --temperature \"25 C\""
    )]
    Doses {
        /// For how long
        #[arg(long, default_value_t = 365, value_parser = clap::value_parser!(u32).range(1..=3650))]
        days: u32,
        /// The salinity now: practical ("35"), or specific gravity with both temperatures ("1.0264 sg 25/25 C")
        #[arg(long, default_value = "35", value_parser = salinity)]
        salinity: Salinity,
        /// The tank's temperature
        #[arg(long, default_value = "25 C", value_parser = celsius)]
        temperature: Celsius,
    },
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright saturation --ph 8.2 --ph-scale nbs\n          dosewright saturation --alkalinity \"8.1 dKH\" --calcium \"420 mg/L\" --ph 8.05 --ph-scale total --salinity 35 --temperature \"25 C\"\nWhat is left out is taken from the newest readings of the record."
)]
pub(in crate::cli) struct Saturation {
    /// Alkalinity
    #[arg(long, value_parser = parse_alkalinity)]
    pub(in crate::cli) alkalinity: Option<Alkalinity>,
    /// Calcium
    #[arg(long, value_parser = parse_concentration)]
    pub(in crate::cli) calcium: Option<Concentration>,
    /// pH; its scale must be given with it
    #[arg(long, requires = "ph_scale")]
    pub(in crate::cli) ph: Option<f64>,
    /// The scale the pH is on: nbs (an electrode calibrated in the usual buffers), total, seawater or free
    #[arg(long, value_parser = ph_scale)]
    pub(in crate::cli) ph_scale: Option<PhScale>,
    /// Salinity: practical ("35"), or specific gravity with both temperatures ("1.0264 sg 25/25 C")
    #[arg(long, value_parser = salinity)]
    pub(in crate::cli) salinity: Option<Salinity>,
    /// Temperature
    #[arg(long, value_parser = celsius)]
    pub(in crate::cli) temperature: Option<Celsius>,
    /// Standard uncertainty of the pH
    #[arg(long, default_value_t = 0.1)]
    pub(in crate::cli) ph_uncertainty: f64,
}

/// What is advised on, and from which readings.
#[derive(Debug, Args)]
pub(in crate::cli) struct Advised {
    /// alkalinity, Ca or Mg
    #[arg(default_value = "alkalinity", value_parser = PossibleValuesParser::new(["alkalinity", "Ca", "Mg"]).try_map(|word| tracked(&word)))]
    pub(in crate::cli) quantity: Tracked,
    /// How many days of readings are looked at
    #[arg(long, default_value_t = 28, value_parser = clap::value_parser!(u32).range(3..=365))]
    pub(in crate::cli) days: u32,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright advise\n          dosewright advise Ca --days 42\nWorks without a daemon. Nothing is changed by it."
)]
pub(in crate::cli) struct Advise {
    #[command(flatten)]
    pub(in crate::cli) of: Advised,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright accept\n          dosewright accept Ca\nShows what will change and asks; then the uptake is in force, and every line that goes by it gives accordingly. No file is changed."
)]
pub(in crate::cli) struct Accept {
    #[command(flatten)]
    pub(in crate::cli) of: Advised,
    #[command(flatten)]
    pub(in crate::cli) agreed: Agreed,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright uptake\n          dosewright uptake alkalinity \"0.85 dKH\"\n          dosewright uptake calcium \"6.1 mg/L\"\nTo begin with, from two tests or from a dose that keeps the level still:\n          dosewright uptake alkalinity --from \"8.4 dKH\" --to \"7.8 dKH\" --after \"1 d\"\n          dosewright uptake alkalinity --newest\n          dosewright uptake alkalinity --stands-still-at \"60 mL\" --of soda-ash --after \"14 d\"\nWithout a value it lists what is in force. Every line that goes by it gives accordingly; no file is changed. What is worked out from tests is shown first and asked about; showing needs no daemon."
)]
pub(in crate::cli) struct UptakeArgs {
    /// alkalinity, or an element such as calcium
    #[arg(requires = "how", value_parser = quantity)]
    pub(in crate::cli) quantity: Option<Quantity>,
    /// What the animals take up a day, with its unit
    #[arg(group = "how", value_parser = amount)]
    pub(in crate::cli) value: Option<Amount>,
    #[command(flatten)]
    pub(in crate::cli) begin: Begin,
    /// It is right, however unlikely
    #[arg(long)]
    pub(in crate::cli) sure: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct Course {
    /// What to do with courses
    #[command(subcommand)]
    pub(in crate::cli) command: CourseCommand,
}

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum CourseCommand {
    /// Raise one thing by so much in all, on top of a line's plan; shown before it begins on the next local day
    #[command(
        after_help = "Example: dosewright course raise iodine --of iodine --by \"0.003 mg/L\" --at-most \"0.0003 mg/L\"\nThe extra is added to the line's doses of each day; every cap and limit counts it. It ends by itself, and a day that was missed is not made up for."
    )]
    Raise(CourseChange),
    /// Lower one thing by so much in all: the line gives less than its plan for some days
    #[command(
        after_help = "Example: dosewright course lower alkalinity --of alkalinity --by \"1 dKH\" --at-most \"0.2 dKH\"\nThe line gives less of everything that its bottle carries, never less than nothing. It ends by itself."
    )]
    Lower(CourseChange),
    /// Give so much a day of what is used up all the time, until a review date
    #[command(
        after_help = "Example: dosewright course top-up iodine --of iodine --per-day \"0.1 ug/L\" --review-days 30\nIt stops after that many days unless a reading or lab report from after its beginning confirms it: dosewright course confirm. An alarm asks for it three days before."
    )]
    TopUp(CourseTopUp),
    /// Fade from one line to another at equal effect on the water; shown day by day before it begins
    #[command(
        after_help = "Example: dosewright course changeover alkalinity bicarbonate --days 10\nThe second line stands in plan.toml with its times and `share-of-uptake = 0`. Every cap and limit counts both."
    )]
    Changeover(CourseChangeover),
    /// List courses with what of them was given
    List,
    /// Give nothing of one until it is resumed, or leave a changeover at its step; the day that has begun counts as given
    Pause(CourseNumber),
    /// Go on with one, from the next local day
    Resume(CourseNumber),
    /// Take a changeover back to the old line, a step each day
    Back(CourseNumber),
    /// End one now
    End(CourseNumber),
    /// Let a top-up go on, by a result that is newer than its last look
    Confirm(CourseConfirm),
}

/// How a course is begun.
#[derive(Debug, Args)]
pub(in crate::cli) struct CourseTold {
    #[command(flatten)]
    pub(in crate::cli) noted: Noted,
    #[command(flatten)]
    pub(in crate::cli) agreed: Agreed,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct CourseChange {
    /// The line that gives it
    #[arg(value_parser = Name::new)]
    pub(in crate::cli) line: Name,
    /// What is changed: alkalinity, or an element
    #[arg(long, value_name = "WHAT", value_parser = quantity)]
    pub(in crate::cli) of: Quantity,
    /// By how much in all, for example "0.03 mg/L"
    #[arg(long, value_parser = amount)]
    pub(in crate::cli) by: Amount,
    /// By how much a day at most, for example "0.01 mg/L"
    #[arg(long, value_name = "AMOUNT", value_parser = amount)]
    pub(in crate::cli) at_most: Amount,
    #[command(flatten)]
    pub(in crate::cli) told: CourseTold,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct CourseTopUp {
    /// The line that gives it
    #[arg(value_parser = Name::new)]
    pub(in crate::cli) line: Name,
    /// What is topped up: alkalinity, or an element
    #[arg(long, value_name = "WHAT", value_parser = quantity)]
    pub(in crate::cli) of: Quantity,
    /// By how much a day, for example "0.1 ug/L"
    #[arg(long, value_name = "AMOUNT", value_parser = amount)]
    pub(in crate::cli) per_day: Amount,
    /// Days until it stops or is confirmed
    #[arg(long, default_value_t = 30, value_parser = clap::value_parser!(u32).range(1..=92))]
    pub(in crate::cli) review_days: u32,
    #[command(flatten)]
    pub(in crate::cli) told: CourseTold,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct CourseChangeover {
    /// The line that fades out
    #[arg(value_parser = Name::new)]
    pub(in crate::cli) from: Name,
    /// The line that fades in
    #[arg(value_parser = Name::new)]
    pub(in crate::cli) to: Name,
    /// Over how many days
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=92))]
    pub(in crate::cli) days: u32,
    /// What stays equal: alkalinity, or an element
    #[arg(long, value_name = "WHAT", default_value = "alkalinity", value_parser = quantity)]
    pub(in crate::cli) of: Quantity,
    #[command(flatten)]
    pub(in crate::cli) told: CourseTold,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct CourseConfirm {
    /// Its number, as `course list` shows it
    pub(in crate::cli) number: i64,
    /// Days from tomorrow until the next review
    #[arg(long, default_value_t = 30, value_parser = clap::value_parser!(u32).range(1..=92))]
    pub(in crate::cli) review_days: u32,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct CourseNumber {
    /// Its number, as `course list` shows it
    pub(in crate::cli) number: i64,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct Reading {
    #[command(subcommand)]
    pub(in crate::cli) command: ReadingCommand,
}

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum ReadingCommand {
    /// Enter one
    #[command(
        after_help = "Examples: dosewright reading add alkalinity \"8.1 dKH\" --uncertainty \"0.2 dKH\" --method \"drop titration\"\n          dosewright reading add Ca \"420 mg/L\" --at 2026-11-25T18:30:00Z\n          dosewright reading add I \"<0.02 mg/L\"\n          dosewright reading add salinity \"1.0264 sg 25/25 C\"\n          dosewright reading add pH \"8.2 nbs\""
    )]
    Add {
        /// alkalinity, an element such as calcium or Ca, or salinity, pH, temperature, nitrate, phosphate
        quantity: String,
        #[command(flatten)]
        typed: TypedReading,
    },
    /// Correct one; the old entry is kept and marked
    #[command(
        after_help = "Example: dosewright reading correct 12 \"8.1 dKH\" --reason \"read the wrong syringe\"\nThe number is that of `dosewright reading list`; a row of a lab report is corrected like any other. Time and method are the old one's where they are left out."
    )]
    Correct {
        #[command(flatten)]
        mistake: Mistake,
        #[command(flatten)]
        typed: TypedReading,
    },
    /// Take one back; it is kept and marked
    TakeBack(Mistake),
    /// List those of the record
    List,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct TypedReading {
    /// The value with its unit: "8.1 dKH", "2.9 meq/L", "145 mg/L CaCO3", "420 mg/L", "<0.02 mg/L", "25.4 C", "35" or
    /// "1.0264 sg 25/25 C" for salinity, "8.2 nbs" for pH
    pub(in crate::cli) value: String,
    /// One standard uncertainty with its unit; 0.2 dKH for alkalinity, 5 % of the value otherwise, when left out
    #[arg(long, value_name = "VALUE")]
    pub(in crate::cli) uncertainty: Option<String>,
    #[command(flatten)]
    pub(in crate::cli) told: Told,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright changes\n          dosewright changes add note \"new light\"\n          dosewright changes add water \"30 L\" --new \"alkalinity=8.0 dKH,Ca=420 mg/L\"\n          dosewright changes add by-hand limewater \"2 L\""
)]
pub(in crate::cli) struct Changes {
    /// Something else than a look
    #[command(subcommand)]
    pub(in crate::cli) command: Option<ChangesCommand>,
}

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum ChangesCommand {
    /// Tell one
    Add {
        #[command(subcommand)]
        what: Change,
    },
    /// Correct one that was told; the old entry is kept and marked
    #[command(
        after_help = "Example: dosewright changes correct 14 --reason \"it was the small bucket\" water \"25 L\""
    )]
    Correct {
        #[command(flatten)]
        mistake: Mistake,
        #[command(subcommand)]
        what: Change,
    },
    /// Take one back that was told; it is kept and marked
    TakeBack(Mistake),
    /// List all changes
    List,
}

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum Change {
    /// Anything about the tank
    Note {
        /// What was changed, in your words
        text: String,
        #[command(flatten)]
        told: Told,
    },
    /// A water change
    #[command(
        after_help = "Example: dosewright changes add water \"30 L\" --new \"alkalinity=8.0 dKH,Ca=420 mg/L\"\nUptake and lab reports count it. Until the next alkalinity reading nothing may rise above uptake."
    )]
    Water {
        /// How much was changed, for example "30 L"
        #[arg(value_parser = tank_volume)]
        volume: TankVolume,
        /// What the new water held, for example "alkalinity=8.0 dKH,Ca=420 mg/L"; tested, or as its maker says
        #[arg(long, value_name = "LEVELS", default_value = "", value_parser = held)]
        new: Carried,
        #[command(flatten)]
        told: Told,
    },
    /// Something that you added by hand; it counts like a dose, and is never refused
    #[command(
        after_help = "Examples: dosewright changes add by-hand soda-ash \"20 mL\"\n          dosewright changes add by-hand limewater \"2 L\"\n          dosewright changes add by-hand magnesium \"15 mg/L\"\nLimewater counts as clear and saturated unless controller.toml says otherwise."
    )]
    ByHand {
        /// A solution of controller.toml, limewater, or alkalinity or an element
        what: String,
        /// How much: of a solution its volume ("20 mL"), otherwise how much it raised the tank ("0.5 dKH", "15 mg/L")
        #[arg(value_parser = amount)]
        amount: Amount,
        #[command(flatten)]
        told: Told,
    },
}

#[derive(Debug, Args)]
pub(in crate::cli) struct Panel {
    #[command(subcommand)]
    pub(in crate::cli) command: PanelCommand,
}

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum PanelCommand {
    /// Import a report as CSV with a heading
    #[command(
        after_help = "Examples: dosewright panel add october.csv --lab north --columns \"element=Parameter,value=Result,unit=Unit,limit=LOD\"\n          dosewright panel add november.csv --lab north\nThe columns are asked once for each lab and then remembered. A value \"<0.02\" stays below its detection limit. Each row is a reading of the lab."
    )]
    Add(PanelFile),
    /// Import one again in the place of another; the old one is kept and marked
    #[command(
        after_help = "Example: dosewright panel correct 41 october.csv --lab north --decimal comma --reason \"dots were thousands\"\nThe new report has the old one's time when --at is left out. A single row is corrected with `dosewright reading correct`."
    )]
    Correct {
        #[command(flatten)]
        mistake: Mistake,
        #[command(flatten)]
        report: PanelFile,
    },
    /// Take a report back; it is kept and marked
    TakeBack(Mistake),
    /// Show a report: against natural seawater, earlier reports and what was dosed
    Show {
        /// Its number, as `panel list` shows it; the newest when left out
        number: Option<i64>,
        /// The salinity of the sample; the reading nearest in time, or 35, when left out
        #[arg(long, value_parser = salinity)]
        salinity: Option<Salinity>,
    },
    /// List the reports
    List,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct PanelFile {
    /// The CSV file
    pub(in crate::cli) file: std::path::PathBuf,
    /// The lab, in your words
    #[arg(long)]
    pub(in crate::cli) lab: String,
    /// Which heading holds what: element, value and unit, and limit when there is one
    #[arg(long, value_name = "MAPPING", value_parser = columns)]
    pub(in crate::cli) columns: Option<Columns>,
    /// Relative standard uncertainty of the lab's values, percent (5 is a guess of ours; labs that state theirs are better believed)
    #[arg(long, value_name = "PERCENT", default_value_t = 5.0)]
    pub(in crate::cli) uncertainty: f64,
    /// Which sign stands before the decimals, where the file has both; the other one is a thousands' mark
    #[arg(long, value_name = "SIGN")]
    pub(in crate::cli) decimal: Option<Decimal>,
    #[command(flatten)]
    pub(in crate::cli) told: Told,
}
