//! Opening the ledger, and what hangs on it: the time that virtual time goes on from, and what may be driven.

use jiff::Timestamp;
use tokio::sync::mpsc::UnboundedSender;

use super::arming::Acceptance;
use super::clock::{ShellClock, boot_id, machine_now};
use super::driving::Driving;
use super::happening::{Happening, send};
use super::options::{RunOptions, ledger_path};
use super::parts::Parts;
use crate::ledger::{
    Ledger, LedgerError, LedgerHandle, LedgerThread, OpenAs, SessionStart, Timeline,
};
use crate::quantity::Millis;
use crate::record::Stamp;
use crate::shell::{Read, before_start};

/// A ledger that could not be opened is tried again after this time, by starting anew.
const OPEN_AGAIN_AFTER: Millis = Millis::from_mins(1);

/// Virtual time goes on where the ledger's newest entry is, begins where it is told to in a new ledger, or now.
pub(super) fn shell_clock(options: &RunOptions) -> ShellClock {
    let Some(warp) = options.warp else {
        return ShellClock::Real;
    };
    let newest = Ledger::open_to_read(&ledger_path(&options.state))
        .and_then(|ledger| ledger.newest_wall())
        .ok()
        .flatten();
    let start = newest
        .or(options.start_at)
        .unwrap_or_else(|| machine_now().wall);
    let whole = Timestamp::from_millisecond(start.as_millisecond()).unwrap_or(start);
    ShellClock::virtual_from(whole, warp)
}

pub(super) fn session_boot(clock: &ShellClock) -> String {
    if clock.is_virtual() {
        return "virtual".to_owned();
    }
    // Without an id every start counts as another boot, which only makes earlier doses count for longer.
    boot_id().unwrap_or_else(|error| {
        tracing::warn!(%error, "the kernel's boot id cannot be read");
        format!("unknown-{}", machine_now().elapsed.as_ms())
    })
}

fn open_as(parts: &Parts, clock: &ShellClock, at: Stamp) -> OpenAs {
    OpenAs {
        timeline: if clock.is_virtual() {
            Timeline::Virtual
        } else {
            Timeline::Real
        },
        installation: None,
        session: SessionStart {
            boot: session_boot(clock),
            at,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            controller_fingerprint: parts.controller_fingerprint.clone(),
            plan_fingerprint: parts.plan_fingerprint.clone(),
            live: false,
        },
    }
}

/// What came of opening the ledger.
pub(super) struct Opened {
    pub(super) driving: Driving,
    /// Its thread, when it can be used.
    pub(super) ledger: Option<LedgerHandle>,
    /// What it says, or why it cannot be used.
    pub(super) read: Result<Read, String>,
}

/// Opens the ledger, decides by its arming what is driven, and reads its history. When that fails the daemon runs all the same,
/// without dosing, to say so.
pub(super) fn open_ledger(
    options: &RunOptions,
    parts: &Parts,
    acceptance: &Acceptance,
    clock: &ShellClock,
    tell: &UnboundedSender<Happening>,
) -> Opened {
    let without = |why: String| Opened {
        driving: Driving::decide(&parts.controller, acceptance, Err(&why)),
        ledger: None,
        read: Err(why),
    };
    let (ledger, driving, read) = match read_ledger(options, parts, acceptance, clock) {
        Ok(opened) => opened,
        Err(error) => {
            tracing::error!(%error, "the ledger cannot be used");
            return without(error.to_string());
        }
    };
    let tell = tell.clone();
    let report = Box::new(move |report| send(&tell, Happening::Ledger(report)));
    match LedgerThread::spawn(ledger, report) {
        Ok(handle) => Opened {
            driving,
            ledger: Some(handle),
            read: Ok(read),
        },
        Err(error) => without(format!("the ledger's thread could not be started: {error}")),
    }
}

fn read_ledger(
    options: &RunOptions,
    parts: &Parts,
    acceptance: &Acceptance,
    clock: &ShellClock,
) -> Result<(Ledger, Driving, Read), LedgerError> {
    let now = clock.now();
    let at = Stamp {
        wall: now.wall,
        elapsed: now.elapsed,
        // Whether the machine's clock is trusted is not known yet.
        trusted: clock.is_virtual(),
    };
    let path = ledger_path(&options.state);
    let mut ledger = Ledger::open(&path, &open_as(parts, clock, at))?;
    let doubt = ledger.doubt().map(str::to_owned);
    if let Some(why) = &doubt {
        tracing::error!(
            "the ledger may have forgotten doses, so all is on hold and nothing armed: {why}"
        );
    }
    let mode = parts.controller.mode;
    ledger.own_up(&before_start(doubt.as_deref(), ledger.arming()?, mode, at))?;
    let driving = Driving::decide(&parts.controller, acceptance, Ok(&ledger));
    if driving.is_live() {
        ledger.mark_session_live()?;
    }
    let read = Read {
        history: ledger.history(at)?,
        told_since_arming: ledger.refilled_since_arming()?,
    };
    Ok((ledger, driving, read))
}

/// Whether it is worth trying to open the ledger again: it can be read, or is not there and may perhaps be made now.
pub(super) fn ledger_can_be_opened(state: &std::path::Path, since: Millis) -> bool {
    let patient = crate::pump::elapsed().minus(since) >= OPEN_AGAIN_AFTER;
    patient
        && matches!(
            Ledger::open_to_read(&ledger_path(state)),
            Ok(_) | Err(LedgerError::Absent { .. })
        )
}
