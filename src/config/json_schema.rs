//! The table of keys as a JSON schema (draft 7, which editors' TOML tools read), so that a slip is underlined while it is typed.
//!
//! A schema knows names, types, ranges and words. How keys bear on each other is said by `dosewright check` only.

use serde_json::{Map, Value, json};

use super::keys;
use super::schema::{Key, Kind, Naming, Need, Range, Section};
use crate::chemistry::{Quantity, Unit};
use crate::quantity::{Name, i64_from_f64};

/// The schema of `controller.toml`.
pub fn controller_schema() -> Value {
    whole(
        &keys::controller::SECTION,
        "controller.toml: board, heads, bottles, limits, displays",
    )
}

/// The schema of `plan.toml`.
pub fn plan_schema() -> Value {
    whole(&keys::plan::SECTION, "plan.toml: daily volumes and times")
}

type Fields = Map<String, Value>;

fn set(fields: &mut Fields, name: &str, value: Value) {
    fields.insert(name.to_owned(), value);
}

fn whole(section: &Section, title: &str) -> Value {
    let mut schema = object(section);
    set(
        &mut schema,
        "$schema",
        json!("http://json-schema.org/draft-07/schema#"),
    );
    set(&mut schema, "title", json!(title));
    Value::Object(schema)
}

fn object(section: &Section) -> Fields {
    let properties: Map<String, Value> = section
        .keys
        .iter()
        .map(|key| (key.name.to_owned(), of_key(key)))
        .collect();
    let of = |wanted: fn(&Need) -> bool| -> Vec<&str> {
        let keys = section.keys.iter().filter(|key| wanted(&key.need));
        keys.map(|key| key.name).collect()
    };
    let mut schema = Fields::new();
    set(&mut schema, "type", json!("object"));
    set(&mut schema, "properties", Value::Object(properties));
    set(&mut schema, "additionalProperties", json!(false));
    let required = of(|need| matches!(need, Need::Required));
    if !required.is_empty() {
        set(&mut schema, "required", json!(required));
    }
    let replaced = section.keys.iter().find_map(|key| match key.need {
        Need::Unless(others) => Some(others),
        Need::Required | Need::Optional | Need::Number(_) | Need::Text(_) | Need::Flag(_) => None,
    });
    if let Some(others) = replaced {
        let ways = std::iter::once(of(|need| matches!(need, Need::Unless(_))))
            .chain(others.iter().map(|other| vec![*other]));
        let ways: Vec<Value> = ways.map(|keys| json!({ "required": keys })).collect();
        set(&mut schema, "anyOf", json!(ways));
    }
    if let Some(range) = section.element_mg {
        set(
            &mut schema,
            "patternProperties",
            json!({ format!("^({})-mg$", symbols()): number(range, "number") }),
        );
    }
    schema
}

fn symbols() -> String {
    let dissolved = Quantity::all().filter(|of| of.unit() == Unit::MgPerL);
    let all: Vec<String> = dissolved.map(|of| of.symbol().to_owned()).collect();
    all.join("|")
}

fn of_key(key: &Key) -> Value {
    let mut fields = Fields::new();
    let schema = &mut fields;
    match key.kind {
        Kind::Number(range) => *schema = number(range, "number"),
        Kind::Whole(range) => *schema = number(range, "integer"),
        Kind::Flag => set(schema, "type", json!("boolean")),
        Kind::Text(what) => {
            *schema = text();
            set(schema, "description", json!(what));
        }
        Kind::Choice(words) => set(schema, "enum", json!(words)),
        Kind::Texts(what) => {
            let list = json!({ "type": "array", "items": text(), "minItems": 1 });
            set(schema, "anyOf", json!([text(), list]));
            set(schema, "description", json!(what));
        }
        Kind::Choices(words) => {
            set(schema, "type", json!("array"));
            set(schema, "items", json!({ "enum": words }));
        }
        Kind::Table(section) => *schema = object(section),
        Kind::List(section) => {
            set(schema, "type", json!("array"));
            set(schema, "items", Value::Object(object(section)));
        }
        Kind::Named(section, naming) => {
            set(schema, "type", json!("object"));
            if let Naming::Quantity(keys) = naming {
                let own = Quantity::all().filter(|of| of.unit() != Unit::MgPerL);
                let own: Fields = own
                    .map(|of| (of.to_string(), Value::Object(object(keys(of.unit())))))
                    .collect();
                set(schema, "properties", Value::Object(own));
            }
            set(schema, "propertyNames", json!({ "pattern": names(naming) }));
            set(
                schema,
                "additionalProperties",
                Value::Object(object(section)),
            );
        }
    }
    match key.need {
        Need::Number(value) if matches!(key.kind, Kind::Whole(_)) => {
            set(schema, "default", json!(i64_from_f64(value)));
        }
        Need::Number(value) => set(schema, "default", json!(value)),
        Need::Text(word) => set(schema, "default", json!(word)),
        Need::Flag(flag) => set(schema, "default", json!(flag)),
        Need::Required | Need::Unless(_) | Need::Optional => {}
    }
    Value::Object(fields)
}

fn names(naming: Naming) -> String {
    match naming {
        Naming::Own => format!(
            "^[a-z][a-z0-9-]{{0,{}}}$",
            Name::LENGTH_MAX.saturating_sub(1)
        ),
        Naming::Quantity(_) => {
            let all: Vec<String> = Quantity::all().map(|of| of.to_string()).collect();
            format!("^({})$", all.join("|"))
        }
    }
}

fn text() -> Fields {
    let mut fields = Fields::new();
    set(&mut fields, "type", json!("string"));
    set(&mut fields, "minLength", json!(1));
    fields
}

fn number(range: Range, kind: &str) -> Fields {
    let mut fields = Fields::new();
    set(&mut fields, "type", json!(kind));
    set(&mut fields, "minimum", json!(range.low));
    set(&mut fields, "maximum", json!(range.high));
    set(&mut fields, "description", json!(range.words()));
    fields
}
