//! Control charts: whether a series has left its level, and since when.
//!
//! Terms: values are *standardised*, that is in units of their own standard deviation from where they should be. EWMA is a moving
//! average that forgets; CUSUM adds up what is beyond an allowance k and signals above h. With k = 0.5 and h = 4 a shift of one
//! sigma is seen after 8.4 values on average and a false alarm comes once in 168 (row `a6.cusum.arl`, Lucas & Crosier 1982).

/// An exponentially weighted moving average.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ewma {
    lambda: f64,
    value: f64,
}

impl Ewma {
    /// Starts at `start`; `lambda` is the weight of the newest value, held between 0.01 and 1.
    pub fn new(lambda: f64, start: f64) -> Self {
        let lambda = if lambda.is_finite() {
            lambda.clamp(0.01, 1.0)
        } else {
            1.0
        };
        Self {
            lambda,
            value: start,
        }
    }

    /// Takes one value in and returns the average.
    pub fn step(&mut self, value: f64) -> f64 {
        self.value = self.lambda * value + (1.0 - self.lambda) * self.value;
        self.value
    }

    /// Half width of the limits around the target, for values of this standard deviation: width x sigma x sqrt(lambda / (2 - lambda)).
    pub fn limit(&self, sigma: f64, width: f64) -> f64 {
        width * sigma * (self.lambda / (2.0 - self.lambda)).sqrt()
    }
}

/// A two-sided cumulative sum of standardised values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cusum {
    allowance: f64,
    limit: f64,
    high: f64,
    low: f64,
}

/// Which way a series has gone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    Up,
    Down,
}

impl Cusum {
    /// `allowance` (k) and `limit` (h) in standard deviations; both sums start at `head_start`.
    pub const fn new(allowance: f64, limit: f64, head_start: f64) -> Self {
        Self {
            allowance,
            limit,
            high: head_start,
            low: head_start,
        }
    }

    /// Takes one value in and says whether a sum is beyond the limit. A value that is no number is passed over.
    pub fn step(&mut self, value: f64) -> Option<Direction> {
        if value.is_nan() {
            return None;
        }
        self.high = (self.high + value - self.allowance).max(0.0);
        self.low = (self.low - value - self.allowance).max(0.0);
        if self.high > self.limit {
            Some(Direction::Up)
        } else if self.low > self.limit {
            Some(Direction::Down)
        } else {
            None
        }
    }

    /// The upper and the lower sum.
    pub const fn sums(&self) -> (f64, f64) {
        (self.high, self.low)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Signal {
    pub direction: Direction,
    /// Index of the first value of the run that led to the signal: the change is dated to it.
    pub since: usize,
    /// Index of the value at which a sum passed the limit.
    pub seen_at: usize,
}

/// The first signal of a two-sided CUSUM over standardised values.
pub fn first_signal(values: &[f64], allowance: f64, limit: f64) -> Option<Signal> {
    let mut chart = Cusum::new(allowance, limit, 0.0);
    let (mut up_since, mut down_since) = (0, 0);
    for (index, value) in values.iter().enumerate() {
        let before = chart.sums();
        let signal = chart.step(*value);
        if before.0 <= 0.0 {
            up_since = index;
        }
        if before.1 <= 0.0 {
            down_since = index;
        }
        if let Some(direction) = signal {
            let since = match direction {
                Direction::Up => up_since,
                Direction::Down => down_since,
            };
            return Some(Signal {
                direction,
                since,
                seen_at: index,
            });
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Rows `a6.ewma.data`, `a6.ewma.values`, `a6.ewma.last`, `a6.ewma.limits`: NIST/SEMATECH e-Handbook 6.3.2.4.
    #[test]
    fn the_moving_average_reproduces_the_handbook() {
        let data = [
            52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
            47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
        ];
        let printed = [
            50.6, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
            49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
        ];
        let mut ewma = Ewma::new(0.3, 50.0);
        let limit = ewma.limit(2.0539, 3.0);
        assert!((50.0 + limit - 52.5884).abs() < 1e-3 && (50.0 - limit - 47.4115).abs() < 1e-3);
        let mut last = 0.0;
        for (value, wanted) in data.into_iter().zip(printed) {
            last = ewma.step(value);
            assert!((last - wanted).abs() < 0.0051, "{last} is not {wanted}");
        }
        assert!((last - 51.988_243_258_6).abs() < 1e-9);
    }

    /// Rows `a6.cusum.lc.*`: Lucas & Crosier 1982, Table 5, k = 0.5, h = 5.
    #[test]
    fn the_cumulative_sum_reproduces_the_published_table() {
        let data = [0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6];
        for (head_start, printed, signal_at) in [
            (0.0, [0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0], 6),
            (2.5, [2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5], 2),
        ] {
            let mut chart = Cusum::new(0.5, 5.0, head_start);
            let mut signal = None;
            for (index, (value, wanted)) in data.into_iter().zip(printed).enumerate() {
                let stepped = chart.step(value);
                assert!((chart.sums().0 - wanted).abs() < 0.05, "{index}");
                if stepped.is_some() && signal.is_none() {
                    signal = Some(index);
                }
            }
            assert_eq!(signal, Some(signal_at));
        }
    }

    /// Rows `a6.cusum.nist.*`, target 325, k = 0.3175, h = 4.1959: data from memory, so this is a smoke check.
    #[test]
    fn the_cumulative_sum_from_memory_signals_where_the_handbook_does() {
        let data = [
            324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6,
            324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35,
        ];
        let values: Vec<f64> = data.iter().map(|x| x - 325.0).collect();
        let signal = first_signal(&values, 0.3175, 4.1959).unwrap();
        assert_eq!(
            (signal.direction, signal.since, signal.seen_at),
            (Direction::Up, 12, 13)
        );
    }

    #[test]
    fn a_signal_is_dated_to_the_start_of_its_run() {
        let values = [0.1, -0.3, 0.2, -1.6, -2.0, -1.9, -2.2];
        let signal = first_signal(&values, 0.5, 4.0).unwrap();
        assert_eq!((signal.direction, signal.since), (Direction::Down, 3));
        assert_eq!(first_signal(&[0.4, -0.4, 0.5, -0.2], 0.5, 4.0), None);
    }

    proptest! {
        #[test]
        fn no_number_makes_the_charts_panic(values in prop::collection::vec(any::<f64>(), 0..30), lambda in any::<f64>()) {
            let mut ewma = Ewma::new(lambda, 0.0);
            for value in &values {
                ewma.step(*value);
            }
            if let Some(signal) = first_signal(&values, 0.5, 4.0) {
                prop_assert!(signal.since <= signal.seen_at && signal.seen_at < values.len());
            }
        }
    }
}
