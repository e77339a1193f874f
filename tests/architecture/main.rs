//! The direction in which the parts of the house may lean on each other, and what the pure parts must not touch.
//!
//! It reads the sources as text. Comments and string literals do not count; code of unit tests does.
//! Each rule is tried on a made-up bad line too, so that a rule that cannot fail is itself found.

mod circles;
mod documents;

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use circles::circles;

/// From the bottom to the top. A part may use what stands below it, and nothing on its own level but itself.
const LEVELS: &[&[&str]] = &[
    &["quantity"],
    &["statistics"],
    &["chemistry", "metering"],
    &["config"],
    &["plan", "estimate"],
    &["record"],
    &["guard"],
    &["engine"],
    &["shell"],
    &["ledger", "pump", "mqtt", "control", "report"],
    &["daemon", "rehearsal", "page", "tell"],
    &["cli"],
];

/// Parts without a clock, a file, a network, a thread, chance or an order that changes from run to run.
const PURE: &[&str] = &[
    "quantity",
    "statistics",
    "chemistry",
    "metering",
    "estimate",
    "plan",
    "guard",
    "engine",
    "record",
    "report",
    "shell",
    "config/model.rs",
    "config/calendar",
    "rehearsal",
    "tell/desk.rs",
    "tell/message.rs",
];

const NOT_IN_PURE: &[&str] = &[
    "tokio",
    "rusqlite",
    "rustix",
    "std::fs",
    "std::net",
    "std::io",
    "std::env",
    "std::process",
    "std::thread",
    "Instant",
    "SystemTime",
    "HashMap",
    "HashSet",
    "rand",
];

const CLOCK_READS: &[&str] = &[
    "Instant::now",
    "SystemTime::now",
    "Timestamp::now",
    "Zoned::now",
    "ZonedDateTime::now",
    "Utc::now",
    "Local::now",
    "clock_gettime",
];

/// Where clocks are read, and what of them.
const CLOCK_READERS: &[(&str, &[&str])] = &[
    ("daemon/clock.rs", CLOCK_READS),
    ("pump/clock.rs", &["clock_gettime"]),
    // The runtime's own clock, which bounds the stop.
    ("daemon/event_loop/mod.rs", &["Instant::now"]),
    // The same, for patience with a broker and the pace of messages; the times in them come from the shell.
    ("mqtt/board.rs", &["Instant::now"]),
    ("mqtt/check.rs", &["Instant::now"]),
    ("mqtt/client.rs", &["Instant::now"]),
    ("mqtt/outgoing.rs", &["Instant::now"]),
    ("mqtt/worker.rs", &["Instant::now"]),
    ("mqtt/session.rs", &["Instant::now"]),
];

/// One source file: its path below `src` or `tests` with forward slashes, and its code without comments and strings.
struct Source {
    path: String,
    code: String,
}

fn sources(folder: &str) -> io::Result<Vec<Source>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let mut files = Vec::new();
    collect(&root, &mut files)?;
    files.sort();
    files
        .into_iter()
        .map(|file| {
            let below = file.strip_prefix(&root).unwrap_or(&file);
            Ok(Source {
                path: below.to_string_lossy().replace('\\', "/"),
                code: code_of(&fs::read_to_string(&file)?),
            })
        })
        .collect()
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            collect(&path, files)?;
        } else if path.extension().is_some_and(|e| e == "rs") {
            files.push(path);
        }
    }
    Ok(())
}

/// Blanks comments and the inside of string literals; lines stay where they are.
fn code_of(text: &str) -> String {
    let mut code = String::with_capacity(text.len());
    let mut rest = text.chars().peekable();
    let mut before = ' ';
    while let Some(c) = rest.next() {
        match c {
            '/' if rest.peek() == Some(&'/') => while rest.next_if(|c| *c != '\n').is_some() {},
            '"' => skip_string(&mut rest, &mut code),
            // A quote as a character is no string.
            '\'' if rest.peek() == Some(&'"') => {
                rest.next();
                rest.next_if_eq(&'\'');
            }
            // A raw string ends at its quote and as many hashes.
            'r' if !before.is_alphanumeric() && matches!(rest.peek(), Some('"' | '#')) => {
                let mut hashes = 0_usize;
                while rest.next_if_eq(&'#').is_some() {
                    hashes = hashes.saturating_add(1);
                }
                if rest.next_if_eq(&'"').is_some() {
                    skip_raw(&mut rest, hashes, &mut code);
                }
            }
            other => code.push(other),
        }
        before = c;
    }
    code
}

type Chars<'a> = std::iter::Peekable<std::str::Chars<'a>>;

fn skip_string(rest: &mut Chars<'_>, code: &mut String) {
    while let Some(c) = rest.next() {
        match c {
            // What is escaped is no end, but may be a line's.
            '\\' => code.extend(rest.next().filter(|escaped| *escaped == '\n')),
            '\n' => code.push('\n'),
            '"' => return,
            _ => {}
        }
    }
}

fn skip_raw(rest: &mut Chars<'_>, hashes: usize, code: &mut String) {
    while let Some(c) = rest.next() {
        if c == '\n' {
            code.push('\n');
        }
        if c == '"' {
            let mut found = 0_usize;
            while found < hashes && rest.next_if_eq(&'#').is_some() {
                found = found.saturating_add(1);
            }
            if found == hashes {
                return;
            }
        }
    }
}

fn part_of(path: &str) -> &str {
    let first = path.split('/').next().unwrap_or(path);
    first.strip_suffix(".rs").unwrap_or(first)
}

fn level_of(part: &str) -> Option<usize> {
    LEVELS.iter().position(|level| level.contains(&part))
}

/// Names of parts that a file mentions, each with its line.
fn uses(source: &Source) -> Vec<(usize, String)> {
    let mut found = Vec::new();
    // In a file right below its part, two steps up lead out of it.
    let out = (source.path.matches('/').count() == 1).then_some("super::super::");
    let tree = part_of(&source.path) == source.path.trim_end_matches(".rs");
    let up = tree.then_some("super::");
    for start in ["crate::"].into_iter().chain(out).chain(up) {
        for (at, _) in source.code.match_indices(start) {
            let head = source.code.get(..at).unwrap_or_default();
            if head.ends_with(|c: char| c.is_alphanumeric() || c == '_' || c == ':') {
                continue;
            }
            let line = head.matches('\n').count().saturating_add(1);
            let rest = source
                .code
                .get(at.saturating_add(start.len())..)
                .unwrap_or_default();
            for part in named(rest) {
                found.push((line, part));
            }
        }
    }
    found
}

/// First names after a path's start: one, or all in braces.
fn named(rest: &str) -> Vec<String> {
    let word = |text: &str| -> String {
        text.trim_start()
            .chars()
            .take_while(|c| c.is_alphanumeric() || *c == '_')
            .collect()
    };
    let Some(inside) = rest.trim_start().strip_prefix('{') else {
        return vec![word(rest)];
    };
    let (mut depth, mut names, mut begin) = (0_i32, Vec::new(), 0_usize);
    for (at, c) in inside.char_indices() {
        match c {
            '{' => depth = depth.saturating_add(1),
            '}' if depth == 0 => {
                names.push(word(inside.get(begin..at).unwrap_or_default()));
                break;
            }
            '}' => depth = depth.saturating_sub(1),
            ',' if depth == 0 => {
                names.push(word(inside.get(begin..at).unwrap_or_default()));
                begin = at.saturating_add(1);
            }
            _ => {}
        }
    }
    names.retain(|name| !name.is_empty());
    names
}

fn against_the_direction(source: &Source) -> Vec<String> {
    let from = part_of(&source.path);
    if matches!(source.path.as_str(), "lib.rs" | "main.rs") {
        return Vec::new();
    }
    let Some(own) = level_of(from) else {
        return vec![format!(
            "src/{}: {from} has no place in the direction",
            source.path
        )];
    };
    let mut wrong = Vec::new();
    for (line, to) in uses(source) {
        let Some(level) = level_of(&to) else {
            // `crate::Name` of the crate's root and macros are none of our parts.
            continue;
        };
        if to != from && level >= own {
            wrong.push(format!(
                "src/{}:{line}: {from} must not use {to}",
                source.path
            ));
        }
    }
    wrong
}

/// Places where a word stands by itself.
fn mentions(code: &str, word: &str) -> Vec<usize> {
    let part_of_word = |c: char| c.is_alphanumeric() || c == '_';
    code.match_indices(word)
        .filter(|(at, _)| {
            let head = code.get(..*at).unwrap_or_default();
            let tail = code
                .get(at.saturating_add(word.len())..)
                .unwrap_or_default();
            !head.ends_with(part_of_word) && !tail.starts_with(part_of_word)
        })
        .map(|(at, _)| {
            code.get(..at)
                .unwrap_or_default()
                .matches('\n')
                .count()
                .saturating_add(1)
        })
        .collect()
}

fn impure(source: &Source) -> Vec<String> {
    if !PURE.iter().any(|pure| source.path.starts_with(pure)) {
        return Vec::new();
    }
    let mut wrong = Vec::new();
    for word in NOT_IN_PURE {
        for line in mentions(&source.code, word) {
            wrong.push(format!("src/{}:{line}: {word} in a pure part", source.path));
        }
    }
    wrong
}

fn clock_reads(source: &Source) -> Vec<String> {
    let allowed = CLOCK_READERS.iter().find(|(file, _)| *file == source.path);
    let mut wrong = Vec::new();
    for read in CLOCK_READS {
        if allowed.is_some_and(|(_, reads)| reads.contains(read)) {
            continue;
        }
        for line in mentions(&source.code, read) {
            wrong.push(format!(
                "src/{}:{line}: reads a clock ({read})",
                source.path
            ));
        }
    }
    wrong
}

/// Intervals burst after a stall unless they are told not to.
fn bursting_intervals(source: &Source) -> Vec<String> {
    let count = |word: &str| mentions(&source.code, word).len();
    let made = count("time::interval")
        .saturating_add(count("time::interval_at"))
        .saturating_add(count("Interval::new"));
    let bare = source
        .code
        .matches(" interval(")
        .count()
        .saturating_add(source.code.matches(" interval_at(").count());
    let told = count("set_missed_tick_behavior");
    if made.saturating_add(bare) > told {
        return vec![format!(
            "{}: an interval without its missed-tick behaviour",
            source.path
        )];
    }
    Vec::new()
}

fn ignored_tests(source: &Source) -> Vec<String> {
    let attribute = concat!("#[", "ignore");
    let count = source.code.matches(attribute).count();
    if count > 0 {
        return vec![format!("{}: {count} tests are switched off", source.path)];
    }
    Vec::new()
}

fn all(rule: fn(&Source) -> Vec<String>, folders: &[&str]) -> io::Result<Vec<String>> {
    let mut wrong = Vec::new();
    for folder in folders {
        let files = sources(folder)?;
        assert!(!files.is_empty(), "no sources in {folder}");
        wrong.extend(files.iter().flat_map(rule));
    }
    Ok(wrong)
}

fn made_up(path: &str, text: &str) -> Source {
    Source {
        path: path.to_owned(),
        code: code_of(text),
    }
}

#[test]
fn imports_go_down_the_list_only() {
    let wrong = all(against_the_direction, &["src"]).unwrap();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn no_files_lean_on_each_other_in_a_circle() {
    let found = circles(&sources("src").unwrap());
    assert!(found.is_empty(), "{}", found.join("\n"));
}

#[test]
fn pure_parts_touch_no_clock_file_network_thread_or_chance() {
    let wrong = all(impure, &["src"]).unwrap();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn clocks_are_read_in_two_files_only() {
    let wrong = all(clock_reads, &["src"]).unwrap();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn no_test_is_switched_off() {
    let wrong = all(ignored_tests, &["src", "tests"]).unwrap();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_interval_says_what_a_missed_tick_does() {
    let wrong = all(bursting_intervals, &["src", "tests"]).unwrap();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_part_has_a_place_in_the_direction() {
    for file in sources("src").unwrap() {
        let part = part_of(&file.path);
        assert!(
            matches!(part, "lib" | "main") || level_of(part).is_some(),
            "{part} has no place"
        );
    }
}

#[test]
fn an_import_against_the_direction_is_found() {
    let bad = |path: &str, text: &str| against_the_direction(&made_up(path, text)).len();
    assert_eq!(bad("engine/dose.rs", "use crate::ledger::Ledger;"), 1);
    assert_eq!(
        bad("engine/dose.rs", "fn f() { crate::pump::elapsed(); }"),
        1
    );
    assert_eq!(
        bad(
            "guard/cap.rs",
            "use crate::{quantity::{Millis, Name}, engine::Engine};"
        ),
        1
    );
    assert_eq!(bad("ledger/mod.rs", "use crate::control::Server;"), 1);
    assert_eq!(bad("plan/mod.rs", "use super::super::guard::judge;"), 1);
    assert_eq!(bad("record", "use super::engine::Engine;"), 1);
    assert_eq!(bad("config/model.rs", "use crate::plan::Slot;"), 1);
    assert_eq!(bad("fish/mod.rs", ""), 1);
    assert_eq!(
        bad(
            "engine/dose.rs",
            "use crate::guard::Facts; // crate::ledger\n"
        ),
        0
    );
    assert_eq!(
        bad("engine/dose.rs", "const T: &str = \"crate::ledger\";"),
        0
    );
    assert_eq!(bad("guard/cap.rs", "use super::Facts;"), 0);
}

#[test]
fn a_circle_of_files_is_found_through_re_exports_and_only_there() {
    let found = |files: &[(&str, &str)]| {
        let files: Vec<Source> = files
            .iter()
            .map(|(path, text)| made_up(path, text))
            .collect();
        circles(&files)
    };
    let gate = "mod bar;\nmod latch;\npub use bar::Bar;\npub use latch::{Latch, lift};";
    let latch = (
        "gate/latch.rs",
        "use super::Bar;\npub struct Latch(Bar);\npub fn lift() {}",
    );
    // Through the re-export of the module above.
    let bar = (
        "gate/bar.rs",
        "pub struct Bar;\nfn f() { crate::gate::lift(); }",
    );
    let bad = [("gate/mod.rs", gate), latch, bar];
    assert_eq!(
        found(&bad),
        [
            "circle of 2 files:\n  gate/bar.rs -> gate/latch.rs (lift)\n  gate/latch.rs -> gate/bar.rs (Bar)"
        ]
    );
    // In a test, a comment or a text it is none, nor is what a module passes on.
    let bar = (
        "gate/bar.rs",
        "pub struct Bar; // super::lift\n#[cfg(test)]\nmod tests { use super::super::lift; const C: char = '}'; }",
    );
    assert!(found(&[("gate/mod.rs", gate), latch, bar]).is_empty());
    // What a module's own file defines or uses itself does count.
    let wall = "mod stone;\npub use stone::Stone;\npub enum Fault { Crack }\nfn f(_: &Stone) {}";
    let stone = "pub struct Stone;\nfn f() -> super::Fault { super::Fault::Crack }";
    assert_eq!(
        found(&[("wall/mod.rs", wall), ("wall/stone.rs", stone)]).len(),
        1
    );
    // Across parts, by a module's name, through all names of a module, and by three files.
    let a = ("a.rs", "use crate::b;\npub struct A;\nfn f() { b::go(); }");
    let b = ("b.rs", "use crate::c::*;\npub fn go() -> C { C }");
    let c = (
        "c.rs",
        "pub struct C;\nimpl C { fn a(&self) -> Option<crate::a::A> { None } }",
    );
    assert_eq!(found(&[a, b, c]).len(), 1);
    assert!(found(&[a, b, ("c.rs", "pub struct C;")]).is_empty());
}

#[test]
fn every_other_rule_can_fail() {
    assert_eq!(
        impure(&made_up("guard/cap.rs", "use std::collections::HashMap;")).len(),
        1
    );
    assert_eq!(
        impure(&made_up("engine/mod.rs", "let x = std::fs::read(p);")).len(),
        1
    );
    assert_eq!(
        impure(&made_up("engine/mod.rs", "let operand = 1; // rand")).len(),
        0
    );
    assert_eq!(
        clock_reads(&made_up("daemon/mod.rs", "let t = Instant::now();")).len(),
        1
    );
    assert_eq!(
        clock_reads(&made_up("pump/clock.rs", "SystemTime::now()")).len(),
        1
    );
    let burst = "let mut every = tokio::time::interval(period);";
    assert_eq!(
        bursting_intervals(&made_up("daemon/mod.rs", burst)).len(),
        1
    );
    let tame = format!("{burst} every.set_missed_tick_behavior(Skip);");
    assert_eq!(
        bursting_intervals(&made_up("daemon/mod.rs", &tame)).len(),
        0
    );
    let off = concat!("#[", "ignore] fn test() {}");
    assert_eq!(ignored_tests(&made_up("engine/mod.rs", off)).len(), 1);
}

#[test]
fn comments_and_strings_are_no_code() {
    assert_eq!(code_of("a // b\nc \"d \\\" e\" f"), "a \nc  f");
    assert_eq!(code_of("a r#\"b\" c\"# d '\"' e"), "a  d  e");
}
