//! Each kind of mistake, with its exact place.

use super::{CONTROLLER, PLAN, check, edited, mistakes, place_of};
use crate::chemistry::Quantity;
use crate::config::AlarmAction;
use crate::quantity::Millis;

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
fn a_decimal_comma_in_a_file_is_named_with_what_to_write() {
    for (with, right) in [
        ("volume-l = 300,5", "300.5"),
        ("volume-l = -3,25 # litres", "-3.25"),
    ] {
        let comma = edited(CONTROLLER, "volume-l = 300", with);
        one(
            &mistakes(&comma, PLAN),
            "controller.toml:",
            &format!("write {right}"),
        );
    }
    let inline = edited(CONTROLLER, "g-per-l = 83.2 }", "g-per-l = 83,2 }");
    one(
        &mistakes(&inline, PLAN),
        "controller.toml:",
        "83,2 has a comma in its number; write 83.2",
    );
    let list = edited(CONTROLLER, "volume-l = 300", "volume-l = [1,2");
    assert!(!mistakes(&list, PLAN)[0].contains("has a comma in its number"));
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
        ("solutions = \"magnesium-mix\"\n", "solutions"),
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
    let whole = &CONTROLLER[..CONTROLLER.find("[water.alkalinity]").unwrap()];
    one(
        &mistakes(whole, PLAN),
        "controller.toml:1:1: ",
        "[water.alkalinity] is missing, and a line carries alkalinity",
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
        &|_, plan| (plan.clone(), Vec::new()),
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
    let text = CONTROLLER.replace("[water.iodine]", "[water.Iodine]");
    one(
        &mistakes(&text, PLAN),
        "controller.toml:",
        "\"Iodine\" is not the name of a water quantity",
    );
    // One quantity has one table, so it has one name.
    let text = CONTROLLER.replace("[water.iodine]", "[water.I]");
    one(
        &mistakes(&text, PLAN),
        "controller.toml:",
        "\"I\" is not the name of a water quantity known here; write iodine, ",
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
    let loaded = check(&text, PLAN).unwrap_or_else(|error| panic!("{error}"));
    let said: Vec<String> = loaded.warnings.iter().map(ToString::to_string).collect();
    assert!(
        said.iter().any(|w| w.contains(
            "line \"iodine\": draws from reservoir \"trace\" like line \"trace\": the bottle empties by both, both stop together"
        )),
        "{said:#?}"
    );
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
        "# target-dkh = 8.25",
        "target-dkh = 9.1",
        "9.1\n",
        "water.alkalinity.target-dkh = 9.10 dKH is outside the band of 7.50 dKH to 9.00 dKH",
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
fn an_element_has_a_whole_band_or_none() {
    let all = [
        "max-fall-mg-per-l-per-day = 10",
        "band-low-mg-per-l = 400",
        "band-high-mg-per-l = 450",
        "alarm-low-mg-per-l = 350",
        "alarm-high-mg-per-l = 500",
        "drift-mg-per-l-per-day = 1",
        "uptake-change-max-mg-per-l-per-day = 3",
    ];
    let calcium = Quantity::from_word("calcium").unwrap();
    let whole = all.iter().fold(CONTROLLER.to_owned(), |text, key| {
        edited(&text, &format!("# {key}"), key)
    });
    let limits = |text: &str| check(text, PLAN).unwrap().controller.water[&calcium];
    assert_eq!(limits(CONTROLLER).tracked, None);
    let band = limits(&whole).tracked.unwrap();
    assert!((band.target - 425.0).abs() < 1e-9, "the middle of the band");
    assert_eq!(band.stale_after, Millis::from_mins(14 * 24 * 60));
    assert_eq!(band.settling, Millis::from_mins(7 * 24 * 60));
    assert_eq!(band.on_alarm_low, AlarmAction::UptakeOnly);
    assert_eq!(band.on_alarm_high, AlarmAction::HoldLines);
    for key in all {
        let name = key.split(' ').next().unwrap();
        one(
            &mistakes(&edited(&whole, key, ""), PLAN),
            "controller.toml:",
            &format!("water.calcium: a band needs {name} too"),
        );
    }
    let upside_down = edited(
        &whole,
        "alarm-high-mg-per-l = 500",
        "alarm-high-mg-per-l = 450",
    );
    one(
        &mistakes(&upside_down, PLAN),
        "controller.toml:",
        "alarm-high-mg-per-l = 450.0 mg/L is not above band-high-mg-per-l = 450.0 mg/L",
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
fn peers_and_their_rights_are_checked_and_do_not_bear_on_the_fingerprint() {
    let with = |peer: &str| format!("{CONTROLLER}\n[[peer]]\n{peer}\n");
    let text = with("user = \"anna\"\nmay = [\"observe\", \"dos\"]");
    one(
        &mistakes(&text, PLAN),
        &format!("controller.toml:{}: ", place_of(&text, "\"dos\"]")),
        "\"dos\" is no right; the rights are: look, hold, observe, refill, resume, dose, propose, arm",
    );
    let both = with("user = \"anna\"\ngroup = \"reef\"\nmay = \"dose\"");
    one(
        &mistakes(&both, PLAN),
        "controller.toml:",
        "is of one user or of one group",
    );
    assert_eq!(mistakes(&with("may = \"dose\""), PLAN).len(), 1);
    let good = with("group = \"reef\"\nmay = [\"observe\", \"dose\"]");
    let loaded = check(&good, PLAN).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(loaded.controller.peers.len(), 1);
    let without = check(CONTROLLER, PLAN).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(
        loaded.controller_fingerprint,
        without.controller_fingerprint
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
    let without = edited(
        CONTROLLER,
        "second = \"calcium-chloride\"",
        "second = \"trace-mix\"",
    );
    one(
        &mistakes(&without, PLAN),
        "controller.toml:",
        "no [[apart]] rule keeps them apart",
    );
    let on_purpose = |gap: &str| {
        let key = "second = \"calcium-chloride\"";
        let meant = format!("{key}\nno-gap-because = \"they enter two systems\"{gap}");
        let text = edited(CONTROLLER, key, &meant);
        text.replacen("gap-min = 15\n", "", 1)
    };
    let loaded = check(&on_purpose(""), PLAN).unwrap_or_else(|error| panic!("{error}"));
    let found: Vec<String> = loaded.warnings.iter().map(ToString::to_string).collect();
    assert!(
        found
            .iter()
            .any(|w| w.contains("on purpose: they enter two systems")),
        "{found:#?}"
    );
    assert_eq!(
        loaded.controller.apart.len(),
        1,
        "a rule without a gap holds nothing back"
    );
    one(
        &mistakes(&on_purpose("\ngap-min = 30"), PLAN),
        "controller.toml:",
        "contradict each other",
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
        "per-litre: nothing is given",
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
fn a_bought_mix_may_be_unstated_in_whole_or_in_part_and_it_is_said_what_is_not_guarded() {
    let stated = "per-litre = { Mn-mg = 4, Fe-mg = 3, Zn-mg = 2, Co-mg = 0.05 }";
    let checked = |to: &str| {
        let mut text = edited(CONTROLLER, stated, to);
        if to.contains("alkalinity") {
            text +=
                "\n[[apart]]\nfirst = \"trace-mix\"\nsecond = \"calcium-chloride\"\ngap-min = 15\n";
        }
        check(&text, PLAN).unwrap()
    };
    let name = crate::quantity::Name::new("trace-mix").unwrap();
    let (iron, alkalinity) = (Quantity::from_word("iron").unwrap(), Quantity::Alkalinity);
    for (to, carries_iron, guarded) in [
        (
            "unstated = true",
            false,
            "alkalinity and whatever else it carries is not stated",
        ),
        (
            "per-litre = { Fe-mg = 3 }\nunstated = true",
            true,
            "alkalinity and whatever else it carries is not stated",
        ),
        (
            "per-litre = { alkalinity-meq = 30 }\nunstated = true",
            false,
            "what it carries beside that is not stated",
        ),
    ] {
        let loaded = checked(to);
        let mix = &loaded.controller.solutions[&name];
        assert_eq!(mix.effect.carries(&iron), carries_iron);
        assert_eq!(mix.may_carry(&iron), !carries_iron);
        assert_eq!(mix.may_carry(&alkalinity), !mix.effect.carries_alkalinity());
        let warnings: Vec<String> = loaded.warnings.iter().map(ToString::to_string).collect();
        for words in [
            guarded,
            "only the caps of its line limit it",
            "may precipitate with",
        ] {
            assert!(
                warnings.iter().any(|w| w.contains(words)),
                "{words}: {warnings:#?}"
            );
        }
    }
    let sure = checked("per-litre = { Fe-mg = 3 }\nunstated = false");
    assert_eq!(sure.warnings, []);
    assert!(!sure.controller.solutions[&name].may_carry(&alkalinity));
    // In one bottle nobody can tell what it meets.
    let text = edited(CONTROLLER, stated, "unstated = true");
    let text = edited(
        &text,
        "solutions = \"trace-mix\"",
        "solutions = [\"trace-mix\", \"iodine\"]",
    );
    one(
        &mistakes(&text, PLAN),
        "controller.toml:",
        "give it a bottle of its own",
    );
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
fn a_rise_beyond_common_use_is_warned_of() {
    warned(
        "max-rise-dkh-per-day = 0.5",
        "max-rise-dkh-per-day = 1.5",
        "more than the 1 dKH per day in common use",
    );
}

#[test]
fn a_file_anybody_may_write_is_warned_of_and_a_file_that_is_no_text_is_refused() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let (controller, plan) = (
        dir.path().join("controller.toml"),
        dir.path().join("plan.toml"),
    );
    std::fs::write(&controller, CONTROLLER).unwrap();
    std::fs::write(&plan, PLAN).unwrap();
    std::fs::set_permissions(&plan, std::fs::Permissions::from_mode(0o666)).unwrap();
    let warnings = super::super::load(dir.path(), &|_, plan| (plan.clone(), Vec::new()))
        .unwrap()
        .warnings;
    assert_eq!(warnings.len(), 1);
    assert!(
        warnings[0]
            .to_string()
            .contains("plan.toml: may be written by anybody"),
        "{}",
        warnings[0]
    );
    std::fs::write(&plan, b"uptake = \xff").unwrap();
    let error = super::super::load(dir.path(), &|_, plan| (plan.clone(), Vec::new()))
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("is not UTF-8 text, first at byte 9"),
        "{error}"
    );
}

const STRONGER: &str = "\n[solution.soda-ash-80]\nsalts = [{ salt = \"Na2CO3\", g-per-l = 80 }]\ncaustic = true\n[[apart]]\nfirst = \"soda-ash-80\"\nsecond = \"calcium-chloride\"\ngap-min = 15\n";

fn alkalinity_bottle(solutions: &str) -> String {
    let text = edited(
        CONTROLLER,
        "solutions = \"soda-ash\"",
        &format!("solutions = {solutions}"),
    );
    format!("{text}{STRONGER}")
}

#[test]
fn a_bottle_may_hold_several_solutions_and_the_first_is_in_it_until_a_refill_tells() {
    let text = alkalinity_bottle("[\"soda-ash-80\", \"soda-ash\"]");
    let loaded = check(&text, PLAN).unwrap_or_else(|error| panic!("{error}"));
    let line = crate::quantity::Name::new("alkalinity").unwrap();
    let solution = loaded.controller.solution_of(&line).unwrap();
    assert_eq!(solution.name.as_str(), "soda-ash-80");
    for (solutions, words) in [
        ("[\"soda-ash\", \"soda-ahs\"]", "did you mean \"soda-ash\"?"),
        ("[]", "solutions = [] cannot be used"),
        ("[\"soda-ash\", \"soda-ash\"]", "is named twice"),
    ] {
        let found = mistakes(&alkalinity_bottle(solutions), PLAN);
        assert!(
            found.iter().any(|m| m.contains(words)),
            "{words}: {found:#?}"
        );
    }
}

#[test]
fn what_precipitates_together_is_not_in_the_list_of_one_bottle() {
    let found = mistakes(
        &alkalinity_bottle("[\"soda-ash\", \"soda-ash-80\", \"calcium-chloride\"]"),
        PLAN,
    );
    for pair in [
        "\"soda-ash\" and \"calcium-chloride\" precipitate",
        "\"soda-ash-80\" and \"calcium-chloride\" precipitate",
    ] {
        assert!(found.iter().any(|m| m.contains(pair)), "{found:#?}");
    }
}
