//! What water changes and doses dilute, and aragonite saturation.

use std::io::Write;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use crate::chemistry::{
    Celsius, ChangeShare, Rises, Salinity, dosed_water, figures, left_after_continuous,
    litres_for_continuous, share_to_reach,
};
use crate::cli::words::{celsius, configuration, litres, salinity, tank, tank_volume};
use crate::cli::{Out, Place, Result, refused};
use crate::plan::plan_daily_volumes;
use crate::quantity::{Concentration, TankVolume, Volume, parse_concentration};

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
        /// The level now, for example "50 mg/L"
        #[arg(long, value_parser = parse_concentration)]
        from: Option<Concentration>,
        /// The level of the new water
        #[arg(long, default_value = "0 mg/L", value_parser = parse_concentration)]
        new: Concentration,
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
        #[arg(long, value_parser = parse_concentration)]
        from: Concentration,
        /// The wanted level
        #[arg(long, value_parser = parse_concentration)]
        to: Concentration,
        /// The level of the new water
        #[arg(long, default_value = "0 mg/L", value_parser = parse_concentration)]
        new: Concentration,
    },
    /// Where a level settles under routine changes while it is gained or taken up
    #[command(
        after_help = "Examples: dosewright dilute steady --change \"30 L\" --every-days 7 --gain \"1 mg/L\"\n          dosewright dilute steady --change \"30 L\" --every-days 7 --uptake \"2 mg/L\" --new \"420 mg/L\""
    )]
    Steady {
        /// Water of one change
        #[arg(long, value_parser = litres)]
        change: TankVolume,
        /// Days from one change to the next
        #[arg(long, value_parser = clap::value_parser!(u32).range(1..=3650))]
        every_days: u32,
        /// Gained each day
        #[arg(long, conflicts_with = "uptake", required_unless_present = "uptake", value_parser = parse_concentration)]
        gain: Option<Concentration>,
        /// Taken up each day
        #[arg(long, value_parser = parse_concentration)]
        uptake: Option<Concentration>,
        /// The level of the new water
        #[arg(long, default_value = "0 mg/L", value_parser = parse_concentration)]
        new: Concentration,
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

/// What is worked out: lines for people, and the same for programs.
struct Worked {
    lines: Vec<String>,
    json: Value,
}

/// What the arithmetic refuses.
fn mg(value: Concentration) -> String {
    format!("{} mg/L", figures(value.as_mg_per_l()))
}

/// Works out what is asked about dilution.
pub(crate) fn dilute(place: &Place, options: &Dilute, out: &mut Out) -> Result {
    let tank = tank(place, options.tank)?;
    let worked = match &options.command {
        DiluteCommand::Changes {
            change,
            times,
            from,
            new,
        } => changes(tank, *change, *times, (*from, *new))?,
        DiluteCommand::Reach {
            change,
            from,
            to,
            new,
        } => reach(tank, *change, (*from, *to, *new))?,
        DiluteCommand::Steady {
            change,
            every_days,
            gain,
            uptake,
            new,
        } => {
            let per_day = match (gain, uptake) {
                (Some(gain), _) => gain.as_mg_per_l(),
                (None, Some(uptake)) => -uptake.as_mg_per_l(),
                (None, None) => 0.0,
            };
            steady(tank, *change, (*every_days, per_day), *new)?
        }
        DiluteCommand::Continuous { litres: flow, left } => continuous(tank, *flow, *left)?,
        DiluteCommand::Doses {
            days,
            salinity,
            temperature,
        } => doses(place, tank, *days, (*salinity, *temperature))?,
    };
    if place.json {
        return Ok(out.json(&worked.json)?);
    }
    for line in &worked.lines {
        writeln!(out, "{line}")?;
    }
    Ok(())
}

fn changes(
    tank: TankVolume,
    change: TankVolume,
    times: u32,
    (from, new): (Option<Concentration>, Concentration),
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
            mg(from),
            mg(after),
            mg(new)
        ));
    }
    let json = json!({
        "tank_l": tank.as_litres(), "change_l": change.as_litres(), "changes": times, "left_percent": left * 100.0,
        "changes_to_halve": share.changes_to_halve(), "level_after_mg_per_l": after.map(|(_, a)| a.as_mg_per_l()),
    });
    Ok(Worked { lines, json })
}

fn reach(
    tank: TankVolume,
    change: TankVolume,
    (from, to, new): (Concentration, Concentration, Concentration),
) -> Result<Worked> {
    let share = ChangeShare::from_litres(change, tank).map_err(refused)?;
    let times = share.changes_to_reach(from, to, new).map_err(refused)?;
    let after = share.level_after(from, new, times);
    let single = share_to_reach(from, to, new).ok();
    let mut lines = vec![format!(
        "{times} changes of {change} ({:.1} % of {tank}) bring {} to {}, with new water of {}",
        share.as_percent(),
        mg(from),
        mg(after),
        mg(new)
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
        "level_after_mg_per_l": after.as_mg_per_l(), "single_change_percent": single.map(ChangeShare::as_percent),
    });
    Ok(Worked { lines, json })
}

fn steady(
    tank: TankVolume,
    change: TankVolume,
    (every_days, per_day): (u32, f64),
    new: Concentration,
) -> Result<Worked> {
    let share = ChangeShare::from_litres(change, tank).map_err(refused)?;
    let gain = Concentration::from_mg_per_l(per_day * f64::from(every_days));
    let steady = share.steady_level(new, gain);
    let word = if per_day < 0.0 { "taken up" } else { "gained" };
    let lines = vec![
        format!(
            "with {change} ({:.1} % of {tank}) changed every {every_days} d and {} mg/L {word} a day:",
            share.as_percent(),
            figures(per_day.abs())
        ),
        format!("it {steady}"),
        format!(
            "half of the way is gone after {:.1} changes ({:.0} d)",
            share.changes_to_halve(),
            share.changes_to_halve() * f64::from(every_days)
        ),
    ];
    let json = json!({
        "tank_l": tank.as_litres(), "change_l": change.as_litres(), "every_days": every_days, "gain_mg_per_l_per_day": per_day,
        "before_change_mg_per_l": steady.before.as_mg_per_l(), "after_change_mg_per_l": steady.after.as_mg_per_l(),
    });
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
