//! Whether something rises or falls when some of it was not found: Kendall's test and the slope that goes with it.
//!
//! Two values are compared only as far as they can be: below 5 and 3 found are a tie. The slope is that of Akritas, Murphy & LaValley 1995
//! (J. Am. Stat. Assoc. 90, 170): what must be taken off each day for the test to find nothing left, which without a limit is the median
//! of all pairs' slopes (Theil, Sen). Its interval are the slopes that the test does not refuse (Sen 1968, J. Am. Stat. Assoc. 63, 1379). The
//! variance is exact for any ties and limits: Daniels 1944 (Biometrika 33, 129), put to such data by Oakes 1982 (Biometrics 38, 451).
//! Papers cited from memory; numbers against R's survival and scipy, see the tests.

/// One value; `below` when it is a detection limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    pub x: f64,
    pub y: f64,
    pub below: bool,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RankTrend {
    /// Pairs that rise less pairs that fall.
    pub score: f64,
    /// Two-sided, by the normal distribution with correction for continuity.
    pub probability: f64,
    /// Its best value and both ends at 95 %; not finite where the limits leave it open.
    pub slope: f64,
    pub slope_low: f64,
    pub slope_high: f64,
}

impl RankTrend {
    /// `None` for fewer than three values, or when nothing can be told apart.
    pub fn of(seen: &[Seen]) -> Option<Self> {
        let sound = seen.iter().all(|s| s.x.is_finite() && s.y.is_finite());
        let variance = variance(seen).filter(|v| sound && *v > 0.0)?;
        let score: f64 = pairs(seen).map(|(a, b)| compare(a, b, 0.0)).sum();
        let z = (score.abs() - 1.0).max(0.0) / variance.sqrt();
        let steps = steps(seen);
        let far = 1.96 * variance.sqrt() + 1.0;
        let (above, below) = (last_above(&steps, 0.0), first_below(&steps, 0.0));
        let slope = match (above.is_finite(), below.is_finite()) {
            (true, true) => f64::midpoint(above, below),
            (true, false) => f64::INFINITY,
            (false, true) => f64::NEG_INFINITY,
            (false, false) => f64::NAN,
        };
        Some(Self {
            score,
            probability: (2.0 * super::normal_below(-z)).min(1.0),
            slope,
            slope_low: last_above(&steps, far),
            slope_high: first_below(&steps, -far),
        })
    }
}

/// All pairs, the earlier first; those of one time are none.
fn pairs(seen: &[Seen]) -> impl Iterator<Item = (&Seen, &Seen)> {
    let all = seen.iter().flat_map(|a| seen.iter().map(move |b| (a, b)));
    all.filter(|(a, b)| a.x < b.x)
}

/// 1 when the later is the higher after `slope` was taken off, -1 when it is the lower, 0 when that cannot be told.
fn compare(earlier: &Seen, later: &Seen, slope: f64) -> f64 {
    let rise = later.y - earlier.y - slope * (later.x - earlier.x);
    match (earlier.below, later.below) {
        // What is below a limit is below all that was found at it or above it.
        (true, false) => f64::from(u8::from(rise >= 0.0)),
        (false, true) => -f64::from(u8::from(rise <= 0.0)),
        (false, false) if rise > 0.0 => 1.0,
        (false, false) if rise < 0.0 => -1.0,
        (true, true) | (false, false) => 0.0,
    }
}

/// The score just above each slope at which it falls, from minus infinity on; it never rises.
fn steps(seen: &[Seen]) -> Vec<(f64, f64)> {
    let mut falls: Vec<(f64, f64)> = pairs(seen)
        .filter(|(a, b)| !(a.below && b.below))
        .map(|(a, b)| {
            let fall = if a.below || b.below { 1.0 } else { 2.0 };
            ((b.y - a.y) / (b.x - a.x), fall)
        })
        .collect();
    falls.sort_by(|a, b| a.0.total_cmp(&b.0));
    let begin = pairs(seen).filter(|(_, later)| !later.below);
    let begin = begin.map(|_| 1.0).sum();
    let mut score = begin;
    let mut steps = vec![(f64::NEG_INFINITY, begin)];
    for (slope, fall) in falls {
        score -= fall;
        steps.push((slope, score));
    }
    steps
}

/// Where the score stops being above a bound.
fn last_above(steps: &[(f64, f64)], bound: f64) -> f64 {
    let end = steps.iter().find(|(_, score)| *score <= bound);
    end.map_or(f64::INFINITY, |(slope, _)| *slope)
}

/// Where the score begins to be below a bound.
fn first_below(steps: &[(f64, f64)], bound: f64) -> f64 {
    let begin = steps.iter().find(|(_, score)| *score < bound);
    begin.map_or(f64::INFINITY, |(slope, _)| *slope)
}

/// Of the score, over all orders in which these values could have come.
fn variance(seen: &[Seen]) -> Option<f64> {
    let n = f64::from(u32::try_from(seen.len()).ok().filter(|n| *n >= 3)?);
    let order =
        |a: &Seen, b: &Seen| f64::from(u8::from(b.x > a.x)) - f64::from(u8::from(b.x < a.x));
    let height = |a: &Seen, b: &Seen| compare(a, b, 0.0);
    let sums = |of: &dyn Fn(&Seen, &Seen) -> f64| {
        seen.iter().fold((0.0, 0.0), |(squares, rows), a| {
            let row = seen.iter().map(|b| of(a, b));
            let (square, row) = row.fold((0.0, 0.0), |(s, r), v| (s + v * v, r + v));
            (squares + square, rows + row * row)
        })
    };
    let ((a2, a_rows), (b2, b_rows)) = (sums(&order), sums(&height));
    let of_sum = 4.0 * (a_rows - a2) * (b_rows - b2) / (n * (n - 1.0) * (n - 2.0))
        + 2.0 * a2 * b2 / (n * (n - 1.0));
    // The sum counts each pair from both sides.
    Some(of_sum / 4.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Values on days; a negative one is a detection limit.
    fn seen(days: &[f64], values: &[f64]) -> Vec<Seen> {
        let each = days.iter().zip(values);
        each.map(|(x, y)| Seen {
            x: *x,
            y: y.abs(),
            below: *y < 0.0,
        })
        .collect()
    }

    /// `tests/reference/kendall.R`: score by R's survival 3.5-3 (concordance of right-censored -y), variance over all n! orders, slope where
    /// that score passes zero, found by bisection.
    #[test]
    fn score_variance_and_slope_agree_with_another_library_whatever_was_not_found() {
        let days: Vec<f64> = [0.0, 30.0, 61.0, 92.0, 120.0, 151.0, 184.0].into();
        for (values, score, var, slope) in [
            (
                [9.0, 8.1, 7.5, -6.0, 6.2, -5.0, -5.0],
                -16.0,
                40.666_666_666_7,
                -0.027_133_92,
            ),
            (
                [-2.0, -2.0, 2.5, -3.0, 3.1, 4.0, 4.4],
                17.0,
                38.333_333_333_3,
                0.016_597_80,
            ),
            (
                [5.0, 5.0, -5.0, 4.2, -2.0, 5.1, 3.9],
                -5.0,
                38.333_333_333_3,
                -0.004_619_57,
            ),
            (
                [8.0, 7.1, 6.1, 5.0, 4.4, 3.1, 2.2],
                -21.0,
                44.333_333_333_3,
                -0.031_818_18,
            ),
        ] {
            let seen = seen(&days, &values);
            let found = RankTrend::of(&seen).unwrap();
            assert!((found.score - score).abs() < 1e-12, "{values:?}: {found:?}");
            assert!((variance(&seen).unwrap() - var).abs() < 1e-9, "{values:?}");
            assert!((found.slope - slope).abs() < 1e-6, "{values:?}: {found:?}");
        }
    }

    /// Row `a6.theilsen.small` (scipy 1.17.1), and ten values.
    #[test]
    fn without_a_limit_it_is_the_median_of_all_slopes_with_sens_interval() {
        let found = RankTrend::of(&seen(
            &[0.0, 1.0, 2.0, 3.0, 4.0],
            &[0.0, 1.0, 2.0, 3.0, 10.0],
        ));
        let found = found.unwrap();
        assert!(
            (found.slope - 1.0).abs() < 1e-12 && found.slope_low > 0.0,
            "{found:?}"
        );
        let days: Vec<f64> = (0..10_u32).map(f64::from).collect();
        let values = [8.4, 8.1, 8.3, 7.9, 7.7, 7.8, 7.4, 7.5, 7.1, 6.9];
        // scipy.stats.theilslopes(y, x, 0.95), scipy 1.17.1.
        let found = RankTrend::of(&seen(&days, &values)).unwrap();
        for (found, wanted) in [
            (found.slope, -0.16),
            (found.slope_low, -0.2),
            (found.slope_high, -0.128_571_43),
        ] {
            assert!((found - wanted).abs() < 1e-6, "{found}");
        }
    }

    #[test]
    fn where_the_limits_leave_the_slope_open_it_is_not_finite() {
        let days = [0.0, 30.0, 60.0, 90.0, 120.0, 150.0];
        // Found at first and never since.
        let found = RankTrend::of(&seen(&days, &[9.0, 8.0, 7.0, -2.0, -2.0, -2.0])).unwrap();
        assert!(
            found.slope_high < 0.0 && found.slope_low == f64::NEG_INFINITY,
            "{found:?}"
        );
        assert_eq!(RankTrend::of(&seen(&days, &[-2.0; 6])), None);
        assert_eq!(RankTrend::of(&seen(&days[..2], &[1.0, 2.0])), None);
        assert_eq!(
            RankTrend::of(&seen(&[1.0; 6], &[1.0, 2.0, 3.0, 4.0, 5.0, 6.0])),
            None
        );
    }

    proptest! {
        #[test]
        fn no_number_makes_it_panic_and_the_slope_lies_in_its_interval(all in prop::collection::vec((any::<f64>(), any::<f64>(), any::<bool>()), 0..9)) {
            let seen: Vec<Seen> = all.into_iter().map(|(x, y, below)| Seen { x, y, below }).collect();
            if let Some(found) = RankTrend::of(&seen) {
                prop_assert!(!(found.slope < found.slope_low || found.slope > found.slope_high), "{found:?}");
            }
        }
    }
}
