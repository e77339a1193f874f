//! What people and displays ask for.

use std::sync::Arc;

use super::asker::{Asker, give};
use super::state::EventLoop;
use crate::chemistry::Quantity;
use crate::config::{Right, allows};
use crate::control::{Incoming, Request, Response};
use crate::daemon::ended::Ended;
use crate::daemon::people::person;
use crate::engine::{Command, Denial, Event, Ticket};
use crate::mqtt::RemoteCommand;
use crate::record::Who;

impl EventLoop<'_> {
    pub(super) fn requested(&mut self, incoming: Incoming) -> Result<(), Ended> {
        let Incoming {
            request,
            uid,
            answer,
        } = incoming;
        if let Err(text) = self.may(uid, request.right()) {
            tracing::warn!(uid, "refused: {text}");
            give(answer, Response::denied("no-right", text));
            return Ok(());
        }
        let who = Who::Local { uid };
        match request {
            Request::Status {} => give(answer, self.status()),
            Request::Advise { of } => give(answer, self.advice(&of)),
            Request::Reload {} => {
                let ticket = self.core.desk.ticket(Asker::Local(answer));
                self.reload(Some(ticket), who)?;
            }
            Request::Arm {
                fingerprint,
                sentence,
            } => self.arm(fingerprint.as_str(), sentence.into(), who, answer)?,
            Request::Disarm {} => self.disarm(who, answer)?,
            Request::ConfirmAttended(confirm) => {
                self.command(Asker::Local(answer), who, Command::Confirm(confirm))?;
            }
            Request::Command(command @ Command::ClockWrong { .. }) => {
                self.command(Asker::Anew(answer), who, command)?;
            }
            Request::Command(command) => self.command(Asker::Local(answer), who, command)?,
        }
        Ok(())
    }

    /// Whether a local user may ask for that.
    fn may(&self, uid: u32, right: Right) -> Result<(), String> {
        let daemon = rustix::process::geteuid().as_raw();
        allows(&self.controller.peers, &person(uid), daemon, right)
    }

    /// A command that came over the broker and may be given from there.
    pub(super) fn commanded(&mut self, remote: RemoteCommand) -> Result<(), Ended> {
        let who = Who::Remote {
            name: remote.sender,
        };
        self.command(Asker::Remote(remote.reply), who, remote.command)
    }

    fn command(&mut self, asker: Asker, who: Who, command: Command) -> Result<(), Ended> {
        let ticket = self.core.desk.ticket(asker);
        self.feed(Event::Command {
            ticket,
            who,
            command,
            nonce: nonce(),
        })
    }

    fn status(&mut self) -> Response {
        let outside = &mut self.outside;
        outside.totals.facts.daemon.mqtt = {
            let zone = &outside.zone;
            outside.displays.as_ref().map(|it| it.health(zone))
        };
        let now = outside.clock.now();
        let status = self.core.engine.status(now, &outside.totals.facts);
        let data = serde_json::to_value(status).unwrap_or_default();
        Response::done("status", data)
    }

    fn advice(&self, of: &Quantity) -> Response {
        let advice = self.core.engine.advice(of, self.outside.clock.now());
        let text = advice.lines().join("\n");
        Response::done(text, serde_json::to_value(advice).unwrap_or_default())
    }

    /// Reads the plan again. All or nothing: a plan with a mistake changes nothing.
    pub(super) fn reload(&mut self, ticket: Option<Ticket>, who: Who) -> Result<(), Ended> {
        match crate::config::load_plan(
            &self.config_folder,
            &self.controller,
            &crate::plan::check_plan,
        ) {
            Ok(loaded) => {
                self.outside.totals.facts.daemon.plan_fingerprint = loaded.fingerprint;
                self.feed(Event::PlanReplaced {
                    plan: Arc::new(loaded.plan),
                    ticket,
                    who,
                })
            }
            Err(mistakes) => {
                let text =
                    format!("the plan was not taken, the one before stays in force:\n{mistakes}");
                tracing::error!("{text}");
                if let Some(ticket) = ticket {
                    let denial = Denial::new("plan-refused", text);
                    self.core.desk.reply(ticket, Err(denial));
                }
                self.go_on()
            }
        }
    }
}

/// Random bits of the kernel, good enough that nobody guesses a token made of them.
fn nonce() -> Option<u128> {
    let mut bytes = [0_u8; 16];
    let got = rustix::rand::getrandom(&mut bytes, rustix::rand::GetRandomFlags::NONBLOCK);
    (got == Ok(bytes.len())).then(|| u128::from_ne_bytes(bytes))
}
