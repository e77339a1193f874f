//! The local socket: request and response types, the server, the client.
//!
//! JSON lines over a Unix socket in a folder that only the owner's group may enter. One request a line, one response a line.
//! What a peer may send is bounded in size, number and time; who it is (user id) goes with every request.

mod client;
mod server;
mod wire;

pub use client::{Client, ClientError};
pub use server::{Incoming, ServeError, Server, check_socket_path};
pub use wire::{NO_ANSWER, Request, Response, STOPPING};

use std::path::{Path, PathBuf};

/// Largest request or response line in bytes.
pub const LINE_BYTES_MAX: usize = 64 * 1024;

/// The state folder of an installed daemon.
pub const INSTALLED_STATE: &str = "/var/lib/dosewright";
/// Where the service manager makes a folder for the socket of an installed daemon, entered only by its user and group.
const INSTALLED_SOCKET: &str = "/run/dosewright/socket";

/// Where the socket of a state folder is: for an installed daemon in the folder that the service manager makes, otherwise in a
/// folder of its own in the state folder. Either is entered only by the owner and its group.
pub fn socket_path(state: &Path) -> PathBuf {
    if state == Path::new(INSTALLED_STATE) {
        return PathBuf::from(INSTALLED_SOCKET);
    }
    state.join("control").join("socket")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_installed_daemon_has_its_socket_in_the_run_folder_and_any_other_beside_its_ledger() {
        assert_eq!(
            socket_path(Path::new("/var/lib/dosewright/")),
            Path::new("/run/dosewright/socket")
        );
        assert_eq!(
            socket_path(Path::new("target/demo")),
            Path::new("target/demo/control/socket")
        );
    }
}
