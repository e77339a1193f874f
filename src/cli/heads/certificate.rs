//! `calibration show`: the certificate of a head, from the record alone.

use std::io::Write;

use jiff::Timestamp;
use serde_json::{Value, json};

use crate::cli::heads::accuracy::{Measured, accuracy_lines, linearity, longest_flows, trumpet};
use crate::cli::heads::bench_args::CalibrationCommand;
use crate::cli::record::ledger::open;
use crate::cli::words::{configuration, minute, present, usage, zone};
use crate::cli::{Out, Place, Result, refused};
use crate::config::{Head, Loaded};
use crate::ledger::LedgerReader;
use crate::metering::{
    Calibration, CalibrationFit, Coverage, Drift, FitRules, LengthStats, NotYet, Outcome,
    WEAR_PERCENT, fit, steady_state_percent,
};
use crate::quantity::{Millis, Name, Volume};
use crate::record::{CalibrationRun, StoredCalibration, StoredVerification};
use crate::statistics::Confidence;

/// The newest calibration of a head; `None` without a ledger or without one.
pub(crate) fn newest(place: &Place, head: &Name) -> Result<Option<StoredCalibration>> {
    let Ok(reader) = open(place) else {
        return Ok(None);
    };
    Ok(reader
        .calibrations_of(head)?
        .pop()
        // What a dry run assumed was never measured.
        .filter(|c| c.variation.is_some()))
}

/// What a fit is worth, a line each.
pub(crate) fn fit_lines(fitted: &CalibrationFit, before: Option<&Calibration>) -> Vec<String> {
    let calibration = fitted.calibration();
    let (rate_low, rate_high) = fitted.rate_limits();
    let (offset_low, offset_high) = fitted.offset_limits_ml();
    let (run_min, run_max) = fitted.run_range();
    let mut lines = vec![
        format!(
            "rate {} ({:.3} to {:.3} at 95 %)",
            calibration.rate(),
            rate_low.as_ml_per_min(),
            rate_high.as_ml_per_min()
        ),
        format!(
            "offset {} a run ({offset_low:+.3} to {offset_high:+.3} mL at 95 %)",
            calibration.offset()
        ),
        format!(
            "repeats scatter by {:.2} % (coefficient of variation, all lengths); covers runs of {run_min} to {run_max}",
            fitted.cv_percent()
        ),
    ];
    lines.push(format!(
        "volumes read in steps of {}, which these limits hold",
        fitted.rules().resolution
    ));
    lines.extend(fitted.lengths().iter().map(length_line));
    if let Some(bend) = fitted.lack_of_fit().filter(|l| l.probability < 0.05) {
        lines.push(format!(
            "WARNING: the lengths do not lie on a line (F {:.1}, probability {:.3}); short and long doses will differ",
            bend.f, bend.probability
        ));
    }
    if let Some(suspect) = fitted.suspect() {
        lines.push(format!("WARNING: {suspect}"));
    }
    if let Some(before) = before {
        lines.push(fitted.compare(before, WEAR_PERCENT).to_string());
    }
    lines
}

fn length_line(length: &LengthStats) -> String {
    let scatter = length
        .cv_percent
        .map_or(String::new(), |cv| format!(", scatter {cv:.2} %"));
    format!(
        "{} x {}: mean {:.3} mL{scatter}, {:+.2} % off the line (systematic)",
        length.runs, length.on_time, length.mean_ml, length.bend_percent
    )
}

/// Everything a certificate says.
struct Certificate {
    head: Head,
    stored: StoredCalibration,
    /// With the tolerance of controller.toml as it is now.
    coverage: Coverage,
    before: Option<Calibration>,
    fitted: Option<CalibrationFit>,
    checks: Vec<StoredVerification>,
    run_since: Millis,
    drift: Option<Drift>,
    due: Due,
}

impl Certificate {
    fn measured(&self) -> Measured<'_> {
        Measured {
            head: &self.head.name,
            stored: &self.stored,
            checks: &self.checks,
        }
    }
}

/// When the head is to be calibrated again, in days from now; negative when that is past.
struct Due {
    age: f64,
    /// By the run hours allowed; `None` when the head has hardly run.
    run_hours: Option<f64>,
    /// By its drift; `None` when none can be told.
    drift: Option<f64>,
}

impl Due {
    fn days(&self) -> f64 {
        [self.run_hours, self.drift]
            .into_iter()
            .flatten()
            .fold(self.age, f64::min)
    }
}

fn gather(reader: &LedgerReader, loaded: &Loaded, name: &str) -> Result<Certificate> {
    let head = loaded.controller.head_named(name).map_err(usage)?.clone();
    let mut all = reader.calibrations_of(&head.name)?;
    let stored = all.pop().ok_or_else(|| {
        refused(format!(
            "head {name} has no calibration yet; make one with `dosewright bench {name}`"
        ))
    })?;
    let before = all
        .iter()
        .rfind(|c| c.variation.is_some())
        .map(|c| c.calibration);
    let runs = CalibrationRun::used(&stored.runs);
    let rules = FitRules {
        resolution: stored.resolution.unwrap_or(Volume::ZERO),
        ..FitRules::default()
    };
    let made = stored.at.wall;
    let checks: Vec<StoredVerification> = reader
        .verifications_of(&head.name)?
        .into_iter()
        .filter(|check| check.at.wall >= made)
        .collect();
    let run_since = reader.run_since(&head.name, made)?;
    let now = present(reader)?;
    let bare: Vec<_> = checks.iter().map(StoredVerification::bare).collect();
    let drift = Drift::of(&bare, head.tolerance_percent, Confidence::P95).ok();
    let due = due(&head, (made, now), run_since, drift.as_ref());
    Ok(Certificate {
        fitted: fit(&runs, &rules).ok(),
        coverage: stored.coverage(head.tolerance_percent),
        head,
        stored,
        before,
        checks,
        run_since,
        drift,
        due,
    })
}

fn due(
    head: &Head,
    (made, now): (Timestamp, Timestamp),
    run_since: Millis,
    drift: Option<&Drift>,
) -> Due {
    let age_days = now.duration_since(made).as_secs_f64() / 86_400.0;
    let hours = run_since.as_secs() / 3600.0;
    // A day's worth of running is the least that tells anything.
    let per_day = (age_days >= 1.0 && hours > 0.0).then(|| hours / age_days);
    let allowed = head.calibration_run_max.as_secs() / 3600.0;
    Due {
        age: head.calibration_age_max.as_days() - age_days,
        run_hours: per_day.map(|per_day| (allowed - hours) / per_day),
        drift: drift
            .zip(per_day)
            .and_then(|(drift, per_day)| drift.days_left(run_since, per_day)),
    }
}

/// What else a calibration holds for, and how its volumes were read; nothing where nothing is known.
fn driven_and_weighed(stored: &StoredCalibration, out: &mut Out) -> Result {
    if !stored.drive.is_empty() {
        writeln!(out, "driven, and holds for that only: {}", stored.drive)?;
    }
    if !stored.weighing.is_empty() {
        writeln!(out, "weighed: {}", stored.weighing)?;
    }
    Ok(())
}

pub(crate) fn calibration(place: &Place, options: &CalibrationCommand, out: &mut Out) -> Result {
    let CalibrationCommand::Show { head, accuracy } = options;
    let loaded = configuration(place)?;
    let reader = open(place)?;
    let certificate = gather(&reader, &loaded, head.as_str())?;
    let now = present(&reader)?;
    if place.json {
        return Ok(out.json(&as_json(&certificate, &loaded))?);
    }
    let zone = zone(place);
    let stored = &certificate.stored;
    writeln!(
        out,
        "Calibration of head {head}, {}, by {}",
        minute(stored.at.wall, &zone),
        stored.who
    )?;
    origin(stored, out)?;
    match &certificate.fitted {
        Some(fitted) => {
            for line in fit_lines(fitted, certificate.before.as_ref()) {
                writeln!(out, "{line}")?;
            }
        }
        None => writeln!(
            out,
            "rate {}, offset {} a run; its runs are not on record",
            stored.calibration.rate(),
            stored.calibration.offset()
        )?,
    }
    match &certificate.coverage {
        Coverage::Limits(limits) => writeln!(
            out,
            "meters doses of at least {} within {} %; smaller ones are refused",
            limits.smallest(&stored.calibration),
            limits.tolerance_percent
        )?,
        Coverage::Unknown(why) => writeln!(out, "meters NO dose: {why}")?,
        Coverage::Assumed => {}
    }
    checks(&certificate, (now, &zone), out)?;
    if *accuracy {
        for line in accuracy_lines(&certificate.measured(), &loaded) {
            writeln!(out, "{line}")?;
        }
    }
    Ok(())
}

/// What it is from: every run, the unused ones too.
fn origin(stored: &StoredCalibration, out: &mut Out) -> Result {
    if !stored.method.is_empty() {
        writeln!(out, "{}", stored.method)?;
    }
    if stored.variation.is_none() {
        writeln!(out, "ASSUMED, not measured: it counts in a dry run only")?;
    } else if stored.simulated {
        writeln!(out, "Of the SIMULATED head: it counts in a dry run only")?;
    }
    driven_and_weighed(stored, out)?;
    for (number, run) in (1..).zip(&stored.runs) {
        let dose = run
            .dose
            .map_or(String::new(), |d| format!(", dose {}", d.0));
        let used = if run.used {
            ""
        } else {
            ", taken back and not used"
        };
        writeln!(
            out,
            "run {number}: {} gave {} (entered \"{}\"{dose}{used})",
            run.on_time, run.volume, run.typed
        )?;
    }
    Ok(())
}

/// Checks since, drift, and when it is due again.
fn checks(
    certificate: &Certificate,
    (now, zone): (Timestamp, &jiff::tz::TimeZone),
    out: &mut Out,
) -> Result {
    for check in &certificate.checks {
        writeln!(
            out,
            "checked {}, after {:.2} h of running: {} where {} should be, {}",
            minute(check.at.wall, zone),
            check.run_since.as_secs() / 3600.0,
            check.measured,
            check.expected,
            verdict(check)
        )?;
    }
    writeln!(out, "{}", drift_words(certificate))?;
    let days = certificate.due.days();
    let seconds = crate::quantity::i64_from_f64((days * 86_400.0).round()).unwrap_or(0);
    let at = now.checked_add(jiff::SignedDuration::from_secs(seconds));
    let when = at.map_or(String::new(), |at| {
        format!(" ({})", zone.to_datetime(at).date())
    });
    let why = match &certificate.due {
        Due { drift: Some(d), .. } if *d <= days => "by its drift, at the earliest",
        Due {
            run_hours: Some(d), ..
        } if *d <= days => "by its run hours",
        Due { .. } => "by its age",
    };
    if days > 0.0 {
        writeln!(out, "next calibration in {days:.0} days{when}, {why}")?;
    } else {
        writeln!(out, "next calibration NOW: due{when}, {why}")?;
    }
    Ok(())
}

fn verdict(check: &StoredVerification) -> String {
    let (bare, tolerance) = (check.bare(), check.tolerance_percent);
    match (bare.error_percent(), bare.judge(tolerance)) {
        (Ok(error), Ok(Outcome::Passed)) => {
            format!("{error:+.1} %, passed at {tolerance} %")
        }
        (Ok(error), Ok(Outcome::Failed)) => {
            format!("{error:+.1} %, FAILED at {tolerance} %")
        }
        (Err(error), _) | (_, Err(error)) => error.to_string(),
    }
}

fn drift_words(certificate: &Certificate) -> String {
    match certificate.drift {
        None => "drift: the checks make no sense together".to_owned(),
        Some(Drift::OutNow { error_percent }) => {
            format!("drift: out of tolerance now ({error_percent:+.1} %); calibrate again")
        }
        Some(Drift::CannotTellYet(NotYet::TooFew { checks })) => format!(
            "drift: {checks} checks since the calibration tell nothing yet, {} are needed",
            Drift::CHECKS_MIN
        ),
        Some(Drift::CannotTellYet(NotYet::NoRunTime)) => {
            "drift: all checks are of one run time; check again after the head has run".to_owned()
        }
        Some(Drift::CannotTellYet(NotYet::WithinScatter { low, high })) => format!(
            "drift: none that the checks could tell ({low:+.3} to {high:+.3} % per hour of running at 95 %)"
        ),
        Some(Drift::Drifts {
            percent_per_hour,
            limits: (low, high),
            ..
        }) => format!(
            "drift: {percent_per_hour:+.3} % per hour of running ({low:+.3} to {high:+.3} at 95 %)"
        ),
    }
}

fn as_json(certificate: &Certificate, loaded: &Loaded) -> Value {
    let stored = &certificate.stored;
    let runs: Vec<Value> = stored
        .runs
        .iter()
        .map(|run| {
            json!({ "on_time_ms": run.on_time.as_ms(), "volume_ul": run.volume.as_ul(), "entered": run.typed, "dose": run.dose.map(|d| d.0), "used": run.used })
        })
        .collect();
    let fitted = certificate.fitted.as_ref().map(|fitted| {
        let (low, high) = fitted.rate_limits();
        let (offset_low, offset_high) = fitted.offset_limits_ml();
        let (run_min, run_max) = fitted.run_range();
        json!({
            "rate_low_ml_per_min": low.as_ml_per_min(), "rate_high_ml_per_min": high.as_ml_per_min(),
            "offset_low_ml": offset_low, "offset_high_ml": offset_high, "variation_percent": fitted.cv_percent(),
            "run_min_ms": run_min.as_ms(), "run_max_ms": run_max.as_ms(),
            "lengths": fitted.lengths().iter().map(|l| json!({
                "on_time_ms": l.on_time.as_ms(), "runs": l.runs, "mean_ml": l.mean_ml, "variation_percent": l.cv_percent, "off_line_percent": l.bend_percent,
            })).collect::<Vec<_>>(),
        })
    });
    let change = certificate.fitted.as_ref().zip(certificate.before.as_ref());
    let change =
        change.map(|(fitted, before)| fitted.compare(before, WEAR_PERCENT).rate_change_percent);
    let checks: Vec<Value> = certificate
        .checks
        .iter()
        .map(|check| {
            json!({
                "at": check.at.wall.to_string(), "dose": check.dose.0, "expected_ul": check.expected.as_ul(), "measured_ul": check.measured.as_ul(),
                "tolerance_percent": check.tolerance_percent, "run_since_ms": check.run_since.as_ms(), "text": verdict(check),
            })
        })
        .collect();
    let limits = certificate.coverage.limits();
    let not_covered = match &certificate.coverage {
        Coverage::Unknown(why) => Some(why.to_string()),
        Coverage::Limits(_) | Coverage::Assumed => None,
    };
    let trumpet = trumpet(&certificate.measured(), loaded).map(|t| {
        t.points.iter().map(|p| json!({ "window_ms": p.window.as_ms(), "windows": p.windows, "error_min_percent": p.error_min_percent, "error_max_percent": p.error_max_percent })).collect::<Vec<_>>()
    });
    json!({
        "head": certificate.head.name.as_str(), "at": stored.at.wall.to_string(), "who": stored.who.to_string(), "note": stored.method,
        "measured": stored.variation.is_some(), "simulated": stored.simulated, "weighing": stored.weighing, "drive": stored.drive,
        "rate_ml_per_min": stored.calibration.rate().as_ml_per_min(), "offset_ul": stored.calibration.offset().as_ul(),
        "runs": runs, "fit": fitted, "change_percent": change,
        "dose_min_ul": limits.map(|l| l.smallest(&stored.calibration).as_ul()), "tolerance_percent": limits.map(|l| l.tolerance_percent),
        "meters_nothing": not_covered, "resolution_ul": stored.resolution.map(Volume::as_ul),
        "checks": checks, "run_since_ms": certificate.run_since.as_ms(), "drift": drift_words(certificate),
        "due_in_days": certificate.due.days(), "error_by_window": trumpet,
        "steady_state_percent": steady_state_percent(&longest_flows(stored)), "linearity_percent": linearity(stored).map(|l| l.percent_of_rated),
    })
}
