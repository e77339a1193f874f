//! What the two clocks say, and whether the wall clock is trusted.
//!
//! Elapsed time rules every window and every run. The wall clock rules only which slot is due, and only while it is trusted:
//! somebody said it is set, and it is not behind the newest thing ever written down.

use super::event::{Now, TrustSource};
use super::state::Engine;
use crate::quantity::Millis;
use crate::record::{HoldScope, Who};

/// Differences of the two clocks below this are drift and slewing, not a step (our rule).
const STEP_NOTICED: Millis = Millis::from_secs(2);

impl Engine {
    /// Compares the clocks with the last look at them.
    pub(super) fn observe_clock(&mut self, now: Now) {
        let last = self.clock.last;
        if now.elapsed < last.elapsed {
            let why = format!(
                "the elapsed clock went back from {} to {}; run times can no longer be measured",
                last.elapsed, now.elapsed
            );
            self.stop_everything(now);
            self.out.push(super::Effect::Exit { why });
            return;
        }
        self.clock.last = now;
        let wall_moved = now
            .wall
            .as_millisecond()
            .saturating_sub(last.wall.as_millisecond());
        let step = Millis::new(wall_moved.saturating_sub(now.elapsed.minus(last.elapsed).as_ms()));
        if step.as_ms().saturating_abs() > STEP_NOTICED.as_ms() {
            self.clock_stepped(step, now);
        }
        self.judge_clock(now);
    }

    fn clock_stepped(&mut self, step: Millis, now: Now) {
        let direction = if step > Millis::ZERO {
            "forwards"
        } else {
            "backwards"
        };
        let size = Millis::new(step.as_ms().saturating_abs());
        let max = self.controller().times.clock_step_max;
        // Before it is trusted a clock may be set by any step.
        let too_far = self.clock.unsure.is_none() && size > max;
        if too_far && self.clock.source != Some(TrustSource::Virtual) {
            // Whoever vouched for the clock vouched for another time than this.
            self.clock.source = None;
            self.clock.outside_why = format!(
                "it was stepped {direction} by {size}, and nobody has said since then that it is right"
            );
        }
        // Judged first: a note written with a clock behind the newest entry must be marked as unsure.
        self.judge_clock(now);
        self.note(
            "clock-stepped",
            None,
            format!("clock stepped {direction} by {size}"),
            Who::Daemon,
            now,
        );
        if too_far {
            let reason = format!(
                "clock stepped {direction} by {size}, over {max}; check the date and time, then resume"
            );
            self.set_hold(HoldScope::All, reason, Who::Daemon, None, now);
        }
    }

    pub(super) fn clock_known(&mut self, source: TrustSource, now: Now) {
        if self.clock.source.is_none() {
            self.clock.source = Some(source);
            self.clock.outside_why.clear();
        }
        self.judge_clock(now);
    }

    pub(super) fn clock_unknown(&mut self, why: String, now: Now) {
        // The owner's word holds until the next boot; a kernel that was synchronised once keeps time by itself.
        if self.clock.source.is_none() {
            self.clock.outside_why = why;
        }
        self.judge_clock(now);
    }

    /// Decides anew whether the wall clock is trusted, and tells when that changes.
    pub(super) fn judge_clock(&mut self, now: Now) {
        let behind = self.clock.newest.filter(|newest| now.wall < *newest);
        let unsure = match (self.clock.source, behind) {
            (None, _) => Some(self.clock.outside_why.clone()),
            (Some(_), Some(newest)) => {
                let gap = Millis::new(
                    newest
                        .as_millisecond()
                        .saturating_sub(now.wall.as_millisecond()),
                );
                Some(format!(
                    "it is {gap} behind the newest entry of the ledger ({newest:.0}); it may be wrong now, or have been wrong then"
                ))
            }
            (Some(_), None) => None,
        };
        let was_trusted = self.clock.unsure.is_none();
        self.clock.unsure = unsure;
        let is_trusted = self.clock.unsure.is_none();
        if is_trusted && !was_trusted {
            if !self.clock.aged {
                self.clock.aged = true;
                self.age_past_doses(now);
            }
            self.water.anchor_readings(now);
            self.anchor_additions(now);
            let by = match self.clock.source {
                Some(TrustSource::Owner) => "the owner's word",
                Some(TrustSource::Virtual) => "virtual time",
                Some(TrustSource::Kernel) | None => "the kernel, which is synchronised",
            };
            self.slots_lost_in_outage(now);
            self.note(
                "clock-trusted",
                None,
                format!("clock trusted by {by}"),
                Who::Daemon,
                now,
            );
        }
    }

    /// The wall time at which the elapsed clock will show `at`, as far as can be said now.
    pub(super) fn wall_at(at: Millis, now: Now) -> Option<jiff::Timestamp> {
        let ms = now
            .wall
            .as_millisecond()
            .checked_add(at.minus(now.elapsed).as_ms())?;
        jiff::Timestamp::from_millisecond(ms).ok()
    }
}
