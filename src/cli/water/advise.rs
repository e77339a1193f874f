//! What to do about the readings, and putting an estimated uptake into force.

use std::io::Write;

use jiff::Timestamp;
use serde_json::{Value, json};

use crate::chemistry::Quantity;
use crate::chemistry::{figures, taken_along};
use crate::cli::exit::{self, Failure};
use crate::cli::out::{Out, Tone};
use crate::cli::place::Place;
use crate::cli::record::ledger::open;
use crate::cli::water::changes::journal;
use crate::cli::water::owner_args::Advise as AdviseArgs;
use crate::cli::words::{configuration, present, unread, usage};
use crate::config::Loaded;
use crate::estimate::{
    Addition, Advice, Dosing, JournalChange, Patience, SeriesReading, Tracked, Uptake, UptakeError,
};
use crate::ledger::LedgerReader;
use crate::plan::plan_daily_volumes;
use crate::quantity::{Alkalinity, Millis, Name, TankVolume, Volume};
use crate::record::{Found, Observation, Observed};

/// Smallest change of a daily volume worth making: a twentieth of a mL over a day is lost in any head's error. Ours.
const SMALLEST_STEP: Volume = Volume::from_ul(50);

/// Less than this part of the plan given is worth a warning. Ours.
pub(in crate::cli) const GIVEN_SHARE: f64 = 0.8;

/// Daily steps of common practice (no source; rows a8.cp.Ca_rate, a8.cp.Mg_rate) where the owner gives no limit, mg/L.
const STEP_CALCIUM: f64 = 25.0;
const STEP_MAGNESIUM: f64 = 50.0;

/// Settling and staleness where no alkalinity limits are configured, days (ours; those of the demo configuration).
const SETTLING_DAYS: i64 = 7;
const STALE_DAYS: i64 = 14;

/// Everything an advice rests on.
pub(in crate::cli) struct Case {
    pub(in crate::cli) loaded: Loaded,
    pub(in crate::cli) estimate: Result<Uptake, UptakeError>,
    pub(in crate::cli) dosing: Dosing,
    /// The line whose volume is spoken of.
    pub(in crate::cli) lead: Name,
    pub(in crate::cli) journal: Vec<JournalChange>,
    pub(in crate::cli) patience: Patience,
    pub(in crate::cli) now: Timestamp,
    /// What doses really added a day over the span of the readings.
    pub(in crate::cli) given_per_day: Option<f64>,
    /// Readings that were left out because a water change of unknown content lies after them, and when that was.
    pub(in crate::cli) left_out: Option<(usize, Timestamp)>,
    /// The uptake in force, in the unit of what is advised on.
    pub(in crate::cli) established: Option<f64>,
    /// A changeover that is under way, in words: then the plan's volumes are not those in force.
    pub(in crate::cli) under_way: Option<String>,
}

fn millis(at: Timestamp) -> Millis {
    Millis::new(at.as_millisecond())
}

pub(in crate::cli) fn gather(place: &Place, tracked: &Tracked, days: u32) -> Result<Case, Failure> {
    let loaded = configuration(place)?;
    let reader = open(place)?;
    let now = present(&reader)?;
    let since = millis(now).minus(Millis::from_secs(i64::from(days) * 86_400));
    let (told, of) = (reader.told().map_err(|e| unread(&e))?, quantity(tracked));
    let exchanged = exchanges(&told, &of, loaded.controller.tank);
    let (readings, left_out) = related(readings(&told, &of, since), &exchanged);
    let from = readings.iter().map(|r| r.at).min().unwrap_or(millis(now));
    let doses = additions(&reader, &told, (&of, from))?;
    let mut all = brought(&readings, &exchanged);
    all.extend_from_slice(&doses);
    let estimate = Uptake::estimate(tracked.clone(), &readings, &all);
    let given_per_day = estimate.as_ref().ok().map(|uptake| {
        let within = |a: &&Addition| uptake.first < a.at && a.at <= uptake.newest;
        // Begun at zero, for the sum of nothing is minus zero.
        let sum = doses.iter().filter(within).fold(0.0, |sum, a| sum + a.rise);
        sum / uptake.span_days
    });
    let (lead, dosing) = dosing(&loaded, tracked)?;
    let journal = journal(&reader)?
        .into_iter()
        .map(|change| JournalChange {
            at: millis(change.at),
            settles: !matches!(change.kind, "water" | "by-hand"),
            what: change.what,
        })
        .collect();
    let limits = loaded.controller.tracked(&Quantity::Alkalinity);
    let patience = limits.map_or(
        Patience {
            settling: Millis::from_secs(SETTLING_DAYS * 86_400),
            stale_after: Millis::from_secs(STALE_DAYS * 86_400),
        },
        |limits| Patience {
            settling: limits.settling,
            stale_after: limits.stale_after,
        },
    );
    Ok(Case {
        established: loaded.plan.uptakes.get(&quantity(tracked)).copied(),
        loaded,
        estimate,
        dosing,
        lead,
        journal,
        patience,
        now,
        given_per_day,
        left_out,
        under_way: crate::cli::water::course::in_the_way(place)?,
    })
}

/// A water change: what part of the water, and the level of the new water where that is known.
struct Exchange {
    at: Millis,
    part: f64,
    level: Option<f64>,
}

fn exchanges(told: &[Observation], of: &Quantity, tank: TankVolume) -> Vec<Exchange> {
    let changes = told.iter().filter_map(|told| match &told.what {
        Observed::WaterChange { litres, held } => Some(Exchange {
            at: millis(told.happened),
            part: (litres / tank.as_litres()).clamp(0.0, 1.0),
            level: held.get(of).copied(),
        }),
        Observed::Reading(_) | Observed::Addition(_) | Observed::Note { .. } => None,
    });
    changes.collect()
}

/// The readings that can be related to the newest: none from before a water change of which nobody knows what it brought. Also how
/// many were left out, and for which change.
fn related(
    readings: Vec<SeriesReading>,
    exchanged: &[Exchange],
) -> (Vec<SeriesReading>, Option<(usize, Timestamp)>) {
    let unknown = exchanged.iter().rfind(|c| c.level.is_none());
    let Some(unknown) = unknown else {
        return (readings, None);
    };
    let all = readings.len();
    let kept: Vec<SeriesReading> = readings.into_iter().filter(|r| r.at > unknown.at).collect();
    let left_out = all - kept.len();
    (
        kept,
        (left_out > 0).then_some((left_out, instant(unknown.at))),
    )
}

/// What water changes of known content moved, by the last reading before each.
fn brought(readings: &[SeriesReading], exchanged: &[Exchange]) -> Vec<Addition> {
    exchanged
        .iter()
        .filter_map(|change| {
            let before = readings.iter().filter(|r| r.at <= change.at);
            let level = before.max_by_key(|r| r.at)?.value;
            Some(Addition {
                at: change.at,
                rise: change.part * (change.level? - level),
            })
        })
        .collect()
}

fn readings(told: &[Observation], of: &Quantity, since: Millis) -> Vec<SeriesReading> {
    let series = told.iter().filter_map(|told| {
        let reading = told.reading().filter(|r| r.of.quantity() == Some(of))?;
        let Found::Value { value, uncertainty } = reading.found else {
            return None;
        };
        let at = millis(told.happened);
        (at >= since).then_some(SeriesReading {
            at,
            value,
            uncertainty,
        })
    });
    series.collect()
}

/// What doses added, by what each carried when it was given, and what was added by hand.
fn additions(
    reader: &LedgerReader,
    told: &[Observation],
    (of, from): (&Quantity, Millis),
) -> Result<Vec<Addition>, Failure> {
    let since = instant(from);
    let doses = reader.doses_since(since).map_err(|e| unread(&e))?;
    let doses = doses.iter().map(|dose| (dose.at, &dose.carries));
    let by_hand = told.iter().filter(|told| told.happened >= since);
    let by_hand = by_hand.filter_map(|told| Some((told.happened, told.what.added()?)));
    let added = doses.chain(by_hand).filter_map(|(at, adds)| {
        Some(Addition {
            at: millis(at),
            rise: *adds.get(of)?,
        })
    });
    let mut added: Vec<Addition> = added.filter(|addition| addition.rise > 0.0).collect();
    added.sort_by_key(|addition| addition.at);
    Ok(added)
}

fn instant(at: Millis) -> Timestamp {
    Timestamp::from_millisecond(at.as_ms()).unwrap_or(Timestamp::UNIX_EPOCH)
}

/// The line that carries most of it, and what the plan adds a day.
fn dosing(loaded: &Loaded, tracked: &Tracked) -> Result<(Name, Dosing), Failure> {
    let controller = &loaded.controller;
    let daily = plan_daily_volumes(&loaded.plan);
    let rise = |line: &Name, volume: Volume| -> f64 {
        let effect = controller.effect_of(line);
        effect.map_or(0.0, |effect| match tracked {
            Tracked::Alkalinity => effect.alkalinity_rise(volume, controller.tank).as_dkh(),
            Tracked::Element(element) => effect
                .element_rise(element, volume, controller.tank)
                .as_mg_per_l(),
        })
    };
    let per_day = daily.iter().map(|(line, volume)| rise(line, *volume)).sum();
    let line = daily
        .iter()
        .max_by(|a, b| rise(a.0, *a.1).total_cmp(&rise(b.0, *b.1)))
        .filter(|(line, volume)| rise(line, **volume) > 0.0)
        .map(|(line, _)| line.clone())
        .ok_or_else(|| usage(format!("no planned line carries {tracked}")))?;
    let cap = controller
        .lines
        .iter()
        .find(|l| l.name == line)
        .map_or(Volume::ZERO, |l| l.daily_cap);
    let dosing = Dosing {
        per_day,
        volume: daily.get(&line).copied().unwrap_or(Volume::ZERO),
        rise_per_ml: rise(&line, Volume::from_ul(1_000_000)) / 1000.0,
        smallest_step: SMALLEST_STEP,
        cap,
        step_per_day_max: step(loaded, tracked),
    };
    Ok((line, dosing))
}

fn step(loaded: &Loaded, tracked: &Tracked) -> f64 {
    let (of, usual) = match tracked {
        Tracked::Alkalinity => (Quantity::Alkalinity, 0.5),
        Tracked::Element(element) if element.symbol() == "Mg" => {
            (Quantity::Element(element.clone()), STEP_MAGNESIUM)
        }
        Tracked::Element(element) => (Quantity::Element(element.clone()), STEP_CALCIUM),
    };
    let limits = loaded.controller.water.get(&of);
    limits.map_or(usual, |limits| limits.max_rise)
}

pub(in crate::cli) fn quantity(tracked: &Tracked) -> Quantity {
    match tracked {
        Tracked::Alkalinity => Quantity::Alkalinity,
        Tracked::Element(element) => Quantity::Element(element.clone()),
    }
}

pub(in crate::cli) fn advice(case: &Case) -> Result<Advice, Failure> {
    let now = millis(case.now);
    crate::estimate::advise(
        case.estimate.as_ref(),
        &case.dosing,
        &case.journal,
        case.patience,
        now,
    )
    .map_err(|error| Failure::new(exit::REFUSED, error.to_string()))
}

/// Says what to do.
pub(in crate::cli) fn advise(
    place: &Place,
    options: &AdviseArgs,
    out: &mut Out,
) -> Result<(), Failure> {
    let tracked = &options.of.quantity;
    let case = gather(place, tracked, options.of.days)?;
    let advice = advice(&case)?;
    if place.json {
        return Ok(out.json(&as_json(&case, tracked, &advice))?);
    }
    let tone = match &advice {
        Advice::LeaveAlone { .. } => Tone::Good,
        Advice::Change(_) | Advice::TestAgain { .. } => Tone::Strong,
        Advice::SomethingWrong { .. } => Tone::Bad,
    };
    if let Some(what) = &case.under_way {
        let text = format!(
            "LEAVE IT ALONE for now: {what} is under way, and nothing can be accepted until it is over. What follows goes by plan.toml."
        );
        writeln!(out, "{}", out.tone(Tone::Strong, &text))?;
    }
    writeln!(out, "{}", out.tone(tone, &advice.to_string()))?;
    if let Ok(uptake) = &case.estimate {
        let said = advice.to_string();
        if !said.contains(&uptake.to_string()) {
            writeln!(out, "{uptake}")?;
        }
        if *tracked == Tracked::Alkalinity {
            let along = taken_along(Alkalinity::from_dkh(uptake.per_day.max(0.0)));
            writeln!(
                out,
                "if all of it is calcification, a day takes along {along}"
            )?;
        }
    }
    writeln!(
        out,
        "the plan adds {} {} a day, line {} {} of it being the one to change",
        figures(case.dosing.per_day),
        tracked.unit(),
        case.lead,
        case.dosing.volume
    )?;
    if let Some(given) = case
        .given_per_day
        .filter(|given| *given < GIVEN_SHARE * case.dosing.per_day)
    {
        let text = format!(
            "WARNING: only {} {} a day were given while these readings were taken, much less than the plan; find out why first (dosewright status, dosewright ledger list not_given)",
            figures(given),
            tracked.unit()
        );
        writeln!(out, "{}", out.tone(Tone::Bad, &text))?;
    }
    if let Some((left_out, at)) = case.left_out {
        writeln!(
            out,
            "{left_out} readings from before the water change of {at:.0} were left out: what the new water held of {tracked} is not on record"
        )?;
    }
    for words in unseen(&case.loaded, &quantity(tracked)) {
        writeln!(out, "{words}")?;
    }
    if matches!(advice, Advice::Change(_)) {
        writeln!(out, "{}", how_to_accept(tracked))?;
    }
    Ok(())
}

/// What planned lines may add of a quantity that nobody has stated.
pub(in crate::cli) fn unseen(loaded: &Loaded, of: &Quantity) -> Vec<String> {
    let daily = plan_daily_volumes(&loaded.plan);
    let givers = loaded.controller.unseen_givers(of);
    let given = givers.filter_map(|(line, solution)| {
        let volume = daily.get(line).filter(|volume| **volume > Volume::ZERO)?;
        Some(format!(
            "line {line} gives {volume} a day of {}, and it is not stated whether that carries {of}: what it adds cannot be estimated, so any uptake of {of} here is less by as much, and right only while that volume stays",
            solution.name
        ))
    });
    given.collect()
}

fn how_to_accept(tracked: &Tracked) -> String {
    let word = match tracked {
        Tracked::Alkalinity => String::new(),
        Tracked::Element(element) => format!(" {}", element.symbol()),
    };
    format!("to put it into force: dosewright accept{word}; the limits hold whatever is planned")
}

fn as_json(case: &Case, tracked: &Tracked, advice: &Advice) -> Value {
    let (kind, to, interval, ramp_days) = match advice {
        Advice::LeaveAlone { .. } => ("leave-alone", None, None, None),
        Advice::TestAgain { .. } => ("test-again", None, None, None),
        Advice::SomethingWrong { .. } => ("something-wrong", None, None, None),
        Advice::Change(p) => (
            "change",
            Some(p.to.as_ul()),
            Some([p.interval.0.as_ul(), p.interval.1.as_ul()]),
            Some(p.ramp_days),
        ),
    };
    let estimate = case.estimate.as_ref().ok().map(|u| {
        json!({
            "per_day": u.per_day, "low": u.low, "high": u.high, "robust_per_day": u.robust_per_day,
            "readings": u.readings, "span_days": u.span_days, "unit": tracked.unit(),
        })
    });
    json!({
        "quantity": tracked.to_string(), "advice": kind, "text": advice.to_string(), "uptake": estimate,
        "plan_per_day": case.dosing.per_day, "given_per_day": case.given_per_day, "unit": tracked.unit(), "line": case.lead.as_str(),
        "under_way": case.under_way, "unseen": unseen(&case.loaded, &quantity(tracked)), "daily_ul": case.dosing.volume.as_ul(), "to_daily_ul": to, "interval_ul": interval, "ramp_days": ramp_days,
    })
}
