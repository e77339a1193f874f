//! Watching over the threads: only while all of them answer does the service manager get its sign of life, and the watchdog relay
//! its edges.
//!
//! A thread of its own, so that it can still act when the event loop hangs: then nobody could stop a head any more, so all runs
//! are ended for good, and the process is given up.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use sd_notify::NotifyState;

use crate::pump::{Output, RunControl, elapsed};
use crate::quantity::{Millis, Name};

/// Time between two edges of the heartbeat: four periods and a half of a watchdog relay that holds for 2 s.
const EDGE_EVERY: Duration = Duration::from_millis(250);
/// The event loop answers at least once a second; after this long without an answer it hangs.
const LOOP_SILENT_MAX: Millis = Millis::from_secs(5);
/// A thread that drives or reads pins answers ten times a second, one that drives nothing every two seconds.
const THREAD_SILENT_MAX: Millis = Millis::from_secs(5);
/// Looks in a row, each in time, at which something must be silent. A machine that is so busy that this thread itself comes late
/// says nothing about the others, and killing a starved daemon makes nothing better (FT-SYSD-04).
const SICK_LOOKS: u32 = 4;
/// A look that comes this long after the one before is late.
const LATE: Millis = Millis::new(600);
/// Edges between two signs of life to the service manager, when it does not want them more often.
const EDGES_PER_SIGN: u32 = 4;

/// The event loop's sign of life.
#[derive(Debug, Clone, Default)]
pub(super) struct LoopBeat(Arc<AtomicI64>);

impl LoopBeat {
    pub(super) fn beat(&self) {
        self.0.store(elapsed().as_ms(), Ordering::Relaxed);
    }

    fn silent_for(&self) -> Millis {
        elapsed().minus(Millis::new(self.0.load(Ordering::Relaxed)))
    }
}

pub(super) struct Watched {
    pub(super) event_loop: LoopBeat,
    pub(super) pumps: Vec<(Name, Arc<RunControl>)>,
    /// When the inputs were last read, in microseconds of the elapsed clock.
    pub(super) inputs: Option<Arc<AtomicI64>>,
    /// The pin of the watchdog relay.
    pub(super) heartbeat: Option<Box<dyn Output>>,
}

impl Watched {
    /// What does not answer.
    fn sick(&self) -> Option<String> {
        let silent = self.event_loop.silent_for();
        if silent > LOOP_SILENT_MAX {
            return Some(format!("the event loop has not answered for {silent}"));
        }
        for (head, control) in &self.pumps {
            let silent = control.silent_for();
            if silent > THREAD_SILENT_MAX {
                return Some(format!(
                    "the thread of head {head} has not answered for {silent}"
                ));
            }
        }
        let read_us = self.inputs.as_ref()?.load(Ordering::Relaxed);
        let silent = elapsed().minus(Millis::new(read_us / 1000));
        (silent > THREAD_SILENT_MAX).then(|| format!("the inputs have not been read for {silent}"))
    }
}

#[derive(Debug)]
pub(super) struct Heart {
    stop: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Heart {
    /// Starts watching. `report` is told once what does not answer.
    pub(super) fn spawn(
        watched: Watched,
        report: impl Fn(String) + Send + 'static,
    ) -> std::io::Result<Self> {
        let (stop, stopped) = channel::<()>();
        watched.event_loop.beat();
        let thread = std::thread::Builder::new()
            .name("heart".to_owned())
            .stack_size(128 * 1024)
            .spawn(move || {
                let mut beating = Beating::new(watched);
                loop {
                    beating.beat(&report);
                    match stopped.recv_timeout(EDGE_EVERY) {
                        Err(RecvTimeoutError::Timeout) => {}
                        Ok(()) | Err(RecvTimeoutError::Disconnected) => return,
                    }
                }
            })?;
        Ok(Self {
            stop: Some(stop),
            thread: Some(thread),
        })
    }

    pub(super) fn end(mut self) {
        self.stop = None;
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("the thread that watches over the others had panicked");
        }
    }
}

/// A sign of life at half of the service manager's limit at the latest, so that one may come late (`sd_watchdog_enabled(3)`).
fn edges_per_sign(limit: Option<Duration>) -> u32 {
    let Some(limit) = limit else {
        return EDGES_PER_SIGN;
    };
    let edges = (limit / 2).as_millis() / EDGE_EVERY.as_millis();
    if edges == 0 {
        tracing::error!(
            ?limit,
            "WatchdogSec is too short to be kept; set it to 0.5 s or longer"
        );
    }
    u32::try_from(edges)
        .unwrap_or(EDGES_PER_SIGN)
        .clamp(1, EDGES_PER_SIGN)
}

struct Beating {
    watched: Watched,
    edges_per_sign: u32,
    high: bool,
    edges: u32,
    looked: Millis,
    sick_looks: u32,
    given_up: bool,
}

impl Beating {
    fn new(watched: Watched) -> Self {
        Self {
            watched,
            edges_per_sign: edges_per_sign(sd_notify::watchdog_enabled()),
            high: false,
            edges: 0,
            looked: elapsed(),
            sick_looks: 0,
            given_up: false,
        }
    }

    fn beat(&mut self, report: &impl Fn(String)) {
        if self.given_up {
            return;
        }
        let now = elapsed();
        let late = now.minus(self.looked) > LATE;
        self.looked = now;
        let sick = self.watched.sick();
        self.sick_looks = if sick.is_some() && !late {
            self.sick_looks.saturating_add(1)
        } else {
            0
        };
        if let Some(why) = sick {
            if self.sick_looks < SICK_LOOKS {
                // No edge and no sign of life while in doubt.
                return;
            }
            self.given_up = true;
            for (_, control) in &self.watched.pumps {
                control.stop_for_good();
            }
            tracing::error!("all heads are switched off: {why}");
            report(why);
            return;
        }
        self.high = !self.high;
        if let Some(pin) = &mut self.watched.heartbeat {
            let set = if self.high {
                pin.set_on()
            } else {
                pin.set_off()
            };
            if let Err(error) = set {
                tracing::error!(%error, "the heartbeat");
            }
        }
        if self.edges.is_multiple_of(self.edges_per_sign) {
            tell(&[NotifyState::Watchdog]);
        }
        self.edges = self.edges.wrapping_add(1);
    }
}

/// Tells the service manager, when there is one.
pub(super) fn tell(state: &[NotifyState<'_>]) {
    static COMPLAINED: AtomicBool = AtomicBool::new(false);
    if let Err(error) = sd_notify::notify(state)
        && !COMPLAINED.swap(true, Ordering::Relaxed)
    {
        tracing::warn!(%error, "the service manager cannot be told");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pump::PumpError;
    use crate::record::DoseId;
    use std::sync::Mutex;

    struct Pin(Arc<Mutex<Vec<bool>>>);

    impl Output for Pin {
        fn set_on(&mut self) -> Result<(), PumpError> {
            self.0.lock().unwrap().push(true);
            Ok(())
        }
        fn set_off(&mut self) -> Result<(), PumpError> {
            self.0.lock().unwrap().push(false);
            Ok(())
        }
        fn is_on(&mut self) -> Option<bool> {
            None
        }
    }

    fn beating(
        event_loop: LoopBeat,
        control: &Arc<RunControl>,
        edges: &Arc<Mutex<Vec<bool>>>,
    ) -> Beating {
        Beating::new(Watched {
            event_loop,
            pumps: vec![(Name::new("a").unwrap(), Arc::clone(control))],
            inputs: None,
            heartbeat: Some(Box::new(Pin(Arc::clone(edges)))),
        })
    }

    #[test]
    fn the_heartbeat_goes_on_while_everything_answers() {
        let (edges, control) = (
            Arc::new(Mutex::new(Vec::new())),
            Arc::new(RunControl::default()),
        );
        control.beat();
        let event_loop = LoopBeat::default();
        event_loop.beat();
        let mut heart = beating(event_loop, &control, &edges);
        for _ in 0..4 {
            heart.beat(&|why| panic!("{why}"));
        }
        assert_eq!(*edges.lock().unwrap(), vec![true, false, true, false]);
        assert!(!control.is_stopped(DoseId(1)));
    }

    #[test]
    fn an_event_loop_that_hangs_ends_every_run_for_good_and_the_heartbeat_with_it() {
        let (edges, control) = (
            Arc::new(Mutex::new(Vec::new())),
            Arc::new(RunControl::default()),
        );
        control.beat();
        // A loop that has never beaten was last heard of at boot, over 5 s ago.
        let mut heart = beating(LoopBeat::default(), &control, &edges);
        let told = Mutex::new(Vec::new());
        for look in 1..=6 {
            heart.beat(&|why| told.lock().unwrap().push(why));
            assert_eq!(told.lock().unwrap().is_empty(), look < SICK_LOOKS);
        }
        assert_eq!(told.lock().unwrap().len(), 1);
        assert!(told.lock().unwrap()[0].contains("event loop"));
        assert!(control.is_stopped(DoseId(1_000_000)));
        assert!(edges.lock().unwrap().is_empty());
    }

    #[test]
    fn a_head_whose_thread_hangs_ends_the_heartbeat() {
        let (edges, control) = (
            Arc::new(Mutex::new(Vec::new())),
            Arc::new(RunControl::default()),
        );
        let event_loop = LoopBeat::default();
        event_loop.beat();
        let mut heart = beating(event_loop, &control, &edges);
        let told = Mutex::new(Vec::new());
        for _ in 0..SICK_LOOKS {
            heart.beat(&|why| told.lock().unwrap().push(why));
        }
        assert!(told.lock().unwrap()[0].contains("head a"));
        assert!(edges.lock().unwrap().is_empty());
    }

    #[test]
    fn signs_of_life_come_at_half_of_the_limit_at_the_latest() {
        let every = |limit: u64| EDGE_EVERY * edges_per_sign(Some(Duration::from_millis(limit)));
        assert_eq!(edges_per_sign(None), EDGES_PER_SIGN);
        assert_eq!(every(20_000), Duration::from_secs(1));
        assert_eq!(every(2_000), Duration::from_secs(1));
        for limit in [500, 999, 1_000, 1_500, 1_999] {
            let half = Duration::from_millis(limit) / 2;
            assert!(every(limit) <= half, "{limit} ms");
        }
        assert_eq!(every(100), EDGE_EVERY);
    }
}
