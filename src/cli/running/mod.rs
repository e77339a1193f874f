//! Running the daemon and looking at it: start, stop, doses by hand, arming.

pub(in crate::cli) mod arm;
pub(in crate::cli) mod check;
pub(in crate::cli) mod daemon;
pub(in crate::cli) mod dose;
mod explain;
pub(in crate::cli) mod hold;
pub(in crate::cli) mod mqtt;
pub(in crate::cli) mod outputs_off;
pub(in crate::cli) mod status;
pub(in crate::cli) mod tell;

use super::args::SchemaOf;

/// The JSON schema of what is asked for.
pub(in crate::cli) fn schema(of: SchemaOf) -> serde_json::Value {
    match of {
        SchemaOf::Controller => crate::config::controller_schema(),
        SchemaOf::Plan => crate::config::plan_schema(),
        SchemaOf::Displays => crate::mqtt::schema(),
    }
}
