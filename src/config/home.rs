//! Where in the two files a key belongs that stands somewhere else.

use super::keys;
use super::schema::{Naming, Section};
use crate::chemistry::Unit;

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
        let path = format!("{path}{dot}{}", key.name);
        match key.kind.tables()? {
            (inner, None) => home_below(inner, name, &path),
            (inner, Some(Naming::Own)) => home_below(inner, name, &format!("{path}.NAME")),
            (_, Some(Naming::Quantity(keys))) => Unit::ALL
                .into_iter()
                .find_map(|unit| home_below(keys(unit), name, &format!("{path}.{}", unit.whose()))),
        }
    })
}
