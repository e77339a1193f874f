//! Who waits for an answer.

use tokio::sync::oneshot;

use crate::control::Response;
use crate::engine::{Answer, Denial};
use crate::shell::Verdict;

#[derive(Debug)]
pub(in crate::daemon) enum Asker {
    Local(oneshot::Sender<Response>),
    /// Asked for what the daemon starts anew with, once it is on disk: to arm or disarm, or to call times wrong.
    Anew(oneshot::Sender<Response>),
    Remote(oneshot::Sender<Result<Answer, Denial>>),
}

impl Asker {
    pub(super) fn give(self, verdict: Verdict) {
        match self {
            Self::Local(sender) | Self::Anew(sender) => {
                give(sender, verdict.into());
            }
            // The client task may have stopped waiting; what was asked has been done all the same.
            Self::Remote(sender) => drop(sender.send(verdict)),
        }
    }
}

pub(super) fn give(sender: oneshot::Sender<Response>, response: Response) {
    // The asker may have gone away; what was asked has been done all the same.
    drop(sender.send(response));
}
