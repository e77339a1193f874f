//! One channel: taking it over, driving it, giving it back; and switching it off from a process of its own.

use std::fs::{self, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};

use super::{PwmChip, PwmClass, PwmError};
use crate::config::Pwm;
use crate::pump::clock::elapsed_us;
use crate::pump::control::RunControl;
use crate::pump::gpio::{Claim, Claims, Found, PwmRecord};
use crate::pump::output::{Output, PumpError};
use crate::record::DoseId;

/// How long a channel that was just exported may take until its files are there and may be written to, in microseconds: the kernel
/// makes them, then the device manager gives them to the group (ours).
const READY_US_MAX: i64 = 2_000_000;
/// Time between two looks for that, in microseconds.
const LOOK_US: i64 = 10_000;

/// The files of one channel.
#[derive(Debug, Clone)]
struct Channel {
    chip: PwmChip,
    number: u8,
}

impl Channel {
    fn of(class: &PwmClass, chip: &str, number: u8) -> Result<Self, PwmError> {
        let chip = class.find(chip)?;
        chip.check_channel(number)?;
        Ok(Self { chip, number })
    }

    fn folder(&self) -> PathBuf {
        self.chip.folder.join(format!("pwm{}", self.number))
    }

    fn is_exported(&self) -> bool {
        self.folder().is_dir()
    }

    fn read(&self, file: &str) -> Result<String, PwmError> {
        let path = self.folder().join(file);
        fs::read_to_string(&path)
            .map(|text| text.trim().to_owned())
            .map_err(|error| PwmError::file(&path, &error))
    }

    /// Writes a value if it is another one, and reads it back. The kernel refuses some values that it has already, such as no duty
    /// before there is a period.
    fn put(&self, file: &str, value: &str) -> Result<(), PwmError> {
        if self.read(file)? == value {
            return Ok(());
        }
        let path = self.folder().join(file);
        write(&path, value).map_err(|error| {
            PwmError::file(&path, &format!("{value} could not be written: {error}"))
        })?;
        let kept = self.read(file)?;
        if kept == value {
            Ok(())
        } else {
            Err(PwmError::file(
                &path,
                &format!("{value} was written but it reads {kept}"),
            ))
        }
    }

    fn is_enabled(&self) -> Result<bool, PwmError> {
        Ok(self.read("enable")? != "0")
    }

    /// Off, then no duty; the duty also when the first does not obey, for without it the output is low as well.
    fn off(&self) -> Result<(), PwmError> {
        let off = self.put("enable", "0");
        let none = self.put("duty_cycle", "0");
        off.and(none)
    }

    fn not_free(&self, why: String) -> PwmError {
        PwmError::NotFree {
            chip: self.chip.name.clone(),
            channel: self.number,
            why,
        }
    }

    /// What it means that the kernel does not give the channel to user space.
    fn not_given(&self, export: &Path, error: &std::io::Error) -> PwmError {
        if error.kind() == std::io::ErrorKind::ResourceBusy {
            PwmError::Busy {
                chip: self.chip.name.clone(),
                channel: self.number,
            }
        } else {
            self.not_free(format!("{}: {error}", export.display()))
        }
    }

    /// Has the channel given to user space.
    fn export(&self) -> Result<(), PwmError> {
        let path = self.chip.folder.join("export");
        write(&path, &self.number.to_string()).map_err(|error| self.not_given(&path, &error))?;
        self.wait_until_ready()
    }

    /// Waits until the channel's files can be written to.
    fn wait_until_ready(&self) -> Result<(), PwmError> {
        let until = elapsed_us().saturating_add(READY_US_MAX);
        // Nobody stops this wait: the number is above every dose that could be stopped.
        let (patience, nobody) = (RunControl::default(), DoseId(i64::MAX));
        loop {
            let files = ["duty_cycle", "period", "enable", "polarity"];
            let unready = files.into_iter().find_map(|file| {
                let path = self.folder().join(file);
                let opened = OpenOptions::new().write(true).open(&path);
                opened.err().map(|error| PwmError::file(&path, &error))
            });
            match unready {
                None => return Ok(()),
                Some(error) if elapsed_us() > until => return Err(error),
                Some(_) => {}
            }
            patience.wait(nobody, elapsed_us().saturating_add(LOOK_US));
        }
    }

    fn unexport(&self) -> std::io::Result<()> {
        write(&self.chip.folder.join("unexport"), &self.number.to_string())
    }

    fn record(&self, what: &str) -> PwmRecord {
        PwmRecord {
            chip: self.chip.device.display().to_string(),
            channel: self.number,
            what: what.to_owned(),
        }
    }
}

fn write(path: &Path, value: &str) -> std::io::Result<()> {
    let mut file = OpenOptions::new().write(true).truncate(true).open(path)?;
    file.write_all(value.as_bytes())
}

/// A channel that was taken over, and is off.
pub struct PwmTaken {
    pub output: Box<dyn Output>,
    /// Whether it was pulsing before, told by nobody here.
    pub was_on: bool,
}

impl PwmClass {
    /// Takes a head's channel over and drives it off. `what` says in the claim's record what hangs on it.
    ///
    /// A channel that is pulsing is switched off before anything else: a pump hangs on it. One that is exported, off, and not on
    /// record as this program's belongs to somebody else.
    ///
    /// # Errors
    /// When there is no such channel, somebody else has it, or it does not obey.
    pub fn take(&self, pwm: &Pwm, claims: &Claims, what: &str) -> Result<PwmTaken, PwmError> {
        let channel = Channel::of(self, &pwm.chip, pwm.channel)?;
        let record = channel.record(what);
        let mut claim = claims.lock_pwm(&record).map_err(|why| PwmError::Claim {
            chip: pwm.chip.clone(),
            channel: pwm.channel,
            why,
        })?;
        let ours = claim.says_something();
        let mut was_on = false;
        let exported = channel.is_exported();
        if exported {
            was_on = channel.is_enabled()?;
            if was_on {
                channel.off()?;
            } else if !ours {
                return Err(channel.not_free(format!(
                    "it is exported, and not by dosewright, so another program uses it; if none does: echo {} | sudo tee {}",
                    channel.number,
                    channel.chip.folder.join("unexport").display()
                )));
            }
        }
        claim.write(&record).map_err(|error| PwmError::Claim {
            chip: pwm.chip.clone(),
            channel: pwm.channel,
            why: error.to_string(),
        })?;
        if !exported {
            if let Err(error) = channel.export() {
                claim.forget();
                return Err(error);
            }
            was_on = channel.is_enabled()?;
        }
        channel.off()?;
        channel.wait_until_ready()?;
        // Inverted, a channel that is off would rest high.
        channel.put("polarity", "normal")?;
        let output = PwmOutput {
            channel,
            period: pwm.period_ns().to_string(),
            duty: pwm.duty_ns().to_string(),
            told_on: false,
            claim,
        };
        Ok(PwmTaken {
            output: Box::new(output),
            was_on,
        })
    }
}

/// One channel that is driven.
#[derive(Debug)]
struct PwmOutput {
    channel: Channel,
    /// In nanoseconds, as the kernel writes them.
    period: String,
    duty: String,
    told_on: bool,
    claim: Claim,
}

impl PwmOutput {
    fn pulses_as_told(&self) -> Result<bool, PwmError> {
        Ok(self.channel.is_enabled()?
            && self.channel.read("duty_cycle")? == self.duty
            && self.channel.read("period")? == self.period)
    }

    /// Everything while it is off, and the switch last.
    fn begin(&self) -> Result<(), PwmError> {
        let channel = &self.channel;
        channel.off()?;
        channel.put("polarity", "normal")?;
        channel.put("period", &self.period)?;
        channel.put("duty_cycle", &self.duty)?;
        channel.put("enable", "1")
    }
}

fn refused(to: &'static str) -> impl Fn(PwmError) -> PumpError {
    move |error| PumpError::Write {
        to,
        why: error.to_string(),
    }
}

impl Output for PwmOutput {
    /// On again while it is on changes nothing: a channel that is written to may stay high for a whole period.
    fn set_on(&mut self) -> Result<(), PumpError> {
        if self.told_on && self.pulses_as_told().is_ok_and(|as_told| as_told) {
            return Ok(());
        }
        self.told_on = true;
        self.begin().map_err(refused("on"))
    }

    /// A channel that another program gave away in between is taken back first: it may be pulsing still.
    fn set_off(&mut self) -> Result<(), PumpError> {
        self.told_on = false;
        if !self.channel.is_exported() {
            self.channel.export().map_err(refused("off"))?;
        }
        self.channel.off().map_err(refused("off"))
    }

    /// A channel that pulses otherwise than it was told, or cannot be read, counts as off while it should be on: that ends the run.
    fn is_on(&mut self) -> Option<bool> {
        if self.told_on {
            return Some(self.pulses_as_told().is_ok_and(|as_told| as_told));
        }
        self.channel.is_enabled().ok()
    }
}

impl Drop for PwmOutput {
    /// Off, and given back. One that does not go off keeps its record, so that `outputs-off` still finds it.
    fn drop(&mut self) {
        if let Err(error) = self.set_off() {
            tracing::error!(%error, "on giving a PWM channel back");
            return;
        }
        match self.channel.unexport() {
            Ok(()) => self.claim.forget(),
            Err(error) => {
                tracing::warn!(%error, "a PWM channel is off, and could not be given back");
            }
        }
    }
}

/// Looks at a channel, then drives it off, whoever drove it before. Needs no claim: this must work against a daemon, too. One that is
/// not exported may pulse all the same, as whoever had it left it; it is looked at and given back. One that the kernel does not give
/// is a driver's of its own, and is not touched.
///
/// # Errors
/// When there is no such channel, it cannot be looked at, or it does not obey.
pub fn force_pwm_off(class: &PwmClass, chip: &str, channel: u8) -> Result<Found, PwmError> {
    let channel = Channel::of(class, chip.trim_matches('/'), channel)?;
    let give_back = !channel.is_exported();
    if give_back {
        match channel.export() {
            Ok(()) => {}
            Err(PwmError::Busy { .. }) => return Ok(Found::NotDriven),
            Err(error) => return Err(error),
        }
    }
    let found = match channel.is_enabled() {
        Ok(true) => Found::On,
        Ok(false) => Found::Off,
        Err(_) => Found::Unknown,
    };
    channel.off()?;
    if give_back && let Err(error) = channel.unexport() {
        tracing::warn!(%error, "a PWM channel is off, and could not be given back");
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// EBUSY is what the kernel answers when a driver of its own has the channel (seen on the emulated board); no folder that plays the
    /// kernel can answer so.
    #[test]
    fn ft_pwm_02_a_channel_that_the_kernel_does_not_give_is_said_to_be_somebody_elses() {
        let channel = Channel {
            chip: PwmChip {
                folder: PathBuf::from("/x"),
                name: "fe20c000.pwm".to_owned(),
                device: PathBuf::from("/y"),
            },
            number: 3,
        };
        let answer = |errno: rustix::io::Errno| {
            let error = channel.not_given(Path::new("/x/export"), &errno.into());
            error.to_string()
        };
        let busy = answer(rustix::io::Errno::BUSY);
        assert!(busy.contains("a driver of the kernel has it"), "{busy}");
        let denied = answer(rustix::io::Errno::ACCESS);
        assert!(denied.contains("/x/export"), "{denied}");
    }
}
