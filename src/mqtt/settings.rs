//! The `[mqtt]` table: as it is written, and checked.
//!
//! The check collects every mistake with the byte where it stands; the caller turns bytes into lines and columns.

use std::collections::BTreeSet;
use std::net::IpAddr;
use std::path::PathBuf;
use std::time::Duration;

use serde::Deserialize;
use toml::Spanned;

use super::topics::Topics;

/// `[mqtt]` as it is written in `controller.toml`.
#[derive(Debug, Clone, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct RawMqtt {
    /// Whether to connect at all. Default: no.
    #[serde(default)]
    pub enabled: bool,
    /// The broker's name or address.
    pub host: Option<Spanned<String>>,
    /// Its port. Default: 1883, or 8883 with TLS.
    pub port: Option<Spanned<i64>>,
    /// The name this client logs in under. Default: `dosewright-` and the controller's id.
    pub client_id: Option<Spanned<String>>,
    /// Where our topics begin. Default: `dosewright`.
    pub base_topic: Option<Spanned<String>>,
    /// File with the user name in its first line and the password in its second.
    pub credential_file: Option<Spanned<String>>,
    /// Seconds between signs of life, 5 to 600. Default: 20.
    pub keep_alive_s: Option<Spanned<i64>>,
    /// Least seconds between two messages of one state topic, 1 to 3,600. Default: 1.
    pub publish_interval_s: Option<Spanned<i64>>,
    /// Oldest command that is still obeyed, 5 to 300 seconds. Default: 30.
    pub command_age_max_s: Option<Spanned<i64>>,
    /// Commands that may come over the broker. Default: `["hold"]`.
    pub commands: Option<Vec<Spanned<String>>>,
    pub discovery: Option<RawDiscovery>,
    pub tls: Option<RawTls>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct RawDiscovery {
    /// Whether to describe this controller to hubs. Default: yes.
    pub enabled: Option<bool>,
    /// Where hubs look. Default: `homeassistant`.
    pub prefix: Option<Spanned<String>>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct RawTls {
    /// PEM file of the authority that signed the broker's certificate.
    pub ca_file: Option<Spanned<String>>,
    /// PEM file of our certificate, if the broker wants one.
    pub client_cert_file: Option<Spanned<String>>,
    /// PEM file of its key.
    pub client_key_file: Option<Spanned<String>>,
}

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
    pub fn as_str(self) -> &'static str {
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

/// How long things may take. Not in the settings file; tests shorten them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Timing {
    /// From the first packet to the broker's answer.
    pub connect: Duration,
    /// First pause after a lost connection; doubles from there.
    pub back_off_first: Duration,
    pub back_off_max: Duration,
    /// First pause after a refused login.
    pub back_off_refused: Duration,
    /// Pause while another client uses our id.
    pub back_off_taken: Duration,
    /// A connection that lasted this long was a good one: the next pause is the first again.
    pub settled: Duration,
    /// How long retained leftovers are waited for after a connect when our own messages do not come back.
    pub echo: Duration,
    /// How often the controller's state is repeated.
    pub heartbeat: Duration,
    /// How often every other state topic is repeated, for its ages.
    pub refresh: Duration,
    /// Longest wait for the engine's answer to a command.
    pub answer: Duration,
    pub goodbye: Duration,
}

impl Default for Timing {
    fn default() -> Self {
        Self {
            connect: Duration::from_secs(5),
            back_off_first: Duration::from_millis(500),
            back_off_max: Duration::from_mins(1),
            back_off_refused: Duration::from_secs(30),
            back_off_taken: Duration::from_mins(2),
            settled: Duration::from_secs(10),
            echo: Duration::from_secs(2),
            heartbeat: Duration::from_mins(1),
            refresh: Duration::from_mins(10),
            answer: Duration::from_secs(10),
            goodbye: Duration::from_secs(2),
        }
    }
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
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
    /// How long things may take.
    pub timing: Timing,
}

impl Settings {
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
            timing: Timing::default(),
        }
    }

    /// The client id in force.
    pub fn client_id(&self, topics: &Topics) -> String {
        self.client_id
            .clone()
            .unwrap_or_else(|| format!("dosewright-{}", topics.id()))
    }

    /// The topics of the controller on this machine.
    pub fn topics(&self, machine_id: &str) -> Topics {
        Topics::new(&self.base_topic, &self.discovery_prefix, machine_id)
    }

    /// Whether the broker is on this machine, so that nobody else is on the wire.
    pub fn is_loopback(&self) -> bool {
        let address = self.host.trim_matches(['[', ']']).parse::<IpAddr>();
        self.host == "localhost" || address.is_ok_and(|a| a.is_loopback())
    }
}

/// How bad a finding of the check is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Severity {
    Mistake,
    Warning,
}

/// Something the check found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Defect {
    /// Byte of the file where it stands; `None` for the table as a whole.
    pub at: Option<usize>,
    pub severity: Severity,
    /// In words, with the key's path.
    pub message: String,
}

impl RawMqtt {
    /// Checks the table; what is wrong or doubtful is added to `found`. `None` when MQTT is off, or a mistake was found.
    pub fn check(&self, found: &mut Vec<Defect>) -> Option<Settings> {
        let mut checker = Checker {
            found,
            failed: false,
        };
        let tls = checker.tls(self.tls.as_ref());
        let host = checker.host(self.host.as_ref(), self.enabled);
        let default_port = if tls.is_some() { 8883 } else { 1883 };
        let port = checker.number("port", self.port.as_ref(), default_port, (1, 65_535), "");
        let mut settings = Settings::new(&host, u16::try_from(port).unwrap_or(1883));
        settings.client_id = checker.client_id(self.client_id.as_ref());
        if let Some(base) = checker.topic("base-topic", self.base_topic.as_ref()) {
            settings.base_topic = base;
        }
        let path = |text: &Spanned<String>| PathBuf::from(text.get_ref());
        settings.credential_file = self.credential_file.as_ref().map(path);
        checker.absolute("credential-file", self.credential_file.as_ref());
        settings.keep_alive =
            checker.seconds("keep-alive-s", self.keep_alive_s.as_ref(), 20, (5, 600));
        settings.publish_interval = checker.seconds(
            "publish-interval-s",
            self.publish_interval_s.as_ref(),
            1,
            (1, 3600),
        );
        settings.command_age_max = checker.seconds(
            "command-age-max-s",
            self.command_age_max_s.as_ref(),
            30,
            (5, 300),
        );
        if let Some(commands) = &self.commands {
            settings.commands = checker.commands(commands);
        }
        if let Some(discovery) = &self.discovery {
            settings.discovery = discovery.enabled.unwrap_or(true);
            if let Some(prefix) = checker.topic("discovery.prefix", discovery.prefix.as_ref()) {
                settings.discovery_prefix = prefix;
            }
        }
        settings.tls = tls;
        if self.enabled {
            checker.doubts(&settings, self);
        }
        (self.enabled && !checker.failed).then_some(settings)
    }
}

struct Checker<'a> {
    found: &'a mut Vec<Defect>,
    failed: bool,
}

impl Checker<'_> {
    fn mistake(&mut self, at: Option<usize>, message: String) {
        self.failed = true;
        self.found.push(Defect {
            at,
            severity: Severity::Mistake,
            message,
        });
    }

    fn warn(&mut self, at: Option<usize>, message: &str) {
        self.found.push(Defect {
            at,
            severity: Severity::Warning,
            message: message.to_owned(),
        });
    }

    fn host(&mut self, host: Option<&Spanned<String>>, enabled: bool) -> String {
        let Some(host) = host else {
            if enabled {
                self.mistake(
                    None,
                    "mqtt.host is missing; give the broker's name or address, for example \"localhost\"".to_owned(),
                );
            }
            return String::new();
        };
        let text = host.get_ref();
        let good =
            |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | ':' | '_' | '[' | ']');
        if text.is_empty() || text.len() > 253 || !text.chars().all(good) {
            self.mistake(
                Some(host.span().start),
                format!(
                    "mqtt.host = \"{}\" is not a host name or address; give one without a scheme or port, for example \"localhost\"",
                    short(text)
                ),
            );
        }
        text.clone()
    }

    fn number(
        &mut self,
        key: &str,
        value: Option<&Spanned<i64>>,
        default: i64,
        range: (i64, i64),
        unit: &str,
    ) -> i64 {
        let Some(value) = value else { return default };
        let number = *value.get_ref();
        let (low, high) = range;
        if (low..=high).contains(&number) {
            return number;
        }
        self.mistake(
            Some(value.span().start),
            format!("mqtt.{key} = {number} is out of range; give a whole number{unit} from {low} to {high}"),
        );
        default
    }

    fn seconds(
        &mut self,
        key: &str,
        value: Option<&Spanned<i64>>,
        default: i64,
        range: (i64, i64),
    ) -> Duration {
        let number = self.number(key, value, default, range, " of seconds");
        Duration::from_secs(u64::try_from(number).unwrap_or(0))
    }

    fn client_id(&mut self, id: Option<&Spanned<String>>) -> Option<String> {
        let id = id?;
        let text = id.get_ref();
        let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
        if text.is_empty() || text.len() > 64 || !text.chars().all(good) {
            self.mistake(
                Some(id.span().start),
                format!(
                    "mqtt.client-id = \"{}\" cannot be used; give 1 to 64 letters, digits, hyphens, dots or underscores, or leave it out",
                    short(text)
                ),
            );
            return None;
        }
        Some(text.clone())
    }

    fn topic(&mut self, key: &str, topic: Option<&Spanned<String>>) -> Option<String> {
        let topic = topic?;
        let text = topic.get_ref();
        let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.' | '/');
        let parts_good = text.split('/').all(|part| !part.is_empty());
        if text.len() > 100 || !parts_good || !text.chars().all(good) {
            self.mistake(
                Some(topic.span().start),
                format!(
                    "mqtt.{key} = \"{}\" cannot begin a topic; give letters, digits, hyphens, dots and underscores, with single slashes between parts, at most 100",
                    short(text)
                ),
            );
            return None;
        }
        Some(text.clone())
    }

    fn absolute(&mut self, key: &str, path: Option<&Spanned<String>>) {
        let Some(path) = path else { return };
        if !path.get_ref().starts_with('/') {
            self.mistake(
                Some(path.span().start),
                format!(
                    "mqtt.{key} = \"{}\" is not a full path; begin it with /",
                    short(path.get_ref())
                ),
            );
        }
    }

    fn tls(&mut self, tls: Option<&RawTls>) -> Option<Tls> {
        let tls = tls?;
        for (key, path) in [
            ("tls.ca-file", &tls.ca_file),
            ("tls.client-cert-file", &tls.client_cert_file),
            ("tls.client-key-file", &tls.client_key_file),
        ] {
            self.absolute(key, path.as_ref());
        }
        let Some(ca) = &tls.ca_file else {
            self.mistake(
                None,
                "mqtt.tls.ca-file is missing; give the PEM file of the authority that signed the broker's certificate".to_owned(),
            );
            return None;
        };
        let path = |text: &Spanned<String>| PathBuf::from(text.get_ref());
        let client = match (&tls.client_cert_file, &tls.client_key_file) {
            (Some(cert), Some(key)) => Some((path(cert), path(key))),
            (None, None) => None,
            (Some(one), None) | (None, Some(one)) => {
                self.mistake(
                    Some(one.span().start),
                    "mqtt.tls.client-cert-file and client-key-file belong together; give both or neither".to_owned(),
                );
                None
            }
        };
        Some(Tls {
            ca_file: path(ca),
            client,
        })
    }

    fn commands(&mut self, names: &[Spanned<String>]) -> BTreeSet<RemoteKind> {
        let mut out = BTreeSet::new();
        for name in names {
            match RemoteKind::ALL.iter().find(|k| k.as_str() == name.get_ref()) {
                Some(kind) => {
                    out.insert(*kind);
                }
                None => self.mistake(
                    Some(name.span().start),
                    format!(
                        "mqtt.commands has \"{}\", which is no command; the commands are: hold, resume, dose, acknowledge, reading",
                        short(name.get_ref())
                    ),
                ),
            }
        }
        if !out.contains(&RemoteKind::Hold) {
            self.warn(
                names.first().map(|n| n.span().start),
                "mqtt.commands leaves out hold: dosing cannot be stopped over the broker",
            );
        }
        out
    }

    fn doubts(&mut self, settings: &Settings, raw: &RawMqtt) {
        let at = raw.host.as_ref().map(|h| h.span().start);
        if settings.tls.is_none() && !settings.host.is_empty() && !settings.is_loopback() {
            let text = if settings.credential_file.is_some() {
                "mqtt goes over the network unencrypted, password included; add [mqtt.tls]"
            } else {
                "mqtt goes over the network unencrypted and without a password; anybody there can send the allowed commands"
            };
            self.warn(at, text);
        }
        if settings.commands.contains(&RemoteKind::Dose) {
            self.warn(
                at,
                "mqtt.commands allows dose: whoever can publish on the broker can start a pump, within the limits",
            );
        }
    }
}

/// A piece of the file as a message may quote it.
fn short(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(60)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(text: &str) -> (Option<Settings>, Vec<Defect>) {
        let raw: RawMqtt = toml::from_str(text).unwrap();
        let mut found = Vec::new();
        let settings = raw.check(&mut found);
        (settings, found)
    }

    #[test]
    fn it_is_off_unless_it_is_switched_on() {
        assert_eq!(check("").0, None);
        assert_eq!(check("host = \"localhost\"").0, None);
        let (on, found) = check("enabled = true\nhost = \"localhost\"");
        assert_eq!(on, Some(Settings::new("localhost", 1883)));
        assert_eq!(found, []);
    }

    #[test]
    fn only_hold_is_allowed_by_default() {
        let on = check("enabled = true\nhost = \"localhost\"").0.unwrap();
        assert_eq!(on.commands, BTreeSet::from([RemoteKind::Hold]));
    }

    #[test]
    fn every_mistake_is_reported_with_its_key_value_and_range() {
        let text = "enabled = true\nhost = \"mqtt://x\"\nport = 70000\nclient-id = \"a b\"\nbase-topic = \"a/#\"\n\
             credential-file = \"pw\"\nkeep-alive-s = 1\npublish-interval-s = 0\ncommand-age-max-s = 9999\n\
             commands = [\"hold\", \"fire\"]\n[discovery]\nprefix = \"/x\"\n[tls]\nclient-cert-file = \"/c\"\n";
        let (settings, found) = check(text);
        assert_eq!(settings, None);
        for want in [
            "mqtt.host = \"mqtt://x\"",
            "mqtt.port = 70000 is out of range; give a whole number from 1 to 65535",
            "mqtt.client-id = \"a b\"",
            "mqtt.base-topic = \"a/#\"",
            "mqtt.credential-file = \"pw\"",
            "mqtt.keep-alive-s = 1 is out of range; give a whole number of seconds from 5 to 600",
            "mqtt.publish-interval-s = 0",
            "mqtt.command-age-max-s = 9999",
            "mqtt.commands has \"fire\"",
            "mqtt.discovery.prefix = \"/x\"",
            "mqtt.tls.ca-file is missing",
        ] {
            let hit = found.iter().filter(|d| d.message.starts_with(want));
            assert_eq!(hit.count(), 1, "{want} in {found:#?}");
        }
        let port = found
            .iter()
            .find(|d| d.message.contains("mqtt.port"))
            .unwrap();
        assert_eq!(port.at, text.find("70000"));
    }

    #[test]
    fn an_unknown_key_is_refused() {
        assert!(toml::from_str::<RawMqtt>("insecure = true").is_err());
        assert!(toml::from_str::<RawMqtt>("[tls]\nskip-verify = true").is_err());
    }

    #[test]
    fn plain_mqtt_to_another_machine_is_warned_about_and_to_this_one_is_not() {
        let warned = |host: &str| {
            let (settings, found) = check(&format!("enabled = true\nhost = \"{host}\""));
            assert!(settings.is_some(), "{found:?}");
            found
                .iter()
                .any(|d| d.severity == Severity::Warning && d.message.contains("unencrypted"))
        };
        assert!(warned("192.0.2.7"));
        assert!(warned("broker.example"));
        assert!(!warned("127.0.0.1"));
        assert!(!warned("::1"));
        let tls = check("enabled = true\nhost = \"broker.example\"\n[tls]\nca-file = \"/ca.pem\"");
        assert_eq!(tls.1, []);
        assert_eq!(tls.0.unwrap().port, 8883);
    }
}
