//! What the animals take up a day, from readings and from what was dosed.
//!
//! Terms: an *addition* is what a dose (or a water change) raised the tank by; the *adjusted* series is each reading less all that
//! was added up to it, which falls by the uptake whatever the doses did; *uptake* is minus its slope. The interval comes from the
//! readings' own uncertainty. The tank is taken as one mixed water; the daily swing is not modelled, so readings belong at the same
//! hour of the day. This estimates; what should be done about it is said in `advice`.

use std::fmt;

use thiserror::Error;

use super::chart::{Direction, first_signal};
use crate::chemistry::{Element, figures};
use crate::quantity::{Millis, f64_from_i64, f64_from_usize};
use crate::statistics::{Confidence, Line, Point, RobustLine, StatisticsError, median};

/// Fewest readings of an estimate (section 6 of the reference values).
pub const READINGS_MIN: usize = 4;

/// Shortest time from first to last reading of an estimate, days (section 6 of the reference values).
pub const SPAN_DAYS_MIN: f64 = 3.0;

/// A reading this many robust standard deviations off the robust line is called outlying. Our rule.
const OUTLIER_SIGMAS: f64 = 3.5;

/// Allowance and limit of the drift chart, in standard deviations (section 6 of the reference values: k 0.5, h 4 to 5; the slower one).
const DRIFT_CHART: (f64, f64) = (0.5, 5.0);

/// What is tracked, with the unit its numbers are in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Tracked {
    Alkalinity,
    /// An element, in mg/L.
    Element(Element),
}

impl Tracked {
    pub const fn unit(&self) -> &'static str {
        match self {
            Self::Alkalinity => "dKH",
            Self::Element(_) => "mg/L",
        }
    }
}

impl fmt::Display for Tracked {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Alkalinity => f.write_str("alkalinity"),
            Self::Element(element) => element.fmt(f),
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeriesReading {
    pub at: Millis,
    pub value: f64,
    /// Standard uncertainty, same unit.
    pub uncertainty: f64,
}

/// What something added to the tank at one time; negative when a water change took away.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Addition {
    pub at: Millis,
    /// Rise of the tank, in the unit of what is tracked.
    pub rise: f64,
}

#[derive(Debug, Clone, PartialEq, Error)]
pub enum UptakeError {
    #[error(
        "an estimate of uptake needs at least {READINGS_MIN} readings, there are {have}; take more, at the same hour of the day"
    )]
    TooFew { have: usize },
    #[error(
        "the readings span {days:.1} days, an estimate of uptake needs at least {SPAN_DAYS_MIN:.0}; take another later"
    )]
    TooShort {
        /// First to last reading, days.
        days: f64,
    },
    #[error("addition {number} is no number; correct the record before uptake is estimated")]
    Addition { number: usize },
    #[error(transparent)]
    Statistics(#[from] StatisticsError),
}

#[derive(Debug, Clone, PartialEq)]
pub struct Uptake {
    pub tracked: Tracked,
    /// Uptake, unit per day.
    pub per_day: f64,
    /// Low end of its 95 % interval.
    pub low: f64,
    pub high: f64,
    pub standard_error: f64,
    /// The robust twin (Theil-Sen), unit per day.
    pub robust_per_day: f64,
    /// 95 % interval of the robust twin.
    pub robust_interval: (f64, f64),
    pub readings: usize,
    /// First to last reading, days.
    pub span_days: f64,
    pub first: Millis,
    pub newest: Millis,
    /// Readings that lie far off the robust line, by their index in time order.
    pub outliers: Vec<usize>,
    /// Where the readings left the line that the earlier ones made, if they did.
    pub drift: Option<Drift>,
    line: Line,
    points: Vec<Point>,
}

/// A break in the series: uptake before and after are not the same.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// When the run of readings that shows it began.
    pub since: Millis,
    /// Whether uptake rose (up) or fell.
    pub uptake: Direction,
    /// Uptake before, unit per day.
    pub before: f64,
    /// Uptake since, unit per day; `None` with too few readings since.
    pub after: Option<f64>,
}

impl Uptake {
    /// Estimates uptake from readings and additions, in any order.
    ///
    /// # Errors
    /// [`UptakeError`].
    pub fn estimate(
        tracked: Tracked,
        readings: &[SeriesReading],
        additions: &[Addition],
    ) -> Result<Self, UptakeError> {
        let (origin, points) = adjusted(readings, additions)?;
        let line = Line::weighted(&points)?;
        let robust = RobustLine::fit(&points)?;
        let half = line.half_width_of_slope(Confidence::P95);
        let per_day = -line.slope;
        let outliers = outliers(&robust, &points);
        let drift = drift(origin, &without_lone(&outliers, &points));
        Ok(Self {
            tracked,
            per_day,
            low: per_day - half,
            high: per_day + half,
            standard_error: line.slope_se,
            robust_per_day: -robust.slope,
            robust_interval: (-robust.slope_high, -robust.slope_low),
            readings: points.len(),
            span_days: span(&points),
            first: origin,
            newest: origin.plus(days(span(&points))),
            outliers,
            drift,
            line,
            points,
        })
    }

    /// Whether the two ways of estimating differ by more than twice the standard error: a reading looks wrong.
    pub fn methods_disagree(&self) -> bool {
        (self.per_day - self.robust_per_day).abs() > 2.0 * self.standard_error
    }

    /// Mean time between readings, days.
    pub fn mean_interval_days(&self) -> f64 {
        self.span_days / f64_from_usize(self.readings.saturating_sub(1)).max(1.0)
    }

    /// Half width of the 95 % interval, unit per day.
    pub fn half_width(&self) -> f64 {
        self.high - self.per_day
    }

    /// Days of further readings, one every `interval_days` with the present uncertainty, until the 95 % half width is at most
    /// `half_width`; zero when it is already, `None` when 60 more do not do it.
    pub fn days_until(&self, half_width: f64, interval_days: f64) -> Option<f64> {
        const FURTHER_MAX: u32 = 60;
        if self.half_width() <= half_width {
            return Some(0.0);
        }
        if !(interval_days > 0.0 && interval_days.is_finite()) {
            return None;
        }
        let last = self.points.last()?.x;
        let u = median(self.points.iter().map(|p| p.u))? * self.line.sd;
        let mut all: Vec<Point> = self
            .points
            .iter()
            .map(|p| Point {
                // Further readings are expected on the line with this scatter, so only times and uncertainties count.
                y: 0.0,
                u: p.u * self.line.sd,
                ..*p
            })
            .collect();
        (1..=FURTHER_MAX).find_map(|k| {
            let days = f64::from(k) * interval_days;
            all.push(Point {
                x: last + days,
                y: 0.0,
                u,
            });
            let line = Line::weighted(&all).ok()?;
            (line.half_width_of_slope(Confidence::P95) <= half_width).then_some(days)
        })
    }
}

impl fmt::Display for Uptake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let unit = self.tracked.unit();
        write!(
            f,
            "{} uptake {} {unit}/d ({} to {} at 95 %, {} readings over {:.1} d; robust estimate {})",
            self.tracked,
            figures(self.per_day),
            figures(self.low),
            figures(self.high),
            self.readings,
            self.span_days,
            figures(self.robust_per_day)
        )
    }
}

/// The smallest difference of two readings that is outside their uncertainty: 1.95996 x sqrt(2) x u (rows `a6.diff.*`).
pub fn smallest_difference(uncertainty: f64) -> f64 {
    1.959_964 * std::f64::consts::SQRT_2 * uncertainty
}

/// Standard uncertainty of a reading from the step of its scale alone: step / sqrt(12) (row `a6.resolution`, GUM type B).
pub fn uncertainty_of_step(step: f64) -> f64 {
    step / 12.0_f64.sqrt()
}

/// Readings in time order less what was added since the first, with times in days from the first.
fn adjusted(
    readings: &[SeriesReading],
    additions: &[Addition],
) -> Result<(Millis, Vec<Point>), UptakeError> {
    if readings.len() < READINGS_MIN {
        return Err(UptakeError::TooFew {
            have: readings.len(),
        });
    }
    if let Some(index) = additions.iter().position(|a| !a.rise.is_finite()) {
        return Err(UptakeError::Addition { number: index + 1 });
    }
    let mut readings = readings.to_vec();
    readings.sort_by_key(|r| r.at);
    let mut additions = additions.to_vec();
    additions.sort_by_key(|a| a.at);
    let origin = readings.first().map_or(Millis::ZERO, |r| r.at);
    let mut pending = additions.iter().skip_while(|a| a.at <= origin).peekable();
    let mut added = 0.0;
    let mut points = Vec::with_capacity(readings.len());
    for reading in readings {
        while let Some(addition) = pending.next_if(|a| a.at <= reading.at) {
            added += addition.rise;
        }
        points.push(Point {
            x: reading.at.minus(origin).as_days(),
            y: reading.value - added,
            u: reading.uncertainty,
        });
    }
    let days = span(&points);
    // A hair is forgiven, so that readings on the same hour three days apart pass when one was a minute early.
    if days < SPAN_DAYS_MIN - 0.05 {
        return Err(UptakeError::TooShort { days });
    }
    Ok((origin, points))
}

fn span(points: &[Point]) -> f64 {
    points.last().map_or(0.0, |p| p.x)
}

/// Residuals from the robust line beyond 3.5 times the larger of the robust scatter and the stated uncertainty.
fn outliers(robust: &RobustLine, points: &[Point]) -> Vec<usize> {
    let residual = |p: &Point| (p.y - robust.at(p.x)).abs();
    // 1.4826 makes the median absolute deviation a standard deviation for normal scatter.
    let scatter = 1.4826 * median(points.iter().map(residual)).unwrap_or(0.0);
    points
        .iter()
        .enumerate()
        .filter(|(_, p)| residual(p) > OUTLIER_SIGMAS * p.u.max(scatter))
        .map(|(index, _)| index)
        .collect()
}

/// The points less those that are outlying while their neighbours in time are not: a slip of one test, where a break takes several with it.
fn without_lone(outliers: &[usize], points: &[Point]) -> Vec<Point> {
    let flagged = |index: usize| outliers.contains(&index);
    points
        .iter()
        .enumerate()
        .filter(|(index, _)| {
            let alone = !flagged(index.wrapping_sub(1)) && !flagged(index.saturating_add(1));
            !(flagged(*index) && alone)
        })
        .map(|(_, point)| *point)
        .collect()
}

/// Runs a CUSUM over how far each reading lies from what the readings before it foretold (recursive residuals; Brown, Durbin & Evans 1975),
/// each held to three standard deviations so that one wild reading is not taken for a break.
fn drift(origin: Millis, points: &[Point]) -> Option<Drift> {
    const FORETOLD_FROM: usize = 3;
    let noise = local_noise(points);
    let mut foretold = Vec::new();
    for (index, point) in points.iter().enumerate().skip(FORETOLD_FROM) {
        let before: Vec<Point> = points.iter().take(index).copied().collect();
        let line = Line::weighted(&before).ok()?;
        // Not the line's own scatter: early lines have too few readings to know it.
        let line_error = line.leverage(point.x).sqrt();
        let standard = (point.y - line.at(point.x)) / (noise * line_error.hypot(point.u));
        foretold.push(standard.clamp(-3.0, 3.0));
    }
    let (allowance, limit) = DRIFT_CHART;
    let signal = first_signal(&foretold, allowance, limit)?;
    let first = signal.since + FORETOLD_FROM;
    let since = points.get(first)?;
    let earlier: Vec<Point> = points.iter().take(first).copied().collect();
    // The last reading before the run is the best start of what came after.
    let later: Vec<Point> = points.iter().skip(first - 1).copied().collect();
    let before = -Line::weighted(&earlier).ok()?.slope;
    let after = (later.len() >= READINGS_MIN)
        .then(|| Line::weighted(&later).ok().map(|line| -line.slope))
        .flatten();
    Some(Drift {
        since: origin.plus(days(since.x)),
        // Readings above what was foretold mean that less was taken up.
        uptake: match signal.direction {
            Direction::Up => Direction::Down,
            Direction::Down => Direction::Up,
        },
        before,
        after,
    })
}

/// How much readings scatter against their stated uncertainty, from each reading and the straight line between its two neighbours; at least 1.
///
/// A break bends this at one reading only, so the median does not see it, while a kit that is worse than stated is seen.
fn local_noise(points: &[Point]) -> f64 {
    let ratios = points.windows(3).filter_map(|three| {
        let [a, b, c] = three else { return None };
        let part = (b.x - a.x) / (c.x - a.x);
        let residual = b.y - a.y - (c.y - a.y) * part;
        let expected = b.u.hypot(a.u * (1.0 - part)).hypot(c.u * part);
        Some((residual / expected).abs()).filter(|ratio| ratio.is_finite())
    });
    (1.4826 * median(ratios).unwrap_or(0.0)).max(1.0)
}

fn days(days: f64) -> Millis {
    Millis::from_secs_f64(days * f64_from_i64(Millis::DAY.as_ms()) / 1000.0).unwrap_or(Millis::ZERO)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::statistics::ADJUSTED;
    use proptest::prelude::*;

    pub(in crate::estimate) const READ: [f64; 11] = [
        8.3, 8.22, 7.95, 7.88, 7.7, 7.56, 7.46, 7.22, 7.12, 7.0, 6.79,
    ];

    fn day(value: f64) -> Millis {
        days(value)
    }

    pub(in crate::estimate) fn readings(values: &[f64], uncertainty: f64) -> Vec<SeriesReading> {
        (0..)
            .map(f64::from)
            .zip(values)
            .map(|(x, value)| SeriesReading {
                at: day(x),
                value: *value,
                uncertainty,
            })
            .collect()
    }

    /// 24 equal doses a day, half an hour past the hour.
    pub(in crate::estimate) fn doses(per_day: f64, count: u32) -> Vec<Addition> {
        (0..count * 24)
            .map(|k| Addition {
                at: day((f64::from(k) + 0.5) / 24.0),
                rise: per_day / 24.0,
            })
            .collect()
    }

    fn estimate(values: &[f64], uncertainty: f64, per_day: f64) -> Uptake {
        let additions = doses(per_day, 30);
        Uptake::estimate(
            Tracked::Alkalinity,
            &readings(values, uncertainty),
            &additions,
        )
        .unwrap()
    }

    /// Rows `a6.series.adjusted`, `a6.ols.consumption`, `a6.decide.change`.
    #[test]
    fn the_worked_series_gives_the_published_uptake() {
        let additions = doses(0.8, 10);
        let (_, points) = adjusted(&readings(&READ, 0.1), &additions).unwrap();
        for (point, wanted) in points.iter().zip(ADJUSTED) {
            assert!((point.y - wanted).abs() < 1e-9, "{point:?}");
        }
        let uptake = estimate(&READ, 0.1, 0.8);
        assert!(
            (uptake.per_day / 0.949_818_2 - 1.0).abs() < 1e-6,
            "{uptake}"
        );
        assert!(
            (uptake.standard_error / 0.009_534_626 - 1.0).abs() < 1e-6,
            "{uptake}"
        );
        assert!((uptake.robust_per_day - 0.95).abs() < 1e-6, "{uptake}");
        assert!((uptake.high - uptake.per_day - 2.262_157 * 0.009_534_626).abs() < 1e-6);
        assert!(uptake.outliers.is_empty() && uptake.drift.is_none() && !uptake.methods_disagree());
        let text = uptake.to_string();
        assert!(
            text.starts_with(
                "alkalinity uptake 0.9498 dKH/d (0.9282 to 0.9714 at 95 %, 11 readings over 10.0 d"
            ),
            "{text}"
        );
    }

    #[test]
    fn doses_before_the_first_reading_do_not_count_and_order_does_not_matter() {
        let mut additions = doses(0.8, 10);
        additions.push(Addition {
            at: Millis::new(-5),
            rise: 3.0,
        });
        additions.reverse();
        let mut shuffled = readings(&READ, 0.1);
        shuffled.reverse();
        let (_, points) = adjusted(&shuffled, &additions).unwrap();
        assert!((points[0].y - 8.3).abs() < 1e-12);
        let uptake = Uptake::estimate(Tracked::Alkalinity, &shuffled, &additions).unwrap();
        assert!(
            (uptake.per_day / 0.949_818_2 - 1.0).abs() < 1e-6,
            "{uptake}"
        );
    }

    #[test]
    fn a_bad_reading_is_flagged_and_not_taken_for_a_break() {
        let mut values = READ;
        values[4] += 1.5;
        let uptake = estimate(&values, 0.1, 0.8);
        assert_eq!(uptake.outliers, [4]);
        assert_eq!(uptake.drift, None);
        assert!((uptake.robust_per_day - 0.95).abs() < 0.005, "{uptake}");
    }

    #[test]
    fn uptake_that_stops_is_seen_and_dated() {
        // 0.95 dKH/d for seven days, then 0.3 dKH/d; dosed with 0.95 throughout.
        let values: Vec<f64> = (0..14)
            .map(f64::from)
            .map(|x| 8.0 + 0.65 * (x - 7.0).max(0.0))
            .collect();
        let drift = estimate(&values, 0.1, 0.95).drift.unwrap();
        assert_eq!(drift.uptake, Direction::Down);
        let since = drift.since.as_days();
        assert!((7.9..=9.1).contains(&since), "{since}");
        assert!((drift.before - 0.95).abs() < 0.05, "{drift:?}");
        assert!((drift.after.unwrap() - 0.3).abs() < 0.1, "{drift:?}");
    }

    #[test]
    fn a_steady_tank_has_no_drift_whatever_the_dose() {
        for per_day in [0.0, 0.5, 1.5] {
            // Scatter of the kit, repeated; uptake 0.95 throughout.
            let noise = [
                0.05, -0.08, 0.02, 0.1, -0.04, -0.09, 0.07, 0.01, -0.05, 0.06,
            ];
            let values: Vec<f64> = (0..)
                .map(f64::from)
                .zip(noise.iter().cycle().take(20))
                .map(|(x, e)| 8.0 + (per_day - 0.95) * x + e)
                .collect();
            assert_eq!(estimate(&values, 0.1, per_day).drift, None, "{per_day}");
        }
    }

    #[test]
    fn further_readings_narrow_the_interval_when_promised() {
        let short = estimate(&READ[..4], 0.1, 0.8);
        let wanted = 0.05;
        let days = short.days_until(wanted, 1.0).unwrap();
        assert!(days > 1.0 && days < 10.0, "{days}");
        // Row a6.slope_se.n10: ten daily readings of 0.1 see 0.0254, so the promise for that is six more.
        assert!((short.days_until(0.025_39, 1.0).unwrap() - 6.0).abs() < 1e-9);
        assert_eq!(short.days_until(0.5, 1.0), Some(0.0));
        assert_eq!(short.days_until(1e-6, 1.0), None);
        assert_eq!(short.days_until(wanted, f64::NAN), None);
    }

    /// A small generator with a fixed seed: the same numbers in every run. Sum of twelve uniform numbers less six is normal enough.
    struct Scatter(u64);

    impl Scatter {
        fn next(&mut self) -> f64 {
            let mut uniform = || {
                self.0 = self
                    .0
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                f64::from(u32::try_from(self.0 >> 33).unwrap()) / f64::from(1_u32 << 31)
            };
            (0..12).map(|_| uniform()).sum::<f64>() - 6.0
        }
    }

    /// Of 400 made-up fortnights: how many intervals hold the true uptake, and how many drift alarms there are.
    fn fortnights(kit: f64, stated: f64, true_uptake: &dyn Fn(f64) -> f64) -> (u32, u32) {
        let mut scatter = Scatter(7);
        let (mut held, mut alarms) = (0, 0);
        for _ in 0..400 {
            let mut level = 8.0;
            let values: Vec<f64> = (0..15)
                .map(f64::from)
                .map(|day| {
                    if day > 0.0 {
                        level += 0.9 - true_uptake(day);
                    }
                    level + kit * scatter.next()
                })
                .collect();
            let found = estimate(&values, stated, 0.9);
            held += u32::from(found.low <= 0.9 && 0.9 <= found.high);
            alarms += u32::from(found.drift.is_some());
        }
        (held, alarms)
    }

    #[test]
    fn nineteen_intervals_of_twenty_hold_the_true_uptake() {
        let steady = |_| 0.9;
        let (held, alarms) = fortnights(0.1, 0.1, &steady);
        // The floor makes intervals somewhat too wide, never too narrow: 95 % of 400 is 380.
        assert!(held >= 380 && alarms <= 8, "{held} held, {alarms} alarms");
        // A kit twice as bad as stated widens the interval and does not cry wolf often.
        let (held, alarms) = fortnights(0.2, 0.1, &steady);
        assert!(held >= 372 && alarms <= 40, "{held} held, {alarms} alarms");
    }

    #[test]
    fn a_fall_of_uptake_is_seen_within_five_days() {
        let falls = |day| if day > 9.0 { 0.5 } else { 0.9 };
        let (_, alarms) = fortnights(0.1, 0.1, &falls);
        assert!(alarms >= 392, "{alarms} of 400 seen");
    }

    /// Rows `a6.diff.*` and `a6.resolution`.
    #[test]
    fn differences_inside_the_kit_are_no_differences() {
        for (u, wanted) in [
            (0.05, 0.138_59),
            (0.1, 0.277_18),
            (0.144, 0.399_14),
            (0.3, 0.831_54),
        ] {
            assert!((smallest_difference(u) - wanted).abs() < 1e-4);
        }
        assert!((uncertainty_of_step(0.5) - 0.144_338).abs() < 1e-6);
    }

    #[test]
    fn too_few_or_too_close_readings_are_refused() {
        let three = readings(&READ[..3], 0.1);
        assert_eq!(
            Uptake::estimate(Tracked::Alkalinity, &three, &[]),
            Err(UptakeError::TooFew { have: 3 })
        );
        let mut close = readings(&READ[..4], 0.1);
        for reading in &mut close {
            reading.at = Millis::new(reading.at.as_ms() / 2);
        }
        let refusal = Uptake::estimate(Tracked::Alkalinity, &close, &[]).unwrap_err();
        assert!(refusal.to_string().contains("span 1.5 days"), "{refusal}");
    }

    proptest! {
        #[test]
        fn no_number_makes_the_estimate_panic(raw in prop::collection::vec((any::<i64>(), any::<f64>(), any::<f64>()), 0..10), rise in any::<f64>(), wanted in any::<f64>()) {
            let readings: Vec<SeriesReading> = raw
                .iter()
                .map(|(at, value, uncertainty)| SeriesReading { at: Millis::new(*at), value: *value, uncertainty: *uncertainty })
                .collect();
            let additions = [Addition { at: Millis::ZERO, rise }];
            if let Ok(uptake) = Uptake::estimate(Tracked::Alkalinity, &readings, &additions) {
                prop_assert!(!uptake.to_string().is_empty());
                prop_assert!(uptake.days_until(wanted, 1.0).is_none_or(|d| (0.0..=60.0).contains(&d)));
            }
        }

        #[test]
        fn the_dose_does_not_change_the_uptake(per_day in 0.0..3.0_f64, uptake in 0.0..3.0_f64) {
            let values: Vec<f64> = (0..8).map(f64::from).map(|x| 8.0 + (per_day - uptake) * x).collect();
            let found = estimate(&values, 0.1, per_day);
            prop_assert!((found.per_day - uptake).abs() < 1e-6);
        }
    }
}
