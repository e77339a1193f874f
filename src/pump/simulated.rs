//! The head of a dry run: it switches nothing, keeps a record of its edges, and can be told to misbehave.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::clock::elapsed_us;
use super::output::{Output, PumpError};
use crate::config::SimulatedHead;
use crate::quantity::{Millis, Volume, f64_from_i64, i64_from_f64};

/// What a simulated output does wrong, for tests.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Trouble {
    #[default]
    None,
    /// Does not switch off the next so many times: reads as on.
    RunsOn(u32),
}

/// What a simulated head did: its edges, and what would have flowed.
#[derive(Debug, Clone, Default)]
pub struct SimulatedTrace {
    inner: Arc<Mutex<Inner>>,
}

#[derive(Debug, Default)]
struct Inner {
    on: bool,
    on_since_us: i64,
    edges: Vec<(i64, bool)>,
    delivered: Volume,
    runs: i64,
    trouble: Trouble,
}

/// Edges kept, so that a daemon that runs for years does not grow.
const EDGES_MAX: usize = 4096;

impl SimulatedTrace {
    /// Tells the head to misbehave.
    pub fn set_trouble(&self, trouble: Trouble) {
        self.lock().trouble = trouble;
    }

    /// Whether the output is on.
    pub fn is_on(&self) -> bool {
        self.lock().on
    }

    /// The latest edges: microseconds on the elapsed clock, and whether it went on.
    pub fn edges(&self) -> Vec<(i64, bool)> {
        self.lock().edges.clone()
    }

    /// What the simulated head has moved in all, by its true rate, offset and scatter.
    pub fn delivered(&self) -> Volume {
        self.lock().delivered
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// An output that drives nothing.
#[derive(Debug)]
pub struct SimulatedOutput {
    head: SimulatedHead,
    pace: super::Pace,
    trace: SimulatedTrace,
}

impl SimulatedOutput {
    /// A simulated head, and the record of what it does.
    pub fn new(head: SimulatedHead, pace: super::Pace) -> (Self, SimulatedTrace) {
        let trace = SimulatedTrace::default();
        (
            Self {
                head,
                pace,
                trace: trace.clone(),
            },
            trace,
        )
    }

    /// What a run of this time moves: true rate and offset, times a scatter drawn from the number of the run.
    fn flow(&self, on_time: Millis, run: i64) -> Volume {
        let ideal = self.head.rate.as_ul_per_ms() * f64_from_i64(on_time.as_ms())
            + f64_from_i64(self.head.offset.as_ul());
        let factor = 1.0 + self.head.scatter * draw(run);
        i64_from_f64(ideal * factor)
            .map_or(Volume::ZERO, Volume::from_ul)
            .or_zero()
    }
}

/// A number from about -1.7 to 1.7 with a standard deviation of 1, the same for the same run: golden-ratio steps, evenly spread.
fn draw(run: i64) -> f64 {
    let unit = (f64_from_i64(run) * 0.618_033_988_749_894_9).fract();
    (unit - 0.5) * 12.0_f64.sqrt()
}

impl Output for SimulatedOutput {
    fn set_on(&mut self) -> Result<(), PumpError> {
        let mut inner = self.trace.lock();
        if !inner.on {
            inner.on = true;
            inner.on_since_us = elapsed_us();
            inner.runs = inner.runs.saturating_add(1);
            push_edge(&mut inner, true);
        }
        Ok(())
    }

    fn set_off(&mut self) -> Result<(), PumpError> {
        let mut inner = self.trace.lock();
        if let Trouble::RunsOn(times) = inner.trouble
            && inner.on
            && times > 0
        {
            inner.trouble = Trouble::RunsOn(times.saturating_sub(1));
            return Ok(());
        }
        if inner.on {
            inner.on = false;
            let on_time = self
                .pace
                .on_this_clock(elapsed_us().saturating_sub(inner.on_since_us));
            inner.delivered = inner
                .delivered
                .saturating_add(self.flow(on_time, inner.runs));
            push_edge(&mut inner, false);
        }
        Ok(())
    }

    fn is_on(&mut self) -> Option<bool> {
        Some(self.trace.lock().on)
    }

    fn drives_something(&self) -> bool {
        false
    }
}

fn push_edge(inner: &mut Inner, on: bool) {
    if inner.edges.len() >= EDGES_MAX {
        inner.edges.remove(0);
    }
    inner.edges.push((elapsed_us(), on));
}
