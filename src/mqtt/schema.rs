//! The published shape of every message, as JSON Schema (draft 2020-12), made from the very types that are published.

use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, SchemaGenerator};
use serde_json::{Map, Value, json};

use super::payload::{ALARMS, Availability, COMMON, EventMessage, LISTS, Reply, WATER};
use crate::engine::{HeadStatus, LineStatus, ReservoirStatus, Status, WaterStatus};

type Keys = Map<String, Value>;

/// The shape of every message, and where each is published.
pub fn schema() -> Value {
    let mut generator = SchemaSettings::draft2020_12()
        .for_serialize()
        .into_generator();
    let mut whole = keys::<Status>(&mut generator);
    let common: Keys = COMMON
        .iter()
        .filter_map(|key| Some(((*key).to_owned(), whole.get(*key)?.clone())))
        .collect();
    let with_common = |part: Keys| part.into_iter().chain(common.clone()).collect();
    for (key, _) in LISTS {
        whole.remove(key);
    }
    whole.remove(WATER);
    let alarms = whole.remove_entry(ALARMS).into_iter().collect();
    let messages: [(&str, &str, Keys); 9] = [
        ("status", "status", keys::<Availability<'_>>(&mut generator)),
        ("controller", "controller", whole),
        (
            "line",
            "line/NAME",
            with_common(keys::<LineStatus>(&mut generator)),
        ),
        (
            "reservoir",
            "reservoir/NAME",
            with_common(keys::<ReservoirStatus>(&mut generator)),
        ),
        (
            "head",
            "head/NAME",
            with_common(keys::<HeadStatus>(&mut generator)),
        ),
        (
            "water",
            WATER,
            with_common(keys::<WaterStatus>(&mut generator)),
        ),
        ("alarms", ALARMS, with_common(alarms)),
        ("event", "event", keys::<EventMessage<'_>>(&mut generator)),
        ("reply", "reply", keys::<Reply>(&mut generator)),
    ];
    let mut defs = generator.take_definitions(true);
    for shape in defs.values_mut() {
        close(shape);
    }
    let mut topics = Map::new();
    for (name, topic, properties) in messages {
        let retained = !matches!(name, "event" | "reply");
        topics.insert(
            format!("BASE/ID/{topic}"),
            json!({ "message": format!("#/$defs/{name}"), "retained": retained }),
        );
        let mut shape = json!({ "type": "object", "properties": properties });
        close(&mut shape);
        defs.insert(name.to_owned(), shape);
    }
    topics.insert(
        "BASE/ID/cmd/COMMAND".to_owned(),
        json!({ "message": "#/$defs/command", "retained": false }),
    );
    defs.insert("command".to_owned(), super::command::schema());
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "messages of dosewright over MQTT",
        "topics": topics,
        "$defs": defs,
    })
}

/// The keys of a type, each with its shape.
fn keys<T: JsonSchema>(generator: &mut SchemaGenerator) -> Keys {
    let shape = T::json_schema(generator);
    let properties = shape.get("properties").and_then(Value::as_object);
    properties.cloned().unwrap_or_default()
}

/// Says of an object that no other key is there, and that all of its keys always are, but for those that its type leaves out.
fn close(shape: &mut Value) {
    let Some(map) = shape.as_object_mut() else {
        return;
    };
    let Some(properties) = map.get("properties").and_then(Value::as_object) else {
        return;
    };
    let all = json!(properties.keys().collect::<Vec<_>>());
    map.entry("required").or_insert(all);
    map.insert("additionalProperties".to_owned(), json!(false));
}
