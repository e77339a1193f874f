//! The state machine: an event and the time go in, effects come out. No clock, no I/O, no randomness.
//!
//! The daemon and the rehearsal are two shells round this one engine: they carry its effects out and bring back what came of
//! them as events. The same events at the same times give the same effects, byte for byte.
//!
//! The life of a dose:
//!
//! ```text
//!   due or asked --judge--> refused (recorded)
//!        |
//!     permit --> Storing --intent stored, looked at again--> Running --run ended--> booked
//!                   |                                           |
//!                   +--not stored, held, expired--> not given   +--hold, fault: switched off, booked by time
//! ```
//!
//! It deliberately knows no file, no socket, no broker and no pump: it does not know whether it rehearses.

mod advice;
mod advice_words;
mod advised;
mod alarms;
mod ask;
mod away;
mod bench;
mod by_hand;
mod calibrate;
mod clock;
mod command;
mod corridor;
mod course;
mod course_days;
mod course_turn;
mod course_words;
mod coverage;
mod dose;
mod effect;
mod estimate;
mod estimate_status;
mod event;
mod facts;
mod figures;
mod filling;
mod forgotten;
mod hand;
mod hindered;
mod holds;
mod inputs;
mod jobs;
mod means;
mod other_solution;
mod proposal;
mod refill;
mod show;
mod slots;
mod start;
mod state;
mod status;
mod told;
mod unseen;
mod uptake;
mod watch;
mod water;
mod wish;

pub use advised::{
    AddedNow, Advice, AdviceChange, AdviceDay, AdviceOutlook, NextTestAdvice, TestBecause, Verdict,
};
pub use alarms::{Alarm, AlarmCode};
pub use ask::{
    BenchAsk, Command, CourseAction, Lab, NewBench, NewCalibration, NewMeasured, NewVerification,
    Replaces, Tell,
};
pub use effect::{Answer, Denial, Effect, Ticket};
pub use estimate_status::{BreakStatus, EstimateAt, EstimateStatus};
pub use event::{Event, Now, RunEnd, RunReport, TrustSource};
pub use figures::{CourseDay, CourseFigures, DoseFigures, UptakeFigures};
pub use filling::{LineChange, NewRefill, RefillFigures, RefillLevel};
pub use start::Setup;
pub use state::Engine;
pub use status::{
    BenchStatus, ClockStatus, CorridorStatus, CourseStatus, DaemonStatus, HeadStatus, HoldStatus,
    InputStatus, JobStatus, LastDose, LastRefusal, LedgerStatus, LineState, LineStatus, NextDose,
    ReadingStatus, Reason, ReservoirStatus, RunningStatus, ShellFacts, SlotStatus, Status,
    TubeStatus, WaterStatus,
};
pub use wish::{Confirm, CourseWish, Figures, NewCourse, NewUptake, Proposal, Token, Wish};

#[cfg(test)]
mod tests;

use crate::quantity::Millis;

impl Engine {
    /// Takes one event and says what is to be done about it, in this order.
    pub fn handle(&mut self, event: Event, now: Now) -> Vec<Effect> {
        self.observe_clock(now);
        match event {
            Event::Tick => {}
            Event::ClockKnown(source) => self.clock_known(source, now),
            Event::ClockUnknown { why } => self.clock_unknown(why, now),
            Event::LedgerHealthy => self.ledger_healthy(now),
            Event::LedgerFault { why } => self.ledger_fault(&why, now),
            Event::HoldFileHealthy => self.clear(AlarmCode::HoldFileFault, "", now),
            Event::HoldsFound(holds) => self.holds_found(holds, now),
            Event::HoldFileFault { why } => self.hold_file_fault(&why, now),
            Event::IntentStored(id) => self.intent_stored(id, now),
            Event::IntentFailed { id, why } => self.intent_failed(id, &why, now),
            Event::RunEnded { id, report } => self.run_ended(id, &report, now),
            Event::PumpFault { head, why } => self.pump_fault(&head, &why, now),
            Event::PlanReplaced { plan, ticket, who } => self.replace_plan(plan, ticket, who, now),
            Event::Input { input, safe } => self.inputs.sampled(&input, safe, now.elapsed),
            Event::UnderVoltage(low) => self.under_voltage(low, now),
            Event::Command {
                ticket,
                who,
                command,
                nonce,
            } => self.command((ticket, who), command, nonce, now),
            Event::Stopping => self.stop_everything(now),
        }
        self.go_on(now);
        std::mem::take(&mut self.out)
    }

    /// What time alone brings: debounced inputs, due slots, overdue runs, alarms.
    fn go_on(&mut self, now: Now) {
        self.settle_inputs(now);
        self.end_timed_holds(now);
        self.follow_courses(now);
        self.follow_corridors(now);
        self.check_overdue_runs(now);
        self.follow_ramp(now);
        self.follow_benches(now);
        self.follow_hours(now);
        self.due_slots(now);
        self.watch(now);
        self.watch_forgotten(now);
        self.books.window.prune(now.elapsed);
    }

    /// Until when what threads were told to do takes: a clock that could pass it before they have said that it is done waits there.
    pub fn awaited(&self) -> Millis {
        self.books.awaited().unwrap_or(Millis::MAX)
    }

    /// Elapsed time at which [`Event::Tick`] is wanted next, at the latest.
    pub fn next_deadline(&mut self, now: Now) -> Millis {
        let waiting = self.next_waiting_look();
        let inputs = self.inputs.next_deadline(&self.controller().inputs);
        let runs = self.books.next_overdue();
        let slot = self.next_slot_at(now);
        let bench = self.benches.next_look(|head| self.books.runs(head));
        let hold = self.holds.next_end();
        let alarm = self.alarms.next_end();
        [bench, waiting, inputs, runs, slot, hold, alarm]
            .into_iter()
            .flatten()
            .min()
            .unwrap_or(Millis::MAX)
            .max(now.elapsed)
    }
}
