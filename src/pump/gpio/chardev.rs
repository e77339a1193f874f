//! The driver `chardev`: the kernel's GPIO character device. Chips are found by label, never by number, which changes between
//! kernels (FT-GPIO-06). The kernel gives each line to one process only.

use std::path::{Path, PathBuf};

use gpiocdev::Request;
use gpiocdev::line::{Bias, Direction, Value};

use super::error::GpioError;
use super::found::Found;
use crate::config::{ActiveLevel, LineBy, Output as OutputConfig};
use crate::pump::output::{Contact, Output, PumpError};

/// What the kernel shows as the user of a line.
const CONSUMER: &str = "dosewright";

#[derive(Debug)]
pub(super) struct Chip {
    path: PathBuf,
    label: String,
    line_by: LineBy,
}

/// The one chip that has the label.
///
/// # Errors
/// When none or several have it; there is no falling back to a number.
pub fn choose_chip<'a>(chips: &'a [(PathBuf, String)], label: &str) -> Result<&'a Path, GpioError> {
    let mut found = chips.iter().filter(|(_, l)| l == label);
    match (found.next(), found.count()) {
        (Some((path, _)), 0) => Ok(path),
        (first, more) => {
            let known: Vec<&str> = chips.iter().map(|(_, l)| l.as_str()).collect();
            Err(GpioError::Chip {
                label: label.to_owned(),
                found: more.saturating_add(usize::from(first.is_some())),
                known: if known.is_empty() {
                    "none that may be opened".to_owned()
                } else {
                    known.join(", ")
                },
            })
        }
    }
}

fn chips() -> Result<Vec<(PathBuf, String)>, GpioError> {
    let paths = gpiocdev::chip::chips().map_err(|error| GpioError::Board {
        driver: "chardev",
        why: error.to_string(),
    })?;
    let labelled = paths.into_iter().filter_map(|path| {
        let chip = gpiocdev::chip::Chip::from_path(&path).ok()?;
        Some((path, chip.info().ok()?.label))
    });
    Ok(labelled.collect())
}

impl Chip {
    pub(super) fn open(label: &str, line_by: LineBy) -> Result<Self, GpioError> {
        let chips = chips()?;
        let path = choose_chip(&chips, label)?.to_path_buf();
        Ok(Self {
            path,
            label: label.to_owned(),
            line_by,
        })
    }

    fn offset(&self, gpio: u8) -> Result<u32, GpioError> {
        if self.line_by == LineBy::Offset {
            return Ok(u32::from(gpio));
        }
        let pin = |error: gpiocdev::Error| GpioError::Pin {
            gpio,
            why: error.to_string(),
        };
        let chip = gpiocdev::chip::Chip::from_path(&self.path).map_err(pin)?;
        let wanted = format!("GPIO{gpio}");
        let named: Vec<u32> = chip
            .line_info_iter()
            .map_err(pin)?
            .flatten()
            .filter(|line| line.name == wanted)
            .map(|line| line.offset)
            .collect();
        match named.as_slice() {
            [offset] => Ok(*offset),
            others => Err(GpioError::Line {
                label: self.label.clone(),
                gpio,
                found: others.len(),
            }),
        }
    }

    /// Requested as an output with its value off in one call to the kernel, so that there is no edge.
    pub(super) fn output(&self, config: &OutputConfig) -> Result<ChardevOutput, GpioError> {
        let offset = self.offset(config.gpio)?;
        let mut builder = Request::builder();
        builder
            .on_chip(&self.path)
            .with_consumer(CONSUMER)
            .with_line(offset);
        if config.active == ActiveLevel::Low {
            builder.as_active_low();
        }
        builder.as_output(Value::Inactive);
        let request = builder
            .request()
            .map_err(|error| self.refused(config.gpio, offset, &error))?;
        Ok(ChardevOutput { request })
    }

    pub(super) fn contact(&self, gpio: u8, pull: ActiveLevel) -> Result<ChardevContact, GpioError> {
        let offset = self.offset(gpio)?;
        let bias = match pull {
            ActiveLevel::Low => Bias::PullDown,
            ActiveLevel::High => Bias::PullUp,
        };
        let ask = |bias: Option<Bias>| {
            Request::builder()
                .on_chip(&self.path)
                .with_consumer(CONSUMER)
                .with_line(offset)
                .as_input()
                .with_bias(bias)
                .request()
        };
        let request = ask(Some(bias))
            .or_else(|error| {
                tracing::warn!(gpio, %error, "this chip has no pull resistors of its own; the one outside must be there");
                ask(None)
            })
            .map_err(|error| self.refused(gpio, offset, &error))?;
        Ok(ChardevContact { request })
    }

    /// What a line is, then drives it off. Unlike with registers, a line that another process holds cannot be had.
    pub(super) fn force_off(&self, config: &OutputConfig) -> Result<Found, GpioError> {
        let offset = self.offset(config.gpio)?;
        let found = self.found(config, offset);
        let mut output = self.output(config)?;
        let why = match output.set_off() {
            Ok(()) if output.is_on() != Some(true) => return Ok(found),
            Ok(()) => "it was switched off but still reads as on".to_owned(),
            Err(error) => error.to_string(),
        };
        Err(GpioError::Pin {
            gpio: config.gpio,
            why,
        })
    }

    /// Looks at a line as it is: direction from the kernel's books, level by a request that changes nothing.
    fn found(&self, config: &OutputConfig, offset: u32) -> Found {
        let direction = gpiocdev::chip::Chip::from_path(&self.path)
            .and_then(|chip| chip.line_info(offset))
            .map(|info| info.direction);
        match direction {
            Ok(Direction::Output) => {}
            Ok(Direction::Input) => return Found::NotDriven,
            Err(_) => return Found::Unknown,
        }
        let as_it_is = Request::builder()
            .on_chip(&self.path)
            .with_consumer(CONSUMER)
            .with_line(offset)
            .as_is()
            .request()
            .and_then(|request| request.lone_value());
        let high = match as_it_is {
            Ok(value) => value == Value::Active,
            Err(_) => return Found::Unknown,
        };
        if high == (config.active == ActiveLevel::High) {
            Found::On
        } else {
            Found::Off
        }
    }

    fn refused(&self, gpio: u8, offset: u32, error: &gpiocdev::Error) -> GpioError {
        let user = gpiocdev::chip::Chip::from_path(&self.path)
            .and_then(|chip| chip.line_info(offset))
            .ok()
            .filter(|info| info.used)
            .map(|info| format!(" (in use by \"{}\")", info.consumer))
            .unwrap_or_default();
        GpioError::Pin {
            gpio,
            why: format!("line {offset} of chip \"{}\": {error}{user}", self.label),
        }
    }
}

/// One line that is driven.
#[derive(Debug)]
pub(super) struct ChardevOutput {
    request: Request,
}

impl ChardevOutput {
    fn set(&self, value: Value, to: &'static str) -> Result<(), PumpError> {
        self.request
            .set_lone_value(value)
            .map_err(|error| PumpError::Write {
                to,
                why: error.to_string(),
            })
    }
}

impl Output for ChardevOutput {
    fn set_on(&mut self) -> Result<(), PumpError> {
        self.set(Value::Active, "on")
    }

    fn set_off(&mut self) -> Result<(), PumpError> {
        self.set(Value::Inactive, "off")
    }

    fn is_on(&mut self) -> Option<bool> {
        self.request
            .lone_value()
            .ok()
            .map(|value| value == Value::Active)
    }
}

impl Drop for ChardevOutput {
    /// Off before the kernel gets the line back. What it does with it then differs: mainline kernels make it an input, the
    /// Raspberry Pi's own leaves it driven.
    fn drop(&mut self) {
        if let Err(error) = self.set(Value::Inactive, "off") {
            tracing::error!(%error, "on giving a line back");
        }
    }
}

/// One line that is read.
#[derive(Debug)]
pub(super) struct ChardevContact {
    request: Request,
}

impl Contact for ChardevContact {
    fn level(&mut self) -> Option<ActiveLevel> {
        self.request.lone_value().ok().map(|value| match value {
            Value::Active => ActiveLevel::High,
            Value::Inactive => ActiveLevel::Low,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chips(labels: &[&str]) -> Vec<(PathBuf, String)> {
        labels
            .iter()
            .enumerate()
            .map(|(n, label)| {
                (
                    PathBuf::from(format!("/dev/gpiochip{n}")),
                    (*label).to_owned(),
                )
            })
            .collect()
    }

    #[test]
    fn the_chip_is_found_by_its_label_wherever_it_stands() {
        for place in [0, 4, 10] {
            let mut labels = vec!["decoy"; 11];
            labels[place] = "pinctrl-rp1";
            let chips = chips(&labels);
            let path = choose_chip(&chips, "pinctrl-rp1").unwrap();
            assert_eq!(path, Path::new(&format!("/dev/gpiochip{place}")));
        }
    }

    #[test]
    fn none_or_two_chips_of_the_label_are_refused() {
        for labels in [
            &["decoy", "other"][..],
            &["pinctrl-rp1", "x", "pinctrl-rp1"],
            &[],
        ] {
            let chips = chips(labels);
            let error = choose_chip(&chips, "pinctrl-rp1").unwrap_err();
            assert!(error.to_string().contains("exactly one"), "{error}");
        }
    }
}
