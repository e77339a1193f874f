//! The regular look at the clocks and at what only polling tells.

use std::time::Duration;

use super::state::EventLoop;
use crate::daemon::clock::{kernel_clock_is_synchronised, under_voltage};
use crate::daemon::displays::Displays;
use crate::daemon::ended::Ended;
use crate::engine::{Event, TrustSource};
use crate::quantity::Millis;
use crate::record::Stamp;
use crate::shell::Books;

/// The clocks are compared at least this often.
const LOOK_EVERY: Duration = Duration::from_secs(5);
/// The loop shows that it is alive at least this often.
const BEAT_EVERY: Duration = Duration::from_secs(1);
/// A ledger at fault is tried again this often.
const PROBE_EVERY: Duration = Duration::from_secs(10);
/// While someone waits for the hold file, patience is looked at this often.
const HOLD_LOOK_EVERY: Duration = Duration::from_millis(200);

impl EventLoop<'_> {
    /// Not a time from now on: whoever asks for the status all the time must not put the look off for ever.
    pub(super) fn until_look(&self) -> Duration {
        LOOK_EVERY.saturating_sub(since(self.looked))
    }

    /// How long to wait at most before time passes for those who wait, and a sign of life is given.
    pub(super) fn until_beat(&self) -> Duration {
        if self.core.desk.waits_for_hold_file() {
            HOLD_LOOK_EVERY
        } else {
            BEAT_EVERY
        }
    }

    /// Requests go before the timer, so a flood of them must not keep what is due waiting.
    pub(super) fn tick_if_due(&mut self) -> Result<(), Ended> {
        let now = self.outside.clock.now();
        if self.core.engine.next_deadline(now) <= now.elapsed {
            self.feed(Event::Tick)?;
        }
        Ok(())
    }

    pub(super) fn look(&mut self) -> Result<(), Ended> {
        self.looked = crate::pump::elapsed();
        // Without a broker it lives on, so it is gone only by a fault of the program.
        let displays = self.outside.displays.as_ref();
        if displays.is_some_and(Displays::is_gone) {
            let why = "the MQTT task panicked".to_owned();
            return Err(Ended::Broken { why });
        }
        if !self.outside.clock.is_virtual() {
            self.feed(kernel_clock())?;
        }
        if let Some(file) = &self.under_voltage_file {
            let low = under_voltage(file);
            self.feed(Event::UnderVoltage(low))?;
        }
        self.look_at_belongings()?;
        self.probe_ledger();
        if self.outside.ledger.is_none() && (self.ledger_opens)() {
            return Err(self.start_again());
        }
        self.feed(Event::Tick)
    }

    /// Whether the daemon's files are still its own, and whether somebody has put a hold in.
    pub(super) fn look_at_belongings(&mut self) -> Result<(), Ended> {
        let looked = self.belongings.look();
        looked.map_err(|why| Ended::Broken { why })?;
        self.outside.holds.look();
        Ok(())
    }

    fn probe_ledger(&mut self) {
        let at_fault = self.core.desk.books() == Books::AtFault;
        if at_fault && since(self.probed) >= PROBE_EVERY {
            self.probed = crate::pump::elapsed();
            let now = self.outside.clock.now();
            self.core.desk.probe(Stamp {
                wall: now.wall,
                elapsed: now.elapsed,
                trusted: false,
            });
        }
    }
}

fn since(then: Millis) -> Duration {
    crate::pump::elapsed().minus(then).to_duration()
}

fn kernel_clock() -> Event {
    let unknown = |why: &str| Event::ClockUnknown {
        why: why.to_owned(),
    };
    match kernel_clock_is_synchronised() {
        Some(true) => Event::ClockKnown(TrustSource::Kernel),
        Some(false) => unknown("the kernel says that it is not synchronised"),
        None => unknown("the kernel does not say whether it is synchronised"),
    }
}
