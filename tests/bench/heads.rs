//! Simulated heads, calibrated as the dialog does it, and how often what their calibrations claim is so. Fixed seeds.

use std::ops::Range;

use dosewright::metering::{FitRules, MeteringLimits, REPEATS, Run, fit, lengths_around};
use dosewright::quantity::{FlowRate, Millis, Volume};

/// How a head scatters from run to run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Scatter {
    /// By so many millilitres, however long the run.
    Constant,
    /// By so many per cent of the run.
    InProportion,
}

/// Heads of one kind.
#[derive(Debug, Clone)]
pub(crate) struct Cell {
    pub(crate) scatter: Scatter,
    /// Coefficient of variation of all lengths together, as a calibration shows it, %.
    pub(crate) cv_percent: Range<f64>,
    /// Step of the cylinder or scale.
    pub(crate) step: Volume,
}

/// The tolerance of the heads, %.
pub(crate) const TOLERANCE_PERCENT: f64 = 5.0;

/// What the heads' makers say, mL/min; they are up to a fifth off.
const NOMINAL: f64 = 30.0;

/// How often what was claimed was so.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Found {
    /// Calibrated, and the truth within the limits of the rate and of the offset.
    pub(crate) calibrated: u32,
    pub(crate) rate: u32,
    pub(crate) offset: u32,
    /// Of those calibrated: some dose is metered; one of the smallest and one of the longest was within the tolerance.
    pub(crate) metering: u32,
    pub(crate) smallest: u32,
    pub(crate) longest: u32,
    /// A usual dose is metered.
    pub(crate) usual: u32,
}

/// SplitMix64 (Steele, Lea & Flood 2014; constants from memory), and Box and Muller's normal numbers.
struct Chance(u64);

impl Chance {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        let high = u32::try_from(z >> 32).unwrap_or_default();
        (f64::from(high) + 0.5) / 4_294_967_296.0
    }

    fn between(&mut self, of: &Range<f64>) -> f64 {
        of.start + (of.end - of.start) * self.uniform()
    }

    fn normal(&mut self) -> f64 {
        let (a, b) = (self.uniform(), self.uniform());
        (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
    }
}

struct Head {
    ml_per_s: f64,
    offset_ml: f64,
    scatter: Scatter,
    /// As a part of a run, or mL.
    sd: f64,
}

impl Head {
    /// Of which a calibration by these lengths shows the cell's scatter in the mean.
    fn new(cell: &Cell, lengths: [Millis; 2], chance: &mut Chance) -> Self {
        let mut head = Self {
            ml_per_s: NOMINAL / 60.0 * chance.between(&(0.8..1.2)),
            offset_ml: 0.03 * chance.normal(),
            scatter: cell.scatter,
            sd: chance.between(&cell.cv_percent) / 100.0,
        };
        if cell.scatter == Scatter::Constant {
            let squares = lengths.map(|time| head.mean(time).powi(-2));
            head.sd *= (2.0 / (squares[0] + squares[1])).sqrt();
        }
        head
    }

    fn mean(&self, time: Millis) -> f64 {
        self.offset_ml + self.ml_per_s * time.as_secs()
    }

    fn gives(&self, time: Millis, chance: &mut Chance) -> f64 {
        let mean = self.mean(time);
        let unit = match self.scatter {
            Scatter::Constant => 1.0,
            Scatter::InProportion => mean,
        };
        mean + self.sd * unit * chance.normal()
    }
}

/// Calibrates so many heads and looks after what is claimed of each.
pub(crate) fn found(cell: &Cell, heads: u32, seed: u64) -> Found {
    let mut chance = Chance(seed);
    let mut found = Found::default();
    for _ in 0..heads {
        one(cell, &mut chance, &mut found);
    }
    found
}

fn one(cell: &Cell, chance: &mut Chance, found: &mut Found) {
    // 1 to 10 mL, evenly by their ratio.
    let usual = Volume::from_ml(10_f64.powf(chance.uniform())).unwrap_or(Volume::ZERO);
    let nominal = FlowRate::from_ml_per_min(NOMINAL);
    let lengths = lengths_around(usual, nominal, Millis::HOUR);
    let head = Head::new(cell, lengths, chance);
    let step = cell.step.as_ml();
    let mut runs = Vec::new();
    for _ in 0..REPEATS {
        for time in lengths {
            let read = (head.gives(time, chance) / step).round() * step;
            runs.extend(Run::from_ml(time, read));
        }
    }
    let rules = FitRules {
        resolution: cell.step,
        ..FitRules::default()
    };
    let Ok(fitted) = fit(&runs, &rules) else {
        return;
    };
    let within = |(low, high): (f64, f64), truth: f64| u32::from((low..=high).contains(&truth));
    let (low, high) = fitted.rate_limits();
    let limits = (low.as_ml_per_min(), high.as_ml_per_min());
    found.calibrated += 1;
    found.rate += within(limits, head.ml_per_s * 60.0);
    found.offset += within(fitted.offset_limits_ml(), head.offset_ml);
    let Ok(limits) = fitted.metering_limits(TOLERANCE_PERCENT) else {
        return;
    };
    let calibration = fitted.calibration();
    let mut is_within = |volume: Volume| {
        let Ok(time) = limits.run_time(&calibration, volume) else {
            return 0;
        };
        let off = head.gives(time, chance) / volume.as_ml() - 1.0;
        u32::from(100.0 * off.abs() <= TOLERANCE_PERCENT)
    };
    let MeteringLimits { run_max, .. } = limits;
    found.metering += 1;
    found.smallest += is_within(limits.smallest(&calibration));
    let longest = calibration.volume(run_max);
    // Whole milliseconds and microlitres: what is just above is refused.
    found.longest += is_within(longest.saturating_sub(Volume::from_ul(1)));
    found.usual += u32::from(limits.run_time(&calibration, usual).is_ok());
}
