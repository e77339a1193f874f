//! The desk where commands are received: allowed, fresh, new and not too many, or refused with an answer.
//!
//! Lives as long as the daemon, across connections, so that what was obeyed before an outage is known after it. Across a
//! restart the ids are lost; there, a command made before the clock became trusted anew is refused for that.
//!
//! Holds are treated differently, because stopping must work when little else does: they need no id, their sender's clock is not
//! asked, they are not counted against the limit of commands, and they have a queue of their own; while that is full nothing more
//! is read from the broker. One id is obeyed once, so that a repeated message does not undo a resume.

use std::collections::VecDeque;
use std::sync::Arc;

use jiff::Timestamp;
use serde_json::{Value, json};
use tokio::sync::{mpsc, oneshot};

use super::answer::{details, words};
use super::command::{Parsed, id_of, parse};
use super::payload::Reply;
use super::settings::Settings;
use super::{Clock, RemoteCommand};
use crate::config::{Mode, RemoteKind};
use crate::engine::{Answer, Denial, Now};
use crate::quantity::Millis;
use crate::record::NOTHING_IS_HELD;

/// Ids that are remembered.
const IDS_MAX: usize = 256;
/// A sender's clock may be this far ahead of ours.
const AHEAD_MAX: Millis = Millis::from_secs(5);
/// Commands other than holds that may wait for their answers.
const WAITING_MAX: usize = 4;
/// Holds whose answers are waited for; a further one is obeyed all the same.
const HOLDS_WAITING_MAX: usize = 32;
/// Refusals, and holds without an answer of the engine's, that are answered in a burst, and one more each so many milliseconds.
const REFUSALS_BURST: i64 = 20;
const REFUSAL_EVERY: Millis = Millis::new(500);

/// A message on a command topic.
#[derive(Debug)]
pub(super) struct Received<'a> {
    pub(super) kind: RemoteKind,
    pub(super) payload: &'a [u8],
    /// The broker had kept it: it was not sent now.
    pub(super) retained: bool,
}

/// What is to be done about it.
#[derive(Debug)]
pub(super) enum Outcome {
    Reply(Value),
    /// Nothing is said, because too much was said already.
    Silent,
    /// It was handed over; its answer comes through the receiver.
    HandedOver(Waiting),
}

/// A command that was handed over.
#[derive(Debug)]
pub(super) struct Waiting {
    pub(super) kind: RemoteKind,
    pub(super) id: Option<String>,
    pub(super) answer: oneshot::Receiver<Result<Answer, Denial>>,
}

/// The answer to a command that was handed over.
#[derive(Debug)]
pub(super) struct Answered {
    pub(super) kind: RemoteKind,
    pub(super) id: Option<String>,
    pub(super) answer: Result<Answer, Denial>,
}

pub(super) struct Desk {
    settings: Arc<Settings>,
    clock: Clock,
    commands: mpsc::Sender<RemoteCommand>,
    holds: mpsc::Sender<RemoteCommand>,
    /// Wall time at which the clock became trusted since our start: nothing made before it is obeyed, since whether it was obeyed already
    /// is not known. That of the start would not do: a clock that was set since makes what was obeyed before the start look newer.
    trusted_from: Option<Timestamp>,
    /// Ids obeyed, oldest first, with the elapsed time from which on their age alone keeps them out.
    ids: VecDeque<(String, Millis)>,
    /// Ids of holds obeyed, oldest first. In a list of their own, so that no number of holds makes room for an old command.
    hold_ids: VecDeque<String>,
    waiting: usize,
    holds_waiting: usize,
    allowance: i64,
    allowance_at: Millis,
    suppressed: u64,
    refused: u64,
    mode: Mode,
}

impl Desk {
    pub(super) fn new(
        settings: Arc<Settings>,
        clock: Clock,
        commands: mpsc::Sender<RemoteCommand>,
        holds: mpsc::Sender<RemoteCommand>,
    ) -> Self {
        let now = clock();
        Self {
            settings,
            clock,
            commands,
            holds,
            trusted_from: None,
            ids: VecDeque::with_capacity(IDS_MAX),
            hold_ids: VecDeque::with_capacity(IDS_MAX),
            waiting: 0,
            holds_waiting: 0,
            allowance: REFUSALS_BURST,
            allowance_at: now.elapsed,
            suppressed: 0,
            refused: 0,
            mode: Mode::DryRun,
        }
    }

    /// Takes over what a snapshot says about mode and clock.
    pub(super) fn observe(&mut self, mode: Mode, clock_trusted: bool) {
        self.mode = mode;
        if !clock_trusted {
            self.trusted_from = None;
        } else if self.trusted_from.is_none() {
            self.trusted_from = Some((self.clock)().wall);
        }
    }

    /// Whether a hold would be taken at once.
    pub(super) fn has_room(&self) -> bool {
        self.holds.capacity() > 0 || self.holds.is_closed()
    }

    /// Waits until it would.
    pub(super) async fn room(&self) {
        drop(self.holds.reserve().await);
    }

    /// How many commands were refused.
    pub(super) fn refused(&self) -> u64 {
        self.refused
    }

    pub(super) fn receive(&mut self, message: &Received<'_>) -> Outcome {
        let now = (self.clock)();
        let parsed = match self.admit(message, now) {
            Ok(parsed) => parsed,
            Err(denial) => return self.refuse(message, &denial, now),
        };
        let is_hold = message.kind == RemoteKind::Hold;
        if is_hold
            && parsed
                .id
                .as_ref()
                .is_some_and(|id| self.hold_ids.contains(id))
        {
            let text = "this hold was obeyed when it first came, and is not set twice; if it was lifted since, send one with a new id";
            return self.answer_now(parsed.id.as_deref(), text, now);
        }
        let (reply, answer) = oneshot::channel();
        let remote = RemoteCommand {
            command: parsed.command,
            sender: sender(parsed.from.as_deref()),
            reply,
        };
        let queue = if is_hold { &self.holds } else { &self.commands };
        if queue.try_send(remote).is_err() {
            let denial = Denial::new(
                "busy",
                "the controller has too much to do to take this command; to stop now, use the command line or the switch at the tank",
            );
            return self.refuse(message, &denial, now);
        }
        if let Some(id) = &parsed.id {
            self.remember(id.clone(), is_hold, now);
        }
        if !is_hold {
            self.waiting = self.waiting.saturating_add(1);
        } else if self.holds_waiting < HOLDS_WAITING_MAX {
            self.holds_waiting = self.holds_waiting.saturating_add(1);
        } else {
            let text = "taken; so many holds come at once that this one gets no answer of its own, see the state";
            return self.answer_now(parsed.id.as_deref(), text, now);
        }
        Outcome::HandedOver(Waiting {
            kind: message.kind,
            id: parsed.id,
            answer,
        })
    }

    /// A word on a hold without waiting for the engine's; silence when too much was said already.
    fn answer_now(&mut self, id: Option<&str>, text: &str, now: Now) -> Outcome {
        if !self.may_answer(now) {
            return Outcome::Silent;
        }
        let answer = Ok(Answer::done(text));
        Outcome::Reply(self.reply(RemoteKind::Hold, id, &answer))
    }

    /// The engine has answered, or did not in time.
    pub(super) fn answered(&mut self, done: &Answered) -> Value {
        let waiting = if done.kind == RemoteKind::Hold {
            &mut self.holds_waiting
        } else {
            &mut self.waiting
        };
        *waiting = waiting.saturating_sub(1);
        if done.answer.is_err() {
            self.refused = self.refused.saturating_add(1);
        }
        self.reply(done.kind, done.id.as_deref(), &done.answer)
    }

    fn admit(&self, message: &Received<'_>, now: Now) -> Result<Parsed, Denial> {
        let kind = message.kind;
        if message.retained {
            return Err(Denial::new(
                "retained",
                "a command that the broker had kept is never obeyed; send commands without the retain flag",
            ));
        }
        if !self.settings.broker.commands.contains(&kind) {
            return Err(Denial::new(
                "not-allowed",
                format!(
                    "{} over MQTT is not allowed here; the owner can add it to mqtt.commands",
                    kind.as_str()
                ),
            ));
        }
        let parsed = parse(kind, message.payload)?;
        if kind == RemoteKind::Hold {
            return Ok(parsed);
        }
        if let Some(sent) = parsed.sent {
            self.check_age(sent, now)?;
        }
        if let Some(id) = &parsed.id {
            self.check_new(id, now)?;
        }
        if self.waiting >= WAITING_MAX {
            return Err(too_many());
        }
        Ok(parsed)
    }

    fn check_age(&self, sent: Timestamp, now: Now) -> Result<(), Denial> {
        let Some(trusted_from) = self.trusted_from else {
            return Err(Denial::new(
                "clock-unsure",
                "the controller's clock is not trusted, so it cannot tell how old this command is; only a hold is obeyed",
            ));
        };
        let age = Millis::new(
            now.wall
                .as_millisecond()
                .saturating_sub(sent.as_millisecond()),
        );
        let limit = Millis::new(
            i64::try_from(self.settings.broker.command_age_max.as_millis()).unwrap_or(0),
        );
        if age > limit {
            return Err(Denial::new(
                "stale",
                format!(
                    "the command is {age} old, over {limit}; send it again, or set the sender's clock right"
                ),
            ));
        }
        if age < Millis::new(0).minus(AHEAD_MAX) {
            return Err(Denial::new(
                "from-the-future",
                format!(
                    "the command's time is more than {AHEAD_MAX} ahead of the controller's clock; set the sender's clock right"
                ),
            ));
        }
        // A command obeyed before our start was made at most AHEAD_MAX after it was received, so by this bound it is out.
        let bound = trusted_from
            .as_millisecond()
            .saturating_add(AHEAD_MAX.as_ms());
        if sent.as_millisecond() <= bound {
            return Err(Denial::new(
                "before-restart",
                "the controller has started, or its clock was set, since this command was made, and cannot know whether it was obeyed; look, then send it again",
            ));
        }
        Ok(())
    }

    fn check_new(&self, id: &str, now: Now) -> Result<(), Denial> {
        if self.ids.iter().any(|(known, _)| known == id) {
            return Err(Denial::new(
                "repeated",
                format!(
                    "a command with the id {id} was obeyed already; give a new command a new id"
                ),
            ));
        }
        let full_of_young = self.ids.len() >= IDS_MAX
            && self
                .ids
                .front()
                .is_some_and(|(_, until)| *until > now.elapsed);
        if full_of_young {
            return Err(too_many());
        }
        Ok(())
    }

    fn remember(&mut self, id: String, is_hold: bool, now: Now) {
        if is_hold {
            // A hold obeyed twice is the lesser harm.
            if self.hold_ids.len() >= IDS_MAX {
                self.hold_ids.pop_front();
            }
            self.hold_ids.push_back(id);
            return;
        }
        while self.ids.len() >= IDS_MAX {
            self.ids.pop_front();
        }
        let age_max = i64::try_from(self.settings.broker.command_age_max.as_millis()).unwrap_or(0);
        let until = now.elapsed.plus(Millis::new(age_max)).plus(AHEAD_MAX);
        self.ids.push_back((id, until));
    }

    /// Answers that the desk gives itself are few, whatever comes in.
    fn may_answer(&mut self, now: Now) -> bool {
        let earned = now.elapsed.minus(self.allowance_at).as_ms() / REFUSAL_EVERY.as_ms();
        if earned > 0 {
            self.allowance = self.allowance.saturating_add(earned).min(REFUSALS_BURST);
            self.allowance_at = now.elapsed;
        }
        if self.allowance <= 0 {
            self.suppressed = self.suppressed.saturating_add(1);
            return false;
        }
        self.allowance = self.allowance.saturating_sub(1);
        true
    }

    fn refuse(&mut self, message: &Received<'_>, denial: &Denial, now: Now) -> Outcome {
        self.refused = self.refused.saturating_add(1);
        if !self.may_answer(now) {
            return Outcome::Silent;
        }
        let mut denial = denial.clone();
        if message.kind == RemoteKind::Hold {
            denial.text = format!("{NOTHING_IS_HELD}: {}", denial.text);
        }
        tracing::warn!(
            command = message.kind.as_str(),
            code = denial.code,
            reason = denial.text,
            suppressed = self.suppressed,
            "command over MQTT refused"
        );
        let id = id_of(message.payload);
        let reply = self.reply(message.kind, id.as_deref(), &Err(denial));
        Outcome::Reply(reply)
    }

    fn reply(
        &mut self,
        kind: RemoteKind,
        id: Option<&str>,
        answer: &Result<Answer, Denial>,
    ) -> Value {
        let (code, text) = match answer {
            Ok(answer) => (None, words(answer)),
            Err(denial) => (Some(denial.code.as_str()), denial.text.clone()),
        };
        let mut reply = Reply {
            mode: self.mode,
            id: id.map(str::to_owned),
            command: kind.as_str().to_owned(),
            accepted: answer.is_ok(),
            code: code.map(str::to_owned),
            text,
            token: None,
            line: None,
            solution: None,
            caustic: None,
            volume: None,
            run_time_s: None,
            unusual: None,
            dose: None,
            suppressed: std::mem::take(&mut self.suppressed),
        };
        if let Ok(answer) = answer {
            details(answer, &mut reply);
        }
        json!(reply)
    }
}

fn too_many() -> Denial {
    Denial::new(
        "too-many",
        "too many commands at once; wait for their answers",
    )
}

fn sender(from: Option<&str>) -> String {
    // MQTT 3.1.1 does not tell a subscriber who published; a name that the sender gives itself proves nothing.
    match from {
        Some(from) => format!("a sender on the broker that calls itself {from}"),
        None => "a sender on the broker".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Command;
    use std::sync::Mutex;

    struct Bench {
        desk: Desk,
        now: Arc<Mutex<Now>>,
        core: mpsc::Receiver<RemoteCommand>,
        holds: mpsc::Receiver<RemoteCommand>,
    }

    fn bench(commands: &[RemoteKind]) -> Bench {
        let begin = Now {
            wall: "2026-11-25T10:00:00Z".parse().unwrap(),
            elapsed: Millis::from_secs(1000),
        };
        let now = Arc::new(Mutex::new(begin));
        let read = Arc::clone(&now);
        let mut settings = Settings::new("localhost", 1883);
        settings.broker.commands = commands.iter().copied().collect();
        let (tx, core) = mpsc::channel(64);
        let (holds_in, holds) = mpsc::channel(64);
        let clock: Clock = Arc::new(move || *read.lock().unwrap());
        let mut desk = Desk::new(Arc::new(settings), clock, tx, holds_in);
        desk.observe(Mode::DryRun, true);
        let mut bench = Bench {
            desk,
            now,
            core,
            holds,
        };
        bench.pass(60);
        bench
    }

    impl Bench {
        fn pass(&mut self, seconds: i64) {
            let mut now = self.now.lock().unwrap();
            now.elapsed = now.elapsed.plus(Millis::from_secs(seconds));
            now.wall =
                Timestamp::from_millisecond(now.wall.as_millisecond() + seconds * 1000).unwrap();
        }

        fn sent(&self, age_s: i64) -> String {
            let wall = self.now.lock().unwrap().wall;
            Timestamp::from_millisecond(wall.as_millisecond() - age_s * 1000)
                .unwrap()
                .to_string()
        }

        fn send(&mut self, kind: RemoteKind, payload: &str, retained: bool) -> Outcome {
            self.desk.receive(&Received {
                kind,
                payload: payload.as_bytes(),
                retained,
            })
        }

        fn resume(&mut self, id: &str, age_s: i64) -> Result<Waiting, String> {
            let payload = format!(
                r#"{{"id":"{id}","sent":"{}","all":true}}"#,
                self.sent(age_s)
            );
            taken(self.send(RemoteKind::Resume, &payload, false))
        }

        fn finish(&mut self, waiting: Waiting) -> Value {
            let answer = Ok(Answer::done("done"));
            let Waiting {
                kind,
                id,
                answer: _,
            } = waiting;
            self.desk.answered(&Answered { kind, id, answer })
        }
    }

    fn taken(outcome: Outcome) -> Result<Waiting, String> {
        match outcome {
            Outcome::HandedOver(waiting) => Ok(waiting),
            Outcome::Reply(reply) => {
                assert_eq!(reply["accepted"], false);
                Err(reply["code"].as_str().unwrap().to_owned())
            }
            Outcome::Silent => Err("silent".to_owned()),
        }
    }

    const ALL: [RemoteKind; 5] = RemoteKind::ALL;

    #[test]
    fn only_what_the_owner_allowed_is_handed_over() {
        let mut b = bench(&[RemoteKind::Hold]);
        assert_eq!(b.resume("a", 0).unwrap_err(), "not-allowed");
        assert!(taken(b.send(RemoteKind::Hold, "{}", false)).is_ok());
        assert!(matches!(
            b.holds.try_recv().unwrap().command,
            Command::Hold { .. }
        ));
        assert!(b.core.try_recv().is_err());
    }

    #[test]
    fn a_kept_command_is_never_obeyed_not_even_a_hold() {
        let mut b = bench(&ALL);
        assert_eq!(
            taken(b.send(RemoteKind::Hold, "{}", true)).unwrap_err(),
            "retained"
        );
        assert!(b.core.try_recv().is_err() && b.holds.try_recv().is_err());
    }

    #[test]
    fn an_id_is_obeyed_once_over_any_time() {
        let mut b = bench(&ALL);
        let first = b.resume("a", 0).unwrap();
        assert_eq!(b.finish(first)["accepted"], true);
        for _ in 0..3 {
            assert_eq!(b.resume("a", 0).unwrap_err(), "repeated");
            b.pass(40);
        }
        assert!(b.resume("b", 0).is_ok());
    }

    #[test]
    fn an_old_command_and_one_from_the_future_are_refused_and_a_late_hold_obeyed() {
        let mut b = bench(&ALL);
        assert_eq!(b.resume("a", 31).unwrap_err(), "stale");
        assert_eq!(b.resume("a", 7200).unwrap_err(), "stale");
        assert_eq!(b.resume("a", -6).unwrap_err(), "from-the-future");
        for age in [31, 99_999, -99_999] {
            let wrong = format!(r#"{{"sent":"{}"}}"#, b.sent(age));
            assert!(taken(b.send(RemoteKind::Hold, &wrong, false)).is_ok());
        }
        assert!(b.resume("a", 29).is_ok());
    }

    #[test]
    fn what_was_made_before_a_restart_is_refused_after_it() {
        let mut b = bench(&ALL);
        b.pass(-60);
        assert_eq!(b.resume("a", 0).unwrap_err(), "before-restart");
        b.pass(5);
        assert_eq!(b.resume("a", 0).unwrap_err(), "before-restart");
        b.pass(1);
        assert_eq!(b.resume("a", 1).unwrap_err(), "before-restart");
        assert!(b.resume("a", 0).is_ok());
    }

    #[test]
    fn what_was_obeyed_before_a_reboot_is_refused_when_the_clock_was_set_after_it() {
        let mut b = bench(&ALL);
        let obeyed = b.sent(0);
        // A board without a battery: an hour behind after the reboot, then set by the network.
        b.pass(-3600);
        let (tx, _core) = mpsc::channel(8);
        let mut again = Desk::new(
            Arc::clone(&b.desk.settings),
            Arc::clone(&b.desk.clock),
            tx.clone(),
            tx,
        );
        again.observe(Mode::DryRun, false);
        b.pass(3600 + 20);
        again.observe(Mode::DryRun, true);
        b.desk = again;
        let replayed = format!(r#"{{"id":"a","sent":"{obeyed}","all":true}}"#);
        let outcome = b.send(RemoteKind::Resume, &replayed, false);
        assert_eq!(taken(outcome).unwrap_err(), "before-restart");
        b.pass(7);
        assert!(b.resume("b", 0).is_ok());
    }

    #[test]
    fn with_an_untrusted_clock_only_a_hold_is_obeyed() {
        let mut b = bench(&ALL);
        b.desk.observe(Mode::DryRun, false);
        assert_eq!(b.resume("a", 0).unwrap_err(), "clock-unsure");
        let old = format!(r#"{{"sent":"{}"}}"#, b.sent(99_999));
        assert!(taken(b.send(RemoteKind::Hold, &old, false)).is_ok());
    }

    #[test]
    fn a_flood_of_commands_stays_bounded_and_forgets_no_young_id() {
        let mut b = bench(&ALL);
        let mut obeyed = 0;
        for n in 0..2000 {
            if let Ok(waiting) = b.resume(&format!("n{n}"), 0) {
                obeyed += 1;
                drop(b.core.try_recv().unwrap());
                b.finish(waiting);
            }
        }
        assert_eq!(obeyed, IDS_MAX);
        assert_eq!(
            b.resume("n0", 0).unwrap_err(),
            "silent",
            "refusals are limited too"
        );
        b.pass(20);
        assert_eq!(b.resume("n0", 0).unwrap_err(), "repeated");
        b.pass(16);
        assert!(b.resume("fresh", 0).is_ok(), "old ids make room");
    }

    #[test]
    fn few_commands_wait_at_once_and_a_hold_is_not_among_them() {
        let mut b = bench(&ALL);
        let waiting: Vec<Waiting> = (0..WAITING_MAX)
            .map(|n| b.resume(&format!("w{n}"), 0).unwrap())
            .collect();
        assert_eq!(b.resume("x", 0).unwrap_err(), "too-many");
        assert!(taken(b.send(RemoteKind::Hold, "{}", false)).is_ok());
        for w in waiting {
            b.finish(w);
        }
        assert!(b.resume("y", 0).is_ok());
    }

    #[test]
    fn every_hold_is_handed_over_however_many_there_are_and_each_id_once() {
        let mut b = bench(&ALL);
        for n in 0..IDS_MAX {
            let hold = format!(r#"{{"id":"h{n}"}}"#);
            let outcome = b.send(RemoteKind::Hold, &hold, false);
            assert_eq!(
                matches!(outcome, Outcome::HandedOver(_)),
                n < HOLDS_WAITING_MAX
            );
            assert!(b.holds.try_recv().is_ok(), "{hold} is lost");
        }
        b.pass(20);
        let Outcome::Reply(again) = b.send(RemoteKind::Hold, r#"{"id":"h0"}"#, false) else {
            panic!("a repeated hold is answered");
        };
        assert_eq!(again["accepted"], true);
        assert!(b.holds.try_recv().is_err(), "it would undo a resume");
        assert!(matches!(
            b.send(RemoteKind::Hold, "{}", false),
            Outcome::Reply(_)
        ));
        assert!(b.holds.try_recv().is_ok());
    }

    #[test]
    fn no_number_of_holds_lets_an_old_command_in_again() {
        let mut b = bench(&ALL);
        let first = b.resume("a", 0).unwrap();
        b.finish(first);
        for n in 0..IDS_MAX {
            b.send(RemoteKind::Hold, &format!(r#"{{"id":"h{n}"}}"#), false);
            drop(b.holds.try_recv());
        }
        b.pass(20);
        assert_eq!(b.resume("a", 0).unwrap_err(), "repeated");
    }

    #[test]
    fn a_full_core_is_said_and_does_not_use_up_the_id() {
        let mut b = bench(&ALL);
        let (tx, full) = mpsc::channel(1);
        b.desk.commands = tx;
        assert!(b.resume("a", 0).is_ok());
        assert_eq!(b.resume("b", 0).unwrap_err(), "busy");
        b.desk.commands = mpsc::channel(8).0;
        drop(full);
        assert_eq!(b.resume("b", 0).unwrap_err(), "busy", "nobody listens");
        let (tx, _core) = mpsc::channel(8);
        b.desk.commands = tx;
        assert!(b.resume("b", 0).is_ok());
    }
}
