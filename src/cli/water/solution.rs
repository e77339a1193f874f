//! What the solutions do to this tank, and recipes for a wanted strength.

use std::io::Write;

use clap::{Args, Subcommand};
use serde_json::json;

use crate::chemistry::{
    Balance, Celsius, Quantity, Rises, Salt, cautions, check_dissolves, recipe_for, rises_words,
};
use crate::cli::water::batch::{BatchArgs, ThirdPartArgs, batch, third};
use crate::cli::words::{
    Amount, amount, celsius, configuration, quantity, rises_json, tank, tank_volume, usage,
};
use crate::cli::{Out, Place, Result, Tone, refused};
use crate::config::{Controller, Loaded, Solution};
use crate::plan::plan_daily_volumes;
use crate::quantity::{Name, TankVolume, Volume, listed, parse_volume};

#[derive(Debug, Args)]
#[command(
    args_conflicts_with_subcommands = true,
    after_help = "Examples: dosewright solution\n          dosewright solution soda-ash\n          dosewright solution recipe --salt Na2CO3 --volume \"20 mL\" --raises alkalinity --by \"0.5 dKH\""
)]
pub(crate) struct SolutionArgs {
    /// Something else than a look at the configured solutions
    #[command(subcommand)]
    command: Option<SolutionCommand>,
    /// The solution; all of them when left out
    name: Option<String>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum SolutionCommand {
    /// Work out the recipe of one salt for a wanted strength
    #[command(
        after_help = "Example: dosewright solution recipe --salt Na2CO3 --volume \"10 mL\" --raises alkalinity --by \"1 dKH\"\nRefused when it would not stay dissolved at the coldest the bottle gets. Its cautions are printed with it."
    )]
    Recipe(SolutionRecipe),
    /// Work out the grams of a batch, or of what the plan needs, with what to buy in all
    #[command(
        after_help = "Examples: dosewright solution batch --days 30\n          dosewright solution batch --until 2027-01-31\n          dosewright solution batch soda-ash --volume \"5 L\"\nBottles are mixed as controller.toml describes them, for the plan's mL a day and their reserve. A cron line counts as if it dosed every day."
    )]
    Batch(BatchArgs),
    /// Work out a third part that makes sea salt of the sodium chloride that two parts leave behind
    #[command(
        after_help = "Example: dosewright solution third-part --daily \"20 mL\"\nWorth it where little water is changed; where much is, water changes do the same."
    )]
    ThirdPart(ThirdPartArgs),
}

#[derive(Debug, Args)]
pub(crate) struct SolutionRecipe {
    /// The salt's formula with its crystal water, for example CaCl2.2H2O
    #[arg(long)]
    salt: Salt,
    /// The volume that is to do it, for example "20 mL"
    #[arg(long, value_parser = parse_volume)]
    volume: Volume,
    /// alkalinity, or an element
    #[arg(long, value_parser = quantity)]
    raises: Quantity,
    /// By how much, for example "0.5 dKH" or "10 mg/L"
    #[arg(long, value_parser = amount)]
    by: Amount,
    /// The tank's net water, for example "300 L"; that of controller.toml when left out
    #[arg(long, value_parser = tank_volume)]
    tank: Option<TankVolume>,
    /// The coldest the bottle gets, for example "15 C"
    #[arg(long, default_value = "15 C", value_parser = celsius)]
    coldest: Celsius,
}

/// Shows solutions, or makes a recipe.
pub(crate) fn solution(place: &Place, options: &SolutionArgs, out: &mut Out) -> Result {
    match &options.command {
        Some(SolutionCommand::Recipe(recipe)) => make_recipe(place, recipe, out),
        Some(SolutionCommand::Batch(options)) => batch(place, options, out),
        Some(SolutionCommand::ThirdPart(options)) => third(place, options, out),
        None => show(place, options, out),
    }
}

/// One solution worked out.
struct Shown<'a> {
    solution: &'a Solution,
    per_ml: Rises,
    /// Lines that dose it, with their daily volume.
    lines: Vec<(Name, Volume)>,
    day: Rises,
    /// For each bottle it is in, whether it stays dissolved, in words.
    dissolves: Vec<(Name, Result<String, String>)>,
}

fn work_out<'a>(loaded: &'a Loaded, solution: &'a Solution) -> Shown<'a> {
    let controller = &loaded.controller;
    let tank = controller.tank;
    let daily = plan_daily_volumes(&loaded.plan);
    let gives = |line: &&crate::config::Line| {
        let leaving = controller.solution_of(&line.name);
        leaving.is_some_and(|leaving| leaving.name == solution.name)
    };
    let lines: Vec<(Name, Volume)> = controller
        .lines
        .iter()
        .filter(gives)
        .map(|line| {
            let volume = daily.get(&line.name).copied().unwrap_or(Volume::ZERO);
            (line.name.clone(), volume)
        })
        .collect();
    let volume = lines.iter().map(|(_, volume)| *volume).sum();
    let bottles = controller.reservoirs.values();
    let bottles = bottles
        .filter(|bottle| bottle.solutions.contains(&solution.name) && !solution.salts.is_empty());
    Shown {
        solution,
        per_ml: Rises::of(&[(&solution.effect, Volume::from_ul(1000))], tank),
        day: Rises::of(&[(&solution.effect, volume)], tank),
        lines,
        dissolves: bottles
            .map(|bottle| {
                let checked = check_dissolves(&solution.salts, bottle.coldest)
                    .map(|dissolves| dissolves.to_string())
                    .map_err(|error| error.to_string());
                (bottle.name.clone(), checked)
            })
            .collect(),
    }
}

/// Pairs of an alkalinity and a calcium solution, with what equal volumes of them do.
fn pairs(controller: &Controller) -> Vec<(Name, Name, Balance)> {
    let ml = Volume::from_ul(1000);
    let used = |s: &&Solution| {
        controller
            .lines
            .iter()
            .any(|l| controller.may_give(l).any(|given| given.name == s.name))
    };
    let carries = |s: &Solution, symbol: &str| {
        s.effect
            .dissolved_mg_per_l
            .iter()
            .any(|(e, mg)| e.symbol() == symbol && *mg > 0.0)
    };
    let mut found = Vec::new();
    for basic in controller.solutions.values().filter(used) {
        if !basic.effect.carries_alkalinity() {
            continue;
        }
        for calcium in controller.solutions.values().filter(used) {
            if calcium.name != basic.name && carries(calcium, "Ca") {
                let both = [(&basic.effect, ml), (&calcium.effect, ml)];
                let balance = Rises::of(&both, controller.tank).balance();
                found.push((basic.name.clone(), calcium.name.clone(), balance));
            }
        }
    }
    found
}

fn show(place: &Place, options: &SolutionArgs, out: &mut Out) -> Result {
    let loaded = configuration(place)?;
    let controller = &loaded.controller;
    let wanted = |s: &&Solution| options.name.as_ref().is_none_or(|n| s.name.as_str() == n);
    let shown: Vec<Shown<'_>> = controller
        .solutions
        .values()
        .filter(wanted)
        .map(|solution| work_out(&loaded, solution))
        .collect();
    if shown.is_empty() {
        let known = listed(controller.solutions.keys());
        return Err(usage(format!(
            "there is no such solution; the solutions are: {known}"
        )));
    }
    let daily = plan_daily_volumes(&loaded.plan);
    let parts: Vec<_> = controller
        .lines
        .iter()
        .filter_map(|line| {
            let effect = controller.effect_of(&line.name)?;
            Some((effect, *daily.get(&line.name)?))
        })
        .collect();
    let whole = options
        .name
        .is_none()
        .then(|| Rises::of(&parts, controller.tank));
    let pairs = if options.name.is_none() {
        pairs(controller)
    } else {
        Vec::new()
    };
    if place.json {
        return Ok(out.json(&as_json(&loaded, &shown, whole.as_ref(), &pairs))?);
    }
    for one in &shown {
        print_one(one, controller, out)?;
    }
    let salts = shown.iter().flat_map(|one| &one.solution.salts);
    for caution in cautions(salts.map(|(salt, _)| *salt)) {
        writeln!(out, "{caution}")?;
    }
    if let Some(whole) = &whole {
        writeln!(out, "{}", out.tone(Tone::Strong, "the whole plan, a day"))?;
        writeln!(out, "  adds {}", rises_words(whole))?;
        for one in shown.iter().filter(|one| !one.lines.is_empty()) {
            if let Some(words) = one.solution.unstated_words() {
                writeln!(out, "  without {}: {words}", one.solution.name)?;
            }
        }
        match whole.balance() {
            Balance::NotAPair => {}
            balance @ (Balance::Balanced { .. }
            | Balance::CalciumHigh { .. }
            | Balance::CalciumLow { .. }) => writeln!(out, "  as planned: {balance}")?,
        }
        for (basic, calcium, balance) in &pairs {
            writeln!(out, "  equal volumes of {basic} and {calcium}: {balance}")?;
        }
        writeln!(out, "  {}", whole.left_behind_per_year())?;
        writeln!(
            out,
            "  volumes of cron lines count for the days on which they dose; what animals, skimming and splashing take out is not counted"
        )?;
    }
    Ok(())
}

fn print_one(one: &Shown<'_>, controller: &Controller, out: &mut Out) -> Result {
    writeln!(
        out,
        "{}",
        out.tone(Tone::Strong, one.solution.name.as_str())
    )?;
    let salts: Vec<String> = one
        .solution
        .salts
        .iter()
        .map(|(salt, g)| format!("{g} g/L {salt}"))
        .collect();
    if !salts.is_empty() {
        writeln!(out, "  made of {}", salts.join(" + "))?;
    }
    if one.solution.caustic {
        writeln!(out, "  CAUTION: caustic; gloves and eye protection")?;
    }
    if let Some(words) = one.solution.unstated_words() {
        writeln!(out, "  {words}; what follows is without that")?;
    }
    writeln!(
        out,
        "  1 mL in {} adds {}",
        controller.tank,
        rises_words(&one.per_ml)
    )?;
    for (line, volume) in &one.lines {
        writeln!(out, "  line {line} gives {volume} a day")?;
    }
    if one.lines.is_empty() {
        writeln!(out, "  no line doses it")?;
    } else {
        writeln!(out, "  which adds {} a day", rises_words(&one.day))?;
    }
    for (bottle, checked) in &one.dissolves {
        match checked {
            Ok(text) => writeln!(out, "  in reservoir {bottle}: {text}")?,
            Err(text) => writeln!(
                out,
                "  in reservoir {bottle}: {}",
                out.tone(Tone::Bad, text)
            )?,
        }
    }
    Ok(())
}

fn as_json(
    loaded: &Loaded,
    shown: &[Shown<'_>],
    whole: Option<&Rises>,
    pairs: &[(Name, Name, Balance)],
) -> serde_json::Value {
    let solutions: Vec<_> = shown
        .iter()
        .map(|one| {
            let lines: Vec<_> = one
                .lines
                .iter()
                .map(|(line, volume)| json!({ "line": line.as_str(), "daily_ul": volume.as_ul() }))
                .collect();
            let salts: Vec<_> = one
                .solution
                .salts
                .iter()
                .map(|(salt, g)| json!({ "salt": salt.formula(), "g_per_l": g }))
                .collect();
            let dissolves: Vec<_> = one
                .dissolves
                .iter()
                .map(|(bottle, checked)| {
                    let text = checked.as_ref().unwrap_or_else(|error| error);
                    json!({ "reservoir": bottle.as_str(), "ok": checked.is_ok(), "text": text })
                })
                .collect();
            json!({
                "solution": one.solution.name.as_str(), "caustic": one.solution.caustic,
                "cautions": cautions(one.solution.salts.iter().map(|(salt, _)| *salt)), "unstated": one.solution.unstated, "salts": salts, "lines": lines,
                "one_ml_adds": rises_json(&one.per_ml), "day_adds": rises_json(&one.day), "dissolves": dissolves,
            })
        })
        .collect();
    let pairs: Vec<_> = pairs
        .iter()
        .map(|(a, b, balance)| {
            json!({ "alkalinity": a.as_str(), "calcium": b.as_str(), "equal_volumes": balance.to_string() })
        })
        .collect();
    let whole = whole.map(|rises| {
        let left = rises.left_behind_per_year();
        json!({
            "adds": rises_json(rises), "balance": rises.balance().to_string(),
            "left_per_year": {
                "sodium_chloride_g_per_l": left.sodium_chloride_g_per_l, "sodium_over_mg_per_l": left.sodium_over_mg_per_l,
                "chloride_over_mg_per_l": left.chloride_over_mg_per_l, "sulphate_mg_per_l": left.sulphate_mg_per_l,
            },
        })
    });
    json!({ "tank_l": loaded.controller.tank.as_litres(), "solutions": solutions, "plan_day": whole, "pairs": pairs })
}

fn make_recipe(place: &Place, options: &SolutionRecipe, out: &mut Out) -> Result {
    let (salt, volume, coldest) = (options.salt, options.volume, options.coldest);
    let by = options.by.of(&options.raises).map_err(usage)?;
    let tank = tank(place, options.tank)?;
    let recipe = recipe_for(salt, (&options.raises, by), volume, tank, coldest)
        .map_err(|error| refused(format!("no such recipe: {error}")))?;
    let cautions = cautions([salt]);
    if place.json {
        return Ok(out.json(&json!({
            "salt": salt.formula(), "g_per_l": recipe.g_per_l, "volume_ul": volume.as_ul(), "tank_l": tank.as_litres(),
            "coldest_c": coldest.as_degrees(), "percent_of_limit": recipe.dissolves.percent_of_limit,
            "cautions": cautions,
        }))?);
    }
    writeln!(out, "{recipe}")?;
    writeln!(
        out,
        "so that {volume} raise {} in {tank} by {}",
        options.raises,
        options.raises.amount(by)
    )?;
    writeln!(out, "weigh it as its label names it: a hydrate weighs more")?;
    for caution in cautions {
        writeln!(out, "{}", out.tone(Tone::Bad, &caution))?;
    }
    Ok(())
}
