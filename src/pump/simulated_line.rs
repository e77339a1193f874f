//! One line of a simulated stepper head: it drives nothing and counts.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};

use super::output::{Output, PumpError};

/// What a simulated line did.
#[derive(Debug, Clone, Default)]
pub struct LineTrace {
    on: Arc<AtomicBool>,
    rises: Arc<AtomicI64>,
}

impl LineTrace {
    /// Whether it is on.
    pub fn is_on(&self) -> bool {
        self.on.load(Ordering::SeqCst)
    }

    /// How many times it went on: the steps, for a step line.
    pub fn rises(&self) -> i64 {
        self.rises.load(Ordering::SeqCst)
    }
}

/// A line that drives nothing.
#[derive(Debug, Default)]
pub struct SimulatedLine {
    trace: LineTrace,
}

impl SimulatedLine {
    /// A line that is off, and the record of what it does.
    pub fn new() -> (Self, LineTrace) {
        let line = Self::default();
        let trace = line.trace.clone();
        (line, trace)
    }
}

impl Output for SimulatedLine {
    fn set_on(&mut self) -> Result<(), PumpError> {
        if !self.trace.on.swap(true, Ordering::SeqCst) {
            self.trace.rises.fetch_add(1, Ordering::SeqCst);
        }
        Ok(())
    }

    fn set_off(&mut self) -> Result<(), PumpError> {
        self.trace.on.store(false, Ordering::SeqCst);
        Ok(())
    }

    fn is_on(&mut self) -> Option<bool> {
        Some(self.trace.is_on())
    }

    fn drives_something(&self) -> bool {
        false
    }
}
