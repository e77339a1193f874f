//! The client side, for the command line: plain blocking I/O.

use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

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
}

impl Client {
    /// Connects to the daemon of a state folder.
    ///
    /// # Errors
    /// When nobody listens, or this user may not.
    pub fn connect(state: &Path) -> Result<Self, ClientError> {
        let path = socket_path(state);
        let stream = UnixStream::connect(&path).map_err(|source| {
            if source.kind() == io::ErrorKind::PermissionDenied {
                ClientError::NotAllowed { path: path.clone() }
            } else {
                ClientError::NotRunning {
                    path: path.clone(),
                    source,
                }
            }
        })?;
        stream
            .set_read_timeout(Some(PATIENCE))
            .map_err(ClientError::Broken)?;
        stream
            .set_write_timeout(Some(PATIENCE))
            .map_err(ClientError::Broken)?;
        Ok(Self {
            stream: BufReader::new(stream),
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
            .map_err(ClientError::Broken)?;
        let mut answer = Vec::new();
        let read = (&mut self.stream)
            .take(RESPONSE_BYTES_MAX)
            .read_until(b'\n', &mut answer)
            .map_err(ClientError::Broken)?;
        if read == 0 {
            return Err(ClientError::Broken(io::ErrorKind::UnexpectedEof.into()));
        }
        serde_json::from_slice(&answer).map_err(ClientError::NotUnderstood)
    }
}
