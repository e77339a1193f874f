//! Both files with all tables: what `run`, `check` and `arm` load. `config` knows nothing of MQTT, so its table is joined here,
//! as is what this machine's PWM class says.

use std::path::Path;

use serde::Deserialize;
use toml::Spanned;

use crate::config::{ConfigMistakes, ForeignFinding, Loaded, load_with};
use crate::mqtt::{Defect, RawMqtt, Settings, Severity};
use crate::pump::PwmClass;

/// Both files, without a mistake.
#[derive(Debug, Clone)]
pub struct All {
    pub loaded: Loaded,
    /// `[mqtt]`; `None` when it is absent or not enabled.
    pub mqtt: Option<Settings>,
}

/// Reads and checks both files of a config directory, `[mqtt]` included.
///
/// # Errors
/// All mistakes of both files, each with its place.
pub fn load_all(dir: &Path) -> Result<All, ConfigMistakes> {
    let mut mqtt = None;
    let loaded = load_with(dir, &mut |text| {
        let (settings, found) = mqtt_table(text);
        mqtt = settings;
        let on_this_machine = super::pwm::findings(text, &PwmClass::system());
        found.into_iter().chain(on_this_machine).collect()
    })?;
    Ok(All { loaded, mqtt })
}

/// The one table that is read here; the others are not looked at.
#[derive(Deserialize)]
struct Outer {
    mqtt: Option<Spanned<RawMqtt>>,
}

/// Mistakes of the table's shape that are told at once at most.
const SHAPE_MISTAKES_MAX: usize = 20;

fn mqtt_table(text: &str) -> (Option<Settings>, Vec<ForeignFinding>) {
    let mut text = text.to_owned();
    let mut found = Vec::new();
    // The reader stops at its first mistake; the line with it is taken out, and it reads again.
    let outer = loop {
        let error = match toml::from_str::<Outer>(&text) {
            Ok(outer) => break outer,
            Err(error) => error,
        };
        let message = error.message().trim();
        // What is not TOML, or not a table, has been said by the reader of the rest.
        if message.starts_with("duplicate key") || message.contains("expected struct") {
            return (None, found);
        }
        let at = error.span().map_or(0, |span| span.start);
        found.push(ForeignFinding {
            at,
            is_mistake: true,
            message: format!("[mqtt]: {message}"),
        });
        match without_line(&text, at) {
            Some(rest) if found.len() < SHAPE_MISTAKES_MAX => text = rest,
            Some(_) | None => return (None, found),
        }
    };
    let Some(table) = outer.mqtt else {
        return (None, found);
    };
    let mut defects = Vec::new();
    let settings = table.get_ref().check(&mut defects);
    let start = table.span().start;
    let settings = settings.filter(|_| found.is_empty());
    found.extend(defects.into_iter().map(|d| finding(d, start)));
    (settings, found)
}

/// The text with the line at this place made a comment, every other place where it was; `None` when it is one already.
fn without_line(text: &str, at: usize) -> Option<String> {
    let start = text.get(..at)?.rfind('\n').map_or(0, |end| end + 1);
    let line = text.get(start..)?;
    let first = line.chars().next().filter(|c| *c != '#' && c.is_ascii())?;
    let rest = line.get(first.len_utf8()..)?;
    Some(format!("{}#{rest}", text.get(..start)?))
}

fn finding(defect: Defect, table: usize) -> ForeignFinding {
    ForeignFinding {
        at: defect.at.unwrap_or(table),
        is_mistake: defect.severity == Severity::Mistake,
        message: defect.message,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_mistakes_of_the_table_are_found_with_their_places() {
        let text = "name = \"a\"\n[mqtt]\nenabled = true\nhost = \"a b\"\nport = 99999\n";
        let (settings, found) = mqtt_table(text);
        assert_eq!(settings, None);
        let places: Vec<&str> = found
            .iter()
            .filter(|f| f.is_mistake)
            .map(|f| text.get(f.at..).unwrap().lines().next().unwrap())
            .collect();
        assert_eq!(places, ["\"a b\"", "99999"], "{found:?}");
    }

    #[test]
    fn a_key_that_does_not_exist_is_a_mistake_at_its_place() {
        let text = "[mqtt]\nenabled = false\nhots = \"localhost\"\n";
        let (_, found) = mqtt_table(text);
        assert_eq!(found.len(), 1);
        assert!(found[0].is_mistake && found[0].message.contains("hots"));
        assert!(text.get(found[0].at..).unwrap().starts_with("hots"));
    }

    #[test]
    fn every_key_that_does_not_exist_is_told_with_what_else_is_wrong() {
        let text = "[mqtt]\nenabled = true\nhots = \"a\"\nhost = \"a b\"\nprot = 1883\nport = \"x\"\n[mqtt.tls]\nca = 1\n";
        let (settings, found) = mqtt_table(text);
        assert_eq!(settings, None);
        let places: Vec<&str> = found
            .iter()
            .map(|f| text.get(f.at..).unwrap().split(' ').next().unwrap())
            .collect();
        for wanted in ["hots", "prot", "\"x\"\n[mqtt.tls]\nca", "\"a"] {
            assert!(places.contains(&wanted), "{wanted} of {places:?}");
        }
    }

    #[test]
    fn off_and_absent_are_the_same_and_on_gives_settings() {
        assert_eq!(mqtt_table("name = \"a\"\n"), (None, Vec::new()));
        assert_eq!(
            mqtt_table("[mqtt]\nhost = \"localhost\"\n"),
            (None, Vec::new())
        );
        let (settings, found) = mqtt_table("[mqtt]\nenabled = true\nhost = \"localhost\"\n");
        assert_eq!(settings.unwrap().port, 1883, "{found:?}");
    }
}
