//! Each head's calibrations, and how far checks were off.

use super::days::Days;
use super::material::Material;
use super::model::{Calibrated, Checked, HeadReport};
use crate::engine::Status;
use crate::quantity::{Name, Volume};
use crate::record::CalibrationRun;

pub(super) fn heads(material: &Material<'_>, status: &Status, days: &Days) -> Vec<HeadReport> {
    let each = material.controller.heads.iter().map(|(name, head)| {
        let shown = status.heads.iter().find(|shown| shown.name == *name);
        let calibrations = calibrations(material, name);
        let newest = calibrations.last();
        let due = newest.and_then(|newest| {
            super::bottles::after(newest.at, head.calibration_age_max.as_days())
        });
        HeadReport {
            head: name.clone(),
            tolerance_percent: head.tolerance_percent,
            rate: shown.and_then(|shown| shown.rate),
            in_use: in_use(material, status, name),
            due_on: due.map(|due| days.date(due)),
            calibrations: calibrations
                .into_iter()
                .filter(|calibrated| calibrated.at >= days.since())
                .collect(),
            checks: checks(material, name, days),
        }
    });
    each.collect()
}

fn in_use(material: &Material<'_>, status: &Status, head: &Name) -> bool {
    let mut lines = material.controller.lines.iter();
    let line = lines.find(|line| line.head == *head);
    let shown = line.and_then(|line| status.lines.iter().find(|shown| shown.name == line.name));
    shown.is_some_and(|shown| shown.planned > Volume::ZERO)
}

fn calibrations(material: &Material<'_>, head: &Name) -> Vec<Calibrated> {
    let own = material
        .calibrations
        .iter()
        .filter(|stored| stored.head == *head);
    let mut before: Option<f64> = None;
    let each = own.map(|stored| {
        let rate = stored.calibration.rate().as_ml_per_min();
        let change = before.map(|before| 100.0 * (rate / before - 1.0));
        before = Some(rate);
        Calibrated {
            at: stored.at.wall,
            rate_ml_per_min: rate,
            change_percent: change,
            runs: CalibrationRun::used(&stored.runs).len(),
        }
    });
    each.collect()
}

fn checks(material: &Material<'_>, head: &Name, days: &Days) -> Vec<Checked> {
    let own = material
        .checks
        .iter()
        .filter(|check| check.head == *head && check.at.wall >= days.since());
    let each = own.filter_map(|check| {
        Some(Checked {
            at: check.at.wall,
            error_percent: check.bare().error_percent().ok()?,
            passed: check.passed(),
        })
    });
    each.collect()
}
