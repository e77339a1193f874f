//! The water: readings, advice, solutions, courses, lab reports.

pub(in crate::cli) mod accept;
pub(in crate::cli) mod advise;
pub(in crate::cli) mod begin;
pub(in crate::cli) mod changes;
pub(in crate::cli) mod course;
pub(in crate::cli) mod dilute;
pub(in crate::cli) mod owner_args;
pub(in crate::cli) mod panel;
pub(in crate::cli) mod panel_csv;
pub(in crate::cli) mod quantities;
pub(in crate::cli) mod reading;
pub(in crate::cli) mod saturation;
pub(in crate::cli) mod solution;
pub(in crate::cli) mod tank;
pub(in crate::cli) mod told;
