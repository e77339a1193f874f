//! A changeover under way: which step is in force, and when the next one may be.
//!
//! A step further on each local day, but only after a day on which the line that grows gave at least half of what it should: what was
//! missed in an outage or a hold is not made up for, so the water never sees two steps at once. Once the new line gives all of it that
//! stays so until the plan file says it itself; the plan that still says the old thing does not undo it.

use jiff::civil::Date;

use super::alarms::AlarmCode;
use super::ask::ChangeoverAction;
use super::changeover_words::{changeover_figures, changeover_text};
use super::effect::{Answer, Denial, Ticket};
use super::event::Now;
use super::state::Engine;
use super::wish::{Figures, NewChangeover, Worked};
use crate::config::Plan;
use crate::plan::{
    ChangeoverShape, ChangeoverWish, DailyVolumes, across_midnights, plan_daily_volumes,
    shape_changeover, shape_under_way, waits,
};
use crate::quantity::{Name, Volume};
use crate::record::{Changeover, ChangeoverState, Entry, Who};

/// Part of a day's volume that must have been given before the next step. Ours.
const GIVEN_PART: f64 = 0.5;

impl Engine {
    /// The changeover that is under way.
    pub(super) fn under_way(&self) -> Option<&Changeover> {
        self.changeover.as_ref().filter(|c| c.is_under_way())
    }

    /// The smallest dose that a line's head can be asked for, by the configuration and by its calibration.
    pub(super) fn dose_min(&self, line: &Name) -> Volume {
        let Some(config) = self.line_config(line) else {
            return Volume::ZERO;
        };
        let head = self.controller.heads.get(&config.head);
        self.doses_of(&config.head)
            .map(|(smallest, _)| smallest)
            .or_else(|| head.map(|h| h.dose_min))
            .unwrap_or(Volume::ZERO)
    }

    fn shape(&self) -> Option<ChangeoverShape> {
        let wish = self.under_way()?.wish();
        shape_under_way((&self.controller, &self.plan), &wish, &|l| self.dose_min(l)).ok()
    }

    /// Puts the step in force in place of what the plan says.
    pub(super) fn overlay_changeover(&self, daily: &mut DailyVolumes) {
        let Some((changeover, shape)) = self.under_way().zip(self.shape()) else {
            return;
        };
        let day = shape.at(changeover.step);
        daily.insert(changeover.from.clone(), day.from);
        daily.insert(changeover.to.clone(), day.to);
    }

    /// Moves on to the next step on a new day, if the day before was a real one.
    pub(super) fn follow_changeover(&mut self, now: Now) {
        let Some(current) = self
            .under_way()
            .filter(|_| self.clock.unsure.is_none())
            .cloned()
        else {
            return;
        };
        let today = self.local_date(now.wall);
        let stays = matches!(
            current.state,
            ChangeoverState::Complete | ChangeoverState::Paused | ChangeoverState::PausedBack
        );
        if today <= current.on || stays {
            return;
        }
        let moved = self.was_a_real_day(&current);
        let mut next = Changeover {
            on: today,
            ..current.clone()
        };
        match current.state {
            ChangeoverState::Forward if moved => {
                next.step = current.step.saturating_add(1).min(current.days);
                if next.step == current.days {
                    next.state = ChangeoverState::Complete;
                }
            }
            ChangeoverState::Back if moved => {
                next.step = current.step.saturating_sub(1);
                if next.step == 0 {
                    next.state = ChangeoverState::Ended;
                }
            }
            ChangeoverState::Forward
            | ChangeoverState::Back
            | ChangeoverState::Paused
            | ChangeoverState::PausedBack
            | ChangeoverState::Complete
            | ChangeoverState::Ended => {}
        }
        let stalled = (!moved).then(|| {
            let grows = if current.state == ChangeoverState::Back {
                &current.from
            } else {
                &current.to
            };
            format!(
                "changeover {} did not move on: line {grows} gave less than half of its share on {}; see why, or turn it with `dosewright changeover back`",
                current.number, current.on
            )
        });
        self.alarm_if(AlarmCode::ChangeoverStalled, "", stalled, now);
        self.put_changeover(next, Who::Daemon, None, now);
        self.follow_ramp(now);
    }

    /// Whether the line that grows gave at least half of what the step meant on its day. The other line does not count for it: a new line
    /// that does not dose must not be faded in, and one on hold must not keep the old line from coming back. Where the line that grows is
    /// meant to give nothing yet, the other one is asked forwards; backwards nothing is, because the new one may be what is wrong.
    fn was_a_real_day(&self, current: &Changeover) -> bool {
        let Some(shape) = self.shape() else {
            return false;
        };
        let day = shape.at(current.step);
        let backwards = current.state == ChangeoverState::Back;
        let (line, wanted) = if backwards {
            (&shape.from.line, day.from)
        } else if current.step == 0 {
            // Before the first step nothing is asked.
            return true;
        } else if day.to > Volume::ZERO {
            (&shape.to.line, day.to)
        } else {
            (&shape.from.line, day.from)
        };
        self.given_on(line, current.on).as_ml() >= GIVEN_PART * wanted.as_ml()
    }

    /// What a line gave on a local date; nothing for a date that is neither the last on which it dosed nor known any more.
    fn given_on(&self, line: &Name, date: Date) -> Volume {
        self.lines
            .get(line)
            .and_then(|memory| memory.today)
            .filter(|(day, _)| *day == date)
            .map_or(Volume::ZERO, |(_, volume)| volume)
    }

    pub(super) fn work_out_changeover(
        &self,
        new: &NewChangeover,
        now: Now,
    ) -> Result<Worked, Denial> {
        self.clock_for_course()?;
        let refuse = |why: String| Denial::new("changeover-refused", why);
        if let Some(other) = self.under_way() {
            return Err(refuse(format!(
                "changeover {} from {} to {} is under way; one at a time",
                other.number, other.from, other.to
            )));
        }
        let wish = ChangeoverWish {
            from: new.from.clone(),
            to: new.to.clone(),
            by: new.by.element().cloned(),
            days: new.days,
        };
        let today = self.local_date(now.wall);
        let extra = |line: &Name| self.extra_of_others(line, None);
        let shape = shape_changeover(
            (&self.controller, &self.plan),
            &wish,
            (self.uptake(), today),
            &extra,
            &|line| self.dose_min(line),
        )
        .map_err(|error| refuse(error.to_string()))?;
        let crossings = across_midnights(&self.controller, &self.plan, (&shape, today), &extra);
        let figures = changeover_figures(&self.controller, (&shape, &new.by), &crossings);
        Ok(Worked {
            text: changeover_text(&self.controller, (&shape, &new.by), &crossings),
            figures: Figures::Changeover(figures),
            ask_twice: None,
            quiet: None,
        })
    }

    pub(super) fn begin_changeover(
        &mut self,
        new: NewChangeover,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) {
        let number = self
            .changeover
            .as_ref()
            .map_or(0, |c| c.number)
            .saturating_add(1);
        let changeover = Changeover {
            number,
            from: new.from,
            to: new.to,
            by: new.by,
            days: new.days,
            step: 0,
            on: self.local_date(now.wall),
            state: ChangeoverState::Forward,
            note: new.note.into(),
            who: who.clone(),
            at: self.stamp(now),
        };
        self.put_changeover(changeover, who, Some(ticket), now);
    }

    pub(super) fn set_changeover(
        &mut self,
        action: ChangeoverAction,
        ticket: Ticket,
        who: Who,
        now: Now,
    ) -> Result<(), Denial> {
        self.clock_for_course()?;
        let refuse = |why: &str| Denial::new("changeover-refused", why.to_owned());
        let Some(current) = self.under_way().cloned() else {
            return Err(Denial::new(
                "unknown-changeover",
                "no changeover is under way".to_owned(),
            ));
        };
        let state = match (action, current.state) {
            (ChangeoverAction::Pause, ChangeoverState::Forward) => ChangeoverState::Paused,
            (ChangeoverAction::Pause, ChangeoverState::Back) => ChangeoverState::PausedBack,
            // What was paused goes on the way it went; what steps back is turned.
            (ChangeoverAction::Resume, ChangeoverState::PausedBack) => ChangeoverState::Back,
            (ChangeoverAction::Resume, ChangeoverState::Paused | ChangeoverState::Back) => {
                ChangeoverState::Forward
            }
            // Before its first step there is nothing to step back from.
            (
                ChangeoverAction::Back,
                ChangeoverState::Forward
                | ChangeoverState::Paused
                | ChangeoverState::PausedBack
                | ChangeoverState::Complete,
            ) => {
                if current.step == 0 {
                    ChangeoverState::Ended
                } else {
                    ChangeoverState::Back
                }
            }
            (ChangeoverAction::Pause, ChangeoverState::Paused | ChangeoverState::PausedBack) => {
                return Err(refuse("the changeover is paused already"));
            }
            (ChangeoverAction::Pause | ChangeoverAction::Resume, ChangeoverState::Complete) => {
                return Err(refuse(
                    "the changeover is complete and stays in force until plan.toml says the same; or step back",
                ));
            }
            (ChangeoverAction::Resume, _) => {
                return Err(refuse("the changeover goes forward already"));
            }
            (ChangeoverAction::Back, ChangeoverState::Back) => {
                return Err(refuse("the changeover steps back already"));
            }
            (ChangeoverAction::Pause | ChangeoverAction::Back, ChangeoverState::Ended) => {
                return Err(refuse("the changeover is over"));
            }
        };
        // The day of the change must be a real one before the next step.
        let changed = Changeover {
            state,
            on: self.local_date(now.wall),
            ..current
        };
        self.put_changeover(changed, who, Some(ticket), now);
        self.follow_ramp(now);
        Ok(())
    }

    /// Whether a plan may replace the present one while a changeover is under way.
    ///
    /// # Errors
    /// Why not: the water would see a step, or the changeover would have nothing to go on.
    pub(super) fn changeover_allows(&self, plan: &Plan) -> Result<(), String> {
        let Some(current) = self.under_way() else {
            return Ok(());
        };
        if is_finished(current, plan) {
            return Ok(());
        }
        let wish = current.wish();
        let both = shape_under_way((&self.controller, plan), &wish, &|l| self.dose_min(l)).is_ok();
        if both && waits(plan, &current.to) {
            Ok(())
        } else {
            Err(format!(
                "changeover {} from {} to {} is under way: line {} must stay planned and line {} at its times with nothing to give until it is complete; pause it or step back if the plan must change",
                current.number, current.from, current.to, current.from, current.to
            ))
        }
    }

    /// After a plan was taken, or at a start: a changeover that the plan has caught up with is over, and so is one that the plan knows
    /// nothing of any more.
    pub(super) fn settle_changeover(&mut self, now: Now) {
        let Some(current) = self.under_way().cloned() else {
            return;
        };
        let lost = self.changeover_allows(&self.plan).is_err();
        if is_finished(&current, &self.plan) || lost {
            let note = if lost {
                "plan.toml was edited while the daemon was off; its volumes are in force"
            } else {
                "plan.toml says it now"
            };
            let ended = Changeover {
                state: ChangeoverState::Ended,
                note: note.to_owned(),
                ..current
            };
            self.put_changeover(ended.clone(), Who::Daemon, None, now);
            if lost {
                let text = format!(
                    "changeover {} from {} to {} ended at step {} of {}, because {note}; look whether these are meant",
                    ended.number, ended.from, ended.to, ended.step, ended.days
                );
                // Its cause is over with it: the alarm stays until it is seen, no longer.
                self.raise(AlarmCode::ChangeoverStalled, "", text, now);
                self.clear(AlarmCode::ChangeoverStalled, "", now);
            }
        }
    }

    /// The least and the most that a line that is fading can have been meant to give in the last 24 h: today's volume and that of the step
    /// before it. `None` for a line that is not fading.
    pub(super) fn fading_between(&self, line: &Name) -> Option<(Volume, Volume)> {
        let current = self.under_way()?;
        let shape = self.shape()?;
        let of = |step: u32| {
            let day = shape.at(step);
            (*line == current.from)
                .then_some(day.from)
                .or((*line == current.to).then_some(day.to))
        };
        let (now, before, after) = (
            of(current.step)?,
            of(current.step.saturating_sub(1))?,
            of(current.step.saturating_add(1).min(current.days))?,
        );
        // Back or forward: the step before today's is a neighbour on one side or the other.
        Some((now.min(before).min(after), now.max(before).max(after)))
    }

    /// What status says of it; `None` when none is under way.
    pub(super) fn changeover_words(&self) -> Option<String> {
        let current = self.under_way()?;
        let shape = self.shape()?;
        let day = shape.at(current.step);
        let volumes = format!(
            "today {} of line {} and {} of line {}",
            day.from, current.from, day.to, current.to
        );
        Some(match current.state {
            ChangeoverState::Complete => format!(
                "changeover {} is complete: {volumes}; that stays in force until plan.toml says it itself (line {} at its new volume, line {} at 0), then `dosewright reload`",
                current.number, current.to, current.from
            ),
            ChangeoverState::Forward
            | ChangeoverState::Back
            | ChangeoverState::Paused
            | ChangeoverState::PausedBack
            | ChangeoverState::Ended => format!(
                "changeover {} at step {} of {} ({}): {volumes}",
                current.number, current.step, current.days, current.state
            ),
        })
    }

    fn put_changeover(
        &mut self,
        changeover: Changeover,
        who: Who,
        ticket: Option<Ticket>,
        now: Now,
    ) {
        let changeover = Changeover {
            who,
            at: self.stamp(now),
            ..changeover
        };
        let moved = self.changeover.as_ref().is_none_or(|before| {
            (before.number, before.step, before.is_under_way())
                != (
                    changeover.number,
                    changeover.step,
                    changeover.is_under_way(),
                )
        });
        let under_steps = matches!(
            changeover.state,
            ChangeoverState::Forward | ChangeoverState::Back
        );
        if !under_steps {
            self.clear(AlarmCode::ChangeoverStalled, "", now);
        }
        self.changeover = Some(changeover.clone());
        if moved {
            self.touch_all_lines();
        }
        if !changeover.is_under_way() {
            // What was given so far was given by another measure.
            self.watched_from = now.elapsed;
        }
        let text = self.changeover_words().unwrap_or_else(|| {
            format!(
                "changeover {} from {} to {} is over",
                changeover.number, changeover.from, changeover.to
            )
        });
        self.mark_written(now);
        self.store(
            Entry::Changeover(changeover),
            ticket.map(|ticket| (ticket, Answer::Done { text })),
        );
    }
}

/// Whether a plan says what a complete changeover has brought about: the new line in force, the old one not.
fn is_finished(changeover: &Changeover, plan: &Plan) -> bool {
    let daily = plan_daily_volumes(plan);
    let gives = |line: &Name| daily.get(line).is_some_and(|v| *v > Volume::ZERO);
    changeover.state == ChangeoverState::Complete
        && gives(&changeover.to)
        && !gives(&changeover.from)
}
