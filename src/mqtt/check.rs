//! `dosewright mqtt check`: tries every step with the settings and says what works and what does not.
//!
//! It logs in under a name of its own, so that it never throws the running daemon out, and leaves nothing on the broker.

use std::time::Duration;

use rumqttc::{Event, Packet, PublishOptions, QoS};
use tokio::net::TcpStream;
use tokio::time::{Instant, timeout, timeout_at};

use super::connection::Connection;
use super::credentials::Credentials;
use super::settings::Settings;

/// Longest wait for one step.
const STEP: Duration = Duration::from_secs(5);
/// How long an answer that need not come is waited for.
const MAYBE: Duration = Duration::from_secs(1);

/// Messages kept that came while something else was waited for.
const EARLY_MAX: usize = 8;

/// How a step went.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    Works,
    /// It does not; what follows was not tried if it needs this.
    Fails,
    Note,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// Which step: `credentials`, `network`, `login`, `publish`, `retained`, `discovery`, `daemon`.
    pub step: &'static str,
    pub verdict: Verdict,
    /// In words, with what to do.
    pub text: String,
}

/// All steps, in order.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Report {
    pub findings: Vec<Finding>,
}

impl Report {
    pub fn is_good(&self) -> bool {
        self.findings.iter().all(|f| f.verdict != Verdict::Fails)
    }

    fn add(&mut self, verdict: Verdict, step: &'static str, text: impl Into<String>) {
        let text = text.into();
        self.findings.push(Finding {
            step,
            verdict,
            text,
        });
    }

    fn works(&mut self, step: &'static str, text: impl Into<String>) {
        self.add(Verdict::Works, step, text);
    }

    fn fails(&mut self, step: &'static str, text: impl Into<String>) {
        self.add(Verdict::Fails, step, text);
    }

    fn note(&mut self, step: &'static str, text: impl Into<String>) {
        self.add(Verdict::Note, step, text);
    }
}

/// Connects with the settings and tries everything the daemon needs. Takes some seconds at most.
pub async fn check(settings: &Settings, machine_id: &str) -> Report {
    let mut report = Report::default();
    if !files_and_network(settings, &mut report).await {
        return report;
    }
    let topics = settings.topics(machine_id);
    let client_id = format!("dw-check-{}", topics.id());
    let mut probe = match Connection::open(settings, &client_id, None) {
        Ok(connection) => Probe {
            connection,
            early: Vec::new(),
        },
        Err(fault) => {
            report.fails("login", fault.text);
            return report;
        }
    };
    match probe
        .acknowledged(|packet| matches!(packet, Packet::ConnAck(_)))
        .await
    {
        Ok(()) => {
            let how = if settings.broker.tls.is_some() {
                "encrypted, certificate checked"
            } else {
                "not encrypted"
            };
            report.works("login", format!("the broker lets us in ({how})"));
        }
        Err(why) => {
            report.fails("login", why);
            return report;
        }
    }
    probe
        .publish_and_read(&topics.of("check"), &mut report)
        .await;
    probe.retained(&topics.of("check-kept"), &mut report).await;
    probe
        .seen(topics.discovery(), &topics.status(), settings, &mut report)
        .await;
    report
}

async fn files_and_network(settings: &Settings, report: &mut Report) -> bool {
    match &settings.broker.credential_file {
        None => report.note(
            "credentials",
            "no credential file: we log in without a name",
        ),
        Some(path) => match Credentials::read(path) {
            Ok(found) => report.works(
                "credentials",
                format!(
                    "user {} with a password from {}",
                    found.user,
                    path.display()
                ),
            ),
            Err(error) => {
                report.fails("credentials", error.to_string());
                return false;
            }
        },
    }
    if settings.broker.tls.is_none() && !settings.broker.is_loopback() {
        report.note(
            "network",
            "everything goes over the network unencrypted, a password too; see mqtt.tls",
        );
    }
    let host = settings.broker.host.trim_matches(['[', ']']);
    let place = format!("{}:{}", settings.broker.host, settings.broker.port);
    match timeout(STEP, TcpStream::connect((host, settings.broker.port))).await {
        Ok(Ok(_)) => {
            report.works("network", format!("something answers at {place}"));
            true
        }
        Ok(Err(error)) => {
            report.fails("network", format!("{place} cannot be reached: {error}; look at mqtt.host, mqtt.port and the broker"));
            false
        }
        Err(_) => {
            report.fails(
                "network",
                format!(
                    "no answer from {place} within {} s; look at mqtt.host and the network",
                    STEP.as_secs()
                ),
            );
            false
        }
    }
}

struct Probe {
    connection: Connection,
    /// Messages that came while something else was waited for; a handful at most.
    early: Vec<(String, bool, Vec<u8>)>,
}

impl Probe {
    /// Waits for a packet that `wanted` makes something of.
    async fn until<T>(
        &mut self,
        patience: Duration,
        mut wanted: impl FnMut(&Packet) -> Option<T>,
    ) -> Result<T, String> {
        let deadline = Instant::now() + patience;
        loop {
            match timeout_at(deadline, self.connection.reports.recv()).await {
                Ok(Some(Ok(Event::Incoming(packet)))) => {
                    self.keep(&packet);
                    if let Some(found) = wanted(&packet) {
                        return Ok(found);
                    }
                }
                Ok(Some(Ok(Event::Outgoing(_)))) => {}
                Ok(Some(Err(fault))) => return Err(fault.text),
                Ok(None) => return Err("the connection is gone".to_owned()),
                Err(_) => return Err(format!("nothing came within {} s", patience.as_secs())),
            }
        }
    }

    async fn acknowledged(&mut self, by: fn(&Packet) -> bool) -> Result<(), String> {
        self.until(STEP, |packet| by(packet).then_some(())).await
    }

    fn publish(&self, topic: &str, payload: &str, retained: bool) -> bool {
        let options = PublishOptions::new(QoS::AtLeastOnce).retain(retained);
        self.connection
            .client
            .try_publish(topic, payload.to_owned(), options)
            .is_ok()
    }

    /// Asks for a topic and waits until the broker has agreed. What it had kept there may come before that, so it is kept
    /// for [`Self::message`].
    async fn subscribe(&mut self, topic: &str) -> bool {
        let asked = self
            .connection
            .client
            .try_subscribe(topic, QoS::AtLeastOnce);
        asked.is_ok()
            && self
                .acknowledged(|packet| matches!(packet, Packet::SubAck(_)))
                .await
                .is_ok()
    }

    fn keep(&mut self, packet: &Packet) {
        if let Packet::Publish(p) = packet
            && self.early.len() < EARLY_MAX
        {
            let topic = String::from_utf8_lossy(&p.topic).into_owned();
            self.early.push((topic, p.retain, p.payload.to_vec()));
        }
    }

    async fn message(
        &mut self,
        topic: &str,
        patience: Duration,
    ) -> Result<(bool, Vec<u8>), String> {
        let early = std::mem::take(&mut self.early);
        if let Some((_, retain, payload)) = early.into_iter().find(|(t, _, _)| t == topic) {
            return Ok((retain, payload));
        }
        let found = self
            .until(patience, |packet| {
                let Packet::Publish(p) = packet else {
                    return None;
                };
                (p.topic.as_ref() == topic.as_bytes()).then(|| (p.retain, p.payload.to_vec()))
            })
            .await;
        self.early.clear();
        found
    }

    async fn publish_and_read(&mut self, topic: &str, report: &mut Report) {
        if !self.subscribe(topic).await || !self.publish(topic, "check", false) {
            report.fails("publish", "the client did not take the message");
            return;
        }
        match self.message(topic, STEP).await {
            Ok(_) => report.works("publish", "what we publish in our topics comes back to us"),
            Err(why) => report.fails("publish", format!("what we publish on {topic} does not come back: {why}; the broker's access rules must let this user write and read there"),
            ),
        }
    }

    async fn retained(&mut self, topic: &str, report: &mut Report) {
        if !self.publish(topic, "check", true) {
            report.fails("retained", "the client did not take the message");
            return;
        }
        let acknowledged = self
            .acknowledged(|packet| matches!(packet, Packet::PubAck(_)))
            .await;
        let kept = acknowledged.is_ok() && self.subscribe(topic).await;
        match self.message(topic, STEP).await {
            Ok((true, _)) if kept => report.works("retained", "the broker keeps the last state for displays that come later"),
            Ok(_) => report.fails("retained", "the broker passes messages on but does not keep them; switch retained messages on there"),
            Err(why) => report.fails("retained", format!("the broker does not give a kept message back: {why}; look at its access rules and whether it keeps retained messages")),
        }
        if self.publish(topic, "", true) {
            // Waits for the goodbye of the probe's own message, so that nothing stays behind.
            let _cleared = self
                .acknowledged(|packet| matches!(packet, Packet::PubAck(_)))
                .await;
        }
    }

    async fn seen(
        &mut self,
        description: &str,
        status: &str,
        settings: &Settings,
        report: &mut Report,
    ) {
        if settings.broker.discovery && self.subscribe(description).await {
            match self.message(description, MAYBE).await {
                Ok((_, payload)) => report.works("discovery", format!("a hub that looks at {description} finds this controller ({} bytes)", payload.len()),
                ),
                Err(_) => report.note("discovery", format!("nothing on {description} yet: it comes when the daemon has connected, or the access rules forbid it"),
                ),
            }
        }
        if self.subscribe(status).await {
            match self.message(status, MAYBE).await {
                Ok((_, payload)) => {
                    let online = payload.windows(8).any(|w| w == b"\"online\"");
                    let text = if online {
                        "the daemon is connected now"
                    } else {
                        "the daemon is not connected now"
                    };
                    report.note("daemon", text);
                }
                Err(_) => report.note(
                    "daemon",
                    "the daemon has never been connected to this broker",
                ),
            }
        }
    }
}
