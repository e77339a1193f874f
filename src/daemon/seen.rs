//! What outputs were found doing, kept in the state folder: `outputs-off` and a live start write it, the next start reads it.

use std::fs::{self, OpenOptions};
use std::io::{self, ErrorKind, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use super::clock::{boot_id, machine_now};
use crate::pump::Found;
use crate::record::{OutputPlace, OutputSeen, Stamp};

const FILE: &str = "outputs-seen";
/// From this size in bytes on, only the newest lines are kept: those of many starts.
const BYTES_MAX: u64 = 65_536;
const LINES_KEPT: usize = 100;

/// Outputs that are looked at one after another.
#[derive(Debug)]
pub struct OutputsSeen {
    boot: String,
    pub(super) seen: Vec<OutputSeen>,
}

impl OutputsSeen {
    pub fn begin() -> Self {
        Self {
            // Without an id it tells nothing of any boot.
            boot: boot_id().unwrap_or_default(),
            seen: Vec::new(),
        }
    }

    /// An output that has just been looked at and driven off; `None` when it did not obey.
    pub fn add(&mut self, what: &str, place: OutputPlace, found: Option<Found>) {
        let now = machine_now();
        self.seen.push(OutputSeen {
            what: what.to_owned(),
            place,
            was_on: found == Some(Found::On),
            was_off: matches!(found, Some(Found::Off | Found::NotDriven)),
            is_off: found.is_some(),
            boot: self.boot.clone(),
            at: Stamp {
                wall: now.wall,
                elapsed: now.elapsed,
                trusted: false,
            },
        });
    }

    /// Whether an output of this machine may ever have been reached, as far as the state folder tells.
    pub fn reached_before(state: &Path) -> bool {
        match fs::read(state.join(FILE)) {
            Ok(bytes) => String::from_utf8_lossy(&bytes)
                .lines()
                .filter(|line| !line.is_empty())
                .any(|line| {
                    serde_json::from_str(line).map_or(true, |seen: OutputSeen| seen.is_off)
                }),
            Err(error) => error.kind() != ErrorKind::NotFound,
        }
    }

    /// Adds them to what stands in the state folder; makes no folder.
    ///
    /// # Errors
    /// When it cannot be written: the next start then counts as if nobody had looked.
    pub fn keep(&self, state: &Path) -> io::Result<()> {
        if self.seen.is_empty() || !state.is_dir() {
            return Ok(());
        }
        let path = state.join(FILE);
        let mut text = String::new();
        for seen in &self.seen {
            text.push_str(&serde_json::to_string(seen)?);
            text.push('\n');
        }
        if fs::metadata(&path).is_ok_and(|file| file.len() > BYTES_MAX) {
            shorten(&path)?;
        }
        let mut file = OpenOptions::new()
            .append(true)
            .create(true)
            .mode(0o640)
            .open(&path)?;
        // In front of it, in case the line before was cut off.
        file.write_all(format!("\n{text}").as_bytes())?;
        file.sync_data()
    }
}

fn shorten(path: &Path) -> io::Result<()> {
    let text = String::from_utf8_lossy(&fs::read(path)?).into_owned();
    let newest: Vec<&str> = text.lines().rev().take(LINES_KEPT).collect();
    let kept: String = newest.into_iter().rev().flat_map(|l| [l, "\n"]).collect();
    let shorter = path.with_extension("new");
    fs::write(&shorter, kept)?;
    fs::rename(shorter, path)
}

/// All that stands in the state folder, oldest first. A line that cannot be read tells nothing, which makes a dose count for longer.
pub(super) fn read_seen(state: &Path) -> Vec<OutputSeen> {
    let bytes = match fs::read(state.join(FILE)) {
        Ok(bytes) => bytes,
        Err(error) => {
            if error.kind() != ErrorKind::NotFound {
                tracing::warn!(%error, "what outputs were found doing cannot be read");
            }
            return Vec::new();
        }
    };
    let text = String::from_utf8_lossy(&bytes);
    let lines = text.lines();
    lines.filter_map(|l| serde_json::from_str(l).ok()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(gpio: u8) -> OutputsSeen {
        let mut seen = OutputsSeen::begin();
        seen.add("head a", OutputPlace::Gpio(gpio), Some(Found::On));
        seen.add("head b", OutputPlace::Pwm("chip".to_owned(), 1), None);
        seen
    }

    #[test]
    fn what_was_seen_comes_back_in_order_also_behind_a_line_that_was_cut_off() {
        let state = tempfile::tempdir().unwrap();
        assert!(read_seen(state.path()).is_empty());
        seen(1).keep(state.path()).unwrap();
        let path = state.path().join(FILE);
        let mut torn = fs::read(&path).unwrap();
        torn.extend_from_slice(b"{\"what\":\"head");
        fs::write(&path, torn).unwrap();
        seen(2).keep(state.path()).unwrap();
        let read = read_seen(state.path());
        let places: Vec<_> = read.iter().map(|s| &s.place).collect();
        let pwm = OutputPlace::Pwm("chip".to_owned(), 1);
        let expected = [&OutputPlace::Gpio(1), &pwm, &OutputPlace::Gpio(2), &pwm];
        assert_eq!(places, expected);
        assert!(read.iter().all(|s| !s.was_off));
        assert!(read[0].was_on && !read[1].was_on);
        assert!(read[0].is_off && !read[1].is_off);
    }

    #[test]
    fn the_file_stays_small_and_keeps_the_newest() {
        let state = tempfile::tempdir().unwrap();
        for round in 0..400 {
            seen(u8::try_from(round % 200).unwrap())
                .keep(state.path())
                .unwrap();
        }
        let size = fs::metadata(state.path().join(FILE)).unwrap().len();
        assert!(size < 2 * BYTES_MAX, "{size}");
        let read = read_seen(state.path());
        assert_eq!(read[read.len() - 2].place, OutputPlace::Gpio(199));
    }

    #[test]
    fn no_folder_is_made() {
        let state = tempfile::tempdir().unwrap();
        let missing = state.path().join("missing");
        seen(1).keep(&missing).unwrap();
        assert!(!missing.exists());
    }
}
