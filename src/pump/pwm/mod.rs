//! Heads driven by hardware PWM, through the files of the kernel's PWM class (`/sys/class/pwm`).
//!
//! Terms: a *chip* has numbered *channels*; a channel is *exported* when it was given to user space, and then has a folder with
//! `enable`, `period` and `duty_cycle`. A chip is found by its device, never by its number, which differs between kernels and boards
//! (FT-PWM-02). A channel that a driver of the kernel has (a fan's) cannot be exported, and is never written to.
//!
//! Promised: period and duty are set while the channel is off and stay as they are until it is off again (FT-PWM-03); off means
//! `enable` 0 and then a duty of 0, both read back; a channel that is found on is switched off before anything else (FT-PWM-04).
//! Not promised: that a channel goes off when the process is killed. It goes on pulsing; `outputs-off`, the common cut-off (without
//! which such a head is not driven live) and the hardware are for that. Nor that the channel comes out on the pin: the board's own
//! set-up decides that, and nothing here can see it.
//!
//! The folder of the class is a parameter, so that tests run on a folder that plays the kernel.

mod channel;

use std::fs;
use std::path::{Path, PathBuf};

use thiserror::Error;

pub use channel::{PwmTaken, force_pwm_off};

/// Where the kernel has the class.
const SYSTEM: &str = "/sys/class/pwm";

/// Why a channel cannot be had, or does not obey.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum PwmError {
    /// No chip, or several, are that device.
    #[error(
        "{found} PWM chips are the device \"{chip}\", and it must be exactly one (there are: {known}); mend pwm.chip, and see that the board's \
         set-up turns PWM on (hw-notes/heads.md, PWM)"
    )]
    Chip {
        /// The device looked for.
        chip: String,
        /// How many are it.
        found: usize,
        /// The devices there are.
        known: String,
    },
    /// The chip has no such channel. There is no falling back to another one.
    #[error("PWM chip \"{chip}\" has no channel {channel}; it has {valid}")]
    Channel {
        chip: String,
        channel: u8,
        /// Those it has, in words.
        valid: String,
    },
    /// The kernel does not give the channel to user space. It was not touched.
    #[error(
        "channel {channel} of PWM chip \"{chip}\" is not free: a driver of the kernel has it, such as a fan's, or a program that takes it at this \
         moment; it was left as it is; choose another channel"
    )]
    Busy { chip: String, channel: u8 },
    /// Somebody else has the channel. It was not touched.
    #[error("channel {channel} of PWM chip \"{chip}\" is not free: {why}; it was left as it is")]
    NotFree {
        chip: String,
        channel: u8,
        /// Who has it, as far as that is known, and what to do.
        why: String,
    },
    /// Another daemon drives it, or the lock file cannot be made.
    #[error("channel {channel} of PWM chip \"{chip}\" cannot be claimed: {why}")]
    Claim {
        chip: String,
        channel: u8,
        why: String,
    },
    /// A file of the class could not be read or written, or does not keep what was written.
    #[error("{path}: {why}")]
    File { path: String, why: String },
}

impl PwmError {
    fn file(path: &Path, why: &dyn std::fmt::Display) -> Self {
        Self::File {
            path: path.display().to_string(),
            why: why.to_string(),
        }
    }
}

/// The PWM class of a machine.
#[derive(Debug, Clone)]
pub struct PwmClass {
    root: PathBuf,
}

/// One chip of the class.
#[derive(Debug, Clone)]
pub struct PwmChip {
    /// Its folder in the class.
    folder: PathBuf,
    /// As the configuration names it.
    name: String,
    /// The folder of its device.
    device: PathBuf,
}

impl PwmClass {
    pub fn system() -> Self {
        Self::at(Path::new(SYSTEM))
    }

    /// One that lies elsewhere.
    pub fn at(root: &Path) -> Self {
        Self {
            root: root.to_path_buf(),
        }
    }

    /// Every chip: its folder in the class, and the folder of its device.
    fn chips(&self) -> Vec<(PathBuf, PathBuf)> {
        let Ok(entries) = fs::read_dir(&self.root) else {
            return Vec::new();
        };
        let mut chips: Vec<(PathBuf, PathBuf)> = entries
            .flatten()
            .filter(|entry| entry.file_name().to_string_lossy().starts_with("pwmchip"))
            .filter_map(|entry| {
                let device = fs::canonicalize(entry.path().join("device")).ok()?;
                Some((entry.path(), device))
            })
            .collect();
        chips.sort();
        chips
    }

    /// The one chip whose device is `name`, or has a path that ends in it.
    ///
    /// # Errors
    /// When none or several are; there is no falling back to a number.
    pub fn find(&self, name: &str) -> Result<PwmChip, PwmError> {
        let chips = self.chips();
        let mut found = chips.iter().filter(|(_, device)| device.ends_with(name));
        match (found.next(), found.count()) {
            (Some((folder, device)), 0) => Ok(PwmChip {
                folder: folder.clone(),
                name: name.to_owned(),
                device: device.clone(),
            }),
            (first, more) => {
                let known: Vec<String> = chips
                    .iter()
                    .filter_map(|(_, device)| device.file_name())
                    .map(|device| device.to_string_lossy().into_owned())
                    .collect();
                Err(PwmError::Chip {
                    chip: name.to_owned(),
                    found: more.saturating_add(usize::from(first.is_some())),
                    known: if known.is_empty() {
                        "none".to_owned()
                    } else {
                        known.join(", ")
                    },
                })
            }
        }
    }
}

impl PwmChip {
    /// Whether the chip has this channel.
    ///
    /// # Errors
    /// When it has not, with those that it has; when that cannot be read.
    pub fn check_channel(&self, channel: u8) -> Result<(), PwmError> {
        let path = self.folder.join("npwm");
        let text = fs::read_to_string(&path).map_err(|error| PwmError::file(&path, &error))?;
        let count: u32 = text
            .trim()
            .parse()
            .map_err(|_| PwmError::file(&path, &"is not a number of channels"))?;
        if u32::from(channel) < count {
            return Ok(());
        }
        Err(PwmError::Channel {
            chip: self.name.clone(),
            channel,
            valid: channels_in_words(count),
        })
    }
}

/// `channel 0 only`, `channels 0, 1`, `channels 0 to 15`.
fn channels_in_words(count: u32) -> String {
    match count {
        0 => "none".to_owned(),
        1 => "channel 0 only".to_owned(),
        2..=8 => {
            let all: Vec<String> = (0..count).map(|n| n.to_string()).collect();
            format!("channels {}", all.join(", "))
        }
        _ => format!("channels 0 to {}", count.saturating_sub(1)),
    }
}
