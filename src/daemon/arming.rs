//! What the owner accepts before anything is driven: for which configuration, on which board, in which words.
//!
//! The acceptance is a row of the ledger with a fingerprint. The fingerprint covers the whole meaning of `controller.toml` (heads,
//! pins, inputs, limits, mode) and the board's model and serial number; when any of these changes it no longer matches, and the
//! daemon stays dry until it is armed again.

use std::path::Path;

use crate::config::{Controller, Head, fingerprint, rests_on_at_boot};

/// The sentence to type when every head's pin rests off while the board boots.
const SENTENCE: &str = "I have read the cautions and accept that pumps will run";

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Acceptance {
    /// Identifies configuration and board.
    pub fingerprint: String,
    /// The board, in words.
    pub hardware: String,
    /// The sentence to type, word for word.
    pub sentence: String,
}

impl Acceptance {
    /// What is accepted with this controller file on this machine.
    pub fn of(controller: &Controller, controller_fingerprint: &str) -> Self {
        let hardware = hardware();
        Self {
            fingerprint: format!("{controller_fingerprint}-{}", fingerprint(&hardware)),
            hardware,
            sentence: sentence(controller),
        }
    }

    /// Whether what was typed is the sentence; spacing and a full stop at the end do not matter.
    pub fn is_sentence(&self, typed: &str) -> bool {
        let words = |text: &str| {
            text.trim()
                .trim_end_matches('.')
                .split_whitespace()
                .map(str::to_lowercase)
                .collect::<Vec<_>>()
        };
        words(typed) == words(&self.sentence)
    }
}

/// A pin that rests on while the board boots must be named (FT-GPIO-04).
fn sentence(controller: &Controller) -> String {
    let resting_on: Vec<String> = controller
        .heads
        .values()
        .flat_map(pins_on_at_boot)
        .map(|gpio| format!("GPIO{gpio}"))
        .collect();
    if resting_on.is_empty() {
        return SENTENCE.to_owned();
    }
    format!("{SENTENCE}, also at boot on {}", resting_on.join(" and "))
}

/// The pins that the board's own pull holds, while the board boots, at the level that turns this head on, gives its motor current,
/// or makes a step. The direction input does none of that.
pub fn pins_on_at_boot(head: &Head) -> Vec<u8> {
    let pins = head.output.pins().into_iter();
    pins.filter(|(use_of, pin)| *use_of != "direction" && rests_on_at_boot(pin.gpio, pin.active))
        .map(|(_, pin)| pin.gpio)
        .collect()
}

/// The board's model and serial number, as far as the kernel tells.
fn hardware() -> String {
    let tell = |file: &str| {
        let path = Path::new("/proc/device-tree").join(file);
        let text = std::fs::read_to_string(path).unwrap_or_default();
        text.trim_matches(|c: char| c == '\0' || c.is_whitespace())
            .to_owned()
    };
    let (model, serial) = (tell("model"), tell("serial-number"));
    match (model.is_empty(), serial.is_empty()) {
        (true, _) => "a board without a device tree".to_owned(),
        (false, true) => model,
        (false, false) => format!("{model}, serial number {serial}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn acceptance(sentence: &str) -> Acceptance {
        Acceptance {
            fingerprint: String::new(),
            hardware: String::new(),
            sentence: sentence.to_owned(),
        }
    }

    #[test]
    fn the_sentence_must_be_typed_in_full() {
        let wanted = acceptance(SENTENCE);
        assert!(wanted.is_sentence(SENTENCE));
        assert!(wanted.is_sentence(&format!("  {}. ", SENTENCE.replace(' ', "  "))));
        for not in ["", "yes", "y", "I have read the cautions", "."] {
            assert!(!wanted.is_sentence(not), "{not:?} was taken");
        }
        assert!(
            !acceptance(&format!("{SENTENCE}, also at boot on GPIO5")).is_sentence(SENTENCE),
            "a pin that rests on must be named"
        );
    }
}
