//! What stands still with what it goes by, what has been kept out of the water, and what cannot be seen of it.

use super::alarms::AlarmCode;
use super::event::Now;
use super::state::Engine;
use crate::chemistry::Quantity;
use crate::config::Gives;
use crate::guard::Follows;
use crate::plan::DailyVolumes;
use crate::quantity::{Millis, Name, Volume};

/// What has not been added for so long is said where something is known to stand in its way.
const KEPT_AWAY_AFTER: Millis = Millis::DAY;

/// The last addition that is known is this old before a newer one is looked for: well before it bears on anything, and before the window of
/// doses forgets one.
const LOOKED_AFTER: Millis = Millis::HOUR;

/// Otherwise only for longer than a line that doses once a day can leave between two doses: in autumn's day of 25 hours, with the hour that
/// a slot may wait. Ours.
const LONGEST_GAP: Millis = Millis::from_mins(26 * 60 + 1);

/// What has not been added for long.
struct KeptAway {
    of: Quantity,
    for_: Millis,
    /// By the established uptake, in the quantity's unit.
    fallen: f64,
    /// What stands in its way, in words; empty when that is over.
    because: Vec<String>,
    /// Whether it would have reached the water.
    counts: bool,
}

impl KeptAway {
    fn words(&self) -> String {
        let Self {
            of,
            for_,
            fallen,
            because,
            counts,
        } = self;
        let hours = for_.as_ms() / Millis::HOUR.as_ms();
        let fallen = of.unit().roughly(*fallen);
        let because = if because.is_empty() {
            String::new()
        } else {
            format!(" ({})", because.join("; "))
        };
        let (begin, has) = if *counts {
            ("", "has")
        } else {
            ("in this dry run ", "would have")
        };
        format!(
            "{begin}{of} has not been added for {hours} h{because}; by the established uptake it {has} fallen by some {fallen}; what was missed is not made up for: test {of}, then see to what stands in its way"
        )
    }
}

impl Engine {
    /// The quantities that a line goes by and does not give itself.
    fn goes_by(&self, line: &Name) -> Vec<Quantity> {
        let planned = self.in_force.plan.lines.iter().find(|p| p.line == *line);
        let Some(planned) = planned.filter(|planned| !planned.keeps_on) else {
            return Vec::new();
        };
        let mut all = Vec::new();
        if let Gives::PerUptake { of, .. } = &planned.gives {
            all.push(of.clone());
        }
        let alkalinity = Quantity::Alkalinity;
        let own = planned.gives.of() == Some(&alkalinity);
        if !own && self.in_force.goes_with_alkalinity(line) {
            all.push(alkalinity);
        }
        all
    }

    /// Whether the greater part of what a line goes by is on hold. Of two lines that share an uptake one may stand still: the other still
    /// gives, and the water still takes up with it.
    pub(super) fn follows_held(&self, line: &Name) -> Option<Follows<'_>> {
        let goes_by = self.goes_by(line);
        if goes_by.is_empty() {
            return None;
        }
        let daily = self.planned_volumes();
        goes_by.into_iter().find_map(|of| {
            let mut leads: Vec<(&Name, f64)> = Vec::new();
            for other in &self.controller().lines {
                let volume = daily.get(&other.name).copied().unwrap_or(Volume::ZERO);
                let effect = self.controller().effect_of(&other.name)?;
                let gives = effect.rise(&of, volume, self.controller().tank);
                if other.name != *line && gives > 0.0 && !self.goes_by(&other.name).contains(&of) {
                    leads.push((&other.name, gives));
                }
            }
            let all: f64 = leads.iter().map(|(_, gives)| gives).sum();
            leads.retain(|(lead, _)| !self.holds.on(lead).is_empty());
            let stopped: f64 = leads.iter().map(|(_, gives)| gives).sum();
            // Volumes are whole microlitres, so that two halves are not quite equal.
            if stopped <= 0.501 * all {
                return None;
            }
            let (lead, _) = leads.into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
            let hold = self.holds.on(lead).into_iter().next()?;
            Some(Follows { of, lead, hold })
        })
    }

    pub(super) fn watch_kept_away(&mut self, now: Now) {
        let quantities: Vec<Quantity> = self.controller().water.keys().cloned().collect();
        let daily = self.planned_volumes();
        for of in quantities {
            // What is not planned is not kept away.
            if self.clock.unsure.is_none() && self.given_by(&of, &daily).is_empty() {
                self.water.seen_added(&of, now.elapsed);
            } else if now.elapsed.minus(self.water.last_added(&of)) > LOOKED_AFTER {
                self.water.seen_added(&of, self.last_added(&of));
            }
            let cause = self.kept_away(&of, now).map(|away| away.words());
            self.alarm_if(AlarmCode::KeptAway, of.as_str(), cause, now);
        }
    }

    /// When it was last added, on the elapsed clock, or the latest that can have been.
    fn last_added(&self, of: &Quantity) -> Millis {
        let window = self.books.window.iter();
        let adds = window.filter(|d| d.is_in_tank() && d.carries.get(of).is_some_and(|a| *a > 0.0));
        let ends = adds.map(|d| d.ended.unwrap_or(self.clock.last.elapsed));
        ends.fold(self.water.last_added(of), Millis::max)
    }

    /// The lines that add it by these volumes.
    fn given_by(&self, of: &Quantity, daily: &DailyVolumes) -> Vec<&Name> {
        let gives = |line: &&Name| {
            let volume = daily.get(*line).copied().unwrap_or(Volume::ZERO);
            volume > Volume::ZERO && self.in_force.carries(line, of)
        };
        let lines = self.controller().lines.iter().map(|line| &line.name);
        lines.filter(gives).collect()
    }

    fn kept_away(&self, of: &Quantity, now: Now) -> Option<KeptAway> {
        self.controller().tracked(of)?;
        let uptake = self.in_force.uptake_of(of).filter(|uptake| *uptake > 0.0)?;
        if now.elapsed.minus(self.water.last_added(of)) < KEPT_AWAY_AFTER {
            return None;
        }
        let for_ = now.elapsed.minus(self.last_added(of));
        if for_ < KEPT_AWAY_AFTER {
            return None;
        }
        let lines = self.given_by(of, &self.planned_volumes());
        let daily_line = |line: &&&Name| !self.in_force.schedule.picks_dates(line);
        lines.iter().find(daily_line)?;
        let because: Vec<String> = lines.iter().filter_map(|line| self.stands(line)).collect();
        (because.len() == lines.len() || for_ >= LONGEST_GAP).then(|| KeptAway {
            of: of.clone(),
            for_,
            fallen: uptake * for_.as_days(),
            because,
            counts: self.reaches_water(self.live),
        })
    }

    /// What stands in the way of a line, in words.
    fn stands(&self, line: &Name) -> Option<String> {
        if let Some(hold) = self.holds.on(line).first() {
            return Some(format!("line {line} is on hold: {}", hold.reason));
        }
        if let Some(session) = self.session_of(line) {
            return Some(format!(
                "line {line} is at the bench, session {}",
                session.status().session
            ));
        }
        if let Some(why) = &self.clock.unsure {
            return Some(format!("the clock is not trusted: {why}"));
        }
        let memory = self.lines.get(line)?;
        let (refusal, _) = memory.last_refusal.as_ref()?;
        Some(format!("line {line}: {refusal}"))
    }

    /// What should be known of the water beside its figures.
    pub(super) fn water_notes(&self, now: Now) -> Vec<String> {
        let quantities = self.controller().water.keys();
        let away = quantities.filter_map(|of| self.kept_away(of, now));
        let mut notes: Vec<String> = away.map(|away| away.words()).collect();
        let daily = self.planned_volumes();
        for line in &self.controller().lines {
            let volume = daily.get(&line.name).copied().unwrap_or(Volume::ZERO);
            let solution = self.controller().solution_of(&line.name);
            let unstated = solution.and_then(|s| Some((s, s.unstated_words()?)));
            if let Some((solution, words)) = unstated.filter(|_| volume > Volume::ZERO) {
                notes.push(format!(
                    "line {} gives {volume} a day of {}, and {words}: no figure here counts it, and only the line's caps limit it",
                    line.name, solution.name
                ));
            }
        }
        notes
    }
}
