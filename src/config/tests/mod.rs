//! Tests of the whole way from text to checked types, on the sample files and on small edits of them.

mod board;
mod displays;
mod exact;
mod numbers;
pub(crate) mod pwm;
mod stepper;
mod typos;

use jiff::tz::TimeZone;

use super::{ConfigMistakes, Loaded, PlanCheck, check_texts};

pub(crate) const CONTROLLER: &str = include_str!("../../../config/controller.toml");
pub(crate) const PLAN: &str = include_str!("../../../config/plan.toml");

/// Zones without the system's data, for tests of everything else.
pub(crate) fn zone(name: &str) -> Option<TimeZone> {
    match name {
        "UTC" => Some(TimeZone::UTC),
        "Europe/Berlin" => TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").ok(),
        "Etc/Unknown" | "Nowhere/Land" => Some(TimeZone::unknown()),
        _ => None,
    }
}

/// Without what holds a whole plan against a whole controller, which `plan` tests.
pub(super) fn check(controller: &str, plan: &str) -> Result<Loaded, ConfigMistakes> {
    check_with(controller, plan, &|_, plan| (plan.clone(), Vec::new()))
}

pub(crate) fn check_with(
    controller: &str,
    plan: &str,
    check: PlanCheck<'_>,
) -> Result<Loaded, ConfigMistakes> {
    check_texts(
        [("controller.toml", controller), ("plan.toml", plan)],
        &zone,
        check,
    )
}

/// The samples with one piece replaced; the piece must stand there exactly once.
pub(crate) fn edited(text: &str, from: &str, to: &str) -> String {
    assert_eq!(
        text.matches(from).count(),
        1,
        "{from:?} does not stand there once"
    );
    text.replacen(from, to, 1)
}

/// All mistakes as lines of text.
pub(super) fn mistakes(controller: &str, plan: &str) -> Vec<String> {
    as_lines(check(controller, plan))
}

pub(crate) fn as_lines(checked: Result<Loaded, ConfigMistakes>) -> Vec<String> {
    match checked {
        Ok(_) => Vec::new(),
        Err(error) => error.mistakes.iter().map(ToString::to_string).collect(),
    }
}

/// Line and column, from 1, of the place where `piece` stands.
pub(crate) fn place_of(text: &str, piece: &str) -> String {
    let at = text
        .find(piece)
        .unwrap_or_else(|| panic!("{piece:?} is not there"));
    let before = &text[..at];
    let line = before.matches('\n').count() + 1;
    let column = before
        .rsplit('\n')
        .next()
        .unwrap_or_default()
        .chars()
        .count()
        + 1;
    format!("{line}:{column}")
}
