//! The thin part: looks at the daemon, runs the program, waits.

use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;

use super::desk::{Desk, HANGS_LOOK, Look, Silence};
use super::message::Message;
use super::program::Program;
use crate::control::{Client, ClientError, Request};
use crate::engine::{Now, Status};
use crate::pump::elapsed;
use crate::quantity::Millis;

/// What is looked at, and when.
pub struct Looking<'a> {
    /// The daemon's state folder.
    pub state: PathBuf,
    /// Time between two looks.
    pub every: Millis,
    pub clock: &'a dyn Fn() -> Now,
}

/// Looks and tells until the process is ended.
pub fn run(looking: &Looking<'_>, program: &Program) -> ! {
    let mut desk = Desk::new();
    loop {
        let looked = elapsed();
        desk.look(&look(&looking.state, HANGS_LOOK), (looking.clock)());
        // One message a look, so that what is told is never old; with more to tell, the next look comes at once.
        let told = desk
            .next((looking.clock)())
            .is_some_and(|message| deliver(&mut desk, &message, program, looking));
        if !told {
            wait_until(looked.plus(desk.next_look(looking.every)));
        }
    }
}

/// Whether the program took it.
fn deliver(desk: &mut Desk, message: &Message, program: &Program, looking: &Looking<'_>) -> bool {
    let zone = message.time_zone().and_then(|z| TimeZone::get(z).ok());
    let words = message.words(&zone.unwrap_or(TimeZone::UTC));
    let told = program.tell(message, &words);
    let now = (looking.clock)();
    let (alarm, subject) = (&message.code, &message.subject);
    match &told {
        Ok(()) => {
            tracing::info!(alarm, subject, happened = ?message.happened, "told");
            desk.told(message, now);
        }
        Err(why) => {
            tracing::warn!(alarm, subject, "not told, and tried again: {why}");
            desk.failed(message, now);
        }
    }
    told.is_ok()
}

pub(super) fn look(state: &Path, patience: Millis) -> Look {
    match status(state, patience) {
        Ok(status) => Look::Answered(Box::new(status)),
        Err(silence) => Look::Silent(silence),
    }
}

fn status(state: &Path, patience: Millis) -> Result<Status, Silence> {
    let silence = |error: ClientError| {
        tracing::debug!(%error, "no status");
        match error {
            ClientError::NotRunning { .. } => Silence::Gone,
            ClientError::NotAllowed { .. } => Silence::NotAllowed,
            ClientError::Silent { .. } | ClientError::Broken(_) => Silence::Hangs,
            ClientError::NotUnderstood(_) => Silence::NotUnderstood,
        }
    };
    let mut client = Client::connect_within(state, patience.to_duration()).map_err(silence)?;
    let response = client.ask(&Request::Status {}).map_err(silence)?;
    if !response.ok {
        return Err(Silence::Hangs);
    }
    serde_json::from_value(response.data).map_err(|_| Silence::NotUnderstood)
}

fn wait_until(until: Millis) {
    loop {
        let left = until.minus(elapsed());
        if left <= Millis::ZERO {
            return;
        }
        std::thread::park_timeout(left.to_duration());
    }
}
