//! Where things are.

use std::path::PathBuf;

use clap::Args;

/// Folders.
#[derive(Debug, Args)]
pub(super) struct Place {
    /// Folder of controller.toml and plan.toml
    #[arg(
        long,
        global = true,
        value_name = "DIR",
        default_value = "/etc/dosewright"
    )]
    pub(super) config: PathBuf,
    /// Folder of the ledger, the hold file and the control socket
    #[arg(
        long,
        global = true,
        value_name = "DIR",
        default_value = "/var/lib/dosewright"
    )]
    pub(super) state: PathBuf,
    /// Print JSON
    #[arg(long, global = true)]
    pub(super) json: bool,
}
