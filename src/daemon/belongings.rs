//! What belongs to the running daemon: its state folder, the lock and the hold file in it, its socket.
//!
//! With one of them removed or replaced, a second daemon could dose beside this one, or a hold could not find it. The kernel tells of
//! changes at once; a slow look beside it finds what the kernel does not tell, such as a file system mounted over the folder.

use std::fs::{self, Metadata};
use std::io;
use std::mem::MaybeUninit;
use std::os::fd::OwnedFd;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustix::fs::inotify::{CreateFlags, Reader, WatchFlags, add_watch, init};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;
use tokio::sync::Notify;

use super::holdfile::hold_file_path;
use super::lock::InstanceLock;
use crate::control::socket_path;

#[derive(Debug)]
pub(super) struct Belongings {
    /// `None` when the kernel gives no events: then there is only the slow look.
    kernel: Option<AsyncFd<OwnedFd>>,
    state: PathBuf,
    /// What they were at the start: device and inode.
    own: Vec<(&'static str, PathBuf, (u64, u64))>,
    /// Asks the server to look after its socket.
    socket: Arc<Notify>,
}

fn identity(found: &Metadata) -> (u64, u64) {
    (found.dev(), found.ino())
}

#[expect(
    deprecated,
    reason = "sound for a descriptor that is owned until it is dropped; its successor asks for unsafe code"
)]
fn kernel_events() -> io::Result<AsyncFd<OwnedFd>> {
    let events = init(CreateFlags::NONBLOCK | CreateFlags::CLOEXEC)?;
    AsyncFd::with_interest(events, Interest::READABLE)
}

impl Belongings {
    /// Begins to watch. Must be called within a runtime.
    ///
    /// # Errors
    /// When the state folder cannot be looked at.
    pub(super) fn watch(
        state: &Path,
        lock: &InstanceLock,
        socket: Arc<Notify>,
    ) -> io::Result<Self> {
        let kernel = kernel_events()
            .inspect_err(|error| {
                tracing::warn!(%error, "the kernel does not tell when files are taken away; looked at every few seconds only");
            })
            .ok();
        let own = vec![
            (
                "state folder",
                state.to_path_buf(),
                identity(&fs::metadata(state)?),
            ),
            (
                "lock file",
                InstanceLock::path(state),
                identity(&lock.metadata()?),
            ),
        ];
        let belongings = Self {
            kernel,
            state: state.to_path_buf(),
            own,
            socket,
        };
        belongings.ask_kernel();
        Ok(belongings)
    }

    /// Asks for events on what is there now. What was asked for before is the same watch.
    fn ask_kernel(&self) {
        let Some(kernel) = &self.kernel else {
            return;
        };
        let moved = WatchFlags::DELETE_SELF | WatchFlags::MOVE_SELF;
        let inside = moved | WatchFlags::CREATE | WatchFlags::DELETE | WatchFlags::MOVE;
        let socket = socket_path(&self.state);
        let hold_file = hold_file_path(&self.state);
        // A second watch of the same folder would take the place of the first.
        let above = self.state.ancestors().skip(1);
        let folders = above.map(|folder| (folder, moved));
        let watched = folders.chain([
            (self.state.as_path(), inside),
            (socket.parent().unwrap_or(&self.state), inside),
            (&hold_file, moved | WatchFlags::CLOSE_WRITE),
        ]);
        for (path, what) in watched.filter(|(path, _)| !path.as_os_str().is_empty()) {
            if let Err(error) = add_watch(kernel.get_ref(), path, what) {
                tracing::debug!(%error, path = %path.display(), "no events of this");
            }
        }
    }

    /// Waits until something has happened to them.
    pub(super) async fn changed(&self) {
        let Some(kernel) = &self.kernel else {
            return std::future::pending().await;
        };
        loop {
            let Ok(mut ready) = kernel.readable().await else {
                return std::future::pending().await;
            };
            let mut room = [MaybeUninit::uninit(); 4096];
            let mut events = Reader::new(kernel.get_ref(), &mut room);
            let mut any = false;
            while events.next().is_ok() {
                any = true;
            }
            ready.clear_ready();
            if any {
                return;
            }
        }
    }

    /// Looks whether they are still this daemon's. A socket is made again if it is not.
    ///
    /// # Errors
    /// What another daemon could now use beside this one.
    pub(super) fn look(&self) -> Result<(), String> {
        for (what, path, own) in &self.own {
            let found = fs::metadata(path);
            if found.is_ok_and(|found| identity(&found) == *own) {
                continue;
            }
            return Err(format!(
                "the {what} {} was removed, moved or replaced, and another daemon could run beside this one",
                path.display()
            ));
        }
        self.socket.notify_one();
        self.ask_kernel();
        Ok(())
    }
}
