//! Arming and disarming while the daemon runs.

use tokio::sync::oneshot;

use super::asker::{Asker, give};
use super::state::EventLoop;
use crate::config::Mode;
use crate::control::Response;
use crate::daemon::clock::kernel_clock_is_synchronised;
use crate::daemon::ended::Ended;
use crate::engine::{Answer, Event};
use crate::record::{Arming, Entry, Stamp, Who};
use crate::shell::Books;

impl EventLoop<'_> {
    pub(super) fn arm(
        &mut self,
        fingerprint: &str,
        sentence: String,
        who: Who,
        answer: oneshot::Sender<Response>,
    ) -> Result<(), Ended> {
        if let Err((code, text)) = self.check_arm(fingerprint, &sentence) {
            give(answer, Response::denied(code, text));
            return Ok(());
        }
        let arming = self.arming(true, sentence, who);
        let text = "armed: the daemon starts anew and drives the outputs; enter what each bottle holds (`dosewright refill`) and calibrate each head before it can dose";
        self.store_arming(arming, text, answer)
    }

    pub(super) fn disarm(
        &mut self,
        who: Who,
        answer: oneshot::Sender<Response>,
    ) -> Result<(), Ended> {
        let arming = self.arming(false, String::new(), who);
        let text = "disarmed: all heads are off, and the daemon starts anew in dry run";
        self.store_arming(arming, text, answer)?;
        // Whatever becomes of the record: it was asked to stop driving, so nothing more is begun.
        if self.guards.live {
            self.feed(Event::Stopping)?;
        }
        Ok(())
    }

    /// Whether this may be armed now, and was asked for in the right words.
    fn check_arm(&self, fingerprint: &str, sentence: &str) -> Result<(), (&'static str, String)> {
        let acceptance = &self.guards.acceptance;
        if self.guards.live {
            return Err(("armed", "it is armed and live already".to_owned()));
        }
        if self.controller.mode == Mode::DryRun {
            let text = "the running daemon was started with mode = \"dry-run\"; set mode = \"live\" in controller.toml, restart the daemon (it stays dry until armed), then arm";
            return Err(("dry-run", text.to_owned()));
        }
        if acceptance.fingerprint != fingerprint {
            let text = format!(
                "controller.toml or the board is not what the running daemon was started with ({} there, {fingerprint} here); restart the daemon, then arm",
                acceptance.fingerprint
            );
            return Err(("changed", text));
        }
        if !acceptance.is_sentence(sentence) {
            let text = format!(
                "the sentence was not typed as it stands; it is: {}",
                acceptance.sentence
            );
            return Err(("sentence", text));
        }
        if self.core.desk.books() != Books::Well {
            let text =
                "the ledger cannot be written, so the arming cannot be recorded; nothing changed";
            return Err(("not-recorded", text.to_owned()));
        }
        Ok(())
    }

    fn arming(&self, armed: bool, sentence: String, who: Who) -> Arming {
        let now = self.outside.clock.now();
        Arming {
            armed,
            fingerprint: self.guards.acceptance.fingerprint.clone(),
            hardware: self.guards.acceptance.hardware.clone(),
            sentence,
            who,
            at: Stamp {
                wall: now.wall,
                elapsed: now.elapsed,
                trusted: kernel_clock_is_synchronised() == Some(true),
            },
        }
    }

    /// Writes it down; when it is on disk the daemon starts anew with it.
    fn store_arming(
        &mut self,
        arming: Arming,
        text: &str,
        answer: oneshot::Sender<Response>,
    ) -> Result<(), Ended> {
        let desk = &mut self.core.desk;
        let ticket = desk.ticket(Asker::Anew(answer));
        let text = text.to_owned();
        desk.entries(
            vec![Entry::Arming(arming)],
            Some((ticket, Answer::done(text))),
        );
        self.go_on()
    }
}
