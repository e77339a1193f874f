//! The server side: accepts, reads a line, passes it on, writes the answer.

use std::fs;
use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use thiserror::Error;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::unix::OwnedReadHalf;
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::{Semaphore, mpsc, oneshot};
use tokio::time::timeout;

use super::wire::{Request, Response};
use super::{LINE_BYTES_MAX, socket_path};
use crate::engine::Command;
use crate::record::DoseId;

/// Connections served at once; more wait in the kernel's queue.
const CONNECTIONS_MAX: usize = 16;
/// How long a peer may take to send a whole line, or to take an answer.
const PEER_PATIENCE: Duration = Duration::from_secs(5);
/// The same while no place is free.
const CROWD_PATIENCE: Duration = Duration::from_millis(250);
/// How long the daemon may take to answer.
const ANSWER_PATIENCE: Duration = Duration::from_secs(15);
/// Longest path of a Unix socket (sun_path of unix(7), less its end mark).
const SOCKET_PATH_BYTES_MAX: usize = 107;

/// A request with its sender, waiting for its answer.
#[derive(Debug)]
pub struct Incoming {
    pub request: Request,
    /// The peer's user id, from the kernel.
    pub uid: u32,
    /// Where the answer goes.
    pub answer: oneshot::Sender<Response>,
}

/// Why the socket cannot be served.
#[derive(Debug, Error)]
pub enum ServeError {
    /// The path is too long for a socket.
    #[error(
        "{path} is too long for a socket ({length} bytes, at most {SOCKET_PATH_BYTES_MAX}); use a shorter --state folder"
    )]
    PathTooLong {
        path: PathBuf,
        /// Its length in bytes.
        length: usize,
    },
    /// The folder or the socket cannot be made.
    #[error("cannot make the control socket {path}")]
    Make { path: PathBuf, source: io::Error },
}

/// The listening socket. Removed when dropped.
#[derive(Debug)]
pub struct Server {
    listener: UnixListener,
    path: PathBuf,
}

/// Looks whether the socket of a state folder can have its path; made for a look before anything else is begun.
///
/// # Errors
/// [`ServeError::PathTooLong`].
pub fn check_socket_path(state: &Path) -> Result<(), ServeError> {
    let path = socket_path(state);
    let length = path.as_os_str().len();
    if length > SOCKET_PATH_BYTES_MAX {
        return Err(ServeError::PathTooLong { path, length });
    }
    Ok(())
}

impl Server {
    /// Makes the folder (0750) and the socket in it (0660). A socket left by a killed daemon is replaced; the caller holds the
    /// instance lock, so nobody else listens on it.
    ///
    /// # Errors
    /// Any [`ServeError`].
    pub fn bind(state: &Path) -> Result<Self, ServeError> {
        check_socket_path(state)?;
        let path = socket_path(state);
        let fault = |source| ServeError::Make {
            path: path.clone(),
            source,
        };
        let folder = path.parent().unwrap_or(state);
        fs::create_dir_all(folder).map_err(fault)?;
        // The folder is closed to others before the socket exists, so there is no moment at which they could connect,
        // whatever the umask.
        fs::set_permissions(folder, fs::Permissions::from_mode(0o750)).map_err(fault)?;
        match fs::remove_file(&path) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(fault(e)),
            Ok(()) | Err(_) => {}
        }
        let listener = UnixListener::bind(&path).map_err(fault)?;
        fs::set_permissions(&path, fs::Permissions::from_mode(0o660)).map_err(fault)?;
        Ok(Self { listener, path })
    }

    /// Serves until the receiving side of `incoming` is gone.
    pub async fn serve(self, incoming: mpsc::Sender<Incoming>) {
        let places = Arc::new(Semaphore::new(CONNECTIONS_MAX));
        while !incoming.is_closed() {
            let Ok(place) = Arc::clone(&places).acquire_owned().await else {
                return;
            };
            match self.listener.accept().await {
                Ok((stream, _)) => {
                    let incoming = incoming.clone();
                    let room = Arc::clone(&places);
                    tokio::spawn(async move {
                        converse(stream, incoming, &room).await;
                        drop(place);
                    });
                }
                Err(error) => {
                    tracing::warn!(%error, "a connection could not be accepted");
                    // Out of descriptors: give the others time to go away.
                    tokio::time::sleep(Duration::from_millis(100)).await;
                }
            }
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if let Err(error) = fs::remove_file(&self.path) {
            tracing::debug!(%error, "the control socket could not be removed");
        }
    }
}

/// One connection: requests and answers in turn, until the peer is done, slow or wrong.
async fn converse(stream: UnixStream, incoming: mpsc::Sender<Incoming>, room: &Semaphore) {
    let uid = match stream.peer_cred() {
        Ok(cred) => cred.uid(),
        Err(error) => {
            tracing::warn!(%error, "a peer without credentials was turned away");
            return;
        }
    };
    let (read, mut write) = stream.into_split();
    let mut lines = BufReader::new(read);
    let mut attended = Vec::new();
    exchange(
        &mut lines,
        &mut write,
        (uid, &incoming),
        room,
        &mut attended,
    )
    .await;
    // Whoever stood beside these runs is gone, or says nothing any more: a lost terminal must not leave a head running.
    for dose in attended {
        let (answer, _) = oneshot::channel();
        let request = Request::Command(Command::StopRun { dose: DoseId(dose) });
        drop(
            incoming
                .send(Incoming {
                    request,
                    uid,
                    answer,
                })
                .await,
        );
    }
}

/// Requests and answers in turn; notes runs that this connection stands beside.
async fn exchange(
    lines: &mut BufReader<OwnedReadHalf>,
    write: &mut tokio::net::unix::OwnedWriteHalf,
    (uid, incoming): (u32, &mpsc::Sender<Incoming>),
    room: &Semaphore,
    attended: &mut Vec<i64>,
) {
    loop {
        let Some(line) = read_line(lines, room).await else {
            return;
        };
        if line.len() > LINE_BYTES_MAX {
            let text = format!("a request may be {LINE_BYTES_MAX} bytes long");
            send(write, &Response::denied("too-long", text)).await;
            return;
        }
        let response = answer(&line, uid, incoming, attended).await;
        if !send(write, &response).await {
            return;
        }
    }
}

/// A whole line, or one that is too long. `None` when the peer is done, or slower than it may be: seconds while there is room,
/// a moment when others wait, so that a crowd of silent peers cannot keep a hold out.
async fn read_line(lines: &mut BufReader<OwnedReadHalf>, room: &Semaphore) -> Option<Vec<u8>> {
    let limit = LINE_BYTES_MAX.saturating_add(1);
    let mut line = Vec::new();
    let whole = async {
        loop {
            let left = u64::try_from(limit.saturating_sub(line.len())).unwrap_or(0);
            let read = (&mut *lines)
                .take(left)
                .read_until(b'\n', &mut line)
                .await_in(CROWD_PATIENCE)
                .await;
            match read {
                // What was read before the time was up stays in `line`.
                None if room.available_permits() == 0 => return None,
                None => {}
                Some(Ok(_)) if line.is_empty() => return None,
                Some(Ok(_)) => return Some(()),
                Some(Err(_)) => return None,
            }
        }
    };
    // One limit for all, not so many waits: on a busy machine each of them is longer than it was meant.
    let done = whole.await_in(PEER_PATIENCE).await.flatten();
    done.map(|()| line)
}

async fn answer(
    line: &[u8],
    uid: u32,
    incoming: &mpsc::Sender<Incoming>,
    attended: &mut Vec<i64>,
) -> Response {
    let request = match serde_json::from_slice::<Request>(line) {
        Ok(request) => request,
        Err(error) => return Response::denied("not-understood", format!("not a request: {error}")),
    };
    let attends = matches!(request, Request::ConfirmAttended(_));
    let (sender, receiver) = oneshot::channel();
    if incoming
        .send(Incoming {
            request,
            uid,
            answer: sender,
        })
        .await
        .is_err()
    {
        return Response::denied("stopping", "the daemon is being stopped");
    }
    match timeout(ANSWER_PATIENCE, receiver).await {
        Ok(Ok(response)) => {
            let dose = response
                .data
                .get("dose")
                .and_then(serde_json::Value::as_i64);
            attended.extend(dose.filter(|_| attends));
            response
        }
        Ok(Err(_)) => Response::denied("stopping", "the daemon is being stopped"),
        Err(_) => Response::denied(
            "no-answer",
            format!(
                "no answer within {} s; look at `dosewright status`",
                ANSWER_PATIENCE.as_secs()
            ),
        ),
    }
}

/// Writes one line. `false` when the peer is gone or does not read.
async fn send(write: &mut tokio::net::unix::OwnedWriteHalf, response: &Response) -> bool {
    let mut line = serde_json::to_vec(response).unwrap_or_default();
    line.push(b'\n');
    matches!(
        write.write_all(&line).await_in(PEER_PATIENCE).await,
        Some(Ok(()))
    )
}

/// A time limit that reads in the order of what happens.
trait AwaitIn: Future + Sized {
    async fn await_in(self, patience: Duration) -> Option<Self::Output> {
        timeout(patience, self).await.ok()
    }
}

impl<F: Future> AwaitIn for F {}
