//! What to weigh in: a batch of a solution, what the plan needs until a date with its shopping list, and a third part against leftover salt.

use std::collections::BTreeMap;
use std::io::Write;

use clap::Args;
use jiff::civil::Date;
use serde_json::json;

use crate::chemistry::{
    Celsius, Rises, Salt, cautions, check_dissolves, figures, grams, sea_salt_g, third_part,
};
use crate::cli::record::ledger::open;
use crate::cli::words::{celsius, configuration, present, usage};
use crate::cli::{Out, Place, Result, Tone, refused};
use crate::config::{Controller, Loaded, Reservoir, Solution};
use crate::daemon::machine_now;
use crate::plan::{plan_daily_volumes, rises_of_day};
use crate::quantity::{Name, Volume, parse_volume};

/// Days of a month: 365.25 / 12.
const MONTH_DAYS: f64 = 30.4375;

/// Longest time that is mixed for, days: a year. Ours.
const DAYS_MAX: i64 = 366;

#[derive(Debug, Args)]
pub(crate) struct BatchArgs {
    /// The solution; all that the plan doses when left out
    name: Option<String>,
    /// How much of it is mixed, for example "5 L"; what the plan needs when left out
    #[arg(long, value_parser = parse_volume, requires = "name")]
    volume: Option<Volume>,
    /// For so many days of the plan
    #[arg(long, default_value_t = 30, value_parser = clap::value_parser!(i64).range(1..=DAYS_MAX))]
    days: i64,
    /// Until the end of this day, for example 2027-01-31
    #[arg(long, value_name = "DATE", conflicts_with_all = ["days", "volume"])]
    until: Option<Date>,
}

#[derive(Debug, Args)]
pub(crate) struct ThirdPartArgs {
    /// How much of it is to be dosed a day, for example "20 mL"
    #[arg(long, value_parser = parse_volume)]
    daily: Volume,
    /// The coldest the bottle gets, for example "15 C"
    #[arg(long, default_value = "15 C", value_parser = celsius)]
    coldest: Celsius,
}

/// What one bottle needs.
struct Needed<'a> {
    solution: &'a Solution,
    volume: Volume,
    salts: Vec<(Salt, f64)>,
    /// In words; empty for a batch of its own.
    filling: Vec<String>,
}

impl<'a> Needed<'a> {
    fn new(solution: &'a Solution, volume: Volume, filling: Vec<String>) -> Self {
        Self {
            salts: grams(&solution.salts, volume),
            solution,
            volume,
            filling,
        }
    }
}

pub(crate) fn batch(place: &Place, options: &BatchArgs, out: &mut Out) -> Result {
    let loaded = configuration(place)?;
    let controller = &loaded.controller;
    let days = days(place, controller, options)?;
    let wanted = |s: &Solution| options.name.as_ref().is_none_or(|n| s.name.as_str() == n);
    let all: Vec<Needed<'_>> = match options.volume {
        Some(volume) => {
            let solutions = controller.solutions.values().filter(|s| wanted(s));
            solutions
                .map(|s| Needed::new(s, volume, Vec::new()))
                .collect()
        }
        None => needed(&loaded, days)
            .into_iter()
            .filter(|needed| wanted(needed.solution))
            .collect(),
    };
    if all.is_empty() {
        let known: Vec<&str> = controller.solutions.keys().map(Name::as_str).collect();
        return Err(usage(format!(
            "there is no such solution, or the plan doses none of it (--volume mixes it all the same); the solutions are: {}",
            known.join(", ")
        )));
    }
    let mut list: BTreeMap<Salt, f64> = BTreeMap::new();
    for (salt, g) in all.iter().flat_map(|needed| &needed.salts) {
        *list.entry(*salt).or_default() += g;
    }
    let cautions = cautions(list.keys().copied());
    if place.json {
        let batches: Vec<_> = all
            .iter()
            .map(|n| json!({ "solution": n.solution.name.as_str(), "volume_ul": n.volume.as_ul(), "grams": by_formula(&n.salts), "filling": n.filling }))
            .collect();
        let list: Vec<(Salt, f64)> = list.into_iter().collect();
        return Ok(out.json(&json!({
            "days": options.volume.is_none().then_some(days), "batches": batches, "shopping_list_g": by_formula(&list), "cautions": cautions,
        }))?);
    }
    for needed in &all {
        let title = format!("{}, {}", needed.solution.name, needed.volume);
        writeln!(out, "{}", out.tone(Tone::Strong, &title))?;
        for line in &needed.filling {
            writeln!(out, "  {line}")?;
        }
        write_salts(&needed.salts, out)?;
        if needed.salts.is_empty() {
            writeln!(
                out,
                "  no salts of it are in controller.toml: buy it, or mix it as its maker says"
            )?;
        }
    }
    if all.len() > 1 {
        writeln!(out, "{}", out.tone(Tone::Strong, "to buy in all"))?;
        write_salts(&list.into_iter().collect::<Vec<_>>(), out)?;
    }
    for caution in cautions {
        writeln!(out, "{}", out.tone(Tone::Bad, &caution))?;
    }
    Ok(())
}

fn write_salts(salts: &[(Salt, f64)], out: &mut Out) -> Result {
    for (salt, g) in salts {
        writeln!(out, "  {} g {salt} ({})", figures(*g), salt.name())?;
    }
    Ok(())
}

fn by_formula(salts: &[(Salt, f64)]) -> serde_json::Map<String, serde_json::Value> {
    let each = salts.iter();
    each.map(|(salt, g)| (salt.formula().to_owned(), (*g).into()))
        .collect()
}

/// Whole days from tomorrow on.
fn days(place: &Place, controller: &Controller, options: &BatchArgs) -> Result<i64> {
    let Some(until) = options.until else {
        return Ok(options.days);
    };
    let now = match open(place) {
        Ok(reader) => present(&reader)?,
        Err(_) => machine_now().wall,
    };
    let today = controller.time_zone.to_datetime(now).date();
    let days = i64::from((until - today).get_days());
    if (1..=DAYS_MAX).contains(&days) {
        Ok(days)
    } else {
        Err(usage(format!(
            "{until} is {days} days from today ({today}); give a date from tomorrow on, within {DAYS_MAX} days"
        )))
    }
}

/// What each bottle that the plan draws on needs for so many days.
fn needed(loaded: &Loaded, days: i64) -> Vec<Needed<'_>> {
    let controller = &loaded.controller;
    let daily = plan_daily_volumes(&loaded.plan);
    let bottles = controller.reservoirs.values().filter_map(|bottle| {
        let lines = controller.drawing_on(&bottle.name);
        let each = lines.filter_map(|line| daily.get(&line.name).copied());
        let day: Volume = each.sum();
        let solution = controller.solution_in(&bottle.name)?;
        let given = Volume::from_ul(day.as_ul().saturating_mul(days));
        let volume = given.saturating_add(bottle.reserve);
        let filling = filling(bottle, (day, days), volume);
        (day > Volume::ZERO).then(|| Needed::new(solution, volume, filling))
    });
    bottles.collect()
}

fn filling(bottle: &Reservoir, (day, days): (Volume, i64), volume: Volume) -> Vec<String> {
    let mut lines = vec![format!(
        "reservoir {}: {day} a day for {days} days and its reserve of {}: fill it to {volume}",
        bottle.name, bottle.reserve
    )];
    if volume > bottle.capacity {
        let lasts = bottle.capacity.saturating_sub(bottle.reserve).as_ul() / day.as_ul().max(1);
        lines.push(format!(
            "that is more than it holds ({}): full it lasts {lasts} days; keep the rest for the next filling, or mix it then",
            bottle.capacity
        ));
    }
    lines
}

pub(crate) fn third(place: &Place, options: &ThirdPartArgs, out: &mut Out) -> Result {
    let loaded = configuration(place)?;
    let (controller, tank) = (&loaded.controller, loaded.controller.tank);
    let day: Rises = rises_of_day(controller, &plan_daily_volumes(&loaded.plan));
    let left = day.left_behind_per_year().sodium_chloride_g_per_l / 365.0 * tank.as_litres();
    if left <= 0.0 {
        return Err(refused(
            "the plan leaves no sodium chloride behind: it doses no sodium and chloride together; a third part has nothing to go with",
        ));
    }
    let litres = options.daily.as_ml() / 1000.0;
    let salts: Vec<(Salt, f64)> = third_part(left)
        .into_iter()
        .map(|(salt, g)| (salt, g / litres.max(f64::MIN_POSITIVE)))
        .collect();
    let dissolves = check_dissolves(&salts, options.coldest)
        .map_err(|error| refused(format!("no such third part: {error}")))?;
    let cautions = cautions(salts.iter().map(|(salt, _)| *salt));
    let month = left * MONTH_DAYS;
    // g of salt in a kg of water of salinity 1: 35.16504 / 35 (Millero et al. 2008); a litre of tank water weighs about 1.0234 kg.
    let salinity = sea_salt_g(month) / tank.as_litres() / 1.0234 / (35.165_04 / 35.0);
    if place.json {
        return Ok(out.json(&json!({
            "sodium_chloride_g_per_month": month, "g_per_l": by_formula(&salts), "daily_ul": options.daily.as_ul(),
            "salinity_per_month": salinity, "percent_of_limit": dissolves.percent_of_limit, "cautions": cautions,
        }))?);
    }
    writeln!(
        out,
        "the plan leaves {} g of sodium chloride a month in {tank}; {} a day of this makes sea salt of it:",
        figures(month),
        options.daily
    )?;
    for (salt, g) in &salts {
        writeln!(
            out,
            "  {} g {salt} ({}) a litre, {} g a month",
            figures(*g),
            salt.name(),
            figures(g * litres * MONTH_DAYS)
        )?;
    }
    writeln!(out, "  {dissolves}")?;
    for line in [
        format!(
            "composition: natural seawater without sodium chloride (Reference Composition, Millero et al. 2008); salinity then rises by about {salinity:.2} a month: take out salt water for fresh water as your meter says"
        ),
        "not in it: calcium, strontium and alkalinity, which their own lines give by test; fluoride, which falls out in the bottle; traces".to_owned(),
        "where another line gives magnesium or potassium beyond what is taken up, leave that out here; a bottle of its own, apart from calcium and alkalinity".to_owned(),
    ] {
        writeln!(out, "{line}")?;
    }
    for caution in cautions {
        writeln!(out, "{}", out.tone(Tone::Bad, &caution))?;
    }
    Ok(())
}
