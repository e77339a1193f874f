//! Stopping a run from another thread, and waiting for its end.

use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use super::clock::elapsed_us;
use crate::quantity::Millis;
use crate::record::DoseId;

/// Shared by the thread that runs a head and those that may stop it. Stopping never waits for anything.
#[derive(Debug, Default)]
pub struct RunControl {
    stopped_up_to: Mutex<i64>,
    changed: Condvar,
    beat_us: AtomicI64,
}

/// Why a wait ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Waited {
    /// The time is over.
    ToTheEnd,
    /// The run was stopped.
    Stopped,
}

impl RunControl {
    /// Stops the run of this dose, also when its thread has not begun it yet, and all before it.
    pub fn stop(&self, dose: DoseId) {
        let mut stopped = self.lock();
        *stopped = (*stopped).max(dose.0);
        drop(stopped);
        self.changed.notify_all();
    }

    /// Whether the run of this dose has been stopped.
    pub fn is_stopped(&self, dose: DoseId) -> bool {
        *self.lock() >= dose.0
    }

    /// Stops the run in progress, and every later one: nothing runs under this control any more.
    pub fn stop_for_good(&self) {
        self.stop(DoseId(i64::MAX));
    }

    /// The thread is alive.
    pub(crate) fn beat(&self) {
        self.beat_us.store(elapsed_us(), Ordering::Relaxed);
    }

    /// Time since the thread last showed that it is alive.
    pub fn silent_for(&self) -> Millis {
        let us = elapsed_us().saturating_sub(self.beat_us.load(Ordering::Relaxed));
        Millis::new(us / 1000)
    }

    /// Waits until `end_us` on the elapsed clock, or until the run of this dose is stopped.
    pub(super) fn wait(&self, dose: DoseId, end_us: i64) -> Waited {
        let mut stopped = self.lock();
        loop {
            self.beat();
            if *stopped >= dose.0 {
                return Waited::Stopped;
            }
            let left = end_us.saturating_sub(elapsed_us());
            let Ok(left) = u64::try_from(left) else {
                return Waited::ToTheEnd;
            };
            if left == 0 {
                return Waited::ToTheEnd;
            }
            // At most a second at a time: a suspended machine does not count in the wait, but does on the elapsed clock.
            let slice = Duration::from_micros(left.min(1_000_000));
            stopped = self
                .changed
                .wait_timeout(stopped, slice)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }

    /// A lock that a panicking thread has poisoned still holds a plain number.
    fn lock(&self) -> MutexGuard<'_, i64> {
        self.stopped_up_to
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }
}
