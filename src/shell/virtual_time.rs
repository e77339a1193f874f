//! Virtual time: faster than real time, and never past what is still to be seen to.

use std::time::Duration;

use jiff::Timestamp;

use crate::engine::Now;
use crate::quantity::Millis;

/// Stops at its limit until it is let on, so that a machine too busy to look in time makes it slower, and nothing of the plan late.
///
/// Both of its clocks are one, so they never step against each other and go on across restarts.
#[derive(Debug, Clone, Copy)]
pub struct VirtualTime {
    /// How many times faster than real time it passes at most.
    pace: u32,
    /// Where it last went on from, on its own clock and in real time.
    from: Millis,
    real: Millis,
    limit: Millis,
}

impl VirtualTime {
    /// Stands still at its start.
    pub fn new(start: Timestamp, pace: u32) -> Self {
        let start = Millis::new(start.as_millisecond());
        Self {
            pace: pace.max(1),
            from: start,
            real: Millis::ZERO,
            limit: start,
        }
    }

    /// What it shows at a moment of real time.
    pub fn now(&self, real: Millis) -> Now {
        let elapsed = self.without_limit(real).min(self.limit);
        Now {
            wall: Timestamp::from_millisecond(elapsed.as_ms()).unwrap_or(Timestamp::MAX),
            elapsed,
        }
    }

    fn without_limit(&self, real: Millis) -> Millis {
        let passed = real.minus(self.real).as_ms();
        let passed = passed.saturating_mul(i64::from(self.pace));
        self.from.plus(Millis::new(passed))
    }

    /// Lets it pass, from where it stands, until there.
    pub fn let_pass_until(&mut self, limit: Millis, real: Millis) {
        let now = self.now(real).elapsed;
        if self.without_limit(real) > now {
            (self.from, self.real) = (now, real);
        }
        self.limit = limit.max(now);
    }

    /// Real time until it shows that; `None` when it stops before.
    pub fn real_time_until(&self, at: Millis, real: Millis) -> Option<Duration> {
        let left = at.minus(self.now(real).elapsed).to_duration();
        (at <= self.limit).then(|| left / self.pace)
    }
}
