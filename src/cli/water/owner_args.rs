//! What can be typed with everything that is told of the water and for lab reports.

use clap::{Args, Subcommand};
use jiff::Timestamp;

use crate::chemistry::Salinity;
use crate::cli::moment::{Moment, moment};
use crate::cli::water::panel_csv::{Decimal, columns, no_number};
use crate::cli::words::salinity;
use crate::cli::{Place, Result};
use crate::record::{Columns, NoNumber};

/// How what is told goes with the time, the method and the questions.
#[derive(Debug, Args)]
pub(crate) struct Told {
    /// When it was so, such as "yesterday 18:00" or "2026-11-29 18:00"; now when left out, or the time of what is corrected
    #[arg(long, value_name = "TIME", value_parser = moment)]
    pub(crate) at: Option<Moment>,
    /// How it was measured or done, in your words
    #[arg(long, default_value = "")]
    pub(crate) method: String,
    /// You were asked about an unlikely value, and it is right
    #[arg(long)]
    pub(crate) sure: bool,
}

impl Told {
    pub(crate) fn happened(&self, place: &Place) -> Result<Option<Timestamp>> {
        self.at.map(|at| at.at(place)).transpose()
    }
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

#[derive(Debug, Args)]
pub(crate) struct Panel {
    #[command(subcommand)]
    pub(crate) command: PanelCommand,
}

#[derive(Debug, Subcommand)]
pub(crate) enum PanelCommand {
    /// Import a report as CSV with a heading
    #[command(
        after_help = "Examples: dosewright panel add october.csv --lab north --columns \"element=Parameter,value=Result,unit=Unit,limit=LOD\"\n          dosewright panel add november.csv --lab north\nThe columns are asked once for each lab and then remembered. A value \"<0.02\", 0, or one below the limit of its row stays below the detection limit. Each row is a reading of the lab."
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
    /// What a word means that stands where there is no number: "n.n.=not-found" or "n.n.=not-measured"; remembered for the lab
    #[arg(long = "word", value_name = "WORD=MEANING", value_parser = no_number)]
    pub(crate) words: Vec<(String, NoNumber)>,
    /// Relative standard uncertainty of the lab's values as it states it, percent; when left out one of ours for each element is taken
    #[arg(long, value_name = "PERCENT")]
    pub(crate) uncertainty: Option<f64>,
    /// Which sign stands before the decimals, where the file has both; the other one is a thousands' mark
    #[arg(long, value_name = "SIGN")]
    pub(crate) decimal: Option<Decimal>,
    #[command(flatten)]
    pub(crate) told: Told,
}
