//! What people do: the owner once a day, by hand at any time, and from afar.

use std::sync::Arc;

use super::chaos::Owed;
use super::machine::Machine;
use super::plan::Fault;
use super::reef::plan_text;
use crate::chemistry::Quantity;
use crate::config::check_plan_text;
use crate::engine::{Answer, BenchAsk, Command, Denial, Event, NewBench, NewMeasured, Wish};
use crate::plan::check_plan;
use crate::quantity::{FlowRate, Millis, Name, Volume, Words, f64_from_i64};
use crate::record::{CalibrationRun, DoseKind, HoldScope, Who};
use crate::rehearsal::owner::{reading, status};
use crate::rehearsal::watch::Rule;

pub(super) fn share(percent: i64) -> f64 {
    f64_from_i64(percent) / 100.0
}

pub(super) fn part_of(rate: FlowRate, percent: i64) -> FlowRate {
    FlowRate::from_ml_per_min(rate.as_ml_per_min() * share(percent))
}

impl Machine {
    pub(super) fn people(&mut self, fault: Fault) {
        match fault {
            Fault::Hold(line, length) => self.hold(line, length, Who::Local { uid: 1000 }),
            Fault::Resume(line) => {
                let scope = self.scope(line);
                self.ask(Command::Resume { scope });
            }
            Fault::Dose(number, percent) => {
                let line = self.line(number);
                let cap = self.stage.world.controller.line(&line).unwrap().dose_cap;
                let volume = cap.scaled(share(percent)).unwrap();
                let kind = DoseKind::Hand;
                self.wish(Wish::Dose { line, volume, kind });
            }
            Fault::Slip(percent) => self.slip(percent),
            Fault::Bench(number, lasts) => self.bench(number, lasts),
            Fault::OutletBack(number) => {
                let head = self.head(number);
                // Whatever is told: it hangs in the tank again.
                let back = self.ask(Command::Bench(BenchAsk::Back { head: head.clone() }));
                if back.is_some_and(|done| done.is_err_and(|d| d.code == "head-busy")) {
                    self.later(Millis::from_mins(2), fault);
                } else {
                    self.stage.world.chaos.outlets_out.remove(&head);
                }
            }
            Fault::Miscalibrated(number, _) if self.is_running(number) => {
                self.later(Millis::from_mins(2), fault);
            }
            Fault::Miscalibrated(number, percent) => self.miscalibrate(number, percent),
            Fault::Plan(number) => self.edit_plan(number),
            Fault::Remote(number) => self.remote(number),
            Fault::WaterChange(percent) => {
                for level in self.stage.world.water.levels.values_mut() {
                    let off = level.now() * share(percent) * 0.2;
                    level.taken += off;
                }
            }
            _ => {}
        }
    }

    /// From now on that hold is counted on.
    pub(super) fn owes(&mut self, scope: HoldScope, until: Option<Millis>, promised: bool) {
        let is_kept = self.disk.is_none() && self.stage.world.chaos.waiting.is_empty();
        let by_right_clock = !self.stage.world.is_wrong();
        let chaos = &mut self.stage.world.chaos;
        let in_file = !chaos.hold_file_fails;
        let promised = promised && (in_file || is_kept);
        let owed = Owed {
            promised,
            until,
            in_file,
            in_books: is_kept,
            by_right_clock,
            over_restart: false,
        };
        let known = chaos.owed.entry(scope).or_insert(owed);
        known.over_restart = false;
        known.by_right_clock &= by_right_clock;
        if known.until.is_some() {
            known.until = until.and_then(|until| known.until.map(|k| k.max(until)));
            known.promised |= promised;
        }
    }

    pub(super) fn hold(&mut self, line: Option<usize>, length: Option<Millis>, who: Who) {
        let scope = self.scope(line);
        let ticket = self.stage.core.desk.ticket(());
        self.stage.world.verdicts.clear();
        self.feed(Event::Command {
            ticket,
            who,
            command: Command::Hold {
                scope: scope.clone(),
                reason: Words::new("hands in the sump"),
                length,
            },
            nonce: None,
        });
        if self.stage.world.chaos.dead {
            return;
        }
        let until = length.map(|length| self.now().plus(length));
        match self.stage.world.verdicts.pop_front() {
            Some(Ok(answer)) => {
                self.asserts(Rule::HoldStops, None);
                let lasts = !answer.text().contains("MAY NOT SURVIVE");
                self.owes(scope, until, lasts);
            }
            Some(Err(denial)) => {
                let wrong = format!("a hold was refused: {}", denial.text);
                self.asserts(Rule::HoldStops, Some(wrong));
            }
            None => self.owes(scope, until, false),
        }
    }

    /// What a broker may bring, which is what its desk lets through: holds, whoever sends them.
    pub(super) fn remote(&mut self, number: usize) {
        let who = Who::Remote {
            name: "hub".to_owned(),
        };
        let line = number.is_multiple_of(3).then_some(number);
        for _ in 0..=number % 3 {
            self.hold(line, Some(Millis::from_mins(10)), who.clone());
        }
    }

    /// A test told wrong. What no water holds must be asked about.
    pub(super) fn slip(&mut self, percent: i64) {
        let of = Quantity::Alkalinity;
        let truth = self.stage.world.water.levels[&of].now();
        let value = truth * share(percent);
        let told = self.ask(reading(&of, (value, 0.1), false));
        let cannot_be = !(2.0..=25.0).contains(&value);
        let Some(told) = told.filter(|_| cannot_be) else {
            return;
        };
        let wrong = told
            .is_ok()
            .then(|| format!("a reading of {value:.2} dKH was taken unasked"));
        self.asserts(Rule::Plausible, wrong);
    }

    pub(super) fn bench(&mut self, number: usize, lasts: Millis) {
        let head = self.head(number);
        let new = NewBench {
            head: head.clone(),
            cap: None,
            bucket_days: None,
            note: Words::default(),
        };
        let opened = self.ask(Command::Bench(BenchAsk::Open(new)));
        if opened.is_none_or(|opened| opened.is_err()) {
            return;
        }
        self.stage.world.chaos.outlets_out.insert(head.clone());
        self.later(lasts, Fault::OutletBack(number));
        let (run_time, kind) = (Millis::from_secs(10), DoseKind::Calibration);
        let wish = Wish::Run {
            head: head.clone(),
            run_time,
            kind,
        };
        if let Some(Ok(Answer::DoseStarted { id, run_time, .. })) = self.wish(wish) {
            self.until(self.now().plus(Millis::from_secs(15)));
            let run = CalibrationRun {
                on_time: run_time,
                volume: Volume::from_ul(5_000),
                typed: "5 mL".to_owned(),
                dose: Some(id),
                used: true,
            };
            self.ask(Command::Bench(BenchAsk::Measured(NewMeasured {
                head,
                run,
            })));
        }
    }

    /// With the decimal point in the wrong place it must be asked about.
    pub(super) fn miscalibrate(&mut self, number: usize, percent: i64) {
        let head = self.head(number);
        let Some(model) = self.stage.world.heads.get_mut(&head) else {
            return;
        };
        let right = model.truth.rate;
        let nominal = self.stage.world.controller.heads[&head].nominal_rate;
        model.truth.rate = part_of(nominal, percent);
        let told = self.calibrate(&head);
        if let Some(model) = self.stage.world.heads.get_mut(&head) {
            model.truth.rate = right;
        }
        let Some(told) = told else {
            return;
        };
        let wrong = told.is_ok().then(|| {
            format!("head {head} was calibrated at {percent} % of its nominal rate unasked")
        });
        self.asserts(Rule::Plausible, wrong);
    }

    pub(super) fn calibrate(&mut self, head: &Name) -> Option<Result<Answer, Denial>> {
        let line = self.stage.world.controller.line_of_head(head).unwrap();
        let usual = Volume::from_ul(line.dose_cap.as_ul() / 5 * 2);
        let done = self
            .keeper
            .calibrate_head(&mut self.stage, head.clone(), usual);
        self.done(done)
    }

    pub(super) fn edit_plan(&mut self, number: usize) {
        let doses = ["4", "6", "8", "12", "5", "7"];
        let text = plan_text(&format!("doses = {}", doses[number % doses.len()]));
        let edited = check_plan_text(
            ("plan.toml", &text),
            &self.stage.world.controller,
            &check_plan,
        );
        let plan = Arc::new(edited.unwrap().plan);
        let ticket = self.stage.core.desk.ticket(());
        self.stage.world.verdicts.clear();
        self.feed(Event::PlanReplaced {
            plan: Arc::clone(&plan),
            ticket: Some(ticket),
            who: Who::Local { uid: 1000 },
        });
        self.stage.world.plan = plan;
        self.stage.world.work_out();
    }

    /// Once a day, as well as can be.
    pub(super) fn visit(&mut self) {
        let careful = self.chance.happens(0.7);
        if careful {
            self.put_right(false);
        }
        if self.stage.world.chaos.dead {
            return;
        }
        let status = status(&mut self.stage);
        for hold in status.holds {
            if self.chance.happens(0.6) {
                let scope = hold.scope();
                self.ask(Command::Resume { scope });
            }
        }
        if !self.stage.world.chaos.dead {
            let day = self.stage.world.day();
            let visited = self.keeper.visit(&mut self.stage, day);
            self.settle(visited);
        }
        if self.stage.world.watch.count() == 0 {
            self.copy_ledger();
        }
        self.probe();
    }
}
