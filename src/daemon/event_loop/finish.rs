//! The way out.

use super::state::EventLoop;
use crate::daemon::ended::Ended;
use crate::daemon::happening::Happening;
use crate::engine::Event;
use crate::pump::PumpReport;

impl EventLoop<'_> {
    /// Heads off first, then the books, then the answers that are still owed.
    pub(super) fn finish(mut self, ended: Ended) -> Ended {
        for pump in self.outside.pumps.values() {
            pump.stop();
        }
        for (_, pump) in std::mem::take(&mut self.outside.pumps) {
            pump.end();
        }
        if let Some(alarm) = &mut self.outside.alarm {
            alarm.set(false);
        }
        let ended = self.close_books(ended);
        self.outside.holds.end();
        if let Some(inputs) = self.guards.inputs {
            inputs.end();
        }
        self.guards.heart.end();
        if let Some(mut displays) = self.outside.displays {
            let now = self.outside.clock.now();
            displays.show(self.core.engine.status(now, &self.outside.totals.facts));
        }
        ended
    }

    /// What the heads reported on their way out is booked.
    fn close_books(&mut self, mut ended: Ended) -> Ended {
        self.core.close();
        while let Ok(happening) = self.inbox.happenings.try_recv() {
            if let Happening::Pump(PumpReport::Ended { id, report }) = happening {
                let event = Event::RunEnded { id, report };
                ended = ended.or_broken(self.core.feed(event, &mut self.outside));
            }
        }
        let how = ended.to_string();
        ended = ended.or_broken(self.core.last_words(&how, &mut self.outside));
        for write in self.core.desk.give_up() {
            tracing::error!(?write, "not written at the end");
        }
        if let Some(ledger) = self.outside.ledger.take()
            && ledger.send(None).is_ok()
            && !ledger.join()
        {
            tracing::error!("the ledger's thread had panicked");
        }
        ended
    }
}
