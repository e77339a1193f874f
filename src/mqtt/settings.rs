//! What the client goes by: the owner's settings, and how long things may take.

use std::time::Duration;

use super::topics::Topics;
use crate::config::Mqtt;

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
    pub broker: Mqtt,
    pub timing: Timing,
}

impl From<Mqtt> for Settings {
    fn from(broker: Mqtt) -> Self {
        Self {
            broker,
            timing: Timing::default(),
        }
    }
}

impl Settings {
    /// Settings for a broker, everything else at its default.
    pub fn new(host: &str, port: u16) -> Self {
        Self::from(Mqtt::new(host, port))
    }

    /// The client id in force.
    pub fn client_id(&self, topics: &Topics) -> String {
        self.broker
            .client_id
            .clone()
            .unwrap_or_else(|| format!("dosewright-{}", topics.id()))
    }

    /// The topics of the controller on this machine.
    pub fn topics(&self, machine_id: &str) -> Topics {
        Topics::new(
            &self.broker.base_topic,
            &self.broker.discovery_prefix,
            machine_id,
        )
    }
}
