//! The journal of changes: of plan, solutions and hardware as the daemon saw them, and what the owner tells: notes, water changes, what was
//! added by hand.

use std::io::Write;

use clap::{Args, Subcommand};
use jiff::Timestamp;
use serde_json::json;

use crate::cli::record::ledger::open;
use crate::cli::water::owner_args::{Mistake, Told};
use crate::cli::water::told::{take_back, tell};
use crate::cli::words::{Amount, amount, held, minute, quantity, tank_volume, usage, zone};
use crate::cli::{Out, Place, Result};
use crate::ledger::LedgerReader;
use crate::quantity::{Name, TankVolume};
use crate::record::{Addition, Carried, Observed};

#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright changes\n          dosewright changes add note \"new light\"\n          dosewright changes add water \"30 L\" --new \"alkalinity=8.0 dKH,Ca=420 mg/L\"\n          dosewright changes add by-hand limewater \"2 L\""
)]
pub(crate) struct Changes {
    /// Something else than a look
    #[command(subcommand)]
    command: Option<ChangesCommand>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum ChangesCommand {
    /// Tell one
    Add {
        #[command(subcommand)]
        what: ToldChange,
    },
    /// Correct one that was told; the old entry is kept and marked
    #[command(
        after_help = "Example: dosewright changes correct 14 --reason \"it was the small bucket\" water \"25 L\""
    )]
    Correct {
        #[command(flatten)]
        mistake: Mistake,
        #[command(subcommand)]
        what: ToldChange,
    },
    /// Take one back that was told; it is kept and marked
    TakeBack(Mistake),
    /// List all changes
    List,
}

#[derive(Debug, Subcommand)]
pub(crate) enum ToldChange {
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

pub(crate) struct Change {
    /// By which it can be corrected or taken back; `None` for what was not told.
    number: Option<i64>,
    pub(crate) at: Timestamp,
    /// Stable word: `note`, `water`, `by-hand`, `course`, `plan`, `controller`, `uptake`.
    pub(crate) kind: &'static str,
    pub(crate) what: String,
}

impl Change {
    const fn seen(at: Timestamp, kind: &'static str, what: String) -> Self {
        Self {
            number: None,
            at,
            kind,
            what,
        }
    }
}

/// Every change of the record, oldest first.
pub(crate) fn journal(reader: &LedgerReader) -> Result<Vec<Change>> {
    let told = reader.told()?.into_iter();
    let mut all: Vec<Change> = told
        .filter_map(|told| {
            let kind = match told.what {
                Observed::Reading(_) => return None,
                Observed::Note { .. } => "note",
                Observed::Job { .. } => "job",
                Observed::WaterChange { .. } => "water",
                Observed::Addition(_) => "by-hand",
            };
            Some(Change {
                number: Some(told.number),
                at: told.happened,
                kind,
                what: told.what.to_string(),
            })
        })
        .collect();
    for course in reader.courses()? {
        all.push(Change::seen(course.at.wall, "course", course.to_string()));
    }
    for uptake in reader.uptakes()? {
        // The first of all changes nothing.
        if let Some(before) = uptake.amount_before() {
            let what = format!(
                "uptake of {} from {before} to {} a day",
                uptake.of,
                uptake.amount()
            );
            all.push(Change::seen(uptake.at.wall, "uptake", what));
        }
    }
    for (at, text) in reader.events("plan-reloaded")? {
        all.push(Change::seen(at, "plan", text));
    }
    let sessions = reader.sessions()?;
    for (before, after) in sessions.iter().zip(sessions.iter().skip(1)) {
        if before.controller_fingerprint != after.controller_fingerprint {
            let what = "controller.toml: hardware, solutions or limits".to_owned();
            all.push(Change::seen(after.at, "controller", what));
        }
        if before.plan_fingerprint != after.plan_fingerprint {
            let what = "plan.toml, seen at a start".to_owned();
            all.push(Change::seen(after.at, "plan", what));
        }
    }
    all.sort_by_key(|change| change.at);
    Ok(all)
}

/// Lists changes, or tells, corrects or takes back one.
pub(crate) fn changes(place: &Place, options: &Changes, out: &mut Out) -> Result {
    match &options.command {
        Some(ChangesCommand::Add { what }) => add(place, what, None, out),
        Some(ChangesCommand::Correct { mistake, what }) => add(place, what, Some(mistake), out),
        Some(ChangesCommand::TakeBack(mistake)) => take_back(place, mistake, out),
        Some(ChangesCommand::List) | None => list(place, out),
    }
}

fn add(place: &Place, what: &ToldChange, mistake: Option<&Mistake>, out: &mut Out) -> Result {
    let (item, told): (Observed, &Told) = match what {
        ToldChange::Note { text, told } => {
            if text.trim().is_empty() {
                return Err(usage("say in a few words what was changed"));
            }
            (Observed::Note { text: text.clone() }, told)
        }
        ToldChange::Water { volume, new, told } => {
            let litres = volume.as_litres();
            let held = new.clone();
            (Observed::WaterChange { litres, held }, told)
        }
        ToldChange::ByHand { what, amount, told } => {
            let addition = match amount {
                Amount::Volume(volume) => Addition {
                    from: Some((Name::new(what).map_err(usage)?, *volume)),
                    adds: Carried::new(),
                },
                amount @ Amount::PerLitre(..) => {
                    let of = quantity(what).map_err(usage)?;
                    let adds = Carried::from([(of.clone(), amount.of(&of).map_err(usage)?)]);
                    Addition { from: None, adds }
                }
            };
            (Observed::Addition(addition), told)
        }
    };
    tell(place, vec![item], None, (told, mistake), out)
}

fn list(place: &Place, out: &mut Out) -> Result {
    let all = journal(&open(place)?)?;
    if place.json {
        let rows: Vec<_> = all
            .iter()
            .map(|c| json!({ "number": c.number, "at": c.at.to_string(), "kind": c.kind, "what": c.what }))
            .collect();
        return Ok(out.json(&rows)?);
    }
    if all.is_empty() {
        writeln!(out, "no change is on record")?;
    }
    let zone = zone(place);
    for change in &all {
        writeln!(
            out,
            "{:>4}  {}  {:10}  {}",
            change.number.map_or(String::new(), |n| n.to_string()),
            minute(change.at, &zone),
            change.kind,
            change.what
        )?;
    }
    Ok(())
}
