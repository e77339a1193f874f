//! The event loop: what happens goes into the engine, its effects are carried out.

use std::collections::{BTreeMap, VecDeque};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::signal::unix::Signal;
use tokio::sync::{mpsc, oneshot};

use super::arming::Acceptance;
use super::clock::{ShellClock, kernel_clock_is_synchronised, under_voltage};
use super::displays::Displays;
use super::heart::{Heart, LoopBeat, tell};
use super::holdfile::{HoldKeeper, HoldsWritten};
use super::log;
use super::people::person;
use super::start::Ended;
use crate::config::{Controller, Right};
use crate::control::{Incoming, Request, Response, ShellFacts};
use crate::engine::{Answer, Command, Denial, Effect, Engine, Event, Ticket, TrustSource};
use crate::ledger::{LedgerHandle, LedgerReport, Request as LedgerRequest};
use crate::mqtt::RemoteCommand;
use crate::pump::{InputReport, InputWatch, PumpHandle, PumpReport};
use crate::quantity::{Millis, Name};
use crate::record::{Arming, Entry, Stamp, Who};

/// The clocks are compared at least this often.
const LOOK_EVERY: Duration = Duration::from_secs(5);
/// The loop shows that it is alive at least this often.
const BEAT_EVERY: Duration = Duration::from_secs(1);
/// A ledger at fault is tried again this often.
const PROBE_EVERY: Duration = Duration::from_secs(10);
/// What is still under way when the daemon is stopped gets this long.
const STOP_PATIENCE: Duration = Duration::from_secs(5);
/// A hold is answered after this time even when its file is not written yet: it is in force.
const HOLD_ANSWER_PATIENCE: Duration = Duration::from_secs(2);

/// What the threads tell the loop. Each is an answer to something the loop asked for, so their number is bounded by that.
#[derive(Debug)]
pub(super) enum Happening {
    Pump(PumpReport),
    Ledger(LedgerReport),
    Holds(HoldsWritten),
    Input(InputReport),
    /// Something does not answer any more, and all heads have been switched off for it.
    Hanging {
        why: String,
    },
}

/// Signals the loop listens to.
#[derive(Debug)]
pub(super) struct Signals {
    pub(super) terminate: Signal,
    pub(super) interrupt: Signal,
    pub(super) hangup: Signal,
}

/// What keeps a live daemon honest.
pub(super) struct Guards {
    /// All heads hang on one cut-off, so a fault of one is a fault of all.
    pub(super) common_supply: bool,
    /// Whether outputs are really driven.
    pub(super) live: bool,
    pub(super) acceptance: Acceptance,
    pub(super) inputs: Option<InputWatch>,
    pub(super) heart: Heart,
    pub(super) beat: LoopBeat,
}

/// Everything the loop works with.
pub(super) struct Shell<'a> {
    pub(super) engine: Engine,
    pub(super) clock: ShellClock,
    pub(super) config_folder: PathBuf,
    pub(super) controller: Arc<Controller>,
    pub(super) facts: ShellFacts,
    pub(super) guards: Guards,
    pub(super) pumps: BTreeMap<Name, PumpHandle>,
    pub(super) ledger: Option<LedgerHandle>,
    /// Tries whether a ledger that could not be opened can be now.
    pub(super) ledger_opens: Box<dyn Fn() -> bool>,
    pub(super) holds: HoldKeeper,
    pub(super) happenings: mpsc::UnboundedReceiver<Happening>,
    pub(super) requests: mpsc::Receiver<Incoming>,
    /// What is shown over MQTT, when that is on.
    pub(super) displays: Option<Displays>,
    /// Outlive the loop: one that comes while everything is started anew is not lost.
    pub(super) signals: &'a mut Signals,
    pub(super) under_voltage_file: Option<PathBuf>,
    pub(super) waiting: Waiting,
}

/// Answers that are owed.
#[derive(Debug, Default)]
pub(super) struct Waiting {
    tickets: BTreeMap<Ticket, Asker>,
    ticket_last: u64,
    /// One for each entry sent to the ledger and not reported on, in order.
    entries: VecDeque<Option<(Ticket, Answer)>>,
    /// Entries that failed once and will be reported on again.
    retried: usize,
    /// Hold sets being written, by number.
    holds: BTreeMap<u64, (Ticket, Answer, Millis)>,
    /// Ledger requests that found its queue full.
    backlog: VecDeque<LedgerRequest>,
    ledger_well: bool,
    probed: Millis,
    /// When the clocks were last compared, in real time.
    looked: Millis,
    /// The answer to an arming or disarming that is being stored, and whether it has been.
    arming: Option<Ticket>,
    arming_stored: bool,
}

impl Waiting {
    pub(super) fn new(ledger_well: bool) -> Self {
        Self {
            ledger_well,
            looked: crate::pump::elapsed(),
            ..Self::default()
        }
    }
}

/// Who waits for an answer.
#[derive(Debug)]
enum Asker {
    Local(oneshot::Sender<Response>),
    Remote(oneshot::Sender<Result<Answer, Denial>>),
}

impl Asker {
    fn give(self, answer: Result<Answer, Denial>) {
        match self {
            Self::Local(sender) => give(sender, answer.into()),
            // The client task may have stopped waiting; what was asked has been done all the same.
            Self::Remote(sender) => drop(sender.send(answer)),
        }
    }
}

/// Where the loop is in being stopped.
enum Stopping {
    No,
    /// Until then, what is under way may end.
    Until(tokio::time::Instant),
}

impl Shell<'_> {
    /// Runs until told to stop or something can no longer be relied on.
    pub(super) async fn run(mut self, first: Vec<Effect>) -> Ended {
        let mut stopping = Stopping::No;
        if let Some(ended) = self.carry_out(first) {
            return self.finish(ended);
        }
        loop {
            let ended = match self.next(&stopping).await {
                Next::Event(event) => self.feed(event),
                Next::Happening(happening) => self.happened(happening),
                Next::Request(incoming) => self.requested(incoming).or_else(|| self.tick_if_due()),
                Next::Remote(command) => self.commanded(command).or_else(|| self.tick_if_due()),
                Next::Reload(who) => {
                    self.reload(None, who);
                    None
                }
                Next::Look => self.look(),
                Next::Beat => None,
                Next::Stop if matches!(stopping, Stopping::No) => {
                    tracing::info!("stopping: no new dose, heads off");
                    tell(&[sd_notify::NotifyState::Stopping]);
                    stopping = Stopping::Until(until_patience_is_over());
                    self.feed(Event::Stopping)
                }
                Next::Stop | Next::PatienceOver => Some(Ended::Stopped),
            };
            if let Some(ended) = ended {
                return self.finish(ended);
            }
            self.show();
            if self.waiting.arming_stored && !self.engine.is_dosing() {
                let holds = self.engine.holds().to_vec();
                return self.finish(Ended::StartAgain { holds });
            }
            if matches!(stopping, Stopping::Until(_)) && !self.engine.is_dosing() {
                return self.finish(Ended::Stopped);
            }
        }
    }

    /// What comes next. Every arm only receives, so a lost race loses nothing.
    async fn next(&mut self, stopping: &Stopping) -> Next {
        // Not a time from now on: whoever asks for the status all the time must not put the look off for ever.
        self.guards.beat.beat();
        let since = crate::pump::elapsed().minus(self.waiting.looked);
        let until_look = LOOK_EVERY.saturating_sub(since.to_duration());
        if until_look.is_zero() {
            return Next::Look;
        }
        let now = self.clock.now();
        let deadline = self.engine.next_deadline(now).min(self.hold_answer_due());
        let until_beat = until_look.min(BEAT_EVERY);
        let sleep = self.clock.until(deadline, until_beat);
        let patience = async {
            match stopping {
                Stopping::No => std::future::pending().await,
                Stopping::Until(at) => tokio::time::sleep_until(*at).await,
            }
        };
        tokio::select! {
            biased;
            happening = self.happenings.recv() => happening.map_or(Next::Stop, Next::Happening),
            Some(incoming) = self.requests.recv() => Next::Request(incoming),
            _ = self.signals.terminate.recv() => Next::Stop,
            _ = self.signals.interrupt.recv() => Next::Stop,
            _ = self.signals.hangup.recv() => Next::Reload(Who::Daemon),
            command = Displays::command(self.displays.as_mut()) => Next::Remote(command),
            () = patience => Next::PatienceOver,
            () = tokio::time::sleep(sleep) => if sleep == until_beat { Next::Beat } else { Next::Event(Event::Tick) },
        }
    }

    /// Gives the engine an event and carries out what comes of it.
    fn feed(&mut self, event: Event) -> Option<Ended> {
        let now = self.clock.now();
        let effects = self.engine.handle(event, now);
        let ended = self.carry_out(effects);
        self.answer_slow_holds();
        if let Some(displays) = &mut self.displays {
            displays.changed();
        }
        ended
    }

    /// Hands the newest state to the displays, now and then.
    fn show(&mut self) {
        if let Some(displays) = self.displays.as_mut().filter(|d| d.is_due()) {
            displays.show(self.engine.status(self.clock.now()));
        }
    }

    /// Requests go before the timer, so a flood of them must not keep what is due waiting.
    fn tick_if_due(&mut self) -> Option<Ended> {
        let now = self.clock.now();
        let is_due = self.engine.next_deadline(now) <= now.elapsed;
        if is_due { self.feed(Event::Tick) } else { None }
    }

    /// The regular look at the clocks and at what only polling tells.
    fn look(&mut self) -> Option<Ended> {
        self.waiting.looked = crate::pump::elapsed();
        // Without a broker it lives on, so it is gone only by a fault of the program.
        if self.displays.as_ref().is_some_and(Displays::is_gone) {
            let why = "the MQTT task panicked".to_owned();
            return Some(Ended::Broken { why });
        }
        if !self.clock.is_virtual() {
            let event = match kernel_clock_is_synchronised() {
                Some(true) => Event::ClockKnown(TrustSource::Kernel),
                Some(false) => Event::ClockUnknown {
                    why: "the kernel says that it is not synchronised".to_owned(),
                },
                None => Event::ClockUnknown {
                    why: "the kernel does not say whether it is synchronised".to_owned(),
                },
            };
            if let Some(ended) = self.feed(event) {
                return Some(ended);
            }
        }
        if let Some(file) = &self.under_voltage_file {
            let low = under_voltage(file);
            if let Some(ended) = self.feed(Event::UnderVoltage(low)) {
                return Some(ended);
            }
        }
        self.probe_ledger();
        if self.ledger.is_none() && (self.ledger_opens)() {
            let holds = self.engine.holds().to_vec();
            return Some(Ended::StartAgain { holds });
        }
        self.feed(Event::Tick)
    }

    fn probe_ledger(&mut self) {
        let now = self.clock.now();
        let real = crate::pump::elapsed();
        let due = real.minus(self.waiting.probed).to_duration() >= PROBE_EVERY;
        if due && !self.waiting.ledger_well {
            self.waiting.probed = real;
            let at = Stamp {
                wall: now.wall,
                elapsed: now.elapsed,
                trusted: false,
            };
            self.hand_to_ledger(LedgerRequest::Probe(at));
        }
    }

    fn happened(&mut self, happening: Happening) -> Option<Ended> {
        match happening {
            Happening::Pump(PumpReport::Ended { id, report }) => {
                self.feed(Event::RunEnded { id, report })
            }
            Happening::Pump(PumpReport::Fault { head, why }) => self.head_at_fault(&head, &why),
            Happening::Input(InputReport { input, safe }) => {
                self.feed(Event::Input { input, safe })
            }
            Happening::Hanging { why } => Some(Ended::Broken { why }),
            Happening::Pump(PumpReport::Gone { head, panicked }) => {
                let why = if panicked { "panicked" } else { "ended" };
                Some(Ended::Broken {
                    why: format!("the thread of head {head} {why}"),
                })
            }
            Happening::Ledger(report) => self.ledger_reported(report),
            Happening::Holds(written) => {
                self.holds_written(&written);
                None
            }
        }
    }

    /// A head that does not obey. With a common cut-off, which is off now, none of the heads can be relied on.
    fn head_at_fault(&mut self, head: &Name, why: &str) -> Option<Ended> {
        let mut ended = self.feed(Event::PumpFault {
            head: head.clone(),
            why: why.to_owned(),
        });
        if self.guards.live && self.guards.common_supply {
            let others: Vec<Name> = self.pumps.keys().filter(|h| *h != head).cloned().collect();
            for other in others {
                let why = format!("its supply is cut off because of head {head}: {why}");
                ended = self.feed(Event::PumpFault { head: other, why }).or(ended);
            }
        }
        ended
    }

    fn ledger_reported(&mut self, report: LedgerReport) -> Option<Ended> {
        let fault = |why: String| Event::LedgerFault { why };
        let ended = match report {
            LedgerReport::IntentStored(id) => self.feed(Event::IntentStored(id)),
            LedgerReport::IntentFailed { id, why } => {
                let why = why.to_string();
                self.waiting.ledger_well = false;
                let ended = self.feed(fault(why.clone()));
                ended.or_else(|| self.feed(Event::IntentFailed { id, why }))
            }
            LedgerReport::OutcomeStored(_) => None,
            LedgerReport::OutcomeFailed { id, why, kept } => {
                tracing::error!(dose = id.0, kept, reason = %why, "the end of a dose is not on disk yet");
                self.waiting.ledger_well = false;
                self.feed(fault(why.to_string()))
            }
            LedgerReport::EntryStored => {
                if self.waiting.retried > 0 {
                    self.waiting.retried -= 1;
                } else if let Some(Some((ticket, answer))) = self.waiting.entries.pop_front() {
                    self.reply(ticket, Ok(answer));
                }
                None
            }
            LedgerReport::EntryFailed { why, kept } => {
                self.waiting.ledger_well = false;
                self.waiting.retried += usize::from(kept);
                if let Some(Some((ticket, answer))) = self.waiting.entries.pop_front() {
                    self.reply(ticket, Err(in_force_only(&answer, &why.to_string())));
                }
                self.feed(fault(why.to_string()))
            }
            LedgerReport::Healthy => {
                self.waiting.ledger_well = true;
                self.feed(Event::LedgerHealthy)
            }
            LedgerReport::Fault { why } => {
                self.waiting.ledger_well = false;
                self.feed(fault(why.to_string()))
            }
            LedgerReport::Ended => Some(Ended::Broken {
                why: "the ledger's thread ended".to_owned(),
            }),
        };
        self.flush_backlog();
        ended
    }

    /// Hands over to the ledger; what its queue does not take waits here and makes the ledger count as not writable.
    fn hand_to_ledger(&mut self, request: LedgerRequest) {
        let Some(ledger) = &self.ledger else { return };
        if self.waiting.backlog.is_empty() && ledger.send(request.clone()).is_ok() {
            return;
        }
        self.waiting.ledger_well = false;
        if !matches!(request, LedgerRequest::Probe(_)) {
            self.waiting.backlog.push_back(request);
        }
    }

    fn flush_backlog(&mut self) {
        while let (Some(ledger), Some(request)) = (&self.ledger, self.waiting.backlog.front()) {
            if ledger.send(request.clone()).is_err() {
                return;
            }
            self.waiting.backlog.pop_front();
        }
    }

    fn requested(&mut self, incoming: Incoming) -> Option<Ended> {
        let Incoming {
            request,
            uid,
            answer,
        } = incoming;
        let who = Who::Local { uid };
        if let Err(text) = self.may(uid, request.right()) {
            tracing::warn!(uid, "refused: {text}");
            give(answer, Response::denied("no-right", text));
            return None;
        }
        match request {
            Request::Status {} => {
                let status = self.engine.status(self.clock.now());
                if let Some(displays) = &self.displays {
                    self.facts.mqtt = Some(displays.health());
                }
                let view = crate::control::status_view(&status, &self.facts);
                let data = serde_json::to_value(view).unwrap_or_default();
                give(answer, Response::done("status", data));
                None
            }
            Request::Reload {} => {
                let ticket = self.ticket(answer);
                self.reload(Some(ticket), who)
            }
            Request::Arm {
                fingerprint,
                sentence,
            } => {
                match self.check_arm(fingerprint.as_str(), sentence.as_str()) {
                    Ok(()) => self.store_arming(true, sentence.into(), who, answer),
                    Err((code, text)) => give(answer, Response::denied(code, text)),
                }
                None
            }
            Request::Disarm {} => {
                self.store_arming(false, String::new(), who, answer);
                // Whatever becomes of the record: it was asked to stop driving, so nothing more is begun.
                if self.guards.live {
                    self.feed(Event::Stopping)
                } else {
                    None
                }
            }
            Request::ConfirmAttended(confirm) => {
                self.command(Asker::Local(answer), who, Command::Confirm(confirm))
            }
            Request::Command(command) => self.command(Asker::Local(answer), who, command),
        }
    }

    /// Whether a local user may ask for that.
    fn may(&self, uid: u32, right: Right) -> Result<(), String> {
        let daemon = rustix::process::geteuid().as_raw();
        crate::config::allows(&self.controller.peers, &person(uid), daemon, right)
    }

    fn command(&mut self, asker: Asker, who: Who, command: Command) -> Option<Ended> {
        let ticket = self.ticket_for(asker);
        self.feed(Event::Command {
            ticket,
            who,
            command,
            nonce: nonce(),
        })
    }

    /// A command that came over the broker and may be given from there.
    fn commanded(&mut self, remote: RemoteCommand) -> Option<Ended> {
        let who = Who::Remote {
            name: remote.sender,
        };
        self.command(Asker::Remote(remote.reply), who, remote.command)
    }

    /// Whether this may be armed now, and was asked for in the right words.
    fn check_arm(&self, fingerprint: &str, sentence: &str) -> Result<(), (&'static str, String)> {
        let acceptance = &self.guards.acceptance;
        if self.guards.live {
            return Err(("armed", "it is armed and live already".to_owned()));
        }
        if self.controller.mode == crate::config::Mode::DryRun {
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
        if self.ledger.is_none() || !self.waiting.ledger_well {
            let text =
                "the ledger cannot be written, so the arming cannot be recorded; nothing changed";
            return Err(("not-recorded", text.to_owned()));
        }
        Ok(())
    }

    /// Writes down an arming or a disarming; when it is on disk the daemon starts anew with it.
    fn store_arming(
        &mut self,
        armed: bool,
        sentence: String,
        who: Who,
        answer: oneshot::Sender<Response>,
    ) {
        let now = self.clock.now();
        let arming = Arming {
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
        };
        let text = if armed {
            "armed: the daemon starts anew and drives the outputs; enter what each bottle holds (`dosewright refill`) and calibrate each head before it can dose"
        } else {
            "disarmed: all heads are off, and the daemon starts anew in dry run"
        };
        let ticket = self.ticket(answer);
        self.waiting.arming = Some(ticket);
        let text = text.to_owned();
        self.store_entry(Entry::Arming(arming), Some((ticket, Answer::Done { text })));
    }

    fn ticket(&mut self, answer: oneshot::Sender<Response>) -> Ticket {
        self.ticket_for(Asker::Local(answer))
    }

    fn ticket_for(&mut self, asker: Asker) -> Ticket {
        self.waiting.ticket_last = self.waiting.ticket_last.wrapping_add(1);
        let ticket = Ticket(self.waiting.ticket_last);
        self.waiting.tickets.insert(ticket, asker);
        ticket
    }

    fn reply(&mut self, ticket: Ticket, answer: Result<Answer, Denial>) {
        if self.waiting.arming == Some(ticket) {
            self.waiting.arming = None;
            self.waiting.arming_stored = answer.is_ok();
        }
        if let Some(asker) = self.waiting.tickets.remove(&ticket) {
            asker.give(answer);
        }
    }

    /// Reads the plan again. All or nothing: a plan with a mistake changes nothing.
    fn reload(&mut self, ticket: Option<Ticket>, who: Who) -> Option<Ended> {
        match crate::config::load_plan(&self.config_folder, &self.controller) {
            Ok(loaded) => {
                self.facts.plan_fingerprint = loaded.fingerprint;
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
                    self.reply(ticket, Err(Denial::new("plan-refused", text)));
                }
                None
            }
        }
    }

    /// Carries out effects in their order.
    fn carry_out(&mut self, effects: Vec<Effect>) -> Option<Ended> {
        let mut ended = None;
        for effect in effects {
            // Before the log, whose reader may be slow: nothing comes before a stop.
            if let Effect::StopPump { head, .. } = &effect
                && let Some(pump) = self.pumps.get(head)
            {
                pump.stop();
            }
            log::effect(&effect);
            if let Some(displays) = &mut self.displays {
                displays.effect(&effect);
            }
            match effect {
                Effect::StoreIntent(intent) => self.store_intent(intent),
                Effect::StartPump { head, permit } => self.start_pump(&head, permit),
                Effect::StopPump { .. } => {}
                Effect::StoreOutcome(outcome) => {
                    self.hand_to_ledger(LedgerRequest::Outcome(outcome));
                }
                Effect::Store { entry, reply } => self.store_entry(entry, reply),
                Effect::SaveHolds { holds, reply } => {
                    let number = self.holds.write(holds);
                    if let Some((ticket, answer)) = reply {
                        let due = crate::pump::elapsed().plus(millis(HOLD_ANSWER_PATIENCE));
                        self.waiting.holds.insert(number, (ticket, answer, due));
                    }
                }
                Effect::Reply { ticket, answer } => self.reply(ticket, answer),
                Effect::Exit { why } => ended = Some(Ended::Broken { why }),
            }
        }
        ended
    }

    fn store_intent(&mut self, intent: crate::record::Intent) {
        let id = intent.id;
        let sent = self.ledger.as_ref().is_some_and(|l| {
            self.waiting.backlog.is_empty() && l.send(LedgerRequest::Intent(intent)).is_ok()
        });
        if !sent {
            // Comes back through the loop like any other report, so that one event is handled at a time.
            self.waiting.ledger_well = false;
            self.requeue_intent_failure(id);
        }
    }

    fn requeue_intent_failure(&mut self, id: crate::record::DoseId) {
        let now = self.clock.now();
        let why = "the ledger does not take it; it is behind with its writing".to_owned();
        let effects = self.engine.handle(Event::IntentFailed { id, why }, now);
        // Only notes and replies come of this, never another intent for the same dose.
        if let Some(ended) = self.carry_out(effects) {
            tracing::error!(?ended, "after an intent that the ledger did not take");
        }
    }

    fn start_pump(&mut self, head: &Name, permit: crate::guard::DosePermit) {
        let id = permit.dose();
        let started = self
            .pumps
            .get_mut(head)
            .is_some_and(|pump| pump.start(permit));
        if !started && let PumpReport::Ended { id, report } = PumpReport::not_started(id) {
            let now = self.clock.now();
            let effects = self.engine.handle(Event::RunEnded { id, report }, now);
            if let Some(ended) = self.carry_out(effects) {
                tracing::error!(?ended, "after a head that took no order");
            }
        }
    }

    fn store_entry(&mut self, entry: Entry, reply: Option<(Ticket, Answer)>) {
        if self.ledger.is_none() {
            if let Some((ticket, answer)) = reply {
                self.reply(
                    ticket,
                    Err(in_force_only(&answer, "the ledger cannot be used")),
                );
            }
            return;
        }
        self.waiting.entries.push_back(reply);
        self.hand_to_ledger(LedgerRequest::Entry(entry));
    }

    fn holds_written(&mut self, written: &HoldsWritten) {
        let done: Vec<u64> = self
            .waiting
            .holds
            .range(..=written.number)
            .map(|(n, _)| *n)
            .collect();
        if let Err(error) = &written.result {
            tracing::error!(%error, "holds are in force but not on disk");
        }
        for number in done {
            let Some((ticket, answer, _)) = self.waiting.holds.remove(&number) else {
                continue;
            };
            let answer = match &written.result {
                Ok(()) => Ok(answer),
                Err(error) => Err(in_force_only(&answer, &error.to_string())),
            };
            self.reply(ticket, answer);
        }
    }

    fn hold_answer_due(&self) -> Millis {
        // The waits are in real time, the deadline in the clock's time; a tick that comes a little often does no harm.
        if self.waiting.holds.is_empty() {
            Millis::MAX
        } else {
            self.clock.now().elapsed.plus(Millis::new(200))
        }
    }

    fn answer_slow_holds(&mut self) {
        let real = crate::pump::elapsed();
        let late: Vec<u64> = self
            .waiting
            .holds
            .iter()
            .filter(|(_, (_, _, due))| *due <= real)
            .map(|(n, _)| *n)
            .collect();
        for number in late {
            if let Some((ticket, answer, _)) = self.waiting.holds.remove(&number) {
                self.reply(
                    ticket,
                    Err(in_force_only(&answer, "the disk does not answer")),
                );
            }
        }
    }

    /// The way out: heads off first, then the books, then the answers that are still owed.
    fn finish(self, ended: Ended) -> Ended {
        for pump in self.pumps.values() {
            pump.stop();
        }
        for (_, pump) in self.pumps {
            pump.end();
        }
        let mut happenings = self.happenings;
        let mut engine = self.engine;
        let mut displays = self.displays;
        // What the heads reported on their way out is booked.
        while let Ok(happening) = happenings.try_recv() {
            if let Happening::Pump(PumpReport::Ended { id, report }) = happening {
                let effects = engine.handle(Event::RunEnded { id, report }, self.clock.now());
                if let Some(displays) = &mut displays {
                    for effect in &effects {
                        displays.effect(effect);
                    }
                }
                if let Some(ledger) = &self.ledger {
                    forward(ledger, effects);
                }
            }
        }
        if let Some(ledger) = self.ledger {
            forward(
                &ledger,
                engine.last_words(&ended.to_string(), self.clock.now()),
            );
            if ledger.send(LedgerRequest::Stop).is_ok() && !ledger.join() {
                tracing::error!("the ledger's thread had panicked");
            }
        }
        self.holds.end();
        if let Some(inputs) = self.guards.inputs {
            inputs.end();
        }
        self.guards.heart.end();
        if let Some(mut displays) = displays {
            displays.show(engine.status(self.clock.now()));
        }
        ended
    }
}

fn until_patience_is_over() -> tokio::time::Instant {
    tokio::time::Instant::now() + STOP_PATIENCE
}

/// What the loop received.
enum Next {
    Event(Event),
    Happening(Happening),
    Request(Incoming),
    Remote(RemoteCommand),
    Reload(Who),
    Look,
    /// Nothing but a sign of life.
    Beat,
    Stop,
    PatienceOver,
}

/// Passes on what is to be written, at the end, when nobody waits for answers any more.
fn forward(ledger: &LedgerHandle, effects: Vec<Effect>) {
    for effect in effects {
        log::effect(&effect);
        let request = match effect {
            Effect::StoreOutcome(outcome) => LedgerRequest::Outcome(outcome),
            Effect::Store { entry, .. } => LedgerRequest::Entry(entry),
            Effect::StoreIntent(_)
            | Effect::StartPump { .. }
            | Effect::StopPump { .. }
            | Effect::SaveHolds { .. }
            | Effect::Reply { .. }
            | Effect::Exit { .. } => continue,
        };
        if let Err(error) = ledger.send(request) {
            tracing::error!(%error, "not written at the end");
        }
    }
}

fn give(sender: oneshot::Sender<Response>, response: Response) {
    // The asker may have gone away; what was asked has been done all the same.
    drop(sender.send(response));
}

/// What was asked is in force, but not written down.
fn in_force_only(answer: &Answer, why: &str) -> Denial {
    Denial::new(
        "not-recorded",
        format!(
            "{}: in force now, but not on disk yet: {why}",
            answer.text()
        ),
    )
}

/// Random bits of the kernel, good enough that nobody guesses a token made of them.
fn nonce() -> Option<u128> {
    let mut bytes = [0_u8; 16];
    let got = rustix::rand::getrandom(&mut bytes, rustix::rand::GetRandomFlags::NONBLOCK);
    (got == Ok(bytes.len())).then(|| u128::from_ne_bytes(bytes))
}

fn millis(duration: Duration) -> Millis {
    Millis::new(i64::try_from(duration.as_millis()).unwrap_or(i64::MAX))
}
