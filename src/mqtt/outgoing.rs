//! What a session sends: answers first, then states, then what else waits, then events; and its goodbye.

use rumqttc::{Event, Outgoing, PublishOptions, QoS};
use serde_json::json;
use tokio::time::{Duration, Instant, sleep_until};

use super::board::PAYLOAD_BYTES_MAX;
use super::payload::EventMessage;
use super::session::{Session, Stage};

impl Session<'_> {
    /// Sends what the client takes; the rest is tried again when something has moved.
    pub(super) fn pump(&mut self, now: Instant) {
        while let Some(reply) = self.worker.replies.front() {
            let payload = reply.to_string();
            if !self.publish(&self.worker.topics.reply(), &payload, false) {
                return;
            }
            self.worker.replies.pop_front();
        }
        self.pump_board(self.worker.settings.broker.publish_interval, now);
        if self.stage == Stage::Greeting && !self.worker.board.is_dirty() {
            let payload = self.worker.availability(true);
            if !self.publish(&self.worker.topics.status(), &payload, true) {
                return;
            }
            self.online_at = Some(now);
            self.stage = Stage::Sorting {
                until: now + self.worker.settings.timing.echo,
            };
        }
        if self.stage == Stage::Greeting {
            return;
        }
        while let Some((topic, payload)) = self.outbox.pop_front() {
            if !self.publish(&topic, &payload, true) {
                self.outbox.push_front((topic, payload));
                return;
            }
        }
        self.pump_events();
    }

    fn pump_board(&mut self, floor: Duration, now: Instant) {
        let client = &self.connection.client;
        self.worker.board.pump(floor, now, |topic, payload| {
            let options = PublishOptions::new(QoS::AtLeastOnce).retained();
            client
                .try_publish(topic, payload.to_owned(), options)
                .is_ok()
        });
    }

    fn pump_events(&mut self) {
        let mode = self.worker.mode();
        while let Some(line) = self.worker.event_queue.front() {
            let message = EventMessage {
                mode,
                line,
                dropped_before: self.worker.events_dropped,
            };
            let payload = json!(message).to_string();
            if !self.publish(&self.worker.topics.event(), &payload, false) {
                return;
            }
            self.worker.event_queue.pop_front();
        }
    }

    /// Tries to send; whether the client took it. What is too long for the broker counts as taken and is left out.
    pub(super) fn publish(&self, topic: &str, payload: &str, retained: bool) -> bool {
        if payload.len() > PAYLOAD_BYTES_MAX {
            tracing::error!(
                topic,
                bytes = payload.len(),
                "message is too long for the broker and is left out"
            );
            return true;
        }
        let options = PublishOptions::new(QoS::AtLeastOnce).retain(retained);
        self.connection
            .client
            .try_publish(topic, payload.to_owned(), options)
            .is_ok()
    }

    /// Sends the last states and events, says "offline", then disconnects: a clean disconnect makes the broker forget the last will.
    pub(super) async fn goodbye(&mut self) {
        if self.stage == Stage::Connecting {
            return;
        }
        let until = Instant::now() + self.worker.settings.timing.goodbye;
        let payload = self.worker.availability(false);
        let topic = self.worker.topics.status();
        let greeted = matches!(self.stage, Stage::Sorting { .. } | Stage::Steady);
        if greeted {
            while let Ok(line) = self.worker.events.try_recv() {
                self.worker.take_event(Ok(line));
            }
            self.rebuild(Instant::now());
        }
        let mut said = false;
        let mut leaving = false;
        loop {
            if greeted && !said {
                self.pump_board(Duration::ZERO, Instant::now());
                self.pump_events();
            }
            let first = greeted && self.worker.board.is_dirty();
            said = said || (!first && self.publish(&topic, &payload, true));
            if said && !leaving {
                leaving = self.connection.client.try_disconnect().is_ok();
            }
            tokio::select! {
                report = self.connection.reports.recv() => match report {
                    Some(Ok(Event::Outgoing(Outgoing::Disconnect)) | Err(_)) | None => return,
                    Some(Ok(_)) => {}
                },
                () = sleep_until(until) => return,
            }
        }
    }
}
