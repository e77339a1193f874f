//! `[mqtt]`: on and off, every mistake with its place, what is doubtful, and what it has to do with arming.

use std::collections::BTreeSet;

use super::super::mqtt::{Mqtt, RemoteKind};
use super::{CONTROLLER, PLAN, check, edited, mistakes, place_of};

/// The sample with another `[mqtt]` in place of its own.
fn with(mqtt: &str) -> String {
    let at = CONTROLLER.find("[mqtt]").unwrap();
    format!("{}{mqtt}", &CONTROLLER[..at])
}

fn settings(mqtt: &str) -> Option<Mqtt> {
    check(&with(mqtt), PLAN)
        .unwrap_or_else(|error| panic!("{error}"))
        .mqtt
}

fn warnings(mqtt: &str) -> Vec<String> {
    let loaded = check(&with(mqtt), PLAN).unwrap_or_else(|error| panic!("{error}"));
    loaded.warnings.iter().map(ToString::to_string).collect()
}

#[test]
fn it_is_off_unless_it_is_switched_on() {
    assert_eq!(settings(""), None);
    assert_eq!(settings("[mqtt]\n"), None);
    assert_eq!(settings("[mqtt]\nhost = \"localhost\"\n"), None);
    let on = settings("[mqtt]\nenabled = true\nhost = \"localhost\"\n");
    assert_eq!(on, Some(Mqtt::new("localhost", 1883)));
    assert_eq!(
        on.unwrap().commands,
        BTreeSet::from([RemoteKind::Hold]),
        "only hold is allowed by default"
    );
}

#[test]
fn every_command_that_there_is_can_be_allowed_and_no_other() {
    let all: Vec<String> = RemoteKind::ALL
        .iter()
        .map(|kind| format!("\"{}\"", kind.as_str()))
        .collect();
    let text = format!(
        "[mqtt]\nenabled = true\nhost = \"localhost\"\ncommands = [{}]\n",
        all.join(", ")
    );
    assert_eq!(
        settings(&text).unwrap().commands,
        RemoteKind::ALL.into_iter().collect()
    );
    let none = "[mqtt]\nenabled = true\nhost = \"localhost\"\ncommands = []\n";
    assert!(settings(none).unwrap().commands.is_empty());
    assert!(warnings(none)[0].contains("mqtt.commands leaves out hold"));
}

#[test]
fn every_mistake_is_told_at_its_place_with_its_key_value_and_range() {
    let text = with(
        "[mqtt]\nenabled = true\nhost = \"mqtt://x\"\nport = 70000\nclient-id = \"a b\"\nbase-topic = \"a/#\"\n\
         credential-file = \"pw\"\nkeep-alive-s = 1\npublish-interval-s = 0\ncommand-age-max-s = 9999\n\
         commands = [\"hold\", \"fire\", \"doze\"]\n[mqtt.discovery]\nprefix = \"/x\"\n[mqtt.tls]\nclient-cert-file = \"/c\"\n",
    );
    let found = mistakes(&text, PLAN);
    for (value, want) in [
        (
            "\"mqtt://x\"",
            "mqtt.host = \"mqtt://x\" is not a host name",
        ),
        (
            "70000",
            "mqtt.port = 70000 is out of range; give 1 to 65535",
        ),
        ("\"a b\"", "mqtt.client-id = \"a b\" cannot be used"),
        ("\"a/#\"", "mqtt.base-topic = \"a/#\" cannot begin a topic"),
        ("\"pw\"", "mqtt.credential-file = \"pw\" is not a full path"),
        (
            "1\npublish",
            "mqtt.keep-alive-s = 1 is out of range; give 5 to 600 s",
        ),
        (
            "0\ncommand-age",
            "mqtt.publish-interval-s = 0 is out of range",
        ),
        ("9999", "mqtt.command-age-max-s = 9999 is out of range"),
        (
            "\"fire\"",
            "mqtt.commands has \"fire\", which is none of its words; give",
        ),
        (
            "\"doze\"",
            "mqtt.commands has \"doze\", which is none of its words; did you mean \"dose\"?",
        ),
        (
            "\"/x\"",
            "mqtt.discovery.prefix = \"/x\" cannot begin a topic",
        ),
        ("tls]", "mqtt.tls.ca-file is missing"),
        (
            "\"/c\"",
            "mqtt.tls.client-cert-file and client-key-file belong together",
        ),
    ] {
        let start = format!("controller.toml:{}: {want}", place_of(&text, value));
        let hit = found.iter().filter(|m| m.starts_with(&start));
        assert_eq!(hit.count(), 1, "{start} in {found:#?}");
    }
    assert_eq!(found.len(), 13, "{found:#?}");
}

#[test]
fn a_slip_is_told_with_the_key_that_was_meant_and_with_all_else_that_is_wrong() {
    let text = with(
        "[mqtt]\nenabled = true\nhots = \"a\"\nprot = 1883\nclient-id = \"a b\"\n[mqtt.tls]\nca-fil = 1\nskip-verify = true\n",
    );
    let found = mistakes(&text, PLAN);
    for want in [
        "mqtt.hots is an unknown key; did you mean host?",
        "mqtt.prot is an unknown key; did you mean port?",
        "mqtt.client-id",
        "mqtt.tls.ca-fil is an unknown key; did you mean ca-file?",
        "mqtt.tls.skip-verify is an unknown key",
    ] {
        assert!(found.iter().any(|m| m.contains(want)), "{want}: {found:#?}");
    }
    assert_eq!(found.len(), 5, "{found:#?}");
}

#[test]
fn a_number_that_is_none_elsewhere_is_not_put_down_to_mqtt() {
    let text = edited(CONTROLLER, "volume-l = 300", "volume-l = 1e999");
    let found = mistakes(&text, PLAN);
    assert_eq!(found.len(), 1, "{found:#?}");
    assert!(
        found[0].contains("tank.volume-l = 1e999 is no finite number"),
        "{}",
        found[0]
    );
}

#[test]
fn enabled_needs_a_host_and_a_certificate_its_key() {
    let found = mistakes(&with("[mqtt]\nenabled = true\n"), PLAN);
    assert!(
        found.len() == 1 && found[0].contains("mqtt.host is missing"),
        "{found:#?}"
    );
    let half = "[mqtt]\nenabled = true\nhost = \"localhost\"\n[mqtt.tls]\nca-file = \"/ca\"\nclient-key-file = \"/k\"\n";
    let found = mistakes(&with(half), PLAN);
    assert!(
        found.len() == 1
            && found[0].contains("mqtt.tls.client-cert-file and client-key-file belong together"),
        "{found:#?}"
    );
}

#[test]
fn plain_mqtt_to_another_machine_is_warned_about_and_to_this_one_is_not() {
    let warned = |host: &str| {
        let found = warnings(&format!("[mqtt]\nenabled = true\nhost = \"{host}\"\n"));
        found.iter().any(|warning| warning.contains("unencrypted"))
    };
    assert!(warned("192.0.2.7"));
    assert!(warned("broker.example"));
    assert!(!warned("127.0.0.1"));
    assert!(!warned("::1"));
    let tls =
        "[mqtt]\nenabled = true\nhost = \"broker.example\"\n[mqtt.tls]\nca-file = \"/ca.pem\"\n";
    assert_eq!(warnings(tls), Vec::<String>::new());
    assert_eq!(settings(tls).unwrap().port, 8883);
}

#[test]
fn a_broker_does_not_bear_on_dosing_and_a_cap_does() {
    let fingerprint = |text: &str| check(text, PLAN).unwrap().controller_fingerprint;
    let sample = fingerprint(CONTROLLER);
    let other_broker =
        "[mqtt]\nenabled = true\nhost = \"192.0.2.7\"\ncommands = [\"hold\", \"resume\"]\n";
    assert_eq!(fingerprint(&with(other_broker)), sample);
    assert_eq!(fingerprint(&with("")), sample);
    let other_cap = edited(CONTROLLER, "daily-cap-ml = 12\n", "daily-cap-ml = 13\n");
    assert_ne!(fingerprint(&other_cap), sample);
    let hour = CONTROLLER.replacen("# hourly-cap-ml = 8", "hourly-cap-ml = 8", 1);
    assert_ne!(fingerprint(&hour), sample);
}
