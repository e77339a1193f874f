//! Making one connection: options, encryption, and what went wrong in words.
//!
//! Every connection gets a client and an event loop of its own: nothing that an old one had queued or in flight outlives it.

use std::fs;
use std::path::Path;
use std::time::Duration;

use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, EventLoop, LastWill, MqttOptions, QoS,
    StateError, TlsConfiguration, Transport,
};
use tokio::sync::mpsc;
use tokio::task::JoinSet;

use super::credentials::Credentials;
use super::settings::Settings;
use crate::config::Tls;

/// Longest message that is read; a longer one ends the connection.
const INCOMING_BYTES_MAX: usize = 2 * 1024 * 1024;
/// Longest packet that is sent.
const OUTGOING_BYTES_MAX: usize = 256 * 1024;
/// Messages sent and not yet acknowledged.
const IN_FLIGHT_MAX: u16 = 20;
/// Messages waiting to be sent inside the client library.
const REQUESTS_MAX: usize = 64;
/// What the connection reports and has not been looked at yet.
const REPORTS_MAX: usize = 32;
/// Beyond one keep-alive, this long without any sign from the event loop means that it hangs.
const WATCHDOG: Duration = Duration::from_secs(8);
/// Largest certificate or key file.
const PEM_BYTES_MAX: u64 = 1024 * 1024;

/// Why a connection ended or did not come about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum FaultKind {
    /// The broker does not let us in.
    Refused,
    /// The other side closed the connection.
    Closed,
    /// A message was too long to be read.
    TooLong,
    /// Anything else: network, name, certificate, time-out, file.
    Other,
}

/// A fault in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Fault {
    pub(super) kind: FaultKind,
    pub(super) text: String,
}

impl Fault {
    fn new(kind: FaultKind, text: impl Into<String>) -> Self {
        Self {
            kind,
            text: text.into(),
        }
    }
}

/// An open or opening connection.
pub(super) struct Connection {
    /// Where to publish; every call is tried, never waited for.
    pub(super) client: AsyncClient,
    /// What happens on it; closed after a fault.
    pub(super) reports: mpsc::Receiver<Result<Event, Fault>>,
    /// Ends with the connection.
    _poller: JoinSet<()>,
}

impl Connection {
    /// Begins to connect.
    ///
    /// # Errors
    /// When a credential, certificate or key file cannot be used.
    pub(super) fn open(
        settings: &Settings,
        client_id: &str,
        will: Option<LastWill>,
    ) -> Result<Self, Fault> {
        let options = options(settings, client_id, will)?;
        let (client, mut events) = AsyncClient::builder(options).capacity(REQUESTS_MAX).build();
        let mut network = events.network_options();
        network.set_connection_timeout(settings.timing.connect.as_secs().max(1));
        network.set_tcp_nodelay(true);
        events.set_network_options(network);
        let (tx, reports) = mpsc::channel(REPORTS_MAX);
        let patience = settings.broker.keep_alive.saturating_add(WATCHDOG);
        let host = format!("{}:{}", settings.broker.host, settings.broker.port);
        let encrypted = settings.broker.tls.is_some();
        let mut poller = JoinSet::new();
        poller.spawn(async move { poll(&mut events, &tx, patience, &host, encrypted).await });
        Ok(Self {
            client,
            reports,
            _poller: poller,
        })
    }
}

async fn poll(
    events: &mut EventLoop,
    tx: &mpsc::Sender<Result<Event, Fault>>,
    patience: Duration,
    host: &str,
    encrypted: bool,
) {
    loop {
        let report = match tokio::time::timeout(patience, events.poll()).await {
            Ok(Ok(event)) => Ok(event),
            Ok(Err(error)) => Err(fault(&error, host, encrypted)),
            Err(_) => Err(Fault::new(
                FaultKind::Other,
                format!("the broker at {host} does not answer any more"),
            )),
        };
        let over = report.is_err();
        if tx.send(report).await.is_err() || over {
            return;
        }
    }
}

fn options(
    settings: &Settings,
    client_id: &str,
    will: Option<LastWill>,
) -> Result<MqttOptions, Fault> {
    let broker = (
        settings.broker.host.trim_matches(['[', ']']),
        settings.broker.port,
    );
    let mut options = MqttOptions::new(client_id, broker);
    options.set_keep_alive(u16::try_from(settings.broker.keep_alive.as_secs()).unwrap_or(20));
    // A kept session would deliver commands that are hours old.
    options.set_clean_session(true);
    options.set_inflight(IN_FLIGHT_MAX);
    options.set_max_packet_size(INCOMING_BYTES_MAX, OUTGOING_BYTES_MAX);
    if let Some(will) = will {
        options.set_last_will(will);
    }
    if let Some(path) = &settings.broker.credential_file {
        let found =
            Credentials::read(path).map_err(|e| Fault::new(FaultKind::Refused, e.to_string()))?;
        options.set_credentials(found.user, found.password);
    }
    if let Some(tls) = &settings.broker.tls {
        options.set_transport(Transport::Tls(tls_configuration(tls)?));
    }
    Ok(options)
}

fn tls_configuration(tls: &Tls) -> Result<TlsConfiguration, Fault> {
    let client_auth = match &tls.client {
        Some((cert, key)) => Some((pem(cert)?, pem(key)?)),
        None => None,
    };
    Ok(TlsConfiguration::Simple {
        ca: pem(&tls.ca_file)?,
        alpn: None,
        client_auth,
    })
}

fn pem(path: &Path) -> Result<Vec<u8>, Fault> {
    let wrong = |why: String| {
        Fault::new(
            FaultKind::Refused,
            format!("certificate file {} cannot be used: {why}", path.display()),
        )
    };
    let bytes = fs::metadata(path).map_err(|e| wrong(e.to_string()))?.len();
    if bytes > PEM_BYTES_MAX {
        return Err(wrong(format!("it has {bytes} bytes, over {PEM_BYTES_MAX}")));
    }
    let text = fs::read(path).map_err(|e| wrong(e.to_string()))?;
    if text.windows(10).any(|w| w == b"-----BEGIN") {
        Ok(text)
    } else {
        Err(wrong("it holds no PEM block".to_owned()))
    }
}

/// A last will or any retained message, at least once.
pub(super) fn will(topic: &str, payload: &str) -> LastWill {
    LastWill::new(topic, payload, QoS::AtLeastOnce, true)
}

fn fault(error: &ConnectionError, host: &str, encrypted: bool) -> Fault {
    if let ConnectionError::ConnectionRefused(code) = error {
        return refused(*code, host);
    }
    if let ConnectionError::MqttState(StateError::Deserialization(inner)) = error {
        let text = inner.to_string();
        if text.contains("exceeds")
            || text.contains("Payload size")
            || format!("{inner:?}").contains("SizeLimit")
        {
            return Fault::new(
                FaultKind::TooLong,
                format!(
                    "a message of more than {INCOMING_BYTES_MAX} bytes came on one of our topics; it is thrown away"
                ),
            );
        }
        return Fault::new(
            FaultKind::Other,
            format!(
                "what answers at {host} does not speak plain MQTT ({text}); if that port is for TLS, add mqtt.tls"
            ),
        );
    }
    if matches!(error, ConnectionError::NetworkTimeout) {
        return Fault::new(
            FaultKind::Other,
            format!("no answer from {host}: nothing there, or it does not speak MQTT"),
        );
    }
    if let ConnectionError::Tls(inner) = error {
        return Fault::new(FaultKind::Other, tls_words(&inner.to_string(), host));
    }
    let closed = matches!(
        error,
        ConnectionError::MqttState(StateError::ConnectionAborted | StateError::Io(_))
    );
    if closed {
        let hint = if encrypted {
            ""
        } else {
            " (if that port is for TLS, add mqtt.tls)"
        };
        return Fault::new(
            FaultKind::Closed,
            format!("the broker at {host} closed the connection{hint}"),
        );
    }
    Fault::new(FaultKind::Other, format!("connection to {host}: {error}"))
}

fn refused(code: ConnectReturnCode, host: &str) -> Fault {
    let why = match code {
        ConnectReturnCode::NotAuthorized | ConnectReturnCode::BadUserNamePassword => {
            "the broker does not accept the user name and password; look at mqtt.credential-file and the broker's users"
        }
        ConnectReturnCode::BadClientId => {
            "the broker does not accept the client id; set mqtt.client-id"
        }
        ConnectReturnCode::RefusedProtocolVersion => "the broker does not speak MQTT 3.1.1",
        ConnectReturnCode::ServiceUnavailable => "the broker says it is not ready",
        ConnectReturnCode::Success => "the broker's answer makes no sense",
    };
    Fault::new(FaultKind::Refused, format!("refused by {host}: {why}"))
}

fn tls_words(text: &str, host: &str) -> String {
    let hint = if text.contains("UnknownIssuer") || text.contains("BadSignature") {
        "its certificate is not signed by the authority in mqtt.tls.ca-file"
    } else if text.contains("NotValidForName") {
        "its certificate is for another name; use that name in mqtt.host"
    } else if text.contains("Expired") || text.contains("NotValidYet") {
        "its certificate is not valid today; look at both clocks"
    } else if text.contains("CertificateRequired") || text.contains("HandshakeFailure") {
        "it may want a certificate from us; set mqtt.tls.client-cert-file and client-key-file"
    } else {
        "TLS could not be set up; is that port for TLS?"
    };
    let detail: String = text.chars().filter(|c| !c.is_control()).take(200).collect();
    format!("broker at {host}: {hint} ({detail})")
}
