//! What every command takes, and what many take.

use std::path::PathBuf;

use clap::Args;

use crate::quantity::Words;

/// Folders.
#[derive(Debug, Args)]
pub(in crate::cli) struct Place {
    /// Folder of controller.toml and plan.toml
    #[arg(
        long,
        global = true,
        value_name = "DIR",
        default_value = "/etc/dosewright"
    )]
    pub(in crate::cli) config: PathBuf,
    /// Folder of the ledger, the hold file and the control socket
    #[arg(
        long,
        global = true,
        value_name = "DIR",
        default_value = "/var/lib/dosewright"
    )]
    pub(in crate::cli) state: PathBuf,
    /// Print JSON
    #[arg(long, global = true)]
    pub(in crate::cli) json: bool,
}

/// How a proposal is agreed to.
#[derive(Debug, Default, Args)]
pub(in crate::cli) struct Agreed {
    /// Do not ask
    #[arg(long)]
    pub(in crate::cli) yes: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct Noted {
    /// In your words, for the record
    #[arg(long, default_value = "")]
    pub(in crate::cli) note: Words,
}
