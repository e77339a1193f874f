//! Reading contacts: a thread that looks at all of them many times a second and tells what changed.
//!
//! Levels are polled, not waited for: a lost edge would leave a wrong state for ever, a lost look is made up by the next one.
//! What a level means, and how long it must be steady, is the engine's business.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use super::clock::elapsed_us;
use super::output::Contact;
use crate::config::ActiveLevel;
use crate::quantity::{Millis, Name};

pub struct WatchedInput {
    pub name: Name,
    /// Its pin; `None` when it could not be had, which reads as "unknown" for ever.
    pub contact: Option<Box<dyn Contact>>,
    /// The level that means "safe".
    pub safe: ActiveLevel,
}

/// What one look found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputReport {
    pub input: Name,
    /// Whether it shows its safe level; `None` when it cannot be read.
    pub safe: Option<bool>,
}

/// Told again after this time even when nothing changed.
const REFRESH_US: i64 = 10_000_000;

/// The thread that looks.
#[derive(Debug)]
pub struct InputWatch {
    stop: Option<Sender<()>>,
    beat_us: Arc<AtomicI64>,
    thread: Option<JoinHandle<()>>,
}

impl InputWatch {
    /// Starts looking at once. `report` must not block for long.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn spawn(
        mut inputs: Vec<WatchedInput>,
        every: Millis,
        report: impl Fn(InputReport) + Send + 'static,
    ) -> std::io::Result<Self> {
        let (stop, stopped) = channel::<()>();
        let beat_us = Arc::new(AtomicI64::new(elapsed_us()));
        let beat = Arc::clone(&beat_us);
        let every: Duration = every.to_duration();
        let thread = std::thread::Builder::new()
            .name("inputs".to_owned())
            .stack_size(128 * 1024)
            .spawn(move || {
                let mut told: Vec<Told> = inputs.iter().map(|_| Told::default()).collect();
                loop {
                    for (input, told) in inputs.iter_mut().zip(&mut told) {
                        look(input, told, &report);
                    }
                    beat.store(elapsed_us(), Ordering::Relaxed);
                    match stopped.recv_timeout(every) {
                        Err(RecvTimeoutError::Timeout) => {}
                        Ok(()) | Err(RecvTimeoutError::Disconnected) => return,
                    }
                }
            })?;
        Ok(Self {
            stop: Some(stop),
            beat_us,
            thread: Some(thread),
        })
    }

    /// When the thread last looked, in microseconds of the elapsed clock, for whoever watches over it.
    pub fn beat(&self) -> Arc<AtomicI64> {
        Arc::clone(&self.beat_us)
    }

    /// Ends the thread and waits for it.
    pub fn end(mut self) {
        self.stop = None;
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("the thread that reads the inputs had panicked");
        }
    }
}

/// What was last told of an input.
#[derive(Debug, Default)]
struct Told {
    safe: Option<bool>,
    /// When; `None` when nothing was told yet.
    at_us: Option<i64>,
}

fn look(input: &mut WatchedInput, told: &mut Told, report: &impl Fn(InputReport)) {
    let level = input.contact.as_mut().and_then(|contact| contact.level());
    let safe = level.map(|level| level == input.safe);
    let now = elapsed_us();
    let fresh = told
        .at_us
        .is_some_and(|at| now.saturating_sub(at) < REFRESH_US);
    if told.safe == safe && fresh {
        return;
    }
    *told = Told {
        safe,
        at_us: Some(now),
    };
    report(InputReport {
        input: input.name.clone(),
        safe,
    });
}
