//! Sessions at the bench that are not over.

use std::collections::BTreeMap;

use crate::engine::event::Now;
use crate::engine::status::BenchStatus;
use crate::guard::BenchFacts;
use crate::quantity::{Millis, Name, Volume};
use crate::record::{Bench, BenchStep, HoldScope};

/// A session whose plan waits is silent after this long without a run or a word. Ours: longer than weighing takes, shorter than a day
/// without its doses.
pub(crate) const SILENT_AFTER: Millis = Millis::from_mins(30);

#[derive(Debug)]
pub(crate) struct Benches {
    by_head: BTreeMap<Name, BenchSession>,
    /// Highest number of a session so far.
    last: i64,
}

#[derive(Debug)]
pub(crate) struct BenchSession {
    /// The newest word on it.
    pub(crate) record: Bench,
    /// What its runs that are over gave.
    pub(crate) given: Volume,
    /// When it was opened, or found at the start.
    since: Millis,
    last_word: Millis,
    /// A hold of its line from before it was opened is for the tank: runs into the vessel go on. One that comes later stops them as well.
    runs_on_hold: bool,
}

impl BenchSession {
    pub(crate) fn is_silent(&self) -> bool {
        self.record.what == BenchStep::Silent
    }

    /// Elapsed time at which it will be silent, if nothing is heard of it until then.
    fn silent_at(&self) -> Millis {
        match self.record.bucket_days {
            None => self.last_word.plus(SILENT_AFTER),
            Some(days) => self.since.plus(bucket_time(days)),
        }
    }

    pub(crate) fn status(&self) -> BenchStatus {
        BenchStatus {
            session: self.record.number,
            since: self.record.opened,
            silent: self.is_silent(),
            bucket_days: self.record.bucket_days,
            cap: self.record.cap,
            given: self.given,
        }
    }
}

fn bucket_time(days: u32) -> Millis {
    Millis::new(Millis::DAY.as_ms().saturating_mul(i64::from(days)))
}

impl Benches {
    pub(crate) fn new(last: i64) -> Self {
        let by_head = BTreeMap::new();
        Self { by_head, last }
    }

    pub(crate) fn next_number(&mut self) -> i64 {
        self.last = self.last.saturating_add(1);
        self.last
    }

    pub(crate) fn of(&self, head: &Name) -> Option<&BenchSession> {
        self.by_head.get(head)
    }

    /// One that is opened now.
    pub(crate) fn open(&mut self, record: Bench, now: Now) {
        let head = record.head.clone();
        self.find(record, Volume::ZERO, now);
        if let Some(session) = self.by_head.get_mut(&head) {
            session.runs_on_hold = true;
        }
    }

    /// One that the record knows of. Who held what after it was opened is not known any more.
    pub(crate) fn find(&mut self, record: Bench, given: Volume, now: Now) {
        let head = record.head.clone();
        let session = BenchSession {
            record,
            given,
            since: now.elapsed,
            last_word: now.elapsed,
            runs_on_hold: false,
        };
        self.by_head.insert(head, session);
    }

    pub(crate) fn close(&mut self, head: &Name) {
        self.by_head.remove(head);
    }

    pub(crate) fn facts(&self, head: &Name) -> Option<BenchFacts> {
        let session = self.by_head.get(head)?;
        Some(BenchFacts {
            cap: session.record.cap,
            given: session.given,
            silent: session.is_silent(),
            runs_on_hold: session.runs_on_hold,
        })
    }

    /// Somebody is at the bench.
    pub(crate) fn word(&mut self, head: &Name, now: Now) {
        if let Some(session) = self.by_head.get_mut(head) {
            session.last_word = now.elapsed;
        }
    }

    /// A run of a session gave this.
    pub(crate) fn gave(&mut self, head: &Name, delivered: Volume) {
        if let Some(session) = self.by_head.get_mut(head) {
            session.given = session.given.saturating_add(delivered);
        }
    }

    /// Whoever stops a line means whatever its head does, at the bench too.
    pub(crate) fn stop(&mut self, scope: &HoldScope) {
        for session in self.by_head.values_mut() {
            if *scope == HoldScope::All || *scope == HoldScope::Line(session.record.line.clone()) {
                session.runs_on_hold = false;
            }
        }
    }

    pub(crate) fn fall_silent(&mut self, head: &Name) -> Option<Bench> {
        let session = self.by_head.get_mut(head)?;
        session.record.what = BenchStep::Silent;
        Some(session.record.clone())
    }

    fn not_silent(&self) -> impl Iterator<Item = (&Name, &BenchSession)> {
        self.by_head.iter().filter(|(_, s)| !s.is_silent())
    }

    /// The heads that somebody stands beside.
    pub(crate) fn attended(&self) -> Vec<Name> {
        let attended = self
            .not_silent()
            .filter(|(_, s)| s.record.bucket_days.is_none());
        attended.map(|(head, _)| head.clone()).collect()
    }

    /// Elapsed time at which a session of a head that does not run wants to be looked at.
    pub(crate) fn next_look(&self, runs: impl Fn(&Name) -> bool) -> Option<Millis> {
        let waiting = self.not_silent().filter(|(head, _)| !runs(head));
        waiting.map(|(_, session)| session.silent_at()).min()
    }

    /// The heads whose sessions should have been heard of.
    pub(crate) fn overdue(&self, is_trusted: bool, now: Now) -> Vec<Name> {
        let over = |session: &BenchSession| {
            let by_wall = session.record.bucket_days.is_some_and(|days| {
                let opened = session.record.opened.as_millisecond();
                let age = now.wall.as_millisecond().saturating_sub(opened);
                is_trusted && age >= bucket_time(days).as_ms()
            });
            by_wall || now.elapsed >= session.silent_at()
        };
        let over = self.not_silent().filter(|(_, session)| over(session));
        over.map(|(head, _)| head.clone()).collect()
    }
}
