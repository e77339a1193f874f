//! The hands of the loop: heads, ledger, hold file, displays and clock.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;

use super::asker::Asker;
use crate::daemon::alarm_output::AlarmOutput;
use crate::daemon::clock::ShellClock;
use crate::daemon::displays::Displays;
use crate::daemon::holdfile::HoldKeeper;
use crate::daemon::log;
use crate::daemon::totals::Totals;
use crate::engine::{Effect, Now, RunReport};
use crate::guard::DosePermit;
use crate::ledger::LedgerHandle;
use crate::pump::{PumpHandle, not_started};
use crate::quantity::{Millis, Name};
use crate::record::Hold;
use crate::shell::{Hands, Order, Verdict, Write};

pub(in crate::daemon) struct Outside {
    pub(in crate::daemon) clock: ShellClock,
    /// The owner's, for what people read.
    pub(in crate::daemon) zone: TimeZone,
    pub(in crate::daemon) pumps: BTreeMap<Name, PumpHandle>,
    pub(in crate::daemon) ledger: Option<LedgerHandle>,
    pub(in crate::daemon) holds: HoldKeeper,
    /// What is shown over MQTT, when that is on.
    pub(in crate::daemon) displays: Option<Displays>,
    pub(in crate::daemon) totals: Totals,
    /// Lamp or buzzer, in live mode when there is one.
    pub(in crate::daemon) alarm: Option<AlarmOutput>,
    /// An arming or a disarming is on disk.
    pub(in crate::daemon) anew_stored: bool,
}

impl Outside {
    /// There may be something new to show.
    pub(super) fn changed(&mut self) {
        if let Some(displays) = &mut self.displays {
            displays.changed();
        }
    }
}

impl Hands<Asker> for Outside {
    fn now(&self) -> Now {
        self.clock.now()
    }

    fn real(&self) -> Millis {
        crate::pump::elapsed()
    }

    fn stop_pump(&mut self, head: &Name) {
        if let Some(pump) = self.pumps.get(head) {
            pump.stop();
        }
    }

    fn start_pump(&mut self, head: &Name, permit: DosePermit) -> Result<(), RunReport> {
        let pump = self.pumps.get_mut(head);
        if pump.is_some_and(|pump| pump.start(permit)) {
            Ok(())
        } else {
            Err(not_started())
        }
    }

    fn show(&mut self, effect: &Effect) {
        log::effect(effect, &self.zone);
        if let Some(displays) = &mut self.displays {
            displays.effect(effect, &self.totals, &self.zone);
        }
        self.totals.effect(effect);
    }

    fn send(&mut self, write: &Write) -> bool {
        let ledger = self.ledger.as_ref();
        ledger.is_some_and(|ledger| ledger.send(write.clone()).is_ok())
    }

    fn save_holds(&mut self, number: u64, holds: Vec<Hold>) {
        self.holds.write(Order { number, holds });
    }

    fn give(&mut self, asker: Asker, verdict: Verdict) {
        if matches!(asker, Asker::Anew(_)) {
            self.anew_stored |= verdict.is_ok();
        }
        asker.give(verdict);
    }
}
