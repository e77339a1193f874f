//! The reef of a run: its files, its owner and the state folder, as its seed has them.

use std::collections::VecDeque;
use std::fs;
use std::path::{Path, PathBuf};

use jiff::civil::{Date, date};

use super::disk::copied;
use super::machine::Machine;
use super::sabotage::Sabotage;
use super::{DAYS, Options};
use crate::config::{Loaded, Mode, Scenario, check_texts, system_zone};
use crate::ledger::{Ledger, Timeline};
use crate::plan::check_plan;
use crate::rehearsal::chance::Chance;
use crate::rehearsal::owner::Keeper;
use crate::rehearsal::plant::Trouble;
use crate::rehearsal::run::Rehearsal;

/// The plan with so many doses, and doses at half past one and a quarter past two: all changes of these zones' clocks are about then.
pub(super) fn plan_text(doses: &str) -> String {
    include_str!("../../../config/plan.toml")
        .replace("doses = 24", doses)
        .replace("40 22 * * Mon,Wed,Fri", "40 1 * * *")
        .replace("08:15", "02:15")
}

/// A reef of this seed: few and long doses, so that much can happen in one.
fn reef(chance: &mut Chance) -> (Loaded, String) {
    let heads = include_str!("../../../config/controller.toml")
        .replace("dose-cap-ml = 6", "dose-cap-ml = 30")
        .replace("daily-cap-ml = 100", "daily-cap-ml = 115")
        .replace("run-max-s = 20", "run-max-s = 70");
    let at_once = chance.one_of(&["heads-at-once = 1", "heads-at-once = 2"]);
    let zone = chance.one_of(&[
        "Europe/Berlin",
        "Europe/Berlin",
        "America/New_York",
        "Australia/Lord_Howe",
    ]);
    let heads = heads
        .replace("heads-at-once = 1", at_once)
        .replace("Europe/Berlin", zone);
    let doses = chance.one_of(&["doses = 4", "doses = 6", "doses = 8"]);
    let plan = plan_text(doses);
    let texts = [
        ("controller.toml", heads.as_str()),
        ("plan.toml", plan.as_str()),
    ];
    let mut loaded =
        check_texts(texts, &system_zone, &check_plan).unwrap_or_else(|m| panic!("{m}"));
    loaded.controller.mode = Mode::Live;
    (loaded, format!("{zone}, {at_once}, {doses}"))
}

/// Who sees to it, and how well.
fn habits(chance: &mut Chance) -> String {
    let kind = chance.one_of(&[
        "changes-nothing",
        "chases-tests",
        "follows-advice",
        "grants-corridor",
    ]);
    let (every, part) = (chance.whole(0, 6), chance.whole(70, 130));
    let (error, slip) = (chance.whole(0, 40), chance.whole(0, 10));
    let (drift, refills) = (chance.whole(-3, 3), chance.whole(0, 9));
    format!(
        "[water.alkalinity]\nuptake-percent-of-plan = {part}\nuptake-wander-percent-per-day = 2\ntest-every-days = {every}\n\
         test-error-dkh = {:.2}\ntest-slip-percent = {slip}\ntest-slip-dkh = 6\n\
         [heads]\nscatter-percent = 0.5\ndrift-percent-per-30-days = {drift}\n[owner]\nkind = \"{kind}\"\nrefills-after-days = {refills}\n",
        f64::from(i32::try_from(error).unwrap()) / 100.0
    )
}

/// Often shortly before a change of the clocks.
fn begins(chance: &mut Chance) -> Date {
    let changes = [
        date(2026, 3, 29),
        date(2026, 10, 25),
        date(2026, 3, 8),
        date(2026, 11, 1),
        date(2026, 4, 5),
        date(2026, 10, 4),
    ];
    if chance.happens(0.3) {
        return date(2026, 1, 1)
            .checked_add(jiff::Span::new().days(chance.whole(0, 364)))
            .unwrap();
    }
    let before = jiff::Span::new().days(chance.whole(1, 40));
    chance.one_of(&changes).checked_sub(before).unwrap()
}

pub(super) fn state_folder(seed: u64) -> PathBuf {
    let memory = PathBuf::from("/dev/shm");
    let base = if memory.is_dir() {
        memory
    } else {
        std::env::temp_dir()
    };
    let thread = format!("{:?}", std::thread::current().id());
    let name: String = thread.chars().filter(char::is_ascii_digit).collect();
    base.join(format!(
        "dosewright-simulate-{}-{name}-{seed}",
        std::process::id()
    ))
}

/// And what was drawn for it, in words.
pub(super) fn made(seed: u64, folder: &Path, options: Options) -> (Machine, String) {
    let mut chance = Chance::of(seed, "reef");
    let (loaded, files) = reef(&mut chance);
    let habits = habits(&mut chance);
    let scenario = Scenario::read(("habits", &habits)).unwrap_or_else(|m| panic!("{m}"));
    let begin = begins(&mut chance);
    let zone = loaded.controller.time_zone.clone();
    let at = zone
        .to_ambiguous_timestamp(begin.at(0, 0, 0, 0))
        .compatible()
        .unwrap();
    let ledger = folder.join("ledger.db");
    let rehearsal = Rehearsal {
        loaded: &loaded,
        scenario: ("simulated", &scenario),
        days: DAYS,
        seed,
        begins: (begin, at),
        ledger: &ledger,
        timeline: Timeline::Real,
    };
    let mut stage = rehearsal.begin().unwrap();
    stage.world.keeper = None;
    stage.world.chaos.simulated = true;
    stage.world.chaos.recent = options.recent.then(VecDeque::new);
    match options.sabotage {
        Some(Sabotage::StopsIgnored) => stage.world.trouble = Trouble::IgnoresStops,
        Some(Sabotage::IntentsUnstored) => stage.world.trouble = Trouble::Lies,
        Some(Sabotage::OverrunUnbooked) => stage.world.chaos.books_as_meant = true,
        Some(_) | None => {}
    }
    fs::remove_file(folder.join("ledger.mark")).unwrap();
    copied(&ledger, &folder.join("empty.db"));
    Ledger::belongs_to(&ledger, "this one");
    let keeper = Keeper::new(&scenario, &stage.targets, seed);
    let fingerprint = loaded.controller_fingerprint.clone();
    let machine = Machine::new(
        (stage, keeper),
        (folder.to_owned(), fingerprint),
        Chance::of(seed, "machine"),
        options.sabotage,
    );
    let habits = habits.replace('\n', " ");
    (machine, format!("from {begin}, {files}, {habits}"))
}
