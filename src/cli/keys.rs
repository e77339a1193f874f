//! Whether somebody wants a run to end: any key on the terminal, Ctrl-C, a terminal that goes away, a polite kill.

use std::io::{self, IsTerminal};
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;
use rustix::termios::{LocalModes, OptionalActions, Termios, tcgetattr, tcsetattr};
use tokio::runtime::Runtime;
use tokio::signal::unix::{Signal, SignalKind, signal};

/// How often a run is looked after while no key is pressed.
const LOOK_MS: i64 = 100;

/// Watches while a run goes on; the terminal is as it was when this is dropped.
pub(super) struct Keys {
    runtime: Runtime,
    signals: [Signal; 3],
    /// How the terminal was; `None` when there is none.
    before: Option<Termios>,
}

impl Keys {
    /// Takes keys one by one and unseen, and signals as a wish to stop instead of a death that would let the head run on.
    ///
    /// # Errors
    /// When the system refuses.
    pub(super) fn watch() -> io::Result<Self> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?;
        let signals = {
            let _inside = runtime.enter();
            [
                signal(SignalKind::interrupt())?,
                signal(SignalKind::terminate())?,
                signal(SignalKind::hangup())?,
            ]
        };
        let before = if io::stdin().is_terminal() {
            let before = tcgetattr(io::stdin())?;
            let mut raw = before.clone();
            raw.local_modes
                .remove(LocalModes::ICANON | LocalModes::ECHO);
            tcsetattr(io::stdin(), OptionalActions::Flush, &raw)?;
            Some(before)
        } else {
            None
        };
        Ok(Self {
            runtime,
            signals,
            before,
        })
    }

    /// Waits a moment; whether a key was pressed or a signal came in it.
    pub(super) fn wants_stop(&mut self) -> bool {
        let key = self.before.is_some() && key_within(LOOK_MS);
        let wait = if self.before.is_some() {
            Duration::ZERO
        } else {
            Duration::from_millis(LOOK_MS.unsigned_abs())
        };
        let [interrupt, terminate, hangup] = &mut self.signals;
        let signalled = self.runtime.block_on(async {
            tokio::select! {
                biased;
                _ = interrupt.recv() => true,
                _ = terminate.recv() => true,
                _ = hangup.recv() => true,
                () = tokio::time::sleep(wait) => false,
            }
        });
        key || signalled
    }
}

impl Drop for Keys {
    fn drop(&mut self) {
        if let Some(before) = &self.before {
            // What was typed to stop the run is not the answer to the next question. A terminal that has gone needs no restoring.
            let _gone = tcsetattr(io::stdin(), OptionalActions::Flush, before);
        }
    }
}

/// Whether standard input has something to read within so many milliseconds, or has gone.
fn key_within(ms: i64) -> bool {
    let stdin = io::stdin();
    let mut fds = [PollFd::new(&stdin, PollFlags::IN)];
    let limit = Timespec {
        tv_sec: 0,
        tv_nsec: ms.saturating_mul(1_000_000),
    };
    match poll(&mut fds, Some(&limit)) {
        Ok(ready) => ready > 0,
        // A signal; which one is told by who waits for it.
        Err(Errno::INTR) => false,
        Err(_) => true,
    }
}
