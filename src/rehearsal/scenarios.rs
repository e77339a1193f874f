//! Scenarios that stand ready by name.

use crate::config::{ConfigMistakes, Scenario};

/// Name and text of each.
pub const SCENARIOS: [(&str, &str); 7] = [
    (
        "as-planned",
        include_str!("../../config/scenarios/as-planned.toml"),
    ),
    ("off", include_str!("../../config/scenarios/off.toml")),
    (
        "growing",
        include_str!("../../config/scenarios/growing.toml"),
    ),
    ("step", include_str!("../../config/scenarios/step.toml")),
    (
        "wandering",
        include_str!("../../config/scenarios/wandering.toml"),
    ),
    ("away", include_str!("../../config/scenarios/away.toml")),
    (
        "trouble",
        include_str!("../../config/scenarios/trouble.toml"),
    ),
];

/// The scenario of this name; `None` when none has it.
///
/// # Errors
/// All mistakes in it.
pub fn scenario(name: &str) -> Option<Result<Scenario, ConfigMistakes>> {
    let found = SCENARIOS.iter().find(|(known, _)| *known == name);
    found.map(|text| Scenario::read(*text))
}
