//! Middle and spread of bare values.

use crate::quantity::f64_from_usize;

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
