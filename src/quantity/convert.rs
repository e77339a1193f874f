//! The few conversions between whole and floating numbers, each named for what it does.
//!
//! `as` is banned in the crate: it wraps and saturates without a word. These are the only places that need it.

/// A whole number as a float. Exact up to 2^53 in size, which is 9,007 m3 in microlitres or 285,000 years in milliseconds.
#[expect(
    clippy::as_conversions,
    clippy::cast_precision_loss,
    reason = "exact for every volume and time that can occur, see above"
)]
pub fn f64_from_i64(value: i64) -> f64 {
    value as f64
}

/// A count as a float.
#[expect(
    clippy::as_conversions,
    clippy::cast_precision_loss,
    reason = "counts here are far below 2^53"
)]
pub fn f64_from_usize(value: usize) -> f64 {
    value as f64
}

/// The nearest whole number, or `None` when the value is not finite or is beyond +-2^53, where it would not be exact.
#[expect(
    clippy::as_conversions,
    clippy::cast_possible_truncation,
    reason = "the range is checked first, so nothing is cut"
)]
pub fn i64_from_f64(value: f64) -> Option<i64> {
    const EXACT: f64 = 9_007_199_254_740_992.0;
    (value.is_finite() && value.abs() <= EXACT).then(|| value.round() as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_float_that_is_no_whole_number_of_anything_is_refused() {
        for bad in [
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
            1e300,
            -1e300,
            9.1e15,
        ] {
            assert_eq!(i64_from_f64(bad), None, "{bad}");
        }
        for edge in [
            -1_i64,
            0,
            1,
            255,
            256,
            65_535,
            65_536,
            1 << 31,
            1 << 32,
            1 << 53,
        ] {
            assert_eq!(i64_from_f64(f64_from_i64(edge)), Some(edge));
        }
        assert_eq!(i64_from_f64(2.5), Some(3));
    }
}
