//! What people ask for.

use std::sync::Arc;

use super::alarms::AlarmCode;
use super::ask::Command;
use super::effect::{Answer, Denial, Effect, Ticket};
use super::event::Now;
use super::holds::Stop;
use super::state::{Engine, LedgerState};
use crate::config::Plan;
use crate::quantity::{Name, Words, listed};
use crate::record::{HoldScope, NOTHING_IS_HELD, NotGiven, Who};

/// A dose by hand of more than this many usual doses must be asked for with its volume repeated (after reports of tenfold
/// slips of the finger; the factor is ours).
pub(super) const UNUSUAL_FACTOR: i64 = 3;

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
            Command::Refill(new) => self.refill(new, (ticket, who), now)?,
            Command::Tell(told) => self.tell(told, (ticket, who), now)?,
            Command::TakeBack { number, why } => self.take_back(number, why, (ticket, who), now)?,
            Command::SetCourse { number, action } => {
                self.set_course(number, action, ticket, who, now)?;
            }
            Command::ClockWrong { from, to } => self.clock_wrong((from, to), (ticket, who), now)?,
            Command::TrustClock {} => return self.trust_clock(&who, now).map(Some),
            Command::Acknowledge { code } => {
                let count = self.acknowledge(code.as_ref().map(Words::as_str), &who, now);
                return Ok(Some(Answer::done(format!(
                    "{count} alarms acknowledged; one whose cause lasts stays listed"
                ))));
            }
            Command::TestAlarm {} => return Ok(Some(self.test_alarm(who, now))),
            Command::SimulateInput { input, safe } => {
                return self.simulate_input(&input, safe, &who, now).map(Some);
            }
        }
        Ok(None)
    }

    fn hold_command(&mut self, stop: Stop, who: Who, ticket: Ticket, now: Now) {
        match super::holds::known_scope(&stop.scope, &self.controller().lines) {
            Ok(()) => self.stop_for(stop, who, Some(ticket), now),
            Err(name) => {
                let mut denial = self.no_line(&name);
                denial.text = format!("{NOTHING_IS_HELD}: {}", denial.text);
                self.out.push(Effect::Reply {
                    ticket,
                    answer: Err(denial),
                });
            }
        }
    }

    fn resume_command(&mut self, scope: &HoldScope, who: Who, ticket: Ticket, now: Now) {
        // A hold of a line that has since left the configuration can still be lifted.
        let is_held = self.holds.has(scope);
        match super::holds::known_scope(scope, &self.controller().lines) {
            Err(name) if !is_held => self.out.push(Effect::Reply {
                ticket,
                answer: Err(self.no_line(&name)),
            }),
            Ok(()) | Err(_) => self.resume(scope, who, ticket, now),
        }
    }

    pub(super) fn no_line(&self, name: &Name) -> Denial {
        let known = listed(self.controller().lines.iter().map(|line| &line.name));
        Denial::new(
            "unknown-line",
            format!("there is no line {name}; the lines are: {known}"),
        )
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
        if !self.controller().inputs.contains_key(input) {
            let known = listed(self.controller().inputs.keys());
            return Err(Denial::new(
                "unknown-input",
                format!("there is no input {input}; the inputs are: {known}"),
            ));
        }
        self.inputs.sampled(input, Some(safe), now.elapsed);
        let level = if safe { "safe" } else { "unsafe" };
        self.note(
            "input-simulated",
            None,
            format!("input {input} simulated as {level}"),
            who.clone(),
            now,
        );
        Ok(Answer::done(format!(
            "input {input} shows its {level} level now"
        )))
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
            self.in_force.replace_plan(plan, now.elapsed);
            self.take_starts(now);
            self.work_out_plan();
            self.estimate_anew();
            let denial = Denial::new(
                "plan-replaced",
                "the plan was read again while this dose waited",
            );
            self.drop_waiting(NotGiven::Refused, &denial, now);
            self.touch_all_lines();
            self.settle_courses(now);
            self.settle_corridors(now);
            let mut text = format!(
                "plan reloaded: {} lines, {} a day",
                self.in_force.plan.lines.len(),
                self.planned_alkalinity()
            );
            for words in self.in_force.starts_not_in_force() {
                text.push_str("; ");
                text.push_str(&words);
            }
            for gap in self.unmetered() {
                text.push_str("; BUT ");
                text.push_str(&gap.text);
            }
            self.note("plan-reloaded", None, text.clone(), who, now);
            Ok(Answer::done(text))
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
