//! Each kind of mistake, with its exact place.

use super::{CONTROLLER, PLAN, check, edited, mistakes, place_of};

/// One edit of the controller file, and what must be said of it and where.
fn controller(from: &str, to: &str, at: &str, words: &str) {
    let text = edited(CONTROLLER, from, to);
    one(
        &mistakes(&text, PLAN),
        &format!("controller.toml:{}: ", place_of(&text, at)),
        words,
    );
}

/// One edit of the plan file.
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

/// Warnings of the samples with one edit of the controller file.
fn warned(from: &str, to: &str, words: &str) {
    let loaded =
        check(&edited(CONTROLLER, from, to), PLAN).unwrap_or_else(|error| panic!("{error}"));
    let found: Vec<String> = loaded.warnings.iter().map(ToString::to_string).collect();
    assert!(
        found.iter().any(|w| w.contains(words)),
        "no warning of {words}: {found:#?}"
    );
}

#[test]
fn a_value_out_of_range_is_named_as_the_issue_shows() {
    let text = edited(CONTROLLER, "daily-cap-ml = 12\n", "daily-cap-ml = -3\n");
    let place = place_of(&text, "-3");
    assert_eq!(
        mistakes(&text, PLAN),
        [format!(
            "controller.toml:{place}: line \"magnesium\": daily-cap-ml = -3 is out of range; give 0.1 to 5000 mL"
        )]
    );
}

#[test]
fn broken_syntax_is_placed_and_the_other_file_is_still_checked() {
    let text = edited(CONTROLLER, "volume-l = 300", "volume-l 300");
    let bad_plan = edited(
        PLAN,
        "doses = 24\n\n[line.calcium]",
        "doses = 0\n\n[line.calcium]",
    );
    let found = mistakes(&text, &bad_plan);
    assert_eq!(found.len(), 2, "{found:#?}");
    let line = place_of(&text, "volume-l 300");
    let line = line.split(':').next().unwrap();
    assert!(
        found[0].starts_with(&format!("controller.toml:{line}:")),
        "{}",
        found[0]
    );
    assert!(found[0].contains("this is not TOML"), "{}", found[0]);
    assert!(
        found[1].contains("doses = 0 is out of range; give 1 to 480 doses a day"),
        "{}",
        found[1]
    );
}

#[test]
fn no_safety_key_has_a_default() {
    for (line, key) in [
        ("time-zone = \"Europe/Berlin\"\n", "time-zone"),
        ("volume-l = 300\n", "volume-l"),
        ("daily-cap-ml = 12\n", "daily-cap-ml"),
        ("dose-cap-ml = 4\n", "dose-cap-ml"),
        ("max-rise-dkh-per-day = 0.5\n", "max-rise-dkh-per-day"),
        ("max-fall-dkh-per-day = 0.5\n", "max-fall-dkh-per-day"),
        ("band-high-dkh = 9.0\n", "band-high-dkh"),
        ("alarm-high-dkh = 10.5\n", "alarm-high-dkh"),
        ("capacity-ml = 1000\n", "capacity-ml"),
        ("reserve-ml = 80\n", "reserve-ml"),
        ("output = \"GPIO22\"\nactive = \"high\"\n", "active"),
        ("solution = \"magnesium-mix\"\n", "solution"),
    ] {
        let found = mistakes(&edited(CONTROLLER, line, ""), PLAN);
        assert!(
            found
                .iter()
                .any(|m| m.contains(&format!("{key} is missing; give "))),
            "{key}: {found:#?}"
        );
    }
    let runs = CONTROLLER
        .replace("run-max-s = 20\n", "")
        .replace("run-max-s = 40\n", "");
    assert_eq!(mistakes(&runs, PLAN).len(), 5);
    one(
        &mistakes(&edited(CONTROLLER, "\n[tank]\n", "\n[tunk]\n"), PLAN),
        "controller.toml:",
        "tunk is an unknown key; did you mean tank?",
    );
    let whole = &CONTROLLER[..CONTROLLER.find("[limits.alkalinity]").unwrap()];
    one(
        &mistakes(whole, PLAN),
        "controller.toml:1:1: ",
        "[limits.alkalinity] is missing, and a line carries alkalinity",
    );
    one(
        &mistakes(
            CONTROLLER,
            &edited(PLAN, "[uptake.alkalinity]\nstart-dkh-per-day = 0.80\n", ""),
        ),
        "plan.toml:1:1: ",
        "[uptake.alkalinity] is missing",
    );
}

#[test]
fn mode_is_dry_run_when_it_is_not_given() {
    let text = edited(CONTROLLER, "mode = \"dry-run\"\n", "");
    assert_eq!(
        check(&text, PLAN).unwrap().controller.mode,
        super::super::Mode::DryRun
    );
    controller(
        "mode = \"dry-run\"",
        "mode = \"dry\"",
        "\"dry\"",
        "mode = \"dry\" cannot be used; give \"dry-run\" or \"live\"",
    );
}

#[test]
fn an_unknown_time_zone_is_never_taken_for_utc() {
    for zone in [
        "Europe/Berlinn",
        "Etc/Unknown",
        "Nowhere/Land",
        "localtime",
        "CET-1",
        "utc+1",
    ] {
        let to = format!("time-zone = \"{zone}\"");
        controller(
            "time-zone = \"Europe/Berlin\"",
            &to,
            &format!("\"{zone}\""),
            "is unknown here; give an IANA name",
        );
    }
    let none = super::super::check_texts(
        [("controller.toml", CONTROLLER), ("plan.toml", PLAN)],
        &|_| None,
    );
    assert!(
        none.unwrap_err().to_string().contains("tzdata"),
        "missing zone data must be named"
    );
}

#[test]
fn dangling_names_are_answered_with_the_names_there_are() {
    controller(
        "head = \"magnesium\"",
        "head = \"magnesum\"",
        "\"magnesum\"",
        "line \"magnesium\": head = \"magnesum\" is no head of this file; did you mean \"magnesium\"? known: alkalinity, calcium, magnesium, trace, iodine",
    );
    controller(
        "reservoir = \"iodine\"",
        "reservoir = \"none\"",
        "\"none\"",
        "is no reservoir of this file; known: alkalinity",
    );
    controller(
        "second = \"magnesium-mix\"",
        "second = \"kalk\"",
        "\"kalk\"",
        "apart 2: second = \"kalk\" is no solution",
    );
    controller(
        "blocks = [\"alkalinity\"]",
        "blocks = [\"alk\"]",
        "\"alk\"]",
        "input \"alkalinity-float\": blocks = \"alk\" is no line",
    );
    plan(
        "[line.trace]",
        "[line.traces]",
        "traces]",
        "line \"traces\": \"traces\" is no line of the controller; did you mean \"trace\"?",
    );
}

#[test]
fn names_are_checked() {
    controller(
        "name = \"demo-reef\"",
        "name = \"Demo Reef\"",
        "\"Demo Reef\"",
        "is not a name; use 1 to 32 of a-z",
    );
    let text = format!("{CONTROLLER}\n[reservoir.Big]\ncapacity-ml = 5\n");
    one(
        &mistakes(&text, PLAN),
        &format!("controller.toml:{}: ", place_of(&text, "Big]")),
        "\"Big\" is not a name",
    );
    let text = CONTROLLER.replace("[limits.element.I]", "[limits.element.Iodine]");
    one(
        &mistakes(&text, PLAN),
        "controller.toml:",
        "\"Iodine\" is not the symbol of an element",
    );
}

#[test]
fn a_pin_is_written_with_its_scheme_and_used_once() {
    let line = place_of(CONTROLLER, "output = \"GPIO17\"");
    let line = line.split(':').next().unwrap();
    controller(
        "output = \"GPIO22\"",
        "output = \"GPIO17\"\n",
        "\"GPIO17\"\n\n",
        &format!(
            "head \"magnesium\": output = \"GPIO17\" is already used by head \"alkalinity\" (line {line})"
        ),
    );
    controller(
        "input = \"GPIO6\"",
        "input = \"GPIO23\"",
        "\"GPIO23\"\nsafe",
        "input \"return-pump\": input = \"GPIO23\" is already used by head \"trace\"",
    );
    controller(
        "output = \"GPIO22\"",
        "output = \"pin 11\"",
        "\"pin 11\"",
        "header pin 11 is GPIO17",
    );
    controller(
        "output = \"GPIO22\"",
        "output = \"22\"",
        "\"22\"",
        "has no numbering scheme",
    );
    controller(
        "output = \"GPIO22\"",
        "output = 22",
        "22\nactive",
        "give a pin with its numbering scheme",
    );
    controller(
        "output = \"GPIO22\"",
        "output = \"GPIO1\"",
        "\"GPIO1\"",
        "is used by the board at boot",
    );
    warned(
        "output = \"GPIO22\"",
        "output = \"GPIO4\"",
        "GPIO4 rests at the level that turns the head on",
    );
    warned("output = \"GPIO22\"", "output = \"GPIO14\"", "boot console");
}

#[test]
fn heads_and_bottles_are_shared_only_as_they_can_be() {
    let text = edited(CONTROLLER, "head = \"iodine\"", "head = \"trace\"");
    let found = mistakes(&text, PLAN);
    one(
        &found,
        "controller.toml:",
        "line \"iodine\": head \"trace\" already belongs to line \"trace\"",
    );
    let text = edited(
        CONTROLLER,
        "reservoir = \"iodine\"",
        "reservoir = \"trace\"",
    );
    one(
        &mistakes(&text, PLAN),
        "controller.toml:",
        "holds solution \"trace-mix\" for line \"trace\"; one bottle cannot hold \"iodine\" as well",
    );
    let both = edited(&text, "solution = \"iodine\"", "solution = \"trace-mix\"");
    let loaded = check(&both, PLAN).unwrap_or_else(|error| panic!("{error}"));
    let unused: Vec<String> = loaded.warnings.iter().map(ToString::to_string).collect();
    assert!(
        unused
            .iter()
            .any(|w| w.contains("solution \"iodine\": is used by no line")),
        "{unused:#?}"
    );
}

#[test]
fn limits_that_contradict_each_other_are_refused() {
    controller(
        "dose-cap-ml = 4",
        "dose-cap-ml = 13",
        "13\n",
        "dose-cap-ml = 13.0 mL is over daily-cap-ml = 12.0 mL",
    );
    controller(
        "reserve-ml = 80",
        "reserve-ml = 1000",
        "1000\nlow",
        "reserve-ml = 1000.0 mL leaves nothing of 1000.0 mL",
    );
    controller(
        "alarm-low-dkh = 6.5",
        "alarm-low-dkh = 7.5",
        "7.5\nband-high",
        "band-low-dkh = 7.50 dKH is not above alarm-low-dkh = 7.50 dKH",
    );
    controller(
        "band-high-dkh = 9.0",
        "band-high-dkh = 11",
        "10.5\n",
        "alarm-high-dkh = 10.50 dKH is not above band-high-dkh = 11.00 dKH",
    );
    controller(
        "offset-ml = 0.005",
        "offset-ml = 5",
        "5\nscatter = 0.02\n\n[head.iodine]",
        "an offset of 5.0 mL a run is not plausible",
    );
    let text = edited(
        CONTROLLER,
        "slot-lateness-max-s = 300",
        "slot-lateness-max-s = 2",
    );
    one(
        &mistakes(&text, PLAN),
        "controller.toml:",
        "permit-valid-s = 5 s is over slot-lateness-max-s = 2 s",
    );
}

#[test]
fn litres_taken_for_millilitres_are_noticed() {
    let text = edited(
        CONTROLLER,
        "daily-cap-ml = 5\ndose-cap-ml = 2",
        "daily-cap-ml = 900\ndose-cap-ml = 700",
    );
    one(
        &mistakes(&text, PLAN),
        &format!("controller.toml:{}: ", place_of(&text, "700")),
        "line \"trace\": dose-cap-ml = 700.0 mL is not plausible for a tank of 300 L; give at most 600.0 mL (0.2 % of the tank)",
    );
    // 2 % of 4.99 L would be under the cap of 100 mL, of 5 L it is just the cap.
    let text = CONTROLLER
        .replace("volume-l = 300", "volume-l = 5")
        .replace("daily-cap-ml = 100", "daily-cap-ml = 101");
    let found = mistakes(&text, PLAN);
    assert_eq!(found.len(), 2, "{found:#?}");
    assert!(
        found[0].contains(
            "daily-cap-ml = 101.0 mL is not plausible for a tank of 5 L; give at most 100.0 mL"
        ),
        "{}",
        found[0]
    );
    let text = CONTROLLER.replace("volume-l = 300", "volume-l = 100000");
    let found = mistakes(&text, &by_volume());
    one(&found, "plan.toml:", "alkalinity would fall");
    let heads = CONTROLLER.replace("dose-min-ml = 0.2", "dose-min-ml = 0.01");
    let found = mistakes(&heads, PLAN);
    assert_eq!(found.len(), 2, "{found:#?}");
    assert!(
        found[0].contains("the shortest run of this head already delivers 0.02 mL"),
        "{}",
        found[0]
    );
}

#[test]
fn keep_apart_rules_are_checked() {
    controller(
        "second = \"magnesium-mix\"",
        "second = \"soda-ash\"",
        "\"soda-ash\"\ngap",
        "\"soda-ash\" cannot be kept apart from itself",
    );
    let doubled = edited(
        CONTROLLER,
        "first = \"soda-ash\"\nsecond = \"magnesium-mix\"",
        "first = \"calcium-chloride\"\nsecond = \"soda-ash\"",
    );
    one(
        &mistakes(&doubled, PLAN),
        "controller.toml:",
        "already have a rule; keep one of the two",
    );
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
    let without = edited(
        CONTROLLER,
        "second = \"calcium-chloride\"",
        "second = \"trace-mix\"",
    );
    let loaded = check(&without, PLAN).unwrap_or_else(|error| panic!("{error}"));
    let found: Vec<String> = loaded.warnings.iter().map(ToString::to_string).collect();
    assert!(
        found
            .iter()
            .any(|w| w.contains("no [[apart]] rule keeps them apart")),
        "{found:#?}"
    );
}

#[test]
fn inputs_are_checked() {
    controller(
        "reservoir = \"alkalinity\"\n# The pin",
        "# The pin",
        "alkalinity-float]",
        "reservoir is missing; a reservoir-float names",
    );
    controller(
        "role = \"return-pump\"",
        "role = \"return-pump\"\nreservoir = \"trace\"",
        "\"trace\"\ninput",
        "belongs to a reservoir-float only",
    );
    controller(
        "blocks = [\"alkalinity\"]",
        "blocks = [\"calcium\"]",
        "[\"calcium\"]",
        "line \"alkalinity\" draws from this bottle and is not among those blocked",
    );
    let text = CONTROLLER.replace(
        "role = \"stop-button\"\ninput = \"GPIO12\"\nsafe = \"low\"\nblocks = \"all\"",
        "role = \"stop-button\"\ninput = \"GPIO12\"\nsafe = \"low\"\nblocks = \"trace\"",
    );
    one(
        &mistakes(&text, PLAN),
        "controller.toml:",
        "a stop button stops everything",
    );
    let text = CONTROLLER.replace(
        "role = \"return-pump\"\ninput = \"GPIO6\"\nsafe = \"low\"\nblocks = \"all\"\n",
        "role = \"return-pump\"\ninput = \"GPIO6\"\nsafe = \"low\"\n",
    );
    one(
        &mistakes(&text, PLAN),
        "controller.toml:",
        "input \"return-pump\": blocks is missing",
    );
    let text = edited(CONTROLLER, "blocks = [\"alkalinity\"]\n", "");
    let float = &check(&text, PLAN).unwrap().controller.inputs;
    let float = float
        .values()
        .find(|input| input.name.as_str() == "alkalinity-float")
        .unwrap();
    assert_eq!(format!("{:?}", float.blocks), "Lines([\"alkalinity\"])");
}

#[test]
fn solutions_are_checked() {
    controller(
        "claim = { ml = 1, litres",
        "per-litre = { I-mg = 50 }\nclaim = { ml = 1, litres",
        "iodine]\n# Way 3",
        "its strength is given more than once (per-litre, claim)",
    );
    controller(
        "per-litre = { Mn-mg = 4, Fe-mg = 3, Zn-mg = 2, Co-mg = 0.05 }",
        "",
        "trace-mix]\n# Way 2",
        "its strength is missing; give one of salts, claim or per-litre",
    );
    controller(
        "per-litre = { Mn-mg = 4, Fe-mg = 3, Zn-mg = 2, Co-mg = 0.05 }",
        "per-litre = { Mn-mg = 0 }",
        "per-litre = { Mn-mg = 0",
        "per-litre.nothing is given",
    );
    controller(
        "salt = \"MgCl2.6H2O\"",
        "salt = \"MgCl\"",
        "\"MgCl\"",
        "is none of the known salts; write one of ",
    );
    controller(
        "by = \"0.5 ug/L\"",
        "by = \"0.5\"",
        "\"0.5\"",
        "has no unit, and none is guessed; write one of: mg/L, ug/L",
    );
    controller(
        "by = \"0.5 ug/L\"",
        "by = \"0.5 dKH\"",
        "\"0.5 dKH\"",
        "unit \"dKH\" is not one of: mg/L, ug/L",
    );
    controller(
        "raises = \"I\"",
        "raises = \"iodine\"",
        "\"iodine\", by",
        "give \"alkalinity\" or the symbol of an element",
    );
    let lye = edited(
        CONTROLLER,
        "salt = \"Na2CO3\", g-per-l = 60",
        "salt = \"NaOH\", g-per-l = 45.3",
    );
    let found: Vec<String> = check(&lye, PLAN)
        .unwrap()
        .warnings
        .iter()
        .map(ToString::to_string)
        .collect();
    assert!(
        found.iter().any(|w| w.contains("NaOH raises pH strongly")),
        "{found:#?}"
    );
    let denied = edited(&lye, "caustic = true", "caustic = false");
    one(
        &mistakes(&denied, PLAN),
        "controller.toml:",
        "caustic = false, but NaOH burns skin and eyes",
    );
    warned("caustic = true", "caustic = false", "Na2CO3 irritates eyes");
}

#[test]
fn a_line_is_planned_in_exactly_one_way() {
    plan(
        "at = [\"08:15\", \"20:15\"]",
        "",
        "iodine]",
        "its times are missing; give one of doses, at or cron",
    );
    plan(
        "at = [\"08:15\", \"20:15\"]",
        "at = [\"08:15\", \"20:15\"]\ndoses = 2",
        "iodine]",
        "its times are given more than once (at, doses)",
    );
    plan(
        "daily-ml = 2\n",
        "",
        "iodine]",
        "how much it gives is missing",
    );
    plan(
        "at = [\"08:15\", \"20:15\"]",
        "at = [\"08:15\", \"20:15\"]\nwindow = \"08:00-20:00\"",
        "\"08:00-20:00\"",
        "window has no meaning beside at",
    );
}

#[test]
fn times_and_windows_are_checked() {
    plan(
        "window = \"09:00-21:00\"",
        "window = \"23:00-23:00\"",
        "\"23:00",
        "is empty; give two different times",
    );
    plan(
        "window = \"09:00-21:00\"",
        "window = \"9-21\"",
        "\"9-21\"",
        "is no window; give two times of day",
    );
    plan(
        "\"20:15\"]",
        "\"24:00\"]",
        "\"24:00\"]",
        "at = \"24:00\" is no time of day",
    );
    plan(
        "\"20:15\"]",
        "\"08:15\"]",
        "\"08:15\"]",
        "at = \"08:15\" stands here twice",
    );
    for bad in ["8:15", "08:60", "0815", "08:15:61", "08.15", "\u{661}8:15"] {
        plan(
            "\"20:15\"]",
            &format!("\"{bad}\"]"),
            &format!("\"{bad}\"]"),
            "is no time of day",
        );
    }
}

/// Fault rows FT-CRON-09 to FT-CRON-11.
#[test]
fn cron_expressions_are_checked_with_their_place() {
    let cron = "cron = \"40 22 * * Mon,Wed,Fri\"";
    for (text, words) in [
        ("40 22 * *", "five fields"),
        ("0 40 22 * * Mon 2027", "five fields"),
        ("40 22 * * 1", "weekdays by name"),
        ("40 22 1 * Mon", "not both"),
        ("* * * * *", "at most 480 doses a day"),
        ("61 22 * * *", "not a cron expression"),
        ("0 0 30 2 *", "never comes"),
    ] {
        plan(
            cron,
            &format!("cron = \"{text}\""),
            &format!("\"{text}\""),
            words,
        );
    }
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
    let uneven = edited(PLAN, "daily-ml = 1.5", "daily-ml = 7.2");
    let uneven = edited(&uneven, cron, "cron = \"*/40 6-17 * * *\"");
    let caps = edited(CONTROLLER, "daily-cap-ml = 5\n", "daily-cap-ml = 12\n");
    let loaded = check(&caps, &uneven).unwrap_or_else(|error| panic!("{error}"));
    let found: Vec<String> = loaded.warnings.iter().map(ToString::to_string).collect();
    assert!(
        found
            .iter()
            .any(|w| w.contains("every 40 does not divide 60 minutes")),
        "{found:#?}"
    );
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
            "\"Ca\" is no water quantity known here",
        ),
    ] {
        let found = mistakes(CONTROLLER, &edited(PLAN, from, to));
        assert!(
            found.iter().any(|m| m.contains(words)),
            "{words}: {found:#?}"
        );
    }
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
        "of Ca per day (lines that carry it: 1), over limits.element.Ca.max-rise-mg-per-l-per-day = 5.000 mg/L",
    );
}

#[test]
fn doubtful_settings_are_warned_of() {
    warned(
        "max-rise-dkh-per-day = 0.5",
        "max-rise-dkh-per-day = 1.5",
        "more than the 1 dKH per day in common use",
    );
    warned(
        "capacity-ml = 1000\nreserve-ml = 80\nlow-warning-days = 7",
        "capacity-ml = 100\nreserve-ml = 80\nlow-warning-days = 7",
        "lasts 3.3 days",
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
