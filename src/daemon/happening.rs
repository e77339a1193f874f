//! What the threads tell the event loop.

use tokio::sync::mpsc::UnboundedSender;

use super::holdfile::HoldNews;
use crate::ledger::LedgerReport;
use crate::pump::{InputReport, PumpReport};

/// Each is an answer to something the loop asked for, so their number is bounded by that.
#[derive(Debug)]
pub(super) enum Happening {
    Pump(PumpReport),
    Ledger(LedgerReport),
    Holds(HoldNews),
    Input(InputReport),
    /// Something does not answer any more, and all heads have been switched off for it.
    Hanging {
        why: String,
    },
}

pub(super) fn send(tell: &UnboundedSender<Happening>, happening: Happening) {
    // The loop is gone only when the process is on its way out.
    drop(tell.send(happening));
}
