//! The event loop: what happens goes into the engine, its effects are carried out.
//!
//! Whatever may end the daemon comes back as an error, so that `?` is the only way past it, and all ways lead to
//! [`EventLoop::finish`].

mod arming;
mod asked;
mod asker;
mod finish;
mod look;
mod outside;
mod reports;
mod state;

pub(super) use outside::Outside;
pub(super) use state::{EventLoop, Guards, Inbox, Signals};

use std::convert::Infallible;
use std::time::Duration;

use super::clock::kernel_clock_is_synchronised;
use super::displays::Displays;
use super::ended::Ended;
use super::happening::Happening;
use super::heart::tell;
use crate::control::Incoming;
use crate::engine::{Event, TrustSource};
use crate::mqtt::RemoteCommand;
use crate::record::Who;

/// What is still under way when the daemon is stopped gets this long.
const STOP_PATIENCE: Duration = Duration::from_secs(5);

/// What the loop received.
enum Next {
    Tick,
    Happening(Happening),
    Request(Incoming),
    Remote(RemoteCommand),
    Reload,
    Look,
    /// Something has happened to the daemon's own files.
    Moved,
    /// Nothing but a sign of life, and time that passes for those who wait.
    Beat,
    Stop,
    PatienceOver,
}

impl EventLoop<'_> {
    /// Runs until told to stop or something can no longer be relied on.
    pub(super) async fn run(mut self) -> Ended {
        let Err(ended) = self.turn().await;
        self.finish(ended)
    }

    async fn turn(&mut self) -> Result<Infallible, Ended> {
        self.begin()?;
        loop {
            let next = self.next().await;
            self.take(next)?;
            self.show();
            self.end_when_quiet()?;
        }
    }

    /// Carries out what the engine decided when it was started.
    fn begin(&mut self) -> Result<(), Ended> {
        self.go_on()?;
        let is_virtual = self.outside.clock.is_virtual();
        if !is_virtual && kernel_clock_is_synchronised() == Some(true) {
            self.feed(Event::ClockKnown(TrustSource::Kernel))?;
        }
        Ok(())
    }

    /// What comes next. Every arm only receives, so a lost race loses nothing.
    async fn next(&mut self) -> Next {
        self.guards.beat.beat();
        let until_look = self.until_look();
        if until_look.is_zero() {
            return Next::Look;
        }
        let until_beat = until_look.min(self.until_beat());
        let sleep = self.outside.clock.until_due(&mut self.core, until_beat);
        let patience = async {
            match self.stop_until {
                None => std::future::pending().await,
                Some(at) => tokio::time::sleep_until(at).await,
            }
        };
        let inbox = &mut self.inbox;
        tokio::select! {
            biased;
            happening = inbox.happenings.recv() => happening.map_or(Next::Stop, Next::Happening),
            Some(incoming) = inbox.requests.recv() => Next::Request(incoming),
            _ = inbox.signals.terminate.recv() => Next::Stop,
            _ = inbox.signals.interrupt.recv() => Next::Stop,
            _ = inbox.signals.hangup.recv() => Next::Reload,
            command = Displays::command(self.outside.displays.as_mut()) => Next::Remote(command),
            () = self.belongings.changed() => Next::Moved,
            () = patience => Next::PatienceOver,
            () = tokio::time::sleep(sleep) => if sleep == until_beat { Next::Beat } else { Next::Tick },
        }
    }

    fn take(&mut self, next: Next) -> Result<(), Ended> {
        match next {
            Next::Tick => self.feed(Event::Tick),
            Next::Happening(happening) => self.happened(happening),
            Next::Request(incoming) => {
                self.requested(incoming)?;
                self.tick_if_due()
            }
            Next::Remote(command) => {
                self.commanded(command)?;
                self.tick_if_due()
            }
            Next::Reload => self.reload(None, Who::Daemon),
            Next::Look => self.look(),
            Next::Moved => self.look_at_belongings(),
            Next::Beat => Ok(self.core.go_on(&mut self.outside)?),
            Next::Stop if self.stop_until.is_none() => {
                tracing::info!("stopping: no new dose, heads off");
                tell(&[sd_notify::NotifyState::Stopping]);
                self.stop_until = Some(tokio::time::Instant::now() + STOP_PATIENCE);
                self.feed(Event::Stopping)
            }
            Next::Stop | Next::PatienceOver => Err(Ended::Stopped),
        }
    }

    /// Gives the engine an event and carries out what comes of it.
    fn feed(&mut self, event: Event) -> Result<(), Ended> {
        let fed = self.core.feed(event, &mut self.outside);
        self.changed();
        Ok(fed?)
    }

    /// Carries out what the desk has to send or to tell.
    fn go_on(&mut self) -> Result<(), Ended> {
        let fed = self.core.go_on(&mut self.outside);
        self.changed();
        Ok(fed?)
    }

    /// There may be something new to show.
    fn changed(&mut self) {
        self.outside.changed();
        if let Some(alarm) = &mut self.outside.alarm {
            alarm.set(self.core.engine.calls_for_help());
        }
    }

    /// Hands the newest state to the displays, now and then.
    fn show(&mut self) {
        let outside = &mut self.outside;
        if let Some(displays) = outside.displays.as_mut().filter(|d| d.is_due()) {
            let now = outside.clock.now();
            displays.show(self.core.engine.status(now, &outside.totals.facts));
        }
    }

    /// A new start, and a stop, wait for what is under way.
    fn end_when_quiet(&self) -> Result<(), Ended> {
        if self.core.engine.is_dosing() {
            return Ok(());
        }
        if self.outside.anew_stored {
            return Err(self.start_again());
        }
        if self.stop_until.is_some() {
            return Err(Ended::Stopped);
        }
        Ok(())
    }

    fn start_again(&self) -> Ended {
        Ended::StartAgain {
            holds: self.core.engine.holds().to_vec(),
        }
    }
}
