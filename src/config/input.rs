//! From the tree of one `[input.NAME]` to its checked type.

use super::board::level;
use super::keys;
use super::model::{Blocks, Input, InputRole};
use super::pin::parse_pin;
use super::take::{reference, references, time};
use super::tree::RawTable;
use crate::quantity::Name;

/// Builds one contact. `whole` is the file's top table, for the names it refers to.
pub(super) fn build(whole: &RawTable, raw: &RawTable, name: Name) -> Option<Input> {
    let role = role(whole, raw);
    let blocks = blocks(whole, raw, role.as_ref());
    Some(Input {
        name,
        role: role?,
        gpio: parse_pin(raw.text(keys::input::INPUT)?).ok()?,
        safe: level(raw, keys::input::SAFE)?,
        blocks: blocks?,
        stops_running: raw.flag(keys::input::STOPS_RUNNING)?,
        trip_after: time(raw, keys::input::TRIP_AFTER_S, 1.0)?,
        clear_after: time(raw, keys::input::CLEAR_AFTER_S, 1.0)?,
        resume_after: time(raw, keys::input::RESUME_AFTER_S, 1.0)?,
    })
}

fn role(whole: &RawTable, raw: &RawTable) -> Option<InputRole> {
    let reservoir = reference(
        raw,
        keys::input::RESERVOIR,
        (whole, keys::controller::RESERVOIR),
    );
    let role = match raw.text(keys::input::ROLE)? {
        "reservoir-float" => {
            if raw.text(keys::input::RESERVOIR).is_none() {
                raw.refuse_whole(
                    "reservoir is missing; a reservoir-float names the reservoir it sits in",
                );
            }
            return Some(InputRole::ReservoirFloat(reservoir?));
        }
        "return-pump" => InputRole::ReturnPump,
        "leak" => InputRole::Leak,
        "sump-high" => InputRole::SumpHigh,
        _ => InputRole::StopButton,
    };
    if raw.text(keys::input::RESERVOIR).is_some() {
        raw.refuse(
            keys::input::RESERVOIR,
            "reservoir belongs to a reservoir-float only; take it out or mend role",
        );
    }
    Some(role)
}

/// What it blocks. A float blocks the lines that draw from its bottle unless it says more; it may not say less.
fn blocks(whole: &RawTable, raw: &RawTable, role: Option<&InputRole>) -> Option<Blocks> {
    let role = role?;
    let drawing: Vec<Name> = match role {
        InputRole::ReservoirFloat(reservoir) => whole
            .named(keys::controller::LINE)
            .iter()
            .filter(|(_, line)| line.text(keys::line::RESERVOIR) == Some(reservoir.as_str()))
            .filter_map(|(line, _)| Name::new(line).ok())
            .collect(),
        InputRole::ReturnPump | InputRole::Leak | InputRole::SumpHigh | InputRole::StopButton => {
            Vec::new()
        }
    };
    let Some(texts) = raw.texts(keys::input::BLOCKS) else {
        if drawing.is_empty() {
            raw.refuse_whole(
                "blocks is missing; give \"all\" or a list of lines, it has no default here",
            );
            return None;
        }
        return Some(Blocks::Lines(drawing));
    };
    if let [one] = texts
        && one.text == "all"
    {
        return Some(Blocks::All);
    }
    if *role == InputRole::StopButton {
        raw.refuse(
            keys::input::BLOCKS,
            "a stop button stops everything; give blocks = \"all\"",
        );
        return None;
    }
    let all_lines = (whole, keys::controller::LINE);
    let lines = references(raw, keys::input::BLOCKS, all_lines)?;
    if let Some(left_out) = drawing.iter().find(|line| !lines.contains(line)) {
        raw.refuse(
            keys::input::BLOCKS,
            format!("line \"{left_out}\" draws from this bottle and is not among those blocked; add it, or leave blocks out")
        );
        return None;
    }
    Some(Blocks::Lines(lines))
}
