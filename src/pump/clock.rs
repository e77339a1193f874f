//! The clock that runs are timed by.

use rustix::time::{ClockId, clock_gettime};

use crate::quantity::Millis;

/// Elapsed time since boot: counts through suspend, never steps.
pub fn elapsed() -> Millis {
    let now = clock_gettime(ClockId::Boottime);
    Millis::new(
        now.tv_sec
            .saturating_mul(1000)
            .saturating_add(now.tv_nsec / 1_000_000),
    )
}

/// Elapsed time since boot in microseconds, for measuring runs.
pub(super) fn elapsed_us() -> i64 {
    let now = clock_gettime(ClockId::Boottime);
    now.tv_sec
        .saturating_mul(1_000_000)
        .saturating_add(now.tv_nsec / 1000)
}

/// How many times faster than real time runs pass: 1, or more in a warped dry run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pace(i64);

impl Pace {
    pub const REAL: Self = Self(1);

    /// Faster by a whole factor of at least 1.
    pub fn new(factor: u32) -> Self {
        Self(i64::from(factor.max(1)))
    }

    /// Real microseconds that a run of this time takes.
    pub(super) fn real_us(self, run: Millis) -> i64 {
        run.as_ms().saturating_mul(1000) / self.0
    }

    /// Time on this pace's clock for real microseconds, to the nearest millisecond.
    pub(super) fn on_this_clock(self, us: i64) -> Millis {
        Millis::new(us.saturating_mul(self.0).saturating_add(500) / 1000)
    }

    /// Whether time is warped.
    pub fn is_warped(self) -> bool {
        self.0 > 1
    }
}
