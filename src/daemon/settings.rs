//! Both files with all tables: what `run`, `check` and `arm` load. `config` knows nothing of MQTT, so its table is joined here.

use std::path::Path;

use serde::Deserialize;
use toml::Spanned;

use crate::config::{ConfigMistakes, ForeignFinding, Loaded, load_with};
use crate::mqtt::{Defect, RawMqtt, Settings, Severity};

/// Both files, without a mistake.
#[derive(Debug, Clone)]
pub struct All {
    /// Controller and plan.
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
        found
    })?;
    Ok(All { loaded, mqtt })
}

/// The one table that is read here; the others are not looked at.
#[derive(Deserialize)]
struct Outer {
    mqtt: Option<Spanned<RawMqtt>>,
}

fn mqtt_table(text: &str) -> (Option<Settings>, Vec<ForeignFinding>) {
    let outer = match toml::from_str::<Outer>(text) {
        Ok(outer) => outer,
        Err(error) => {
            let message = error.message().trim();
            // What is not TOML, or not a table, has been said by the reader of the rest.
            if message.starts_with("duplicate key") || message.contains("expected struct") {
                return (None, Vec::new());
            }
            let found = ForeignFinding {
                at: error.span().map_or(0, |span| span.start),
                is_mistake: true,
                message: format!("[mqtt]: {message}"),
            };
            return (None, vec![found]);
        }
    };
    let Some(table) = outer.mqtt else {
        return (None, Vec::new());
    };
    let mut defects = Vec::new();
    let settings = table.get_ref().check(&mut defects);
    let start = table.span().start;
    let found = defects.into_iter().map(|d| finding(d, start)).collect();
    (settings, found)
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
