//! Delivery error by length of the window it is looked at through: the trumpet curve.
//!
//! Terms: a *sample* is an equal piece of time with what was planned and what was delivered in it; a *window* of length P is
//! every run of neighbouring samples that long; the curve is the largest and smallest error over all windows, against P.
//! It narrows towards the overall error as P grows, which gives it its name. Manner of IEC 60601-2-24 (windows and sample
//! interval as read in manuals that cite it; the formula from memory). For an aquarium the 24 h value is what the tank sees.

use thiserror::Error;

use crate::quantity::{Millis, Volume, f64_from_i64};

/// What happened in one piece of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sample {
    /// What should have been delivered.
    pub planned: Volume,
    pub delivered: Volume,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrumpetPoint {
    pub window: Millis,
    /// Windows that were looked at. Those in which nothing was planned have no error in per cent and are left out.
    pub windows: usize,
    /// Largest error, % of planned.
    pub error_max_percent: f64,
    /// Smallest (most negative) error, % of planned.
    pub error_min_percent: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Trumpet {
    /// Its points, in the order of the windows asked for.
    pub points: Vec<TrumpetPoint>,
    /// Error over all samples, %.
    pub overall_percent: f64,
}

#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum TrumpetRefusal {
    #[error(
        "nothing was planned in these {samples} samples; choose a time in which doses were due"
    )]
    NothingPlanned { samples: usize },
    #[error("sample {number} holds a negative volume; give what was planned and delivered")]
    Negative {
        /// Its place, from 1.
        number: usize,
    },
    #[error("a window of {window} is not a whole number of samples of {sample}")]
    Window { window: Millis, sample: Millis },
    #[error(
        "a window of {window} is longer than the {there} that were recorded; record for longer"
    )]
    TooShort {
        window: Millis,
        /// How long the data are.
        there: Millis,
    },
}

impl Trumpet {
    /// The curve of `samples`, each `sample` long, for the given windows.
    ///
    /// # Errors
    /// [`TrumpetRefusal`] when nothing was planned, a volume is negative, or a window is not a whole number of samples or
    /// longer than the data.
    pub fn of(
        samples: &[Sample],
        sample: Millis,
        windows: &[Millis],
    ) -> Result<Self, TrumpetRefusal> {
        for (number, Sample { planned, delivered }) in (1..).zip(samples) {
            if *planned < Volume::ZERO || *delivered < Volume::ZERO {
                return Err(TrumpetRefusal::Negative { number });
            }
        }
        let overall_percent = error_percent(samples).ok_or(TrumpetRefusal::NothingPlanned {
            samples: samples.len(),
        })?;
        let points = windows
            .iter()
            .map(|window| point(samples, sample, *window))
            .collect::<Result<_, _>>()?;
        Ok(Self {
            points,
            overall_percent,
        })
    }
}

fn point(
    samples: &[Sample],
    sample: Millis,
    window: Millis,
) -> Result<TrumpetPoint, TrumpetRefusal> {
    let no_window = TrumpetRefusal::Window { window, sample };
    if sample <= Millis::ZERO || window < sample || window.as_ms() % sample.as_ms() != 0 {
        return Err(no_window);
    }
    let length = usize::try_from(window.as_ms() / sample.as_ms()).map_err(|_| no_window)?;
    if length > samples.len() {
        let count = i64::try_from(samples.len()).unwrap_or(i64::MAX);
        return Err(TrumpetRefusal::TooShort {
            window,
            there: Millis::new(sample.as_ms().saturating_mul(count)),
        });
    }
    let errors: Vec<f64> = samples.windows(length).filter_map(error_percent).collect();
    Ok(TrumpetPoint {
        window,
        windows: errors.len(),
        error_max_percent: errors.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        error_min_percent: errors.iter().copied().fold(f64::INFINITY, f64::min),
    })
}

/// Error of a window in % of planned; `None` when nothing was planned.
fn error_percent(window: &[Sample]) -> Option<f64> {
    let sum =
        |of: fn(&Sample) -> Volume| f64_from_i64(window.iter().map(of).sum::<Volume>().as_ul());
    let planned = sum(|sample| sample.planned);
    (planned > 0.0).then(|| 100.0 * (sum(|sample| sample.delivered) - planned) / planned)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sample interval of the IEC manner, 0.5 min.
    const IEC_SAMPLE: Millis = Millis::from_secs(30);
    use proptest::prelude::*;

    /// Row a5.trumpet.data: uL in each of 20 samples of 0.5 min at 60 mL/h, that is 500 uL a sample (made up).
    const DELIVERED: [i64; 20] = [
        520, 470, 500, 550, 440, 490, 530, 510, 460, 500, 480, 540, 500, 490, 520, 450, 510, 500,
        530, 480,
    ];

    fn samples(delivered: &[i64]) -> Vec<Sample> {
        let sample = |ul: &i64| Sample {
            planned: Volume::from_ul(500),
            delivered: Volume::from_ul(*ul),
        };
        delivered.iter().map(sample).collect()
    }

    /// Rows a5.trumpet.P0.5, P1, P5 and A: number of windows, largest and smallest error, to 1e-6 %.
    #[test]
    fn the_worked_trumpet_comes_out() {
        let windows = [30, 60, 300].map(Millis::from_secs);
        let curve = Trumpet::of(&samples(&DELIVERED), IEC_SAMPLE, &windows).unwrap();
        let want = [(20, 10.0, -12.0), (19, 5.0, -7.0), (11, 0.4, -1.4)];
        for (point, (count, max, min)) in curve.points.iter().zip(want) {
            assert_eq!(point.windows, count, "{point:?}");
            assert!((point.error_max_percent - max).abs() < 1e-6, "{point:?}");
            assert!((point.error_min_percent - min).abs() < 1e-6, "{point:?}");
        }
        assert_eq!(curve.points.len(), 3);
        assert!(
            (curve.overall_percent + 0.3).abs() < 1e-6,
            "{}",
            curve.overall_percent
        );
    }

    #[test]
    fn a_missed_dose_is_all_of_its_hour_and_a_24th_of_its_day() {
        let mut hours = vec![500; 24];
        hours[7] = 0;
        let curve = Trumpet::of(
            &samples(&hours),
            Millis::from_mins(60),
            &[Millis::from_mins(60), Millis::DAY],
        )
        .unwrap();
        assert!((curve.points[0].error_min_percent + 100.0).abs() < 1e-9);
        assert!((curve.points[1].error_min_percent + 100.0 / 24.0).abs() < 1e-9);
        assert_eq!(curve.points[1].windows, 1);
    }

    #[test]
    fn windows_in_which_nothing_was_planned_are_left_out() {
        let mut some = samples(&[500, 0, 500, 0]);
        some[1].planned = Volume::ZERO;
        some[3].planned = Volume::ZERO;
        let curve = Trumpet::of(&some, IEC_SAMPLE, &[IEC_SAMPLE]).unwrap();
        assert_eq!(curve.points[0].windows, 2);
        assert!(curve.points[0].error_max_percent.abs() < 1e-12);
    }

    #[test]
    fn windows_and_samples_that_make_no_curve_are_refused() {
        let good = samples(&DELIVERED);
        let of = |sample: i64, window: i64| {
            Trumpet::of(&good, Millis::new(sample), &[Millis::new(window)])
        };
        assert!(matches!(
            of(30_000, 45_000),
            Err(TrumpetRefusal::Window { .. })
        ));
        assert!(matches!(of(30_000, 0), Err(TrumpetRefusal::Window { .. })));
        assert!(matches!(of(0, 30_000), Err(TrumpetRefusal::Window { .. })));
        assert!(matches!(
            of(-1, i64::MIN),
            Err(TrumpetRefusal::Window { .. })
        ));
        assert!(matches!(
            of(30_000, 630_000),
            Err(TrumpetRefusal::TooShort { .. })
        ));
        assert_eq!(
            Trumpet::of(&[], IEC_SAMPLE, &[]),
            Err(TrumpetRefusal::NothingPlanned { samples: 0 })
        );
        assert_eq!(
            Trumpet::of(&samples(&[500, -1]), IEC_SAMPLE, &[]),
            Err(TrumpetRefusal::Negative { number: 2 })
        );
    }

    proptest! {
        #[test]
        fn a_longer_window_that_is_a_multiple_is_never_wider(delivered in proptest::collection::vec(0_i64..2_000, 8..60)) {
            let windows = [1, 2, 4, 8].map(|n| Millis::from_secs(30 * n));
            let curve = Trumpet::of(&samples(&delivered), IEC_SAMPLE, &windows).unwrap();
            for pair in curve.points.windows(2) {
                prop_assert!(pair[1].error_max_percent <= pair[0].error_max_percent + 1e-9);
                prop_assert!(pair[1].error_min_percent >= pair[0].error_min_percent - 1e-9);
            }
        }

        #[test]
        fn no_volume_or_time_panics(values in proptest::collection::vec(any::<(i64, i64)>(), 0..12), sample in any::<i64>(), window in any::<i64>()) {
            let some: Vec<_> = values.iter().map(|(p, d)| Sample { planned: Volume::from_ul(*p), delivered: Volume::from_ul(*d) }).collect();
            if let Ok(curve) = Trumpet::of(&some, Millis::new(sample), &[Millis::new(window), Millis::new(sample)]) {
                prop_assert!(!curve.overall_percent.is_nan());
            }
        }
    }
}
