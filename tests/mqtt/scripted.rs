//! Brokers that a script plays, for what a real one seldom does.

use std::sync::atomic::{AtomicI64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use dosewright::engine::Now;
use dosewright::mqtt::Clock;
use dosewright::quantity::Millis;
use jiff::Timestamp;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio::time::Instant;
use tracing::span::{Attributes, Id, Record};
use tracing::{Event, Metadata, Subscriber};

use crate::support::{free_port, identity, settings, snapshot, start, start_with_clock, when};

/// CONNACK of MQTT 3.1.1 (section 3.2): no session, accepted.
const CONNACK: [u8; 4] = [0x20, 0x02, 0x00, 0x00];

/// A broker that treats every connection in the same way; counts them.
async fn scripted(reply: &'static [u8], then_close: bool) -> (u16, Arc<AtomicUsize>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let count = Arc::new(AtomicUsize::new(0));
    let counted = Arc::clone(&count);
    tokio::spawn(async move {
        loop {
            let (mut stream, _) = listener.accept().await.unwrap();
            counted.fetch_add(1, Ordering::SeqCst);
            tokio::spawn(async move {
                let mut buffer = [0; 4096];
                if stream.read(&mut buffer).await.is_ok() {
                    drop(stream.write_all(reply).await);
                }
                while !then_close && stream.read(&mut buffer).await.is_ok_and(|n| n > 0) {}
            });
        }
    });
    (port, count)
}

#[tokio::test]
async fn a_broker_that_never_answers_is_left_after_the_time_for_it() {
    let (port, count) = scripted(&[], false).await;
    let rig = start(settings(port), "m1");
    let text = rig
        .health(|h| h.failures >= 2)
        .await
        .text(&jiff::tz::TimeZone::UTC);
    assert!(text.contains("no answer from"), "{text}");
    assert!(count.load(Ordering::SeqCst) >= 2);
}

#[tokio::test]
async fn what_is_not_a_broker_is_said_to_be_none() {
    let (port, _) = scripted(b"HTTP/1.1 400 Bad Request\r\n\r\n", false).await;
    let rig = start(settings(port), "m1");
    let health = rig.health(|h| h.failures >= 2).await;
    assert!(!health.connected);
    assert!(health.last_error.is_some());
}

/// A broker that takes everything and acknowledges nothing: what is in flight stays bounded, and we notice.
#[tokio::test]
async fn a_broker_that_acknowledges_nothing_is_left() {
    let (port, _) = scripted(&CONNACK, false).await;
    let mut s = settings(port);
    s.broker.keep_alive = Duration::from_secs(1);
    let rig = start(s, "m1");
    let health = rig.health(|h| h.connected).await;
    assert!(!health.confirmed);
    rig.health(|h| h.failures >= 1).await;
}

/// A broker that throws us out right after the greeting: no hurry, and no false "online".
#[tokio::test]
async fn a_broker_that_hangs_up_at_once_is_not_hammered() {
    let (port, count) = scripted(&CONNACK, true).await;
    let mut s = settings(port);
    s.timing.back_off_max = Duration::from_mins(1);
    s.timing.back_off_taken = Duration::from_mins(10);
    let rig = start(s, "m1");
    rig.health(|h| h.failures >= 4).await;
    tokio::time::sleep(Duration::from_secs(2)).await;
    assert!(
        count.load(Ordering::SeqCst) < 12,
        "{}",
        count.load(Ordering::SeqCst)
    );
}

/// Counts what is logged.
struct Lines(Arc<AtomicUsize>, Arc<Mutex<Vec<String>>>);

impl Subscriber for Lines {
    fn enabled(&self, metadata: &Metadata<'_>) -> bool {
        metadata.target().starts_with("dosewright") && *metadata.level() <= tracing::Level::INFO
    }
    fn new_span(&self, _: &Attributes<'_>) -> Id {
        Id::from_u64(1)
    }
    fn record(&self, _: &Id, _: &Record<'_>) {}
    fn record_follows_from(&self, _: &Id, _: &Id) {}
    fn event(&self, event: &Event<'_>) {
        self.0.fetch_add(1, Ordering::SeqCst);
        self.1.lock().unwrap().push(format!("{event:?}"));
    }
    fn enter(&self, _: &Id) {}
    fn exit(&self, _: &Id) {}
}

/// FT-MQTT-08, and a day's outage in virtual time: bounded attempts, bounded log, and it goes on trying.
#[tokio::test(start_paused = true)]
async fn ft_mqtt_08_a_day_without_a_broker_costs_few_attempts_and_few_log_lines() {
    let lines = Arc::new(AtomicUsize::new(0));
    let texts = Arc::new(Mutex::new(Vec::new()));
    let guard = tracing::subscriber::set_default(Lines(Arc::clone(&lines), Arc::clone(&texts)));
    let began = Instant::now();
    let clock: Clock = Arc::new(move || {
        let ms = i64::try_from(began.elapsed().as_millis()).unwrap();
        Now {
            wall: Timestamp::from_millisecond(when("2026-11-25T10:00:00Z").as_millisecond() + ms)
                .unwrap(),
            elapsed: Millis::new(ms),
        }
    });
    let s = dosewright::mqtt::Settings::new("127.0.0.1", free_port());
    let rig = start_with_clock(
        s,
        &identity("m1", 3),
        snapshot(&["alk"]),
        clock,
        Arc::new(AtomicI64::new(0)),
    );
    for _ in 0..24 {
        let before = lines.load(Ordering::SeqCst);
        let hour = Instant::now() + Duration::from_hours(1);
        while Instant::now() < hour {
            rig.state.send_replace(Some(Arc::new(snapshot(&["alk"]))));
            tokio::time::sleep(Duration::from_secs(1)).await;
        }
        let an_hour = lines.load(Ordering::SeqCst) - before;
        assert!(
            an_hour < 100,
            "{an_hour} lines in an hour: {:?}",
            texts.lock().unwrap().last()
        );
    }
    let failures = rig.running.health.borrow().failures;
    assert!(
        (1000..2000).contains(&failures),
        "{failures} attempts in a day"
    );
    assert!(lines.load(Ordering::SeqCst) > 0, "something is said");
    drop(guard);
}
