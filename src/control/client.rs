//! The client side, for the command line: plain blocking I/O.

use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustix::net::sockopt::{Timeout, set_socket_timeout};
use rustix::net::{AddressFamily, SocketAddrUnix, SocketFlags, SocketType, socket_with};
use thiserror::Error;

use super::socket_path;
use super::wire::{Request, Response};

/// Longest wait for an answer; above the daemon's own limit.
const PATIENCE: Duration = Duration::from_secs(20);
/// A status of many lines is larger than a request may be.
const RESPONSE_BYTES_MAX: u64 = 4 * 1024 * 1024;

/// Why there is no answer.
#[derive(Debug, Error)]
pub enum ClientError {
    #[error("no daemon answers at {path}; is it running with the same --state folder?")]
    NotRunning {
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The socket may not be used.
    #[error("no permission to use {path}; become a member of its group, or use sudo")]
    NotAllowed { path: PathBuf },
    /// Nothing came within the patience.
    #[error(
        "the daemon has not answered for {patience_s} s: it hangs, or its machine is far too busy; if a pump runs that should not, pull its plug"
    )]
    Silent { patience_s: u64 },
    /// The conversation broke off.
    #[error("the daemon did not answer")]
    Broken(#[source] io::Error),
    /// The answer makes no sense.
    #[error("the daemon's answer was not understood; are daemon and command of the same version?")]
    NotUnderstood(#[source] serde_json::Error),
}

/// A connection to the daemon.
#[derive(Debug)]
pub struct Client {
    stream: BufReader<UnixStream>,
    patience: Duration,
}

impl Client {
    /// Connects to the daemon of a state folder.
    ///
    /// # Errors
    /// When nobody listens, or this user may not.
    pub fn connect(state: &Path) -> Result<Self, ClientError> {
        Self::connect_within(state, PATIENCE)
    }

    /// The same, waiting no longer than this for the connection, and then for each answer.
    ///
    /// # Errors
    /// As for [`Client::connect`], and when nothing comes in time.
    pub fn connect_within(state: &Path, patience: Duration) -> Result<Self, ClientError> {
        let path = socket_path(state);
        let stream = connect(&path, patience).map_err(|source| {
            if source.kind() == io::ErrorKind::PermissionDenied {
                ClientError::NotAllowed { path }
            } else if source.kind() == io::ErrorKind::WouldBlock {
                broken(source, patience)
            } else {
                ClientError::NotRunning { path, source }
            }
        })?;
        Ok(Self {
            stream: BufReader::new(stream),
            patience,
        })
    }

    /// Asks once.
    ///
    /// # Errors
    /// When the conversation breaks off or the answer makes no sense.
    pub fn ask(&mut self, request: &Request) -> Result<Response, ClientError> {
        let mut line = serde_json::to_vec(request).map_err(ClientError::NotUnderstood)?;
        line.push(b'\n');
        self.stream
            .get_mut()
            .write_all(&line)
            .map_err(|error| broken(error, self.patience))?;
        let mut answer = Vec::new();
        let read = (&mut self.stream)
            .take(RESPONSE_BYTES_MAX)
            .read_until(b'\n', &mut answer)
            .map_err(|error| broken(error, self.patience))?;
        if read == 0 {
            return Err(ClientError::Broken(io::ErrorKind::UnexpectedEof.into()));
        }
        serde_json::from_slice(&answer).map_err(ClientError::NotUnderstood)
    }
}

/// Connects, waiting no longer than this for a daemon that accepts nobody. Its limit has to stand before the connection does, which the
/// standard library cannot do.
fn connect(path: &Path, patience: Duration) -> io::Result<UnixStream> {
    let socket = socket_with(
        AddressFamily::UNIX,
        SocketType::STREAM,
        SocketFlags::CLOEXEC,
        None,
    )?;
    for direction in [Timeout::Send, Timeout::Recv] {
        set_socket_timeout(&socket, direction, Some(patience))?;
    }
    rustix::net::connect(&socket, &SocketAddrUnix::new(path)?)?;
    Ok(socket.into())
}

fn broken(error: io::Error, patience: Duration) -> ClientError {
    if error.kind() == io::ErrorKind::WouldBlock {
        let patience_s = patience.as_secs().max(1);
        return ClientError::Silent { patience_s };
    }
    ClientError::Broken(error)
}
