//! The water: readings, advice, solutions, courses, lab reports.

pub(crate) mod accept;
pub(crate) mod advise;
mod batch;
pub(crate) mod begin;
pub(crate) mod changes;
pub(crate) mod course;
pub(crate) mod dilute;
pub(crate) mod done;
pub(crate) mod owner_args;
pub(crate) mod panel;
pub(crate) mod panel_csv;
mod panel_names;
mod panel_reports;
mod panel_show;
pub(crate) mod quantities;
pub(crate) mod reading;
pub(crate) mod saturation;
pub(crate) mod solution;
pub(crate) mod tank;
pub(crate) mod told;
