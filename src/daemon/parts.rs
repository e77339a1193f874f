//! What stays the same when everything is started anew: the checked files.

use std::sync::Arc;

use crate::config::{Controller, Loaded, Plan};

pub(super) struct Parts {
    pub(super) controller: Arc<Controller>,
    pub(super) plan: Arc<Plan>,
    pub(super) controller_fingerprint: String,
    pub(super) plan_fingerprint: String,
    pub(super) mqtt: Option<crate::mqtt::Settings>,
}

impl Parts {
    pub(super) fn of(loaded: Loaded) -> Self {
        Self {
            mqtt: loaded.mqtt.map(crate::mqtt::Settings::from),
            controller: Arc::new(loaded.controller),
            plan: Arc::new(loaded.plan),
            controller_fingerprint: loaded.controller_fingerprint,
            plan_fingerprint: loaded.plan_fingerprint,
        }
    }
}
