//! Finding outputs in a controller file that may be broken: what is recognised is switched off, the rest is named.
//!
//! Deliberately apart from the reader of the configuration, which refuses a file with a single mistake. A well-formed file is read
//! as TOML without any check of its other keys; anything else is scanned line by line.

use toml::Value;

use crate::config::{ActiveLevel, BoardDriver, LineBy, Output, parse_pin};

/// An output that was recognised.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recognised {
    /// What hangs on it.
    pub what: String,
    /// The pin and its level.
    pub output: Output,
    /// What had to be guessed; `None` when nothing had to.
    pub guess: Option<String>,
}

/// A PWM channel that was recognised.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecognisedPwm {
    /// What hangs on it.
    pub what: String,
    /// The chip, by its device.
    pub chip: String,
    pub channel: u8,
}

/// What a file says of its outputs.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Recognition {
    /// The driver; `None` when there is none in the file or it was not recognised.
    pub driver: Option<BoardDriver>,
    pub outputs: Vec<Recognised>,
    pub channels: Vec<RecognisedPwm>,
    /// What looked like an output and could not be read.
    pub lost: Vec<String>,
    /// Whether it says in well-formed TOML that nothing is driven. A file that had to be scanned proves nothing.
    pub dry_run: bool,
    /// Whether the file was no TOML and had to be scanned.
    pub scanned: bool,
}

/// One table as the pairs that matter here.
struct Pairs {
    name: String,
    pairs: Vec<(String, String)>,
}

impl Pairs {
    fn get(&self, key: &str) -> Option<&str> {
        let found = self.pairs.iter().rev().find(|(k, _)| k == key);
        found.map(|(_, value)| value.as_str())
    }
}

/// Reads the text of a controller file, whatever state it is in.
pub fn recognise(text: &str) -> Recognition {
    match text.parse::<toml::Table>() {
        Ok(table) => Recognition {
            dry_run: table.get("mode").and_then(Value::as_str) == Some("dry-run"),
            ..gather(&from_toml(&table), false)
        },
        Err(_) => gather(&scan(text), true),
    }
}

fn gather(tables: &[Pairs], scanned: bool) -> Recognition {
    let mut found = Recognition {
        scanned,
        ..Recognition::default()
    };
    for table in tables {
        if table.name == "board" {
            found.driver = driver(table);
            for (keys, what) in [
                (("cut-off", "cut-off-active"), "common cut-off"),
                (("heartbeat", ""), "heartbeat"),
                (("alarm", "alarm-active"), "alarm output"),
            ] {
                see(table, keys, what, Some("high"), &mut found);
            }
        } else if let Some(head) = table.name.strip_prefix("head.")
            && !head.ends_with(".simulated")
        {
            if let Some(head) = head.strip_suffix(".stepper") {
                stepper(table, head, &mut found);
                continue;
            }
            if let Some(head) = head.strip_suffix(".pwm") {
                pwm(table, head, &mut found);
                continue;
            }
            // Its outputs are in a table of their own.
            let own = ["stepper", "pwm"].map(|kind| format!("{}.{kind}", table.name));
            if table.get("output").is_none() && tables.iter().any(|other| own.contains(&other.name))
            {
                continue;
            }
            see(
                table,
                ("output", "active"),
                &format!("head {head}"),
                None,
                &mut found,
            );
        }
    }
    found
}

/// The pins of a stepper head: enable first, without which the motor has no current.
fn stepper(table: &Pairs, head: &str, found: &mut Recognition) {
    let pin = |keys: (&str, &str), level, found: &mut Recognition| {
        see(
            table,
            keys,
            &format!("head {head}, {}", keys.0),
            level,
            found,
        );
    };
    if table.get("enable").is_some() {
        pin(("enable", "enable-active"), None, found);
    }
    // A step input is on when high, whatever else stands there.
    let level = table.get("step").map(|_| "high");
    pin(("step", ""), level, found);
    if table.get("direction").is_some() {
        pin(("direction", "direction-level"), None, found);
    }
}

fn pwm(table: &Pairs, head: &str, found: &mut Recognition) {
    let what = format!("head {head}, PWM");
    let channel = table.get("channel").and_then(|text| text.parse().ok());
    match (table.get("chip"), channel) {
        (Some(chip), Some(channel)) => found.channels.push(RecognisedPwm {
            what,
            chip: chip.to_owned(),
            channel,
        }),
        (None, _) => found.lost.push(format!("{what}: no chip was recognised")),
        (Some(_), None) => found
            .lost
            .push(format!("{what}: no channel was recognised")),
    }
}

fn driver(table: &Pairs) -> Option<BoardDriver> {
    match table.get("driver")? {
        "rppal" => Some(BoardDriver::Rppal),
        "chardev" => Some(BoardDriver::Chardev {
            chip_label: table.get("chip-label")?.to_owned(),
            line_by: table
                .get("line-by")
                .and_then(LineBy::from_word)
                .unwrap_or(LineBy::Offset),
        }),
        _ => None,
    }
}

fn see(
    table: &Pairs,
    (pin_key, level_key): (&str, &str),
    what: &str,
    default: Option<&str>,
    found: &mut Recognition,
) {
    let Some(text) = table.get(pin_key) else {
        // A head without a readable output is a head that nobody can switch off.
        if default.is_none() {
            found.lost.push(format!("{what}: no output was recognised"));
        }
        return;
    };
    let Ok(gpio) = parse_pin(text) else {
        let shown: String = text.chars().filter(|c| !c.is_control()).take(40).collect();
        found.lost.push(format!("{what}: \"{shown}\" is not a pin"));
        return;
    };
    // A broken line can leave a pair without a key; it is nobody's level.
    let level = Some(level_key).filter(|key| !key.is_empty());
    let (active, guess) = match level.and_then(|key| table.get(key)).or(default) {
        Some("high") => (ActiveLevel::High, None),
        Some("low") => (ActiveLevel::Low, None),
        Some(_) | None => (
            ActiveLevel::High,
            Some("its active level was not recognised and taken for high".to_owned()),
        ),
    };
    found.outputs.push(Recognised {
        what: what.to_owned(),
        output: Output { gpio, active },
        guess,
    });
}

fn from_toml(table: &toml::Table) -> Vec<Pairs> {
    let texts = |name: String, table: &toml::Table| Pairs {
        name,
        pairs: table
            .iter()
            .filter_map(|(key, value)| match value {
                Value::String(text) => Some((key.clone(), text.clone())),
                Value::Integer(number) => Some((key.clone(), number.to_string())),
                Value::Float(_)
                | Value::Boolean(_)
                | Value::Datetime(_)
                | Value::Array(_)
                | Value::Table(_) => None,
            })
            .collect(),
    };
    let board = table.get("board").and_then(Value::as_table);
    let heads = table.get("head").and_then(Value::as_table);
    let heads = heads
        .into_iter()
        .flatten()
        .filter_map(|(name, head)| Some((name, head.as_table()?)))
        .flat_map(|(name, head)| {
            let inner = |kind: &str| {
                let table = head.get(kind).and_then(Value::as_table);
                table.map(|table| texts(format!("head.{name}.{kind}"), table))
            };
            let own = Some(texts(format!("head.{name}"), head));
            [own, inner("stepper"), inner("pwm")]
        })
        .flatten();
    board
        .map(|board| texts("board".to_owned(), board))
        .into_iter()
        .chain(heads)
        .collect()
}

/// Line by line: headings in brackets, and `key = "text"`.
fn scan(text: &str) -> Vec<Pairs> {
    let mut tables: Vec<Pairs> = Vec::new();
    for line in text.lines() {
        let line = line.trim();
        if let Some(heading) = line.strip_prefix('[') {
            let heading = heading.trim_start_matches('[');
            let name = heading.split(']').next().unwrap_or_default();
            let name = name
                .chars()
                .filter(|c| !c.is_whitespace() && *c != '"' && *c != '\'');
            tables.push(Pairs {
                name: name.collect(),
                pairs: Vec::new(),
            });
            continue;
        }
        let Some((key, value)) = line.split_once('=') else {
            continue;
        };
        if key.trim_start().starts_with('#') {
            continue;
        }
        let value = value.trim();
        // What is between quotes; without quotes, the first word.
        let value = match value.chars().next() {
            Some(quote @ ('"' | '\'')) => value.split(quote).nth(1).unwrap_or_default(),
            Some(_) | None => value
                .split(|c: char| c.is_whitespace() || c == '#')
                .next()
                .unwrap_or_default(),
        };
        // A dotted key at the top of the file names its table itself.
        let key = key.trim().trim_matches(['"', '\'']);
        match key.rsplit_once('.') {
            Some((table, key)) if table == "board" || table.starts_with("head.") => {
                let known = tables.iter_mut().find(|t| t.name == table);
                let pair = (key.to_owned(), value.to_owned());
                match known {
                    Some(table) => table.pairs.push(pair),
                    None => tables.push(Pairs {
                        name: table.to_owned(),
                        pairs: vec![pair],
                    }),
                }
            }
            Some(_) | None => {
                if let Some(table) = tables.last_mut() {
                    table.pairs.push((key.to_owned(), value.to_owned()));
                }
            }
        }
    }
    tables
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = "
mode = \"live\"
[board]
driver = \"rppal\"
cut-off = \"GPIO24\"
[head.alkalinity]
output = \"GPIO17\"   # header pin 11
active = \"high\"
[head.alkalinity.simulated]
scatter = 0.01
[head.calcium]
output = \"GPIO5\"
active = \"low\"
";

    fn pins(found: &Recognition) -> Vec<(u8, ActiveLevel)> {
        found
            .outputs
            .iter()
            .map(|r| (r.output.gpio, r.output.active))
            .collect()
    }

    #[test]
    fn all_outputs_of_a_good_file_are_found() {
        let found = recognise(GOOD);
        assert_eq!(found.driver, Some(BoardDriver::Rppal));
        assert!(!found.scanned);
        assert!(found.lost.is_empty());
        assert_eq!(
            pins(&found),
            vec![
                (24, ActiveLevel::High),
                (17, ActiveLevel::High),
                (5, ActiveLevel::Low)
            ]
        );
    }

    #[test]
    fn a_broken_file_loses_nothing_that_can_be_recognised() {
        let cases = [
            format!("{GOOD}\nthis is = = not toml"),
            format!("\"unclosed\n{GOOD}"),
            format!("{GOOD}{GOOD}"),
            GOOD.replace("mode = \"live\"", "mode = "),
            GOOD.replace("scatter = 0.01", "scatter = 0,01"),
            GOOD.replace('\n', "\r\n").replace("mode =", "mode"),
        ];
        for text in cases {
            let found = recognise(&text);
            assert!(found.scanned, "{text}");
            assert_eq!(found.driver, Some(BoardDriver::Rppal));
            for pin in [
                (24, ActiveLevel::High),
                (17, ActiveLevel::High),
                (5, ActiveLevel::Low),
            ] {
                assert!(pins(&found).contains(&pin), "{pin:?} lost in: {text}");
            }
        }
    }

    #[test]
    fn what_cannot_be_recognised_is_named_and_the_rest_is_still_found() {
        let text = GOOD.replace("output = \"GPIO17\"", "output = \"pin 11\"");
        let found = recognise(&text);
        assert_eq!(found.lost.len(), 1);
        assert!(found.lost[0].contains("alkalinity"), "{:?}", found.lost);
        assert!(pins(&found).contains(&(5, ActiveLevel::Low)));
        let found = recognise(&GOOD.replace("output = \"GPIO5\"", ""));
        assert!(found.lost[0].contains("calcium"), "{:?}", found.lost);
    }

    #[test]
    fn an_unknown_level_is_a_guess_that_is_said() {
        let found = recognise(&GOOD.replace("active = \"low\"", "active = \"off\""));
        let calcium = found.outputs.iter().find(|r| r.output.gpio == 5).unwrap();
        assert!(calcium.guess.is_some());
        assert!(found.outputs.iter().filter(|r| r.guess.is_some()).count() == 1);
    }

    const STEPPER: &str = "
[board]
driver = \"rppal\"
[head.calcium]
run-max-s = 20
[head.calcium.stepper]
step = \"GPIO17\"
direction = \"GPIO27\"
direction-level = \"low\"
enable = \"GPIO5\"
enable-active = \"low\"
steps-per-s = 1000
";

    #[test]
    fn all_three_pins_of_a_stepper_head_are_found_in_a_good_and_in_a_broken_file() {
        let (head, keys) = STEPPER.split_once("[head.calcium.stepper]\n").unwrap();
        let inline = format!(
            "{head}stepper = {{ {} }}\n",
            keys.trim().replace('\n', ", ")
        );
        for (text, scanned) in [
            (STEPPER.to_owned(), false),
            (format!("{STEPPER}= ="), true),
            (inline, false),
        ] {
            let found = recognise(&text);
            assert_eq!(found.scanned, scanned, "{text}");
            assert!(found.lost.is_empty(), "{:?}", found.lost);
            assert!(found.outputs.iter().all(|output| output.guess.is_none()));
            assert_eq!(
                pins(&found),
                vec![
                    (5, ActiveLevel::Low),
                    (17, ActiveLevel::High),
                    (27, ActiveLevel::Low)
                ]
            );
        }
    }

    #[test]
    fn a_stepper_head_whose_step_pin_is_lost_is_named() {
        let found = recognise(&STEPPER.replace("step = \"GPIO17\"", ""));
        assert!(found.lost[0].contains("calcium, step"), "{:?}", found.lost);
        assert_eq!(found.outputs.len(), 2);
    }

    const PWM: &str = "
[board]
driver = \"rppal\"
cut-off = \"GPIO24\"
[head.calcium]
run-max-s = 20
[head.calcium.pwm]
chip = \"fe20c000.pwm\"
channel = 1   # the second
pin = \"GPIO19\"
";

    #[test]
    fn the_channel_of_a_pwm_head_is_found_in_a_good_and_in_a_broken_file_and_its_pin_is_left_alone()
    {
        for (text, scanned) in [(PWM.to_owned(), false), (format!("{PWM}= ="), true)] {
            let found = recognise(&text);
            assert_eq!(found.scanned, scanned, "{text}");
            assert!(found.lost.is_empty(), "{:?}", found.lost);
            assert_eq!(pins(&found), vec![(24, ActiveLevel::High)]);
            let [channel] = found.channels.as_slice() else {
                panic!("{:?}", found.channels);
            };
            assert_eq!(
                (channel.chip.as_str(), channel.channel),
                ("fe20c000.pwm", 1)
            );
            assert!(channel.what.contains("calcium"));
        }
        for (old, new) in [("channel = 1", "channel = 300"), ("chip =", "chop =")] {
            let found = recognise(&PWM.replace(old, new));
            assert!(found.lost[0].contains("calcium, PWM"), "{:?}", found.lost);
        }
    }

    #[test]
    fn the_alarm_output_is_found_in_a_good_and_in_a_broken_file_at_its_own_level() {
        let file = GOOD.replace(
            "cut-off = \"GPIO24\"",
            "cut-off = \"GPIO24\"\nalarm = \"GPIO20\"\nalarm-active = \"low\"",
        );
        for text in [file.clone(), format!("{file}= =")] {
            let found = recognise(&text);
            let alarm = found.outputs.iter().find(|r| r.what == "alarm output");
            let alarm = alarm.unwrap();
            assert_eq!(alarm.output.gpio, 20, "{text}");
            assert_eq!(alarm.output.active, ActiveLevel::Low, "{text}");
            assert_eq!(alarm.guess, None);
        }
    }

    #[test]
    fn any_bytes_are_survived() {
        for text in [
            "",
            "[",
            "]",
            "=",
            "[head.",
            "[head.]\noutput=",
            "head.a.output='GPIO9'\n=",
            "\0[board]\ncut-off=\"",
        ] {
            recognise(text);
        }
    }
}
