//! Middle and spread of bare values.

use crate::quantity::f64_from_usize;

/// `None` of nothing.
pub fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut all: Vec<f64> = values.collect();
    all.sort_by(f64::total_cmp);
    median_of_sorted(&all)
}

pub(super) fn median_of_sorted(sorted: &[f64]) -> Option<f64> {
    let upper = sorted.get(sorted.len() / 2)?;
    let lower = sorted.get(sorted.len().saturating_sub(1) / 2)?;
    Some(f64::midpoint(*lower, *upper))
}

/// Mean and standard deviation (n - 1). `None` with fewer than two values or one that is not finite.
pub fn mean_and_sd(values: &[f64]) -> Option<(f64, f64)> {
    if values.len() < 2 {
        return None;
    }
    let count = f64_from_usize(values.len());
    let mean = values.iter().sum::<f64>() / count;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    let sd = (squares / (count - 1.0)).sqrt();
    (mean.is_finite() && sd.is_finite()).then_some((mean, sd))
}
