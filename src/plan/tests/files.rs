//! The two files with a plan held against its controller: the samples, small edits of them, and texts that are no config at all.

use crate::config::tests::{CONTROLLER, PLAN, as_lines, check_with, edited, place_of};
use crate::config::{
    ConfigMistakes, Loaded, Mode, Purpose, Times, check_plan_text, load, load_plan,
};
use crate::plan::check_plan;
use crate::quantity::f64_from_i64;
use proptest::prelude::*;
use std::path::Path;

fn check(controller: &str, plan: &str) -> Result<Loaded, ConfigMistakes> {
    check_with(controller, plan, &check_plan)
}

fn mistakes(controller: &str, plan: &str) -> Vec<String> {
    as_lines(check(controller, plan))
}

fn plan(from: &str, to: &str, at: &str, words: &str) {
    let text = edited(PLAN, from, to);
    one(
        &mistakes(CONTROLLER, &text),
        &format!("plan.toml:{}: ", place_of(&text, at)),
        words,
    );
}

fn one(found: &[String], start: &str, words: &str) {
    assert_eq!(found.len(), 1, "wanted {start}{words}, got {found:#?}");
    assert!(
        found[0].starts_with(start),
        "wanted {start}{words}, got {}",
        found[0]
    );
    assert!(found[0].contains(words), "wanted {words}, got {}", found[0]);
}

#[test]
fn the_samples_are_without_mistake_or_warning() {
    let loaded = check(CONTROLLER, PLAN).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(loaded.warnings, []);
    assert_eq!(loaded.controller.mode, Mode::DryRun);
    let order: Vec<&str> = loaded
        .controller
        .lines
        .iter()
        .map(|line| line.name.as_str())
        .collect();
    assert_eq!(
        order,
        ["alkalinity", "calcium", "magnesium", "trace", "iodine"],
        "file order is kept"
    );
    let volumes: Vec<i64> = loaded
        .plan
        .lines
        .iter()
        .map(|line| line.daily_volume.as_ul())
        .collect();
    // 75.6 mL of 1.1322 meq/mL hold 85.6 meq, 0.80 dKH in 300 L; 20.04 mg of calcium go with each meq.
    assert_eq!(volumes, [75_601, 75_621, 6_000, 1_500, 2_000]);
    assert!(matches!(
        loaded.plan.lines[1].times,
        Times::Spread { doses: 24, .. }
    ));
}

#[test]
fn the_sample_directory_loads_from_disk_with_the_systems_zone_data() {
    let loaded = load(Path::new("config"), &check_plan).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(loaded.controller.time_zone_name, "Europe/Berlin");
    let again = load_plan(Path::new("config"), &loaded.controller, &check_plan)
        .unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(again.fingerprint, loaded.plan_fingerprint);
}

#[test]
fn a_missing_directory_names_both_files_and_what_to_do() {
    let error = load(Path::new("no-such-directory"), &check_plan)
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("no-such-directory/controller.toml: cannot be read"),
        "{error}"
    );
    assert!(
        error.contains("no-such-directory/plan.toml") && error.contains("--config"),
        "{error}"
    );
    assert!(
        error.ends_with("2 mistakes; nothing was started"),
        "{error}"
    );
}

#[test]
fn all_mistakes_of_both_files_are_reported_at_once_in_the_order_of_the_files() {
    let controller = edited(CONTROLLER, "volume-l = 300", "volume-l = -1");
    let controller = edited(
        &controller,
        "gap-min = 15\n\n[[apart]]",
        "gap-min = \"15\"\n\n[[apart]]",
    );
    let controller = edited(&controller, "stale-after-days = 14", "stale-after-day = 14");
    let plan = edited(
        PLAN,
        "doses = 24\n\n[line.calcium]",
        "doses = 24.5\n\n[line.calcium]",
    );
    let plan = edited(&plan, "\"08:15\"", "\"8:15\"");
    let found = mistakes(&controller, &plan);
    assert_eq!(found.len(), 5, "{found:#?}");
    for (mistake, words) in found.iter().zip([
        "volume-l",
        "gap-min",
        "stale-after-day",
        "doses",
        "at = \"8:15\"",
    ]) {
        assert!(mistake.contains(words), "{mistake} is not about {words}");
    }
    let error = check(&controller, &plan).unwrap_err();
    assert!(
        error
            .to_string()
            .ends_with("\n5 mistakes; nothing was started"),
        "{error}"
    );
}

#[test]
fn a_bad_plan_at_reload_says_that_the_running_plan_stays() {
    let loaded = check(CONTROLLER, PLAN).unwrap();
    let bad = edited(PLAN, "daily-ml = 6\n", "daily-ml = -1\n");
    let error: ConfigMistakes =
        check_plan_text(("plan.toml", &bad), &loaded.controller, &check_plan).unwrap_err();
    assert_eq!(error.purpose, Purpose::Reload);
    assert!(
        error
            .to_string()
            .ends_with("1 mistake; the running plan stays in force"),
        "{error}"
    );
    let good = check_plan_text(("plan.toml", PLAN), &loaded.controller, &check_plan).unwrap();
    assert_eq!(good.fingerprint, loaded.plan_fingerprint);
}

#[test]
fn a_fingerprint_follows_the_meaning_and_not_the_spelling() {
    let loaded = check(CONTROLLER, PLAN).unwrap();
    let bare: Vec<&str> = CONTROLLER
        .lines()
        .filter(|line| !line.starts_with('#'))
        .collect();
    let bare = bare.join("  \n\n").replace("= 300", "=   300.0");
    let without_default = edited(&bare, "permit-valid-s = 5", "");
    let same = check(&without_default, PLAN).unwrap();
    assert_eq!(same.controller_fingerprint, loaded.controller_fingerprint);
    let other = check(
        &edited(CONTROLLER, "volume-l = 300", "volume-l = 300.5"),
        PLAN,
    )
    .unwrap();
    assert_ne!(other.controller_fingerprint, loaded.controller_fingerprint);
    assert_eq!(other.plan_fingerprint, loaded.plan_fingerprint);
    let live = check(
        &edited(CONTROLLER, "mode = \"dry-run\"", "mode = \"live\""),
        PLAN,
    )
    .unwrap();
    assert_ne!(live.controller_fingerprint, loaded.controller_fingerprint);
    assert_eq!(live.controller.mode, Mode::Live);
}

/// Lines that stand first get the better times, so their order is meaning; the order of bottles is not.
#[test]
fn a_fingerprint_follows_the_order_of_lines_and_of_nothing_else() {
    let loaded = check(CONTROLLER, PLAN).unwrap();
    let moved = |piece: &str| {
        let start = CONTROLLER.find(piece).unwrap();
        let length = CONTROLLER[start..].find("\n\n").unwrap();
        let block = &CONTROLLER[start..start + length];
        let text = format!("{}\n{block}\n", CONTROLLER.replacen(block, "", 1));
        check(&text, PLAN).unwrap().controller_fingerprint
    };
    assert_eq!(moved("[reservoir.calcium]"), loaded.controller_fingerprint);
    assert_ne!(moved("[line.magnesium]"), loaded.controller_fingerprint);
}

#[test]
fn doses_are_held_against_caps_and_heads() {
    let small = edited(CONTROLLER, "dose-cap-ml = 1.5", "dose-cap-ml = 0.9");
    one(
        &mistakes(&small, PLAN),
        &format!("plan.toml:{}: ", place_of(PLAN, "2\n# At these")),
        "line \"iodine\": daily-ml: 2.0 mL a day in 2 doses: one dose of 1.0 mL is over dose-cap-ml = 0.9 mL",
    );
    plan(
        "daily-ml = 2\n",
        "daily-ml = 0.3\n",
        "0.3\n",
        "one dose of 0.15 mL is under dose-min-ml = 0.2 mL",
    );
    plan(
        "daily-ml = 2\n",
        "daily-ml = 2.8\n",
        "2.8\n",
        "fall within 24 h, and with one dose more that needs a cap of",
    );
    let text = edited(CONTROLLER, "output = \"GPIO25\"", "output = \"GPIO25\" #");
    let slow = text.replace("run-max-s = 40", "run-max-s = 9");
    let found = mistakes(&slow, PLAN);
    assert!(
        found.iter().any(|m| m.starts_with("plan.toml:")
            && m.contains("takes 10 s at 6.00 mL/min, over run-max-s = 9 s of head \"iodine\"")),
        "{found:#?}"
    );
}

/// Three doses of iodine fall within 24 h of a 23-hour day, and each counts until 24 h after its end: a cap of 4 mL has just room.
#[test]
fn a_cap_must_have_room_for_the_fullest_24_hours_and_one_dose_more() {
    let text = edited(CONTROLLER, "daily-cap-ml = 4\n", "daily-cap-ml = 3.999\n");
    one(
        &mistakes(&text, PLAN),
        &format!("plan.toml:{}: ", place_of(PLAN, "2\n# At these")),
        "up to 3.0 mL fall within 24 h, and with one dose more that needs a cap of 4.0 mL, but daily-cap-ml = 3.999 mL",
    );
}

/// 24 doses of 3.15 mL a day are two in an hour on the day of 23 hours; two of 3.15 mL of 60 g/L Na2CO3 in 300 L are 0.067 dKH.
#[test]
fn a_limit_on_an_hour_has_room_for_the_busiest_hour_of_the_plan() {
    let volume = |cap: &str| {
        let more = format!("hourly-cap-ml = {cap}\n");
        let text = edited(CONTROLLER, "# hourly-cap-ml = 8\n", &more);
        mistakes(&text, PLAN)
    };
    one(
        &volume("6.2"),
        &format!("plan.toml:{}: ", place_of(PLAN, "1.0\nof = \"alkalinity\"")),
        "over its limit of 6.2 mL (hourly-cap-ml), days on which the clocks change included; plan less, or spread it",
    );
    assert_eq!(volume("6.4"), Vec::<String>::new());
    let rise = |dkh: &str| {
        let key = format!("max-rise-dkh-per-hour = {dkh}\n");
        mistakes(
            &edited(CONTROLLER, "# max-rise-dkh-per-hour = 0.1\n", &key),
            PLAN,
        )
    };
    one(
        &rise("0.03"),
        "plan.toml:",
        "over its limit of 0.030 dKH (max-rise-dkh-per-hour)",
    );
    assert_eq!(rise("0.07"), Vec::<String>::new());
}

#[test]
fn a_cap_on_an_hour_lies_between_dose_and_day() {
    for cap in ["5.9", "101"] {
        let key = format!("hourly-cap-ml = {cap}\n");
        let found = mistakes(&edited(CONTROLLER, "# hourly-cap-ml = 8\n", &key), PLAN);
        one(
            &found,
            "controller.toml:",
            "is not between dose-cap-ml = 6.0 mL and daily-cap-ml = 100.0 mL",
        );
    }
}

/// The demo's plan with a volume of its own for alkalinity, 0.80 dKH a day.
fn by_volume() -> String {
    let text = edited(
        PLAN,
        "share-of-uptake = 1.0\nof = \"alkalinity\"",
        "daily-ml = 75.6",
    );
    edited(
        &text,
        "share-of-uptake = 1.0\nof = \"calcium\"",
        "daily-ml = 75.6",
    )
}

/// How much a line gives is said once, by what there is.
#[test]
fn shares_and_uptakes_go_together() {
    let share = "share-of-uptake = 1.0\nof = \"alkalinity\"";
    let of_calcium = "share-of-uptake = 1.0\nof = \"calcium\"";
    for (from, to, words) in [
        (
            share,
            "share-of-uptake = 0.6\nof = \"alkalinity\"",
            "share-of-uptake of alkalinity adds up to 0.600 over all lines",
        ),
        (
            of_calcium,
            "share-of-uptake = 1.0\nof = \"magnesium\"",
            "its solution carries no magnesium",
        ),
        (
            of_calcium,
            "ml-per-mg-per-l = 1.0\nof = \"iodine\"",
            "there is no [uptake.iodine]",
        ),
        (
            of_calcium,
            "ml-per-dkh = 1.0\nof = \"calcium\"",
            "ml-per-dkh does not go with of = \"calcium\"",
        ),
        (
            of_calcium,
            "ml-per-mg-per-l = 1.0",
            "of is missing beside ml-per-mg-per-l",
        ),
        (
            of_calcium,
            "share-of-uptake = 1.0\nof = \"kalk\"",
            "of = \"kalk\" is no water quantity",
        ),
        (
            "daily-ml = 6\n",
            "daily-ml = 6\nof = \"magnesium\"\n",
            "of has no meaning beside daily-ml",
        ),
        (
            "daily-ml = 6\n",
            "daily-ml = 6\nkeeps-on = true\n",
            "keeps-on has no meaning beside daily-ml",
        ),
        (
            "daily-ml = 6\n",
            "daily-ml = 6\nshare-of-uptake = 1\n",
            "is said more than once (daily-ml, share-of-uptake)",
        ),
        (
            "with = \"alkalinity\"",
            "with = \"alkalinity\"\nstart-mg-per-l-per-day = 5",
            "give start-mg-per-l-per-day or with = \"alkalinity\", one and nothing else",
        ),
        (
            "[uptake.calcium]",
            "[uptake.Ca]",
            "\"Ca\" is not the name of a water quantity known here",
        ),
    ] {
        let found = mistakes(CONTROLLER, &edited(PLAN, from, to));
        assert!(
            found.iter().any(|m| m.contains(words)),
            "{words}: {found:#?}"
        );
    }
}

/// A volume that goes by an uptake which is estimated without what the mix adds would chase itself.
#[test]
fn what_is_not_stated_goes_by_no_uptake_but_of_what_is_stated() {
    let salts = "salts = [{ salt = \"CaCl2.2H2O\", g-per-l = 83.2 }]";
    let of_calcium = "share-of-uptake = 1.0\nof = \"calcium\"";
    let found = |solution: &str, gives: &str| {
        mistakes(
            &edited(CONTROLLER, salts, solution),
            &edited(PLAN, of_calcium, gives),
        )
    };
    let words = "it is not stated whether \"calcium-chloride\" carries calcium, so its volume cannot go by the uptake of calcium; give daily-ml";
    for gives in [of_calcium, "ml-per-mg-per-l = 13\nof = \"calcium\""] {
        one(&found("unstated = true", gives), "plan.toml:", words);
        one(
            &found("per-litre = { Mg-mg = 1 }\nunstated = true", gives),
            "plan.toml:",
            words,
        );
    }
    let none: [String; 0] = [];
    assert_eq!(found("unstated = true", "daily-ml = 75"), none);
    let in_part = format!("{salts}\nunstated = true");
    assert_eq!(
        found(&in_part, of_calcium),
        none,
        "what is stated of it can be gone by"
    );
}

#[test]
fn a_volume_follows_from_another_uptake_and_a_wide_cap_is_questioned() {
    // 0.25 mL for each of 5.717 mg/L of calcium.
    let trace = edited(
        PLAN,
        "daily-ml = 1.5",
        "ml-per-mg-per-l = 0.25\nof = \"calcium\"",
    );
    let loaded = check(CONTROLLER, &trace).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(loaded.plan.lines[3].daily_volume.as_ul(), 1_429);
    let cap = CONTROLLER.replace("daily-cap-ml = 100", "daily-cap-ml = 200");
    let loaded = check(&cap, PLAN).unwrap_or_else(|error| panic!("{error}"));
    let warned: Vec<String> = loaded.warnings.iter().map(ToString::to_string).collect();
    assert!(
        warned
            .iter()
            .any(|w| w.contains("fits 2.6 times into daily-cap-ml = 200.0 mL")),
        "{warned:#?}"
    );
}

#[test]
fn a_plan_that_moves_alkalinity_without_end_is_named_with_its_days_and_the_way_out() {
    let text = edited(
        &by_volume(),
        "start-dkh-per-day = 0.80",
        "start-dkh-per-day = 0.60",
    );
    let found = mistakes(CONTROLLER, &text);
    one(
        &found,
        &format!("plan.toml:{}: ", place_of(&text, "0.60")),
        "alkalinity would rise by 0.20 dKH per day without end",
    );
    // Middle 8.25, top 9.0: 0.75 dKH at 0.2 dKH per day.
    assert!(
        found[0].contains("(8.25 dKH) past its top (9.00 dKH) in 3.7 days")
            || found[0].contains("in 3.8 days"),
        "{}",
        found[0]
    );
    assert!(
        found[0].contains("multiply the daily-ml of what carries alkalinity by 0.750"),
        "{}",
        found[0]
    );
    assert!(found[0].contains("bounded course"), "{}", found[0]);
    let text = edited(
        &by_volume(),
        "start-dkh-per-day = 0.80",
        "start-dkh-per-day = 0.90",
    );
    one(
        &mistakes(CONTROLLER, &text),
        &format!("plan.toml:{}: ", place_of(&text, "0.90")),
        "alkalinity would fall by 0.10 dKH per day",
    );
    for near in ["0.84", "0.76"] {
        let text = edited(
            &by_volume(),
            "start-dkh-per-day = 0.80",
            &format!("start-dkh-per-day = {near}"),
        );
        assert_eq!(mistakes(CONTROLLER, &text), Vec::<String>::new(), "{near}");
    }
}

/// A cron line that comes on some days counts with its mean, not with its full day.
#[test]
fn an_alkalinity_line_by_cron_counts_with_its_mean() {
    let plan_text = edited(
        PLAN,
        "doses = 24\n\n[line.calcium]",
        "cron = \"0 * * * Mon,Tue,Wed,Thu,Fri,Sat\"\n\n[line.calcium]",
    );
    let found = mistakes(CONTROLLER, &plan_text);
    assert!(
        found.iter().any(|m| m.contains("adds 0.69 dKH per day")),
        "{found:#?}"
    );
}

#[test]
fn an_element_over_its_daily_limit_is_refused_at_the_plan() {
    let text = CONTROLLER.replace(
        "max-rise-mg-per-l-per-day = 25",
        "max-rise-mg-per-l-per-day = 5",
    );
    one(
        &mistakes(&text, PLAN),
        &format!("plan.toml:{}: ", place_of(PLAN, "calcium]\nshare")),
        "of calcium per day (lines that carry it: 1), over water.calcium.max-rise-mg-per-l-per-day = 5.000 mg/L",
    );
}

#[test]
fn doubtful_settings_are_warned_of() {
    let small = edited(
        CONTROLLER,
        "capacity-ml = 1000\nreserve-ml = 80\nlow-warning-days = 7",
        "capacity-ml = 100\nreserve-ml = 80\nlow-warning-days = 7",
    );
    let loaded = check(&small, PLAN).unwrap_or_else(|error| panic!("{error}"));
    let found: Vec<String> = loaded.warnings.iter().map(ToString::to_string).collect();
    assert!(
        found.iter().any(|w| w.contains("lasts 3.3 days")),
        "{found:#?}"
    );
    let few = edited(
        PLAN,
        "doses = 24\n\n[line.calcium]",
        "doses = 6\n\n[line.calcium]",
    );
    let caps = CONTROLLER
        .replace("dose-cap-ml = 6", "dose-cap-ml = 15")
        .replace("run-max-s = 20", "run-max-s = 40")
        .replace("daily-cap-ml = 100", "daily-cap-ml = 110");
    let loaded = check(&caps, &few).unwrap_or_else(|error| panic!("{error}"));
    let found: Vec<String> = loaded.warnings.iter().map(ToString::to_string).collect();
    assert!(
        found
            .iter()
            .any(|w| w.contains("one dose raises alkalinity by 0.13 dKH")),
        "{found:#?}"
    );
    let unplanned = &PLAN[..PLAN.find("[line.iodine]").unwrap()];
    let loaded = check(CONTROLLER, unplanned).unwrap();
    assert!(
        loaded.warnings[0]
            .to_string()
            .contains("line \"iodine\" of the controller is not planned here")
    );
}

#[test]
fn a_tank_taken_for_another_is_noticed_by_its_uptake() {
    let text = CONTROLLER.replace("volume-l = 300", "volume-l = 100000");
    let found = mistakes(&text, &by_volume());
    one(&found, "plan.toml:", "alkalinity would fall");
}

#[test]
fn gaps_that_leave_no_time_for_a_dose_are_refused() {
    let gaps = edited(
        CONTROLLER,
        "gap-min = 15\n\n[[apart]]",
        "gap-min = 40\n\n[[apart]]",
    );
    one(
        &mistakes(&gaps, PLAN),
        "plan.toml:",
        "finds no time for its dose",
    );
}

/// Fault rows FT-CRON-09 to FT-CRON-11.
#[test]
fn cron_expressions_that_burst_are_refused() {
    let cron = "cron = \"40 22 * * Mon,Wed,Fri\"";
    // A missing minute field: every minute of every fourth hour.
    let burst = edited(PLAN, cron, "cron = \"* */4 * * *\"");
    let found = mistakes(CONTROLLER, &burst);
    assert!(found.iter().any(|m| m.contains("in 360 doses: one dose of 0.004 mL is under dose-min-ml = 0.2 mL")), "{found:#?}");
    // Two doses closer than one takes.
    let fast = edited(PLAN, cron, "cron = \"0,10 40 22 * * *\"");
    let found = mistakes(CONTROLLER, &fast);
    assert!(
        found
            .iter()
            .any(|m| m.contains("are set aside for each dose")),
        "{found:#?}"
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn no_text_makes_the_loader_panic(a in "\\PC{0,200}", b in "\\PC{0,200}") {
        prop_assert!(check(&a, &b).is_err());
    }

    /// A piece of a sample is cut out, doubled, or replaced: an answer comes, and a refusal names at least one place.
    #[test]
    fn a_mangled_sample_is_answered_and_never_panics(start in 0.0_f64..1.0, length in 0_usize..80, put in "[-a-z0-9=\"\\[\\]{}.,\n# ]{0,12}", which in any::<bool>()) {
        let text = if which { CONTROLLER } else { PLAN };
        let from = crate::quantity::i64_from_f64(start * f64_from_i64(i64::try_from(text.len()).unwrap())).unwrap();
        let mut from = usize::try_from(from).unwrap().min(text.len());
        while !text.is_char_boundary(from) { from -= 1; }
        let mut to = (from + length).min(text.len());
        while !text.is_char_boundary(to) { to -= 1; }
        let to = to.max(from);
        let mangled = format!("{}{put}{}", &text[..from], &text[to..]);
        let result = if which { check(&mangled, PLAN) } else { check(CONTROLLER, &mangled) };
        if let Err(error) = result {
            prop_assert!(!error.mistakes.is_empty());
            prop_assert!(error.mistakes.iter().all(|mistake| mistake.place.is_some()), "{}", error);
        }
    }
}

/// The alkalinity bottle may also hold soda ash of another strength, kept apart as the first is.
fn with_strength(g_per_l: u32, gap_min: u32) -> String {
    let text = edited(
        CONTROLLER,
        "solutions = \"soda-ash\"",
        "solutions = [\"soda-ash\", \"other-ash\"]",
    );
    let pair = |second: &str| {
        format!("[[apart]]\nfirst = \"other-ash\"\nsecond = \"{second}\"\ngap-min = {gap_min}\n")
    };
    format!(
        "{text}\n[solution.other-ash]\nsalts = [{{ salt = \"Na2CO3\", g-per-l = {g_per_l} }}]\ncaustic = true\n{}{}",
        pair("calcium-chloride"),
        pair("magnesium-mix")
    )
}

#[test]
fn caps_must_fit_the_weakest_solution_of_a_bottle_and_are_a_second_opinion_on_the_strongest() {
    let loaded = check(&with_strength(80, 15), PLAN).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(loaded.warnings, []);
    // 40 g/L need 113.4 mL a day.
    let found = mistakes(&with_strength(40, 15), PLAN);
    assert!(
        found.iter().any(|m| m.contains(
            "with \"other-ash\" in reservoir \"alkalinity\": line \"alkalinity\": share-of-uptake"
        ) && m.contains("daily-cap-ml = 100")),
        "{found:#?}"
    );
    // 150 g/L need 30.2 mL a day, and a cap of 100 mL is 3.3 times that.
    let loaded = check(&with_strength(150, 15), PLAN).unwrap_or_else(|error| panic!("{error}"));
    let warned: Vec<String> = loaded.warnings.iter().map(ToString::to_string).collect();
    assert!(
        warned
            .iter()
            .any(|w| w.contains("with \"other-ash\" in reservoir")
                && w.contains("fits 3.3 times into daily-cap-ml")),
        "{warned:#?}"
    );
}

#[test]
fn times_keep_the_widest_gap_of_all_that_two_bottles_may_hold() {
    let gap = |controller: &str| {
        let loaded = check(controller, PLAN).unwrap_or_else(|error| panic!("{error}"));
        let plan = std::sync::Arc::new(loaded.plan);
        let controller = loaded.controller.into();
        let daily = crate::plan::plan_daily_volumes(&plan);
        let mut schedule = crate::plan::Schedule::new(controller, &plan);
        let day = jiff::civil::date(2027, 3, 3);
        let slots = schedule.day(day, &daily).unwrap();
        let at = |line: &str| -> Vec<i64> {
            let slots = slots.iter().filter(|s| s.key.line.as_str() == line);
            slots.map(|s| s.at.as_second()).collect()
        };
        let (alkalinity, calcium) = (at("alkalinity"), at("calcium"));
        let between = alkalinity
            .iter()
            .flat_map(|a| calcium.iter().map(move |c| (a - c).abs()));
        between.min().unwrap()
    };
    assert!((900..1_200).contains(&gap(CONTROLLER)));
    let wide = gap(&with_strength(80, 25));
    assert!(wide >= 1_500, "{wide}");
}
