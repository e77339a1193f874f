//! What people ask for.

use std::sync::Arc;

use jiff::Timestamp;

use super::alarms::AlarmCode;
use super::ask::{Command, NewReading, RefillLevel};
use super::effect::{Answer, Denial, Effect, Ticket};
use super::event::{Now, TrustSource};
use super::holds::Stop;
use super::state::{Engine, LedgerState};
use crate::chemistry::{Quantity, doubt};
use crate::config::Plan;
use crate::plan::{Schedule, plan_daily_volumes};
use crate::quantity::{Alkalinity, Millis, Name, Volume, Words};
use crate::record::{Entry, HoldScope, NotGiven, Reading, ReadingValue, Refill, Who};

/// A dose by hand of more than this many usual doses must be asked for with its volume repeated (after reports of tenfold
/// slips of the finger; the factor is ours).
pub(super) const UNUSUAL_FACTOR: i64 = 3;
/// A sample may be dated this far ahead: clocks of people differ.
pub(super) const READING_AHEAD_MAX: Millis = Millis::from_mins(5);

impl Engine {
    pub(super) fn command(
        &mut self,
        asked: (Ticket, Who),
        command: Command,
        nonce: Option<u128>,
        now: Now,
    ) {
        let ticket = asked.0;
        let answer = match self.obey(asked, command, nonce, now) {
            Ok(Some(answer)) => Ok(answer),
            Ok(None) => return,
            Err(denial) => Err(denial),
        };
        self.out.push(Effect::Reply { ticket, answer });
    }

    /// Does what is asked; `None` when the answer comes once it is written down, or the head runs.
    fn obey(
        &mut self,
        (ticket, who): (Ticket, Who),
        command: Command,
        nonce: Option<u128>,
        now: Now,
    ) -> Result<Option<Answer>, Denial> {
        match command {
            Command::Hold {
                scope,
                reason,
                length,
            } => {
                let stop = Stop {
                    scope,
                    reason: reason.into(),
                    length,
                };
                self.hold_command(stop, who, ticket, now);
            }
            Command::Resume { scope } => self.resume_command(&scope, who, ticket, now),
            Command::Prepare(wish) => return self.prepare(wish, nonce, now).map(Some),
            Command::Confirm(confirm) => self.confirm(&confirm, (ticket, who), now)?,
            Command::StopRun { dose } => return self.stop_run(dose, &who, now).map(Some),
            Command::Bench(ask) => self.at_the_bench(ask, (ticket, who), now)?,
            Command::Calibrate(new) => self.calibrate(new, ticket, who, now)?,
            Command::Verify(new) => self.verify(new, ticket, who, now)?,
            Command::Refill {
                reservoir,
                level,
                note,
            } => self.refill(&reservoir, level, note.into(), (ticket, who), now)?,
            Command::AddReading(reading) => self.add_reading(reading, ticket, who, now)?,
            Command::AddFact(fact) => self.add_fact(fact, ticket, who, now)?,
            Command::SetCourse { number, action } => {
                self.set_course(number, action, ticket, who, now)?;
            }
            Command::TrustClock {} => return self.trust_clock(&who, now).map(Some),
            Command::Acknowledge { code } => {
                let count = self.acknowledge(code.as_ref().map(Words::as_str), &who, now);
                return Ok(Some(Answer::Done {
                    text: format!(
                        "{count} alarms acknowledged; one whose cause lasts stays listed"
                    ),
                }));
            }
            Command::SimulateInput { input, safe } => {
                return self.simulate_input(&input, safe, &who, now).map(Some);
            }
        }
        Ok(None)
    }

    fn hold_command(&mut self, stop: Stop, who: Who, ticket: Ticket, now: Now) {
        match super::holds::known_scope(&stop.scope, &self.controller.lines) {
            Ok(()) => self.stop_for(stop, who, Some(ticket), now),
            Err(name) => self.out.push(Effect::Reply {
                ticket,
                answer: Err(self.no_line(&name)),
            }),
        }
    }

    fn resume_command(&mut self, scope: &HoldScope, who: Who, ticket: Ticket, now: Now) {
        // A hold of a line that has since left the configuration can still be lifted.
        let is_held = self.holds.iter().any(|h| h.scope == *scope);
        match super::holds::known_scope(scope, &self.controller.lines) {
            Err(name) if !is_held => self.out.push(Effect::Reply {
                ticket,
                answer: Err(self.no_line(&name)),
            }),
            Ok(()) | Err(_) => self.resume(scope, who, ticket, now),
        }
    }

    pub(super) fn no_line(&self, name: &Name) -> Denial {
        let known: Vec<&str> = self
            .controller
            .lines
            .iter()
            .map(|l| l.name.as_str())
            .collect();
        Denial::new(
            "unknown-line",
            format!(
                "there is no line {name}; the lines are: {}",
                known.join(", ")
            ),
        )
    }

    /// Volume of the line's largest planned dose, zero when it has no plan.
    pub(super) fn largest_slot(&self, line: &Name) -> Volume {
        self.schedule
            .largest_slot(line, &plan_daily_volumes(&self.plan))
            .unwrap_or(Volume::ZERO)
    }

    fn refill(
        &mut self,
        reservoir: &Name,
        level: RefillLevel,
        note: String,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        let config = self.controller.reservoirs.get(reservoir).ok_or_else(|| {
            let known: Vec<&str> = self
                .controller
                .reservoirs
                .keys()
                .map(Name::as_str)
                .collect();
            Denial::new(
                "unknown-reservoir",
                format!(
                    "there is no reservoir {reservoir}; the reservoirs are: {}",
                    known.join(", ")
                ),
            )
        })?;
        let before = self.reservoirs.get(reservoir).copied();
        let capacity = config.capacity;
        let level = match level {
            RefillLevel::Full => capacity,
            RefillLevel::To(volume) => volume,
            RefillLevel::Add(volume) => {
                let unknown = || {
                    Denial::new(
                        "reservoir-unknown",
                        format!(
                            "nobody has said what reservoir {reservoir} held before; give its whole content"
                        ),
                    )
                };
                before.ok_or_else(unknown)?.or_zero().saturating_add(volume)
            }
        };
        if level > capacity {
            return Err(Denial::new(
                "over-capacity",
                format!(
                    "{level} is more than reservoir {reservoir} holds ({capacity}); give what is in it now"
                ),
            ));
        }
        self.reservoirs.insert(reservoir.clone(), level);
        self.touch_all_lines();
        self.mark_written(now);
        let was = before.map_or("unknown".to_owned(), |b| b.to_string());
        let text =
            format!("reservoir {reservoir} holds {level} now (before: {was}, capacity {capacity})");
        let entry = Refill {
            reservoir: reservoir.clone(),
            level,
            before,
            who,
            note,
            at: self.stamp(now),
        };
        self.store(Entry::Refill(entry), Some((ticket, Answer::Done { text })));
        Ok(())
    }

    fn add_reading(
        &mut self,
        new: NewReading,
        ticket: Ticket,
        who: Who,
        now: Now,
    ) -> Result<(), Denial> {
        let taken = new.taken.unwrap_or(now.wall);
        let ahead = Millis::new(
            taken
                .as_millisecond()
                .saturating_sub(now.wall.as_millisecond()),
        );
        if ahead > READING_AHEAD_MAX {
            return Err(Denial::new(
                "future-time",
                format!(
                    "{taken:.0} is {ahead} ahead of the clock ({:.0}); give the time the sample was taken",
                    now.wall
                ),
            ));
        }
        check_reading(&new)?;
        if !new.sure {
            self.question_reading(&new)?;
        }
        if let ReadingValue::Concentration { value, .. } = new.value {
            self.remember_level(new.measured.as_str(), (taken, value.as_mg_per_l()));
        }
        let text = match new.value {
            ReadingValue::Alkalinity { value, uncertainty } => format!(
                "alkalinity {value} +- {uncertainty} ({:.2} meq/L)",
                value.as_meq_per_l()
            ),
            ReadingValue::Concentration { value, uncertainty } => {
                format!("{} {value} +- {uncertainty}", new.measured)
            }
            ReadingValue::Below { limit } => {
                format!("{} below {limit}", new.measured)
            }
        };
        let of = new.measured.clone();
        let entry = Reading {
            measured: new.measured,
            value: new.value,
            method: new.method.into(),
            taken,
            who,
            at: self.stamp(now),
        };
        self.mark_written(now);
        self.store(
            Entry::Reading(entry),
            Some((
                ticket,
                Answer::Done {
                    text: format!("reading stored: {text}, taken {taken:.0}"),
                },
            )),
        );
        self.take_reading(&of, new.value, new.taken, now);
        Ok(())
    }

    /// A value that is far from the last one, or from any water, may be a slip; it is asked about before it is stored.
    fn question_reading(&self, new: &NewReading) -> Result<(), Denial> {
        let value = match new.value {
            ReadingValue::Alkalinity { value, .. } => value,
            ReadingValue::Concentration { value, .. } => {
                return self.question_level(new.measured.as_str(), value.as_mg_per_l());
            }
            // A detection limit is a property of the method, not of the water.
            ReadingValue::Below { .. } => return Ok(()),
        };
        if !(Alkalinity::from_dkh(3.0)..=Alkalinity::from_dkh(20.0)).contains(&value) {
            return Err(questioned(&format!(
                "alkalinity {value} is outside 3 to 20 dKH"
            )));
        }
        match self.last_reading(&Quantity::Alkalinity) {
            Some((last, _, taken)) if (value.as_dkh() - last).abs() > 3.0 => {
                Err(questioned(&format!(
                    "alkalinity {value} is more than 3 dKH away from the last reading ({}, {taken:.0})",
                    Quantity::Alkalinity.amount(last)
                )))
            }
            Some(_) | None => Ok(()),
        }
    }

    /// The same for everything but alkalinity, by its word and in the unit of the record.
    pub(super) fn question_level(&self, word: &str, value: f64) -> Result<(), Denial> {
        let last = self.levels.get(word).map(|(_, value)| *value);
        doubt(word, value, last).map_or(Ok(()), |why| Err(questioned(&why)))
    }

    /// What the next value is held against.
    pub(super) fn remember_level(&mut self, word: &str, (taken, value): (Timestamp, f64)) {
        let known = self.levels.entry(word.to_owned()).or_insert((taken, value));
        if known.0 <= taken {
            *known = (taken, value);
        }
    }

    fn trust_clock(&mut self, who: &Who, now: Now) -> Result<Answer, Denial> {
        if self.clock.unsure.is_none() {
            return Ok(Answer::Done {
                text: format!("the clock is trusted already; it shows {:.0}", now.wall),
            });
        }
        self.clock.source = Some(TrustSource::Owner);
        self.judge_clock(now);
        self.note(
            "clock-vouched",
            None,
            format!(
                "the owner says that the clock is right; it shows {:.0}",
                now.wall
            ),
            who.clone(),
            now,
        );
        match &self.clock.unsure {
            None => Ok(Answer::Done {
                text: format!(
                    "the clock is trusted until the next start; it shows {:.0}",
                    now.wall
                ),
            }),
            Some(why) => Err(Denial::new(
                "clock-behind",
                format!(
                    "the clock shows {:.0}, and {why}; set it right first",
                    now.wall
                ),
            )),
        }
    }

    fn simulate_input(
        &mut self,
        input: &Name,
        safe: bool,
        who: &Who,
        now: Now,
    ) -> Result<Answer, Denial> {
        if self.live {
            return Err(Denial::new(
                "live",
                "inputs are simulated in dry run only; this daemon drives real outputs",
            ));
        }
        if !self.inputs.contains_key(input) {
            let known: Vec<&str> = self.inputs.keys().map(Name::as_str).collect();
            return Err(Denial::new(
                "unknown-input",
                format!(
                    "there is no input {input}; the inputs are: {}",
                    known.join(", ")
                ),
            ));
        }
        self.input_sampled(input, Some(safe), now);
        let level = if safe { "safe" } else { "unsafe" };
        self.note(
            "input-simulated",
            None,
            format!("input {input} simulated as {level}"),
            who.clone(),
            now,
        );
        Ok(Answer::Done {
            text: format!("input {input} shows its {level} level now"),
        })
    }

    /// Takes a plan that was read again: all of it or nothing. A running dose goes on; slots before now are not looked at again.
    pub(super) fn replace_plan(
        &mut self,
        plan: Arc<Plan>,
        ticket: Option<Ticket>,
        who: Who,
        now: Now,
    ) {
        let answer = if let Err(why) = self.courses_allow(&plan) {
            self.note("plan-refused", None, why.clone(), who, now);
            Err(Denial::new(
                "plan-refused",
                format!("the plan was not taken, the one before stays in force: {why}"),
            ))
        } else {
            self.schedule = Schedule::new(Arc::clone(&self.controller), Arc::clone(&plan));
            self.plan = plan;
            self.take_starts(now);
            self.work_out_plan();
            self.watched_from = now.elapsed;
            let denial = Denial::new(
                "plan-replaced",
                "the plan was read again while this dose waited",
            );
            self.drop_waiting(NotGiven::Refused, &denial, now);
            self.touch_all_lines();
            self.settle_courses(now);
            let mut text = format!(
                "plan reloaded: {} lines, {} a day",
                self.plan.lines.len(),
                self.planned_alkalinity()
            );
            for words in self.starts_not_in_force() {
                text.push_str("; ");
                text.push_str(&words);
            }
            for gap in self.unmetered() {
                text.push_str("; BUT ");
                text.push_str(&gap.text);
            }
            self.note("plan-reloaded", None, text.clone(), who, now);
            Ok(Answer::Done { text })
        };
        if let Some(ticket) = ticket {
            self.out.push(Effect::Reply { ticket, answer });
        }
    }

    pub(super) fn ledger_healthy(&mut self, now: Now) {
        if let LedgerState::NotWritable { .. } = self.ledger {
            self.ledger = LedgerState::Writable;
            self.clear(AlarmCode::LedgerFault, "", now);
            self.note(
                "ledger-writable",
                None,
                "the ledger can be written again".to_owned(),
                Who::Daemon,
                now,
            );
        }
    }

    pub(super) fn ledger_fault(&mut self, why: &str, now: Now) {
        let why = why.to_owned();
        match &mut self.ledger {
            LedgerState::Unread { why: known } => known.clone_from(&why),
            state @ (LedgerState::Writable | LedgerState::NotWritable { .. }) => {
                *state = LedgerState::NotWritable { why: why.clone() };
            }
        }
        self.raise(
            AlarmCode::LedgerFault,
            "",
            format!("no dose is given: {why}"),
            now,
        );
    }
}

fn questioned(why: &str) -> Denial {
    Denial::new(
        "reading-questioned",
        format!("{why}; if it is right, enter it again with --sure"),
    )
}

/// Largest value of any reading, in its own unit; salt itself is below it.
const READING_MAX: f64 = 100_000.0;

/// Whether value and quantity belong together, and are numbers that can be.
fn check_reading(new: &NewReading) -> Result<(), Denial> {
    let refuse = |why: String| Err(Denial::new("bad-value", why));
    let (value, uncertainty) = match (&new.measured, new.value) {
        (Quantity::Alkalinity, ReadingValue::Alkalinity { value, uncertainty }) => {
            (value.as_meq_per_l(), uncertainty.as_meq_per_l())
        }
        (Quantity::Element(_), ReadingValue::Concentration { value, uncertainty }) => {
            (value.as_mg_per_l(), uncertainty.as_mg_per_l())
        }
        (Quantity::Element(_), ReadingValue::Below { limit }) => (limit.as_mg_per_l(), 0.0),
        (Quantity::Alkalinity, ReadingValue::Below { .. }) => {
            return refuse(
                "alkalinity is never below a detection limit; give its value".to_owned(),
            );
        }
        (measured, _) => {
            return refuse(format!(
                "a reading of {measured} is given in {}",
                measured.unit()
            ));
        }
    };
    let in_range = |v: f64| v.is_finite() && (0.0..=READING_MAX).contains(&v);
    if in_range(value) && in_range(uncertainty) {
        return Ok(());
    }
    refuse(format!(
        "a reading of {value} with an uncertainty of {uncertainty} is out of range"
    ))
}
