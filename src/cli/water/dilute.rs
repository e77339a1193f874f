//! What water changes and doses dilute, and aragonite saturation.

use std::io::Write;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use crate::chemistry::{
    Between, Celsius, ChangeShare, Level, Rises, Salinity, Unit, dosed_water, figures,
    left_after_continuous, litres_for_continuous, share_to_reach,
};
use crate::cli::words::{celsius, configuration, litres, salinity, tank, tank_volume, usage};
use crate::cli::{Out, Place, Result, refused};
use crate::plan::plan_daily_volumes;
use crate::quantity::{Alkalinity, TankVolume, Volume, parse_alkalinity};

#[derive(Debug, Args)]
pub(crate) struct Dilute {
    /// What to work out
    #[command(subcommand)]
    command: DiluteCommand,
    /// The tank's net water, for example "300 L"; that of controller.toml when left out
    #[arg(long, global = true, value_parser = tank_volume)]
    tank: Option<TankVolume>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum DiluteCommand {
    /// What a series of equal water changes leaves
    #[command(
        after_help = "Example: dosewright dilute changes --change \"30 L\" --times 4 --from \"50 mg/L\" --new \"0 mg/L\""
    )]
    Changes {
        /// Water of one change, for example "30 L"
        #[arg(long, value_parser = litres)]
        change: TankVolume,
        /// How many of them
        #[arg(long, value_parser = clap::value_parser!(u32).range(1..=1000))]
        times: u32,
        /// The level now, for example "50 mg/L" or "12 dKH"
        #[arg(long, value_parser = told)]
        from: Option<Level>,
        /// The level of the new water; none when left out
        #[arg(long, value_parser = told)]
        new: Option<Level>,
    },
    /// How many changes, or which single one, bring a level to another
    #[command(
        after_help = "Example: dosewright dilute reach --change \"30 L\" --from \"50 mg/L\" --to \"20 mg/L\""
    )]
    Reach {
        /// Water of one change
        #[arg(long, value_parser = litres)]
        change: TankVolume,
        /// The level now
        #[arg(long, value_parser = told)]
        from: Level,
        /// The wanted level
        #[arg(long, value_parser = told)]
        to: Level,
        /// The level of the new water; none when left out
        #[arg(long, value_parser = told)]
        new: Option<Level>,
    },
    /// Where a level settles under routine changes while it is gained or taken up
    #[command(
        after_help = "Examples: dosewright dilute steady --change \"30 L\" --every-days 7 --gain \"1 mg/L\"\n          dosewright dilute steady --change \"30 L\" --every-days 7 --uptake \"0.2 dKH\" --new \"8 dKH\"\n          dosewright dilute steady --change \"30 L\" --every-days 7 --uptake-percent 5 --new \"0.06 mg/L\""
    )]
    Steady {
        /// Water of one change
        #[arg(long, value_parser = litres)]
        change: TankVolume,
        /// Days from one change to the next
        #[arg(long, value_parser = clap::value_parser!(u32).range(1..=3650))]
        every_days: u32,
        #[command(flatten)]
        moves: Moves,
        /// The level of the new water; none when left out
        #[arg(long, value_parser = told)]
        new: Option<Level>,
    },
    /// A few large changes a few days apart, to be rid of something: what is left after each, and what each moves
    #[command(
        after_help = "Example: dosewright dilute rescue --change \"120 L\" --from \"0.5 mg/L\" --alkalinity \"9 dKH\" --new-alkalinity \"7.5 dKH\" --salinity 35 --new-salinity 34\nMeasure the new water first: everything that it holds otherwise moves as far, and at once."
    )]
    Rescue {
        /// Water of one change
        #[arg(long, value_parser = litres)]
        change: TankVolume,
        /// How many of them
        #[arg(long, default_value_t = 4, value_parser = clap::value_parser!(u32).range(1..=20))]
        times: u32,
        /// Days from one change to the next
        #[arg(long, default_value_t = 3, value_parser = clap::value_parser!(u32).range(1..=60))]
        every_days: u32,
        /// The level now of what is too much
        #[arg(long, value_parser = told)]
        from: Level,
        /// What the new water holds of it; none when left out
        #[arg(long, value_parser = told)]
        new: Option<Level>,
        #[command(flatten)]
        moves: Moves,
        /// The tank's alkalinity now
        #[arg(long, value_parser = parse_alkalinity)]
        alkalinity: Alkalinity,
        /// The new water's
        #[arg(long, value_parser = parse_alkalinity)]
        new_alkalinity: Alkalinity,
        /// The tank's salinity now
        #[arg(long, value_parser = salinity)]
        salinity: Salinity,
        /// The new water's
        #[arg(long, value_parser = salinity)]
        new_salinity: Salinity,
    },
    /// A steady exchange in which new water flows in and old water out
    #[command(
        after_help = "Examples: dosewright dilute continuous --litres \"90 L\"\n          dosewright dilute continuous --left 50"
    )]
    Continuous {
        /// Water exchanged in all
        #[arg(long, required_unless_present = "left", conflicts_with = "left", value_parser = litres)]
        litres: Option<TankVolume>,
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
        #[arg(long, default_value = "35", value_parser = salinity)]
        salinity: Salinity,
        /// The tank's temperature
        #[arg(long, default_value = "25 C", value_parser = celsius)]
        temperature: Celsius,
    },
}

/// What happens to a level between changes; nothing when all is left out.
#[derive(Debug, Clone, Copy, Args)]
pub(crate) struct Moves {
    /// Gained each day
    #[arg(long, conflicts_with = "uptake", value_parser = told)]
    gain: Option<Level>,
    /// Taken up each day, as much whatever the level
    #[arg(long, value_parser = told)]
    uptake: Option<Level>,
    /// Taken up each day in proportion: so many percent of the level
    #[arg(long, value_name = "PERCENT", conflicts_with = "uptake")]
    uptake_percent: Option<f64>,
}

/// A level as it is typed: of alkalinity, or of what is dissolved.
fn told(text: &str) -> Result<Level, String> {
    let level = |unit: Unit| unit.parse(text).map(|value| Level { unit, value });
    let dissolved = level(Unit::MgPerL);
    dissolved.or_else(|why| level(Unit::Dkh).map_err(|_| format!("{why}; or alkalinity in dKH")))
}

impl DiluteCommand {
    /// The unit of all that is told.
    fn unit(&self) -> Result<Unit> {
        let told = match self {
            Self::Changes { from, new, .. } => [*from, *new, None, None],
            Self::Reach { from, to, new, .. } => [Some(*from), Some(*to), *new, None],
            Self::Steady { moves, new, .. } => [moves.gain, moves.uptake, *new, None],
            Self::Rescue {
                from, new, moves, ..
            } => [Some(*from), *new, moves.gain, moves.uptake],
            Self::Continuous { .. } | Self::Doses { .. } => [None; 4],
        };
        let mut units = told.into_iter().flatten().map(|level| level.unit);
        let unit = units.next().unwrap_or(Unit::MgPerL);
        if units.all(|other| other == unit) {
            return Ok(unit);
        }
        Err(usage(
            "one level is of alkalinity and another of what is dissolved; give all of one thing in one kind of unit, dKH or mg/L",
        ))
    }
}

/// What happens over so many days, and in words.
fn between(moves: &Moves, days: u32) -> Result<(Between, String)> {
    let Moves { gain, uptake, .. } = *moves;
    let value = |level: Option<Level>| level.map_or(0.0, |level| level.value);
    let per_day = value(gain) - value(uptake);
    let gained = gain.map(|gain| format!("{} gained", shown(gain)));
    let taken = match moves.uptake_percent {
        Some(percent) => Some(format!("{percent} % of it taken up")),
        None => uptake.map(|uptake| format!("{} taken up", shown(uptake))),
    };
    let words: Vec<String> = [gained, taken].into_iter().flatten().collect();
    let days = f64::from(days);
    let between = match moves.uptake_percent {
        Some(percent) => Between::in_proportion(percent, per_day, days).map_err(refused)?,
        None => Between::constant(per_day * days),
    };
    let words = if words.is_empty() {
        "nothing gained or taken up".to_owned()
    } else {
        format!("{} a day", words.join(" and "))
    };
    Ok((between, words))
}

/// What is worked out: lines for people, and the same for programs.
struct Worked {
    lines: Vec<String>,
    json: Value,
}

fn shown(level: Level) -> String {
    format!("{} {}", figures(level.value), level.unit)
}

/// Works out what is asked about dilution.
pub(crate) fn dilute(place: &Place, options: &Dilute, out: &mut Out) -> Result {
    let tank = tank(place, options.tank)?;
    let worked = worked(place, tank, &options.command)?;
    if place.json {
        return Ok(out.json(&worked.json)?);
    }
    for line in &worked.lines {
        writeln!(out, "{line}")?;
    }
    Ok(())
}

fn worked(place: &Place, tank: TankVolume, command: &DiluteCommand) -> Result<Worked> {
    let unit = command.unit()?;
    let or_none = |level: &Option<Level>| level.unwrap_or(Level { unit, value: 0.0 });
    match command {
        DiluteCommand::Changes {
            change,
            times,
            from,
            new,
        } => changes(tank, *change, *times, (*from, or_none(new))),
        DiluteCommand::Reach {
            change,
            from,
            to,
            new,
        } => reach(tank, *change, (*from, *to, or_none(new))),
        DiluteCommand::Steady {
            change,
            every_days,
            moves,
            new,
        } => steady(tank, *change, (*every_days, moves), or_none(new)),
        DiluteCommand::Rescue { .. } => rescue(tank, command),
        DiluteCommand::Continuous { litres: flow, left } => continuous(tank, *flow, *left),
        DiluteCommand::Doses {
            days,
            salinity,
            temperature,
        } => doses(place, tank, *days, (*salinity, *temperature)),
    }
}

/// Keys end with the unit of the level.
fn with_level(mut json: Value, unit: Unit, levels: &[(&str, Option<Level>)]) -> Value {
    let unit = match unit {
        Unit::Dkh => "dkh",
        Unit::MgPerL => "mg_per_l",
    };
    for (key, level) in levels {
        if let Some(object) = json.as_object_mut() {
            object.insert(format!("{key}_{unit}"), json!(level.map(|l| l.value)));
        }
    }
    json
}

fn changes(
    tank: TankVolume,
    change: TankVolume,
    times: u32,
    (from, new): (Option<Level>, Level),
) -> Result<Worked> {
    let share = ChangeShare::from_litres(change, tank).map_err(refused)?;
    let left = share.left_after(times);
    let mut lines = vec![
        format!(
            "{times} changes of {change} ({:.1} % of {tank}) leave {:.1} % of the old water",
            share.as_percent(),
            left * 100.0
        ),
        format!(
            "half of it is left after {:.1} changes",
            share.changes_to_halve()
        ),
    ];
    let after = from.map(|from| (from, share.level_after(from, new, times)));
    if let Some((from, after)) = after {
        lines.push(format!(
            "{} becomes {}, with new water of {} and nothing else happening",
            shown(from),
            shown(after),
            shown(new)
        ));
    }
    let json = json!({
        "tank_l": tank.as_litres(), "change_l": change.as_litres(), "changes": times, "left_percent": left * 100.0,
        "changes_to_halve": share.changes_to_halve(),
    });
    let json = with_level(
        json,
        new.unit,
        &[("level_after", after.map(|(_, after)| after))],
    );
    Ok(Worked { lines, json })
}

fn reach(
    tank: TankVolume,
    change: TankVolume,
    (from, to, new): (Level, Level, Level),
) -> Result<Worked> {
    let share = ChangeShare::from_litres(change, tank).map_err(refused)?;
    let times = share.changes_to_reach(from, to, new).map_err(refused)?;
    let after = share.level_after(from, new, times);
    let single = share_to_reach(from, to, new).ok();
    let mut lines = vec![format!(
        "{times} changes of {change} ({:.1} % of {tank}) bring {} to {}, with new water of {}",
        share.as_percent(),
        shown(from),
        shown(after),
        shown(new)
    )];
    if let Some(single) = single {
        lines.push(format!(
            "one change would have to be {:.1} % of the water ({}); large changes move everything else at once",
            single.as_percent(),
            TankVolume::from_litres(tank.as_litres() * single.as_percent() / 100.0)
        ));
    }
    let json = json!({
        "tank_l": tank.as_litres(), "change_l": change.as_litres(), "changes": times,
        "single_change_percent": single.map(ChangeShare::as_percent),
    });
    let json = with_level(json, new.unit, &[("level_after", Some(after))]);
    Ok(Worked { lines, json })
}

fn steady(
    tank: TankVolume,
    change: TankVolume,
    (every_days, moves): (u32, &Moves),
    new: Level,
) -> Result<Worked> {
    if [moves.gain, moves.uptake].iter().all(Option::is_none) && moves.uptake_percent.is_none() {
        return Err(usage(
            "what is gained or taken up a day? Give --gain, --uptake or --uptake-percent",
        ));
    }
    let share = ChangeShare::from_litres(change, tank).map_err(refused)?;
    let (between, words) = between(moves, every_days)?;
    let steady = share.steady_level(new, between);
    let halving = share.changes_to_halve_with(between);
    let lines = vec![
        format!(
            "with {change} ({:.1} % of {tank}) changed every {every_days} d and {words}:",
            share.as_percent(),
        ),
        format!("it {steady}"),
        format!(
            "half of the way is gone after {halving:.1} changes ({:.0} d)",
            halving * f64::from(every_days)
        ),
    ];
    let json = json!({
        "tank_l": tank.as_litres(), "change_l": change.as_litres(), "every_days": every_days, "uptake_percent_per_day": moves.uptake_percent,
    });
    let levels = [
        ("before_change", Some(steady.before)),
        ("after_change", Some(steady.after)),
    ];
    let json = with_level(json, new.unit, &levels);
    Ok(Worked { lines, json })
}

/// Large changes a few days apart. Volumes are taken to mix as volumes: sea waters of a few of salinity apart differ by less than half a percent in
/// density.
fn rescue(tank: TankVolume, command: &DiluteCommand) -> Result<Worked> {
    let DiluteCommand::Rescue {
        change,
        times,
        every_days,
        from,
        new,
        moves,
        alkalinity,
        new_alkalinity,
        salinity,
        new_salinity,
    } = command
    else {
        return Err(usage("no rescue"));
    };
    let share = ChangeShare::from_litres(*change, tank).map_err(refused)?;
    let (between, words) = between(moves, *every_days)?;
    let (from, unit) = (*from, from.unit);
    let new = new.unwrap_or(Level { unit, value: 0.0 });
    let [alkalinity, new_alkalinity] = [alkalinity, new_alkalinity].map(|level| Level {
        unit: Unit::Dkh,
        value: level.as_dkh(),
    });
    let held = Between::constant(0.0);
    let dkh = share.series(alkalinity, new_alkalinity, held, *times);
    let mut lines = vec![format!(
        "{times} changes of {change} ({:.1} % of {tank}), {every_days} d apart, with new water of {}, {words}:",
        share.as_percent(),
        shown(new)
    )];
    let mut rounds = Vec::new();
    let series = share.series(from, new, between, *times);
    for ((number, this), dkh) in (1..).zip(&series).zip(&dkh) {
        let left = share.left_after(number);
        let [was, is] = [number - 1, number].map(|n| {
            let gap = salinity.as_practical() - new_salinity.as_practical();
            new_salinity.as_practical() + gap * share.left_after(n)
        });
        let moved = dkh.after.value - dkh.before.value;
        let day = (number - 1) * every_days;
        lines.push(format!(
            "day {day}, change {number}: {} to {}; {:.1} % of the old water left; alkalinity {:.2} to {:.2} dKH ({moved:+.2}); salinity {was:.2} to {is:.2} ({:+.2})",
            shown(this.before), shown(this.after), left * 100.0, dkh.before.value, dkh.after.value, is - was,
        ));
        let round = json!({
            "day": day, "left_percent": left * 100.0, "alkalinity_dkh": dkh.after.value, "alkalinity_moved_dkh": moved,
            "salinity": is, "salinity_moved": is - was,
        });
        rounds.push(with_level(
            round,
            new.unit,
            &[("before", Some(this.before)), ("after", Some(this.after))],
        ));
    }
    lines.push("alkalinity and salinity as if nothing else moved them; the first change moves them furthest: bring the new water closer to the tank, or make smaller changes, where that is more than you allow in a day".to_owned());
    let json =
        json!({ "tank_l": tank.as_litres(), "change_l": change.as_litres(), "rounds": rounds });
    Ok(Worked { lines, json })
}

fn continuous(tank: TankVolume, flow: Option<TankVolume>, left: Option<f64>) -> Result<Worked> {
    let (exchanged, left) = match (flow, left) {
        (Some(exchanged), _) => (
            exchanged,
            left_after_continuous(exchanged, tank).map_err(refused)?,
        ),
        (None, percent) => {
            let left = percent.unwrap_or(100.0) / 100.0;
            (litres_for_continuous(tank, left).map_err(refused)?, left)
        }
    };
    let lines = vec![format!(
        "{exchanged} flowing through {tank} leave {:.1} % of the old water; one change of as much would leave less, many small ones about as much",
        left * 100.0
    )];
    let json = json!({ "tank_l": tank.as_litres(), "exchanged_l": exchanged.as_litres(), "left_percent": left * 100.0 });
    Ok(Worked { lines, json })
}

fn doses(place: &Place, tank: TankVolume, days: u32, water: (Salinity, Celsius)) -> Result<Worked> {
    let loaded = configuration(place)?;
    let daily = plan_daily_volumes(&loaded.plan);
    let parts: Vec<_> = loaded
        .controller
        .lines
        .iter()
        .filter_map(|line| {
            let effect = loaded.controller.effect_of(&line.name)?;
            Some((effect, *daily.get(&line.name)?))
        })
        .collect();
    let day: Volume = parts.iter().map(|(_, volume)| *volume).sum();
    let residue = Rises::of(&parts, tank).left_behind_per_year();
    let salt = (residue.sodium_chloride_g_per_l
        + (residue.sodium_over_mg_per_l
            + residue.chloride_over_mg_per_l
            + residue.sulphate_mg_per_l)
            / 1000.0)
        * f64::from(days)
        / 365.0;
    let dosed = dosed_water(tank, water, day, days, salt).map_err(refused)?;
    let lines = vec![
        format!(
            "the plan's {day} a day over {days} d leave {} g/L of salt behind (sodium chloride, sulphate and what is over) when no water is changed",
            figures(salt)
        ),
        format!("from {}: {dosed}", water.0),
        "salt that skimming, splashing and animals carry out is not counted; measure salinity"
            .to_owned(),
    ];
    let json = json!({
        "tank_l": tank.as_litres(), "days": days, "day_ul": day.as_ul(), "salt_g_per_l": salt, "litres": dosed.litres,
        "salinity_level_held": dosed.salinity_level_held.as_practical(),
        "salinity_displaced": dosed.salinity_displaced.as_practical(),
    });
    Ok(Worked { lines, json })
}
