//! PWM heads on this very machine: whether its PWM class has the channels that the configuration names, and what was left on.
//!
//! `config` knows no machine, so this is joined to its checks where files are loaded. A chip that is there and has no such channel is
//! a mistake in either mode. One that is not there is a warning, for a file may be checked elsewhere; the daemon stays dry then.

use std::path::Path;

use super::seen::OutputsSeen;
use crate::config::{Controller, Finding, Pwm, WrittenChannel, WrittenPwm};
use crate::pump::{CLAIMS_FOLDER, Claims, PwmClass, PwmError, PwmTaken, force_pwm_off};
use crate::quantity::Name;
use crate::record::OutputPlace;

/// What this machine's PWM class says to a controller file.
pub(super) fn findings(written: &WrittenPwm, class: &PwmClass) -> Vec<Finding<usize>> {
    let finding = |pwm: &WrittenChannel| {
        let error = has(class, &pwm.chip, pwm.channel).err()?;
        let no_such_channel = matches!(error, PwmError::Channel { .. });
        if !no_such_channel && !written.live {
            return None;
        }
        Some(Finding {
            at: if no_such_channel {
                pwm.channel_at
            } else {
                pwm.chip_at
            },
            is_mistake: no_such_channel,
            message: format!("head \"{}\": pwm: {error}", pwm.head),
        })
    };
    written.channels.iter().filter_map(finding).collect()
}

fn has(class: &PwmClass, chip: &str, channel: u8) -> Result<(), PwmError> {
    class.find(chip.trim_matches('/'))?.check_channel(channel)
}

/// Whether the class has every channel that the heads need.
///
/// # Errors
/// In words, for the first that it has not.
pub(super) fn check(controller: &Controller, class: &PwmClass) -> Result<(), String> {
    for (name, head) in &controller.heads {
        if let Some(pwm) = head.output.pwm() {
            has(class, &pwm.chip, pwm.channel).map_err(|error| format!("head {name}: {error}"))?;
        }
    }
    Ok(())
}

/// Drives off what a daemon before this one drove and did not give back.
pub(super) fn force_off_leftovers(class: &PwmClass, claims: &Claims, seen: &mut OutputsSeen) {
    for record in claims.pwm_records() {
        let done = force_pwm_off(class, &record.chip, record.channel);
        let place = OutputPlace::Pwm(record.chip.clone(), record.channel);
        seen.add(&record.what, place, done.as_ref().ok().copied());
        match done {
            Ok(found) => {
                tracing::warn!(chip = %record.chip, channel = record.channel, what = %record.what, found = found.as_str(), "a PWM channel that was not given back is driven off");
            }
            Err(error) => {
                tracing::error!(what = %record.what, %error, "a PWM channel that was not given back");
            }
        }
    }
}

/// Takes over the channel of a head and drives it off.
///
/// # Errors
/// In words, when it cannot be had.
pub(super) fn take(name: &Name, pwm: &Pwm) -> Result<PwmTaken, String> {
    let claims = Claims::at(Path::new(CLAIMS_FOLDER));
    PwmClass::system()
        .take(pwm, &claims, &format!("head {name}"))
        .map_err(|error| error.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::HeadOutput;
    use std::fs;

    /// A class with one chip of two channels.
    fn class(folder: &Path) -> PwmClass {
        let device = folder.join("soc/fe20c000.pwm");
        let chip = folder.join("class/pwmchip3");
        fs::create_dir_all(&device).unwrap();
        fs::create_dir_all(&chip).unwrap();
        fs::write(chip.join("npwm"), "2\n").unwrap();
        std::os::unix::fs::symlink(device, chip.join("device")).unwrap();
        PwmClass::at(&folder.join("class"))
    }

    fn written(live: bool, chip: &str, channel: u8) -> WrittenPwm {
        let channel = WrittenChannel {
            head: "a".to_owned(),
            chip: chip.to_owned(),
            chip_at: 60,
            channel,
            channel_at: 80,
        };
        WrittenPwm {
            live,
            channels: vec![channel],
        }
    }

    #[test]
    fn ft_pwm_01_a_channel_that_this_machine_has_not_is_a_mistake_at_load_with_those_it_has() {
        let folder = tempfile::tempdir().unwrap();
        let class = class(folder.path());
        for live in [false, true] {
            for channel in 0..=255 {
                let found = findings(&written(live, "fe20c000.pwm", channel), &class);
                assert_eq!(
                    found.len(),
                    usize::from(channel >= 2),
                    "{channel}: {found:?}"
                );
                for found in found {
                    assert!(found.is_mistake);
                    assert!(
                        found.message.contains("head \"a\"")
                            && found.message.contains("channels 0, 1")
                    );
                    assert_eq!(found.at, 80);
                }
            }
        }
    }

    #[test]
    fn a_chip_that_is_not_here_is_said_in_live_mode_and_expected_in_dry_run() {
        let folder = tempfile::tempdir().unwrap();
        for class in [
            class(folder.path()),
            PwmClass::at(Path::new("/nonexistent")),
        ] {
            assert!(findings(&written(false, "elsewhere.pwm", 0), &class).is_empty());
            let found = findings(&written(true, "elsewhere.pwm", 0), &class);
            assert!(found.len() == 1 && !found[0].is_mistake, "{found:?}");
            assert_eq!(found[0].at, 60);
        }
    }

    #[test]
    fn what_had_been_left_pulsing_is_switched_off_and_told_by_its_head() {
        let folder = tempfile::tempdir().unwrap();
        let class = class(folder.path());
        let channel = folder.path().join("class/pwmchip3/pwm1");
        fs::create_dir(&channel).unwrap();
        fs::write(channel.join("enable"), "1\n").unwrap();
        fs::write(channel.join("duty_cycle"), "600000\n").unwrap();
        let claims = folder.path().join("run");
        fs::create_dir(&claims).unwrap();
        let device = folder.path().join("soc/fe20c000.pwm");
        let record = format!(
            "{{\"chip\":\"{}\",\"channel\":1,\"what\":\"head a\"}}",
            device.display()
        );
        fs::write(claims.join("pwm-soc-fe20c000.pwm-1"), record).unwrap();
        let mut seen = OutputsSeen::begin();
        force_off_leftovers(&class, &Claims::at(&claims), &mut seen);
        assert!(seen.seen[0].was_on && seen.seen[0].is_off);
        let pwm = |channel| {
            HeadOutput::Pwm(Pwm {
                chip: "soc/fe20c000.pwm".to_owned(),
                channel,
                pin: 19,
                frequency_hz: 20_000,
                duty_percent: 60,
            })
        };
        assert!(seen.seen[0].place.moves(&pwm(1)) && !seen.seen[0].place.moves(&pwm(0)));
        assert_eq!(fs::read_to_string(channel.join("enable")).unwrap(), "0");
        force_off_leftovers(&class, &Claims::at(&claims), &mut seen);
        assert!(seen.seen[1].was_off && !seen.seen[1].was_on);
    }
}
