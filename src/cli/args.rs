//! What can be typed.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

use crate::cli::headings::template;
use crate::cli::heads::bench_args::{BenchArgs, CalibrationArgs};
use crate::cli::place::{Agreed, Noted};
use crate::cli::water::owner_args::{
    Accept, Advise, Changes, Course, Dilute, Panel, Reading, Saturation, Solution, UptakeArgs,
};
use crate::cli::{Place, Result};
use crate::engine::RefillLevel;
use crate::ledger::Table;
use crate::quantity::{Millis, Name, QuantityError, Volume, Words, parse_duration, parse_volume};
use crate::record::Hold as HoldRecord;

/// Doses a reef aquarium from a plan: metered, capped, kept apart, recorded, and stopped at once.
///
/// Volumes are written with their unit (2.5 mL), alkalinity as 8.1 dKH, 2.9 meq/L or 145 mg/L CaCO3. A number without a unit is
/// never guessed at. Dry run is the default: no output is driven.
#[derive(Debug, Parser)]
#[command(name = "dosewright", version, max_term_width = 110, help_template = template(&Command::augment_subcommands(clap::Command::new("dosewright"))))]
pub(super) struct Cli {
    /// Where things are.
    #[command(flatten)]
    pub(super) place: Place,
    /// What to do.
    #[command(subcommand)]
    pub(super) command: Command,
}

/// All commands.
#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Run the daemon in the foreground
    Run(Run),
    /// Check both files and show the effective limits and a day's slots
    Check(Check),
    /// Show what every line does, what its bottle holds and what comes next
    Status(StatusArgs),
    /// Accept the cautions, so that a live daemon drives its outputs
    #[command(
        after_help = "Needs mode = \"live\" in controller.toml and a running daemon, which stays dry until it is armed. Shows the cautions and asks for a typed sentence; there is no way round it. Any change of controller.toml or of the board disarms."
    )]
    Arm,
    /// Take that back: all heads off, and dry run from now on
    #[command(after_help = "The daemon switches everything off and goes on in dry run.")]
    Disarm,
    /// Drive every configured output off, with or without a daemon
    #[command(
        after_help = "Needs no daemon, no ledger and no valid file: it drives off what it can recognise in controller.toml and what the last daemon left driven, in dry run too. A running daemon is not stopped by it and may switch on again: use `dosewright hold` for that.\nExit code 0: everything is off. 1: something is not, or could not be recognised; switch the pumps' supply off by hand."
    )]
    OutputsOff,
    /// Stop all dosing, or one line, at once and until `resume`
    #[command(visible_aliases = ["stop", "pause"])]
    Hold(Hold),
    /// Lift the hold on all dosing, or on one line
    Resume(Resume),
    /// Read plan.toml again, all of it or nothing
    #[command(
        after_help = "A plan with a mistake changes nothing: the running one stays in force."
    )]
    Reload,
    /// Give one dose by hand
    Dose(Dose),
    /// Fill a line's tube
    Prime(Dose),
    /// Tell what a bottle holds now
    Refill(Refill),
    /// Enter a water test result
    Reading(Reading),
    /// Show what the solutions do to this tank, or work out a recipe
    Solution(Solution),
    /// Work out what water changes, a steady exchange or the doses themselves dilute
    Dilute(Dilute),
    /// Estimate the aragonite saturation of the water, and where a dose meets it
    Saturation(Saturation),
    /// Say what to do about the readings: leave it alone, change the dose, test again, or look for what is wrong
    Advise(Advise),
    /// Put the estimated uptake into force
    Accept(Accept),
    /// Tell what the animals take up a day, or list what is in force
    Uptake(UptakeArgs),
    /// Depart from the plan for some days: raise, lower, top up, change over from one line to another
    Course(Course),
    /// Import lab reports and hold them against natural seawater, earlier ones and what was dosed
    Panel(Panel),
    /// Show what was changed and when, or tell a change, a water change, something added by hand
    Changes(Changes),
    /// Work on a head with its outlet out of the tank: guided through a calibration, or prime, run, measure, check, new tube, the plan into a bucket
    Bench(BenchArgs),
    /// Show a head's calibration as a certificate
    Calibration(CalibrationArgs),
    /// Show whether the clock is trusted, or vouch for it
    Clock(Clock),
    /// Acknowledge alarms, or try whether they are noticed
    Alarm(Alarm),
    /// Run a program of yours for each alarm that is raised or over, and when the daemon falls silent
    Tell(Tell),
    /// Dry run only: set what a contact shows
    Simulate(Simulate),
    /// MQTT: try the settings
    Mqtt(Mqtt),
    /// Print a JSON schema: of a file, for editors, or of what displays get
    Schema {
        /// Of what
        #[arg(value_enum)]
        of: SchemaOf,
    },
    /// Look at the record: list, export, check, back up
    Ledger(Ledger),
    /// Print a completion script for a shell
    Completions {
        /// Which shell
        shell: clap_complete::Shell,
    },
    /// Print the manual page
    Manual,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(super) enum SchemaOf {
    /// Of controller.toml
    Controller,
    /// Of plan.toml
    Plan,
    /// Of everything that is published over MQTT
    Displays,
}

/// Options of `run`.
#[derive(Debug, Args)]
#[command(after_help = "Example: dosewright run --config config --state target/demo --warp 120")]
pub(super) struct Run {
    /// Dry run only: let virtual time pass N times faster (1 to 3600); after a restart it goes on from where it was
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=i64::from(crate::daemon::WARP_MAX)))]
    pub(super) warp: Option<u32>,
    /// With --warp and a new state folder: where virtual time begins, for example 2026-10-24T18:00:00Z
    #[arg(long, value_name = "TIME", requires = "warp")]
    pub(super) start_at: Option<jiff::Timestamp>,
}

/// Options of `check`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: dosewright check --config config --day 2026-10-25\nExit code 0: no mistake. 78: mistakes, each named with its place; nothing would be started."
)]
pub(super) struct Check {
    /// Show the slots of this local date (YYYY-MM-DD); today when left out
    #[arg(long, value_name = "DATE")]
    pub(super) day: Option<jiff::civil::Date>,
}

/// Options of `status`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: dosewright status --watch\nExit code 0: nothing needs you. 1: something is held, blocked or in alarm. 69: no daemon answers."
)]
pub(super) struct StatusArgs {
    /// Refresh every two seconds until interrupted
    #[arg(long, conflicts_with = "json")]
    pub(super) watch: bool,
    /// Exit with 1 when something is held, blocked or in alarm
    #[arg(long)]
    pub(super) exit_code: bool,
}

/// Options of `hold`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright hold --reason \"bad alkalinity test\"\n          dosewright hold calcium --for 2h\nA running head is switched off at once. Without a running daemon the hold is written down for its next start. When a daemon is there and does not answer within 2 s, the outputs are driven off without it and the hold is written down for it.\nExit code 0: on hold, or written down. 1, 2: NOTHING IS HELD, the text says why. 69: no daemon answers; the text says what was done, and what to do with your hands."
)]
pub(super) struct Hold {
    /// The line; all dosing when left out, or "all"
    pub(super) line: Option<String>,
    /// Why, for the record and the displays
    #[arg(long, default_value = "by hand")]
    pub(super) reason: String,
    /// How long, for example 2h, 30 min or 1 d, at most 30 d; it ends by itself. Until `dosewright resume` when left out
    #[arg(long = "for", value_name = "TIME", value_parser = hold_length)]
    pub(super) length: Option<Millis>,
}

/// Options of `resume`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright resume\n          dosewright resume calcium\nMissed slots are not made up for."
)]
pub(super) struct Resume {
    /// The line; the hold on all dosing when left out
    #[arg(value_parser = Name::new)]
    pub(super) line: Option<Name>,
}

/// Options of `dose` and `prime`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: dosewright dose alkalinity \"2.5 mL\"\nShows what would be given and asks; it counts against every cap and limit. CAUTION: many stock solutions are caustic; wear gloves and eye protection."
)]
pub(super) struct Dose {
    /// The line
    #[arg(value_parser = Name::new)]
    pub(super) line: Name,
    /// The volume with its unit, for example "2.5 mL"
    #[arg(value_parser = parse_volume)]
    pub(super) volume: Volume,
    #[command(flatten)]
    pub(super) agreed: Agreed,
    /// The volume again, when it is more than three times the line's usual dose
    #[arg(long, value_name = "VOLUME", value_parser = parse_volume)]
    pub(super) repeat: Option<Volume>,
}

/// Options of `refill`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright refill soda-ash-bottle full\n          dosewright refill soda-ash-bottle \"1850 mL\"\n          dosewright refill soda-ash-bottle \"500 mL\" --more\n          dosewright refill soda-ash-bottle full --solution soda-ash-80 --tube \"6 mL\""
)]
pub(super) struct Refill {
    /// The reservoir
    #[arg(value_parser = Name::new)]
    pub(super) reservoir: Name,
    /// What it holds now, for example "1850 mL", or "full"
    #[arg(value_name = "VOLUME", value_parser = level)]
    pub(super) level: RefillLevel,
    /// The volume was added to what was in it
    #[arg(long)]
    pub(super) more: bool,
    /// What is in it now, by its name in controller.toml; as before when not said
    #[arg(long, value_parser = Name::new)]
    pub(super) solution: Option<Name>,
    /// What the tube of each of its lines still holds of the solution from before, for example "6 mL"
    #[arg(long, value_parser = parse_volume)]
    pub(super) tube: Option<Volume>,
    /// Nothing of what the books say it held is in it any more
    #[arg(long)]
    pub(super) emptied: bool,
    #[command(flatten)]
    pub(super) agreed: Agreed,
    #[command(flatten)]
    pub(super) noted: Noted,
}

/// Options of `clock`.
#[derive(Debug, Args)]
pub(super) struct Clock {
    /// What to do with the clock
    #[command(subcommand)]
    pub(super) command: ClockCommand,
}

/// What to do with the clock.
#[derive(Debug, Subcommand)]
pub(super) enum ClockCommand {
    /// Say that the wall clock is right, until the next start
    Trust,
    /// Say that the clock was wrong while the record shows these times
    #[command(
        after_help = "Example, after a clock that was 70 years ahead for a while and is right again:\n  dosewright clock wrong --from 2096-11-30T14:00:00Z --to 2096-11-30T15:00:00Z"
    )]
    Wrong(WrongTimes),
}

/// Options of `clock wrong`.
#[derive(Debug, Args)]
pub(super) struct WrongTimes {
    /// The first of them (RFC 3339)
    #[arg(long, value_name = "TIME")]
    pub(super) from: jiff::Timestamp,
    /// The last of them (RFC 3339)
    #[arg(long, value_name = "TIME")]
    pub(super) to: jiff::Timestamp,
}

/// Options of `alarm`.
#[derive(Debug, Args)]
pub(super) struct Alarm {
    /// What to do with alarms
    #[command(subcommand)]
    pub(super) command: AlarmCommand,
}

/// What to do with alarms.
#[derive(Debug, Subcommand)]
pub(super) enum AlarmCommand {
    /// Raise a test alarm for 30 s: alarm output, displays, `dosewright tell`
    #[command(
        after_help = "It means nothing, touches no dosing and ends by itself; it is noted in the ledger. Go and see what arrives."
    )]
    Test,
    /// Say that an alarm has been seen; one whose cause lasts stays listed
    Acknowledge {
        /// Its code as `status` shows it; all when left out
        code: Option<Words>,
    },
}

/// Options of `tell`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: dosewright tell --program /etc/dosewright/tell\nThe program gets the text on standard input, its first line good for a subject, and the facts as DOSEWRIGHT_HAPPENED (raised, over), _ALARM, _SUBJECT, _TEXT, _SINCE, _TIMES, _URGENT (yes, no), _NAME, _MODE, _LEFT_OUT. Exit code 0 means that it was told; anything else is tried again, after 10 s at first and 10 min at last. No shell is between. Runs until it is ended; the unit dosewright-tell does that."
)]
pub(super) struct Tell {
    /// Your program, with its whole path
    #[arg(long, value_name = "PATH")]
    pub(super) program: PathBuf,
    /// Kill the program after this long
    #[arg(long, value_name = "TIME", default_value = "30 s", value_parser = tell_time)]
    pub(super) patience: Millis,
    /// Time between two looks at the daemon
    #[arg(long, value_name = "TIME", default_value = "10 s", value_parser = tell_time)]
    pub(super) every: Millis,
    /// Arguments of your program, after --
    #[arg(last = true)]
    pub(super) args: Vec<String>,
}

/// Options of `simulate`.
#[derive(Debug, Args)]
#[command(after_help = "Example: dosewright simulate return-pump unsafe")]
pub(super) struct Simulate {
    /// The input
    #[arg(value_parser = Name::new)]
    pub(super) input: Name,
    /// safe or unsafe
    #[arg(value_parser = ["safe", "unsafe"])]
    pub(super) level: String,
}

/// Options of `mqtt`.
#[derive(Debug, Args)]
pub(super) struct Mqtt {
    /// What to do
    #[command(subcommand)]
    pub(super) command: MqttCommand,
}

/// What to do with MQTT.
#[derive(Debug, Subcommand)]
pub(super) enum MqttCommand {
    /// Connect with the settings of [mqtt], try every step and say what works and what does not
    #[command(
        after_help = "It logs in under a name of its own, beside a running daemon, and leaves nothing on the broker. Run it as the user of the daemon, who may read the credential file.\nExit code 0: everything works. 1: something does not. 78: mistakes in the files."
    )]
    Check,
}

/// Options of `ledger`.
#[derive(Debug, Args)]
pub(super) struct Ledger {
    /// What to do with the record
    #[command(subcommand)]
    pub(super) command: LedgerCommand,
}

/// What to do with the record.
#[derive(Debug, Subcommand)]
pub(super) enum LedgerCommand {
    /// List rows, the newest last
    #[command(after_help = "Example: dosewright ledger list doses --line alkalinity --newest 20")]
    List(LedgerList),
    /// Print rows as CSV or JSON; volumes in microlitres, times in RFC 3339 UTC
    #[command(after_help = "Example: dosewright ledger export doses --format csv > doses.csv")]
    Export(LedgerExport),
    /// Check the database and the books: every bottle must have lost what was delivered, to the microlitre
    Check,
    /// Copy the ledger to a new file, beside a running daemon
    Backup {
        /// The new file; an existing one is never overwritten
        file: PathBuf,
    },
    /// Put a backup in the place of the ledger, while no daemon runs; what it cannot know counts as given
    #[command(
        after_help = "Example: dosewright ledger restore backup.db\nAfter a whole card was restored from an image: dosewright ledger restore --whole-card"
    )]
    Restore {
        /// A copy made with `ledger backup`
        #[arg(required_unless_present = "whole_card")]
        file: Option<PathBuf>,
        /// The ledger in place is an old one itself, as after a whole card was restored from an image
        #[arg(long, conflicts_with = "file")]
        whole_card: bool,
    },
}

/// Which rows of the record.
#[derive(Debug, Args)]
pub(super) struct Rows {
    /// What of the record
    #[arg(default_value = "doses", value_parser = table)]
    pub(super) table: Table,
    /// Only this line
    #[arg(long, value_parser = Name::new)]
    pub(super) line: Option<Name>,
    /// Not before (RFC 3339)
    #[arg(long, value_name = "TIME")]
    pub(super) since: Option<jiff::Timestamp>,
    /// Before (RFC 3339)
    #[arg(long, value_name = "TIME")]
    pub(super) until: Option<jiff::Timestamp>,
}

/// Options of `ledger list`.
#[derive(Debug, Args)]
pub(super) struct LedgerList {
    #[command(flatten)]
    pub(super) rows: Rows,
    /// Only the newest so many rows
    #[arg(long, value_name = "N", default_value_t = 50)]
    pub(super) newest: u32,
}

/// Options of `ledger export`.
#[derive(Debug, Args)]
pub(super) struct LedgerExport {
    #[command(flatten)]
    pub(super) rows: Rows,
    /// csv or json
    #[arg(long, default_value = "csv", value_parser = ["csv", "json"])]
    pub(super) format: String,
}

fn table(name: &str) -> Result<Table, String> {
    // "doses" reads as well as "dose".
    let singular = name.strip_suffix('s').unwrap_or(name);
    Table::from_name(name)
        .or_else(|| Table::from_name(singular))
        .ok_or_else(|| {
            let known: Vec<String> = Table::all().map(Table::name).collect();
            format!("the ledger has no \"{name}\"; it has: {}", known.join(", "))
        })
}

fn level(text: &str) -> Result<RefillLevel, QuantityError> {
    match text {
        "full" => Ok(RefillLevel::Full),
        volume => parse_volume(volume).map(RefillLevel::To),
    }
}

/// A hold that ends by itself lasts at least as long as it takes to look, and no longer than anybody remembers it.
fn hold_length(text: &str) -> Result<Millis, String> {
    let length = parse_duration(text).map_err(|e| e.to_string())?;
    let range = Millis::from_secs(1)..=HoldRecord::LENGTH_MAX;
    if range.contains(&length) {
        Ok(length)
    } else {
        Err(format!(
            "{length} is no length of a hold; give 1 s to 30 d, or leave --for out and lift the hold by hand"
        ))
    }
}

fn tell_time(text: &str) -> Result<Millis, String> {
    let time = parse_duration(text).map_err(|e| e.to_string())?;
    let range = Millis::from_secs(1)..=Millis::from_mins(5);
    if range.contains(&time) {
        Ok(time)
    } else {
        Err(format!("{time} is out of range; give 1 s to 5 min"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_help_has_every_command_under_exactly_one_heading() {
        Cli::command().debug_assert();
        let help = Cli::command().render_long_help().to_string();
        for command in Cli::command().get_subcommands() {
            let name = command.get_name();
            let begins = |line: &&str| {
                line.strip_prefix("  ").and_then(|l| l.split(' ').next()) == Some(name)
            };
            assert_eq!(help.lines().filter(begins).count(), 1, "{name} in {help}");
        }
        let status = help.find("  status").unwrap();
        for (first, second) in [
            ("Running and", "After a test"),
            ("After a test", "The record"),
            ("The record", "Setting up"),
        ] {
            assert!(help.find(first) < help.find(second), "{help}");
        }
        assert!(
            help.find("Running and").unwrap() < status && help.contains("--config <DIR>"),
            "{help}"
        );
    }

    #[test]
    fn json_is_said_before_or_behind_the_command() {
        for words in [
            ["dosewright", "--json", "disarm"],
            ["dosewright", "disarm", "--json"],
        ] {
            assert!(Cli::try_parse_from(words).unwrap().place.json, "{words:?}");
        }
        assert!(Cli::try_parse_from(["dosewright", "status", "--watch", "--json"]).is_err());
    }

    #[test]
    fn a_quantity_that_is_none_is_refused_with_what_to_write() {
        for (words, said) in [
            (&["dose", "alkalinity", "2.5"][..], "2.5"),
            (&["dose", "a b", "2.5 mL"], "a b"),
            (&["refill", "bottle", "fulll"], "fulll"),
            (&["bench", "head", "prime", "25"], "\"90 s\" or \"25 mL\""),
            (&["bench", "head", "measured", "14", "1.5"], "14.76 g"),
            (&["bench", "head", "calibrate", "--run", "3s"], "30s=14.8mL"),
            (
                &["bench", "head", "calibrate", "--air-pressure", "1002"],
                "1002 hPa",
            ),
            (&["ledger", "list", "dosis"], "it has: "),
            (
                &["changes", "add", "water", "30 L", "--new", "8 dKH"],
                "alkalinity=8.0 dKH",
            ),
            (
                &["changes", "add", "water", "30 L", "--new", "Ca=8 dKH"],
                "mg/L or ug/L",
            ),
        ] {
            let error = Cli::try_parse_from([&["dosewright"], words].concat()).unwrap_err();
            let text = error.to_string();
            assert!(text.contains(said), "{said} is not in {text}");
            assert_eq!(i32::from(crate::cli::exit::USAGE), error.exit_code());
        }
    }
}
