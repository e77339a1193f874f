//! Water changes of the record: noted down, and counted in uptake and in the account of a lab report.

use jiff::Timestamp;

use crate::chemistry::{ClaimRise, figures};
use crate::cli::exit::Failure;
use crate::cli::out::Out;
use crate::cli::place::Place;
use crate::cli::running::daemon::ask;
use crate::cli::water::owner_args::ChangesWater;
use crate::cli::words::{rise, unread, usage};
use crate::engine::{Command, NewFact};
use crate::estimate::Tracked;
use crate::ledger::LedgerReader;
use crate::quantity::{Alkalinity, Lines, TankVolume, Words, parse_tank_volume};
use crate::record::FactKind;

pub(in crate::cli) struct WaterChange {
    pub(in crate::cli) number: i64,
    pub(in crate::cli) at: Timestamp,
    pub(in crate::cli) litres: f64,
    /// What the new water held: `alkalinity` in meq/L, or a symbol in mg/L.
    new: Vec<(String, f64)>,
}

impl WaterChange {
    /// What the new water held of one thing: dKH for alkalinity, mg/L otherwise; `None` when nobody wrote it down.
    pub(in crate::cli) fn level(&self, of: &Tracked) -> Option<f64> {
        let word = match of {
            Tracked::Alkalinity => "alkalinity",
            Tracked::Element(element) => element.symbol(),
        };
        let (_, value) = self.new.iter().find(|(known, _)| known == word)?;
        Some(match of {
            Tracked::Alkalinity => Alkalinity::from_meq_per_l(*value).as_dkh(),
            Tracked::Element(_) => *value,
        })
    }

    /// The part of the tank's water, from 0 to 1.
    pub(in crate::cli) fn part(&self, tank: TankVolume) -> f64 {
        (self.litres / tank.as_litres()).clamp(0.0, 1.0)
    }

    pub(in crate::cli) fn words(&self) -> String {
        let new: Vec<String> = self
            .new
            .iter()
            .map(|(word, value)| match word.as_str() {
                "alkalinity" => format!(
                    "alkalinity {} dKH",
                    figures(Alkalinity::from_meq_per_l(*value).as_dkh())
                ),
                symbol => format!("{symbol} {} mg/L", figures(*value)),
            })
            .collect();
        let held = if new.is_empty() {
            "what the new water held is not on record".to_owned()
        } else {
            format!("new water with {}", new.join(", "))
        };
        format!("water change of {} L, {held}", figures(self.litres))
    }
}

/// All of them, oldest first.
pub(in crate::cli) fn water_changes(reader: &LedgerReader) -> Result<Vec<WaterChange>, Failure> {
    let facts = reader
        .facts(FactKind::WaterChange)
        .map_err(|e| unread(&e))?;
    Ok(facts
        .into_iter()
        .map(|fact| WaterChange {
            number: fact.number,
            at: fact.happened,
            litres: fact.value.unwrap_or(0.0),
            new: fact
                .text
                .lines()
                .filter_map(|line| {
                    let (word, value) = line.split_once('\t')?;
                    Some((word.to_owned(), value.parse().ok()?))
                })
                .collect(),
        })
        .collect())
}

pub(in crate::cli) fn add(
    place: &Place,
    options: &ChangesWater,
    out: &mut Out,
) -> Result<(), Failure> {
    let litres = parse_tank_volume(&options.volume).map_err(usage)?;
    let mut lines = Vec::new();
    for part in options.new.iter().flat_map(|all| all.split(',')) {
        let (word, value) = part.split_once('=').ok_or_else(|| {
            usage(format!(
                "\"{part}\" says nothing of the new water; write for example \"alkalinity=8.0 dKH,Ca=420 mg/L\""
            ))
        })?;
        let line = match rise(word.trim(), value.trim())? {
            ClaimRise::Alkalinity(level) => format!("alkalinity\t{}", level.as_meq_per_l()),
            ClaimRise::Element(element, level) => {
                format!("{}\t{}", element.symbol(), level.as_mg_per_l())
            }
        };
        lines.push(line);
    }
    let command = Command::AddFact(NewFact {
        kind: FactKind::WaterChange,
        name: Words::default(),
        value: Some(litres.as_litres()),
        uncertainty: None,
        text: Lines::new(&lines.join("\n")).map_err(usage)?,
        happened: options.at,
        replaces: None,
        sure: false,
    });
    ask(place, &command.into(), options.json, out).map(drop)
}
