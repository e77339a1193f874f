//! What can be typed, and what is done then.

use clap::{CommandFactory, Parser, Subcommand};

use crate::cli::headings::template;
use crate::cli::heads::bench_args::{BenchArgs, CalibrationCommand};
use crate::cli::heads::{certificate, words};
use crate::cli::running::{self, SchemaOf};
use crate::cli::water::owner_args::Panel;
use crate::cli::{Out, Place, Result, record, refused, setup, water};

/// Commands in the order of an owner's day.
const HEADINGS: [(&str, &str); 5] = [
    (
        "Running and stopping",
        "status done hold resume outputs-off alarm dose refill run reload",
    ),
    (
        "After a test, and the water",
        "reading advise accept uptake course changes panel dilute saturation solution",
    ),
    ("Heads and the bench", "bench prime calibration"),
    ("The record", "report ledger"),
    (
        "Setting up",
        "new demo check rehearse arm disarm clock simulate tell mqtt schema completions manual",
    ),
];

/// Units and exit codes, which hold for every command.
const AFTER: &str = "\
Units: volumes 2.5 mL, 250 uL, 1 L; alkalinity 8.1 dKH, 2.9 meq/L, 145 mg/L CaCO3; concentrations 420 mg/L, 60 ug/L; times 30 s, 15 min, 24 h, 14 d.
Exit codes: 0 done, 1 refused or something found, 2 wrong command line, 69 no daemon answers, 70 the daemon broke, 74 a file or the system \
failed, 75 another daemon runs on this state folder, 78 mistakes in the configuration.";

/// Doses a reef aquarium from a plan: metered, capped, kept apart, recorded, and stopped at once.
///
/// Volumes are written with their unit (2.5 mL), alkalinity as 8.1 dKH, 2.9 meq/L or 145 mg/L CaCO3. A number without a unit is
/// never guessed at. Dry run is the default: no output is driven.
#[derive(Debug, Parser)]
#[command(name = "dosewright", version, max_term_width = 110, after_help = AFTER, help_template = template(&Command::augment_subcommands(clap::Command::new("dosewright")), &HEADINGS))]
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
    Run(running::daemon::Run),
    /// Check both files and show the effective limits and a day's slots
    Check(running::check::Check),
    /// Rehearse the plan in virtual time against a model tank, and show where the water would go
    Rehearse(running::rehearse::Rehearse),
    /// Show what every line does, what its bottle holds and what comes next
    Status(running::status::StatusArgs),
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
    Hold(running::hold::Hold),
    /// Lift the hold on all dosing, or on one line
    Resume(running::daemon::Resume),
    /// Read plan.toml again, all of it or nothing
    #[command(
        after_help = "A plan with a mistake changes nothing: the running one stays in force."
    )]
    Reload,
    /// Give one dose by hand
    #[command(
        after_help = "Example: dosewright dose alkalinity \"2.5 mL\"\nShows what would be given and asks; it counts against every cap and limit. CAUTION: many stock solutions are caustic; wear gloves and eye protection."
    )]
    Dose(running::dose::Dose),
    /// Fill a line's tube, its outlet in the tank
    #[command(
        after_help = "Example: dosewright prime alkalinity \"4 mL\"\nWhat comes out goes into the tank and counts against every cap and limit like a dose; `dosewright bench HEAD prime` fills a tube with its outlet out of the tank. CAUTION: many stock solutions are caustic; wear gloves and eye protection."
    )]
    Prime(running::dose::Dose),
    /// Tell what a bottle holds now
    Refill(water::tank::Refill),
    /// Tell that one of your own jobs is done, or list them
    Done(water::done::Done),
    /// Enter a water test result
    #[command(subcommand)]
    Reading(water::reading::ReadingCommand),
    /// Show what the solutions do to this tank, or work out a recipe
    Solution(water::solution::SolutionArgs),
    /// Work out what water changes, a steady exchange or the doses themselves dilute
    Dilute(water::dilute::Dilute),
    /// Estimate the aragonite saturation of the water, and where a dose meets it
    Saturation(water::saturation::Saturation),
    /// Show where the water is and where it is going, and say what to do: leave it alone, or one change; when to test next
    Advise(water::advise::Advise),
    /// Put the advice into force: the uptake, and the course back to target
    Accept(water::accept::Accept),
    /// Tell what the animals take up a day, or list what is in force
    Uptake(water::accept::UptakeArgs),
    /// Depart from the plan for some days: raise, lower, top up, change over from one line to another
    #[command(subcommand)]
    Course(water::course::CourseCommand),
    /// Import lab reports and hold them against natural seawater, earlier ones and what was dosed
    Panel(Panel),
    /// Show what was changed and when, or tell a change, a water change, something added by hand
    Changes(water::changes::Changes),
    /// Work on a head with its outlet out of the tank: guided through a calibration, or prime, run, measure, check, new tube, the plan into a bucket
    Bench(BenchArgs),
    /// Show a head's calibration as a certificate
    #[command(subcommand)]
    Calibration(CalibrationCommand),
    /// Show whether the clock is trusted, or vouch for it
    #[command(subcommand)]
    Clock(running::daemon::ClockCommand),
    /// Acknowledge alarms, or try whether they are noticed
    #[command(subcommand)]
    Alarm(running::daemon::AlarmCommand),
    /// Run a program of yours for each alarm that is raised or over, and when the daemon falls silent
    Tell(running::tell::Tell),
    /// Dry run only: set what a contact shows
    Simulate(running::daemon::Simulate),
    /// MQTT: try the settings
    #[command(subcommand)]
    Mqtt(running::mqtt::MqttCommand),
    /// Print a JSON schema: of a file, for editors, or of what displays get
    Schema {
        /// Of what
        #[arg(value_enum)]
        of: SchemaOf,
    },
    /// Make a page of the record for people: is it well, what is to do, what happened; and pictures
    Report(record::report::ReportArgs),
    /// Write both files from what you know: asks, shows the arithmetic, and rehearses the plan
    New(setup::new::New),
    /// Make a folder with an invented quarter of a year of the demo reef, and a report of it
    Demo(running::demo::DemoArgs),
    /// Look at the record: list, export, check, back up
    #[command(subcommand)]
    Ledger(record::ledger::LedgerCommand),
    /// Print a completion script for a shell
    Completions {
        /// Which shell
        shell: clap_complete::Shell,
    },
    /// Print the manual page, or write one for each command
    Manual {
        /// Write all pages into this folder
        #[arg(long, value_name = "DIR")]
        into: Option<std::path::PathBuf>,
    },
}

impl Command {
    pub(super) fn run(&self, place: &Place, out: &mut Out) -> Result {
        match self {
            Self::Run(options) => running::daemon::run(place, options),
            Self::Check(options) => running::check::check(place, options, out),
            Self::Rehearse(options) => running::rehearse::rehearse(place, options, out),
            Self::Status(options) => running::status::status(place, options, out),
            Self::Arm => running::arm::arm(place, out),
            Self::Disarm => running::arm::disarm(place, out),
            Self::OutputsOff => running::outputs_off::outputs_off(place, place.json, out),
            Self::Tell(options) => running::tell::tell(place, options),
            Self::Hold(options) => running::hold::hold(place, options, out),
            Self::Resume(options) => running::daemon::resume(place, options, out),
            Self::Reload => running::daemon::reload(place, out),
            Self::Dose(options) => running::dose::dose(place, options, out),
            Self::Prime(options) => running::dose::prime(place, options, out),
            Self::Refill(options) => water::tank::refill(place, options, out),
            Self::Done(options) => water::done::done(place, options, out),
            Self::Reading(options) => water::reading::reading(place, options, out),
            Self::Solution(options) => water::solution::solution(place, options, out),
            Self::Saturation(options) => water::saturation::saturation(place, options, out),
            Self::Advise(options) => water::advise::advise(place, options, out),
            Self::Accept(options) => water::accept::accept(place, options, out),
            Self::Uptake(options) => water::accept::uptake(place, options, out),
            Self::Changes(options) => water::changes::changes(place, options, out),
            Self::Course(options) => water::course::course(place, options, out),
            Self::Panel(options) => water::panel::panel(place, options, out),
            Self::Dilute(options) => water::dilute::dilute(place, options, out),
            Self::Bench(options) => words::bench(place, options, out),
            Self::Calibration(options) => certificate::calibration(place, options, out),
            Self::Clock(options) => running::daemon::clock(place, options, out),
            Self::Alarm(options) => running::daemon::alarm(place, options, out),
            Self::Simulate(options) => running::daemon::simulate(place, options, out),
            Self::Mqtt(options) => running::mqtt::mqtt(place, options, out),
            Self::Schema { of } => Ok(out.json(&running::schema(*of))?),
            Self::Report(options) => record::report::report(place, options, out),
            Self::New(options) => setup::new::new(options, out),
            Self::Demo(options) => running::demo::demo(options, out),
            Self::Ledger(options) => record::ledger::ledger(place, options, out),
            Self::Completions { shell } => {
                let shell = *shell;
                clap_complete::generate(shell, &mut Cli::command(), "dosewright", out.verbatim()?);
                Ok(())
            }
            Self::Manual { into: None } => {
                Ok(clap_mangen::Man::new(Cli::command()).render(out.verbatim()?)?)
            }
            Self::Manual { into: Some(folder) } => clap_mangen::generate_to(Cli::command(), folder)
                .map_err(|error| {
                    refused(format!(
                        "the manual cannot be written into {}: {error}",
                        folder.display()
                    ))
                }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
            (&["reading", "add", "alkalinity", "8.1"], "dKH"),
            (&["reading", "add", "pH", "8.2"], "8.2 nbs"),
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
