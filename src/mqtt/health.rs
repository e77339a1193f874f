//! How the connection is, for the status that people see.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::quantity::local;

/// State of the connection to the broker.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Health {
    /// The broker has let us in.
    pub connected: bool,
    /// Our own "online" has come back from the broker: it really passes on what we publish, and what we subscribe to.
    pub confirmed: bool,
    /// Since when we are connected, or, when we are not, since when displays may show old values.
    pub since: Option<Timestamp>,
    /// The last thing that went wrong, in words, with what to do.
    pub last_error: Option<String>,
    /// How many connections were lost or not made.
    pub failures: u64,
    /// Somebody else uses our client id or our topics; in words.
    pub id_in_use: Option<String>,
    /// Events that were not published because there were too many while nobody listened.
    pub events_dropped: u64,
    /// Commands that were not obeyed.
    pub commands_refused: u64,
}

impl Health {
    /// One line for people of this zone.
    pub fn text(&self, zone: &TimeZone) -> String {
        let since = |what: &str| {
            self.since.map_or_else(
                || what.to_owned(),
                |at| format!("{what} since {}", local(at, zone)),
            )
        };
        let mut text = match (self.connected, self.confirmed) {
            (true, true) => since("connected"),
            (true, false) => format!(
                "{}, but our own messages do not come back: the broker's access rules may not let us write or read our topics",
                since("connected")
            ),
            (false, _) => since("not connected, displays are stale"),
        };
        if let Some(in_use) = &self.id_in_use {
            text.push_str("; ");
            text.push_str(in_use);
        }
        if let Some(error) = self.last_error.as_ref().filter(|_| !self.connected) {
            text.push_str("; ");
            text.push_str(error);
        }
        text
    }
}
