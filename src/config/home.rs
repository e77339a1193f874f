//! Where in the two files a key belongs that stands somewhere else.

use super::keys;
use super::schema::{Kind, Naming, Section};

/// The table in which a key of exactly this name is known, for a key that was written in the wrong one.
pub(super) fn schema_home(name: &str) -> Option<String> {
    [
        ("controller.toml", &keys::controller::SECTION),
        ("plan.toml", &keys::plan::SECTION),
    ]
    .iter()
    .find_map(|(file, section)| {
        home_below(section, name, "").map(|home| format!("{home} of {file}"))
    })
}

fn home_below(section: &'static Section, name: &str, path: &str) -> Option<String> {
    if section.find(name).is_some() {
        let top = if path.is_empty() {
            "the top".to_owned()
        } else {
            format!("[{path}]")
        };
        return Some(top);
    }
    section.keys.iter().find_map(|key| {
        let dot = if path.is_empty() { "" } else { "." };
        match key.kind {
            Kind::Table(inner) | Kind::List(inner) => {
                home_below(inner, name, &format!("{path}{dot}{}", key.name))
            }
            Kind::Named(inner, Naming::Own) => {
                home_below(inner, name, &format!("{path}{dot}{}.NAME", key.name))
            }
            Kind::Named(inner, Naming::Quantity { alkalinity }) => {
                let path = format!("{path}{dot}{}", key.name);
                home_below(alkalinity, name, &format!("{path}.alkalinity"))
                    .or_else(|| home_below(inner, name, &format!("{path}.NAME")))
            }
            Kind::Number(_)
            | Kind::Whole(_)
            | Kind::Flag
            | Kind::Text(_)
            | Kind::Choice(_)
            | Kind::Texts(_)
            | Kind::Choices(_) => None,
        }
    })
}
