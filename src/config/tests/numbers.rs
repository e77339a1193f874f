//! Every numeric key of both files against every number that must not pass, found by walking the table of keys.

use super::super::keys;
use super::super::schema::{Kind, Naming, Range, Section};
use super::{CONTROLLER, PLAN, check, mistakes};
use crate::chemistry::Element;
use crate::chemistry::Unit;
use crate::quantity::Volume;
use proptest::prelude::*;

/// A numeric key, and texts of the two files in which it stands with the value `@`.
struct Numeric {
    path: String,
    name: String,
    range: Range,
    whole: bool,
    in_plan: bool,
    text: String,
}

/// All numeric keys of a section and below, with the path of tables to each.
fn below(section: &'static Section, path: &str, out: &mut Vec<(String, String, Range, bool)>) {
    for key in section.keys {
        let inner = if path.is_empty() {
            key.name.to_owned()
        } else {
            format!("{path}.{}", key.name)
        };
        match key.kind {
            Kind::Number(range) => out.push((path.to_owned(), key.name.to_owned(), range, false)),
            Kind::Whole(range) => out.push((path.to_owned(), key.name.to_owned(), range, true)),
            Kind::Table(section) | Kind::List(section) => below(section, &inner, out),
            Kind::Named(section, Naming::Own) => below(section, &format!("{inner}.*"), out),
            Kind::Named(_, Naming::Quantity(keys)) => {
                below(keys(Unit::Dkh), &format!("{inner}.alkalinity"), out);
                below(keys(Unit::MgPerL), &format!("{inner}.calcium"), out);
            }
            Kind::Flag | Kind::Text(_) | Kind::Choice(_) | Kind::Texts(_) | Kind::Choices(_) => {}
        }
    }
    if let Some(range) = section.element_mg {
        out.push((path.to_owned(), "Ca-mg".to_owned(), range, false));
    }
}

/// A small file that holds just this key with the value `@`, at its path.
fn text_for(path: &str, name: &str) -> String {
    let path = path.replace('*', "x");
    match path.as_str() {
        "" => format!("{name} = @\n"),
        "apart" => format!("[[apart]]\n{name} = @\n"),
        "solution.x.salts" => format!("[[solution.x.salts]]\n{name} = @\n"),
        path => format!("[{path}]\n{name} = @\n"),
    }
}

fn all() -> Vec<Numeric> {
    let mut found = Vec::new();
    for (section, in_plan) in [
        (&keys::controller::SECTION, false),
        (&keys::plan::SECTION, true),
    ] {
        let mut keys = Vec::new();
        below(section, "", &mut keys);
        for (path, name, range, whole) in keys {
            let text = text_for(&path, &name);
            found.push(Numeric {
                path,
                name,
                range,
                whole,
                in_plan,
                text,
            });
        }
    }
    found
}

/// Mistakes that speak of this key's value when it is written as `value`.
fn about(key: &Numeric, value: &str) -> Vec<String> {
    let text = key.text.replace('@', value);
    let found = if key.in_plan {
        mistakes(CONTROLLER, &text)
    } else {
        mistakes(&text, PLAN)
    };
    let file = if key.in_plan {
        "plan.toml"
    } else {
        "controller.toml"
    };
    let line = key.text.split('@').next().unwrap().matches('\n').count() + 1;
    let column = key.name.len() + 4;
    let start = format!("{file}:{line}:{column}: ");
    let words = format!("{} = {value} ", key.name);
    found
        .into_iter()
        .filter(|m| m.starts_with(&start) && m.contains(&words))
        .collect()
}

#[test]
fn the_walk_finds_every_numeric_key() {
    let keys = all();
    let names: Vec<&str> = keys.iter().map(|key| key.name.as_str()).collect();
    for name in [
        "volume-l",
        "heads-at-once",
        "run-max-s",
        "scatter",
        "g-per-l",
        "ml",
        "litres",
        "alkalinity-meq",
        "Ca-mg",
        "daily-cap-ml",
        "gap-min",
        "trip-after-s",
        "max-rise-mg-per-l-per-day",
        "target-dkh",
        "kit-step-dkh",
        "alarm-high-mg-per-l",
        "permit-valid-s",
        "start-dkh-per-day",
        "share-of-uptake",
        "publish-interval-s",
        "doses",
    ] {
        assert!(names.contains(&name), "{name}");
    }
    assert_eq!(keys.len(), 77, "a key came or went: {names:?}");
}

/// Fault rows FT-RUST-06, FT-CONF-03, FT-MEM-01.
#[test]
fn every_numeric_key_refuses_what_is_no_number_or_out_of_range_naming_place_value_and_range() {
    for key in all() {
        let negative = key.range.low < 0.0;
        assert!(
            !negative || key.name == "offset-ml",
            "{} may be negative",
            key.name
        );
        let below = if negative { "-10.001" } else { "-1" };
        for value in [
            "nan",
            "-nan",
            "+nan",
            "inf",
            "-inf",
            below,
            "1e300",
            "-1e300",
            "9223372036854775807",
        ] {
            let found = about(&key, value);
            assert_eq!(
                found.len(),
                1,
                "{}.{} = {value}: {found:?}",
                key.path,
                key.name
            );
            assert!(
                found[0].contains(&key.range.words()),
                "{} does not name its range: {}",
                key.name,
                found[0]
            );
        }
        for value in ["\"5\"", "true", "0x10", "[1]", "\"5 mL\""] {
            let found = about(&key, value);
            assert_eq!(
                found.len(),
                1,
                "{}.{} = {value}: {found:?}",
                key.path,
                key.name
            );
        }
    }
}

#[test]
fn the_ends_of_each_range_are_in_it_and_the_next_number_is_not() {
    for key in all() {
        let (low, high) = (key.range.low, key.range.high);
        for value in [low, high] {
            assert!(
                about(&key, &format!("{value}")).is_empty(),
                "{} = {value} was refused",
                key.name
            );
        }
        assert_eq!(
            about(&key, &format!("{}", high + 1.0)).len(),
            1,
            "{}",
            key.name
        );
        assert_eq!(
            about(&key, &format!("{}", low - 1.0)).len(),
            1,
            "{}",
            key.name
        );
    }
}

#[test]
fn a_count_is_a_whole_number() {
    for key in all().iter().filter(|key| key.whole) {
        let low = key.range.low;
        for value in [format!("{low}.5"), format!("{}.0", low + 1.0)] {
            let found = about(key, &value);
            assert_eq!(found.len(), 1, "{} = {value}", key.name);
            assert!(found[0].contains("a whole number from"), "{}", found[0]);
        }
    }
}

#[test]
fn a_volume_finer_than_a_microlitre_is_refused_and_not_rounded() {
    let key = all()
        .into_iter()
        .find(|key| key.name == "daily-cap-ml")
        .unwrap();
    assert!(about(&key, "12.125").is_empty());
    assert!(about(&key, "12.1255")[0].contains("finer than a microlitre"));
}

/// Fault row FT-CONF-04: what is written is what is kept and what is printed, to the microlitre.
#[test]
fn volumes_keep_every_digit_from_file_to_screen() {
    for (written, ul) in [
        ("0.5", 500),
        ("12", 12_000),
        ("12.0", 12_000),
        ("11.999", 11_999),
        ("12.125", 12_125),
        ("1.25e1", 12_500),
    ] {
        let text = super::edited(
            CONTROLLER,
            "daily-cap-ml = 12\n",
            &format!("daily-cap-ml = {written}\n"),
        );
        let text = text.replace("dose-cap-ml = 4", "dose-cap-ml = 0.5");
        let plan = super::edited(PLAN, "daily-ml = 6\ndoses = 3", "daily-ml = 1\ndoses = 2");
        match check(&text, &plan) {
            Ok(loaded) => assert_eq!(
                loaded.controller.lines[2].daily_cap,
                Volume::from_ul(ul),
                "{written}"
            ),
            Err(error) => assert_eq!(
                (written, error.to_string().contains("daily-cap-ml = 0.5 mL")),
                ("0.5", true),
                "{error}"
            ),
        }
    }
}

#[test]
fn every_element_takes_a_per_litre_key_and_nothing_else_does() {
    assert!(Element::new("Ca").is_some());
    let text = "[solution.x]\nper-litre = { Ca-mg = 1, Xx-mg = 1, Mg = 1 }\n";
    let found = mistakes(text, PLAN).join("\n");
    assert!(
        found.contains("Xx-mg is an unknown key") && found.contains("Mg is an unknown key"),
        "{found}"
    );
    assert!(!found.contains("Ca-mg is an unknown key"), "{found}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// A number that is not complained of is finite and in range; one in range is never complained of.
    #[test]
    fn what_is_accepted_is_finite_and_in_range(index in any::<prop::sample::Index>(), value in prop_oneof![any::<f64>(), -10.0_f64..2000.0, 0.0_f64..1.0]) {
        let keys = all();
        let key = index.get(&keys);
        let written = format!("{value:?}").replace("NaN", "nan");
        let refused = !about(key, &written).is_empty();
        let fine = key.range.unit == "mL" && Volume::from_ml(value).is_none_or(|v| (v.as_ml() - value).abs() > 0.0);
        let good = value.is_finite() && key.range.low <= value && value <= key.range.high && !fine && !key.whole;
        prop_assert_eq!(refused, !good, "{} = {}", key.name, written);
    }
}
