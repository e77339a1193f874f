//! Availability, outages and rivals, against a real broker.

use std::sync::Arc;
use std::time::Duration;

use dosewright::config::RemoteKind;
use dosewright::mqtt::{EventLine, Settings};
use dosewright::quantity::Volume;
use rumqttc::MqttOptions;
use serde_json::json;
use tokio::io::copy_bidirectional;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::time::Instant;

use crate::support::{
    Broker, DEADLINE, Message, Rig, Watcher, identity, name, settings, snapshot, start, start_as,
    when,
};

/// How many different retained topics a full set of state has for the sample tank: controller, water, alarms, two lines,
/// a bottle, a head, the status and the description.
const TOPICS: usize = 9;

fn all_of(rig: &Rig) -> [String; 2] {
    [rig.topics.of("#"), rig.topics.discovery().to_owned()]
}

async fn complete(port: u16, rig: &Rig) -> Vec<Message> {
    let filters = all_of(rig);
    let mut watcher = Watcher::join(port, &[&filters[0], &filters[1]]).await;
    let mut seen: Vec<Message> = Vec::new();
    watcher
        .wait("all retained topics", |m| {
            if !m.payload.is_empty() && !seen.iter().any(|s| s.topic == m.topic) {
                seen.push(m.clone());
            }
            seen.len() == TOPICS
        })
        .await;
    seen
}

#[tokio::test]
async fn everything_is_there_for_a_display_that_joins_later() {
    let broker = Broker::start().await;
    let rig = start(settings(broker.port), "m1");
    rig.confirmed().await;
    let seen = complete(broker.port, &rig).await;
    let status = seen
        .iter()
        .find(|m| m.topic == rig.topics.status())
        .unwrap();
    assert_eq!(status.json()["state"], "online");
    assert_eq!(status.json()["mode"], "dry-run");
}

/// FT-MQTT-11: a clean stop says offline, retained, before it disconnects.
#[tokio::test]
async fn ft_mqtt_11_a_clean_stop_publishes_offline() {
    let broker = Broker::start().await;
    let rig = start(settings(broker.port), "m1");
    let mut watcher = Watcher::join(broker.port, &[&rig.topics.status()]).await;
    watcher.state(&rig.topics, "online").await;
    let topics = rig.topics.clone();
    let began = Instant::now();
    rig.running.stop().await;
    assert!(began.elapsed() < Duration::from_secs(2));
    watcher.state(&topics, "offline").await;
    let mut late = Watcher::join(broker.port, &[&topics.status()]).await;
    let kept = late.state(&topics, "offline").await;
    assert!(kept.retain);
}

/// FT-MQTT-11 and FT-MQTT-13: after a sudden death the last will says offline, and is kept for who joins later.
#[tokio::test]
async fn ft_mqtt_13_after_a_sudden_death_a_new_subscriber_gets_offline() {
    let broker = Broker::start().await;
    let rig = start(settings(broker.port), "m1");
    let mut watcher = Watcher::join(broker.port, &[&rig.topics.status()]).await;
    watcher.state(&rig.topics, "online").await;
    rig.running.task.abort();
    watcher.state(&rig.topics, "offline").await;
    let mut late = Watcher::join(broker.port, &[&rig.topics.status()]).await;
    assert!(late.state(&rig.topics, "offline").await.retain);
}

/// FT-MQTT-12: a last will of a connection long gone comes late.
#[tokio::test]
async fn ft_mqtt_12_a_late_last_will_is_answered_with_online() {
    let broker = Broker::start().await;
    let rig = start(settings(broker.port), "m1");
    rig.confirmed().await;
    let mut watcher = Watcher::join(broker.port, &[&rig.topics.status()]).await;
    for _ in 0..3 {
        let late = json!({ "state": "offline", "mode": "dry-run", "instance": "0000000000000007" });
        watcher
            .send(&rig.topics.status(), late.to_string(), true)
            .await;
        watcher.state(&rig.topics, "offline").await;
        watcher.state(&rig.topics, "online").await;
    }
}

/// FT-MQTT-04, FT-MQTT-05, FT-MQTT-15: the broker restarts and has forgotten everything.
#[tokio::test]
async fn ft_mqtt_05_and_15_a_broker_that_forgot_everything_gets_everything_once() {
    let mut broker = Broker::start().await;
    let rig = start(settings(broker.port), "m1");
    rig.confirmed().await;
    broker.down();
    rig.health(|h| !h.connected).await;
    broker.wipe();
    broker.up().await;
    let began = Instant::now();
    rig.confirmed().await;
    complete(broker.port, &rig).await;
    assert!(
        began.elapsed() < Duration::from_secs(5),
        "{:?}",
        began.elapsed()
    );
    // Subscribed again: a stop works.
    let filters = all_of(&rig);
    let mut watcher = Watcher::join(broker.port, &[&filters[0], &filters[1]]).await;
    watcher
        .send(&rig.topics.command(RemoteKind::Hold), "{}", false)
        .await;
    watcher.reply(&rig.topics, None).await;
    assert_eq!(rig.count(), 1);
    // And not in a loop: after what was kept, nothing more of it comes.
    watcher.drain();
    let more = watcher.mark(broker.port, &rig.topics.of("mark")).await;
    assert_eq!(more.len(), 1, "{more:?}");
}

/// FT-MQTT-07: five restarts under load with a wiped store.
#[tokio::test]
async fn ft_mqtt_07_publishing_resumes_after_every_restart_under_load() {
    let mut broker = Broker::start().await;
    let rig = start(settings(broker.port), "m1");
    rig.confirmed().await;
    let state = rig.state.clone();
    let load = tokio::spawn(async move {
        let mut n = 0;
        loop {
            n += 1;
            let mut s = snapshot(&["alk", "cal"]);
            s.lines[0].delivered_24h = Some(Volume::from_ul(n));
            state.send_replace(Some(Arc::new(s)));
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
    });
    for _ in 0..5 {
        for n in 0..60 {
            let line = event(n);
            assert!(rig.events.send(Arc::new(line)).is_ok());
        }
        broker.down();
        rig.health(|h| !h.connected).await;
        assert!(
            rig.running
                .health
                .borrow()
                .text(&jiff::tz::TimeZone::UTC)
                .contains("stale since")
        );
        broker.wipe();
        broker.up().await;
        let began = Instant::now();
        rig.confirmed().await;
        let mut watcher = Watcher::join(broker.port, &[&rig.topics.of("line/alk")]).await;
        watcher.wait("a fresh state", |m| !m.retain).await;
        assert!(began.elapsed() < Duration::from_secs(30));
    }
    load.abort();
}

/// FT-MQTT-06: nobody waits for a broker that is away, and the newest state is what goes out.
#[tokio::test]
async fn ft_mqtt_06_the_newest_state_goes_out_after_an_outage_and_nothing_waits_during_it() {
    let mut broker = Broker::start().await;
    let rig = start(settings(broker.port), "m1");
    rig.confirmed().await;
    broker.down();
    rig.health(|h| !h.connected).await;
    let mut worst = Duration::ZERO;
    for n in 1..=3600 {
        let mut s = snapshot(&["alk", "cal"]);
        s.lines[0].delivered_24h = Some(Volume::from_ul(n));
        let began = Instant::now();
        rig.state.send_replace(Some(Arc::new(s)));
        assert!(rig.events.send(Arc::new(event(n))).is_ok());
        worst = worst.max(began.elapsed());
        if n % 50 == 0 {
            tokio::task::yield_now().await;
        }
    }
    // A caller that waited for the broker would wait as long as the outage; a busy machine costs some milliseconds.
    assert!(worst < Duration::from_millis(500), "{worst:?}");
    broker.wipe();
    broker.up().await;
    let mut watcher = Watcher::join(
        broker.port,
        &[&rig.topics.of("line/alk"), &rig.topics.event()],
    )
    .await;
    let first = watcher.on(&rig.topics.of("line/alk")).await;
    assert_eq!(first.json()["delivered_24h_ml"], json!(3.6));
    let event = watcher.on(&rig.topics.event()).await;
    assert!(
        event.json()["id"].as_i64().unwrap() > 3400,
        "old events are dropped, not the new ones"
    );
    assert!(event.json()["dropped_before"].as_i64().unwrap() > 3400);
}

fn event(n: i64) -> EventLine {
    EventLine {
        id: n,
        at: when("2026-11-25T10:00:00Z"),
        code: "note".to_owned(),
        line: Some(name("alk")),
        text: "something happened".to_owned(),
        who: "the plan".to_owned(),
    }
}

#[tokio::test]
async fn events_are_published_once_with_their_number_and_not_kept() {
    let broker = Broker::start().await;
    let rig = start(settings(broker.port), "m1");
    rig.confirmed().await;
    let mut watcher = Watcher::join(broker.port, &[&rig.topics.event()]).await;
    for n in 1..=3 {
        assert!(rig.events.send(Arc::new(event(n))).is_ok());
    }
    for n in 1..=3 {
        let m = watcher.on(&rig.topics.event()).await;
        assert_eq!((m.json()["id"].as_i64(), m.retain), (Some(n), false));
        assert_eq!(m.json()["mode"], "dry-run");
    }
    let mut late = Watcher::join(broker.port, &[&rig.topics.event()]).await;
    let seen = late.mark(broker.port, &rig.topics.event()).await;
    assert_eq!(seen.len(), 1, "nothing was kept: {seen:?}");
}

/// FT-MQTT-14: no broker at start; a blank one appears much later.
#[tokio::test]
async fn ft_mqtt_14_a_blank_broker_that_appears_late_is_complete_within_ten_seconds() {
    let mut broker = Broker::start().await;
    broker.down();
    broker.wipe();
    let rig = start(settings(broker.port), "m1");
    let health = rig.health(|h| h.failures >= 3).await;
    assert!(
        health
            .text(&jiff::tz::TimeZone::UTC)
            .contains("not connected"),
        "{}",
        health.text(&jiff::tz::TimeZone::UTC)
    );
    broker.up().await;
    let began = Instant::now();
    complete(broker.port, &rig).await;
    assert!(began.elapsed() < Duration::from_secs(10));
}

/// A half-open link: the broker is frozen, the connection stands.
#[tokio::test]
async fn a_frozen_broker_is_noticed_and_left_and_found_again() {
    let broker = Broker::start().await;
    let mut s = settings(broker.port);
    s.broker.keep_alive = Duration::from_secs(1);
    let rig = start(s, "m1");
    rig.confirmed().await;
    broker.freeze();
    let began = Instant::now();
    rig.health(|h| !h.connected).await;
    assert!(
        began.elapsed() < Duration::from_secs(12),
        "{:?}",
        began.elapsed()
    );
    broker.thaw();
    rig.confirmed().await;
    // The wills of connections that were given up meanwhile come late; "online" has the last word.
    let mut watcher = Watcher::join(broker.port, &[&rig.topics.status()]).await;
    watcher.state(&rig.topics, "online").await;
}

/// A relay to the broker that can fall silent without closing anything, like a cable that was pulled behind the switch.
async fn relay(broker: u16) -> (u16, watch::Sender<bool>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let (silence, silent) = watch::channel(false);
    tokio::spawn(async move {
        loop {
            let (mut near, _) = listener.accept().await.unwrap();
            let mut silent = silent.clone();
            tokio::spawn(async move {
                let mut far = TcpStream::connect(("127.0.0.1", broker)).await.unwrap();
                let cut = tokio::select! {
                    cut = async { silent.wait_for(|now| *now).await.is_ok() } => cut,
                    _ = copy_bidirectional(&mut near, &mut far) => false,
                };
                if cut {
                    // Both ends stay open and hear nothing.
                    std::future::pending::<()>().await;
                }
            });
        }
    });
    (port, silence)
}

/// FT-MQTT-04.
#[tokio::test]
async fn ft_mqtt_04_after_a_cut_that_nobody_announced_a_stop_works_again() {
    let broker = Broker::start().await;
    let (port, silence) = relay(broker.port).await;
    let mut s = settings(port);
    s.broker.keep_alive = Duration::from_secs(1);
    let rig = start(s, "m1");
    rig.confirmed().await;
    silence.send_replace(true);
    rig.health(|h| !h.connected).await;
    // For a while nothing gets through; each try is given up.
    rig.health(|h| !h.connected && h.failures >= 3).await;
    silence.send_replace(false);
    rig.confirmed().await;
    let watcher = Watcher::join(broker.port, &[]).await;
    let topic = rig.topics.command(RemoteKind::Hold);
    let before = rig.count();
    watcher.send(&topic, "{}", false).await;
    let until = Instant::now() + Duration::from_secs(5);
    while rig.count() == before {
        assert!(Instant::now() < until, "the stop falls on deaf ears");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
}

/// FT-MQTT-09: another client with our id joins twice a second.
#[tokio::test]
async fn ft_mqtt_09_a_rival_with_our_client_id_is_reported_and_we_back_off() {
    let broker = Broker::start().await;
    let mut s = settings(broker.port);
    s.timing.back_off_taken = Duration::from_hours(1);
    let id = s.client_id(&s.topics("m1"));
    let rig = start(s, "m1");
    rig.confirmed().await;
    let port = broker.port;
    let rival = tokio::spawn(async move {
        loop {
            let _one =
                Watcher::join_with(MqttOptions::new(id.clone(), ("127.0.0.1", port)), &[]).await;
            tokio::time::sleep(Duration::from_millis(500)).await;
        }
    });
    let health = rig.health(|h| h.id_in_use.is_some()).await;
    assert!(
        health
            .text(&jiff::tz::TimeZone::UTC)
            .contains("client id in use"),
        "{}",
        health.text(&jiff::tz::TimeZone::UTC)
    );
    rig.health(|h| h.id_in_use.is_some() && !h.connected).await;
    let failures = rig.running.health.borrow().failures;
    tokio::time::sleep(Duration::from_secs(2)).await;
    assert!(
        rig.running.health.borrow().failures <= failures + 1,
        "it stays away"
    );
    rival.abort();
}

/// FT-MQTT-10: a copied card: two daemons with one machine id. Told apart from a lost network by what is published.
#[tokio::test]
async fn ft_mqtt_10_a_second_controller_with_our_machine_id_is_named() {
    let broker = Broker::start().await;
    let quick = || {
        let mut s = settings(broker.port);
        s.timing.back_off_taken = Duration::from_secs(2);
        s
    };
    let a = start_as(quick(), &identity("m1", 1), snapshot(&["alk"]));
    a.confirmed().await;
    let b = start_as(quick(), &identity("m1", 2), snapshot(&["alk"]));
    let health = tokio::select! {
        h = a.health(|h| h.id_in_use.is_some()) => h,
        h = b.health(|h| h.id_in_use.is_some()) => h,
    };
    assert!(
        health
            .text(&jiff::tz::TimeZone::UTC)
            .contains("another dosewright"),
        "{}",
        health.text(&jiff::tz::TimeZone::UTC)
    );
    let s = Settings::new("localhost", 1);
    assert_ne!(
        s.client_id(&s.topics("m1")),
        s.client_id(&s.topics("m2")),
        "the default id is the machine's"
    );
}

/// FT-HA-01 over a real broker.
#[tokio::test]
async fn ft_ha_01_two_controllers_live_side_by_side() {
    let broker = Broker::start().await;
    let a = start(settings(broker.port), "machine-a");
    let b = start(settings(broker.port), "machine-b");
    a.confirmed().await;
    b.confirmed().await;
    let watcher = Watcher::join(broker.port, &[]).await;
    watcher
        .send(&a.topics.command(RemoteKind::Hold), "{}", false)
        .await;
    let until = Instant::now() + DEADLINE;
    while a.count() == 0 && Instant::now() < until {
        tokio::task::yield_now().await;
    }
    assert_eq!((a.count(), b.count()), (1, 0));
    complete(broker.port, &a).await;
    complete(broker.port, &b).await;
}

/// A line that leaves the configuration leaves the broker: its topics, and its entities at every hub.
#[tokio::test]
async fn a_line_that_is_gone_is_taken_off_the_broker_also_across_a_restart() {
    let broker = Broker::start().await;
    let rig = start(settings(broker.port), "m1");
    rig.confirmed().await;
    complete(broker.port, &rig).await;
    rig.running.stop().await;
    let topics = rig.topics;
    let mut watcher = Watcher::join(broker.port, &[&topics.of("line/+"), topics.discovery()]).await;
    watcher
        .wait("the old description", |m| {
            m.retain && m.topic == topics.discovery()
        })
        .await;
    let rig = start_as(
        settings(broker.port),
        &identity("m1", 8),
        snapshot(&["alk"]),
    );
    let removal = watcher
        .wait("a removal", |m| !m.retain && m.topic == topics.discovery())
        .await
        .json();
    assert_eq!(
        removal["components"]["line_cal_today"],
        json!({ "platform": "sensor" })
    );
    assert!(removal["components"]["line_alk_today"]["unique_id"].is_string());
    let last = watcher.on(topics.discovery()).await.json();
    assert_eq!(last["components"].get("line_cal_today"), None);
    let mut late = Watcher::join(broker.port, &[&topics.of("line/+")]).await;
    rig.confirmed().await;
    let seen = late.mark(broker.port, &topics.of("line/mark")).await;
    let now: Vec<&Message> = seen
        .iter()
        .filter(|m| m.topic == topics.of("line/cal") && !m.payload.is_empty())
        .collect();
    // It may have been seen once before it was cleared; a later look finds nothing.
    if !now.is_empty() {
        let mut later = Watcher::join(broker.port, &[&topics.of("line/+")]).await;
        let seen = later.mark(broker.port, &topics.of("line/mark")).await;
        assert!(
            !seen.iter().any(|m| m.topic == topics.of("line/cal")),
            "{seen:?}"
        );
    }
    // While running, too.
    rig.state.send_replace(Some(Arc::new(snapshot(&[]))));
    watcher
        .wait("the cleared line", |m| {
            m.topic == topics.of("line/alk") && m.payload.is_empty()
        })
        .await;
    let removal = watcher
        .wait("a removal while running", |m| m.topic == topics.discovery())
        .await
        .json();
    assert_eq!(
        removal["components"]["line_alk_today"],
        json!({ "platform": "sensor" })
    );
}

#[tokio::test]
async fn switching_discovery_off_removes_the_description() {
    let broker = Broker::start().await;
    let rig = start(settings(broker.port), "m1");
    rig.confirmed().await;
    complete(broker.port, &rig).await;
    rig.running.stop().await;
    let topics = rig.topics;
    let mut watcher = Watcher::join(broker.port, &[topics.discovery()]).await;
    watcher.on(topics.discovery()).await;
    let mut off = settings(broker.port);
    off.broker.discovery = false;
    let _rig = start(off, "m1");
    let cleared = watcher.on(topics.discovery()).await;
    assert!(cleared.payload.is_empty());
}

#[tokio::test]
async fn a_hub_that_starts_gets_everything_again() {
    let broker = Broker::start().await;
    let rig = start(settings(broker.port), "m1");
    rig.confirmed().await;
    complete(broker.port, &rig).await;
    let mut watcher = Watcher::join(
        broker.port,
        &[rig.topics.discovery(), &rig.topics.of("controller")],
    )
    .await;
    watcher.send(rig.topics.hub_status(), "online", false).await;
    let discovery = rig.topics.discovery().to_owned();
    watcher
        .wait("the description again", |m| {
            m.topic == discovery && !m.retain
        })
        .await;
}
