//! The description that hubs read: one device, all its entities, in one retained message.
//!
//! Unique ids come from the machine's id and the names in the configuration; they never change while those do not. What was
//! described before and is not any more is first named with its platform alone, which makes hubs remove it.

use serde_json::{Map, Value, json};

use super::entity::{
    Allowed, DAYS, DKH, Entity, INSTANT, MG_PER_L, PLAIN_BINARY, PLAIN_ML, PROBLEM, RATE, RUNNING,
    SAFETY, STORAGE, TEXT, VOLUME_INCREASING, WORDS,
};
use super::settings::Settings;
use super::topics::Topics;
use crate::config::RemoteKind;
use crate::engine::{LineState, LineStatus, Status};
use crate::quantity::{Name, capital};

/// Hubs refuse a state of more than 255 characters.
const TEXT_TEMPLATE_CHARS: usize = 250;

/// The discovery message: this controller as hubs see it.
pub fn description(status: &Status, settings: &Settings, topics: &Topics) -> Value {
    let device_id = format!("dosewright_{}", topics.id());
    let mut entities = controller_entities(settings, topics);
    for (of, estimate) in &status.water.estimates {
        estimate_entities((of, &estimate.unit), topics, &mut entities);
    }
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

fn controller_entities(settings: &Settings, topics: &Topics) -> Vec<Entity> {
    let [controller, alarms] = ["controller", "alarms"].map(|part| Family {
        key: String::new(),
        words: String::new(),
        topic: topics.of(part),
    });
    let problem = |key, words, condition| controller.show(key, words, PROBLEM, &on_off(condition));
    let next = "next_dose";
    let dry_run = on_off("value_json.mode == 'dry-run'");
    let any_alarm = on_off("value_json.alarms | count > 0");
    let unsafe_input = on_off("value_json.inputs | rejectattr('safe') | list | count > 0");
    let mut out = vec![
        controller.show("dry_run", "Dry run", PLAIN_BINARY, &dry_run),
        problem("held", "On hold", "value_json.held"),
        alarms.show("alarm", "Alarm", PROBLEM, &any_alarm),
        problem("clock", "Clock not trusted", "not value_json.clock.trusted"),
        problem(
            "ledger",
            "Ledger not writable",
            "not value_json.ledger.writable",
        ),
        controller.show("inputs", "Contact unsafe", SAFETY, &unsafe_input),
        controller.show(next, "Next dose", INSTANT, &inner(next, "at")),
        controller.show(
            "jobs",
            "Job due",
            PLAIN_BINARY,
            &on_off("value_json.jobs | selectattr('due') | list | count > 0"),
        ),
    ];
    let all = ",\"all\":true";
    let buttons = [
        (RemoteKind::Hold, "hold", "Hold everything", ""),
        (RemoteKind::Resume, "resume", "Resume everything", all),
        (
            RemoteKind::Acknowledge,
            "acknowledge",
            "Acknowledge alarms",
            all,
        ),
    ];
    for (kind, key, name, more) in buttons {
        if settings.broker.commands.contains(&kind) {
            out.push(press(key, name, topics, kind, more));
        }
    }
    out
}

/// What is shown on one topic: of the controller, or of one line, bottle or head. Keys and words begin alike.
struct Family {
    key: String,
    words: String,
    topic: String,
}

impl Family {
    fn of(kind: &str, name: &Name, words: &str, topics: &Topics) -> Self {
        Self {
            key: format!("{kind}_{name}_"),
            words: format!("{name}{words} "),
            topic: topics.of(&format!("{kind}/{name}")),
        }
    }

    fn show(&self, part: &str, words: &str, what: Allowed, template: &str) -> Entity {
        let (key, words) = (
            format!("{}{part}", self.key),
            format!("{}{words}", self.words),
        );
        Entity::shows(key, &words, what, &self.topic, template)
    }

    /// One that shows a value of the message as it stands there.
    fn value(&self, part: &str, words: &str, what: Allowed, key: &str) -> Entity {
        self.show(part, words, what, &value(key))
    }
}

/// Where a water quantity is, what is taken up of it, and its newest reading.
fn estimate_entities((word, unit): (&str, &str), topics: &Topics, out: &mut Vec<Entity>) {
    let of = Family {
        key: format!("{word}_"),
        words: format!("{} ", capital(word)),
        topic: topics.of("water"),
    };
    let (what, decimals) = if unit == DKH.unit.unwrap_or_default() {
        (DKH, 2)
    } else {
        (MG_PER_L, 1)
    };
    let amount = |part: &str, words: &str, template: String| {
        let entity = of.show(part, words, what, &template);
        entity.with("suggested_display_precision", json!(decimals))
    };
    let (estimate, read) = (format!("estimates.{word}"), format!("readings.{word}"));
    out.extend([
        amount("reading", "reading", inner(&read, "value")),
        of.show("taken", "reading taken", INSTANT, &inner(&read, "happened")),
        amount("level", "level", inner(&estimate, "level")),
        amount("level_low", "level, low", inner(&estimate, "level_low")),
        amount("level_high", "level, high", inner(&estimate, "level_high")),
        amount("uptake", "uptake a day", inner(&estimate, "uptake_per_day")),
    ]);
}

fn line_entities(line: &LineStatus, settings: &Settings, topics: &Topics, out: &mut Vec<Entity>) {
    let name = &line.name;
    let of = Family::of("line", name, "", topics);
    let states: Vec<&str> = LineState::ALL.iter().map(|s| s.as_str()).collect();
    let running = on_off("value_json.state == 'dosing'");
    out.extend([
        of.value(
            "today",
            "dosed today",
            VOLUME_INCREASING,
            "delivered_today_ml",
        ),
        of.value("24h", "dosed in 24 h", PLAIN_ML, "delivered_24h_ml"),
        of.value("plan", "planned a day", PLAIN_ML, "planned_ml_per_day"),
        of.value(
            "cap_left",
            "left under the daily cap",
            PLAIN_ML,
            "cap_left_ml",
        ),
        of.value("state", "state", WORDS, "state")
            .with("options", json!(states)),
        of.show("running", "running", RUNNING, &running),
        of.show("reason", "why not dosing", TEXT, &text("reason"))
            .diagnostic(),
        of.show("last_dose", "last dose", INSTANT, &inner("last_dose", "at")),
        of.show("next_slot", "next slot", INSTANT, &inner("next_slot", "at")),
    ]);
    if line.delivered_lifetime.is_some() {
        let lifetime = "delivered_lifetime_ml";
        out.push(of.value("lifetime", "dosed in all", VOLUME_INCREASING, lifetime));
    }
    if settings.broker.commands.contains(&RemoteKind::Hold) {
        let (key, words) = (format!("line_{name}_hold"), format!("{name} hold"));
        let more = format!(",\"line\":\"{name}\"");
        out.push(press(&key, &words, topics, RemoteKind::Hold, &more));
    }
}

fn reservoir_entities(name: &Name, topics: &Topics, out: &mut Vec<Entity>) {
    let of = Family::of("reservoir", name, " bottle", topics);
    let low = "'None' if value_json.low is none else ('ON' if value_json.low else 'OFF')";
    out.extend([
        of.value("left", "left", STORAGE, "left_ml"),
        of.value("days", "lasts", DAYS, "days_left"),
        of.show("low", "low", PROBLEM, &told(low)),
    ]);
}

fn head_entities(name: &Name, topics: &Topics, out: &mut Vec<Entity>) {
    let of = Family::of("head", name, " head", topics);
    let age = "none if value_json.calibration_age_s is none else (value_json.calibration_age_s / 86400) | round(1)";
    let age = of.show("calibration_age", "calibration age", DAYS, &told(age));
    out.extend([
        of.value("rate", "rate", RATE, "rate_ml_per_min")
            .diagnostic(),
        age.diagnostic(),
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
