//! Sessions at the bench: priming, calibration runs, checks, a new tube, the plan into a bucket.
//!
//! The owner says that the outlet of a head is out of the tank. Until it is said to be back, the line gives nothing to the tank; runs are
//! doses like any other in the record and in the bottle's books, but they count for nothing in the water. A session that falls silent
//! counts as given to the tank, because then nobody knows where the outlet was.

use super::alarms::AlarmCode;
use super::ask::{BenchAsk, NewBench, NewMeasured, RUNS_MAX};
use super::effect::{Answer, Denial, Ticket};
use super::event::Now;
use super::state::{BenchSession, Engine, HeadMemory, SILENT_AFTER};
use crate::quantity::{Name, Volume, Words};
use crate::record::{Bench, BenchStep, Destination, DoseKind, Entry, Intent, Who};

/// Most days that the plan may run into a bucket. Ours: a week is the commissioning list's, and twice that is a line forgotten.
const BUCKET_DAYS_MAX: u32 = 14;

/// Most that any session may be allowed. Ours: a large bucket.
const CAP_MAX: Volume = Volume::from_ul(5_000_000);

fn is_run(kind: DoseKind) -> bool {
    matches!(kind, DoseKind::Prime | DoseKind::Calibration)
}

impl Engine {
    pub(super) fn at_the_bench(
        &mut self,
        ask: BenchAsk,
        asked: (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        match ask {
            BenchAsk::Open(new) => self.open_bench(new, asked, now),
            BenchAsk::Back { head } => self.outlet_back(&head, asked, now),
            BenchAsk::Measured(new) => self.measured(new, asked, now),
            BenchAsk::NewTube { head, note } => self.new_tube(&head, note, asked, now),
        }
    }

    fn open_bench(
        &mut self,
        new: NewBench,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        let line = self.controller().line_of_head(&new.head)?;
        let cap = new.cap.unwrap_or_else(|| line.bench_cap());
        let line = line.name.clone();
        let head = new.head;
        // After one that fell silent whoever stands there says with this that the outlet is in a vessel.
        if let Some(open) = self.benches.of(&head).filter(|open| !open.is_silent()) {
            return Err(Denial::new(
                "bench-open",
                format!(
                    "head {head} is at the bench since {} (session {}); when its outlet is back in the tank run `dosewright bench {head} back`",
                    self.controller().local(open.record.opened),
                    open.record.number
                ),
            ));
        }
        if self.books.active_on(&line).is_some() {
            return Err(Denial::new(
                "head-busy",
                format!("line {line} is dosing; leave the outlet where it is until it is done"),
            ));
        }
        if !(Volume::from_ul(1)..=CAP_MAX).contains(&cap) {
            return Err(Denial::new(
                "bad-value",
                format!("a cap of {cap} makes no sense at the bench; give up to {CAP_MAX}"),
            ));
        }
        let days = new.bucket_days;
        if days.is_some_and(|days| !(1..=BUCKET_DAYS_MAX).contains(&days)) {
            return Err(Denial::new(
                "bad-value",
                format!("the plan runs into a bucket for 1 to {BUCKET_DAYS_MAX} days"),
            ));
        }
        let record = Bench {
            number: self.benches.next_number(),
            head: head.clone(),
            line: line.clone(),
            what: BenchStep::Opened,
            cap,
            bucket_days: days,
            first_dose: self.books.next_dose_id(),
            last_dose: self.books.last_dose_id(),
            opened: now.wall,
            runs: Vec::new(),
            note: new.note.into(),
            who,
            at: self.stamp(now),
        };
        let plan = match days {
            None => format!(
                "line {line} waits; after {SILENT_AFTER} without a run or a word what was given counts as given to the tank"
            ),
            Some(days) => format!("the plan of line {line} runs into the bucket for {days} days"),
        };
        let on_hold = if self.holds.on(&line).is_empty() {
            String::new()
        } else {
            format!("; line {line} stays on hold")
        };
        let text = format!(
            "head {head} is at the bench (session {}): its runs give {cap} at most and do not count in the tank; {plan}{on_hold}. When the outlet is back in the tank: `dosewright bench {head} back`",
            record.number
        );
        self.benches.open(record.clone(), now);
        self.say_of_bench(record, Some((ticket, text)), now);
        Ok(())
    }

    fn outlet_back(
        &mut self,
        head: &Name,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        let (record, given) = self.session(head)?;
        if self.books.runs(head) {
            return Err(Denial::new(
                "head-busy",
                format!("head {head} is running; leave the outlet in the vessel until it is done"),
            ));
        }
        self.benches.close(head);
        // What it did not give at the bench is no fault of the line.
        self.in_force.watch_anew(now.elapsed);
        let text = format!(
            "session {} of head {head} at the bench is over, its runs gave {given}; line {} doses again from its next slot",
            record.number, record.line
        );
        let record = Bench {
            what: BenchStep::OutletBack,
            who,
            ..record
        };
        self.say_of_bench(record, Some((ticket, text)), now);
        Ok(())
    }

    fn new_tube(
        &mut self,
        head: &Name,
        note: Words,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        let (record, _) = self.session(head)?;
        self.benches.word(head, now);
        self.heads.insert(head.clone(), HeadMemory::default());
        self.tube_emptied(&record.line, now);
        let text = format!(
            "head {head} has a new tube: its wear starts anew, its calibration is void, and it holds nothing until it is primed from the bottle; run the tube in, then `dosewright bench {head}`"
        );
        let record = Bench {
            what: BenchStep::NewTube,
            note: note.into(),
            who,
            ..record
        };
        self.say_of_bench(record, Some((ticket, text)), now);
        Ok(())
    }

    /// Writes down what came out in a run, so that nothing that happens later loses it.
    fn measured(
        &mut self,
        new: NewMeasured,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        let NewMeasured { head, run } = new;
        let (record, _) = self.session(&head)?;
        let refuse = |why: String| Denial::new("not-measured", why);
        if record.what == BenchStep::Silent {
            return Err(refuse(format!(
                "session {} of head {head} fell silent; when its outlet is in a vessel run `dosewright bench {head} open`, then enter it again",
                record.number
            )));
        }
        let Some(dose) = run.dose else {
            return Err(refuse("say which dose it was".to_owned()));
        };
        let is_its_run = |d: &crate::guard::Counted| {
            d.id == dose && d.head == head && d.kind == DoseKind::Calibration && d.ended.is_some()
        };
        if !self.books.window.iter().any(is_its_run) {
            return Err(refuse(format!(
                "dose {} is no run of head {head} at the bench within the last day that is over; `dosewright bench {head} show` lists what was measured",
                dose.0
            )));
        }
        self.benches.word(&head, now);
        let kept = &mut self.heads.entry(head.clone()).or_default().measured;
        if kept.len() >= RUNS_MAX {
            return Err(refuse(format!(
                "{RUNS_MAX} runs were measured; make a calibration of them"
            )));
        }
        for before in kept.iter_mut().filter(|r| r.dose == Some(dose)) {
            before.used = false;
        }
        let text = if run.used {
            let text = format!("dose {}: {} in {}", dose.0, run.volume, run.on_time);
            kept.push(run);
            text
        } else {
            format!("dose {}: what was entered is not used", dose.0)
        };
        let count = kept.iter().filter(|r| r.used).count();
        let text = format!("{text}; {count} measured runs of head {head} are kept");
        let record = Bench {
            what: BenchStep::Measured,
            who,
            ..record
        };
        self.say_of_bench(record, Some((ticket, text)), now);
        Ok(())
    }

    /// Takes what was measured and is not in the calibration in force.
    pub(super) fn take_measured(&mut self, newest: Vec<Bench>) {
        for word in newest {
            let Some(memory) = self.heads.get_mut(&word.head) else {
                continue;
            };
            let fitted = memory.calibration.as_ref().map(|c| c.runs.as_slice());
            let is_fitted = |dose| fitted.is_some_and(|runs| runs.iter().any(|r| r.dose == dose));
            let left = word.runs.into_iter().filter(|r| !is_fitted(r.dose));
            memory.measured = left.collect();
        }
    }

    /// The session of a head, with what its runs gave.
    fn session(&self, head: &Name) -> Result<(Bench, Volume), Denial> {
        self.controller().head_named(head.as_str())?;
        let session = self.benches.of(head).ok_or_else(|| {
            Denial::new(
                "bench-not-open",
                format!(
                    "head {head} is not at the bench; hang its outlet into a vessel and run `dosewright bench {head} open`"
                ),
            )
        })?;
        Ok((session.record.clone(), session.given))
    }

    fn say_of_bench(&mut self, record: Bench, reply: Option<(Ticket, String)>, now: Now) {
        self.touch_line(&record.line);
        self.mark_written(now);
        let measured = self.heads.get(&record.head).map(|m| m.measured.clone());
        let record = Bench {
            last_dose: self.books.last_dose_id(),
            runs: measured.unwrap_or_default(),
            at: self.stamp(now),
            ..record
        };
        let reply = reply.map(|(ticket, text)| (ticket, Answer::done(text)));
        self.store(Entry::Bench(record), reply);
    }

    pub(super) fn session_of(&self, line: &Name) -> Option<&BenchSession> {
        self.benches.of(&self.in_force.line_config(line)?.head)
    }

    /// Where a dose goes by what is known of the outlet.
    pub(super) fn destination(&self, line: &Name, kind: DoseKind) -> Destination {
        let session = self.session_of(line).filter(|session| !session.is_silent());
        match session {
            Some(session) if is_run(kind) || session.record.bucket_days.is_some() => {
                Destination::Bench
            }
            Some(_) | None => Destination::Tank,
        }
    }

    pub(super) fn bench_run_ended(&mut self, intent: &Intent, delivered: Volume, now: Now) {
        self.benches.word(&intent.head, now);
        if intent.into == Destination::Bench && is_run(intent.kind) {
            self.benches.gave(&intent.head, delivered);
        }
    }

    /// Takes what the record knows of sessions that are not over.
    pub(super) fn take_benches(&mut self, benches: Vec<Bench>, now: Now) {
        for record in benches {
            if !self.controller().heads.contains_key(&record.head) {
                continue;
            }
            let of_session = |d: &&crate::record::PastDose| {
                d.head == record.head
                    && d.id >= record.first_dose
                    && d.into == Destination::Bench
                    && is_run(d.kind)
            };
            let given = self.past.iter().filter(of_session).map(|d| d.counted).sum();
            self.benches.find(record, given, now);
        }
    }

    /// After a start nobody knows what became of an outlet that somebody stood beside.
    pub(super) fn silence_after_restart(&mut self, now: Now) {
        for head in self.benches.attended() {
            self.fall_silent(&head, now);
        }
    }

    pub(super) fn follow_benches(&mut self, now: Now) {
        let mut over = self.benches.overdue(self.clock.unsure.is_none(), now);
        over.retain(|head| !self.books.runs(head));
        for head in over {
            self.fall_silent(&head, now);
        }
        let heads: Vec<Name> = self.controller().heads.keys().cloned().collect();
        for head in heads {
            let silent = self.benches.of(&head).filter(|s| s.is_silent());
            let cause = silent.map(|session| {
                format!(
                    "session {} of head {head} at the bench fell silent: the {} of its runs count as given to the tank, and line {} gives nothing; see where its outlet is: when it is in the tank run `dosewright bench {head} back`, when it is in a vessel `dosewright bench {head} open`",
                    session.record.number, session.given, session.record.line
                )
            });
            self.alarm_if(AlarmCode::BenchSilent, head.as_str(), cause, now);
        }
    }

    /// All that the session gave counts as given to the tank, when it began.
    fn fall_silent(&mut self, head: &Name, now: Now) {
        let Some(record) = self.benches.fall_silent(head) else {
            return;
        };
        let record = Bench {
            who: Who::Daemon,
            ..record
        };
        let added = self.books.window.into_tank(head, record.first_dose);
        self.water.add(&added, now.elapsed);
        self.say_of_bench(record, None, now);
    }
}
