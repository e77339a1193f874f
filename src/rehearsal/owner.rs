//! The owner: comes once a day, sees to what is asked, tests, and does with a test what that kind of owner does.

use std::collections::BTreeMap;

use super::chance::Chance;
use super::found::Asked;
use super::stage::Stage;
use super::water::Tester;
use crate::chemistry::Quantity;
use crate::config::{Gives, Owner, OwnerKind, Scenario};
use crate::engine::{
    AlarmCode, Answer, Command, CourseAction, CourseWish, Denial, Event, NewCalibration, NewCourse,
    NewRefill, RefillLevel, ShellFacts, Status, Tell, Verdict, Wish,
};
use crate::metering::{REPEATS, lengths_around};
use crate::quantity::{Millis, Name, Volume, Words};
use crate::record::{CalibrationRun, CourseState, Departure, Found, Observed, Reading, Who};
use crate::shell::{Hands, MustEnd};

const WHO: Who = Who::Local { uid: 1000 };
/// What volumes are read by at the bench.
const STEP: Volume = Volume::from_ul(10);
/// Share either way and days of a corridor.
const CORRIDOR: (f64, u32) = (0.1, 60);

pub(super) struct Keeper {
    owner: Owner,
    testers: BTreeMap<Quantity, Tester>,
    targets: BTreeMap<Quantity, f64>,
    nonces: Chance,
    /// Bottles, or all of them, that are not filled until then.
    pub(super) not_filled: Vec<(Option<Name>, Millis)>,
    pub(super) readings: BTreeMap<Quantity, Vec<(i64, f64)>>,
    pub(super) refills: BTreeMap<Name, Vec<i64>>,
    pub(super) denied: BTreeMap<String, u64>,
    /// Changes that were advised.
    pub(super) asked: BTreeMap<Quantity, Vec<Asked>>,
    /// Where nothing was proposed before something else was done.
    pub(super) put_off: BTreeMap<Quantity, Vec<Asked>>,
    pub(super) changes: u64,
}

/// What the owner wants is done, is denied, or was the end of the engine.
pub(super) type Done = Result<Result<Answer, Denial>, MustEnd>;

impl Keeper {
    pub(super) fn new(scenario: &Scenario, targets: &BTreeMap<Quantity, f64>, seed: u64) -> Self {
        let testers = targets.keys().map(|of| {
            let chance = Chance::of(seed, &format!("test {of}"));
            (of.clone(), Tester::new(scenario.of(of).kit, chance))
        });
        Self {
            owner: scenario.owner,
            testers: testers.collect(),
            targets: targets.clone(),
            nonces: Chance::of(seed, "nonce"),
            not_filled: Vec::new(),
            readings: BTreeMap::new(),
            refills: BTreeMap::new(),
            denied: BTreeMap::new(),
            asked: BTreeMap::new(),
            put_off: BTreeMap::new(),
            changes: 0,
        }
    }

    /// Once a day.
    pub(super) fn visit(&mut self, stage: &mut Stage, day: i64) -> Result<(), MustEnd> {
        if self
            .owner
            .away
            .is_some_and(|(from, back)| (from..back).contains(&day))
        {
            return Ok(());
        }
        let status = status(stage);
        self.fill_bottles(stage, &status, day)?;
        self.calibrate(stage, &status)?;
        let tested = self.test(stage, day)?;
        for hold in &status.holds {
            // A test that was right lets dosing go on; a wrong one holds it again at once.
            if hold.who == Who::Daemon.to_string() && !tested.is_empty() {
                let scope = hold.scope();
                self.ask(stage, Command::Resume { scope })?.ok();
            }
        }
        for (of, value) in tested {
            match self.owner.kind {
                OwnerKind::ChangesNothing => {}
                OwnerKind::ChasesTests => self.chase(stage, &of, value)?,
                OwnerKind::FollowsAdvice => self.follow(stage, &of, day)?,
                OwnerKind::GrantsCorridor => {
                    self.follow(stage, &of, day)?;
                    self.grant(stage, of)?;
                }
            }
        }
        if !status.alarms.is_empty() {
            self.ask(stage, Command::Acknowledge { code: None })?.ok();
        }
        stage.limits();
        Ok(())
    }

    pub(super) fn ask(&mut self, stage: &mut Stage, command: Command) -> Done {
        let ticket = stage.core.desk.ticket(());
        let high = u128::from(self.nonces.bits());
        let nonce = Some((high << 64) | u128::from(self.nonces.bits()));
        stage.world.verdicts.clear();
        stage.feed(Event::Command {
            ticket,
            who: WHO,
            command,
            nonce,
        })?;
        let nothing = || Err(Denial::new("no-answer", "nothing was answered"));
        let verdict = stage.world.verdicts.pop_front().unwrap_or_else(nothing);
        if let Err(denial) = &verdict {
            let count = self.denied.entry(denial.code.clone()).or_default();
            *count = count.saturating_add(1);
        }
        Ok(verdict)
    }

    /// Both steps of what changes what the water gets.
    pub(super) fn wish(&mut self, stage: &mut Stage, wish: Wish) -> Done {
        let proposal = match self.ask(stage, Command::Prepare(wish))? {
            Ok(Answer::Proposal(proposal)) => proposal,
            other => return Ok(other),
        };
        let done = self.ask(stage, Command::Confirm(proposal.confirm(None)))?;
        if done.is_ok() {
            self.changes = self.changes.saturating_add(1);
        }
        Ok(done)
    }

    fn fill_bottles(
        &mut self,
        stage: &mut Stage,
        status: &Status,
        day: i64,
    ) -> Result<(), MustEnd> {
        let waits = Millis::from_secs_f64(self.owner.refills_after_days * 86_400.0);
        for alarm in &status.alarms {
            let age = Millis::from_secs(alarm.age_s);
            let is_due = alarm.active && age >= waits.unwrap_or_default();
            if alarm.code != AlarmCode::ReservoirLow || !is_due {
                continue;
            }
            let subject = alarm.subject.as_deref().and_then(|s| Name::new(s).ok());
            let Some(reservoir) = subject else { continue };
            let now = stage.world.now;
            let is_late = |(which, until): &(Option<Name>, Millis)| {
                which.as_ref().is_none_or(|which| *which == reservoir) && now < *until
            };
            if self.not_filled.iter().any(is_late) {
                continue;
            }
            let told = self.ask(stage, Command::Refill(full(&reservoir)))?;
            if let Some(bottle) = stage
                .world
                .bottles
                .get_mut(&reservoir)
                .filter(|_| told.is_ok())
            {
                bottle.holds = bottle.capacity;
                stage.world.tell_float(&reservoir);
                self.refills.entry(reservoir).or_default().push(day);
            }
        }
        Ok(())
    }

    /// Heads whose calibration is old are measured anew, with the outlet in a vessel.
    fn calibrate(&mut self, stage: &mut Stage, status: &Status) -> Result<(), MustEnd> {
        for alarm in &status.alarms {
            if alarm.code != AlarmCode::CalibrationOld || !alarm.active || !self.owner.calibrates {
                continue;
            }
            let name = alarm.subject.as_deref().and_then(|s| Name::new(s).ok());
            let Some(name) = name else { continue };
            let Some(usual) = usual_dose(stage, &name) else {
                continue;
            };
            self.calibrate_head(stage, name, usual)?.ok();
        }
        Ok(())
    }

    /// Measures runs around the usual dose, and tells them.
    pub(super) fn calibrate_head(&mut self, stage: &mut Stage, name: Name, usual: Volume) -> Done {
        let now = stage.world.now;
        let nothing = Denial::new("no-head", "the rehearsal has no such head");
        let Some(head) = stage.world.heads.get_mut(&name) else {
            return Ok(Err(nothing));
        };
        let config = stage.world.controller.heads.get(&name);
        let run_max = config.map_or(Millis::HOUR, |config| config.run_max);
        let lengths = lengths_around(usual, head.calibration.rate(), run_max);
        let mut runs = Vec::new();
        for on_time in (0..REPEATS).flat_map(|_| lengths) {
            let volume = read_by(STEP, head.measured(on_time, now));
            runs.push(CalibrationRun {
                on_time,
                volume,
                typed: volume.to_string(),
                dose: None,
                used: true,
            });
        }
        let new = NewCalibration {
            head: name,
            runs,
            resolution: STEP,
            weighing: Words::default(),
            method: Words::new("rehearsed"),
            sure_of: None,
        };
        self.ask(stage, Command::Calibrate(new))
    }

    /// What was tested and is on record. One that is asked about is tested again.
    fn test(&mut self, stage: &mut Stage, day: i64) -> Result<Vec<(Quantity, f64)>, MustEnd> {
        let mut on_record = Vec::new();
        let all: Vec<Quantity> = self.testers.keys().cloned().collect();
        for of in all {
            let Some(truth) = stage
                .world
                .water
                .levels
                .get(&of)
                .map(super::water::Level::now)
            else {
                continue;
            };
            let Some(tester) = self.testers.get_mut(&of) else {
                continue;
            };
            if !tester.is_due(day) {
                continue;
            }
            let uncertainty = tester.uncertainty();
            let mut value = tester.reads(truth, day);
            let again = tester.reads(truth, day);
            let mut told = self.ask(stage, reading(&of, (value, uncertainty), false))?;
            if told
                .as_ref()
                .is_err_and(|denial| denial.code == "reading-questioned")
            {
                value = again;
                told = self.ask(stage, reading(&of, (value, uncertainty), true))?;
            }
            if told.is_ok() {
                self.readings
                    .entry(of.clone())
                    .or_default()
                    .push((day, value));
                on_record.push((of, value));
            }
        }
        Ok(on_record)
    }

    /// What is advised comes into force; where nothing is, nothing is asked.
    fn follow(&mut self, stage: &mut Stage, of: &Quantity, day: i64) -> Result<(), MustEnd> {
        let advice = stage.core.engine.advice(of, stage.world.now());
        if let Some(change) = advice.change {
            let told = change.words();
            let asked = self.asked.entry(of.clone()).or_default();
            asked.push(Asked { day, told });
            self.wish(stage, Wish::Advice { of: of.clone() })?.ok();
        } else if advice.verdict == Verdict::NotNow {
            let told = advice.because;
            let put_off = self.put_off.entry(of.clone()).or_default();
            put_off.push(Asked { day, told });
        }
        Ok(())
    }

    fn grant(&mut self, stage: &mut Stage, of: Quantity) -> Result<(), MustEnd> {
        let (share, days) = CORRIDOR;
        let advice = stage.core.engine.advice(&of, stage.world.now());
        if advice.corridor.is_none() {
            self.wish(stage, Wish::Corridor { of, share, days })?.ok();
        }
        Ok(())
    }

    /// All of the distance at once, as far as the limits let it: the course before is ended, and another begun.
    fn chase(&mut self, stage: &mut Stage, of: &Quantity, value: f64) -> Result<(), MustEnd> {
        let Some(target) = self.targets.get(of).copied() else {
            return Ok(());
        };
        let Some(limits) = stage.world.controller.water.get(of).copied() else {
            return Ok(());
        };
        let goes_by = |gives: &Gives| matches!(gives, Gives::Share { of: by, .. } if by == of);
        let lines = stage.world.plan.lines.iter();
        let Some(line) = lines
            .clone()
            .find(|l| goes_by(&l.gives))
            .map(|l| l.line.clone())
        else {
            return Ok(());
        };
        for course in status(stage).courses {
            let ours = matches!(&course.course.what, Departure::Add { of: by, .. } if by == of);
            if ours
                && !matches!(
                    course.course.state,
                    CourseState::Ended | CourseState::Complete
                )
            {
                let (number, action) = (course.course.number, CourseAction::End);
                self.ask(stage, Command::SetCourse { number, action })?.ok();
            }
        }
        let by = target - value;
        let fall = limits.tracked.map_or(limits.max_rise, |t| t.max_fall);
        let what = CourseWish::Change {
            line,
            of: of.clone(),
            by,
            at_most_per_day: if by > 0.0 { limits.max_rise } else { fall },
        };
        let note = Words::new("by the last test");
        self.wish(stage, Wish::Course(NewCourse { what, note }))?
            .ok();
        Ok(())
    }
}

pub(super) fn status(stage: &mut Stage) -> Status {
    let now = stage.world.now();
    stage.core.engine.status(now, &ShellFacts::default())
}

/// What a slot of the head's line gives in the mean.
fn usual_dose(stage: &Stage, head: &Name) -> Option<Volume> {
    let mut lines = stage.world.controller.lines.iter();
    let line = lines.find(|line| line.head == *head)?;
    let found = stage.world.lines.get(&line.name)?;
    let slots = i64::try_from(found.doses.saturating_add(found.not_given)).ok()?;
    (slots > 0).then(|| Volume::from_ul(found.planned.as_ul() / slots))
}

/// To the nearest step.
fn read_by(step: Volume, volume: Volume) -> Volume {
    let half = step.as_ul() / 2;
    let steps = volume.as_ul().saturating_add(half) / step.as_ul();
    Volume::from_ul(steps.saturating_mul(step.as_ul()))
}

pub(super) fn full(reservoir: &Name) -> NewRefill {
    NewRefill {
        reservoir: reservoir.clone(),
        level: RefillLevel::Full,
        solution: None,
        tube: None,
        emptied: false,
        note: Words::default(),
    }
}

fn reading(of: &Quantity, (value, uncertainty): (f64, f64), sure: bool) -> Command {
    Command::Tell(Tell {
        items: vec![Observed::Reading(Reading {
            of: of.clone().into(),
            found: Found::Value { value, uncertainty },
            // It is in the uncertainty.
            step: Some(0.0),
            as_read: String::new(),
        })],
        lab: None,
        method: Words::default(),
        happened: None,
        replaces: None,
        sure,
    })
}
