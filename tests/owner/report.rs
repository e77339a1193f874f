//! The report against the books, and the page against what a page of this project may be.

use super::*;
use base64::prelude::{BASE64_STANDARD, Engine as _};
use dosewright::record::{Hold, HoldChange, HoldScope, NotGiven, SlotNotGiven};
use sha2::{Digest, Sha256};

const HOSTILE: &str = "</style><script>alert(1)</script> \"'&<b onclick=x>";

/// Three weeks, in which a slot was refused, one was missed, a dose has no end, one went into a vessel, and whoever wrote notes meant no good.
fn eventful(state: &Path) {
    let mut ledger = three_weeks(state, 0.0);
    let day = 20 * DAY + DAY / 2;
    let mut not_given = |kind, ul, number| {
        let key = SlotKey {
            line: name("alkalinity"),
            date: "2026-10-20".parse().unwrap(),
            number,
        };
        let slot = SlotNotGiven {
            key,
            due: at(day + 1_000).wall,
            volume: Volume::from_ul(ul),
            kind,
            reason: "held".to_owned(),
            code: "held".to_owned(),
            at: at(day + 2_000),
        };
        ledger.store(&[Entry::SlotNotGiven(slot)]).unwrap();
    };
    not_given(NotGiven::Refused, 3_150, 100);
    not_given(NotGiven::Missed, 1_111, 200);
    words(&mut ledger, day);
    runs(&mut ledger, day);
}

fn words(ledger: &mut Ledger, day: i64) {
    let refill = Refill {
        reservoir: name("alkalinity"),
        level: Volume::from_ul(1_000_000),
        before: Some(Volume::from_ul(412_400)),
        solution: name("soda-ash"),
        tube: None,
        who: owner(),
        note: HOSTILE.to_owned(),
        at: at(day + 20_000),
    };
    let note = told(
        day + 30_000,
        Observed::Note {
            text: HOSTILE.to_owned(),
        },
    );
    let hold = Hold {
        scope: HoldScope::Line(name("calcium")),
        reason: HOSTILE.to_owned(),
        who: owner(),
        since: at(day + 40_000).wall,
        until: None,
    };
    let hold = Entry::Hold(HoldChange::set(hold, at(day + 40_000)));
    ledger.store(&[Entry::Refill(refill), note, hold]).unwrap();
    let mut panel = report(day + 50_000, &[("Ca", 410.0), ("I", 0.02), ("Mn", -0.0002)]);
    for row in &mut panel {
        let Entry::Observation(told) = row else {
            panic!("a report has rows")
        };
        told.method = HOSTILE.to_owned();
    }
    ledger.store(&panel).unwrap();
}

fn runs(ledger: &mut Ledger, day: i64) {
    let bench = Intent {
        id: DoseId(22),
        into: Destination::Bench,
        kind: DoseKind::Calibration,
        slot: None,
        ..intent(22, "iodine", day + 60_000, 2_000)
    };
    ledger.store_intent(&bench).unwrap();
    let outcome = Outcome {
        id: DoseId(22),
        end: DoseEnd::Delivered,
        delivered: Volume::from_ul(2_000),
        on_time: Some(Millis::new(5_000)),
        reservoir_left: Volume::from_ul(1_998_000),
        cause: String::new(),
        at: at(day + 65_000),
    };
    ledger.store_outcome(&outcome).unwrap();
    ledger
        .store_intent(&intent(23, "alkalinity", day + 70_000, 3_150))
        .unwrap();
}

/// By hand, and without an end.
fn intent(id: i64, line: &str, ms: i64, ul: i64) -> Intent {
    Intent {
        id: DoseId(id),
        line: name(line),
        head: name(line),
        reservoir: name(line),
        solution: held_in(line),
        kind: DoseKind::Hand,
        slot: None,
        volume: Volume::from_ul(ul),
        run_time: Millis::new(5_000),
        carries: carries(line, ul, 0.0),
        into: Destination::Tank,
        who: owner(),
        live: true,
        at: at(ms),
    }
}

#[test]
fn a_report_has_the_numbers_of_the_books() {
    let state = tempfile::tempdir().unwrap();
    eventful(state.path());
    let shown = json(state.path(), &["report", "--days", "60", "--json"]);
    let books = json(
        state.path(),
        &["ledger", "export", "doses", "--format", "json"],
    );
    let number = |row: &Value, key: &str| row[key].as_i64();
    for line in shown["lines"].as_array().unwrap() {
        let all = books["dose"].as_array().unwrap();
        let own = all
            .iter()
            .filter(|row| row["line"] == line["line"] && row["into"] == "tank");
        let (mut given, mut by_hand) = (0, 0);
        for row in own {
            let ul = number(row, "delivered_ul").or(number(row, "volume_ul"));
            let is_plan = row["kind"] == "plan";
            *(if is_plan { &mut given } else { &mut by_hand }) += ul.unwrap();
        }
        let whole = |key: &str| ul(&line["all"][key]);
        let days = line["days"].as_array().unwrap().iter();
        assert_eq!((whole("given_ml"), whole("by_hand_ml")), (given, by_hand));
        assert_eq!(days.map(|day| ul(&day["given_ml"])).sum::<i64>(), given);
        let (refused, missed, uncertain) = match line["line"].as_str() {
            Some("alkalinity") => (3_150, 1_111, 3_150),
            _ => (0, 0, 0),
        };
        assert_eq!(whole("refused_ml"), refused);
        assert_eq!(whole("missed_ml"), missed);
        assert_eq!(whole("uncertain_ml"), uncertain);
        assert_eq!(whole("planned_ml"), given + refused + missed);
    }
    let bottle = |of: &str| {
        let all = shown["bottles"].as_array().unwrap();
        all.iter()
            .find(|bottle| bottle["bottle"] == of)
            .unwrap()
            .clone()
    };
    // A dose without an end has not been taken off by the books; who starts takes it off.
    near(&bottle("alkalinity")["left_ml"], 1_000.0 - 3.15, 1e-9);
    near(&bottle("iodine")["left_ml"], 1_998.0, 1e-9);
    assert_eq!(bottle("alkalinity")["refills"].as_array().unwrap().len(), 2);
    let due = shown["due"].to_string();
    assert!(due.contains("Line calcium is on hold"), "{due}");
    assert_eq!(shown["glance"]["wellness"], "not-well");
}

/// Of mL, which are exact to the microlitre.
fn ul(ml: &Value) -> i64 {
    let text = format!("{:.3}", ml.as_f64().unwrap());
    text.replace('.', "").parse().unwrap()
}

#[test]
fn the_estimate_of_a_report_is_that_of_the_status_and_begins_with_the_first_reading() {
    let state = tempfile::tempdir().unwrap();
    eventful(state.path());
    let shown = json(state.path(), &["report", "--days", "60", "--json"]);
    let water = &shown["water"][0];
    let readings = json(
        state.path(),
        &["ledger", "export", "observation", "--format", "json"],
    );
    let told = readings["observation"].as_array().unwrap().iter();
    assert_eq!(
        water["readings"].as_array().unwrap().len(),
        told.filter(|row| row["of"] == "alkalinity").count()
    );
    // What is believed of the last moment is what the status would say of it.
    let estimates = water["estimates"].as_array().unwrap();
    let last = estimates.last().unwrap();
    for key in ["level", "level_low", "level_high", "uptake_per_day"] {
        assert_eq!(last[key], water["now"][key], "{key}");
    }
    // And of the first moment, what its first reading said.
    let first = &water["readings"][0];
    let then = estimates.iter().find(|e| e["at"] == first["at"]).unwrap();
    near(&then["level"], first["value"].as_f64().unwrap(), 1e-9);
    let added: f64 = water["added"]
        .as_array()
        .unwrap()
        .iter()
        .map(|day| day[1].as_f64().unwrap())
        .sum();
    assert!((added - 21.0 * 0.8).abs() < 1e-9, "{added}");
}

#[test]
fn the_page_stands_alone_shows_every_picture_in_numbers_too_and_lets_nothing_out_of_a_note() {
    let state = tempfile::tempdir().unwrap();
    eventful(state.path());
    let path = state.path().join("page.html");
    let words = ["report", "--days", "60", "--out", path.to_str().unwrap()];
    let made = run(state.path(), &words);
    assert!(made.status.success(), "{made:?}");
    assert!(
        text(&made).starts_with("Not well: line calcium on hold."),
        "{}",
        text(&made)
    );
    let page = std::fs::read_to_string(&path).unwrap();
    // What people wrote is text and nothing else.
    assert!(
        !page.contains("<script") && !page.contains("<b onclick"),
        "a note got out"
    );
    assert!(
        page.matches("&lt;script&gt;alert(1)&lt;/script&gt;")
            .count()
            >= 3
    );
    // Nothing from elsewhere, nothing that could be, and no style but the one that is hashed.
    for foreign in [
        "http://",
        "https://",
        "src=",
        "href=",
        "url(",
        "@import",
        " style=",
        "<link",
        "<img",
        "javascript:",
    ] {
        assert!(!page.contains(foreign), "{foreign} on the page");
    }
    let (_, rest) = page.split_once("<style>").unwrap();
    let (style, rest) = rest.split_once("</style>").unwrap();
    assert!(!rest.contains("<style"));
    let (_, policy) = page
        .split_once("Content-Security-Policy\" content=\"")
        .unwrap();
    let (policy, _) = policy.split_once('"').unwrap();
    let policy = policy.replace("&#39;", "'");
    let (before, hash) = policy.split_once("style-src 'sha256-").unwrap();
    let (hash, after) = hash.split_once('\'').unwrap();
    assert_eq!(
        (before, after),
        (
            "default-src 'none'; ",
            "; base-uri 'none'; form-action 'none'"
        )
    );
    let found = Sha256::digest(style.as_bytes());
    assert_eq!(BASE64_STANDARD.decode(hash).unwrap()[..], found[..]);
    pictures_are_whole(&page);
}

fn pictures_are_whole(page: &str) {
    // Every picture has a role, a name and a table.
    let figures: Vec<&str> = page.split("<figure").skip(1).collect();
    assert!(figures.len() >= 15, "{} pictures", figures.len());
    for figure in &figures {
        let figure = figure.split_once("</figure>").unwrap().0;
        assert_eq!(figure.matches("role=\"img\"").count(), 1, "{figure}");
        let name = figure
            .split_once("aria-label=\"")
            .unwrap()
            .1
            .split_once('"')
            .unwrap()
            .0;
        assert!(name.len() > 10, "{name}");
        assert!(
            figure.contains("<details")
                && figure.matches("<tr>").count() >= 1
                && figure.contains("<th scope=\"col\"")
        );
    }
    assert_eq!(page.matches("<svg class=\"plot\"").count(), figures.len());
    // One line across all of them: the same places of days in each.
    let weeks: Vec<&str> = page
        .split("class=\"month\" d=\"")
        .skip(1)
        .map(|d| d.split_once(' ').unwrap().0)
        .collect();
    assert!(
        weeks
            .chunks(weeks.len() / figures.len())
            .all(|chunk| chunk == &weeks[..chunk.len()])
    );
    assert!(page.len() < 300_000, "{} bytes", page.len());
}

#[test]
fn pictures_are_files_of_their_own_too() {
    let state = tempfile::tempdir().unwrap();
    eventful(state.path());
    let folder = state.path().join("pictures");
    let made = run(state.path(), &["report", "--svg", folder.to_str().unwrap()]);
    assert!(made.status.success(), "{made:?}");
    let drawn = std::fs::read_to_string(folder.join("level-alkalinity.svg")).unwrap();
    assert!(
        drawn.starts_with("<svg xmlns=\"http://www.w3.org/2000/svg\""),
        "{drawn:.80}"
    );
    assert!(drawn.contains("<style>") && drawn.contains("role=\"img\""));
    assert!(std::fs::read_dir(&folder).unwrap().count() >= 15);
}

#[test]
fn a_new_record_makes_a_report_that_says_what_it_lacks() {
    let state = tempfile::tempdir().unwrap();
    drop(ledger(state.path()));
    let shown = json(state.path(), &["report", "--days", "7", "--json"]);
    let story = shown["story"][0].as_str().unwrap();
    assert!(story.starts_with("Without readings"), "{story}");
    let absent = tempfile::tempdir().unwrap();
    assert_eq!(
        run(absent.path(), &["report", "--json"]).status.code(),
        Some(74)
    );
}
