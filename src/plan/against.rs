//! The whole plan held against the whole controller: caps, heads, placement, uptake, elements.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::civil::Date;

use super::check::{LineFacts, placement_report};
use super::error::PlacementError;
use super::hours::BusiestHour;
use super::limits::OverLimit;
use super::schedule::Schedule;
use super::uptake::worked_out;
use super::uptake_check::uptakes_found;
use super::{DailyVolumes, plan_daily_volumes};
use crate::chemistry::Quantity;
use crate::config::{
    Controller, Finding, Gives, Line, Plan, PlanPlace, PlannedLine, Times, TrackedLimits, Uptakes,
};
use crate::metering::Calibration;
use crate::quantity::{Alkalinity, Name, Volume, f64_from_i64, f64_from_usize};

/// How far planned alkalinity may be from the declared uptake, in dKH per day (ours).
///
/// Solutions are weighed and heads metered to a per cent or two, so no plan matches to the last digit. From the middle of a band
/// 1.5 dKH wide, this drift takes 15 days to its edge, longer than the 14 days after which a missing test stops every rise.
pub const UPTAKE_TOLERANCE_DKH_PER_DAY: f64 = 0.05;

/// Share of the tank in daily volume above which the plan or the tank volume is questioned (limewater, the largest drip in use,
/// is 1 to 2 % a day: reference row a8.cp.limewater_rate, common practice, no source).
const DAILY_SHARE_DOUBTFUL: f64 = 0.01;

/// Rise by one dose above which the number of doses is questioned (reference row a8.cp.alk_dose_step, common practice, no source).
const DOSE_RISE_DOUBTFUL_DKH: f64 = 0.1;

/// How often the day's volume may fit into the cap before the cap is questioned. Ours.
const CAP_TIMES_DOUBTFUL: f64 = 2.5;

/// Days over which a cron line is averaged: whole weeks.
const CRON_DAYS: i32 = 364;

/// The plan is placed on the days from here on, whenever it is loaded, so that the same files always get the same answer.
/// Placement itself looks at every day near a change of the clocks in the 400 days that follow.
const PLACED_FROM: Date = Date::constant(2027, 1, 1);

/// Mean volume a day of each planned line: less than its daily volume for a cron line that does not come every day.
fn mean_daily_volumes(plan: &Plan) -> DailyVolumes {
    let share = |times: &Times| match times {
        Times::Cron(times) => {
            let days = (0..CRON_DAYS)
                .filter_map(|day| PLACED_FROM.checked_add(jiff::Span::new().days(day)).ok());
            let hits = days.filter(|day| !times.on(*day).is_empty()).count();
            f64_from_usize(hits) / f64::from(CRON_DAYS)
        }
        Times::Spread { .. } | Times::At(_) => 1.0,
    };
    let mut means = DailyVolumes::new();
    for planned in &plan.lines {
        let mean = planned
            .daily_volume
            .scaled(share(&planned.times))
            .unwrap_or(planned.daily_volume);
        means.insert(planned.line.clone(), mean);
    }
    means
}

/// Alkalinity that the plan adds per day, over all lines that carry it, and how many these are.
pub fn planned_alkalinity(controller: &Controller, plan: &Plan) -> (Alkalinity, usize) {
    let means = mean_daily_volumes(plan);
    let mut sum = Alkalinity::ZERO;
    let mut lines = 0_usize;
    for (line, volume) in &means {
        if let Some(effect) = controller
            .effect_of(line)
            .filter(|effect| effect.carries_alkalinity())
        {
            sum = sum.plus(effect.alkalinity_rise(*volume, controller.tank));
            lines = lines.saturating_add(1);
        }
    }
    (sum, lines)
}

/// Works a plan's volumes out by its starting uptakes and holds it against its controller: shares, placement, caps, heads, uptake,
/// elements; with everything that a bottle may hold. What is said stands at a place of the plan's file.
pub fn check_plan(controller: &Arc<Controller>, plan: &Plan) -> (Plan, Vec<Finding<PlanPlace>>) {
    let (plan, mut found) = check_filled(controller, plan);
    for (name, bottle) in &controller.reservoirs {
        for solution in bottle.solutions.iter().skip(1) {
            let mut other = Controller::clone(controller);
            other.fill(name, (solution, true), None);
            let (_, with_it) = check_filled(&Arc::new(other), &plan);
            let new: Vec<_> = with_it.into_iter().filter(|f| !found.contains(f)).collect();
            found.extend(new.into_iter().map(|finding| Finding {
                message: format!(
                    "with \"{solution}\" in reservoir \"{name}\": {}",
                    finding.message
                ),
                ..finding
            }));
        }
    }
    (plan, found)
}

fn check_filled(controller: &Arc<Controller>, plan: &Plan) -> (Plan, Vec<Finding<PlanPlace>>) {
    let plan = Arc::new(worked_out(plan, controller, &Uptakes::new()));
    let mut against = Against {
        controller,
        plan: &plan,
        daily: plan_daily_volumes(&plan),
        found: uptakes_found(controller, &plan),
    };
    // What follows from wrong shares would be blamed on caps and placement.
    if against.found.iter().all(|found| !found.is_mistake) {
        against.check();
    }
    let found = against.found;
    (Arc::unwrap_or_clone(plan), found)
}

/// The busiest hour of a plan by its own volumes, on days of 24 hours.
pub fn busiest_hour(controller: &Controller, plan: &Plan) -> BusiestHour {
    let mut schedule = Schedule::new(controller.clone().into(), plan);
    let daily = plan_daily_volumes(plan);
    BusiestHour::around(controller, &mut schedule, PLACED_FROM, &daily)
}

struct Against<'a> {
    controller: &'a Arc<Controller>,
    plan: &'a Arc<Plan>,
    daily: DailyVolumes,
    found: Vec<Finding<PlanPlace>>,
}

impl Against<'_> {
    fn mistake(&mut self, at: PlanPlace, message: String) {
        self.found.push(Finding {
            at,
            is_mistake: true,
            message,
        });
    }

    fn warn(&mut self, at: PlanPlace, message: String) {
        self.found.push(Finding {
            at,
            is_mistake: false,
            message,
        });
    }

    fn check(&mut self) {
        let report = placement_report(self.controller, self.plan, PLACED_FROM);
        for error in &report.errors {
            let at = blamed(error).map_or(PlanPlace::File, |line| PlanPlace::Line(line.clone()));
            self.mistake(at, error.to_string());
        }
        let controller = self.controller;
        for line in &controller.lines {
            let planned = self.plan.lines.iter().find(|p| p.line == line.name);
            match (planned, report.lines.get(&line.name)) {
                (Some(planned), Some(facts)) => self.check_line(line, planned, facts),
                (Some(_), None) => {}
                (None, _) => self.warn(
                    PlanPlace::File,
                    format!(
                        "line \"{}\" of the controller is not planned here; it doses by hand only",
                        line.name
                    ),
                ),
            }
        }
        self.check_hour(&report.busiest_hour);
        self.check_elements();
        let alkalinity = controller.tracked(&Quantity::Alkalinity);
        if let (Some(limits), Some(uptake)) = (alkalinity, self.plan.alkalinity_uptake()) {
            self.check_uptake(limits, uptake);
        }
        self.warn_total();
    }

    /// One line's doses against its head and its caps.
    fn check_line(&mut self, line: &Line, planned: &PlannedLine, facts: &LineFacts) {
        let key = volume_key(&planned.gives);
        let at = PlanPlace::Volume(line.name.clone());
        let controller = self.controller;
        let daily = self.daily.get(&line.name).copied().unwrap_or_default();
        if daily <= Volume::ZERO {
            return;
        }
        let doses = daily.split(facts.doses_per_day);
        let (Some(least), Some(most)) = (doses.iter().min().copied(), doses.iter().max().copied())
        else {
            return;
        };
        let what = format!("{daily} a day in {} doses", facts.doses_per_day);
        let mut refuse = |words: String| {
            self.mistake(
                at.clone(),
                format!("line \"{}\": {key}: {what}: {words}", line.name),
            );
        };
        if most > line.dose_cap {
            refuse(format!(
                "one dose of {most} is over dose-cap-ml = {}; plan more doses or less volume",
                line.dose_cap
            ));
        }
        let needed = facts.max_rolling_24h.saturating_add(most);
        if needed > line.daily_cap {
            refuse(format!(
                "up to {} fall within 24 h, and with one dose more that needs a cap of {needed}, but daily-cap-ml = {}; plan less, or more and smaller doses",
                facts.max_rolling_24h, line.daily_cap
            ));
        }
        let Some(head) = controller.heads.get(&line.head) else {
            return;
        };
        if least < head.dose_min {
            refuse(format!(
                "one dose of {least} is under dose-min-ml = {} of head \"{}\"; plan fewer doses",
                head.dose_min, head.name
            ));
        }
        if let Ok(calibration) = Calibration::new(head.nominal_rate, Volume::ZERO) {
            match calibration.run_time(most) {
                Ok(run) if run > head.run_max => refuse(format!(
                    "one dose of {most} takes {run} at {}, over run-max-s = {} of head \"{}\"; plan more doses",
                    head.nominal_rate, head.run_max, head.name
                )),
                Ok(_) => {}
                Err(error) => refuse(format!("{error}; plan fewer doses")),
            }
        }
        let times = line.daily_cap.as_ml() / daily.as_ml();
        if !matches!(planned.gives, Gives::Daily(_)) && times > CAP_TIMES_DOUBTFUL {
            self.warn(
                at,
                format!(
                    "line \"{}\": {key}: {what} by the uptake fits {times:.1} times into daily-cap-ml = {}; a cap is the second opinion on a volume that follows from other numbers, make it at most {CAP_TIMES_DOUBTFUL} times the day's volume",
                    line.name, line.daily_cap
                ),
            );
        }
        self.warn_line(line, (daily, most));
    }

    fn warn_line(&mut self, line: &Line, volumes: (Volume, Volume)) {
        let at = || PlanPlace::Volume(line.name.clone());
        let label = format!("line \"{}\": ", line.name);
        let (daily, most) = volumes;
        if let Some(effect) = self.controller.effect_of(&line.name) {
            let rise = effect.alkalinity_rise(most, self.controller.tank);
            if rise.as_dkh() > DOSE_RISE_DOUBTFUL_DKH {
                self.warn(
                    at(),
                    format!("{label}one dose raises alkalinity by {rise}; more than {DOSE_RISE_DOUBTFUL_DKH} dKH at once is not usual (common practice, no source), plan more doses"),
                );
            }
        }
        let Some(reservoir) = self.controller.reservoirs.get(&line.reservoir) else {
            return;
        };
        let sharing = self
            .controller
            .lines
            .iter()
            .filter(|other| other.reservoir == line.reservoir);
        let drawn: Volume = sharing
            .filter_map(|other| self.daily.get(&other.name).copied())
            .sum();
        let usable = reservoir.capacity.saturating_sub(reservoir.reserve);
        let days = usable.as_ml() / drawn.max(daily).as_ml();
        if days <= reservoir.low_warning.as_days() {
            self.warn(
                at(),
                format!(
                    "{label}a full reservoir \"{}\" lasts {days:.1} days, so its low warning of {:.1} days is always on",
                    reservoir.name,
                    reservoir.low_warning.as_days()
                ),
            );
        }
    }

    /// Limits on an hour that the plan itself would run into every day.
    fn check_hour(&mut self, busiest: &BusiestHour) {
        let Err(over) = busiest.within(self.controller) else {
            return;
        };
        let (at, key) = match &over {
            OverLimit::Cap { line, .. } => (PlanPlace::Volume(line.clone()), "hourly-cap-ml"),
            OverLimit::RiseInHour { of, .. } if *of == Quantity::Alkalinity => {
                (PlanPlace::File, "max-rise-dkh-per-hour")
            }
            OverLimit::RiseInHour { .. } | OverLimit::RunTime { .. } | OverLimit::Rise { .. } => {
                (PlanPlace::File, "max-rise-mg-per-l-per-hour")
            }
        };
        self.mistake(
            at,
            format!(
                "{over} ({key}), days on which the clocks change included; plan less, or spread it over more of the day, or leave {key} out"
            ),
        );
    }

    /// Elements whose planned daily rise is over the owner's limit: the doses would be refused every day.
    fn check_elements(&mut self) {
        let controller = self.controller;
        for (of, limits) in &controller.water {
            // Alkalinity is held to its uptake, which is nearer.
            if *of == Quantity::Alkalinity {
                continue;
            }
            let mut rises: BTreeMap<&Name, f64> = BTreeMap::new();
            for (line, volume) in &self.daily {
                let effect = controller.effect_of(line);
                let rise = effect.map_or(0.0, |e| e.rise(of, *volume, controller.tank));
                if rise > 0.0 {
                    rises.insert(line, rise);
                }
            }
            let sum: f64 = rises.values().sum();
            if sum > limits.max_rise {
                let largest = rises
                    .iter()
                    .max_by(|a, b| a.1.total_cmp(b.1))
                    .map(|(line, _)| *line);
                let at = largest.map_or(PlanPlace::File, |line| PlanPlace::Line(line.clone()));
                let words = format!(
                    "this plan adds {} of {of} per day (lines that carry it: {}), over water.{of}.max-rise-mg-per-l-per-day = {}; plan less",
                    of.amount(sum),
                    rises.len(),
                    of.amount(limits.max_rise)
                );
                self.mistake(at, words);
            }
        }
    }

    /// Alkalinity that would rise or fall day after day.
    fn check_uptake(&mut self, limits: &TrackedLimits, uptake: Alkalinity) {
        let (planned, carriers) = planned_alkalinity(self.controller, self.plan);
        let drift = planned.minus(uptake);
        if drift.as_dkh().abs() <= UPTAKE_TOLERANCE_DKH_PER_DAY {
            return;
        }
        let middle = f64::midpoint(limits.band_low, limits.band_high);
        let days = (limits.band_high - middle) / drift.as_dkh().abs();
        let shown = |dkh: f64| Quantity::Alkalinity.amount(dkh);
        let (verb, edge, past) = if drift > Alkalinity::ZERO {
            ("rise", shown(limits.band_high), "its top")
        } else {
            ("fall", shown(limits.band_low), "its bottom")
        };
        let factor = uptake.as_dkh() / planned.as_dkh();
        let advice = if carriers == 0 {
            "plan a line that carries alkalinity".to_owned()
        } else {
            format!("multiply the daily-ml of what carries alkalinity by {factor:.3}")
        };
        self.mistake(
            PlanPlace::Uptake,
            format!(
                "uptake.alkalinity.start-dkh-per-day = {uptake}, but this plan adds {planned} per day: alkalinity would {verb} by {:.2} dKH per day without end, \
                 from the middle of its band ({}) past {past} ({edge}) in {days:.1} days; at most {UPTAKE_TOLERANCE_DKH_PER_DAY} dKH per day apart is taken as equal. \
                 To keep alkalinity steady, {advice}; if tests show another uptake, declare that; to move alkalinity to another value, \
                 do it as a bounded course that ends by itself",
                drift.as_dkh().abs(),
                shown(middle)
            ),
        );
    }

    fn warn_total(&mut self) {
        let total: Volume = self.daily.values().copied().sum();
        let litres = self.controller.tank.as_litres();
        let share = f64_from_i64(total.as_ul()) / 1e6 / litres;
        if share > DAILY_SHARE_DOUBTFUL {
            self.warn(
                PlanPlace::File,
                format!(
                    "the plan adds {total} a day, {:.1} % of a tank of {litres} L; check that the tank's volume and the volumes are in the units their keys say",
                    share * 100.0
                ),
            );
        }
    }
}

/// The key that says how much a line gives.
const fn volume_key(gives: &Gives) -> &'static str {
    match gives {
        Gives::Share { .. } => "share-of-uptake",
        Gives::PerUptake {
            of: Quantity::Alkalinity,
            ..
        } => "ml-per-dkh",
        Gives::PerUptake { .. } => "ml-per-mg-per-l",
        Gives::Daily(_) => "daily-ml",
    }
}

/// The line at whose place a placement error is reported.
fn blamed(error: &PlacementError) -> Option<&Name> {
    match error {
        PlacementError::UnknownLine { line }
        | PlacementError::NoRoom { line, .. }
        | PlacementError::PastDayEnd { line, .. } => Some(line),
        PlacementError::FixedTimesClash { second, .. } => Some(second),
        PlacementError::NoSuchDate { .. } | PlacementError::SpanTooLong { .. } => None,
    }
}
