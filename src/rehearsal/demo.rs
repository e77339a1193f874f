//! An invented quarter of a year of the demo reef, made by the real engine: something to look at for who has no record of their own yet.
//!
//! It is one story with everything in it that an owner meets: tests with the error of their kits, refills, a hold after a slip, a water change,
//! a course, a changeover, two lab reports, a check of a head, a power cut in the middle of a dose. Outputs count as driven, so that the
//! estimate has something to go by; the ledger counts virtual days, so that no daemon takes them for real ones.

use std::path::Path;

use jiff::civil::Time;
use jiff::{SignedDuration, Timestamp};

use super::chance::Chance;
use super::owner::{Keeper, full, status};
use super::run::{Rehearsal, RehearsalError};
use super::stage::Stage;
use crate::chemistry::{Celsius, Element, Measurand, Quantity, Salinity, natural_level};
use crate::config::{ConfigMistakes, Loaded, Scenario};
use crate::engine::{Command, CourseWish, Event, Lab, NewCourse, NewVerification, Tell, Wish};
use crate::ledger::Timeline;
use crate::quantity::{Millis, Name, Volume, Words};
use crate::record::{Addition, Found, HoldScope, Observed, Reading};
use crate::shell::MustEnd;

const BEFORE: &str = include_str!("demo_before.toml");
const AFTER: &str = include_str!("demo_after.toml");

/// Days before the power cut, and from the begin to the end.
const CUT_ON: u32 = 50;
const DAYS: i64 = 92;
/// How long the power was away.
const CUT_LASTS: SignedDuration = SignedDuration::from_mins(9 * 60 + 25);
/// Nobody waits longer than this for a dose to be cut off.
const CUT_WITHIN: Millis = Millis::from_mins(180);
const SEED: u64 = 20;

/// The controller's file of the demo: the sample, with a band for calcium and a second line for alkalinity.
pub fn demo_controller() -> String {
    let sample = include_str!("../../config/controller.toml");
    let mut text = String::new();
    for line in sample.lines() {
        let key = line
            .strip_prefix("# ")
            .filter(|key| CALCIUM_BAND.iter().any(|k| key.starts_with(k)));
        text.push_str(key.unwrap_or(line));
        text.push('\n');
    }
    text + include_str!("demo_reef.toml")
}

/// Keys of calcium's band, which the sample shows and leaves out.
const CALCIUM_BAND: [&str; 7] = [
    "max-fall-mg-per-l-per-day = ",
    "band-low-mg-per-l = ",
    "band-high-mg-per-l = ",
    "alarm-low-mg-per-l = ",
    "alarm-high-mg-per-l = ",
    "drift-mg-per-l-per-day = ",
    "uptake-change-max-mg-per-l-per-day = ",
];

/// The plan's file before the changeover, and as its owner wrote it afterwards.
pub fn demo_plans() -> (String, String) {
    let sample = include_str!("../../config/plan.toml");
    let second = |share: &str| {
        format!(
            "\n[line.bicarbonate]\nshare-of-uptake = {share}\nof = \"alkalinity\"\ndoses = 24\n"
        )
    };
    let before = format!("{sample}{}", second("0.0"));
    let first_gone = sample.replacen("share-of-uptake = 1.0", "share-of-uptake = 0.0", 1);
    (before, format!("{first_gone}{}", second("1.0")))
}

/// Both files before the changeover and after it, when it ends, and a new ledger.
#[derive(Debug, Clone, Copy)]
pub struct Demo<'a> {
    pub before: &'a Loaded,
    pub after: &'a Loaded,
    pub ends: Timestamp,
    pub ledger: &'a Path,
}

/// What was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Invented {
    pub doses: u64,
    /// Rules that were broken, in words: there must be none.
    pub broken: Vec<String>,
    /// What the owner of the story wanted and was not given.
    pub denied: Vec<String>,
    /// Of all events and effects: the same for the same end.
    pub digest: String,
}

fn scenario(text: &'static str) -> Result<Scenario, RehearsalError> {
    let wrong = |mistakes: ConfigMistakes| RehearsalError::Ended(mistakes.to_string());
    Scenario::read(("the demo's scenario", text)).map_err(wrong)
}

fn ended(end: MustEnd) -> RehearsalError {
    RehearsalError::Ended(end.why)
}

impl Demo<'_> {
    /// Plays it.
    ///
    /// # Errors
    /// Any [`RehearsalError`].
    pub fn run(&self) -> Result<Invented, RehearsalError> {
        let zone = &self.before.controller.time_zone;
        let today = zone.to_datetime(self.ends).date();
        let no_date = || RehearsalError::Calendar {
            begins: today,
            days: CUT_ON,
        };
        let first = today
            .checked_sub(jiff::Span::new().days(DAYS))
            .map_err(|_| no_date())?;
        let at = zone.to_ambiguous_timestamp(first.to_datetime(Time::midnight()));
        let at = at.compatible().map_err(|_| no_date())?;
        let truth = scenario(BEFORE)?;
        let rehearsal = Rehearsal {
            loaded: self.before,
            scenario: ("demo", &truth),
            days: CUT_ON,
            seed: SEED,
            begins: (first, at),
            ledger: self.ledger,
            timeline: Timeline::Virtual,
        };
        let mut stage = rehearsal.begin_as("demo-1", true)?;
        let mut teller = Teller::new(Keeper::new(&truth, &stage.targets, SEED));
        teller.move_in(&mut stage).map_err(ended)?;
        for day in 0..CUT_ON {
            let visit = rehearsal.visit_on(day).ok_or_else(no_date)?;
            let mut visited = |stage: &mut Stage| teller.visit(stage, (day, day));
            stage.day(visit, &mut visited).map_err(ended)?;
        }
        cut_off(&mut stage).map_err(ended)?;
        let made = teller.made(&stage);
        self.go_on(stage, made)
    }

    /// After the power cut, to the end.
    fn go_on(&self, stage: Stage, made: Invented) -> Result<Invented, RehearsalError> {
        let was = stage.world.wall();
        let again = was.checked_add(CUT_LASTS).unwrap_or(was);
        let water = stage.world.water.clone();
        // The ledger is closed with it, as it lies.
        drop(stage);
        let truth = scenario(AFTER)?;
        let zone = &self.after.controller.time_zone;
        let rehearsal = Rehearsal {
            loaded: self.after,
            scenario: ("demo", &truth),
            days: 0,
            seed: SEED + 1,
            begins: (zone.to_datetime(again).date(), again),
            ledger: self.ledger,
            timeline: Timeline::Virtual,
        };
        let mut stage = rehearsal.begin_as("demo-2", true)?;
        let gone = Millis::new(CUT_LASTS.as_secs().saturating_mul(1_000)).as_days();
        for (of, level) in &mut stage.world.water.levels {
            if let Some(before) = water.levels.get(of) {
                level.start = before.now() - before.per_day() * gone;
            }
        }
        let mut teller = Teller::new(Keeper::new(&truth, &stage.targets, SEED + 1));
        Teller::wake(&mut stage).map_err(ended)?;
        let ms = self
            .ends
            .as_millisecond()
            .saturating_sub(again.as_millisecond());
        let end = Millis::new(ms);
        let mut day = 0;
        while stage.world.now < end {
            let visit = rehearsal.visit_on(day).unwrap_or(end);
            if visit < end {
                stage.until(visit).map_err(ended)?;
                teller
                    .visit(&mut stage, (CUT_ON + day, day))
                    .map_err(ended)?;
            }
            let next = Millis::new(Millis::DAY.as_ms().saturating_mul(i64::from(day) + 1));
            stage.until(next.min(end)).map_err(ended)?;
            day += 1;
        }
        stage.close("the demo ends here").map_err(ended)?;
        Ok(made.and(&teller.made(&stage)))
    }
}

impl Invented {
    fn and(mut self, other: &Self) -> Self {
        self.doses = self.doses.saturating_add(other.doses);
        self.broken.extend(other.broken.iter().cloned());
        self.denied.extend(other.denied.iter().cloned());
        self.digest = format!("{}{}", self.digest, other.digest);
        self
    }
}

/// Up to the middle of a dose; whatever runs then has no end on record.
fn cut_off(stage: &mut Stage) -> Result<(), MustEnd> {
    let latest = stage.world.now.plus(CUT_WITHIN);
    let runs = |stage: &Stage| stage.world.heads.values().any(|head| head.run.is_some());
    while stage.world.now < latest && !runs(stage) {
        let next = stage.world.now.plus(Millis::from_secs(2));
        stage.until(next)?;
    }
    Ok(())
}

/// The owner of the story: does what any rehearsed one does, and what stands here.
struct Teller {
    keeper: Keeper,
    chance: Chance,
    denied: Vec<String>,
}

impl Teller {
    fn new(keeper: Keeper) -> Self {
        Self {
            keeper,
            chance: Chance::of(SEED, "the story"),
            denied: Vec::new(),
        }
    }

    fn made(&self, stage: &Stage) -> Invented {
        let broken = stage.world.watch.broken.iter();
        Invented {
            doses: stage.world.doses,
            broken: broken.map(|broken| broken.text.clone()).collect(),
            denied: self.denied.clone(),
            digest: stage.world.digest.to_string(),
        }
    }

    fn ask(&mut self, stage: &mut Stage, command: Command) -> Result<(), MustEnd> {
        if let Err(denial) = self.keeper.ask(stage, command)? {
            self.denied.push(denial.text);
        }
        Ok(())
    }

    fn wish(&mut self, stage: &mut Stage, wish: Wish) -> Result<(), MustEnd> {
        if let Err(denial) = self.keeper.wish(stage, wish)? {
            self.denied.push(denial.text);
        }
        Ok(())
    }

    /// Contacts are looked at.
    fn wake(stage: &mut Stage) -> Result<(), MustEnd> {
        stage.started()?;
        let inputs: Vec<Name> = stage.world.controller.inputs.keys().cloned().collect();
        for input in inputs {
            let safe = Some(true);
            stage.feed(Event::Input { input, safe })?;
        }
        Ok(())
    }

    /// Bottles are filled and heads calibrated, as before any first live dose.
    fn move_in(&mut self, stage: &mut Stage) -> Result<(), MustEnd> {
        Self::wake(stage)?;
        let bottles: Vec<Name> = stage.world.bottles.keys().cloned().collect();
        for bottle in bottles {
            self.ask(stage, Command::Refill(full(&bottle)))?;
        }
        let lines = status(stage).lines;
        for line in &lines {
            let head = stage
                .world
                .controller
                .line(&line.name)
                .map(|line| line.head.clone());
            let Some(head) = head else { continue };
            let usual = line
                .next_slot
                .as_ref()
                .map_or(Volume::from_ul(4_000), |slot| slot.volume);
            if let Err(denial) = self.keeper.calibrate_head(stage, head, usual)? {
                self.denied.push(denial.text);
            }
        }
        stage.limits();
        Ok(())
    }

    fn visit(&mut self, stage: &mut Stage, (day, of_part): (u32, u32)) -> Result<(), MustEnd> {
        self.keeper.visit(stage, of_part.into())?;
        if day % 14 == 6 {
            self.nutrients(stage, day)?;
        }
        match day {
            2 => self.note(stage, "two colonies of stony coral moved in")?,
            12 => self.water_change(stage, 30.0, 8.0)?,
            18 => self.hold(stage)?,
            25 => self.panel(stage, 0.52)?,
            27 => self.raise_iodine(stage)?,
            33 => self.change_over(stage)?,
            41 => self.add_magnesium(stage, 20.0)?,
            45 => self.check(stage, "alkalinity")?,
            46 => self.check(stage, "calcium")?,
            40 | 72 => self.job_done(stage, "carbon")?,
            73 => self.note(stage, "skimmer cleaned")?,
            78 => self.panel(stage, 0.86)?,
            _ => {}
        }
        Ok(())
    }

    fn tell(
        &mut self,
        stage: &mut Stage,
        items: Vec<Observed>,
        lab: Option<&str>,
        method: &str,
    ) -> Result<(), MustEnd> {
        let lab = lab.map(|name| {
            Box::new(Lab {
                name: Words::new(name),
                columns: None,
            })
        });
        self.ask(
            stage,
            Command::Tell(Tell {
                items,
                lab,
                method: Words::new(method),
                happened: None,
                replaces: None,
                sure: true,
            }),
        )
    }

    fn note(&mut self, stage: &mut Stage, text: &str) -> Result<(), MustEnd> {
        let text = text.to_owned();
        self.tell(stage, vec![Observed::Note { text }], None, "")
    }

    fn job_done(&mut self, stage: &mut Stage, name: &str) -> Result<(), MustEnd> {
        let items = Name::new(name).map(|job| vec![Observed::Job { job }]);
        self.tell(stage, items.unwrap_or_default(), None, "")
    }

    fn nutrients(&mut self, stage: &mut Stage, day: u32) -> Result<(), MustEnd> {
        let weeks = f64::from(day) / 7.0;
        let nitrate = (4.0 + 0.35 * weeks + 0.6 * self.chance.normal()).max(0.5);
        let phosphate = (0.09 - 0.003 * weeks + 0.008 * self.chance.normal()).max(0.02);
        let items = vec![
            reading(Measurand::Nitrate, (nitrate * 2.0).round() / 2.0, 0.5),
            reading(
                Measurand::Phosphate,
                (phosphate * 100.0).round() / 100.0,
                0.01,
            ),
            reading(
                Measurand::Salinity,
                35.0 + (self.chance.normal() * 3.0).round() / 10.0,
                0.2,
            ),
        ];
        self.tell(stage, items, None, "photometer")
    }

    fn water_change(&mut self, stage: &mut Stage, litres: f64, dkh: f64) -> Result<(), MustEnd> {
        let part = litres / stage.world.controller.tank.as_litres();
        if let Some(level) = stage.world.water.levels.get_mut(&Quantity::Alkalinity) {
            level.added += part * (dkh - level.now());
        }
        let held = [(Quantity::Alkalinity, dkh)].into();
        self.tell(
            stage,
            vec![Observed::WaterChange { litres, held }],
            None,
            "",
        )
    }

    fn add_magnesium(&mut self, stage: &mut Stage, mg_per_l: f64) -> Result<(), MustEnd> {
        let Some(of) = Quantity::from_word("magnesium") else {
            return Ok(());
        };
        if let Some(level) = stage.world.water.levels.get_mut(&of) {
            level.added += mg_per_l;
        }
        let adds = [(of, mg_per_l)].into();
        self.tell(
            stage,
            vec![Observed::Addition(Addition { from: None, adds })],
            None,
            "",
        )
    }

    /// A test that looked wrong: everything stops, and goes on after a second one.
    fn hold(&mut self, stage: &mut Stage) -> Result<(), MustEnd> {
        let reason = Words::new("alkalinity test looked far too high, testing again");
        let scope = HoldScope::All;
        let later = stage.world.now.plus(Millis::from_mins(7));
        stage.until(later)?;
        self.ask(
            stage,
            Command::Hold {
                scope,
                reason,
                length: None,
            },
        )?;
        let until = stage.world.now.plus(Millis::from_mins(3 * 60 + 40));
        stage.until(until)?;
        self.ask(
            stage,
            Command::Resume {
                scope: HoldScope::All,
            },
        )
    }

    fn raise_iodine(&mut self, stage: &mut Stage) -> Result<(), MustEnd> {
        let (Some(of), Ok(line)) = (Quantity::from_word("iodine"), Name::new("iodine")) else {
            return Ok(());
        };
        let what = CourseWish::Change {
            line,
            of,
            by: 0.0016,
            at_most_per_day: 0.00011,
        };
        let note = Words::new("the lab found too little");
        self.wish(stage, Wish::Course(NewCourse { what, note }))
    }

    fn change_over(&mut self, stage: &mut Stage) -> Result<(), MustEnd> {
        let (Ok(from), Ok(to)) = (Name::new("alkalinity"), Name::new("bicarbonate")) else {
            return Ok(());
        };
        let of = Quantity::Alkalinity;
        let what = CourseWish::Changeover {
            from,
            to,
            of,
            days: 14,
        };
        let note = Words::new("away from what is caustic");
        self.wish(stage, Wish::Course(NewCourse { what, note }))
    }

    /// What came out in the line's last dose is held against the books.
    fn check(&mut self, stage: &mut Stage, name: &str) -> Result<(), MustEnd> {
        let Ok(name) = Name::new(name) else {
            return Ok(());
        };
        let now = stage.world.now;
        let Some((dose, expected)) = stage.world.last.get(&name).copied() else {
            return Ok(());
        };
        let Some(head) = stage.world.heads.get_mut(&name) else {
            return Ok(());
        };
        let Ok(lasts) = head.calibration.run_time(expected) else {
            return Ok(());
        };
        let measured = head.measured(lasts, now);
        let typed = Words::new(&measured.to_string());
        self.ask(
            stage,
            Command::Verify(NewVerification {
                head: name,
                dose,
                expected,
                measured,
                typed,
            }),
        )
    }

    /// `iodine` is what it is found to be, of what is natural.
    fn panel(&mut self, stage: &mut Stage, iodine: f64) -> Result<(), MustEnd> {
        let mut items = Vec::new();
        for (symbol, of_natural) in PANEL {
            let Some(element) = Element::new(symbol) else {
                continue;
            };
            let of = Quantity::Element(element.clone());
            let natural = natural_level(&element);
            let natural = natural.and_then(|level| {
                level
                    .at(Salinity::STANDARD, Celsius::from_degrees(25.0))
                    .ok()
            });
            let natural = natural.map_or(0.0, crate::quantity::Concentration::as_mg_per_l);
            let part = if symbol == "I" { iodine } else { of_natural };
            let level = stage
                .world
                .water
                .levels
                .get(&of)
                .filter(|_| symbol != "I")
                .map(super::water::Level::now);
            let value = level.unwrap_or(natural * part) * (1.0 + 0.03 * self.chance.normal());
            if value > 0.0 {
                items.push(reading(of.into(), value, 0.05 * value));
            }
        }
        self.tell(stage, items, Some("an invented lab"), "")
    }
}

/// What the invented lab looks for, and what it finds of what is natural.
const PANEL: [(&str, f64); 11] = [
    ("Ca", 1.0),
    ("Mg", 1.0),
    ("K", 0.97),
    ("Sr", 1.04),
    ("B", 1.02),
    ("Li", 1.5),
    ("I", 1.0),
    ("Mo", 1.2),
    ("Ba", 1.6),
    ("Zn", 9.0),
    ("Mn", 1.4),
];

fn reading(of: Measurand, value: f64, uncertainty: f64) -> Observed {
    Observed::Reading(Reading {
        of,
        found: Found::Value { value, uncertainty },
        step: None,
        as_read: String::new(),
    })
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::config::{check_texts, system_zone};
    use crate::ledger::Ledger;
    use crate::plan::check_plan;
    use crate::record::DoseEnd;

    fn loaded(plan: &str) -> Loaded {
        let controller = demo_controller();
        let texts = [
            ("controller.toml", controller.as_str()),
            ("plan.toml", plan),
        ];
        check_texts(texts, &system_zone, &check_plan).unwrap()
    }

    fn played(folder: &Path) -> Invented {
        let (before, after) = demo_plans();
        let (before, after) = (loaded(&before), loaded(&after));
        let ledger = folder.join("ledger.db");
        let ends = "2026-11-30T20:00:00Z".parse().unwrap();
        let demo = Demo {
            before: &before,
            after: &after,
            ends,
            ledger: &ledger,
        };
        demo.run().unwrap()
    }

    #[test]
    fn the_demo_is_one_story_with_all_of_it_and_the_same_each_time() {
        let (one, two) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let (first, second) = (played(one.path()), played(two.path()));
        assert_eq!(first, second);
        assert_eq!((&first.broken, &first.denied), (&Vec::new(), &Vec::new()));
        assert!(first.doses > 4_500, "{}", first.doses);
        let reader = Ledger::open_to_read(&one.path().join("ledger.db")).unwrap();
        assert!(reader.is_virtual().unwrap());
        let entries = reader.entries_since(Timestamp::MIN).unwrap();
        let mut found = BTreeSet::new();
        for entry in &entries {
            let written = serde_json::to_value(entry).unwrap();
            let kind = written["kind"].as_str().unwrap().to_owned();
            found.insert(match &written["body"] {
                body if !body["panel"].is_null() => "panel".to_owned(),
                body if body["state"] == "complete" => "changeover".to_owned(),
                _ => kind,
            });
        }
        for kind in [
            "calibration",
            "changeover",
            "verification",
            "course",
            "hold",
            "outage",
            "panel",
            "observation",
            "refill",
            "not-given",
            "uptake",
        ] {
            assert!(found.contains(kind), "{kind} is not in {found:?}");
        }
        let doses = reader.all_doses_since(Timestamp::MIN).unwrap();
        let unseen = doses
            .iter()
            .filter(|dose| dose.end == Some(DoseEnd::Uncertain));
        assert_eq!(unseen.count(), 1);
        assert!(doses.iter().all(|dose| dose.end.is_some()));
    }
}
