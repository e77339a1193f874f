//! The limits in force and the cautions, in words: what `check` prints.
//!
//! Every number is taken from the very structures the guard decides by, never from the text of the files, so that the limit shown
//! is the limit applied. Every number has its unit.

use super::hardware::head_words;
use crate::chemistry::Quantity;
use crate::config::{
    AlarmAction, Blocks, Controller, Gives, InputRole, Line, Loaded, Mode, Origin, Plan,
    PlannedLine, Solution, Times, WaterLimits, pin_words,
};
use crate::plan::{busiest_hour, is_tied, planned_rise, uptake_from, volume_with};
use crate::quantity::{Name, TankVolume, Volume};

/// What concerns every installation. Cautions are general; they replace neither the local code nor a licensed person nor the
/// safety data sheet of the chemical that was bought (reference rows a9.*).
const CAUTIONS: [&str; 7] = [
    "Electricity near water can kill. Feed pumps and board from a 12 or 24 V safety supply, behind a residual-current device of at \
     most 30 mA, with a drip loop on every cord. Follow your local electrical code; mains wiring is work for a licensed person.",
    "A pump can run on when software, driver or relay fails. Use bottles so small and weak that the animals survive a whole one.",
    "Fix tube ends above the highest water level: a worn tube siphons.",
    "Solutions of carbonates and hydroxides burn skin and eyes. Wear goggles and gloves, label every bottle with its content, \
     strength, date and hazard, keep it from children and pets, and read the safety data sheet of what you bought.",
    "Add a hydroxide to water, never water to a hydroxide. Keep acids away from both.",
    "Animals are harmed by change more than by a value. When a test looks wrong, hold, test again, then decide.",
    "This program does not see the water. It is no substitute for looking at the tank and testing it.",
];

/// The effective limits, the plan's effect and the cautions.
pub(super) fn explain(loaded: &Loaded) -> String {
    let (controller, plan) = (&loaded.controller, &loaded.plan);
    let busiest = busiest_hour(controller, plan);
    let mut out = header(controller);
    out.push(String::new());
    out.push("Lines".to_owned());
    for line in &controller.lines {
        out.extend(line_words(controller, plan, (line, busiest.cap(line))));
    }
    out.push(String::new());
    out.push("Limits on the water".to_owned());
    if !controller.water.contains_key(&Quantity::Alkalinity) {
        out.push("  no line carries alkalinity".to_owned());
    }
    for (of, limits) in &controller.water {
        out.extend(water_words(controller, plan, (of, limits)));
        out.push(format!(
            "  at most {} of {of} added in any hour",
            of.amount(busiest.rise(controller, of))
        ));
    }
    for rule in &controller.apart {
        out.push(format!(
            "  \"{}\" and \"{}\" are kept {} apart, from the end of one dose to the start of the other",
            rule.first, rule.second, rule.gap
        ));
    }
    out.push(String::new());
    out.push("Limits in time".to_owned());
    out.extend(time_words(controller));
    out.push(String::new());
    out.push("Inputs (wired as normally closed; a broken wire reads as unsafe)".to_owned());
    out.extend(input_words(controller));
    out.push(String::new());
    out.push("Cautions".to_owned());
    out.extend(
        controller
            .lines
            .iter()
            .flat_map(|line| worst_case(controller, line)),
    );
    out.extend(CAUTIONS.iter().map(|caution| format!("  - {caution}")));
    out.push(String::new());
    out.join("\n")
}

fn header(controller: &Controller) -> Vec<String> {
    let mode = match controller.mode {
        Mode::DryRun => "dry run: no output is driven",
        Mode::Live => "live: outputs may be driven",
    };
    vec![
        format!("Controller \"{}\", {mode}", controller.name),
        format!(
            "Tank {} net, time zone {}",
            controller.tank, controller.time_zone_name
        ),
        format!(
            "Heads running at once: at most {}",
            controller.heads_at_once
        ),
    ]
}

/// What a line draws on, and what its bottle may hold beside it.
fn content_words(controller: &Controller, line: &Line) -> String {
    let (name, bottle) = (&line.name, &line.reservoir);
    let Some(outlet) = controller.outlet(name) else {
        return format!("  {name}: reservoir \"{bottle}\"");
    };
    let solution = &outlet.bottle.name;
    let from = match controller.content_from(bottle) {
        Origin::Ledger => "as its last refill tells",
        Origin::File => "as controller.toml says until a refill tells",
    };
    let tube = outlet.tube.map_or_else(String::new, |(other, left)| {
        format!("; its tube still holds {left} of \"{}\"", other.name)
    });
    let others = controller.may_give(line).map(|s| s.name.as_str());
    let others: Vec<&str> = others.filter(|other| *other != solution.as_str()).collect();
    let others = if others.is_empty() {
        String::new()
    } else {
        format!("; it may also hold {}", others.join(", "))
    };
    format!("  {name}: solution \"{solution}\" from reservoir \"{bottle}\", {from}{tube}{others}")
}

fn line_words(
    controller: &Controller,
    plan: &Plan,
    (line, hourly_cap): (&Line, Volume),
) -> Vec<String> {
    let mut out = vec![content_words(controller, line)];
    if let Some(head) = controller.heads.get(&line.head) {
        out.push(format!("    head \"{}\": {}", head.name, head_words(head)));
    }
    out.push(format!(
        "    at most {} in any 24 h and {} in one dose, whoever asks; in any hour at most {hourly_cap}",
        line.daily_cap, line.dose_cap
    ));
    if let Some(reservoir) = controller.reservoirs.get(&line.reservoir) {
        out.push(format!(
            "    bottle of {}, of which {} are never pumped; low warning {:.1} days ahead; coldest {}",
            reservoir.capacity,
            reservoir.reserve,
            reservoir.low_warning.as_days(),
            reservoir.coldest
        ));
    }
    out.push(format!(
        "    effect of 1 mL on this tank: {}",
        effect_words(controller, &line.name, Volume::from_ul(1000))
    ));
    match plan.lines.iter().find(|planned| planned.line == line.name) {
        Some(planned) => {
            let when = times_words(&planned.times);
            let effect = effect_words(controller, &line.name, planned.daily_volume);
            let given = format!(
                "{} a day ({}), {when}; that adds {effect}; the cap is {:.1} times that",
                planned.daily_volume,
                gives_words(plan, planned),
                line.daily_cap.as_ml() / planned.daily_volume.as_ml().max(0.001)
            );
            out.push(if planned.gives.waits() {
                format!("    plan: gives nothing until a changeover brings it in, {when}")
            } else {
                format!("    plan: {given}")
            });
            out.extend(stops_words(plan, planned));
            let leaving = controller.solution_of(&line.name).map(|s| &s.name);
            let others = controller
                .may_give(line)
                .filter(|s| Some(&s.name) != leaving);
            out.extend(others.filter(|_| !planned.gives.waits()).map(|other| {
                let volume = volume_with((plan, planned), other, controller.tank);
                format!(
                    "    with \"{}\" that is {volume} a day; that adds {}; the cap is {:.1} times that",
                    other.name,
                    adds_words(other, volume, controller.tank),
                    line.daily_cap.as_ml() / volume.as_ml().max(0.001)
                )
            }));
        }
        None => out.push("    plan: none, doses by hand only".to_owned()),
    }
    out
}

/// What a line that goes by something stands still with.
fn stops_words(plan: &Plan, planned: &PlannedLine) -> Option<String> {
    let of = planned.gives.of()?;
    let lead = match &planned.gives {
        _ if is_tied(plan, of) => &Quantity::Alkalinity,
        Gives::PerUptake { .. } => of,
        Gives::Share { .. } | Gives::Daily(_) => return None,
    };
    Some(if planned.keeps_on {
        format!("    goes on while what gives {lead} is on hold (keeps-on = true)")
    } else {
        format!(
            "    stands still while what gives {lead} is on hold, as it goes by its uptake; keeps-on = true would let it go on"
        )
    })
}

/// How a line's volume comes about.
fn gives_words(plan: &Plan, planned: &PlannedLine) -> String {
    let uptake = |of: &Quantity| {
        let value = plan.uptakes.get(of).copied().unwrap_or(0.0);
        let from = match uptake_from(plan, &planned.line) {
            Some(Origin::Ledger) => "by the ledger",
            Some(Origin::File) | None => "by plan.toml",
        };
        format!("{} {} of {of}, {from}", significant(value), of.unit())
    };
    match &planned.gives {
        Gives::Share { of, share } if *share >= 1.0 => {
            format!("all of an uptake of {}", uptake(of))
        }
        Gives::Share { of, share } => format!(
            "{} % of an uptake of {}",
            significant(share * 100.0),
            uptake(of)
        ),
        Gives::PerUptake { of, ml } => {
            format!(
                "{ml} mL for each {} of an uptake of {}",
                of.unit(),
                uptake(of)
            )
        }
        Gives::Daily(_) => "as the plan says".to_owned(),
    }
}

pub(super) fn times_words(times: &Times) -> String {
    let clock = |s: u32| format!("{:02}:{:02}", s / 3600, s / 60 % 60);
    match times {
        Times::Spread {
            doses,
            window_start_s,
            window_end_s,
        } => format!(
            "in {doses} doses spread from {} to {}",
            clock(*window_start_s),
            clock(*window_end_s)
        ),
        Times::At(times) => {
            let times: Vec<String> = times.iter().map(ToString::to_string).collect();
            format!("at {}", times.join(", "))
        }
        Times::Cron(cron) => format!(
            "on days and times of the cron expression \"{}\" (minute first)",
            cron.text()
        ),
    }
}

/// What a volume of a line's solution adds to the tank. Sodium and chloride come with most salts and are left out.
pub(super) fn effect_words(controller: &Controller, line: &Name, volume: Volume) -> String {
    let solution = controller.solution_of(line);
    solution.map_or_else(
        || "unknown".to_owned(),
        |solution| adds_words(solution, volume, controller.tank),
    )
}

fn adds_words(solution: &Solution, volume: Volume, tank: TankVolume) -> String {
    let effect = &solution.effect;
    let mut parts = Vec::new();
    if effect.carries_alkalinity() {
        let rise = effect.alkalinity_rise(volume, tank);
        parts.push(format!("alkalinity {:.4} dKH", rise.as_dkh()));
    }
    let company = ["Na", "Cl"];
    for of in effect
        .dissolved_mg_per_l
        .keys()
        .filter(|of| !company.contains(&of.symbol()))
    {
        let rise = effect.dissolved_rise(of, volume, tank);
        parts.push(format!(
            "{} {} mg/L",
            of.symbol(),
            significant(rise.as_mg_per_l())
        ));
    }
    match solution.unstated_words() {
        Some(words) if parts.is_empty() => format!("what cannot be said: {words}"),
        Some(words) => format!("{}; {words}", parts.join(", ")),
        None if parts.is_empty() => "nothing that is counted".to_owned(),
        None => parts.join(", "),
    }
}

/// Three significant digits without an exponent, for numbers from 1e-9 up.
fn significant(value: f64) -> String {
    let mut decimals = 0_usize;
    let mut scale = value.abs();
    while scale < 100.0 && scale > 0.0 && decimals < 9 {
        scale *= 10.0;
        decimals = decimals.saturating_add(1);
    }
    format!("{value:.decimals$}")
}

fn water_words(
    controller: &Controller,
    plan: &Plan,
    (of, limits): (&Quantity, &WaterLimits),
) -> Vec<String> {
    let max_rise = of.amount(limits.max_rise);
    let Some(band) = &limits.tracked else {
        return vec![format!(
            "  {of}: at most {max_rise} added in any 24 h; it has no band, so no reading is needed"
        )];
    };
    let mut out = Vec::new();
    match plan.uptakes.get(of) {
        Some(uptake) => {
            let planned = of.amount(planned_rise(plan, controller, of));
            out.push(format!(
                "  {of}: uptake {} per day, plan {planned} per day",
                of.amount(*uptake)
            ));
            out.push(format!(
                "  at most {} added in any 24 h (uptake + {max_rise}), and no plan below {} per day (uptake - {})",
                of.amount(uptake + limits.max_rise),
                of.amount(uptake - band.max_fall),
                of.amount(band.max_fall)
            ));
        }
        None if *of == Quantity::Alkalinity => {}
        None => out.push(format!(
            "  {of}: no uptake is established; at most {max_rise} added in any 24 h"
        )),
    }
    let does = |action| match action {
        AlarmAction::UptakeOnly => format!(
            "holds nothing: no more than the uptake of {of} is added until a good one, or a course up"
        ),
        AlarmAction::HoldLines => format!("holds the lines that carry {of}"),
        AlarmAction::HoldAll => "holds every line".to_owned(),
        AlarmAction::Warn => "is an alarm only".to_owned(),
    };
    out.push(format!(
        "  band {} to {}, target {}; a reading below {} {}, one over {} {}",
        of.amount(band.band_low),
        of.amount(band.band_high),
        of.amount(band.target),
        of.amount(band.alarm_low),
        does(band.on_alarm_low),
        of.amount(band.alarm_high),
        does(band.on_alarm_high)
    ));
    out.push(format!(
        "  no reading for {:.1} days: nothing above uptake; the prediction's uncertainty grows by {} per day",
        band.stale_after.as_days(),
        of.amount(band.drift_per_day)
    ));
    out.push(format!(
        "  established uptake changes by at most {} per day at once, and not twice within {:.1} days",
        of.amount(band.uptake_change_max),
        band.settling.as_days()
    ));
    out
}

fn time_words(controller: &Controller) -> Vec<String> {
    let times = &controller.times;
    vec![
        format!(
            "  a slot later than {} is missed and never made up; a due slot waits at most {}",
            times.slot_lateness_max, times.slot_wait_max
        ),
        format!(
            "  a clock step over {} holds all lines; no trusted clock for {} is an alarm",
            times.clock_step_max, times.clock_wait_alarm
        ),
        format!(
            "  a hold reminds after {}; a dose not recorded within {} is dropped",
            times.hold_reminder, times.permit_valid
        ),
    ]
}

fn input_words(controller: &Controller) -> Vec<String> {
    let mut out = Vec::new();
    for input in controller.inputs.values() {
        let role = match &input.role {
            InputRole::ReservoirFloat(reservoir) => format!("float of reservoir \"{reservoir}\""),
            InputRole::ReturnPump => "return pump runs".to_owned(),
            InputRole::Leak => "leak".to_owned(),
            InputRole::SumpHigh => "sump too full".to_owned(),
            InputRole::StopButton => "stop button, holds until resumed".to_owned(),
        };
        let blocks = match &input.blocks {
            Blocks::All => "every line".to_owned(),
            Blocks::Lines(lines) => lines
                .iter()
                .map(Name::as_str)
                .collect::<Vec<_>>()
                .join(", "),
        };
        let running = if input.stops_running {
            "and stops a running dose"
        } else {
            "and lets a running dose end"
        };
        out.push(format!(
            "  {}: {role}; {}, safe when {}; blocks {blocks} {running}; trips after {}, clears after {} and then waits {}",
            input.name,
            pin_words(input.gpio),
            input.safe.as_str(),
            input.trip_after,
            input.clear_after,
            input.resume_after
        ));
    }
    if out.is_empty() {
        out.push("  none: nothing tells this program of an empty bottle, a stopped return pump or a leak".to_owned());
    }
    out
}

/// What the tank gets when a whole bottle ends up in it (reference row a9.chem.reservoir_worst), of each solution that it may hold.
fn worst_case(controller: &Controller, line: &Line) -> Vec<String> {
    let Some(bottle) = controller.reservoirs.get(&line.reservoir) else {
        return Vec::new();
    };
    let full = bottle.capacity;
    let each = controller.may_give(line).map(|solution| {
        let burns = if solution.caustic {
            " It burns skin and eyes."
        } else {
            ""
        };
        let of = if bottle.solutions.len() > 1 {
            format!(" of {}", solution.name)
        } else {
            String::new()
        };
        format!(
            "  - The whole bottle of line \"{}\" ({full}{of}) emptied into the tank adds {}.{burns}",
            line.name,
            adds_words(solution, full, controller.tank)
        )
    });
    each.collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::tests::{CONTROLLER, PLAN, check_with, edited};
    use crate::plan::check_plan;

    fn check(controller: &str, plan: &str) -> Loaded {
        check_with(controller, plan, &check_plan).unwrap()
    }

    #[test]
    fn what_is_explained_are_the_limits_in_force_with_their_units() {
        let text = explain(&check(CONTROLLER, PLAN));
        for words in [
            "at most 100.0 mL in any 24 h and 6.0 mL in one dose, whoever asks; in any hour at most 6.0 mL",
            "at most 0.06 dKH of alkalinity added in any hour",
            "GPIO17 (header pin 11), on when high",
            "uptake 0.80 dKH per day, plan 0.80 dKH per day",
            "at most 1.30 dKH added in any 24 h (uptake + 0.50 dKH)",
            "band 7.50 dKH to 9.00 dKH",
            "Tank 300.0 L net, time zone Europe/Berlin",
            "local electrical code",
            "dry run: no output is driven",
            "(1200.0 mL) emptied into the tank adds alkalinity 12.6982 dKH",
            "stands still while what gives alkalinity is on hold",
            // 60 g/L of Na2CO3 (105.988 g/mol) are 1132.2 meq/L: 75.6 mL in 300 L are 0.2853 meq/L, 0.80 dKH.
            "75.601 mL a day (all of an uptake of 0.800 dKH of alkalinity, by plan.toml), in 24 doses spread from 00:00 to 24:00; that adds alkalinity 0.8000 dKH",
            "6.0 mL a day (as the plan says), in 3 doses spread from 09:00 to 21:00; that adds Mg 0.239 mg/L",
            "It burns skin and eyes.",
        ] {
            assert!(text.contains(words), "{words:?} is not in:\n{text}");
        }
    }

    /// Fault row FT-INFUS-10: the limit shown comes from the structure the guard uses, so another limit is shown at once.
    #[test]
    fn another_cap_is_another_cap_in_the_explanation() {
        let other = edited(CONTROLLER, "daily-cap-ml = 12\n", "daily-cap-ml = 12.125\n");
        let loaded = check(&other, PLAN);
        assert_eq!(
            loaded.controller.lines[2].daily_cap,
            Volume::from_ul(12_125)
        );
        assert!(explain(&loaded).contains("at most 12.125 mL in any 24 h"));
    }

    #[test]
    fn a_pwm_head_is_explained_with_its_pulses_its_pin_and_its_channel() {
        let words = explain(&check(&crate::config::tests::pwm::unchanged(), PLAN));
        assert!(
            words.contains(
                "PWM 60 % at 1000 Hz on GPIO18 (header pin 12), channel 0 of chip fe20c000.pwm"
            ),
            "{words}"
        );
    }
}
