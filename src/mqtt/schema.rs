//! The published shape of every message, as JSON Schema (draft 2020-12).
//!
//! One table per message; the tests hold real messages against it, so that neither can change without the other.

use serde_json::{Map, Value, json};

/// Type of a value.
#[derive(Clone, Copy)]
enum T {
    Text,
    Time,
    Number,
    Integer,
    Flag,
    List(&'static str),
    OneOf(&'static [&'static str]),
}

/// A key: its name, its type, whether it may be null, what it means.
type Field = (&'static str, T, bool, &'static str);

const MODES: &[&str] = &["dry-run", "live"];
const STATES: &[&str] = &["dosing", "waiting", "held", "blocked", "unplanned"];

const MODE: Field = (
    "mode",
    T::OneOf(MODES),
    false,
    "whether outputs are really driven",
);
const AT: Field = (
    "at",
    T::Time,
    false,
    "when this was so; ages are as of then",
);

const STATUS: &[Field] = &[
    (
        "state",
        T::OneOf(&["online", "offline"]),
        false,
        "whether the controller is there; the last will says offline",
    ),
    MODE,
    (
        "instance",
        T::Text,
        false,
        "differs from start to start; tells two controllers with one id apart",
    ),
];

const CONTROLLER: &[Field] = &[
    MODE,
    AT,
    ("name", T::Text, false, "the controller's name"),
    ("version", T::Text, false, "the program's version"),
    (
        "config_fingerprint",
        T::Text,
        false,
        "fingerprint of the configuration in force",
    ),
    (
        "armed",
        T::Flag,
        false,
        "whether the owner has accepted the cautions for this hardware",
    ),
    ("held", T::Flag, false, "whether everything is on hold"),
    ("holds", T::List("hold"), false, "holds in force"),
    (
        "clock_trusted",
        T::Flag,
        false,
        "whether the wall clock is trusted; nothing is scheduled until it is",
    ),
    (
        "clock_unsure",
        T::Text,
        true,
        "why the clock is not trusted",
    ),
    (
        "clock_source",
        T::OneOf(&["kernel", "owner", "virtual"]),
        true,
        "who vouches for the clock",
    ),
    (
        "ledger_ok",
        T::Flag,
        false,
        "whether the ledger can be written; no dose starts when it cannot",
    ),
    (
        "ledger_fault",
        T::Text,
        true,
        "why the ledger cannot be written",
    ),
    (
        "changeover",
        T::Text,
        true,
        "how a changeover stands, while one is under way",
    ),
    (
        "next_dose_at",
        T::Time,
        true,
        "when the next slot of any line is due",
    ),
    ("next_dose_line", T::Text, true, "its line"),
    ("next_dose_ml", T::Number, true, "its volume, mL"),
    ("inputs", T::List("input"), false, "contacts"),
    (
        "alarms_active",
        T::Integer,
        false,
        "alarms whose cause lasts",
    ),
    (
        "alarms_unacknowledged",
        T::Integer,
        false,
        "alarms that nobody has seen yet",
    ),
];

const HOLD: &[Field] = &[
    (
        "line",
        T::Text,
        true,
        "the line on hold; null when everything is",
    ),
    ("reason", T::Text, false, "why"),
    ("who", T::Text, false, "who set it"),
    ("since", T::Time, false, "when it was set"),
    ("hold_age_s", T::Integer, false, "how long ago, s"),
];

const INPUT: &[Field] = &[
    ("input", T::Text, false, "its name"),
    ("safe", T::Flag, false, "whether it counts as safe"),
];

const LINE: &[Field] = &[
    MODE,
    AT,
    ("line", T::Text, false, "its name"),
    ("solution", T::Text, false, "its solution"),
    ("reservoir", T::Text, false, "its bottle"),
    (
        "reservoir_left_ml",
        T::Number,
        true,
        "what the bottle holds by the books, mL",
    ),
    (
        "days_left",
        T::Number,
        true,
        "days until the bottle is used up by the plan in force",
    ),
    ("state", T::OneOf(STATES), false, "what it is doing"),
    (
        "reason_code",
        T::Text,
        true,
        "why it is not dosing, for programs",
    ),
    ("reason", T::Text, true, "why it is not dosing"),
    (
        "reason_until",
        T::Time,
        true,
        "until when, if that is known",
    ),
    (
        "running_dose",
        T::Integer,
        true,
        "number of the dose that runs",
    ),
    ("running_ml", T::Number, true, "its volume, mL"),
    (
        "so_far_ml",
        T::Number,
        true,
        "what of it had gone in, by time, mL",
    ),
    (
        "today_ml",
        T::Number,
        false,
        "delivered on this local day, mL",
    ),
    ("today_since", T::Time, true, "when this local day began"),
    (
        "last_24h_ml",
        T::Number,
        false,
        "delivered in the last 24 h of elapsed time, mL",
    ),
    (
        "lifetime_ml",
        T::Number,
        true,
        "delivered over the life of the ledger, mL; never falls",
    ),
    (
        "planned_ml_per_day",
        T::Number,
        false,
        "what the plan in force gives, mL a day",
    ),
    (
        "plan_standing_ml_per_day",
        T::Number,
        false,
        "what the standing plan gives before limits, mL a day",
    ),
    (
        "delivered_of_plan_percent",
        T::Number,
        true,
        "delivered in 24 h against the plan in force, %",
    ),
    ("daily_cap_ml", T::Number, false, "cap in any 24 h, mL"),
    ("dose_cap_ml", T::Number, false, "cap of one dose, mL"),
    (
        "cap_left_ml",
        T::Number,
        false,
        "what the daily cap still leaves, mL",
    ),
    ("next_slot_at", T::Time, true, "when the next slot is due"),
    ("next_slot_ml", T::Number, true, "its volume, mL"),
    ("last_dose_at", T::Time, true, "when the last dose ended"),
    ("last_dose_ml", T::Number, true, "its volume, mL"),
    ("last_dose_age_s", T::Integer, true, "how long ago, s"),
    (
        "last_refusal",
        T::Text,
        true,
        "the last slot refused since the last dose, and why",
    ),
    ("last_refusal_at", T::Time, true, "when that was"),
];

const RESERVOIR: &[Field] = &[
    MODE,
    AT,
    ("reservoir", T::Text, false, "its name"),
    (
        "left_ml",
        T::Number,
        true,
        "content by the books, mL; null when nobody has told",
    ),
    (
        "usable_ml",
        T::Number,
        true,
        "content above the reserve, mL",
    ),
    (
        "capacity_ml",
        T::Number,
        false,
        "what it holds when full, mL",
    ),
    ("reserve_ml", T::Number, false, "what is never pumped, mL"),
    (
        "days_left",
        T::Number,
        true,
        "days until it is used up by the plan in force",
    ),
    (
        "low",
        T::Flag,
        true,
        "whether the alarm of a low bottle is active; null when the content is unknown",
    ),
];

const HEAD: &[Field] = &[
    MODE,
    AT,
    ("head", T::Text, false, "its name"),
    (
        "rate_ml_per_min",
        T::Number,
        true,
        "calibrated rate, mL/min; null when not calibrated",
    ),
    (
        "offset_ml",
        T::Number,
        true,
        "calibrated start-stop offset, mL",
    ),
    (
        "calibration_method",
        T::Text,
        true,
        "how the calibration was got",
    ),
    (
        "calibration_age_s",
        T::Number,
        true,
        "age of the calibration, s",
    ),
    (
        "run_since_calibration_h",
        T::Number,
        true,
        "run time since the calibration, h",
    ),
];

const WATER: &[Field] = &[
    MODE,
    AT,
    (
        "alkalinity_dkh",
        T::Number,
        true,
        "last alkalinity reading, dKH",
    ),
    (
        "alkalinity_uncertainty_dkh",
        T::Number,
        true,
        "its standard uncertainty, dKH",
    ),
    (
        "alkalinity_taken_at",
        T::Time,
        true,
        "when its sample was taken",
    ),
    (
        "alkalinity_reading_age_s",
        T::Integer,
        true,
        "how long ago, s",
    ),
    (
        "predicted_dkh",
        T::Number,
        true,
        "predicted alkalinity now, dKH; null without a reading",
    ),
    (
        "predicted_low_dkh",
        T::Number,
        true,
        "two standard uncertainties below, dKH",
    ),
    (
        "predicted_high_dkh",
        T::Number,
        true,
        "two standard uncertainties above, dKH",
    ),
    (
        "uptake_dkh_per_day",
        T::Number,
        true,
        "established uptake, dKH a day",
    ),
    (
        "planned_dkh_per_day",
        T::Number,
        true,
        "what the standing plan adds, dKH a day",
    ),
    (
        "share_in_force_percent",
        T::Number,
        true,
        "what part of it is in force, %",
    ),
    (
        "allowance_dkh_per_day",
        T::Number,
        true,
        "how much may be added in 24 h, dKH",
    ),
    ("allowance_reason", T::Text, true, "why that much"),
    (
        "readings",
        T::List("reading"),
        false,
        "last reading of each element",
    ),
];

const READING: &[Field] = &[
    ("element", T::Text, false, "symbol of the element"),
    (
        "value_mg_per_l",
        T::Number,
        true,
        "result, mg/L; null when below the detection limit",
    ),
    (
        "uncertainty_mg_per_l",
        T::Number,
        true,
        "its standard uncertainty, mg/L",
    ),
    (
        "below_mg_per_l",
        T::Number,
        true,
        "the detection limit it was below, mg/L",
    ),
    ("method", T::Text, false, "how it was measured"),
    ("taken_at", T::Time, false, "when the sample was taken"),
    ("reading_age_s", T::Integer, false, "how long ago, s"),
];

const ALARMS: &[Field] = &[
    MODE,
    AT,
    ("active", T::Integer, false, "alarms whose cause lasts"),
    (
        "unacknowledged",
        T::Integer,
        false,
        "alarms that nobody has seen yet",
    ),
    (
        "alarms",
        T::List("alarm"),
        false,
        "all of them, latched ones included",
    ),
];

const ALARM: &[Field] = &[
    ("code", T::Text, false, "what it is about, for programs"),
    (
        "subject",
        T::Text,
        true,
        "which line, head, bottle or input; null when the whole",
    ),
    ("text", T::Text, false, "in words, with what to do"),
    ("since", T::Time, false, "when it was raised"),
    ("alarm_age_s", T::Integer, false, "how long ago, s"),
    ("active", T::Flag, false, "whether its cause lasts"),
    (
        "acknowledged",
        T::Flag,
        false,
        "whether somebody has seen it",
    ),
];

const EVENT: &[Field] = &[
    MODE,
    (
        "id",
        T::Integer,
        false,
        "number of the event; the same event always has the same",
    ),
    ("at", T::Time, false, "when it happened"),
    ("code", T::Text, false, "what happened, for programs"),
    ("line", T::Text, true, "the line concerned"),
    ("text", T::Text, false, "in words"),
    ("who", T::Text, false, "who caused it"),
    (
        "dropped_before",
        T::Integer,
        false,
        "events that were not published before this one; they are in the ledger",
    ),
];

const REPLY: &[Field] = &[
    MODE,
    (
        "id",
        T::Text,
        true,
        "id of the command, if it could be read",
    ),
    (
        "command",
        T::OneOf(&["hold", "resume", "dose", "acknowledge", "reading"]),
        false,
        "which command",
    ),
    ("accepted", T::Flag, false, "whether it was obeyed"),
    (
        "code",
        T::Text,
        true,
        "why not, for programs; null when accepted",
    ),
    ("text", T::Text, false, "what was done, or why not"),
    ("token", T::Text, true, "for the second step of a dose"),
    ("line", T::Text, true, "line of a dose"),
    ("solution", T::Text, true, "solution of a prepared dose"),
    (
        "caustic",
        T::Flag,
        true,
        "whether that solution burns skin and eyes",
    ),
    ("volume_ml", T::Number, true, "volume of a dose, mL"),
    ("run_time_s", T::Number, true, "how long it takes, s"),
    (
        "unusual",
        T::Flag,
        true,
        "more than three times the line's usual dose",
    ),
    (
        "dose",
        T::Integer,
        true,
        "number of a dose that was started",
    ),
    (
        "suppressed",
        T::Integer,
        false,
        "refusals before this one that were not answered because there were too many",
    ),
];

/// Name, where it is published (`ID` is the controller's), whether retained, and its keys.
type Message = (&'static str, Option<&'static str>, bool, &'static [Field]);

const MESSAGES: [Message; 14] = [
    ("status", Some("BASE/ID/status"), true, STATUS),
    ("controller", Some("BASE/ID/controller"), true, CONTROLLER),
    ("line", Some("BASE/ID/line/NAME"), true, LINE),
    ("reservoir", Some("BASE/ID/reservoir/NAME"), true, RESERVOIR),
    ("head", Some("BASE/ID/head/NAME"), true, HEAD),
    ("water", Some("BASE/ID/water"), true, WATER),
    ("alarms", Some("BASE/ID/alarms"), true, ALARMS),
    ("event", Some("BASE/ID/event"), false, EVENT),
    ("reply", Some("BASE/ID/reply"), false, REPLY),
    ("hold", None, false, HOLD),
    ("input", None, false, INPUT),
    ("reading", None, false, READING),
    ("alarm", None, false, ALARM),
    ("command", None, false, &[]),
];

/// The shape of every message, and where each is published.
pub fn schema() -> Value {
    let mut defs = Map::new();
    let mut topics = Map::new();
    for (name, topic, retained, fields) in MESSAGES {
        if fields.is_empty() {
            defs.insert(name.to_owned(), super::command::schema());
            continue;
        }
        defs.insert(name.to_owned(), object(fields));
        if let Some(topic) = topic {
            let entry = json!({ "message": format!("#/$defs/{name}"), "retained": retained });
            topics.insert(topic.to_owned(), entry);
        }
    }
    topics.insert(
        "BASE/ID/cmd/COMMAND".to_owned(),
        json!({ "message": "#/$defs/command", "retained": false }),
    );
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "messages of dosewright over MQTT",
        "topics": topics,
        "$defs": defs,
    })
}

fn object(fields: &[Field]) -> Value {
    let mut properties = Map::new();
    for (key, kind, nullable, text) in fields {
        properties.insert((*key).to_owned(), property(*kind, *nullable, text));
    }
    let required: Vec<&str> = fields.iter().map(|f| f.0).collect();
    json!({
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": false,
    })
}

fn property(kind: T, nullable: bool, text: &str) -> Value {
    let (name, mut more) = match kind {
        T::Text => ("string", json!({})),
        T::Time => ("string", json!({ "format": "date-time" })),
        T::Number => ("number", json!({})),
        T::Integer => ("integer", json!({})),
        T::Flag => ("boolean", json!({})),
        T::List(of) => (
            "array",
            json!({ "items": { "$ref": format!("#/$defs/{of}") } }),
        ),
        T::OneOf(values) => {
            let mut all: Vec<Value> = values.iter().map(|v| json!(v)).collect();
            if nullable {
                all.push(Value::Null);
            }
            ("string", json!({ "enum": all }))
        }
    };
    if let Value::Object(map) = &mut more {
        let types = if nullable {
            json!([name, "null"])
        } else {
            json!(name)
        };
        map.insert("type".to_owned(), types);
        map.insert("description".to_owned(), json!(text));
    }
    more
}
