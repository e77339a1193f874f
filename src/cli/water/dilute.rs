//! What water changes and doses dilute, and aragonite saturation.

use std::io::Write;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use crate::chemistry::{
    Between, Celsius, ChangeShare, Level, Rises, Salinity, dosed_water, figures,
    left_after_continuous, litres_for_continuous, share_to_reach,
};
use crate::cli::words::{celsius, configuration, litres, salinity, tank, tank_volume, usage};
use crate::cli::{Out, Place, Result, refused};
use crate::plan::plan_daily_volumes;
use crate::quantity::{
    Alkalinity, Concentration, TankVolume, Volume, parse_alkalinity, parse_concentration,
};

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
        #[arg(long, value_parser = Told::new)]
        from: Option<Told>,
        /// The level of the new water; none when left out
        #[arg(long, value_parser = Told::new)]
        new: Option<Told>,
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
        #[arg(long, value_parser = Told::new)]
        from: Told,
        /// The wanted level
        #[arg(long, value_parser = Told::new)]
        to: Told,
        /// The level of the new water; none when left out
        #[arg(long, value_parser = Told::new)]
        new: Option<Told>,
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
        #[arg(long, value_parser = Told::new)]
        new: Option<Told>,
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
        #[arg(long, value_parser = Told::new)]
        from: Told,
        /// What the new water holds of it; none when left out
        #[arg(long, value_parser = Told::new)]
        new: Option<Told>,
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
    #[arg(long, conflicts_with = "uptake", value_parser = Told::new)]
    gain: Option<Told>,
    /// Taken up each day, as much whatever the level
    #[arg(long, value_parser = Told::new)]
    uptake: Option<Told>,
    /// Taken up each day in proportion: so many percent of the level
    #[arg(long, value_name = "PERCENT", conflicts_with = "uptake")]
    uptake_percent: Option<f64>,
}

/// A level as it is typed: of alkalinity, or of what is dissolved.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Told {
    Alkalinity(Alkalinity),
    Dissolved(Concentration),
}

impl Told {
    fn new(text: &str) -> Result<Self, String> {
        let alkalinity = || parse_alkalinity(text).map(Self::Alkalinity);
        let dissolved = parse_concentration(text).map(Self::Dissolved);
        dissolved.or_else(|why| alkalinity().map_err(|_| format!("{why}; or alkalinity in dKH")))
    }
}

/// What levels of one thing are told as.
trait OfOneThing: Level {
    fn from_told(told: Told) -> Option<Self>;

    /// The same of a level that may be left out.
    fn of_told(told: Option<Told>) -> Result<Option<Self>> {
        let Some(told) = told else {
            return Ok(None);
        };
        let level = Self::from_told(told).ok_or_else(|| {
            usage("one level is of alkalinity and another of what is dissolved; give all of one thing in one kind of unit, dKH or mg/L")
        });
        level.map(Some)
    }

    /// None of it when left out.
    fn or_none(told: Option<Told>) -> Result<Self> {
        Ok(Self::of_told(told)?.unwrap_or_else(|| Self::of(0.0)))
    }
}

impl OfOneThing for Alkalinity {
    fn from_told(told: Told) -> Option<Self> {
        match told {
            Told::Alkalinity(level) => Some(level),
            Told::Dissolved(_) => None,
        }
    }
}

impl OfOneThing for Concentration {
    fn from_told(told: Told) -> Option<Self> {
        match told {
            Told::Dissolved(level) => Some(level),
            Told::Alkalinity(_) => None,
        }
    }
}

impl DiluteCommand {
    /// Whether what is told is alkalinity.
    fn is_of_alkalinity(&self) -> bool {
        let told = match self {
            Self::Changes { from, new, .. } => [*from, *new, None],
            Self::Reach { from, to, new, .. } => [Some(*from), Some(*to), *new],
            Self::Steady { moves, new, .. } => [moves.gain, moves.uptake, *new],
            Self::Rescue { from, new, .. } => [Some(*from), *new, None],
            Self::Continuous { .. } | Self::Doses { .. } => [None; 3],
        };
        let mut told = told.into_iter().flatten();
        told.any(|told| matches!(told, Told::Alkalinity(_)))
    }
}

/// What happens over so many days, and in words.
fn between<L: OfOneThing>(moves: &Moves, days: u32) -> Result<(Between, String)> {
    let gain = L::of_told(moves.gain)?;
    let uptake = L::of_told(moves.uptake)?;
    let per_day = gain.map_or(0.0, L::value) - uptake.map_or(0.0, L::value);
    let gained = gain.map(|gain| format!("{} gained", shown(gain)));
    let taken = match moves.uptake_percent {
        Some(percent) => Some(format!("{percent} % of it taken up")),
        None => uptake.map(|uptake| format!("{} taken up", shown(uptake))),
    };
    let words: Vec<String> = [gained, taken].into_iter().flatten().collect();
    let days = f64::from(days);
    let between = match moves.uptake_percent {
        Some(percent) => Between::in_proportion(percent, L::of(per_day), days).map_err(refused)?,
        None => Between::constant(L::of(per_day * days)),
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

fn shown<L: Level>(level: L) -> String {
    format!("{} {}", figures(level.value()), L::UNIT)
}

/// Works out what is asked about dilution.
pub(crate) fn dilute(place: &Place, options: &Dilute, out: &mut Out) -> Result {
    let tank = tank(place, options.tank)?;
    let worked = if options.command.is_of_alkalinity() {
        worked::<Alkalinity>(place, tank, &options.command)?
    } else {
        worked::<Concentration>(place, tank, &options.command)?
    };
    if place.json {
        return Ok(out.json(&worked.json)?);
    }
    for line in &worked.lines {
        writeln!(out, "{line}")?;
    }
    Ok(())
}

fn worked<L: OfOneThing>(
    place: &Place,
    tank: TankVolume,
    command: &DiluteCommand,
) -> Result<Worked> {
    match command {
        DiluteCommand::Changes {
            change,
            times,
            from,
            new,
        } => {
            let levels = (L::of_told(*from)?, L::or_none(*new)?);
            changes(tank, *change, *times, levels)
        }
        DiluteCommand::Reach {
            change,
            from,
            to,
            new,
        } => {
            let [from, to, new] = [Some(*from), Some(*to), *new].map(L::or_none);
            reach(tank, *change, (from?, to?, new?))
        }
        DiluteCommand::Steady {
            change,
            every_days,
            moves,
            new,
        } => steady(tank, *change, (*every_days, moves), L::or_none(*new)?),
        DiluteCommand::Rescue { .. } => rescue::<L>(tank, command),
        DiluteCommand::Continuous { litres: flow, left } => continuous(tank, *flow, *left),
        DiluteCommand::Doses {
            days,
            salinity,
            temperature,
        } => doses(place, tank, *days, (*salinity, *temperature)),
    }
}

/// Keys end with the unit of the level.
fn with_level<L: Level>(mut json: Value, levels: &[(&str, Option<L>)]) -> Value {
    for (key, level) in levels {
        if let Some(object) = json.as_object_mut() {
            object.insert(format!("{key}_{}", L::KEY), json!(level.map(L::value)));
        }
    }
    json
}

fn changes<L: Level>(
    tank: TankVolume,
    change: TankVolume,
    times: u32,
    (from, new): (Option<L>, L),
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
    let json = with_level(json, &[("level_after", after.map(|(_, after)| after))]);
    Ok(Worked { lines, json })
}

fn reach<L: Level>(
    tank: TankVolume,
    change: TankVolume,
    (from, to, new): (L, L, L),
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
    let json = with_level(json, &[("level_after", Some(after))]);
    Ok(Worked { lines, json })
}

fn steady<L: OfOneThing>(
    tank: TankVolume,
    change: TankVolume,
    (every_days, moves): (u32, &Moves),
    new: L,
) -> Result<Worked> {
    if [moves.gain, moves.uptake].iter().all(Option::is_none) && moves.uptake_percent.is_none() {
        return Err(usage(
            "what is gained or taken up a day? Give --gain, --uptake or --uptake-percent",
        ));
    }
    let share = ChangeShare::from_litres(change, tank).map_err(refused)?;
    let (between, words) = between::<L>(moves, every_days)?;
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
    let json = with_level(json, &levels);
    Ok(Worked { lines, json })
}

/// Large changes a few days apart. Volumes are taken to mix as volumes: sea waters of a few of salinity apart differ by less than half a percent in
/// density.
fn rescue<L: OfOneThing>(tank: TankVolume, command: &DiluteCommand) -> Result<Worked> {
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
    let (between, words) = between::<L>(moves, *every_days)?;
    let [from, new] = [Some(*from), *new].map(L::or_none);
    let (from, new) = (from?, new?);
    let held = Between::constant(Alkalinity::of(0.0));
    let dkh = share.series(*alkalinity, *new_alkalinity, held, *times);
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
        let moved = dkh.after.as_dkh() - dkh.before.as_dkh();
        let day = (number - 1) * every_days;
        lines.push(format!(
            "day {day}, change {number}: {} to {}; {:.1} % of the old water left; alkalinity {:.2} to {:.2} dKH ({moved:+.2}); salinity {was:.2} to {is:.2} ({:+.2})",
            shown(this.before), shown(this.after), left * 100.0, dkh.before.as_dkh(), dkh.after.as_dkh(), is - was,
        ));
        let round = json!({
            "day": day, "left_percent": left * 100.0, "alkalinity_dkh": dkh.after.as_dkh(), "alkalinity_moved_dkh": moved,
            "salinity": is, "salinity_moved": is - was,
        });
        rounds.push(with_level(
            round,
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
