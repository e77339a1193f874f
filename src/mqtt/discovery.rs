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
use crate::config::RemoteKind;
use crate::engine::{LineState, LineStatus, Status};
use crate::quantity::Name;

/// Hubs refuse a state of more than 255 characters.
const TEXT_TEMPLATE_CHARS: usize = 250;

/// The discovery message: this controller as hubs see it.
pub fn description(status: &Status, settings: &Settings, topics: &Topics) -> Value {
    let device_id = format!("dosewright_{}", topics.id());
    let mut entities = controller_entities(settings, topics);
    for line in &status.lines {
        line_entities(line, settings, topics, &mut entities);
    }
    for bottle in &status.reservoirs {
        reservoir_entities(&bottle.name, topics, &mut entities);
    }
    for head in &status.heads {
        head_entities(&head.name, topics, &mut entities);
    }
    let components: Map<String, Value> = entities
        .into_iter()
        .map(|e| e.component(&device_id))
        .collect();
    json!({
        "device": {
            "identifiers": [device_id],
            "name": status.name,
            "model": "dosewright",
            "sw_version": status.daemon.version,
            "serial_number": topics.id(),
        },
        "origin": { "name": "dosewright", "sw_version": status.daemon.version },
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

/// Entities of the controller as a whole and of the water: topic, key, name, kind, and template.
fn states() -> [(&'static str, &'static str, &'static str, Allowed, String); 12] {
    let problem = |key, name, condition| ("controller", key, name, PROBLEM, on_off(condition));
    let dkh = |key, name, template| ("water", key, name, DKH, template);
    [
        (
            "controller",
            "dry_run",
            "Dry run",
            PLAIN_BINARY,
            on_off("value_json.mode == 'dry-run'"),
        ),
        problem("held", "On hold", "value_json.held"),
        (
            "alarms",
            "alarm",
            "Alarm",
            PROBLEM,
            on_off("value_json.alarms | count > 0"),
        ),
        problem("clock", "Clock not trusted", "not value_json.clock.trusted"),
        problem(
            "ledger",
            "Ledger not writable",
            "not value_json.ledger.writable",
        ),
        (
            "controller",
            "inputs",
            "Contact unsafe",
            SAFETY,
            on_off("value_json.inputs | rejectattr('safe') | list | count > 0"),
        ),
        (
            "controller",
            "next_dose",
            "Next dose",
            INSTANT,
            inner("next_dose", "at"),
        ),
        dkh(
            "alkalinity",
            "Alkalinity reading",
            inner("readings.alkalinity", "value"),
        ),
        (
            "water",
            "alkalinity_taken",
            "Alkalinity reading taken",
            INSTANT,
            inner("readings.alkalinity", "happened"),
        ),
        dkh(
            "level",
            "Alkalinity level",
            inner("estimates.alkalinity", "level"),
        ),
        dkh(
            "level_low",
            "Alkalinity level, low",
            inner("estimates.alkalinity", "level_low"),
        ),
        dkh(
            "level_high",
            "Alkalinity level, high",
            inner("estimates.alkalinity", "level_high"),
        ),
    ]
}

fn controller_entities(settings: &Settings, topics: &Topics) -> Vec<Entity> {
    let mut out = Vec::new();
    for (topic, key, name, kind, template) in states() {
        let topic = topics.of(topic);
        let entity = Entity::shows(key.to_owned(), name, kind, &topic, &template);
        out.push(if kind == DKH {
            entity.with("suggested_display_precision", json!(2))
        } else {
            entity
        });
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

fn line_entities(line: &LineStatus, settings: &Settings, topics: &Topics, out: &mut Vec<Entity>) {
    let name = &line.name;
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
        &value("delivered_today_ml"),
    );
    let states: Vec<&str> = LineState::ALL.iter().map(|s| s.as_str()).collect();
    out.extend([
        today,
        show("24h", "dosed in 24 h", PLAIN_ML, &value("delivered_24h_ml")),
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
        show("last_dose", "last dose", INSTANT, &inner("last_dose", "at")),
        show("next_slot", "next slot", INSTANT, &inner("next_slot", "at")),
    ]);
    if line.delivered_lifetime.is_some() {
        out.push(show(
            "lifetime",
            "dosed in all",
            VOLUME_INCREASING,
            &value("delivered_lifetime_ml"),
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

/// A key of a part that may be null.
fn inner(part: &str, key: &str) -> String {
    told(&format!(
        "value_json.{part}.{key} if value_json.{part} else none"
    ))
}

fn text(part: &str) -> String {
    told(&format!(
        "(value_json.{part}.text if value_json.{part} else '')[:{TEXT_TEMPLATE_CHARS}]"
    ))
}

fn on_off(condition: &str) -> String {
    told(&format!("'ON' if {condition} else 'OFF'"))
}
