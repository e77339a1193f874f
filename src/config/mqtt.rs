//! From the tree of `[mqtt]` to how displays are reached. The files it names are read by who connects.

use std::collections::BTreeSet;
use std::net::IpAddr;
use std::path::PathBuf;
use std::time::Duration;

use super::keys::{self, discovery, mqtt, tls};
use super::mistake::quoted;
use super::schema::{Of, Text, Whole};
use super::tree::RawTable;
use crate::quantity::worded;

worded! {
    /// What can be asked over the broker.
    pub enum RemoteKind {
        Hold = "hold",
        Resume = "resume",
        /// A dose by hand.
        Dose = "dose",
        /// An alarm has been seen.
        Acknowledge = "acknowledge",
        /// A water test result.
        Reading = "reading",
    }
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tls {
    /// PEM file of the authority.
    pub ca_file: PathBuf,
    /// PEM files of our certificate and its key.
    pub client: Option<(PathBuf, PathBuf)>,
}

/// `[mqtt]`, switched on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mqtt {
    /// The broker's name or address.
    pub host: String,
    pub port: u16,
    /// Client id; `None` for the one made from the machine.
    pub client_id: Option<String>,
    /// Where our topics begin.
    pub base_topic: String,
    /// Encryption; `None` for plain MQTT.
    pub tls: Option<Tls>,
    /// Where user name and password are.
    pub credential_file: Option<PathBuf>,
    /// Whether hubs get a description.
    pub discovery: bool,
    pub discovery_prefix: String,
    /// Commands that are allowed.
    pub commands: BTreeSet<RemoteKind>,
    /// Time between signs of life, whole seconds.
    pub keep_alive: Duration,
    /// Least time between two messages of one state topic.
    pub publish_interval: Duration,
    /// Oldest command that is obeyed.
    pub command_age_max: Duration,
}

impl Mqtt {
    /// Settings for a broker, everything else at its default.
    pub fn new(host: &str, port: u16) -> Self {
        Self {
            host: host.to_owned(),
            port,
            client_id: None,
            base_topic: "dosewright".to_owned(),
            tls: None,
            credential_file: None,
            discovery: true,
            discovery_prefix: "homeassistant".to_owned(),
            commands: BTreeSet::from([RemoteKind::Hold]),
            keep_alive: Duration::from_secs(20),
            publish_interval: Duration::from_secs(1),
            command_age_max: Duration::from_secs(30),
        }
    }

    /// Whether the broker is on this machine, so that nobody else is on the wire.
    pub fn is_loopback(&self) -> bool {
        let address = self.host.trim_matches(['[', ']']).parse::<IpAddr>();
        self.host == "localhost" || address.is_ok_and(|a| a.is_loopback())
    }
}

/// Checks `[mqtt]`. `None` when it is off or absent, or a mistake was found, which is then in the sink.
pub(super) fn build(raw: &RawTable) -> Option<Mqtt> {
    let table = raw.table(keys::controller::MQTT)?;
    let enabled = table.flag(mqtt::ENABLED)?;
    // All of them are looked at, so that all mistakes are named.
    let (host, base_topic) = (host(table, enabled), topic(table, mqtt::BASE_TOPIC));
    let (client_id, credential_file) = (client_id(table), path(table, mqtt::CREDENTIAL_FILE));
    let (tls, commands) = (table.table(mqtt::TLS).map(encryption), commands(table));
    let hubs = table.table(mqtt::DISCOVERY);
    let prefix = hubs.map(|hubs| topic(hubs, discovery::PREFIX));
    let defaults = Mqtt::new("", if tls.is_some() { 8883 } else { 1883 });
    let settings = Mqtt {
        host: host?,
        port: table.whole(mqtt::PORT).unwrap_or(defaults.port),
        client_id,
        base_topic: base_topic?,
        tls: tls.flatten(),
        credential_file,
        discovery: hubs.map_or(Some(defaults.discovery), |hubs| {
            hubs.flag(discovery::ENABLED)
        })?,
        discovery_prefix: prefix.unwrap_or(Some(defaults.discovery_prefix))?,
        commands,
        keep_alive: seconds(table, mqtt::KEEP_ALIVE_S)?,
        publish_interval: seconds(table, mqtt::PUBLISH_INTERVAL_S)?,
        command_age_max: seconds(table, mqtt::COMMAND_AGE_MAX_S)?,
    };
    if !enabled {
        return None;
    }
    doubts(&settings, table);
    Some(settings)
}

fn seconds(table: &RawTable, key: Of<Whole>) -> Option<Duration> {
    table.whole(key).map(Duration::from_secs)
}

fn host(table: &RawTable, enabled: bool) -> Option<String> {
    let Some(text) = table.text(mqtt::HOST) else {
        if enabled && !table.spoiled {
            table.sink.mistake(table.at, "mqtt.host is missing; give the broker's name or address, for example \"localhost\"");
        }
        return (!enabled).then(String::new);
    };
    let good =
        |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | ':' | '_' | '[' | ']');
    if text.len() > 253 || !text.chars().all(good) {
        let shown = quoted(text);
        table.sink.mistake(
            table.place(mqtt::HOST),
            format!("mqtt.host = \"{shown}\" is not a host name or address; give one without a scheme or port, for example \"localhost\""),
        );
        return None;
    }
    Some(text.to_owned())
}

fn client_id(table: &RawTable) -> Option<String> {
    let text = table.text(mqtt::CLIENT_ID)?;
    let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    if text.len() > 64 || !text.chars().all(good) {
        let shown = quoted(text);
        table.sink.mistake(
            table.place(mqtt::CLIENT_ID),
            format!("mqtt.client-id = \"{shown}\" cannot be used; give 1 to 64 letters, digits, hyphens, dots or underscores, or leave it out"),
        );
        return None;
    }
    Some(text.to_owned())
}

fn topic(table: &RawTable, key: Of<Text>) -> Option<String> {
    let text = table.text(key)?;
    let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.' | '/');
    let parts_good = text.split('/').all(|part| !part.is_empty());
    if text.len() > 100 || !parts_good || !text.chars().all(good) {
        let shown = quoted(text);
        table.refuse(
            key,
            format!("{key} = \"{shown}\" cannot begin a topic; give letters, digits, hyphens, dots and underscores, with single slashes between parts, at most 100")
        );
        return None;
    }
    Some(text.to_owned())
}

fn path(table: &RawTable, key: Of<Text>) -> Option<PathBuf> {
    let text = table.text(key)?;
    if !text.starts_with('/') {
        let shown = quoted(text);
        table.refuse(
            key,
            format!("{key} = \"{shown}\" is not a full path; begin it with /"),
        );
        return None;
    }
    Some(PathBuf::from(text))
}

fn encryption(table: &RawTable) -> Option<Tls> {
    let keys = [tls::CLIENT_CERT_FILE, tls::CLIENT_KEY_FILE];
    if let ([alone], false) = (given(table, keys).as_slice(), table.spoiled) {
        let why = "client-cert-file and client-key-file belong together; give both or neither";
        table.refuse(*alone, why);
    }
    let [cert, key] = keys.map(|key| path(table, key));
    Some(Tls {
        ca_file: path(table, tls::CA_FILE)?,
        client: cert.zip(key),
    })
}

fn given(table: &RawTable, keys: [Of<Text>; 2]) -> Vec<Of<Text>> {
    keys.into_iter().filter(|key| table.has(*key)).collect()
}

fn commands(table: &RawTable) -> BTreeSet<RemoteKind> {
    let Some(words) = table.texts(mqtt::COMMANDS) else {
        return BTreeSet::from([RemoteKind::Hold]);
    };
    let named = |kind: &RemoteKind| words.iter().any(|word| word.text == kind.as_str());
    let allowed: BTreeSet<RemoteKind> = RemoteKind::ALL.into_iter().filter(named).collect();
    if !allowed.contains(&RemoteKind::Hold) {
        table.sink.warn(
            table.place(mqtt::COMMANDS),
            "mqtt.commands leaves out hold: dosing cannot be stopped over the broker",
        );
    }
    allowed
}

fn doubts(settings: &Mqtt, table: &RawTable) {
    if settings.tls.is_none() && !settings.is_loopback() {
        let text = if settings.credential_file.is_some() {
            "mqtt goes over the network unencrypted, password included; add [mqtt.tls]"
        } else {
            "mqtt goes over the network unencrypted and without a password; anybody there can send the allowed commands"
        };
        table.sink.warn(table.place(mqtt::HOST), text);
    }
    if settings.commands.contains(&RemoteKind::Dose) {
        table.sink.warn(table.place(mqtt::HOST), "mqtt.commands allows dose: whoever can publish on the broker can start a pump, within the limits");
    }
}
