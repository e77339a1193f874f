//! The description that hubs read: one device, all its entities, in one retained message.
//!
//! Unique ids come from the machine's id and the names in the configuration; they never change while those do not. What was
//! described before and is not any more is first named with its platform alone, which makes hubs remove it.

use serde_json::{Map, Value, json};

use super::entity::{
    Allowed, DAYS, DKH, Entity, INSTANT, PLAIN_BINARY, PLAIN_ML, PROBLEM, RATE, RUNNING, SAFETY,
    STORAGE, TEXT, VOLUME_INCREASING, WORDS,
};
use super::settings::Settings;
use super::topics::Topics;
use super::{Identity, Snapshot};
use crate::config::RemoteKind;
use crate::engine::LineState;
use crate::quantity::Name;

/// Hubs refuse a state of more than 255 characters.
const TEXT_TEMPLATE_CHARS: usize = 250;

/// Every state that a line can have; a hub refuses one that is not listed.
const LINE_STATES: [LineState; 5] = [
    LineState::Dosing,
    LineState::Waiting,
    LineState::Held,
    LineState::Blocked,
    LineState::Unplanned,
];

/// The discovery message: this controller as hubs see it.
pub fn description(
    snapshot: &Snapshot,
    identity: &Identity,
    settings: &Settings,
    topics: &Topics,
) -> Value {
    let device_id = format!("dosewright_{}", topics.id());
    let mut entities = controller_entities(settings, topics);
    for line in &snapshot.status.lines {
        line_entities(&line.name, snapshot, settings, topics, &mut entities);
    }
    for bottle in &snapshot.status.reservoirs {
        reservoir_entities(&bottle.name, topics, &mut entities);
    }
    for head in &snapshot.status.heads {
        head_entities(&head.name, topics, &mut entities);
    }
    let components: Map<String, Value> = entities
        .into_iter()
        .map(|e| e.component(&device_id))
        .collect();
    json!({
        "device": {
            "identifiers": [device_id],
            "name": identity.name.as_str(),
            "model": "dosewright",
            "sw_version": identity.version,
            "serial_number": topics.id(),
        },
        "origin": { "name": "dosewright", "sw_version": identity.version },
        "availability": [{ "topic": topics.status(), "value_template": "{{ value_json.state }}" }],
        "qos": 1,
        "components": components,
    })
}

/// The message that removes what `old` described and `new` does not: `new` with those entities named by their platform
/// alone. `None` when there is nothing to remove, or `old` is not a description.
pub(super) fn removal(old: &Value, new: &Value) -> Option<Value> {
    let before = old.get("components")?.as_object()?;
    let mut message = new.clone();
    let now = message.get_mut("components")?.as_object_mut()?;
    let mut removed = false;
    for (key, component) in before {
        if let (false, Some(platform)) = (now.contains_key(key), component.get("platform")) {
            now.insert(key.clone(), json!({ "platform": platform }));
            removed = true;
        }
    }
    removed.then_some(message)
}

/// Entities of the controller as a whole: key, name, kind, and what they read.
const STATES: [(&str, &str, Allowed, &str); 7] = [
    (
        "dry_run",
        "Dry run",
        PLAIN_BINARY,
        "value_json.mode == 'dry-run'",
    ),
    ("held", "On hold", PROBLEM, "value_json.held"),
    (
        "alarm",
        "Alarm",
        PROBLEM,
        "value_json.alarms_active + value_json.alarms_unacknowledged > 0",
    ),
    (
        "clock",
        "Clock not trusted",
        PROBLEM,
        "not value_json.clock_trusted",
    ),
    (
        "ledger",
        "Ledger not writable",
        PROBLEM,
        "not value_json.ledger_ok",
    ),
    (
        "inputs",
        "Contact unsafe",
        SAFETY,
        "value_json.inputs | rejectattr('safe') | list | count > 0",
    ),
    ("next_dose", "Next dose", INSTANT, "next_dose_at"),
];
/// Entities of the water, likewise.
const WATER: [(&str, &str, Allowed, &str); 5] = [
    ("alkalinity", "Alkalinity reading", DKH, "alkalinity_dkh"),
    (
        "alkalinity_taken",
        "Alkalinity reading taken",
        INSTANT,
        "alkalinity_taken_at",
    ),
    ("predicted", "Alkalinity predicted", DKH, "predicted_dkh"),
    (
        "predicted_low",
        "Alkalinity predicted, low",
        DKH,
        "predicted_low_dkh",
    ),
    (
        "predicted_high",
        "Alkalinity predicted, high",
        DKH,
        "predicted_high_dkh",
    ),
];

fn controller_entities(settings: &Settings, topics: &Topics) -> Vec<Entity> {
    let mut out = Vec::new();
    for (topic, rows) in [("controller", &STATES[..]), ("water", &WATER[..])] {
        for (key, name, kind, reads) in rows {
            let template = if kind.platform == "binary_sensor" {
                on_off(reads)
            } else {
                value(reads)
            };
            let topic = topics.of(topic);
            let entity = Entity::shows((*key).to_owned(), name, *kind, &topic, &template);
            out.push(if *kind == DKH {
                entity.with("suggested_display_precision", json!(2))
            } else {
                entity
            });
        }
    }
    let allowed = |kind| settings.broker.commands.contains(&kind);
    if allowed(RemoteKind::Hold) {
        out.push(press(
            "hold",
            "Hold everything",
            topics,
            RemoteKind::Hold,
            "",
        ));
    }
    if allowed(RemoteKind::Resume) {
        out.push(press(
            "resume",
            "Resume everything",
            topics,
            RemoteKind::Resume,
            ",\"all\":true",
        ));
    }
    if allowed(RemoteKind::Acknowledge) {
        out.push(press(
            "acknowledge",
            "Acknowledge alarms",
            topics,
            RemoteKind::Acknowledge,
            ",\"all\":true",
        ));
    }
    out
}

fn line_entities(
    name: &Name,
    snapshot: &Snapshot,
    settings: &Settings,
    topics: &Topics,
    out: &mut Vec<Entity>,
) {
    let topic = topics.of(&format!("line/{name}"));
    let show = |part: &str, words: &str, what, template: &str| {
        Entity::shows(
            format!("line_{name}_{part}"),
            &format!("{name} {words}"),
            what,
            &topic,
            template,
        )
    };
    // Falling to zero is what hubs take for a new day. The instant at which it fell is not named: it is unknown while the clock is unsure, and
    // a hub that was promised it says so of every message then.
    let today = show(
        "today",
        "dosed today",
        VOLUME_INCREASING,
        &value("today_ml"),
    );
    let states: Vec<&str> = LINE_STATES.iter().map(|s| s.as_str()).collect();
    out.extend([
        today,
        show("24h", "dosed in 24 h", PLAIN_ML, &value("last_24h_ml")),
        show(
            "plan",
            "planned a day",
            PLAIN_ML,
            &value("planned_ml_per_day"),
        ),
        show(
            "cap_left",
            "left under the daily cap",
            PLAIN_ML,
            &value("cap_left_ml"),
        ),
        show("state", "state", WORDS, &value("state")).with("options", json!(states)),
        show(
            "running",
            "running",
            RUNNING,
            &on_off("value_json.state == 'dosing'"),
        ),
        show("reason", "why not dosing", TEXT, &text("reason")).diagnostic(),
        show("last_dose", "last dose", INSTANT, &value("last_dose_at")),
        show("next_slot", "next slot", INSTANT, &value("next_slot_at")),
    ]);
    if snapshot.delivered_lifetime.contains_key(name) {
        out.push(show(
            "lifetime",
            "dosed in all",
            VOLUME_INCREASING,
            &value("lifetime_ml"),
        ));
    }
    if settings.broker.commands.contains(&RemoteKind::Hold) {
        let more = format!(",\"line\":\"{name}\"");
        out.push(press(
            &format!("line_{name}_hold"),
            &format!("{name} hold"),
            topics,
            RemoteKind::Hold,
            &more,
        ));
    }
}

fn reservoir_entities(name: &Name, topics: &Topics, out: &mut Vec<Entity>) {
    let topic = topics.of(&format!("reservoir/{name}"));
    let show = |part: &str, words: &str, what, template: &str| {
        Entity::shows(
            format!("reservoir_{name}_{part}"),
            &format!("{name} bottle {words}"),
            what,
            &topic,
            template,
        )
    };
    out.extend([
        show("left", "left", STORAGE, &value("left_ml")),
        show("days", "lasts", DAYS, &value("days_left")),
        show(
            "low",
            "low",
            PROBLEM,
            &told("'None' if value_json.low is none else ('ON' if value_json.low else 'OFF')"),
        ),
    ]);
}

fn head_entities(name: &Name, topics: &Topics, out: &mut Vec<Entity>) {
    let topic = topics.of(&format!("head/{name}"));
    let show = |part: &str, words: &str, what, template: &str| {
        Entity::shows(
            format!("head_{name}_{part}"),
            &format!("{name} head {words}"),
            what,
            &topic,
            template,
        )
    };
    out.extend([
        show("rate", "rate", RATE, &value("rate_ml_per_min")).diagnostic(),
        show(
            "calibration_age",
            "calibration age",
            DAYS,
            &told("none if value_json.calibration_age_s is none else (value_json.calibration_age_s / 86400) | round(1)"),
        )
        .diagnostic(),
    ]);
}

/// A button. Its message carries an id and its own time, so that a late or repeated copy is not obeyed.
fn press(key: &str, name: &str, topics: &Topics, kind: RemoteKind, more: &str) -> Entity {
    let template = format!(
        "{{\"id\":\"hub-{{{{ (utcnow().timestamp() * 1000) | int }}}}\",\"sent\":\"{{{{ utcnow().isoformat() }}}}\",\"from\":\"hub\"{more}}}"
    );
    Entity::sends(key.to_owned(), name, &topics.command(kind), &template)
}

/// A template that says nothing of an empty message: the topic of something that was taken out is cleared, and a hub may hear of that
/// before it has taken the entity out itself.
fn told(expression: &str) -> String {
    format!("{{{{ ({expression}) if value_json is defined else 'None' }}}}")
}

fn value(key: &str) -> String {
    told(&format!("value_json.{key}"))
}

fn text(key: &str) -> String {
    told(&format!("(value_json.{key} or '')[:{TEXT_TEMPLATE_CHARS}]"))
}

fn on_off(condition: &str) -> String {
    told(&format!("'ON' if {condition} else 'OFF'"))
}
