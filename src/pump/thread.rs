//! The thread that a head runs on.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;

use super::Pump;
use super::control::RunControl;
use super::output::PumpError;
use super::priority::{Priority, ask_for_real_time};
use crate::engine::{RunEnd, RunReport};
use crate::guard::DosePermit;
use crate::quantity::{Millis, Name};
use crate::record::DoseId;

/// What a pump thread tells.
#[derive(Debug)]
pub enum PumpReport {
    /// A run has ended, and the output is off.
    Ended { id: DoseId, report: RunReport },
    /// The output does not obey; the thread goes on trying.
    Fault { head: Name, why: String },
    /// The thread has ended. Expected only after its handle is gone.
    Gone { head: Name, panicked: bool },
}

/// The shell's end of a pump thread.
#[derive(Debug)]
pub struct PumpHandle {
    permits: Option<SyncSender<DosePermit>>,
    control: Arc<RunControl>,
    last: Option<DoseId>,
    thread: Option<JoinHandle<()>>,
    priority: Option<Priority>,
}

impl PumpHandle {
    /// Starts a head's thread. `report` must not block for long.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn spawn(
        head: &Name,
        pump: Box<dyn Pump>,
        report: impl Fn(PumpReport) + Send + 'static,
    ) -> std::io::Result<Self> {
        let (permits, queue) = sync_channel(1);
        let control = Arc::new(RunControl::default());
        control.beat();
        let (for_thread, name) = (Arc::clone(&control), head.clone());
        // A head that drives nothing takes no core from anybody.
        let wants_priority = pump.drives_something();
        let (tell_priority, priority) = sync_channel(1);
        let thread = std::thread::Builder::new()
            .name(format!("pump-{head}"))
            .stack_size(128 * 1024)
            .spawn(move || {
                drop(tell_priority.send(wants_priority.then(ask_for_real_time)));
                drop(tell_priority);
                let gone = TellWhenGone { head: name, report };
                serve(pump, &queue, &for_thread, &gone.report);
            })?;
        let priority = priority.recv().ok().flatten();
        match &priority {
            Some(Priority::RealTime) => {
                tracing::info!(%head, "its thread has real-time priority");
            }
            Some(Priority::Ordinary { why }) => {
                tracing::warn!(%head, why, "its thread has no real-time priority: edges may come late when the machine is busy, and are booked as measured");
            }
            None => {}
        }
        Ok(Self {
            permits: Some(permits),
            control,
            last: None,
            thread: Some(thread),
            priority,
        })
    }

    /// Hands a permit to the head. `false` when the thread is gone or busy: then nothing was started.
    pub fn start(&mut self, permit: DosePermit) -> bool {
        self.last = Some(permit.dose());
        match self.permits.as_ref().map(|p| p.try_send(permit)) {
            Some(Ok(())) => true,
            Some(Err(TrySendError::Full(_) | TrySendError::Disconnected(_))) | None => false,
        }
    }

    /// Switches the head off now. Returns at once.
    pub fn stop(&self) {
        if let Some(dose) = self.last {
            self.control.stop(dose);
        }
    }

    /// How the thread is scheduled; `None` for a head that drives nothing, which does not ask.
    pub fn priority(&self) -> Option<&Priority> {
        self.priority.as_ref()
    }

    /// Stops this head's runs, and tells whether its thread is alive, also for a thread that does not own the handle.
    pub fn control(&self) -> Arc<RunControl> {
        Arc::clone(&self.control)
    }

    /// Ends the thread after the run in progress is stopped, and waits for it.
    pub fn end(self) {
        drop(self);
    }
}

impl Drop for PumpHandle {
    /// Off also when the shell panics: without the wait the process would end under a running head.
    fn drop(&mut self) {
        self.stop();
        self.permits = None;
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("a pump thread had panicked");
        }
    }
}

fn serve(
    mut pump: Box<dyn Pump>,
    queue: &Receiver<DosePermit>,
    control: &RunControl,
    report: &impl Fn(PumpReport),
) {
    let look_every = if pump.drives_something() {
        super::IDLE_LOOK
    } else {
        super::IDLE_BEAT
    };
    loop {
        control.beat();
        match queue.recv_timeout(look_every) {
            Ok(permit) => {
                let id = permit.dose();
                let ended = pump.run(permit, control);
                report(PumpReport::Ended { id, report: ended });
            }
            Err(RecvTimeoutError::Timeout) => pump.watch(),
            Err(RecvTimeoutError::Disconnected) => return,
        }
    }
}

/// Tells that the thread is gone, also when it unwinds. The pump has been dropped, and so switched off, before.
struct TellWhenGone<F: Fn(PumpReport)> {
    head: Name,
    report: F,
}

impl<F: Fn(PumpReport)> Drop for TellWhenGone<F> {
    fn drop(&mut self) {
        (self.report)(PumpReport::Gone {
            head: self.head.clone(),
            panicked: std::thread::panicking(),
        });
    }
}

impl PumpReport {
    /// The report of an output that does not obey.
    pub fn fault(head: &Name, error: &PumpError) -> Self {
        Self::Fault {
            head: head.clone(),
            why: error.to_string(),
        }
    }
}

/// The report of a head that could not even be asked to run.
pub fn not_started() -> RunReport {
    RunReport {
        on_time: Millis::ZERO,
        end: RunEnd::Failed {
            why: "its thread does not take orders".to_owned(),
        },
    }
}
