//! The server side: accepts, reads a line, passes it on, writes the answer.
//!
//! Nobody waits for a place: a connection that comes in takes that of the one that has said nothing for longest, so that no crowd
//! keeps a hold out.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use thiserror::Error;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::unix::OwnedReadHalf;
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::{Notify, mpsc, oneshot};
use tokio::time::timeout;

use super::wire::{NO_ANSWER, STOPPING};
use super::wire::{Request, Response};
use super::{LINE_BYTES_MAX, socket_path};
use crate::engine::Command;
use crate::quantity::Millis;
use crate::record::DoseId;
use crate::shell::Seldom;

/// Connections that are open at once.
const CONNECTIONS_MAX: usize = 24;
/// How long a peer may take to send a whole line, or to take an answer.
const PEER_PATIENCE: Duration = Duration::from_secs(5);
/// A socket that cannot accept, and has nobody to show out, tries again after this time.
const ACCEPT_AGAIN: Duration = Duration::from_millis(100);
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

/// The listening socket. Removed when dropped, if it is still there.
#[derive(Debug)]
pub struct Server {
    listener: UnixListener,
    path: PathBuf,
    identity: Option<(u64, u64)>,
}

/// What tells this socket from another at its place: device and inode.
fn identity(path: &Path) -> Option<(u64, u64)> {
    let found = fs::symlink_metadata(path).ok()?;
    Some((found.dev(), found.ino()))
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
    /// A socket left by a killed daemon is replaced; the caller holds the
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
        let listener = listen(&path).map_err(fault)?;
        let identity = identity(&path);
        Ok(Self {
            listener,
            path,
            identity,
        })
    }

    /// Serves until the receiving side of `incoming` is gone. `look` says that the socket may have been taken away,
    /// `elapsed` how late it is.
    pub async fn serve(
        mut self,
        incoming: mpsc::Sender<Incoming>,
        look: Arc<Notify>,
        elapsed: fn() -> Millis,
    ) {
        let guests = Arc::new(Mutex::new(Guests::default()));
        let mut failing = Seldom::default();
        while !incoming.is_closed() {
            let accepted = tokio::select! {
                accepted = self.listener.accept() => accepted,
                () = look.notified() => {
                    self.make_again_if_gone();
                    continue;
                }
            };
            match accepted {
                Ok((stream, _)) => {
                    let (seat, leave) = Seat::take(&guests);
                    tokio::spawn(converse(stream, incoming.clone(), seat, leave));
                    // It may say its word before the next one comes in.
                    tokio::task::yield_now().await;
                }
                Err(error) => {
                    if let Some(unlogged) = failing.now(elapsed()) {
                        tracing::warn!(%error, unlogged, "a connection could not be accepted");
                    }
                    // Out of descriptors: give one back.
                    if lock(&guests).show_out() {
                        tokio::task::yield_now().await;
                    } else {
                        tokio::time::sleep(ACCEPT_AGAIN).await;
                    }
                }
            }
        }
    }

    fn make_again_if_gone(&mut self) {
        if identity(&self.path) == self.identity {
            return;
        }
        match listen(&self.path) {
            Ok(listener) => {
                self.listener = listener;
                self.identity = identity(&self.path);
                tracing::warn!(path = %self.path.display(), "the control socket was taken away, and is made again");
            }
            Err(error) => {
                tracing::error!(%error, path = %self.path.display(), "the control socket was taken away, and cannot be made again");
            }
        }
    }
}

/// Makes the folder (0750) and the socket in it (0660), in place of what is there.
fn listen(path: &Path) -> io::Result<UnixListener> {
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder)?;
        // The folder is closed to others before the socket exists, so there is no moment at which they could connect,
        // whatever the umask.
        fs::set_permissions(folder, fs::Permissions::from_mode(0o750))?;
    }
    match fs::remove_file(path) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
        Ok(()) | Err(_) => {}
    }
    let listener = UnixListener::bind(path)?;
    fs::set_permissions(path, fs::Permissions::from_mode(0o660))?;
    Ok(listener)
}

impl Drop for Server {
    fn drop(&mut self) {
        if identity(&self.path) != self.identity {
            // Another daemon's, in a folder that is no longer ours.
            return;
        }
        if let Err(error) = fs::remove_file(&self.path) {
            tracing::debug!(%error, "the control socket could not be removed");
        }
    }
}

/// The open connections, each with what tells it to leave by being dropped.
#[derive(Debug, Default)]
struct Guests {
    turn: u64,
    open: BTreeMap<u64, Guest>,
}

#[derive(Debug)]
struct Guest {
    /// It waits for an answer, or stands beside a run.
    has_asked: bool,
    /// Since when, in turns. Half a word does not count: who drips is as silent as who sleeps.
    since: u64,
    _leave: oneshot::Sender<()>,
}

impl Guests {
    /// Shows the one out that has said nothing for longest; when all have asked, the one that asked first.
    /// Whether there was one.
    fn show_out(&mut self) -> bool {
        let idlest = self.open.iter().min_by_key(|(_, g)| (g.has_asked, g.since));
        let id = idlest.map(|(id, _)| *id);
        id.and_then(|id| self.open.remove(&id)).is_some()
    }
}

fn lock(guests: &Mutex<Guests>) -> MutexGuard<'_, Guests> {
    guests.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The place of a connection, given back when dropped.
struct Seat {
    guests: Arc<Mutex<Guests>>,
    id: u64,
}

impl Seat {
    fn take(guests: &Arc<Mutex<Guests>>) -> (Self, oneshot::Receiver<()>) {
        let (tell, leave) = oneshot::channel();
        let mut open = lock(guests);
        while open.open.len() >= CONNECTIONS_MAX {
            open.show_out();
        }
        open.turn = open.turn.wrapping_add(1);
        let id = open.turn;
        let guest = Guest {
            has_asked: false,
            since: id,
            _leave: tell,
        };
        open.open.insert(id, guest);
        let guests = Arc::clone(guests);
        (Self { guests, id }, leave)
    }

    fn asks(&self, has_asked: bool) {
        let mut guests = lock(&self.guests);
        guests.turn = guests.turn.wrapping_add(1);
        let turn = guests.turn;
        if let Some(guest) = guests.open.get_mut(&self.id) {
            guest.has_asked = has_asked;
            guest.since = turn;
        }
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        lock(&self.guests).open.remove(&self.id);
    }
}

/// One connection: requests and answers in turn, until the peer is done, slow or wrong, or its place is needed.
async fn converse(
    stream: UnixStream,
    incoming: mpsc::Sender<Incoming>,
    seat: Seat,
    mut leave: oneshot::Receiver<()>,
) {
    let uid = match stream.peer_cred() {
        Ok(cred) => cred.uid(),
        Err(error) => {
            tracing::debug!(%error, "a peer without credentials was turned away");
            return;
        }
    };
    let (read, mut write) = stream.into_split();
    let mut lines = BufReader::new(read);
    let mut attended = Vec::new();
    let words = (&mut lines, &mut write);
    exchange(words, (uid, &incoming), (&seat, &mut leave), &mut attended).await;
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
    (lines, write): (
        &mut BufReader<OwnedReadHalf>,
        &mut tokio::net::unix::OwnedWriteHalf,
    ),
    (uid, incoming): (u32, &mpsc::Sender<Incoming>),
    (seat, leave): (&Seat, &mut oneshot::Receiver<()>),
    attended: &mut Vec<i64>,
) {
    loop {
        let line = tokio::select! {
            // What has been said already is heard, also when the place is needed.
            biased;
            line = read_line(lines) => line,
            _ = &mut *leave => return,
        };
        let Some(line) = line else {
            return;
        };
        if line.len() > LINE_BYTES_MAX {
            let text = format!("a request may be {LINE_BYTES_MAX} bytes long");
            send(write, &Response::denied("too-long", text)).await;
            return;
        }
        seat.asks(true);
        let response = match serde_json::from_slice::<Request>(&line) {
            Err(error) => Response::denied("not-understood", format!("not a request: {error}")),
            // Waited for in any case, because a run that begins must be known to end it.
            Ok(request @ Request::ConfirmAttended(_)) => {
                let response = answer(request, uid, incoming).await;
                let dose = response.data.get("dose");
                attended.extend(dose.and_then(serde_json::Value::as_i64));
                response
            }
            Ok(request) => tokio::select! {
                response = answer(request, uid, incoming) => response,
                _ = &mut *leave => return,
            },
        };
        if !send(write, &response).await {
            return;
        }
        seat.asks(!attended.is_empty());
    }
}

/// A whole line, or one that is too long. `None` when the peer is done, or slower than it may be.
async fn read_line(lines: &mut BufReader<OwnedReadHalf>) -> Option<Vec<u8>> {
    let limit = u64::try_from(LINE_BYTES_MAX).unwrap_or(0).saturating_add(1);
    let mut line = Vec::new();
    let read = lines
        .take(limit)
        .read_until(b'\n', &mut line)
        .await_in(PEER_PATIENCE)
        .await;
    (matches!(read, Some(Ok(_))) && !line.is_empty()).then_some(line)
}

async fn answer(request: Request, uid: u32, incoming: &mpsc::Sender<Incoming>) -> Response {
    let stopping = || Response::denied(STOPPING, "the daemon is being stopped");
    let (answer, receiver) = oneshot::channel();
    let incoming_one = Incoming {
        request,
        uid,
        answer,
    };
    if incoming.send(incoming_one).await.is_err() {
        return stopping();
    }
    match timeout(ANSWER_PATIENCE, receiver).await {
        Ok(Ok(response)) => response,
        Ok(Err(_)) => stopping(),
        Err(_) => Response::denied(
            NO_ANSWER,
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
