//! The session at the bench that a head is in.

use crate::cli::exit::accepted;
use crate::cli::heads::bench::status;
use crate::cli::talk::Talk;
use crate::cli::{Place, Result};
use crate::control::Client;
use crate::engine::{BenchAsk, BenchStatus, Command, NewBench, Status};
use crate::ledger::LedgerReader;
use crate::quantity::{Name, Volume, Words};
use crate::record::CalibrationRun;

/// What was measured of a head's runs and is in no calibration yet, what is not used included.
pub(crate) fn kept_runs(reader: &LedgerReader, head: &Name) -> Result<Vec<CalibrationRun>> {
    let word = reader.bench_of(head)?;
    let newest = reader.calibrations_of(head)?.pop();
    let fitted = newest.map_or(Vec::new(), |c| c.runs);
    let mut runs = word.map_or(Vec::new(), |word| word.runs);
    runs.retain(|run| fitted.iter().all(|f| f.dose != run.dose));
    Ok(runs)
}

pub(crate) fn session_in(view: &Status, head: &Name) -> Option<BenchStatus> {
    let head = view.heads.iter().find(|h| h.name == *head)?;
    head.bench.clone()
}

/// Whether the head's session fell silent; `None` when it is in none.
pub(crate) fn is_silent(place: &Place, head: &Name) -> Result<Option<bool>> {
    Ok(session_in(&status(place)?, head).map(|session| session.silent))
}

/// Opens a session unless the head is in one; whether it did. One that fell silent is opened by whoever says where the outlet is.
pub(crate) fn ensure(place: &Place, head: &Name, talk: &mut impl Talk) -> Result<bool> {
    if is_silent(place, head)?.is_some() {
        return Ok(false);
    }
    open_session(place, head, talk).map(|()| true)
}

/// Opens a session: the outlet is said to be in a vessel.
pub(crate) fn open_session(place: &Place, head: &Name, talk: &mut impl Talk) -> Result {
    let command = Command::Bench(BenchAsk::Open(NewBench {
        head: head.clone(),
        cap: None,
        bucket_days: None,
        note: Words::default(),
    }));
    let opened = accepted(Client::connect(&place.state)?.ask(&command.into())?)?;
    talk.say(&opened.text)
}

/// Asks whether the outlet is back; without an answer the line waits on.
pub(crate) fn ask_back(place: &Place, head: &Name, talk: &mut impl Talk) -> Result {
    let answer =
        talk.ask("Is the outlet back in the tank? Type back when it is, Enter when not yet:");
    if answer.is_ok_and(|answer| answer == "back") {
        let command = Command::Bench(BenchAsk::Back { head: head.clone() });
        let done = accepted(Client::connect(&place.state)?.ask(&command.into())?)?;
        return talk.say(&done.text);
    }
    talk.say(&waits(head))
}

/// What to do after an end in the middle.
pub(crate) fn waits(head: &Name) -> String {
    format!(
        "The line of head {head} gives nothing to the tank until you run `dosewright bench {head} back`."
    )
}

/// What the runs of a session may still give.
pub(crate) fn cap_left(view: &Status, head: &Name, unopened: Volume) -> Volume {
    session_in(view, head).map_or(unopened, |s| s.cap.saturating_sub(s.given).or_zero())
}
