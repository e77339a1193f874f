//! From the tree of `[mqtt]` to how displays are reached. The files it names are read by who connects.

use std::collections::BTreeSet;
use std::net::IpAddr;
use std::path::PathBuf;
use std::time::Duration;

use super::keys::{self, discovery, mqtt, tls};
use super::mistake::{Sink, quoted};
use super::schema::{Of, Text, Whole};
use super::tree::RawTable;

/// What can be asked over the broker.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum RemoteKind {
    Hold,
    Resume,
    /// A dose by hand.
    Dose,
    /// An alarm has been seen.
    Acknowledge,
    /// A water test result.
    Reading,
}

impl RemoteKind {
    pub const ALL: [Self; 5] = [
        Self::Hold,
        Self::Resume,
        Self::Dose,
        Self::Acknowledge,
        Self::Reading,
    ];

    /// Its name in settings and topics.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Hold => "hold",
            Self::Resume => "resume",
            Self::Dose => "dose",
            Self::Acknowledge => "acknowledge",
            Self::Reading => "reading",
        }
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
pub(super) fn build(raw: &RawTable, sink: &mut Sink<'_>) -> Option<Mqtt> {
    let table = raw.table(keys::controller::MQTT)?;
    let enabled = table.flag(mqtt::ENABLED)?;
    let tls = table.table(mqtt::TLS).map(|tls| encryption(tls, sink));
    let host = host(table, enabled, sink);
    let client_id = client_id(table, sink);
    let base_topic = topic(table, mqtt::BASE_TOPIC, sink);
    let credential_file = path(table, mqtt::CREDENTIAL_FILE, sink);
    let hubs = table.table(mqtt::DISCOVERY);
    let prefix = hubs.map(|hubs| topic(hubs, discovery::PREFIX, sink));
    let commands = commands(table, sink);
    let default_port = if tls.is_some() { 8883 } else { 1883 };
    let defaults = Mqtt::new("", default_port);
    let settings = Mqtt {
        host: host?,
        port: if table.has(mqtt::PORT) {
            table.whole(mqtt::PORT)?
        } else {
            default_port
        },
        client_id: client_id?,
        base_topic: base_topic?,
        tls: match tls {
            Some(tls) => Some(tls?),
            None => None,
        },
        credential_file: credential_file?,
        discovery: match hubs {
            Some(hubs) => hubs.flag(discovery::ENABLED)?,
            None => defaults.discovery,
        },
        discovery_prefix: match prefix {
            Some(prefix) => prefix?,
            None => defaults.discovery_prefix,
        },
        commands,
        keep_alive: seconds(table, mqtt::KEEP_ALIVE_S)?,
        publish_interval: seconds(table, mqtt::PUBLISH_INTERVAL_S)?,
        command_age_max: seconds(table, mqtt::COMMAND_AGE_MAX_S)?,
    };
    if !enabled {
        return None;
    }
    doubts(&settings, table.place(mqtt::HOST), sink);
    Some(settings)
}

fn seconds(table: &RawTable, key: Of<Whole>) -> Option<Duration> {
    table.whole(key).map(Duration::from_secs)
}

fn host(table: &RawTable, enabled: bool, sink: &mut Sink<'_>) -> Option<String> {
    let Some(text) = table.text(mqtt::HOST) else {
        if enabled && !table.spoiled {
            sink.mistake(
                table.at,
                "mqtt.host is missing; give the broker's name or address, for example \"localhost\"",
            );
        }
        return (!enabled).then(String::new);
    };
    let good =
        |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | ':' | '_' | '[' | ']');
    if text.len() > 253 || !text.chars().all(good) {
        let shown = quoted(text);
        sink.mistake(
            table.place(mqtt::HOST),
            format!("mqtt.host = \"{shown}\" is not a host name or address; give one without a scheme or port, for example \"localhost\""),
        );
        return None;
    }
    Some(text.to_owned())
}

/// The outer `None` is a mistake.
#[expect(
    clippy::option_option,
    reason = "a mistake, and a name that is not given"
)]
fn client_id(table: &RawTable, sink: &mut Sink<'_>) -> Option<Option<String>> {
    let Some(text) = table.text(mqtt::CLIENT_ID) else {
        return Some(None);
    };
    let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    if text.len() > 64 || !text.chars().all(good) {
        let shown = quoted(text);
        sink.mistake(
            table.place(mqtt::CLIENT_ID),
            format!("mqtt.client-id = \"{shown}\" cannot be used; give 1 to 64 letters, digits, hyphens, dots or underscores, or leave it out"),
        );
        return None;
    }
    Some(Some(text.to_owned()))
}

fn topic(table: &RawTable, key: Of<Text>, sink: &mut Sink<'_>) -> Option<String> {
    let text = table.text(key)?;
    let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.' | '/');
    let parts_good = text.split('/').all(|part| !part.is_empty());
    if text.len() > 100 || !parts_good || !text.chars().all(good) {
        let shown = quoted(text);
        table.refuse(
            key,
            format!("{key} = \"{shown}\" cannot begin a topic; give letters, digits, hyphens, dots and underscores, with single slashes between parts, at most 100"),
            sink,
        );
        return None;
    }
    Some(text.to_owned())
}

/// The outer `None` is a mistake.
#[expect(
    clippy::option_option,
    reason = "a mistake, and a file that is not given"
)]
fn path(table: &RawTable, key: Of<Text>, sink: &mut Sink<'_>) -> Option<Option<PathBuf>> {
    let Some(text) = table.text(key) else {
        return Some(None);
    };
    if !text.starts_with('/') {
        let shown = quoted(text);
        table.refuse(
            key,
            format!("{key} = \"{shown}\" is not a full path; begin it with /"),
            sink,
        );
        return None;
    }
    Some(Some(PathBuf::from(text)))
}

fn encryption(table: &RawTable, sink: &mut Sink<'_>) -> Option<Tls> {
    let ca_file = path(table, tls::CA_FILE, sink);
    let cert = path(table, tls::CLIENT_CERT_FILE, sink);
    let key = path(table, tls::CLIENT_KEY_FILE, sink);
    let client = match (cert?, key?) {
        (Some(cert), Some(key)) => Some((cert, key)),
        (None, None) => None,
        (cert, _) => {
            let alone = if cert.is_some() {
                tls::CLIENT_CERT_FILE
            } else {
                tls::CLIENT_KEY_FILE
            };
            if !table.spoiled {
                table.refuse(
                    alone,
                    "client-cert-file and client-key-file belong together; give both or neither",
                    sink,
                );
            }
            return None;
        }
    };
    Some(Tls {
        ca_file: ca_file??,
        client,
    })
}

fn commands(table: &RawTable, sink: &mut Sink<'_>) -> BTreeSet<RemoteKind> {
    let Some(words) = table.texts(mqtt::COMMANDS) else {
        return BTreeSet::from([RemoteKind::Hold]);
    };
    let named = |kind: &RemoteKind| words.iter().any(|word| word.text == kind.as_str());
    let allowed: BTreeSet<RemoteKind> = RemoteKind::ALL.into_iter().filter(named).collect();
    if !allowed.contains(&RemoteKind::Hold) {
        sink.warn(
            table.place(mqtt::COMMANDS),
            "mqtt.commands leaves out hold: dosing cannot be stopped over the broker",
        );
    }
    allowed
}

fn doubts(settings: &Mqtt, at: usize, sink: &mut Sink<'_>) {
    if settings.tls.is_none() && !settings.is_loopback() {
        let text = if settings.credential_file.is_some() {
            "mqtt goes over the network unencrypted, password included; add [mqtt.tls]"
        } else {
            "mqtt goes over the network unencrypted and without a password; anybody there can send the allowed commands"
        };
        sink.warn(at, text);
    }
    if settings.commands.contains(&RemoteKind::Dose) {
        sink.warn(
            at,
            "mqtt.commands allows dose: whoever can publish on the broker can start a pump, within the limits",
        );
    }
}
