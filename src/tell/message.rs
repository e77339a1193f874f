//! A message as the owner's program gets it: text on standard input, and the facts in its environment.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::config::Mode;
use crate::engine::AlarmCode;

/// Longest text on standard input, in bytes: less than a pipe holds, so that writing it never waits.
const TEXT_BYTES_MAX: usize = 4_000;
/// Longest value in the environment, in bytes.
const VALUE_BYTES_MAX: usize = 1_000;

/// The code of the alarm that the daemon itself cannot raise.
pub(super) const SILENT: &str = "daemon-silent";

/// Where it is told from.
#[derive(Debug, Clone)]
pub(super) struct Place {
    pub(super) name: String,
    pub(super) mode: Mode,
    /// IANA name of the owner's zone.
    pub(super) time_zone: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Happened {
    Raised,
    /// Its cause is gone.
    Over,
}

#[derive(Debug, Clone)]
pub struct Message {
    pub happened: Happened,
    /// As `dosewright status --json` has it, or `daemon-silent`.
    pub code: String,
    /// Which line, head, bottle or input; empty when it is about the whole.
    pub subject: String,
    /// In words, with what to do.
    pub text: String,
    pub since: Timestamp,
    /// How many times it was raised since the last message on it; 0 when that one said that it stands.
    pub times: u32,
    /// Whether it cannot wait.
    pub urgent: bool,
    /// Alarms that were too many to be told.
    pub left_out: u32,
    pub(super) place: Option<Place>,
}

impl Message {
    pub(super) fn topic(&self) -> (String, String) {
        (self.code.clone(), self.subject.clone())
    }

    /// IANA name of the owner's zone, when the daemon has said it.
    pub fn time_zone(&self) -> Option<&str> {
        self.place.as_ref().map(|place| place.time_zone.as_str())
    }

    fn name(&self) -> &str {
        self.place
            .as_ref()
            .map_or("dosewright", |p| p.name.as_str())
    }

    /// Lines to read, the first one good for a subject.
    pub fn words(&self, zone: &TimeZone) -> String {
        let about = format!("{} {}", self.code, self.subject);
        let (name, about) = (self.name(), about.trim_end());
        let since = format!(
            "{} ({})",
            zone.to_datetime(self.since).strftime("%Y-%m-%d %H:%M"),
            zone.iana_name().unwrap_or("UTC")
        );
        let mut lines = match self.happened {
            Happened::Raised => vec![
                format!("{name}: ALARM {about}"),
                self.text.clone(),
                format!("since {since}"),
            ],
            Happened::Over => vec![
                format!("{name}: over: {about}"),
                if self.code == SILENT {
                    "the daemon answers again".to_owned()
                } else {
                    format!("it was: {}", self.text)
                },
                format!("raised at {since}"),
            ],
        };
        if self.times > 1 || (self.times == 1 && self.happened == Happened::Over) {
            lines.push(format!(
                "it was raised {} times since the last message on it",
                self.times
            ));
        }
        if self.place.as_ref().is_some_and(|p| p.mode == Mode::DryRun) {
            lines.push("this controller is in dry run: no output is driven".to_owned());
        }
        if self.left_out > 0 {
            lines.push(format!(
                "and {} more alarms before this one that are not told one by one",
                self.left_out
            ));
        }
        if self.code == AlarmCode::Test.as_str() {
            lines.push("nothing is to be done".to_owned());
        } else {
            lines.push("`dosewright status` shows what stands".to_owned());
        }
        clean(&lines.join("\n"), TEXT_BYTES_MAX, true)
    }

    /// The facts, each under a name that begins with `DOSEWRIGHT_`.
    pub fn facts(&self) -> Vec<(&'static str, String)> {
        let happened = match self.happened {
            Happened::Raised => "raised",
            Happened::Over => "over",
        };
        let mode = self.place.as_ref().map_or("", |place| place.mode.as_str());
        [
            ("DOSEWRIGHT_NAME", self.name().to_owned()),
            ("DOSEWRIGHT_MODE", mode.to_owned()),
            ("DOSEWRIGHT_HAPPENED", happened.to_owned()),
            ("DOSEWRIGHT_ALARM", self.code.clone()),
            ("DOSEWRIGHT_SUBJECT", self.subject.clone()),
            ("DOSEWRIGHT_TEXT", self.text.clone()),
            ("DOSEWRIGHT_SINCE", format!("{:.0}", self.since)),
            ("DOSEWRIGHT_TIMES", self.times.to_string()),
            (
                "DOSEWRIGHT_URGENT",
                if self.urgent { "yes" } else { "no" }.to_owned(),
            ),
            ("DOSEWRIGHT_LEFT_OUT", self.left_out.to_string()),
        ]
        .map(|(name, value)| (name, clean(&value, VALUE_BYTES_MAX, false)))
        .into()
    }
}

/// Without control characters, which terminals obey and an environment cannot hold, and of a length that is bounded.
fn clean(text: &str, bytes_max: usize, keep_lines: bool) -> String {
    let mut out = String::new();
    for c in text.chars() {
        let c = if c.is_control() && !(keep_lines && c == '\n') {
            ' '
        } else {
            c
        };
        if out.len().saturating_add(c.len_utf8()) > bytes_max {
            break;
        }
        out.push(c);
    }
    out
}
