//! The local socket: request and response types, the server, the client.
//!
//! JSON lines over a Unix socket in a folder that only the owner's group may enter. One request a line, one response a line.
//! What a peer may send is bounded in size, number and time; who it is (user id) goes with every request.

mod client;
mod server;
mod view;
mod wire;

pub use client::{Client, ClientError};
pub use server::{Incoming, ServeError, Server, check_socket_path};
pub use view::{ClockView, LineView, ShellFacts, StatusView, rfc3339, status_view};
pub use wire::{CalibrateRequest, ReadingRequest, Request, Response};

use std::path::{Path, PathBuf};

/// Largest request or response line in bytes.
pub const LINE_BYTES_MAX: usize = 64 * 1024;

/// Where the socket of a state folder is. The folder between is entered only by the owner and its group.
pub fn socket_path(state: &Path) -> PathBuf {
    state.join("control").join("socket")
}
