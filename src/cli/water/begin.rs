//! An uptake to begin with, worked out from two tests or from a dose that keeps a level still, and what each line would give by it.

use std::io::Write;

use clap::Args;
use serde_json::json;

use crate::chemistry::Quantity;
use crate::cli::exit::{self, Failure};
use crate::cli::out::{Out, Tone};
use crate::cli::place::{Agreed, Place};
use crate::cli::proposal::{Consent, propose};
use crate::cli::record::ledger::open;
use crate::cli::water::quantities::reading as typed_reading;
use crate::cli::words::{configuration, unread, usage};
use crate::config::{Controller, Line, Loaded, Plan, Solution};
use crate::control::Client;
use crate::engine::{NewUptake, Wish};
use crate::estimate::{Beginning, Fall};
use crate::plan::{DailyVolumes, plan_daily_volumes, unseen, with_uptake};
use crate::quantity::{Millis, Name, Volume, listed, parse_duration, parse_volume};
use crate::record::{Found, Observation, Observed, UptakeHow};

/// How long a level is taken to have stood still where its owner does not say. Ours: who says so has looked for a week.
const STILL_DAYS: f64 = 7.0;

/// When a further test is spoken of, days from now.
const FURTHER_DAYS: [f64; 2] = [1.0, 3.0];

#[derive(Debug, Args)]
pub(crate) struct Begin {
    /// The first of two tests, with its unit
    #[arg(long, group = "how", requires_all = ["to", "after"], value_name = "VALUE")]
    from: Option<String>,
    /// The second one
    #[arg(long, requires = "from", value_name = "VALUE")]
    to: Option<String>,
    /// Time between the two, for example "1 d"; or for how long the level has stood still
    #[arg(long, value_name = "TIME", value_parser = parse_duration)]
    after: Option<Millis>,
    /// What you gave between the two, for example "20 mL"; nothing when left out
    #[arg(long, requires_all = ["from", "of"], value_name = "VOLUME", value_parser = parse_volume)]
    given: Option<Volume>,
    /// From the two newest readings on record, with what was given between them
    #[arg(long, group = "how", conflicts_with_all = ["after", "of", "kit"])]
    newest: bool,
    /// What you give a day while the level stands still, for example "60 mL"
    #[arg(long, group = "how", requires = "of", value_name = "VOLUME", value_parser = parse_volume)]
    stands_still_at: Option<Volume>,
    /// The solution that is given, by its name in controller.toml
    #[arg(long, value_name = "SOLUTION", value_parser = Name::new)]
    of: Option<Name>,
    /// One standard uncertainty of your kit, with its unit; that of a reading when left out
    #[arg(long, value_name = "VALUE")]
    kit: Option<String>,
    #[command(flatten)]
    agreed: Agreed,
}

/// What was worked out, and how.
struct Worked {
    beginning: Beginning,
    arithmetic: String,
}

/// What a line would give a day.
struct Gives<'a> {
    line: &'a Line,
    now: Volume,
    then: Volume,
    /// At the ends of the interval.
    between: (Volume, Volume),
    bottle_days: Option<f64>,
    /// Whether it goes by the uptake; otherwise it is what would be written into plan.toml.
    goes_by_it: bool,
}

/// Shows it, and proposes it where a daemon runs.
pub(crate) fn begin(
    place: &Place,
    of: &Quantity,
    (options, sure): (&Begin, bool),
    out: &mut Out,
) -> Result<(), Failure> {
    let loaded = configuration(place)?;
    let worked = if options.newest {
        newest(place, of)?
    } else if options.stands_still_at.is_some() {
        standstill(&loaded.controller, of, options)?
    } else {
        two_tests(&loaded.controller, of, options)?
    };
    let per_day = (worked.beginning.per_day * 100.0).round() / 100.0;
    let gives = lines(&loaded, of, per_day, &worked.beginning);
    if place.json && !options.agreed.yes {
        return Ok(out.json(&as_json(of, per_day, &worked, &gives))?);
    }
    if !place.json {
        show(&loaded, (of, per_day), &worked, &gives, out)?;
    }
    if let Err(why) = Client::connect(&place.state) {
        let failure = Failure::from(why);
        if place.json || options.agreed.yes {
            return Err(failure);
        }
        writeln!(
            out,
            "no daemon runs, so nothing was put into force; give it as a start in plan.toml ([uptake.{of}]), or say this again once it runs"
        )?;
        return Ok(());
    }
    let wish = Wish::Uptake(NewUptake {
        of: of.clone(),
        per_day,
        how: UptakeHow::Told,
        sure,
    });
    let consent = Consent {
        yes: options.agreed.yes,
        question: "Put it into force? Type yes to go on:",
        otherwise: "nothing was changed",
    };
    propose(place, wish, &consent, out)
}

/// A test as typed: value and one standard uncertainty.
fn test(of: &Quantity, text: &str, kit: Option<&str>) -> Result<(f64, f64), Failure> {
    let reading = typed_reading(of.as_str(), text, kit).map_err(usage)?;
    match reading.found {
        Found::Value { value, uncertainty } => Ok((value, uncertainty)),
        Found::Below(_) => Err(usage(
            "two tests below a detection limit differ by nothing that can be told",
        )),
    }
}

fn solution_named<'a>(controller: &'a Controller, name: &Name) -> Result<&'a Solution, Failure> {
    controller.solutions.get(name).ok_or_else(|| {
        let known = listed(controller.solutions.keys());
        usage(format!(
            "there is no solution {name}; the solutions are: {known}"
        ))
    })
}

/// What a volume adds of a quantity.
fn adds(
    controller: &Controller,
    of: &Quantity,
    (volume, name): (Volume, Option<&Name>),
) -> Result<f64, Failure> {
    let Some(name) = name else {
        return Ok(0.0);
    };
    let solution = solution_named(controller, name)?;
    if !solution.effect.carries(of) {
        let why = if solution.may_carry(of) {
            format!(
                "it is not stated whether {name} carries {of}, so nothing follows from a volume of it"
            )
        } else {
            format!("{name} carries no {of}")
        };
        return Err(usage(why));
    }
    Ok(solution.effect.rise(of, volume, controller.tank))
}

fn refused(error: &crate::estimate::BeginningError) -> Failure {
    Failure::new(exit::REFUSED, error.to_string())
}

fn two_tests(controller: &Controller, of: &Quantity, options: &Begin) -> Result<Worked, Failure> {
    let kit = options.kit.as_deref();
    let typed = |text: Option<&String>| test(of, text.map_or("", String::as_str), kit);
    let (from, to) = (typed(options.from.as_ref())?, typed(options.to.as_ref())?);
    let days = options.after.unwrap_or(Millis::ZERO).as_days();
    let volume = options.given.unwrap_or(Volume::ZERO);
    let added = adds(controller, of, (volume, options.of.as_ref()))?;
    worked_fall(
        of,
        Fall {
            from,
            to,
            days,
            added,
        },
    )
}

fn worked_fall(of: &Quantity, fall: Fall) -> Result<Worked, Failure> {
    let beginning = Beginning::of_fall(&fall).map_err(|e| refused(&e))?;
    let Fall {
        from,
        to,
        days,
        added,
    } = fall;
    let given = if added > 0.0 {
        format!(" + {added:.3} given in between")
    } else {
        String::new()
    };
    let unit = of.unit();
    Ok(Worked {
        arithmetic: format!(
            "({:.2} - {:.2}{given}) {unit} / {days:.2} days = {:.3} {unit} a day; tests of +- {:.2} and {:.2} {unit} (one standard uncertainty) make that +- {:.3}",
            from.0, to.0, beginning.per_day, from.1, to.1, beginning.standard_error
        ),
        beginning,
    })
}

fn standstill(controller: &Controller, of: &Quantity, options: &Begin) -> Result<Worked, Failure> {
    let volume = options.stands_still_at.unwrap_or(Volume::ZERO);
    let per_day = adds(controller, of, (volume, options.of.as_ref()))?;
    let days = options.after.map_or(STILL_DAYS, Millis::as_days);
    let unit = of.unit();
    let target = controller.tracked(of).map_or(1.0, |limits| limits.target);
    let (_, kit) = test(of, &format!("{target} {unit}"), options.kit.as_deref())?;
    let beginning = Beginning::of_standstill(per_day, days, kit).map_err(|e| refused(&e))?;
    let name = options.of.as_ref().map_or("", Name::as_str);
    Ok(Worked {
        arithmetic: format!(
            "{volume} of {name} add {per_day:.3} {unit} to {} a day, and the level stands still, so that is taken up; a drift that a kit of +- {kit:.2} {unit} cannot see in {days:.0} days and a volume that may be 5 % off make that +- {:.3}",
            controller.tank, beginning.standard_error
        ),
        beginning,
    })
}

/// The two newest readings on record, and what was given between them.
fn newest(place: &Place, of: &Quantity) -> Result<Worked, Failure> {
    let reader = open(place)?;
    let told = reader.told().map_err(|e| unread(&e))?;
    let value = |told: &Observation| {
        let reading = told.reading().filter(|r| r.of.quantity() == Some(of))?;
        let Found::Value { value, uncertainty } = reading.found else {
            return None;
        };
        Some((told.happened, (value, uncertainty)))
    };
    let mut readings: Vec<_> = told.iter().filter_map(value).collect();
    readings.sort_by_key(|(at, _)| *at);
    let [.., (first, from), (second, to)] = readings.as_slice() else {
        return Err(Failure::new(
            exit::REFUSED,
            format!("two readings of {of} are needed; `dosewright reading add {of}` enters one"),
        ));
    };
    let between = |at| *first < at && at <= *second;
    let mut told_between = told.iter().filter(|told| between(told.happened));
    let by_hand = told_between
        .clone()
        .filter_map(|told| told.what.added()?.get(of));
    let mut added: f64 = by_hand.sum();
    if told_between.any(|told| matches!(told.what, Observed::WaterChange { .. })) {
        return Err(Failure::new(
            exit::REFUSED,
            "the water was changed between the two newest readings, so their difference is not what was taken up; test twice without that",
        ));
    }
    let doses = reader.brought(&told).map_err(|e| unread(&e))?;
    let doses = doses.iter().filter(|dose| between(dose.at));
    added += doses
        .filter_map(|dose| Some(dose.part * dose.carries.get(of)?))
        .sum::<f64>();
    let days = second.duration_since(*first).as_secs_f64() / 86_400.0;
    worked_fall(
        of,
        Fall {
            from: *from,
            to: *to,
            days,
            added,
        },
    )
}

/// The lines that would go by it; where none does, those that carry it, as if each gave all of it.
fn lines<'a>(
    loaded: &'a Loaded,
    of: &Quantity,
    per_day: f64,
    beginning: &Beginning,
) -> Vec<Gives<'a>> {
    let (controller, plan) = (&loaded.controller, &loaded.plan);
    let by = |per_day: f64| plan_daily_volumes(&with_uptake(plan, controller, of, per_day));
    let (low, high) = beginning.uptake_interval();
    let (now, then) = (plan_daily_volumes(plan), by(per_day));
    let ends = (by(low), by(high));
    let of_line = |daily: &DailyVolumes, line: &Line| daily.get(&line.name).copied();
    let volume = |daily: &DailyVolumes, line: &Line| of_line(daily, line).unwrap_or_default();
    let follows = |line: &&Line| of_line(&ends.0, line) != of_line(&ends.1, line);
    let mut all: Vec<Gives<'_>> = controller
        .lines
        .iter()
        .filter(follows)
        .map(|line| Gives {
            line,
            now: volume(&now, line),
            then: volume(&then, line),
            between: (volume(&ends.0, line), volume(&ends.1, line)),
            bottle_days: bottle_days(controller, line, &then),
            goes_by_it: true,
        })
        .collect();
    if all.is_empty() {
        all = carriers((controller, plan), of, (per_day, low, high));
    }
    all
}

fn carriers<'a>(
    (controller, plan): (&'a Controller, &Plan),
    of: &Quantity,
    (per_day, low, high): (f64, f64, f64),
) -> Vec<Gives<'a>> {
    let now = plan_daily_volumes(plan);
    let lines = controller.lines.iter();
    let gives = lines.filter_map(|line| {
        let per_ml = controller
            .effect_of(&line.name)?
            .rise_per_ml(of, controller.tank);
        if per_ml <= 0.0 {
            return None;
        }
        let volume = |amount: f64| Volume::from_ml(amount / per_ml);
        let then = volume(per_day)?;
        Some(Gives {
            line,
            now: now.get(&line.name).copied().unwrap_or_default(),
            then,
            between: (volume(low)?, volume(high)?),
            bottle_days: bottle_days(controller, line, &[(line.name.clone(), then)].into()),
            goes_by_it: false,
        })
    });
    gives.collect()
}

/// How long a full bottle lasts at these volumes of all its lines.
fn bottle_days(controller: &Controller, line: &Line, daily: &DailyVolumes) -> Option<f64> {
    let bottle = controller.reservoirs.get(&line.reservoir)?;
    let drawing = controller.drawing_on(&bottle.name);
    let drawn: Volume = drawing.filter_map(|l| daily.get(&l.name).copied()).sum();
    let usable = bottle.capacity.saturating_sub(bottle.reserve);
    (drawn > Volume::ZERO).then(|| usable.as_ml() / drawn.as_ml())
}

fn show(
    loaded: &Loaded,
    (of, per_day): (&Quantity, f64),
    worked: &Worked,
    gives: &[Gives<'_>],
    out: &mut Out,
) -> Result<(), Failure> {
    let (beginning, unit) = (&worked.beginning, of.unit());
    let (low, high) = beginning.uptake_interval();
    writeln!(out, "{}", worked.arithmetic)?;
    let found = format!("uptake of {of}: {per_day:.2} {unit} a day, {low:.2} to {high:.2} at 95 %");
    writeln!(out, "{}", out.tone(Tone::Strong, &found))?;
    if low <= 0.0 {
        writeln!(
            out,
            "{}",
            out.tone(
                Tone::Bad,
                "that cannot be told from none; test again before anything goes by it"
            )
        )?;
    }
    for days in FURTHER_DAYS {
        let half = beginning.half_width_with_test_after(days);
        let when = if days > 1.0 {
            format!("in {days:.0} days")
        } else {
            "tomorrow".to_owned()
        };
        writeln!(
            out,
            "a further test {when} would make it +- {half:.2} {unit} in place of +- {:.2} {unit}",
            beginning.half_width()
        )?;
    }
    writeln!(
        out,
        "that is what the tests can tell; uptake is another one on a dark day, and grows with the animals"
    )?;
    for line in gives {
        writeln!(out, "{}", line_words(line, of))?;
    }
    if gives.is_empty() {
        writeln!(out, "no line carries {of}, so no dose follows from it")?;
    }
    for words in unseen(&loaded.plan, &loaded.controller, of) {
        writeln!(out, "{words}")?;
    }
    Ok(())
}

fn line_words(gives: &Gives<'_>, of: &Quantity) -> String {
    let Gives {
        line,
        now,
        then,
        between: (low, high),
        bottle_days,
        goes_by_it,
    } = gives;
    let bottle = bottle_days.map_or_else(String::new, |days| {
        format!("; a full bottle lasts {days:.1} days")
    });
    let cap = if then > &line.daily_cap {
        format!("; OVER its daily cap of {}", line.daily_cap)
    } else {
        String::new()
    };
    let name = &line.name;
    if *goes_by_it {
        format!(
            "line {name}: {then} a day by it, {now} now ({low} to {high} within the interval){bottle}{cap}"
        )
    } else {
        format!(
            "line {name} goes by no uptake of {of}: to give all of it, daily-ml = {} in plan.toml, {now} now ({low} to {high} within the interval){bottle}{cap}",
            then.as_ml()
        )
    }
}

fn as_json(of: &Quantity, per_day: f64, worked: &Worked, gives: &[Gives<'_>]) -> serde_json::Value {
    let beginning = &worked.beginning;
    let (low, high) = beginning.uptake_interval();
    let further = FURTHER_DAYS.map(|days| {
        json!({ "after_days": days, "half_width": beginning.half_width_with_test_after(days) })
    });
    let lines: Vec<_> = gives
        .iter()
        .map(|g| {
            json!({
                "line": g.line.name, "daily_ul": g.then.as_ul(), "now_daily_ul": g.now.as_ul(),
                "interval_daily_ul": [g.between.0.as_ul(), g.between.1.as_ul()], "bottle_days": g.bottle_days,
                "goes_by_it": g.goes_by_it, "over_cap": g.then > g.line.daily_cap,
            })
        })
        .collect();
    json!({
        "quantity": of, "unit": of.unit(), "per_day": per_day, "standard_error": beginning.standard_error, "low": low, "high": high,
        "arithmetic": worked.arithmetic, "further_tests": further, "lines": lines,
    })
}
