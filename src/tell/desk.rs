//! What is to be told, given what was seen and what was told before.
//!
//! It goes by what stands, not by a list of happenings: an alarm is to be told when it was raised since the last message on it, or is over
//! although the last message said that it stands. So what waits is at most one message an alarm, always of the newest state, and an
//! alarm that came and went while the program failed is one message that says so.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::message::{Happened, Message, Place, SILENT};
use crate::engine::{Alarm, AlarmCode, Now, Status};
use crate::quantity::Millis;

/// Looks in a row without an answer after which that is told: longer than a restart takes.
const SILENT_LOOKS: u32 = 3;
/// A daemon that is well answers at once, on a busy machine too. One that does not within this hangs, perhaps with a head on, so it is looked
/// at again at once: with [`SILENT_LOOKS`] that is told within 10 s.
pub(super) const HANGS_LOOK: Millis = Millis::from_secs(3);
/// Messages on one alarm at once, and the time after which there may be one more: a contact that chatters is no reason to be left
/// without a telephone. Ours.
const BURST: i64 = 4;
const ONE_EACH: Millis = Millis::from_mins(15);
/// More alarms than this that wait are not told one by one; the newest are.
const WAITING_MAX: usize = 16;
/// From the first failure of the program to the next try, doubled each time up to the longest.
const RETRY_FIRST: Millis = Millis::from_secs(10);
const RETRY_LONGEST: Millis = Millis::from_mins(10);

/// What a look at the daemon gave.
#[derive(Debug, Clone)]
pub enum Look {
    Answered(Box<Status>),
    Silent(Silence),
}

/// Why there is no status.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Silence {
    /// Nobody listens.
    Gone,
    /// Somebody listens and does not answer.
    Hangs,
    /// The socket may not be used.
    NotAllowed,
    /// The answer makes no sense.
    NotUnderstood,
}

impl Silence {
    const fn words(self) -> &'static str {
        match self {
            Self::Gone => {
                "no daemon runs, so nothing is dosed by plan; look at `systemctl status dosewright` and at the pumps: if one runs, switch its supply off"
            }
            Self::Hangs => {
                "the daemon does not answer; look at the pumps: if one runs, switch its supply off; then `systemctl restart dosewright`"
            }
            Self::NotAllowed => {
                "the daemon's socket may not be used, so alarms cannot be seen; make the user of `dosewright tell` a member of the group dosewright"
            }
            Self::NotUnderstood => {
                "the daemon's answer is not understood, so alarms cannot be seen; restart dosewright and dosewright-tell, so that both are of one version"
            }
        }
    }
}

/// What a message is on: an alarm's code and what it is about.
type Topic = (String, String);

#[derive(Debug, Clone)]
struct Standing {
    text: String,
    since: Timestamp,
    active: bool,
    acknowledged: bool,
    urgent: bool,
}

impl From<&Alarm> for Standing {
    fn from(alarm: &Alarm) -> Self {
        Self {
            text: alarm.text.clone(),
            since: alarm.since,
            active: alarm.active,
            acknowledged: alarm.acknowledged,
            urgent: alarm.urgent,
        }
    }
}

#[derive(Debug)]
struct Entry {
    seen: Standing,
    /// Whether the last look showed it, be it that it is over and nobody has acknowledged it.
    listed: bool,
    /// Raises since the last message.
    untold: u32,
    /// The last message said that it stands.
    told_standing: bool,
    /// When there was something new to tell, or the program last failed on it.
    waits_since: Millis,
    /// By when the messages sent are worth one each [`ONE_EACH`]; it runs ahead of the time by as many as were sent at once.
    sent_until: Millis,
}

impl Entry {
    fn waits(&self) -> bool {
        self.untold > 0 || (self.told_standing && !self.seen.active)
    }

    fn may_be_told(&self, code: &str, now: Millis) -> bool {
        let ahead = ONE_EACH.as_ms().saturating_mul(BURST.saturating_sub(1));
        // Each test is asked for by a person.
        code == AlarmCode::Test.as_str() || self.sent_until.minus(now).as_ms() <= ahead
    }

    fn see(&mut self, seen: Standing, now: Millis) {
        let raised = seen.since != self.seen.since || (seen.urgent && !self.seen.urgent);
        if raised {
            self.untold = self.untold.saturating_add(1);
        }
        if raised || seen.active != self.seen.active {
            self.waits_since = now;
        }
        self.seen = seen;
        self.listed = true;
        self.skip_what_was_seen();
    }

    /// Somebody has acknowledged it, so that it was raised need not be told.
    fn skip_what_was_seen(&mut self) {
        if self.seen.acknowledged && self.untold > 0 {
            self.forget();
        }
    }

    fn forget(&mut self) {
        self.untold = 0;
        self.told_standing = self.seen.active;
    }
}

#[derive(Debug, Default)]
pub struct Desk {
    entries: BTreeMap<Topic, Entry>,
    place: Option<Place>,
    /// Looks without an answer in a row, when the first was, and what the last was like.
    silent: Option<(u32, Timestamp, Silence)>,
    failures: u32,
    /// The program failed, and is not tried before this.
    retry_at: Millis,
    /// Alarms that were too many to be told.
    left_out: u32,
}

impl Desk {
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes in what was seen.
    pub fn look(&mut self, look: &Look, now: Now) {
        match look {
            Look::Answered(status) => self.answered(status, now),
            Look::Silent(silence) => self.silent(*silence, now),
        }
        self.leave_out_the_oldest();
        let elapsed = now.elapsed;
        self.entries
            .retain(|_, e| e.listed || e.waits() || e.sent_until > elapsed);
    }

    fn answered(&mut self, status: &Status, now: Now) {
        self.silent = None;
        self.place = Some(Place {
            name: status.name.to_string(),
            mode: status.mode,
            time_zone: status.daemon.time_zone.clone(),
        });
        let mut stand: BTreeMap<Topic, Standing> = BTreeMap::new();
        for alarm in &status.alarms {
            let subject = alarm.subject.clone().unwrap_or_default();
            stand.insert((alarm.code.as_str().to_owned(), subject), alarm.into());
        }
        for (topic, entry) in &mut self.entries {
            if stand.contains_key(topic) {
                continue;
            }
            entry.listed = false;
            if entry.seen.active {
                entry.seen.active = false;
                entry.waits_since = now.elapsed;
            }
        }
        for (topic, standing) in stand {
            self.see(topic, standing, now);
        }
    }

    /// What stood before is neither over nor raised again: nobody knows.
    fn silent(&mut self, silence: Silence, now: Now) {
        let (looks, since) = self
            .silent
            .map_or((0, now.wall), |(n, since, _)| (n, since));
        let looks = looks.saturating_add(1);
        self.silent = Some((looks, since, silence));
        if looks >= SILENT_LOOKS {
            let standing = Standing {
                text: silence.words().to_owned(),
                since,
                active: true,
                acknowledged: false,
                urgent: true,
            };
            self.see((SILENT.to_owned(), String::new()), standing, now);
        }
    }

    /// Time from the last look to the next.
    pub fn next_look(&self, every: Millis) -> Millis {
        match self.silent {
            Some((looks, _, Silence::Hangs)) if looks < SILENT_LOOKS => every.min(HANGS_LOOK),
            Some(_) | None => every,
        }
    }

    fn see(&mut self, topic: Topic, standing: Standing, now: Now) {
        if let Some(entry) = self.entries.get_mut(&topic) {
            entry.see(standing, now.elapsed);
            return;
        }
        let mut entry = Entry {
            seen: standing,
            listed: true,
            untold: 1,
            told_standing: false,
            waits_since: now.elapsed,
            sent_until: now.elapsed,
        };
        entry.skip_what_was_seen();
        self.entries.insert(topic, entry);
    }

    fn leave_out_the_oldest(&mut self) {
        let mut waiting: Vec<&mut Entry> =
            self.entries.values_mut().filter(|e| e.waits()).collect();
        waiting.sort_by_key(|entry| std::cmp::Reverse(entry.waits_since));
        for entry in waiting.into_iter().skip(WAITING_MAX) {
            entry.forget();
            self.left_out = self.left_out.saturating_add(1);
        }
    }

    /// What is to be told now, if anything; what has waited longest first.
    pub fn next(&self, now: Now) -> Option<Message> {
        if now.elapsed < self.retry_at {
            return None;
        }
        let ready = self
            .entries
            .iter()
            .filter(|((code, _), e)| e.waits() && e.may_be_told(code, now.elapsed));
        let ((code, subject), entry) = ready.min_by_key(|(_, entry)| entry.waits_since)?;
        Some(Message {
            happened: if entry.seen.active {
                Happened::Raised
            } else {
                Happened::Over
            },
            code: code.clone(),
            subject: subject.clone(),
            text: entry.seen.text.clone(),
            since: entry.seen.since,
            times: entry.untold,
            urgent: entry.seen.urgent,
            left_out: self.left_out,
            place: self.place.clone(),
        })
    }

    /// The program took this message. Nothing may have been looked at since [`Self::next`] gave it.
    pub fn told(&mut self, message: &Message, now: Now) {
        self.failures = 0;
        self.left_out = 0;
        if let Some(entry) = self.entries.get_mut(&message.topic()) {
            entry.forget();
            entry.sent_until = entry.sent_until.max(now.elapsed).plus(ONE_EACH);
        }
    }

    /// The program failed on this message. It is tried again, after the others.
    pub fn failed(&mut self, message: &Message, now: Now) {
        let doubled = RETRY_FIRST.as_ms() << self.failures.min(16);
        let wait = Millis::new(doubled).min(RETRY_LONGEST);
        self.failures = self.failures.saturating_add(1);
        self.retry_at = now.elapsed.plus(wait);
        if let Some(entry) = self.entries.get_mut(&message.topic()) {
            entry.waits_since = now.elapsed;
        }
    }
}
