//! One daemon a pin or PWM channel: a lock file for each output, on a file system that a power cut empties.
//!
//! Register access reserves nothing, so two daemons could drive one pin without noticing. The lock is the kernel's and goes with
//! the process. What stands in the file outlives a killed daemon: it tells `outputs-off` what was driven, also when the
//! configuration has been edited since.

use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, flock};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::error::GpioError;
use crate::config::{BoardDriver, Output};

/// Where the lock files are: one place for the whole machine, whatever the state folder.
pub const CLAIMS_FOLDER: &str = "/run/dosewright";

/// Largest record that is read, in bytes.
const RECORD_BYTES_MAX: u64 = 4096;

/// What an output was driven as.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OutputRecord {
    pub driver: BoardDriver,
    pub output: Output,
    /// What hangs on it.
    pub what: String,
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

    /// Opens a lock file and locks it, without a word in it.
    fn lock(&self, name: &str) -> Result<Claim, Unlocked> {
        std::fs::create_dir_all(&self.folder).map_err(Unlocked::Fault)?;
        let file = OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(false)
            .mode(0o644)
            .open(self.folder.join(name))
            .map_err(Unlocked::Fault)?;
        match flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => Ok(Claim { file }),
            Err(rustix::io::Errno::WOULDBLOCK) => Err(Unlocked::Taken),
            Err(errno) => Err(Unlocked::Fault(errno.into())),
        }
    }

    /// Claims a pin and records how it is driven.
    pub(super) fn take(&self, record: &OutputRecord) -> Result<Claim, GpioError> {
        let name = format!("pin-{}", record.output.gpio);
        let path = self.folder.join(&name).display().to_string();
        let fault = |error: std::io::Error| GpioError::Claim {
            gpio: record.output.gpio,
            path: path.clone(),
            why: error.to_string(),
        };
        let mut claim = self.lock(&name).map_err(|error| match error {
            Unlocked::Taken => GpioError::Taken {
                gpio: record.output.gpio,
                path: path.clone(),
            },
            Unlocked::Fault(error) => fault(error),
        })?;
        claim.write(record).map_err(fault)?;
        Ok(claim)
    }

    /// Claims a PWM channel. What stands in the file is left for the caller to look at first: it tells whose an exported channel is.
    ///
    /// # Errors
    /// In words, when another daemon has it or the file cannot be made.
    pub(in crate::pump) fn lock_pwm(&self, record: &PwmRecord) -> Result<Claim, String> {
        let name = record.file_name();
        let path = self.folder.join(&name).display().to_string();
        self.lock(&name).map_err(|error| match error {
            Unlocked::Taken => format!(
                "another dosewright daemon drives it (lock file {path}); stop that one"
            ),
            Unlocked::Fault(error) => format!(
                "{path}: {error}; the service manager makes that folder (RuntimeDirectory), or make it for the daemon's user"
            ),
        })
    }

    /// Pins that are or were driven and not given back in order. Files that say nothing are passed over.
    pub fn records(&self) -> Vec<OutputRecord> {
        let mut records: Vec<OutputRecord> = self.read("pin-");
        records.sort_by_key(|record| record.output.gpio);
        records
    }

    /// PWM channels that are or were driven and not given back in order.
    pub fn pwm_records(&self) -> Vec<PwmRecord> {
        let mut records: Vec<PwmRecord> = self.read("pwm-");
        records.sort_by(|a, b| (&a.chip, a.channel).cmp(&(&b.chip, b.channel)));
        records
    }

    fn read<T: DeserializeOwned>(&self, prefix: &str) -> Vec<T> {
        let Ok(entries) = std::fs::read_dir(&self.folder) else {
            return Vec::new();
        };
        entries
            .flatten()
            .filter(|entry| entry.file_name().to_string_lossy().starts_with(prefix))
            .filter_map(|entry| {
                let mut text = String::new();
                let file = File::open(entry.path()).ok()?;
                file.take(RECORD_BYTES_MAX).read_to_string(&mut text).ok()?;
                serde_json::from_str(&text).ok()
            })
            .collect()
    }
}

/// Why a lock file could not be locked.
enum Unlocked {
    /// Another process has it.
    Taken,
    Fault(std::io::Error),
}

/// Which PWM channel was driven.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PwmRecord {
    /// The chip, by the whole path of its device.
    pub chip: String,
    pub channel: u8,
    /// What hangs on it.
    pub what: String,
}

impl PwmRecord {
    /// One file a channel, whatever way its chip is named in a configuration.
    fn file_name(&self) -> String {
        let chip: String = self
            .chip
            .chars()
            .map(|c| if c == '/' { '-' } else { c })
            .collect();
        format!("pwm-{}-{}", chip.trim_matches('-'), self.channel)
    }
}

/// A claimed pin or channel, until dropped.
#[derive(Debug)]
pub(in crate::pump) struct Claim {
    file: File,
}

impl Claim {
    /// Whether a daemon that did not give it back has left a record.
    pub(in crate::pump) fn says_something(&self) -> bool {
        self.file.metadata().is_ok_and(|meta| meta.len() > 0)
    }

    /// Records how it is driven.
    pub(in crate::pump) fn write(&mut self, record: &impl Serialize) -> std::io::Result<()> {
        let text = serde_json::to_vec(record)?;
        self.file.set_len(0)?;
        self.file.write_all(&text)
    }

    /// It is off and given back in order: nothing is left for `outputs-off`.
    pub(in crate::pump) fn forget(&mut self) {
        if let Err(error) = self.file.set_len(0) {
            tracing::debug!(%error, "the record of a pin could not be emptied");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{ActiveLevel, LineBy};

    fn record(gpio: u8) -> OutputRecord {
        OutputRecord {
            driver: BoardDriver::Chardev {
                chip_label: "chip".to_owned(),
                line_by: LineBy::Offset,
            },
            output: Output {
                gpio,
                active: ActiveLevel::Low,
            },
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
