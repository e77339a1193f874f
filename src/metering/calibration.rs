//! One head's calibration: `volume = rate x time + offset`.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::quantity::{FlowRate, Millis, Volume, f64_from_i64, i64_from_f64};

/// A head's metering line. The offset is what starting and stopping add (positive) or lose (negative) once a run.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Numbers", into = "Numbers")]
pub struct Calibration {
    rate: FlowRate,
    offset: Volume,
}

/// A calibration as it is written.
#[derive(Serialize, Deserialize)]
struct Numbers {
    #[serde(rename = "rate_ml_per_min")]
    rate: FlowRate,
    #[serde(rename = "offset_ul")]
    offset: Volume,
}

impl From<Calibration> for Numbers {
    fn from(calibration: Calibration) -> Self {
        let Calibration { rate, offset } = calibration;
        Self { rate, offset }
    }
}

impl TryFrom<Numbers> for Calibration {
    type Error = CalibrationError;

    fn try_from(numbers: Numbers) -> Result<Self, CalibrationError> {
        Self::new(numbers.rate, numbers.offset)
    }
}

/// Why a rate and an offset are no calibration, or a volume cannot be metered by it.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum CalibrationError {
    /// The rate is not finite or outside what dosing heads do.
    #[error(
        "a rate of {ml_per_min} mL/min is not that of a dosing head; it must be from 0.05 to 500 mL/min"
    )]
    Rate {
        /// The rate that was given.
        ml_per_min: f64,
    },
    /// The offset is larger than both 5 s of flow and 1 mL: the runs it came from were not metered runs.
    #[error(
        "an offset of {offset} a run is not plausible at {rate}; it may be at most 1 mL or what 5 s deliver"
    )]
    Offset {
        /// The offset that was given.
        offset: Volume,
        /// The rate it came with.
        rate: FlowRate,
    },
    /// The volume is not more than what starting and stopping alone deliver.
    #[error(
        "{volume} cannot be metered: the shortest run of this head already delivers {smallest}"
    )]
    TooSmall {
        /// The volume asked for.
        volume: Volume,
        /// What the shortest run delivers.
        smallest: Volume,
    },
    /// The run would be too long to be counted.
    #[error(
        "{volume} cannot be metered at {rate}: the run would never end; check the volume's unit"
    )]
    TooLarge {
        /// The volume asked for.
        volume: Volume,
        /// The rate of the head.
        rate: FlowRate,
    },
}

impl Calibration {
    /// Shortest run that is metered at all: below this, start and stop dominate (our rule).
    pub const RUN_MIN: Millis = Millis::new(200);

    /// A calibration from its two numbers.
    ///
    /// # Errors
    /// A rate outside 0.05 to 500 mL/min (NaN included), or an offset beyond both 1 mL and 5 s of flow.
    pub fn new(rate: FlowRate, offset: Volume) -> Result<Self, CalibrationError> {
        let ml_per_min = rate.as_ml_per_min();
        if !(0.05..=500.0).contains(&ml_per_min) {
            return Err(CalibrationError::Rate { ml_per_min });
        }
        let offset_ml_max = (ml_per_min / 12.0).max(1.0);
        if offset.as_ml().abs() > offset_ml_max {
            return Err(CalibrationError::Offset { offset, rate });
        }
        Ok(Self { rate, offset })
    }

    pub const fn rate(&self) -> FlowRate {
        self.rate
    }

    pub const fn offset(&self) -> Volume {
        self.offset
    }

    /// Run time that delivers `volume`, by the inverse of the line, rounded to the millisecond.
    ///
    /// # Errors
    /// [`CalibrationError::TooSmall`] when the run would be shorter than [`Self::RUN_MIN`],
    /// [`CalibrationError::TooLarge`] when it would be longer than can be counted.
    pub fn run_time(&self, volume: Volume) -> Result<Millis, CalibrationError> {
        let wanted_ul = f64_from_i64(volume.saturating_sub(self.offset).as_ul());
        let too_small = || CalibrationError::TooSmall {
            volume,
            smallest: self.volume(Self::RUN_MIN),
        };
        let too_large = || CalibrationError::TooLarge {
            volume,
            rate: self.rate,
        };
        let millis = i64_from_f64(wanted_ul / self.rate.as_ul_per_ms())
            .map(Millis::new)
            .ok_or_else(|| {
                if volume > self.offset {
                    too_large()
                } else {
                    too_small()
                }
            })?;
        if millis < Self::RUN_MIN {
            Err(too_small())
        } else {
            Ok(millis)
        }
    }

    /// Volume that a run of `on_time` delivers. Zero for no time; never negative.
    pub fn volume(&self, on_time: Millis) -> Volume {
        if on_time <= Millis::ZERO {
            return Volume::ZERO;
        }
        let flowed = i64_from_f64(self.rate.as_ul_per_ms() * f64_from_i64(on_time.as_ms()));
        flowed
            .map_or(Volume::from_ul(i64::MAX), |ul| {
                Volume::from_ul(ul).saturating_add(self.offset)
            })
            .or_zero()
    }

    /// The most that a run can have given. One that was stopped at once is shorter than any fit covers, and an offset below zero would
    /// book it as nothing although the head had turned.
    pub fn at_most(&self, on_time: Millis) -> Volume {
        let without_offset = Self {
            offset: Volume::ZERO,
            ..*self
        };
        let begun = without_offset.volume(on_time.min(Self::RUN_MIN));
        self.volume(on_time).max(begun)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_run_that_is_stopped_at_once_is_booked_by_its_time_whatever_the_offset() {
        let rate = FlowRate::from_ml_per_min(30.0);
        let calibration = Calibration::new(rate, Volume::from_ul(-200)).unwrap();
        let booked = |ms| calibration.at_most(Millis::new(ms)).as_ul();
        assert_eq!([0, 40, 200, 2_000].map(booked), [0, 20, 100, 800]);
    }

    #[test]
    fn an_impossible_rate_is_refused_and_nothing_panics() {
        for rate in [0.0, -1.0, 1e-300, f64::NAN, f64::INFINITY, 1e300] {
            assert!(
                Calibration::new(FlowRate::from_ml_per_min(rate), Volume::ZERO).is_err(),
                "{rate}"
            );
        }
        let head = Calibration::new(FlowRate::from_ml_per_min(30.0), Volume::ZERO).unwrap();
        assert!(head.run_time(Volume::ZERO).is_err());
        assert!(head.run_time(Volume::from_ul(-5)).is_err());
        assert!(matches!(
            head.run_time(Volume::from_ul(i64::MAX)),
            Err(CalibrationError::TooLarge { .. })
        ));
        assert!(matches!(
            head.run_time(Volume::from_ul(i64::MIN)),
            Err(CalibrationError::TooSmall { .. })
        ));
    }

    #[test]
    fn the_offset_is_taken_off_before_the_run_time_is_found() {
        let head = Calibration::new(FlowRate::from_ml_per_min(60.0), Volume::from_ul(200)).unwrap();
        assert_eq!(
            head.run_time(Volume::from_ul(5_200)).unwrap(),
            Millis::from_secs(5)
        );
        assert_eq!(head.volume(Millis::from_secs(5)), Volume::from_ul(5_200));
    }

    proptest! {
        #[test]
        fn run_time_and_volume_are_inverse_to_the_millisecond(rate in 0.5_f64..400.0, ul in 2_000_i64..50_000) {
            let head = Calibration::new(FlowRate::from_ml_per_min(rate), Volume::ZERO).unwrap();
            if let Ok(time) = head.run_time(Volume::from_ul(ul)) {
                let back = head.volume(time).as_ul();
                let per_ms = rate / 60.0;
                prop_assert!((f64_from_i64(back - ul)).abs() <= per_ms + 1.0);
            }
        }
    }
}
