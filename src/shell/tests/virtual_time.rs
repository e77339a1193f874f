//! The sample reef in virtual time, on machines that are more or less busy.

use std::collections::VecDeque;

use super::hands::{known, terms};
use crate::engine::{Effect, Event, Now, RunEnd, RunReport};
use crate::guard::DosePermit;
use crate::quantity::{Millis, Name};
use crate::record::{DoseId, Entry, Hold, Outcome};
use crate::shell::{Books, Core, Desk, Hands, Terms, Verdict, VirtualTime, Write, setup};

const WARP: u32 = 3_600;

/// A machine on which everything takes as long as its load makes it.
struct Machine {
    time: VirtualTime,
    real: Millis,
    /// Real time that the next thing takes beside what it must.
    load: fn(usize) -> i64,
    turns: usize,
    /// What its threads have done, and when.
    done: VecDeque<(Millis, Event)>,
    stored: Vec<DoseId>,
    outcomes: Vec<Outcome>,
    entries: Vec<Entry>,
}

impl Machine {
    /// When a thread has done what takes that long.
    fn later(&mut self, takes: Millis) -> Millis {
        self.turns += 1;
        self.real
            .plus(takes)
            .plus(Millis::new((self.load)(self.turns)))
    }
}

impl Hands<()> for Machine {
    fn now(&self) -> Now {
        self.time.now(self.real)
    }

    fn real(&self) -> Millis {
        self.real
    }

    fn stop_pump(&mut self, _head: &Name) {}

    fn start_pump(&mut self, _head: &Name, permit: DosePermit) -> Result<(), RunReport> {
        let takes = Millis::new(permit.run_time().as_ms() / i64::from(WARP));
        let report = RunReport {
            on_time: permit.run_time(),
            end: RunEnd::Completed,
        };
        let ended = Event::RunEnded {
            id: permit.dose(),
            report,
        };
        let at = self.later(takes);
        self.done.push_back((at, ended));
        Ok(())
    }

    fn show(&mut self, _effect: &Effect) {}

    fn send(&mut self, write: &Write) -> bool {
        match write.clone() {
            Write::Intent(intent) => self.stored.push(intent.id),
            Write::Outcome(outcome) => self.outcomes.push(outcome),
            Write::Entries(entries) => self.entries.extend(entries),
            Write::Probe(_) => {}
        }
        true
    }

    fn save_holds(&mut self, _number: u64, _holds: Vec<Hold>) {}

    fn give(&mut self, (): (), _verdict: Verdict) {}
}

/// What the reef gave and was not given in a day, in words and without times.
fn a_day(load: fn(usize) -> i64) -> Vec<String> {
    let terms = Terms {
        warp: Some(WARP),
        ..terms()
    };
    let start = terms.now.wall;
    let mut machine = Machine {
        time: VirtualTime::new(start, WARP),
        real: Millis::from_secs(1_000),
        load,
        turns: 0,
        done: VecDeque::new(),
        stored: Vec::new(),
        outcomes: Vec::new(),
        entries: Vec::new(),
    };
    let now = machine.now();
    let mut core = Core::start(
        setup(Terms { now, ..terms }, known()),
        Desk::new(Books::Well),
    );
    core.go_on(&mut machine).unwrap();
    let end = now.elapsed.plus(Millis::DAY);
    while machine.now().elapsed < end {
        let due = core.let_pass(&mut machine.time, machine.real);
        for id in std::mem::take(&mut machine.stored) {
            let at = machine.later(Millis::new(5));
            machine.done.push_back((at, Event::IntentStored(id)));
        }
        let tick = machine.time.real_time_until(due, machine.real);
        let tick = tick.map(|left| i64::try_from(left.as_millis()).unwrap() + 1);
        let tick = tick.map(|left| machine.later(Millis::new(left)));
        machine.done.make_contiguous().sort_by_key(|(at, _)| *at);
        let thread = machine.done.front().map(|(at, _)| *at);
        let at = [tick, thread].into_iter().flatten().min();
        machine.real = at.expect("a clock that waits for nothing has stopped for ever");
        // The loop hears threads before it looks at the time.
        let event = match thread {
            Some(done) if done <= machine.real => machine.done.pop_front().unwrap().1,
            Some(_) | None => Event::Tick,
        };
        if let Event::IntentStored(id) = event {
            core.desk.intent_stored(id);
            core.go_on(&mut machine).unwrap();
        } else {
            core.feed(event, &mut machine).unwrap();
        }
    }
    let given = machine.outcomes.iter().map(|outcome| {
        format!(
            "{:?} {} {:?}",
            outcome.end, outcome.delivered, outcome.on_time
        )
    });
    let not_given = machine.entries.iter().filter_map(|entry| {
        if let Entry::SlotNotGiven(slot) = entry {
            Some(format!("{:?} {:?}: {}", slot.kind, slot.key, slot.reason))
        } else if let Entry::OutageMissed(missed) = entry {
            Some(format!("{missed:?}"))
        } else {
            None
        }
    });
    given.chain(not_given).collect()
}

#[test]
fn a_machine_too_busy_to_look_for_hours_of_virtual_time_misses_no_slot_and_gives_the_same_doses() {
    let idle = a_day(|_| 0);
    assert!(idle.len() > 20, "{}", idle.len());
    assert!(
        idle.iter().all(|given| given.starts_with("Delivered")),
        "{idle:#?}"
    );
    // Ten seconds are ten hours of its time.
    let busy = a_day(|turn| if turn % 3 == 0 { 10_000 } else { 0 });
    assert_eq!(busy, idle);
}

#[test]
fn virtual_time_is_as_fast_as_it_was_asked_to_be_and_stops_at_its_limit() {
    let start: jiff::Timestamp = "2026-06-01T00:00:00Z".parse().unwrap();
    let mut time = VirtualTime::new(start, 60);
    let at = |time: &VirtualTime, real| {
        let now = time.now(Millis::new(real));
        assert_eq!(now.wall.as_millisecond(), now.elapsed.as_ms());
        now.elapsed.as_ms() - start.as_millisecond()
    };
    assert_eq!(at(&time, 900_000), 0, "not let on yet");
    let limit = Millis::new(start.as_millisecond() + 60_000);
    time.let_pass_until(limit, Millis::new(1_000_000));
    assert_eq!(at(&time, 1_000_500), 30_000);
    let left = time.real_time_until(limit, Millis::new(1_000_500));
    assert_eq!(left, Some(std::time::Duration::from_millis(500)));
    assert_eq!(
        time.real_time_until(limit.plus(Millis::new(1)), Millis::new(1_000_500)),
        None
    );
    assert_eq!(at(&time, 9_000_000), 60_000);
    // It goes on from where it stopped, and does not make up for anything.
    time.let_pass_until(Millis::MAX, Millis::new(9_000_000));
    assert_eq!(at(&time, 9_001_000), 120_000);
}
