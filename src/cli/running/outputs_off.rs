//! Driving every output off: the last software layer, run by the service manager before and after the daemon, and by people.
//!
//! It needs no ledger, no daemon and no valid file, asks nobody, and goes on past every failure.

use std::io::{Read, Write};
use std::path::Path;

use serde::Serialize;

use crate::cli::{Out, Place, Result, Tone, refused};
use crate::config::{BoardDriver, CONTROLLER_FILE, Output};
use crate::daemon::OutputsSeen;
use crate::pump::{
    CLAIMS_FOLDER, Claims, Found, PwmClass, RecognisedPwm, Recognition, force_off, force_pwm_off,
    is_absent, recognise,
};
use crate::record::OutputPlace;

/// Largest file that is read, in bytes.
const FILE_BYTES_MAX: u64 = 1_048_576;

/// One output and what became of it.
#[derive(Debug, Serialize)]
struct Done {
    what: String,
    /// The pin; null for a PWM channel.
    gpio: Option<u8>,
    /// Chip and channel; null for a pin.
    pwm: Option<(String, u8)>,
    active: &'static str,
    /// `on`, `off`, `not driven`, `unknown`; null when it could not be driven off.
    found: Option<&'static str>,
    /// Why it could not be driven off.
    error: Option<String>,
    /// What had to be guessed.
    guess: Option<String>,
}

#[derive(Debug, Default, Serialize)]
struct Report {
    outputs: Vec<Done>,
    /// What is known to be there and could not be recognised.
    lost: Vec<String>,
}

/// Drives everything off that can be recognised.
pub(crate) fn outputs_off(place: &Place, json: bool, out: &mut Out) -> Result {
    let (recognition, unreadable) = read(&place.config.join(CONTROLLER_FILE));
    if nothing_to_drive(&recognition, place) {
        if json {
            out.json(&Report::default())?;
        } else {
            writeln!(
                out,
                "dry run, on a machine that has no such board, and nothing on record was ever driven here: nothing to switch off"
            )?;
        }
        return Ok(out.flush()?);
    }
    let mut seen = OutputsSeen::begin();
    let report = switch_off(recognition, unreadable, &mut seen);
    if let Err(error) = seen.keep(&place.state) {
        // Nobody's reason not to switch off, nor to say that it failed.
        tracing::warn!(%error, "which outputs were found on cannot be kept for the next start");
    }
    let bad = report.lost.len()
        + report
            .outputs
            .iter()
            .filter(|done| done.error.is_some() || done.guess.is_some())
            .count();
    if json {
        out.json(&report)?;
    } else {
        print(&report, out)?;
    }
    out.flush()?;
    if bad == 0 {
        return Ok(());
    }
    Err(refused(format!(
        "{bad} outputs are not known to be off; switch the pumps' supply off by hand, then look at them"
    )))
}

/// A dry run on a desk: all of it must be sure, else every output is tried.
fn nothing_to_drive(recognition: &Recognition, place: &Place) -> bool {
    let claims = Claims::at(Path::new(CLAIMS_FOLDER));
    recognition.dry_run
        && recognition.driver.as_ref().is_some_and(is_absent)
        && claims.records().is_empty()
        && claims.pwm_records().is_empty()
        && !OutputsSeen::reached_before(&place.state)
}

/// What the file says, and why it could not be read.
fn read(path: &Path) -> (Recognition, Option<String>) {
    let text = std::fs::File::open(path).and_then(|file| {
        let mut bytes = Vec::new();
        file.take(FILE_BYTES_MAX).read_to_end(&mut bytes)?;
        // Bytes that are no text spoil their own line only.
        Ok(String::from_utf8_lossy(&bytes).into_owned())
    });
    match text {
        Ok(text) => (recognise(&text), None),
        Err(error) => (
            Recognition::default(),
            Some(format!("{} cannot be read: {error}", path.display())),
        ),
    }
}

fn switch_off(found: Recognition, unreadable: Option<String>, seen: &mut OutputsSeen) -> Report {
    let mut wanted: Vec<(BoardDriver, Output, String, Option<String>)> = Vec::new();
    for record in Claims::at(Path::new(CLAIMS_FOLDER)).records() {
        wanted.push((record.driver, record.output, record.what, None));
    }
    let mut lost = found.lost;
    // Without [board] nothing can have been driven, unless the table is there and cannot be recognised.
    let driver = match (&found.driver, found.scanned) {
        (Some(driver), _) => Some(driver.clone()),
        (None, true) => Some(BoardDriver::Rppal),
        (None, false) => None,
    };
    if let Some(driver) = &driver {
        for output in found.outputs {
            // What the daemon really drove is more than what the file says now.
            let gpio = output.output.gpio;
            if !wanted
                .iter()
                .any(|(d, o, ..)| d == driver && o.gpio == gpio)
            {
                wanted.push((driver.clone(), output.output, output.what, output.guess));
            }
        }
    } else {
        lost.clear();
    }
    lost.extend(unreadable);
    let channels = channels(found.channels, driver.is_some());
    let mut outputs = Vec::new();
    // Pins first, the common cut-off among them: it stops whatever a channel does.
    for (driver, output, what, guess) in wanted {
        let done = force_off(&driver, &output);
        let place = OutputPlace::Gpio(output.gpio);
        seen.add(&what, place, done.as_ref().ok().copied());
        outputs.push(Done {
            what,
            gpio: Some(output.gpio),
            pwm: None,
            active: output.active.as_str(),
            found: done.as_ref().ok().copied().map(Found::as_str),
            error: done.err().map(|error| error.to_string()),
            guess,
        });
    }
    outputs.extend(
        channels
            .into_iter()
            .map(|channel| channel_off(channel, seen)),
    );
    Report { outputs, lost }
}

/// PWM channels to switch off: chip, channel, and what hangs on it.
fn channels(recognised: Vec<RecognisedPwm>, on_a_board: bool) -> Vec<(String, u8, String)> {
    let records = Claims::at(Path::new(CLAIMS_FOLDER)).pwm_records();
    let mut wanted: Vec<(String, u8, String)> = records
        .into_iter()
        .map(|record| (record.chip, record.channel, record.what))
        .collect();
    for pwm in recognised.into_iter().filter(|_| on_a_board) {
        // A record has the whole path of the device, and a configuration its end.
        let known = wanted.iter().any(|(chip, channel, _)| {
            *channel == pwm.channel && Path::new(chip).ends_with(pwm.chip.trim_matches('/'))
        });
        if !known {
            wanted.push((pwm.chip, pwm.channel, pwm.what));
        }
    }
    wanted
}

fn channel_off((chip, channel, what): (String, u8, String), seen: &mut OutputsSeen) -> Done {
    let done = force_pwm_off(&PwmClass::system(), &chip, channel);
    let place = OutputPlace::Pwm(chip.clone(), channel);
    seen.add(&what, place, done.as_ref().ok().copied());
    Done {
        what,
        gpio: None,
        pwm: Some((chip, channel)),
        active: "high",
        found: done.as_ref().ok().copied().map(Found::as_str),
        error: done.err().map(|error| error.to_string()),
        guess: None,
    }
}

fn print(report: &Report, out: &mut Out) -> Result {
    if report.outputs.is_empty() && report.lost.is_empty() {
        writeln!(
            out,
            "no [board] in the configuration and nothing left by a daemon: no output of this machine is driven by dosewright"
        )?;
    }
    for done in &report.outputs {
        let what = &done.what;
        let place = match (&done.pwm, done.gpio) {
            (Some((chip, channel)), _) => format!("PWM {chip} channel {channel}"),
            (None, Some(gpio)) => format!("GPIO{gpio}"),
            (None, None) => String::new(),
        };
        match (&done.error, done.found) {
            (Some(error), _) => {
                let label = out.tone(Tone::Bad, "NOT OFF");
                writeln!(out, "{label} {what}: {error}")?;
            }
            (None, found) => {
                let found = found.unwrap_or("unknown");
                let tone = if found == "on" { Tone::Bad } else { Tone::Good };
                let found = out.tone(tone, &format!("was {found}"));
                writeln!(out, "off: {what}, {place} ({found})")?;
            }
        }
        if let Some(guess) = &done.guess {
            writeln!(out, "  {}: {guess}", out.tone(Tone::Bad, "guessed"))?;
        }
    }
    for lost in &report.lost {
        writeln!(out, "{} {lost}", out.tone(Tone::Bad, "NOT RECOGNISED"))?;
    }
    Ok(())
}
