//! What every command takes, and what many take.

use std::path::PathBuf;

use clap::Args;

use crate::quantity::Words;

/// Folders.
#[derive(Debug, Args)]
pub(crate) struct Place {
    /// Folder of controller.toml and plan.toml
    #[arg(
        long,
        global = true,
        value_name = "DIR",
        default_value = "/etc/dosewright"
    )]
    pub(crate) config: PathBuf,
    /// Folder of the ledger, the hold file and the control socket
    #[arg(
        long,
        global = true,
        value_name = "DIR",
        default_value = "/var/lib/dosewright"
    )]
    pub(crate) state: PathBuf,
    /// Print JSON
    #[arg(long, global = true)]
    pub(crate) json: bool,
}

/// How a proposal is agreed to.
#[derive(Debug, Default, Args)]
pub(crate) struct Agreed {
    /// Do not ask
    #[arg(long)]
    pub(crate) yes: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Noted {
    /// In your words, for the record
    #[arg(long, default_value = "")]
    pub(crate) note: Words,
}
