//! Whether calibrations are as good as they say: `cargo bench --bench calibration`.
//!
//! 1,000 simulated heads a cell, calibrated by the lengths and as often as the dialog does. Limits of rate and offset are to hold 95 times in 100;
//! 93 to 97 are taken. Where a coarse cylinder hides the scatter they hold more often: an error that all repeats share is not seen and not averaged out,
//! and no limits hold exactly 95 times in 100 for every scatter that may be behind equal readings. Of all heads calibrated, at most 5 in 100 may give
//! a smallest or a longest dose outside the tolerance, and two standard deviations of 1,000 heads (1.4) more; one from which no dose is allowed gives none. Of the doses
//! that are given 95 in 100 are to be within it, or as many as the scatter lets: of doses that scatter by 3 % in proportion no more than 90 in 100 are within 5 %, whoever
//! meters them. The last line is one JSON object.
#![expect(clippy::print_stdout, reason = "a report for people")]

#[path = "heads.rs"]
mod heads;

use std::process::ExitCode;

use dosewright::quantity::Volume;
use dosewright::statistics::normal_below;
use heads::{Cell, Found, Scatter, TOLERANCE_PERCENT, found};

const HEADS: u32 = 1_000;

fn percent(part: u32, whole: u32) -> f64 {
    100.0 * f64::from(part) / f64::from(whole.max(1))
}

/// What is promised of a cell and was missed.
fn missed(cell: &Cell, of: &Found) -> Vec<&'static str> {
    let limits = |part| {
        let held = percent(part, of.calibrated);
        held >= 93.0 && (held <= 97.0 || cell.step > Volume::from_ul(10))
    };
    let outside = |within: u32| percent(of.metering - within, HEADS) <= 5.0 + 1.4;
    let in_proportion = cell.scatter == Scatter::InProportion && cell.cv_percent.is_empty();
    let attainable = if in_proportion {
        100.0 - 200.0 * normal_below(-TOLERANCE_PERCENT / cell.cv_percent.start)
    } else {
        100.0
    };
    let promised = attainable.min(95.0);
    let by_chance = 2.0 * (promised * (100.0 - promised) / f64::from(of.metering.max(1))).sqrt();
    let given =
        |within: u32| outside(within) && percent(within, of.metering) >= promised - by_chance;
    [
        (limits(of.rate), "rate"),
        (limits(of.offset), "offset"),
        (given(of.smallest), "smallest"),
        (given(of.longest), "longest"),
    ]
    .into_iter()
    .filter_map(|(is_met, what)| (!is_met).then_some(what))
    .collect()
}

fn main() -> ExitCode {
    println!(
        "scatter        CV %       step     calibrated  rate   offset | metering  smallest in 5 %      longest in 5 %       usual\n\
         {:58}|           of all  of given     of all  of given    dose",
        ""
    );
    let (mut rows, mut all_missed) = (Vec::new(), 0);
    for scatter in [Scatter::Constant, Scatter::InProportion] {
        for cv_percent in [1.0..1.0, 2.0..2.0, 3.0..3.0, 0.3..3.0] {
            for step in [10, 100, 200].map(Volume::from_ul) {
                let cell = Cell {
                    scatter,
                    cv_percent: cv_percent.clone(),
                    step,
                };
                let of = found(&cell, HEADS, 1);
                let missed = missed(&cell, &of);
                let all = |part: u32| percent(HEADS - (of.metering - part), HEADS);
                let given = |part: u32| percent(part, of.metering);
                println!(
                    "{:12}  {:3.1} to {:3.1}  {:7}   {:6.1} %  {:5.1}    {:5.1}  | {:6.1} %  {:6.1}    {:6.1}     {:6.1}    {:6.1}    {:5.1} % {}",
                    format!("{scatter:?}"),
                    cv_percent.start,
                    cv_percent.end,
                    step.to_string(),
                    percent(of.calibrated, HEADS),
                    percent(of.rate, of.calibrated),
                    percent(of.offset, of.calibrated),
                    percent(of.metering, HEADS),
                    all(of.smallest),
                    given(of.smallest),
                    all(of.longest),
                    given(of.longest),
                    percent(of.usual, HEADS),
                    missed.join(", ")
                );
                all_missed += missed.len();
                rows.push(serde_json::json!({
                    "scatter": format!("{scatter:?}"), "cv_percent": [cv_percent.start, cv_percent.end], "step_ul": step.as_ul(), "heads": HEADS,
                    "calibrated": of.calibrated, "rate": of.rate, "offset": of.offset, "metering": of.metering,
                    "smallest": of.smallest, "longest": of.longest, "usual": of.usual, "missed": missed,
                }));
            }
        }
    }
    println!(
        "{}",
        serde_json::json!({ "cells": rows, "missed": all_missed })
    );
    if all_missed == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
