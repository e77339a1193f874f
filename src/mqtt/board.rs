//! The newest payload of every state topic, and what is still to be sent of it.
//!
//! Bounded by the number of topics: an outage of any length costs nothing, and after it the newest state goes out, never the
//! old ones.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use serde_json::Value;
use tokio::time::Instant;

/// Longest payload that is sent; a broker may drop the connection over longer ones.
pub(super) const PAYLOAD_BYTES_MAX: usize = 240 * 1024;

#[derive(Debug)]
struct Slot {
    payload: Arc<str>,
    essence: Value,
    dirty: bool,
    sent: Option<Instant>,
}

#[derive(Debug, Default)]
pub(super) struct Board {
    slots: BTreeMap<String, Slot>,
}

impl Board {
    /// Takes a newer message. What differs only in ages and other slowly drifting values waits until `refresh` has passed
    /// since the topic was sent.
    pub(super) fn set(&mut self, topic: String, message: &Value, refresh: Duration, now: Instant) {
        let payload: Arc<str> = message.to_string().into();
        if payload.len() > PAYLOAD_BYTES_MAX {
            tracing::error!(
                topic,
                bytes = payload.len(),
                "message is too long for the broker and is left out"
            );
            return;
        }
        let new_essence = essence(message);
        match self.slots.get_mut(&topic) {
            None => {
                self.slots.insert(
                    topic,
                    Slot {
                        payload,
                        essence: new_essence,
                        dirty: true,
                        sent: None,
                    },
                );
            }
            Some(slot) => {
                let due = slot.sent.is_none_or(|at| now.duration_since(at) >= refresh);
                slot.dirty = slot.dirty || due || slot.essence != new_essence;
                slot.payload = payload;
                slot.essence = new_essence;
            }
        }
    }

    /// Everything is to be sent again, at once: a new connection knows nothing.
    pub(super) fn all_dirty(&mut self) {
        for slot in self.slots.values_mut() {
            slot.dirty = true;
            slot.sent = None;
        }
    }

    /// Offers what is due to `send`, which says whether it took it; stops at the first that it did not.
    pub(super) fn pump(
        &mut self,
        floor: Duration,
        now: Instant,
        mut send: impl FnMut(&str, &str) -> bool,
    ) {
        for (topic, slot) in &mut self.slots {
            let resting = slot.sent.is_some_and(|at| now.duration_since(at) < floor);
            if !slot.dirty || resting {
                continue;
            }
            if !send(topic, &slot.payload) {
                return;
            }
            slot.dirty = false;
            slot.sent = Some(now);
        }
    }

    /// Whether anything waits to be sent.
    pub(super) fn is_dirty(&self) -> bool {
        self.slots.values().any(|s| s.dirty)
    }

    /// Whether a topic is one of ours now.
    pub(super) fn has(&self, topic: &str) -> bool {
        self.slots.contains_key(topic)
    }

    /// Forgets topics that are not among those named; gives them back, for clearing.
    pub(super) fn retain(&mut self, keep: impl Fn(&str) -> bool) -> Vec<String> {
        let gone: Vec<String> = self.slots.keys().filter(|t| !keep(t)).cloned().collect();
        for topic in &gone {
            self.slots.remove(topic);
        }
        gone
    }
}

/// A message without what drifts by itself: its time, ages, predictions, and words whose code or time stands beside them.
fn essence(message: &Value) -> Value {
    let mut settled = settled(message);
    if let Some(map) = settled.as_object_mut() {
        map.remove("at");
    }
    settled
}

fn settled(message: &Value) -> Value {
    match message {
        Value::Object(map) => Value::Object(
            map.iter()
                .filter(|(key, _)| !drifts(key))
                .map(|(key, value)| (key.clone(), settled(value)))
                .collect(),
        ),
        Value::Array(items) => Value::Array(items.iter().map(settled).collect()),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => message.clone(),
    }
}

fn drifts(key: &str) -> bool {
    const DRIFTING: [&str; 10] = [
        "so_far_ml",
        "days_left",
        "text",
        "allowed_because",
        "level",
        "level_low",
        "level_high",
        "uptake_per_day",
        "uptake_low_per_day",
        "uptake_high_per_day",
    ];
    DRIFTING.contains(&key) || key.ends_with("age_s")
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    const FLOOR: Duration = Duration::from_secs(1);
    const REFRESH: Duration = Duration::from_mins(10);

    fn sent(board: &mut Board, now: Instant) -> Vec<String> {
        let mut out = Vec::new();
        board.pump(FLOOR, now, |_, payload| {
            out.push(payload.to_owned());
            true
        });
        out
    }

    #[tokio::test(start_paused = true)]
    async fn only_the_newest_state_is_sent_however_many_there_were() {
        let mut board = Board::default();
        for n in 0..100_000 {
            board.set("t".to_owned(), &json!({ "n": n }), REFRESH, Instant::now());
        }
        assert_eq!(sent(&mut board, Instant::now()), ["{\"n\":99999}"]);
        assert!(!board.is_dirty());
    }

    #[tokio::test(start_paused = true)]
    async fn what_only_ages_waits_for_the_refresh() {
        let mut board = Board::default();
        let at = |n: u64, v: u32| json!({ "at": n, "last_dose_age_s": n, "v": v });
        board.set("t".to_owned(), &at(0, 1), REFRESH, Instant::now());
        assert_eq!(sent(&mut board, Instant::now()).len(), 1);
        for n in 1..599 {
            tokio::time::advance(Duration::from_secs(1)).await;
            board.set("t".to_owned(), &at(n, 1), REFRESH, Instant::now());
            assert_eq!(sent(&mut board, Instant::now()).len(), 0, "second {n}");
        }
        tokio::time::advance(Duration::from_secs(2)).await;
        board.set("t".to_owned(), &at(600, 1), REFRESH, Instant::now());
        assert_eq!(sent(&mut board, Instant::now()).len(), 1);
        tokio::time::advance(Duration::from_secs(2)).await;
        board.set("t".to_owned(), &at(602, 2), REFRESH, Instant::now());
        assert_eq!(
            sent(&mut board, Instant::now()).len(),
            1,
            "a real change goes out at once"
        );
    }

    #[tokio::test(start_paused = true)]
    async fn a_new_time_of_the_next_dose_is_news() {
        let mut board = Board::default();
        let next =
            |n: u64, at: u64| json!({ "at": n, "next_slot": { "at": at, "volume_ml": 1.0 } });
        for (n, at, sends) in [(0, 7, 1), (2, 7, 0), (4, 8, 1)] {
            board.set("t".to_owned(), &next(n, at), REFRESH, Instant::now());
            assert_eq!(sent(&mut board, Instant::now()).len(), sends, "second {n}");
            tokio::time::advance(Duration::from_secs(2)).await;
        }
    }

    #[tokio::test(start_paused = true)]
    async fn a_topic_is_sent_no_oftener_than_its_floor_and_the_last_value_is_not_lost() {
        let mut board = Board::default();
        let mut count = 0;
        for n in 0..100 {
            board.set("t".to_owned(), &json!({ "n": n }), REFRESH, Instant::now());
            count += sent(&mut board, Instant::now()).len();
            tokio::time::advance(Duration::from_millis(100)).await;
        }
        assert!((10..=11).contains(&count), "{count}");
        tokio::time::advance(Duration::from_secs(1)).await;
        assert_eq!(sent(&mut board, Instant::now()), ["{\"n\":99}"]);
    }

    #[tokio::test(start_paused = true)]
    async fn a_refused_send_is_tried_again_and_a_new_connection_gets_everything() {
        let mut board = Board::default();
        board.set("a".to_owned(), &json!({ "n": 1 }), REFRESH, Instant::now());
        board.set("b".to_owned(), &json!({ "n": 2 }), REFRESH, Instant::now());
        let mut seen = 0;
        board.pump(FLOOR, Instant::now(), |_, _| {
            seen += 1;
            seen < 2
        });
        assert!(board.is_dirty());
        assert_eq!(sent(&mut board, Instant::now()), ["{\"n\":2}"]);
        board.all_dirty();
        assert_eq!(sent(&mut board, Instant::now()).len(), 2);
        assert_eq!(board.retain(|t| t == "a"), ["b"]);
        assert!(!board.has("b"));
    }
}
