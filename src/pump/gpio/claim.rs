//! One daemon a pin: a lock file for each output, on a file system that a power cut empties.
//!
//! Register access reserves nothing, so two daemons could drive one pin without noticing. The lock is the kernel's and goes with
//! the process. What stands in the file outlives a killed daemon: it tells `outputs-off` what was driven, also when the
//! configuration has been edited since.

use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, flock};
use serde::{Deserialize, Serialize};

use super::GpioError;
use crate::config::{ActiveLevel, BoardDriver, LineBy, Output};

/// Where the lock files are: one place for the whole machine, whatever the state folder.
pub const CLAIMS_FOLDER: &str = "/run/dosewright";

/// Largest record that is read, in bytes.
const RECORD_BYTES_MAX: u64 = 4096;

/// What an output was driven as.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OutputRecord {
    /// The pin.
    pub gpio: u8,
    /// Whether it is on when low.
    pub active_low: bool,
    /// The chip's label; `None` for register access.
    pub chip_label: Option<String>,
    /// Whether the line was found by its name.
    pub by_name: bool,
    /// What hangs on it.
    pub what: String,
}

impl OutputRecord {
    /// The driver it was driven with.
    pub fn driver(&self) -> BoardDriver {
        match &self.chip_label {
            None => BoardDriver::Rppal,
            Some(label) => BoardDriver::Chardev {
                chip_label: label.clone(),
                line_by: if self.by_name {
                    LineBy::Name
                } else {
                    LineBy::Offset
                },
            },
        }
    }

    /// The pin and its level.
    pub fn output(&self) -> Output {
        Output {
            gpio: self.gpio,
            active: if self.active_low {
                ActiveLevel::Low
            } else {
                ActiveLevel::High
            },
        }
    }
}

/// The folder of the lock files.
#[derive(Debug, Clone)]
pub struct Claims {
    folder: PathBuf,
}

impl Claims {
    /// Lock files in a folder; it is made when a pin is claimed.
    pub fn at(folder: &Path) -> Self {
        Self {
            folder: folder.to_path_buf(),
        }
    }

    /// Claims a pin and records how it is driven.
    pub(super) fn take(&self, record: &OutputRecord) -> Result<Claim, GpioError> {
        let path = self.folder.join(format!("pin-{}", record.gpio));
        let fault = |error: std::io::Error| GpioError::Claim {
            gpio: record.gpio,
            path: path.display().to_string(),
            why: error.to_string(),
        };
        std::fs::create_dir_all(&self.folder).map_err(fault)?;
        let mut file = OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(false)
            .mode(0o644)
            .open(&path)
            .map_err(fault)?;
        match flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => {}
            Err(rustix::io::Errno::WOULDBLOCK) => {
                return Err(GpioError::Taken {
                    gpio: record.gpio,
                    path: path.display().to_string(),
                });
            }
            Err(errno) => return Err(fault(errno.into())),
        }
        let text = serde_json::to_vec(record).map_err(|e| fault(e.into()))?;
        file.set_len(0)
            .and_then(|()| file.write_all(&text))
            .map_err(fault)?;
        Ok(Claim { file })
    }

    /// What is or was driven and not given back in order. Files that say nothing are passed over.
    pub fn records(&self) -> Vec<OutputRecord> {
        let Ok(entries) = std::fs::read_dir(&self.folder) else {
            return Vec::new();
        };
        let mut records: Vec<OutputRecord> = entries
            .flatten()
            .filter(|entry| entry.file_name().to_string_lossy().starts_with("pin-"))
            .filter_map(|entry| {
                let mut text = String::new();
                let file = File::open(entry.path()).ok()?;
                file.take(RECORD_BYTES_MAX).read_to_string(&mut text).ok()?;
                serde_json::from_str(&text).ok()
            })
            .collect();
        records.sort_by_key(|record| record.gpio);
        records
    }
}

/// A claimed pin, until dropped.
#[derive(Debug)]
pub(super) struct Claim {
    file: File,
}

impl Claim {
    /// The pin is off and given back in order: nothing is left for `outputs-off`.
    pub(super) fn forget(&mut self) {
        if let Err(error) = self.file.set_len(0) {
            tracing::debug!(%error, "the record of a pin could not be emptied");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(gpio: u8) -> OutputRecord {
        OutputRecord {
            gpio,
            active_low: true,
            chip_label: Some("chip".to_owned()),
            by_name: false,
            what: "head alkalinity".to_owned(),
        }
    }

    #[test]
    fn a_pin_is_claimed_once_and_can_be_claimed_again_when_it_was_given_back() {
        let folder = tempfile::tempdir().unwrap();
        let claims = Claims::at(folder.path());
        let first = claims.take(&record(17)).unwrap();
        assert!(matches!(
            claims.take(&record(17)),
            Err(GpioError::Taken { gpio: 17, .. })
        ));
        claims.take(&record(27)).unwrap();
        drop(first);
        claims.take(&record(17)).unwrap();
    }

    #[test]
    fn what_a_killed_daemon_drove_can_still_be_read_and_what_was_given_back_cannot() {
        let folder = tempfile::tempdir().unwrap();
        let claims = Claims::at(folder.path());
        let killed = claims.take(&record(17)).unwrap();
        let mut orderly = claims.take(&record(27)).unwrap();
        orderly.forget();
        drop((killed, orderly));
        std::fs::write(folder.path().join("pin-5"), "\0\0").unwrap();
        assert_eq!(claims.records(), vec![record(17)]);
    }
}
