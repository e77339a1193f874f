//! Fault row FT-CONF-01: a misspelt key never passes, and the one that was meant is named.

use super::super::keys;
use super::super::schema::{Naming, Section};
use super::{CONTROLLER, PLAN, edited, mistakes};
use crate::chemistry::Unit;

fn sections(section: &'static Section, path: &str, out: &mut Vec<(String, &'static Section)>) {
    out.push((path.to_owned(), section));
    for key in section.keys {
        let inner = if path.is_empty() {
            key.name.to_owned()
        } else {
            format!("{path}.{}", key.name)
        };
        match key.kind.tables() {
            None => {}
            Some((section, None)) => sections(section, &inner, out),
            Some((section, Some(Naming::Own))) => sections(section, &format!("{inner}.x"), out),
            Some((_, Some(Naming::Quantity(keys)))) => {
                sections(keys(Unit::Dkh), &format!("{inner}.alkalinity"), out);
                sections(keys(Unit::MgPerL), &format!("{inner}.calcium"), out);
            }
        }
    }
}

/// Five slips of the finger: a letter left out, doubled, replaced, added, two swapped.
fn slips(key: &str) -> Vec<String> {
    let letters: Vec<char> = key.chars().collect();
    let middle = letters.len() / 2;
    let text = |letters: &[char]| letters.iter().collect::<String>();
    let mut out = Vec::new();
    let mut left_out = letters.clone();
    left_out.remove(middle);
    out.push(text(&left_out));
    let mut doubled = letters.clone();
    doubled.insert(middle, letters[middle]);
    out.push(text(&doubled));
    let mut replaced = letters.clone();
    replaced[middle] = 'q';
    out.push(text(&replaced));
    out.push(format!("{key}s"));
    let mut swapped = letters.clone();
    swapped.swap(middle - 1, middle);
    if swapped == letters {
        swapped.swap(middle - 1, 0);
    }
    out.push(text(&swapped));
    out
}

#[test]
fn five_slips_in_each_known_key_are_each_refused_naming_key_line_and_the_key_that_was_meant() {
    let mut tried = 0;
    for (top, in_plan) in [
        (&keys::controller::SECTION, false),
        (&keys::plan::SECTION, true),
    ] {
        let mut all = Vec::new();
        sections(top, "", &mut all);
        for (path, section) in all {
            for key in section.keys {
                for slip in slips(key.name) {
                    if section.find(&slip).is_some() {
                        continue;
                    }
                    let text = match path.as_str() {
                        "" => format!("\n{slip} = 1\n"),
                        "apart" | "peer" | "solution.x.salts" => {
                            format!("[[{path}]]\n{slip} = 1\n")
                        }
                        path => format!("[{path}]\n{slip} = 1\n"),
                    };
                    let found = if in_plan {
                        mistakes(CONTROLLER, &text)
                    } else {
                        mistakes(&text, PLAN)
                    };
                    let file = if in_plan {
                        "plan.toml"
                    } else {
                        "controller.toml"
                    };
                    let start = format!("{file}:2:1: ");
                    let unknown = format!("{slip} is an unknown key; ");
                    let mut about = found
                        .iter()
                        .filter(|m| m.starts_with(&start) && m.contains(&unknown));
                    let message = about
                        .next()
                        .unwrap_or_else(|| panic!("{path}: {slip} passed: {found:#?}"));
                    let meant = format!("did you mean {}?", key.name);
                    let elsewhere = message.contains("it belongs in") && message.contains(key.name);
                    assert!(
                        message.ends_with(&meant) || elsewhere,
                        "{path}: {message}, not {}",
                        key.name
                    );
                    tried += 1;
                }
            }
        }
    }
    assert!(tried > 400, "only {tried} slips were tried");
}

#[test]
fn a_misspelt_required_key_is_one_mistake_and_not_two() {
    let text = edited(CONTROLLER, "daily-cap-ml = 12\n", "daily-cap-mll = 12\n");
    let found = mistakes(&text, PLAN);
    assert_eq!(found.len(), 1, "{found:#?}");
    assert!(
        found[0].contains(
            "line \"magnesium\": daily-cap-mll is an unknown key; did you mean daily-cap-ml?"
        ),
        "{}",
        found[0]
    );
}

#[test]
fn a_key_in_the_wrong_section_is_told_where_it_belongs() {
    let text = edited(
        CONTROLLER,
        "nominal-rate-ml-per-min = 6\nrun-max-s = 40\ndose-min-ml = 0.2\noutput = \"GPIO23\"",
        "nominal-rate-ml-per-min = 6\nrun-max-s = 40\ndose-min-ml = 0.2\ndaily-cap-ml = 5\noutput = \"GPIO23\"",
    );
    let found = mistakes(&text, PLAN);
    assert_eq!(found.len(), 1, "{found:#?}");
    assert!(found[0].contains("head \"trace\": daily-cap-ml is an unknown key; it belongs in [line.NAME] of controller.toml"), "{}", found[0]);
    let plan = edited(PLAN, "daily-ml = 6\n", "daily-ml = 6\ndaily-cap-ml = 900\n");
    let found = mistakes(CONTROLLER, &plan);
    assert!(
        found[0].contains("it belongs in [line.NAME] of controller.toml"),
        "a plan lifted a cap: {found:#?}"
    );
}

#[test]
fn a_key_written_twice_is_named_with_its_second_place() {
    let text = edited(
        CONTROLLER,
        "volume-l = 300",
        "volume-l = 300\nvolume-l = 30",
    );
    let found = mistakes(&text, PLAN);
    assert_eq!(found.len(), 1, "{found:#?}");
    assert!(
        found[0].contains("volume-l stands here a second time"),
        "{}",
        found[0]
    );
    let text = format!("{CONTROLLER}\n[line.trace]\nhead = \"trace\"\n");
    let found = mistakes(&text, PLAN);
    assert_eq!(found.len(), 1, "{found:#?}");
    assert!(
        found[0].contains("stands here a second time"),
        "{}",
        found[0]
    );
}
