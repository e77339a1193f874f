//! What can be typed with everything that is told of the water, for advice and its uptakes, and for lab reports.

use clap::builder::{PossibleValuesParser, TypedValueParser};
use clap::{Args, Subcommand};
use jiff::Timestamp;

use crate::chemistry::{Quantity, Salinity};
use crate::cli::place::Agreed;
use crate::cli::water::begin::Begin;
use crate::cli::water::panel_csv::{Decimal, columns};
use crate::cli::words::{Amount, amount, quantity, salinity, tracked};
use crate::estimate::Tracked;
use crate::record::Columns;

/// How what is told goes with the time, the method and the questions.
#[derive(Debug, Args)]
pub(crate) struct Told {
    /// When it was so (RFC 3339); now when left out, or the time of what is corrected
    #[arg(long, value_name = "TIME")]
    pub(crate) at: Option<Timestamp>,
    /// How it was measured or done, in your words
    #[arg(long, default_value = "")]
    pub(crate) method: String,
    /// You were asked about an unlikely value, and it is right
    #[arg(long)]
    pub(crate) sure: bool,
}

/// What was told by mistake. It stays in the record, marked.
#[derive(Debug, Args)]
pub(crate) struct Mistake {
    /// Its number, as the list shows it
    pub(crate) number: i64,
    /// Why, in your words
    #[arg(long)]
    pub(crate) reason: String,
}

/// What is advised on, and from which readings.
#[derive(Debug, Args)]
pub(crate) struct Advised {
    /// alkalinity, Ca or Mg
    #[arg(default_value = "alkalinity", value_parser = PossibleValuesParser::new(["alkalinity", "Ca", "Mg"]).try_map(|word| tracked(&word)))]
    pub(crate) quantity: Tracked,
    /// How many days of readings are looked at
    #[arg(long, default_value_t = 28, value_parser = clap::value_parser!(u32).range(3..=365))]
    pub(crate) days: u32,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright advise\n          dosewright advise Ca --days 42\nWorks without a daemon. Nothing is changed by it."
)]
pub(crate) struct Advise {
    #[command(flatten)]
    pub(crate) of: Advised,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright accept\n          dosewright accept Ca\nShows what will change and asks; then the uptake is in force, and every line that goes by it gives accordingly. No file is changed."
)]
pub(crate) struct Accept {
    #[command(flatten)]
    pub(crate) of: Advised,
    #[command(flatten)]
    pub(crate) agreed: Agreed,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright uptake\n          dosewright uptake alkalinity \"0.85 dKH\"\n          dosewright uptake calcium \"6.1 mg/L\"\nTo begin with, from two tests or from a dose that keeps the level still:\n          dosewright uptake alkalinity --from \"8.4 dKH\" --to \"7.8 dKH\" --after \"1 d\"\n          dosewright uptake alkalinity --newest\n          dosewright uptake alkalinity --stands-still-at \"60 mL\" --of soda-ash --after \"14 d\"\nWithout a value it lists what is in force. Every line that goes by it gives accordingly; no file is changed. What is worked out from tests is shown first and asked about; showing needs no daemon."
)]
pub(crate) struct UptakeArgs {
    /// alkalinity, or an element such as calcium
    #[arg(requires = "how", value_parser = quantity)]
    pub(crate) quantity: Option<Quantity>,
    /// What the animals take up a day, with its unit
    #[arg(group = "how", value_parser = amount)]
    pub(crate) value: Option<Amount>,
    #[command(flatten)]
    pub(crate) begin: Begin,
    /// It is right, however unlikely
    #[arg(long)]
    pub(crate) sure: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Panel {
    #[command(subcommand)]
    pub(crate) command: PanelCommand,
}

#[derive(Debug, Subcommand)]
pub(crate) enum PanelCommand {
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
pub(crate) struct PanelFile {
    /// The CSV file
    pub(crate) file: std::path::PathBuf,
    /// The lab, in your words
    #[arg(long)]
    pub(crate) lab: String,
    /// Which heading holds what: element, value and unit, and limit when there is one
    #[arg(long, value_name = "MAPPING", value_parser = columns)]
    pub(crate) columns: Option<Columns>,
    /// Relative standard uncertainty of the lab's values, percent (5 is a guess of ours; labs that state theirs are better believed)
    #[arg(long, value_name = "PERCENT", default_value_t = 5.0)]
    pub(crate) uncertainty: f64,
    /// Which sign stands before the decimals, where the file has both; the other one is a thousands' mark
    #[arg(long, value_name = "SIGN")]
    pub(crate) decimal: Option<Decimal>,
    #[command(flatten)]
    pub(crate) told: Told,
}
