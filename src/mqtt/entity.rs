//! What a hub accepts for an entity, as data.

use serde_json::{Map, Value, json};

/// A combination of platform, device class, state class and unit that hubs accept (`tests/mqtt/shapes.rs`). Units are case-sensitive.
#[derive(Debug, Clone, Copy)]
pub(super) struct Allowed {
    platform: &'static str,
    device_class: Option<&'static str>,
    state_class: Option<&'static str>,
    pub(super) unit: Option<&'static str>,
}

const fn sensor(
    device_class: Option<&'static str>,
    state_class: Option<&'static str>,
    unit: Option<&'static str>,
) -> Allowed {
    Allowed {
        platform: "sensor",
        device_class,
        state_class,
        unit,
    }
}

const fn binary(device_class: Option<&'static str>) -> Allowed {
    Allowed {
        platform: "binary_sensor",
        device_class,
        state_class: None,
        unit: None,
    }
}

/// Counted up; a fall to zero begins a new cycle.
pub(super) const VOLUME_INCREASING: Allowed =
    sensor(Some("volume"), Some("total_increasing"), Some("mL"));
/// Content of a bottle.
pub(super) const STORAGE: Allowed = sensor(Some("volume_storage"), Some("measurement"), Some("mL"));
pub(super) const DAYS: Allowed = sensor(Some("duration"), Some("measurement"), Some("d"));
/// A momentary volume: the class `volume` does not allow a measurement, so it has none.
pub(super) const PLAIN_ML: Allowed = sensor(None, Some("measurement"), Some("mL"));
/// A rate: the flow class does not know mL/min, so it has none.
pub(super) const RATE: Allowed = sensor(None, Some("measurement"), Some("mL/min"));
/// Alkalinity: no class knows dKH.
pub(super) const DKH: Allowed = sensor(None, Some("measurement"), Some("dKH"));
/// What is dissolved; like dKH without a class, whose units are then not looked at. Not in the run that the table is from.
pub(super) const MG_PER_L: Allowed = sensor(None, Some("measurement"), Some("mg/L"));
pub(super) const INSTANT: Allowed = sensor(Some("timestamp"), None, None);
/// One of several words.
pub(super) const WORDS: Allowed = sensor(Some("enum"), None, None);
pub(super) const TEXT: Allowed = sensor(None, None, None);
/// On = something is wrong.
pub(super) const PROBLEM: Allowed = binary(Some("problem"));
pub(super) const SAFETY: Allowed = binary(Some("safety"));
pub(super) const RUNNING: Allowed = binary(Some("running"));
/// On or off, nothing more.
pub(super) const PLAIN_BINARY: Allowed = binary(None);
pub(super) const BUTTON: Allowed = Allowed {
    platform: "button",
    device_class: None,
    state_class: None,
    unit: None,
};

/// One entity as it will be described to hubs.
#[derive(Debug, Clone)]
pub(super) struct Entity {
    /// Key in the discovery message and end of the unique id. Never changes.
    pub(super) key: String,
    what: Allowed,
    more: Map<String, Value>,
}

impl Entity {
    /// Something that shows a value out of a state topic.
    pub(super) fn shows(
        key: String,
        name: &str,
        what: Allowed,
        topic: &str,
        template: &str,
    ) -> Self {
        let mut entity = Self::bare(key, name, what);
        entity.set("state_topic", json!(topic));
        entity.set("value_template", json!(template));
        entity
    }

    /// Something that sends a command.
    pub(super) fn sends(key: String, name: &str, topic: &str, template: &str) -> Self {
        let mut entity = Self::bare(key, name, BUTTON);
        entity.set("command_topic", json!(topic));
        entity.set("command_template", json!(template));
        entity
    }

    fn bare(key: String, name: &str, what: Allowed) -> Self {
        let mut entity = Self {
            key,
            what,
            more: Map::new(),
        };
        entity.set("name", json!(name));
        for (key, value) in [
            ("device_class", what.device_class),
            ("state_class", what.state_class),
            ("unit_of_measurement", what.unit),
        ] {
            if let Some(value) = value {
                entity.set(key, json!(value));
            }
        }
        entity
    }

    fn set(&mut self, key: &str, value: Value) {
        self.more.insert(key.to_owned(), value);
    }

    /// With one more key.
    pub(super) fn with(mut self, key: &str, value: Value) -> Self {
        self.set(key, value);
        self
    }

    /// For the diagnostics page.
    pub(super) fn diagnostic(self) -> Self {
        self.with("entity_category", json!("diagnostic"))
    }

    /// Its part of the discovery message.
    pub(super) fn component(mut self, unique_prefix: &str) -> (String, Value) {
        let unique = format!("{unique_prefix}_{}", self.key);
        self.set("platform", json!(self.what.platform));
        self.set("unique_id", json!(unique));
        (self.key, Value::Object(self.more))
    }
}
