//! What the threads report.

use super::state::EventLoop;
use crate::daemon::ended::Ended;
use crate::daemon::happening::Happening;
use crate::daemon::holdfile::HoldNews;
use crate::engine::Event;
use crate::ledger::LedgerReport;
use crate::pump::{InputReport, PumpReport};
use crate::quantity::Name;
use crate::shell::HoldsWritten;

impl EventLoop<'_> {
    pub(super) fn happened(&mut self, happening: Happening) -> Result<(), Ended> {
        match happening {
            Happening::Pump(PumpReport::Ended { id, report }) => {
                self.feed(Event::RunEnded { id, report })
            }
            Happening::Pump(PumpReport::Fault { head, why }) => self.head_at_fault(&head, &why),
            Happening::Pump(PumpReport::Gone { head, panicked }) => {
                let why = if panicked { "panicked" } else { "ended" };
                Err(Ended::Broken {
                    why: format!("the thread of head {head} {why}"),
                })
            }
            Happening::Input(InputReport { input, safe }) => {
                self.feed(Event::Input { input, safe })
            }
            Happening::Ledger(report) => self.ledger_reported(report),
            Happening::Holds(HoldNews::Written(written)) => self.holds_written(&written),
            Happening::Holds(HoldNews::Found(holds)) => self.feed(Event::HoldsFound(holds)),
            Happening::Holds(HoldNews::Lost { why }) | Happening::Hanging { why } => {
                Err(Ended::Broken { why })
            }
        }
    }

    /// A head that does not obey. With a common cut-off, which is off now, none of the heads can be relied on.
    fn head_at_fault(&mut self, head: &Name, why: &str) -> Result<(), Ended> {
        let mut end = self.feed(Event::PumpFault {
            head: head.clone(),
            why: why.to_owned(),
        });
        if self.guards.live && self.guards.common_supply {
            let heads = self.outside.pumps.keys();
            let others: Vec<Name> = heads.filter(|h| *h != head).cloned().collect();
            for other in others {
                let why = format!("its supply is cut off because of head {head}: {why}");
                end = end.and(self.feed(Event::PumpFault { head: other, why }));
            }
        }
        end
    }

    fn ledger_reported(&mut self, report: LedgerReport) -> Result<(), Ended> {
        if report.tell(&mut self.core.desk) {
            return self.go_on();
        }
        Err(Ended::Broken {
            why: "the ledger's thread ended".to_owned(),
        })
    }

    fn holds_written(&mut self, written: &HoldsWritten) -> Result<(), Ended> {
        if let Err(error) = &written.result {
            tracing::error!(%error, "holds are in force but not on disk");
        }
        self.core
            .desk
            .holds_written(written.number, &written.result);
        self.go_on()
    }
}
