//! Running the daemon and looking at it: start, stop, doses by hand, arming.

pub(crate) mod arm;
pub(crate) mod check;
pub(crate) mod daemon;
pub(crate) mod demo;
pub(crate) mod dose;
mod explain;
mod hardware;
pub(crate) mod hold;
pub(crate) mod mqtt;
pub(crate) mod outputs_off;
pub(crate) mod rehearse;
pub(crate) mod status;
mod table;
pub(crate) mod tell;

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum SchemaOf {
    /// Of controller.toml
    Controller,
    /// Of plan.toml
    Plan,
    /// Of everything that is published over MQTT
    Displays,
}

/// The JSON schema of what is asked for.
pub(crate) fn schema(of: SchemaOf) -> serde_json::Value {
    match of {
        SchemaOf::Controller => crate::config::controller_schema(),
        SchemaOf::Plan => crate::config::plan_schema(),
        SchemaOf::Displays => crate::mqtt::schema(),
    }
}
