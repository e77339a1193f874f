//! What can be typed for the owner's arithmetic: solutions, dilution, saturation, advice, changes.

use clap::{Args, Subcommand};

/// Options of `solution`.
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
    /// Print JSON
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// What to do with solutions.
#[derive(Debug, Subcommand)]
pub(in crate::cli) enum SolutionCommand {
    /// Work out the recipe of one salt for a wanted strength
    #[command(
        after_help = "Example: dosewright solution recipe --salt Na2CO3 --volume \"10 mL\" --raises alkalinity --by \"1 dKH\"\nRefused when it would not stay dissolved at the coldest the bottle gets. CAUTION: hydroxides and soda burn skin and eyes; add the powder to water, never water to the powder."
    )]
    Recipe(SolutionRecipe),
}

/// Options of `solution recipe`.
#[derive(Debug, Args)]
pub(in crate::cli) struct SolutionRecipe {
    /// The salt's formula with its crystal water, for example CaCl2.2H2O
    #[arg(long)]
    pub(in crate::cli) salt: String,
    /// The volume that is to do it, for example "20 mL"
    #[arg(long)]
    pub(in crate::cli) volume: String,
    /// alkalinity, or an element's symbol
    #[arg(long)]
    pub(in crate::cli) raises: String,
    /// By how much, for example "0.5 dKH" or "10 mg/L"
    #[arg(long)]
    pub(in crate::cli) by: String,
    /// The tank's net water, for example "300 L"; that of controller.toml when left out
    #[arg(long)]
    pub(in crate::cli) tank: Option<String>,
    /// The coldest the bottle gets, for example "15 C"
    #[arg(long, default_value = "15 C")]
    pub(in crate::cli) coldest: String,
    /// Print JSON
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// Options of `dilute`.
#[derive(Debug, Args)]
pub(in crate::cli) struct Dilute {
    /// What to work out
    #[command(subcommand)]
    pub(in crate::cli) command: DiluteCommand,
    /// The tank's net water, for example "300 L"; that of controller.toml when left out
    #[arg(long, global = true)]
    pub(in crate::cli) tank: Option<String>,
    /// Print JSON
    #[arg(long, global = true)]
    pub(in crate::cli) json: bool,
}

/// What to work out about dilution.
#[derive(Debug, Subcommand)]
pub(in crate::cli) enum DiluteCommand {
    /// What a series of equal water changes leaves
    #[command(
        after_help = "Example: dosewright dilute changes --change \"30 L\" --times 4 --from \"50 mg/L\" --new \"0 mg/L\""
    )]
    Changes {
        /// Water of one change, for example "30 L"
        #[arg(long)]
        change: String,
        /// How many of them
        #[arg(long, value_parser = clap::value_parser!(u32).range(1..=1000))]
        times: u32,
        /// The level now, for example "50 mg/L"
        #[arg(long)]
        from: Option<String>,
        /// The level of the new water
        #[arg(long, default_value = "0 mg/L")]
        new: String,
    },
    /// How many changes, or which single one, bring a level to another
    #[command(
        after_help = "Example: dosewright dilute reach --change \"30 L\" --from \"50 mg/L\" --to \"20 mg/L\""
    )]
    Reach {
        /// Water of one change
        #[arg(long)]
        change: String,
        /// The level now
        #[arg(long)]
        from: String,
        /// The wanted level
        #[arg(long)]
        to: String,
        /// The level of the new water
        #[arg(long, default_value = "0 mg/L")]
        new: String,
    },
    /// Where a level settles under routine changes while it is gained or taken up
    #[command(
        after_help = "Examples: dosewright dilute steady --change \"30 L\" --every-days 7 --gain \"1 mg/L\"\n          dosewright dilute steady --change \"30 L\" --every-days 7 --uptake \"2 mg/L\" --new \"420 mg/L\""
    )]
    Steady {
        /// Water of one change
        #[arg(long)]
        change: String,
        /// Days from one change to the next
        #[arg(long, value_parser = clap::value_parser!(u32).range(1..=3650))]
        every_days: u32,
        /// Gained each day
        #[arg(long, conflicts_with = "uptake", required_unless_present = "uptake")]
        gain: Option<String>,
        /// Taken up each day
        #[arg(long)]
        uptake: Option<String>,
        /// The level of the new water
        #[arg(long, default_value = "0 mg/L")]
        new: String,
    },
    /// A steady exchange in which new water flows in and old water out
    #[command(
        after_help = "Examples: dosewright dilute continuous --litres \"90 L\"\n          dosewright dilute continuous --left 50"
    )]
    Continuous {
        /// Water exchanged in all
        #[arg(long, required_unless_present = "left", conflicts_with = "left")]
        litres: Option<String>,
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
        #[arg(long, default_value = "35")]
        salinity: String,
        /// The tank's temperature
        #[arg(long, default_value = "25 C")]
        temperature: String,
    },
}

/// Options of `saturation`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright saturation --ph 8.2 --ph-scale nbs\n          dosewright saturation --alkalinity \"8.1 dKH\" --calcium \"420 mg/L\" --ph 8.05 --ph-scale total --salinity 35 --temperature \"25 C\"\nWhat is left out is taken from the newest readings of the record."
)]
pub(in crate::cli) struct Saturation {
    /// Alkalinity
    #[arg(long)]
    pub(in crate::cli) alkalinity: Option<String>,
    /// Calcium
    #[arg(long)]
    pub(in crate::cli) calcium: Option<String>,
    /// pH; its scale must be given with it
    #[arg(long, requires = "ph_scale")]
    pub(in crate::cli) ph: Option<f64>,
    /// The scale the pH is on: nbs (an electrode calibrated in the usual buffers), total, seawater or free
    #[arg(long, value_parser = ["nbs", "total", "seawater", "free"])]
    pub(in crate::cli) ph_scale: Option<String>,
    /// Salinity: practical ("35"), or specific gravity with both temperatures ("1.0264 sg 25/25 C")
    #[arg(long)]
    pub(in crate::cli) salinity: Option<String>,
    /// Temperature
    #[arg(long)]
    pub(in crate::cli) temperature: Option<String>,
    /// Standard uncertainty of the pH
    #[arg(long, default_value_t = 0.1)]
    pub(in crate::cli) ph_uncertainty: f64,
    /// Print JSON
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// Options of `reading correct`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: dosewright reading correct 12 \"8.1 dKH\" --reason \"read the wrong syringe\"\nThe number is that of `dosewright reading list`. The new entry has the old one's time; the old one stays in the record."
)]
pub(in crate::cli) struct ReadingCorrect {
    /// Number of the reading, as `reading list` shows it
    pub(in crate::cli) number: i64,
    /// The right value with its unit
    pub(in crate::cli) value: String,
    /// One standard uncertainty with its unit
    #[arg(long, value_name = "VALUE")]
    pub(in crate::cli) uncertainty: Option<String>,
    /// Why it is corrected, in your words
    #[arg(long)]
    pub(in crate::cli) reason: String,
    /// You were asked about an unlikely value, and it is right
    #[arg(long)]
    pub(in crate::cli) sure: bool,
    /// Print JSON
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// What is taken back.
#[derive(Debug, Args)]
#[command(
    after_help = "The number is the one that the list shows; it stays in the record and counts no longer."
)]
pub(in crate::cli) struct TakeBack {
    /// Its number in the list
    pub(in crate::cli) number: i64,
    /// Why, in your words
    #[arg(long)]
    pub(in crate::cli) reason: String,
    /// Print JSON
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// Options of `advise`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright advise\n          dosewright advise Ca --days 42\nWorks without a daemon. Nothing is changed by it."
)]
pub(in crate::cli) struct Advise {
    /// alkalinity, Ca or Mg
    #[arg(default_value = "alkalinity", value_parser = ["alkalinity", "Ca", "Mg"])]
    pub(in crate::cli) quantity: String,
    /// How many days of readings are looked at
    #[arg(long, default_value_t = 28, value_parser = clap::value_parser!(u32).range(3..=365))]
    pub(in crate::cli) days: u32,
    /// Print JSON
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// Options of `accept`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright accept\n          dosewright accept Ca\nShows what will change and asks; then the uptake is in force, and every line that goes by it gives accordingly. No file is changed."
)]
pub(in crate::cli) struct Accept {
    /// alkalinity, Ca or Mg
    #[arg(default_value = "alkalinity", value_parser = ["alkalinity", "Ca", "Mg"])]
    pub(in crate::cli) quantity: String,
    /// How many days of readings are looked at
    #[arg(long, default_value_t = 28, value_parser = clap::value_parser!(u32).range(3..=365))]
    pub(in crate::cli) days: u32,
    /// Do not ask
    #[arg(long)]
    pub(in crate::cli) yes: bool,
    /// Print JSON; only with --yes
    #[arg(long, requires = "yes")]
    pub(in crate::cli) json: bool,
}

/// Options of `uptake`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright uptake\n          dosewright uptake alkalinity \"0.85 dKH\"\n          dosewright uptake calcium \"6.1 mg/L\"\nWithout a value it lists what is in force. Every line that goes by it gives accordingly; no file is changed."
)]
pub(in crate::cli) struct UptakeArgs {
    /// alkalinity, or an element such as calcium
    #[arg(requires = "value")]
    pub(in crate::cli) quantity: Option<String>,
    /// What the animals take up a day, with its unit
    pub(in crate::cli) value: Option<String>,
    /// It is right, however unlikely
    #[arg(long)]
    pub(in crate::cli) sure: bool,
    /// Print JSON
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// Options of `changes`.
#[derive(Debug, Args)]
#[command(
    args_conflicts_with_subcommands = true,
    after_help = "Examples: dosewright changes\n          dosewright changes add \"new light\"\n          dosewright changes water \"30 L\" --new \"alkalinity=8.0 dKH\""
)]
pub(in crate::cli) struct Changes {
    /// Something else than a look
    #[command(subcommand)]
    pub(in crate::cli) command: Option<ChangesCommand>,
    /// Print JSON
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// What to do with changes.
#[derive(Debug, Subcommand)]
pub(in crate::cli) enum ChangesCommand {
    /// Note one down
    Add {
        /// What was changed, in your words
        text: String,
        /// When (RFC 3339); now when left out
        #[arg(long, value_name = "TIME")]
        at: Option<jiff::Timestamp>,
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
    /// Note a water change down
    #[command(
        after_help = "Example: dosewright changes water \"30 L\" --new \"alkalinity=8.0 dKH,Ca=420 mg/L\"\nUptake and lab reports count it. Until the next alkalinity reading nothing may rise above uptake."
    )]
    Water(ChangesWater),
    /// Take a note or a water change back; it is kept in the record
    TakeBack(TakeBack),
}

/// Options of `changes water`.
#[derive(Debug, Args)]
pub(in crate::cli) struct ChangesWater {
    /// How much was changed, for example "30 L"
    pub(in crate::cli) volume: String,
    /// What the new water held, for example "alkalinity=8.0 dKH,Ca=420 mg/L"; tested, or as its maker says
    #[arg(long, value_name = "LEVELS")]
    pub(in crate::cli) new: Option<String>,
    /// When (RFC 3339); now when left out
    #[arg(long, value_name = "TIME")]
    pub(in crate::cli) at: Option<jiff::Timestamp>,
    /// Print JSON
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// Options of `course`.
#[derive(Debug, Args)]
pub(in crate::cli) struct Course {
    /// What to do with courses
    #[command(subcommand)]
    pub(in crate::cli) command: CourseCommand,
}

/// What to do with courses.
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
    List {
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
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
    /// In your words, for the record
    #[arg(long, default_value = "")]
    pub(in crate::cli) note: String,
    /// Do not ask
    #[arg(long)]
    pub(in crate::cli) yes: bool,
    /// Print JSON; only with --yes
    #[arg(long, requires = "yes")]
    pub(in crate::cli) json: bool,
}

/// Options of `course raise` and `course lower`.
#[derive(Debug, Args)]
pub(in crate::cli) struct CourseChange {
    /// The line that gives it
    pub(in crate::cli) line: String,
    /// What is changed: alkalinity, or an element
    #[arg(long, value_name = "WHAT")]
    pub(in crate::cli) of: String,
    /// By how much in all, for example "0.03 mg/L"
    #[arg(long)]
    pub(in crate::cli) by: String,
    /// By how much a day at most, for example "0.01 mg/L"
    #[arg(long, value_name = "AMOUNT")]
    pub(in crate::cli) at_most: String,
    #[command(flatten)]
    pub(in crate::cli) told: CourseTold,
}

/// Options of `course top-up`.
#[derive(Debug, Args)]
pub(in crate::cli) struct CourseTopUp {
    /// The line that gives it
    pub(in crate::cli) line: String,
    /// What is topped up: alkalinity, or an element
    #[arg(long, value_name = "WHAT")]
    pub(in crate::cli) of: String,
    /// By how much a day, for example "0.1 ug/L"
    #[arg(long, value_name = "AMOUNT")]
    pub(in crate::cli) per_day: String,
    /// Days until it stops or is confirmed
    #[arg(long, default_value_t = 30, value_parser = clap::value_parser!(u32).range(1..=92))]
    pub(in crate::cli) review_days: u32,
    #[command(flatten)]
    pub(in crate::cli) told: CourseTold,
}

/// Options of `course changeover`.
#[derive(Debug, Args)]
pub(in crate::cli) struct CourseChangeover {
    /// The line that fades out
    pub(in crate::cli) from: String,
    /// The line that fades in
    pub(in crate::cli) to: String,
    /// Over how many days
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=92))]
    pub(in crate::cli) days: u32,
    /// What stays equal: alkalinity, or an element
    #[arg(long, value_name = "WHAT", default_value = "alkalinity")]
    pub(in crate::cli) of: String,
    #[command(flatten)]
    pub(in crate::cli) told: CourseTold,
}

/// Options of `course confirm`.
#[derive(Debug, Args)]
pub(in crate::cli) struct CourseConfirm {
    /// Its number, as `course list` shows it
    pub(in crate::cli) number: i64,
    /// Days from tomorrow until the next review
    #[arg(long, default_value_t = 30, value_parser = clap::value_parser!(u32).range(1..=92))]
    pub(in crate::cli) review_days: u32,
    /// Print JSON
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// A course by its number.
#[derive(Debug, Args)]
pub(in crate::cli) struct CourseNumber {
    /// Its number, as `course list` shows it
    pub(in crate::cli) number: i64,
    /// Print JSON
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// Options of `panel`.
#[derive(Debug, Args)]
pub(in crate::cli) struct Panel {
    /// What to do with lab reports
    #[command(subcommand)]
    pub(in crate::cli) command: PanelCommand,
}

/// What to do with lab reports.
#[derive(Debug, Subcommand)]
pub(in crate::cli) enum PanelCommand {
    /// Import a report as CSV with a heading
    #[command(
        after_help = "Examples: dosewright panel add october.csv --lab north --columns \"element=Parameter,value=Result,unit=Unit,limit=LOD\"\n          dosewright panel add november.csv --lab north\nThe columns are asked once for each lab and then remembered. A value \"<0.02\" stays below its detection limit."
    )]
    Add(PanelAdd),
    /// Import one again in the place of another; the old one is kept and marked
    #[command(
        after_help = "Example: dosewright panel correct 41 october.csv --lab north --decimal comma --reason \"dots were thousands\"\nThe new report has the old one's time when --at is left out."
    )]
    Correct(PanelCorrect),
    /// Take a report back; it is kept and marked
    TakeBack(TakeBack),
    /// Show a report: against natural seawater, earlier reports and what was dosed
    Show(PanelShow),
    /// List the reports
    List {
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
}

/// Options of `panel add`.
#[derive(Debug, Args)]
pub(in crate::cli) struct PanelAdd {
    /// The CSV file
    pub(in crate::cli) file: std::path::PathBuf,
    /// The lab, in your words
    #[arg(long)]
    pub(in crate::cli) lab: String,
    /// Which heading holds what: element, value and unit, and limit when there is one
    #[arg(long, value_name = "MAPPING")]
    pub(in crate::cli) columns: Option<String>,
    /// When the sample was taken (RFC 3339); now when left out
    #[arg(long, value_name = "TIME")]
    pub(in crate::cli) at: Option<jiff::Timestamp>,
    /// Relative standard uncertainty of the lab's values, percent (5 is a guess of ours; labs that state theirs are better believed)
    #[arg(long, value_name = "PERCENT", default_value_t = 5.0)]
    pub(in crate::cli) uncertainty: f64,
    /// Which sign stands before the decimals, where the file has both; the other one is a thousands' mark
    #[arg(long, value_name = "SIGN")]
    pub(in crate::cli) decimal: Option<Decimal>,
    /// You were asked about unlikely values, and they are right
    #[arg(long)]
    pub(in crate::cli) sure: bool,
    /// Print JSON
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// The sign before the decimals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(in crate::cli) enum Decimal {
    Comma,
    Dot,
}

/// Options of `panel correct`.
#[derive(Debug, Args)]
pub(in crate::cli) struct PanelCorrect {
    /// Number of the report, as `panel list` shows it
    pub(in crate::cli) number: i64,
    #[command(flatten)]
    pub(in crate::cli) report: PanelAdd,
    /// Why it is corrected, in your words
    #[arg(long)]
    pub(in crate::cli) reason: String,
}

/// Options of `panel show`.
#[derive(Debug, Args)]
pub(in crate::cli) struct PanelShow {
    /// Its number, as `panel list` shows it; the newest when left out
    pub(in crate::cli) number: Option<i64>,
    /// The salinity of the sample; the reading nearest in time, or 35, when left out
    #[arg(long)]
    pub(in crate::cli) salinity: Option<String>,
    /// Print JSON
    #[arg(long)]
    pub(in crate::cli) json: bool,
}
