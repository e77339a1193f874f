//! Pins, always written with their numbering scheme.
//!
//! A header pin taken for a GPIO number once left a motor running at each boot (snaptec/openWB #2472: GPIO 26 was guarded, the
//! motor hung on header pin 26). So a bare number is refused, and `check` prints both numbers side by side.

/// Header pin and GPIO number of the 40-pin header of Raspberry-Pi-class boards (from memory of the public pin-out).
const HEADER: [(u8, u8); 28] = [
    (3, 2),
    (5, 3),
    (7, 4),
    (8, 14),
    (10, 15),
    (11, 17),
    (12, 18),
    (13, 27),
    (15, 22),
    (16, 23),
    (18, 24),
    (19, 10),
    (21, 9),
    (22, 25),
    (23, 11),
    (24, 8),
    (26, 7),
    (27, 0),
    (28, 1),
    (29, 5),
    (31, 6),
    (32, 12),
    (33, 13),
    (35, 19),
    (36, 16),
    (37, 26),
    (38, 20),
    (40, 21),
];

/// The header pin on which a GPIO of the 40-pin header comes out.
pub fn header_pin(gpio: u8) -> Option<u8> {
    let found = HEADER.iter().find(|(_, number)| *number == gpio);
    found.map(|(pin, _)| *pin)
}

/// Both numbers side by side, because one is easily taken for the other.
pub fn pin_words(gpio: u8) -> String {
    let pin = header_pin(gpio).map_or_else(
        || "no header pin".to_owned(),
        |pin| format!("header pin {pin}"),
    );
    format!("GPIO{gpio} ({pin})")
}

/// Reads `GPIO17`.
///
/// # Errors
/// Words that say what to write instead: for a bare number, a header pin, another spelling, a GPIO that is not on the header, and
/// GPIO0 and GPIO1, which the board itself uses at boot.
pub fn parse_pin(text: &str) -> Result<u8, String> {
    let folded: String = text.chars().filter(|c| !c.is_whitespace()).collect();
    let lower = folded.to_lowercase();
    let number = |digits: &str| digits.parse::<u8>().ok();
    if let Some(digits) = lower.strip_prefix("gpio") {
        let gpio = number(digits).filter(|gpio| folded == format!("GPIO{gpio}") && folded == text);
        return match gpio {
            Some(gpio @ 2..=27) => Ok(gpio),
            Some(0 | 1) => Err(
                "is used by the board at boot to identify an add-on; give GPIO2 to GPIO27"
                    .to_owned(),
            ),
            Some(_) => Err("is not on the 40-pin header; give GPIO2 to GPIO27".to_owned()),
            None => Err(
                "is not a pin; write GPIO and its number without spaces, GPIO2 to GPIO27"
                    .to_owned(),
            ),
        };
    }
    let bare = number(&lower);
    let header = [
        "headerpin",
        "header",
        "pin",
        "physical",
        "board",
        "p",
        "j8-",
    ]
    .iter()
    .find_map(|prefix| lower.strip_prefix(prefix).and_then(number));
    let on_header = |pin: u8| {
        HEADER
            .iter()
            .find(|(p, _)| *p == pin)
            .map(|(_, gpio)| *gpio)
    };
    match (bare, header) {
        (Some(bare), _) => Err(match on_header(bare) {
            Some(gpio) => format!(
                "has no numbering scheme: header pin {bare} is GPIO{gpio}, and GPIO{bare} is another pin; write \"GPIO\" and the GPIO number"
            ),
            None => "has no numbering scheme; write \"GPIO\" and the GPIO number".to_owned(),
        }),
        (None, Some(pin)) => Err(match on_header(pin) {
            Some(gpio) => format!(
                "counts pins of the header; write the GPIO number, header pin {pin} is GPIO{gpio}"
            ),
            None => format!(
                "counts pins of the header, and header pin {pin} is no GPIO; write \"GPIO\" and the GPIO number"
            ),
        }),
        (None, None) => Err("is not a pin; write GPIO and its number, GPIO2 to GPIO27".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_gpio_number_with_its_scheme_is_a_pin() {
        assert_eq!(parse_pin("GPIO17"), Ok(17));
        assert_eq!(parse_pin("GPIO2"), Ok(2));
        for bad in [
            "17", "pin 11", "PIN11", "GPIO 17", "gpio17", "GPIO017", "GPIO28", "GPIO0", "GPIO1",
            "GPIO-3", "GPIO256", "GPIO", "", "BCM17", "P1-11",
        ] {
            assert!(parse_pin(bad).is_err(), "{bad} was taken");
        }
    }

    #[test]
    fn a_header_pin_is_answered_with_its_gpio_number() {
        assert!(
            parse_pin("pin 11")
                .unwrap_err()
                .contains("header pin 11 is GPIO17")
        );
        assert!(
            parse_pin("26")
                .unwrap_err()
                .contains("header pin 26 is GPIO7")
        );
        assert!(parse_pin("pin 9").unwrap_err().contains("is no GPIO"));
        assert_eq!(header_pin(17), Some(11));
        assert_eq!(header_pin(40), None);
    }

    #[test]
    fn every_gpio_and_every_header_pin_stands_in_the_table_once() {
        let mut gpios: Vec<u8> = HEADER.iter().map(|(_, gpio)| *gpio).collect();
        gpios.sort_unstable();
        assert_eq!(gpios, (0..=27).collect::<Vec<u8>>());
        let mut pins: Vec<u8> = HEADER.iter().map(|(pin, _)| *pin).collect();
        pins.dedup();
        assert_eq!(pins.len(), 28);
    }
}
