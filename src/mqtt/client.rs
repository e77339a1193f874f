//! The client task: connects, keeps everything published, comes back by itself, says goodbye.
//!
//! ```text
//!   waiting for the first snapshot -> connecting -> connected: subscribed, states, "online", description
//!                                         ^               |
//!                                         +--- pause <----+  (lost, refused, taken over)
//! ```
//!
//! Everything that is waited for is bounded in time, everything that is kept is bounded in number, and nobody waits for this
//! task: snapshots are taken from a watch, events from a broadcast that forgets, commands are handed over by trying.

use std::time::Duration;

use tokio::sync::{oneshot, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, timeout};

use super::Identity;
use super::health::Health;
use super::session::{End, Session};
use super::settings::Settings;
use super::worker::{Seams, Worker};

/// A running client task.
#[derive(Debug)]
pub struct Running {
    /// How the connection is.
    pub health: watch::Receiver<Health>,
    /// Ends only when it was stopped, or by a fault in the program; the shell watches it.
    pub task: JoinHandle<()>,
    stop: Option<oneshot::Sender<()>>,
}

impl Running {
    /// Publishes "offline", disconnects and ends; two seconds at most.
    pub async fn stop(mut self) {
        if let Some(stop) = self.stop.take() {
            // A receiver that is gone means that the task has ended already.
            let _gone = stop.send(());
        }
        if timeout(Duration::from_secs(4), &mut self.task)
            .await
            .is_err()
        {
            self.task.abort();
        }
    }
}

/// Starts the client task. Must be called within a tokio runtime.
pub fn spawn(settings: Settings, identity: &Identity, seams: Seams) -> Running {
    let (health_tx, health) = watch::channel(Health::default());
    let (stop, stopped) = oneshot::channel();
    let worker = Worker::new(settings, identity, seams, health_tx);
    Running {
        health,
        task: tokio::spawn(run(worker, stopped)),
        stop: Some(stop),
    }
}

async fn run(mut worker: Worker, mut stop: oneshot::Receiver<()>) {
    loop {
        if worker.snapshot().is_some() {
            break;
        }
        tokio::select! {
            // Stopped, or the shell is gone.
            _ = &mut stop => return,
            changed = worker.state.changed() => if changed.is_err() { return },
        }
    }
    loop {
        let began = Instant::now();
        let end = match Session::open(&mut worker) {
            Ok(session) => session.run(&mut stop).await,
            Err(fault) => End::Lost {
                fault,
                connected: None,
            },
        };
        match end {
            End::Stopped => return,
            End::Lost { fault, connected } => {
                worker.lost(&fault, connected, began);
                if worker.pause(&mut stop).await {
                    return;
                }
            }
        }
    }
}
