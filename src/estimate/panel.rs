//! One value of a lab panel against natural seawater.
//!
//! Terms: a *panel* is one lab report; a value below the detection limit stays below it and is never taken for zero; the *natural level*
//! is that of natural seawater at this tank's salinity. Only the naturals that can be leaned on make a value low; for the rest all
//! that is said is that it is far above the ocean. Whether that hurts an animal is deliberately not said: nobody knows from a number.

use std::fmt;

use thiserror::Error;

use crate::chemistry::{
    Celsius, Element, Salinity, Sureness, WaterError, density_kg_per_m3, figures, natural_level,
};
use crate::quantity::{Concentration, i64_from_f64};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PanelUnit {
    MicrogramPerL,
    MilligramPerL,
    MicrogramPerKg,
    MilligramPerKg,
}

/// Why a panel value cannot be used.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum PanelError {
    #[error(
        "\"{text}\" is not a unit that says what it means; write ug/L, mg/L, ug/kg or mg/kg (\"ppm\" is used for both mg/L and mg/kg, which differ by 2.3 %: ask the lab)"
    )]
    Unit { text: String },
    #[error("{element}: {value} is no amount; correct the entry")]
    Value { element: Element, value: f64 },
    #[error(transparent)]
    Water(#[from] WaterError),
}

impl PanelUnit {
    /// Reads a unit as reports write it.
    ///
    /// # Errors
    /// [`PanelError::Unit`], also for "ppm" and "ppb", which name two different things.
    pub fn parse(text: &str) -> Result<Self, PanelError> {
        let plain: String = text
            .trim()
            .chars()
            .map(|c| match c {
                '\u{b5}' | '\u{3bc}' => 'u',
                other => other.to_ascii_lowercase(),
            })
            .collect();
        match plain.as_str() {
            "ug/l" => Ok(Self::MicrogramPerL),
            "mg/l" => Ok(Self::MilligramPerL),
            "ug/kg" => Ok(Self::MicrogramPerKg),
            "mg/kg" => Ok(Self::MilligramPerKg),
            other => Err(PanelError::Unit {
                text: other.chars().take(40).collect(),
            }),
        }
    }

    /// `kg_per_l` is the density of the sample.
    pub fn mg_per_l(self, value: f64, kg_per_l: f64) -> f64 {
        match self {
            Self::MicrogramPerL => value / 1000.0,
            Self::MilligramPerL => value,
            Self::MicrogramPerKg => value / 1000.0 * kg_per_l,
            Self::MilligramPerKg => value * kg_per_l,
        }
    }
}

/// A result: a number, or less than the detection limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Finding {
    Found(Concentration),
    Below(Concentration),
}

impl Finding {
    /// The most it can be without its uncertainty.
    pub const fn at_most(self) -> Concentration {
        match self {
            Self::Found(value) | Self::Below(value) => value,
        }
    }
}

/// One value as the report has it.
#[derive(Debug, Clone, PartialEq)]
pub struct PanelEntry {
    pub element: Element,
    /// The number, or the detection limit.
    pub value: f64,
    /// Whether it is a detection limit ("<").
    pub detected: Detected,
    pub unit: PanelUnit,
    /// Relative standard uncertainty of the method, percent.
    pub uncertainty_percent: f64,
}

/// Whether the number is a result or a limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Detected {
    Yes,
    /// The detection limit; the element was not found.
    BelowLimit,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Band {
    /// Below natural by more than the band and the uncertainty.
    Low,
    /// Within the band around natural, or not told apart from it.
    Natural,
    /// Above natural by more than the band and the uncertainty.
    High,
    /// Not found, and the limit is not low enough to say more.
    NotFound,
    /// No natural level is on file to compare with.
    NothingToCompare,
}

/// Bands around natural. Our rules: a tenth for major ions, since labs agree no better; half to double for the traces that are even in
/// the ocean (row `a8.cp.I_range` for iodine is about that); ten times for those that vary.
const fn band_edges(sureness: Sureness) -> (f64, f64) {
    match sureness {
        Sureness::Definition => (0.9, 1.1),
        Sureness::TenPercent => (0.5, 2.0),
        Sureness::CeilingOnly => (0.0, 10.0),
    }
}

#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    pub element: Element,
    /// In mg/L at the tank's salinity.
    pub finding: Finding,
    /// 95 % interval of the value, mg/L.
    pub interval: (Concentration, Concentration),
    /// Natural level at the tank's salinity, with how sure it is.
    pub natural: Option<(Concentration, Sureness)>,
    pub band: Band,
}

impl PanelEntry {
    /// Compares with natural seawater of this salinity; `temperature` is that at which the litre is meant, 25 C where a report does not say.
    ///
    /// # Errors
    /// [`PanelError::Value`] for a number that is negative or not finite, [`PanelError::Water`] outside the equation of state.
    pub fn compare(
        &self,
        salinity: Salinity,
        temperature: Celsius,
    ) -> Result<Comparison, PanelError> {
        for value in [self.value, self.uncertainty_percent] {
            if !(value >= 0.0 && value.is_finite()) {
                return Err(PanelError::Value {
                    element: self.element.clone(),
                    value,
                });
            }
        }
        let kg_per_l = density_kg_per_m3(salinity, temperature)? / 1000.0;
        let mg_per_l = self.unit.mg_per_l(self.value, kg_per_l);
        let half = mg_per_l * self.uncertainty_percent / 100.0 * 1.96;
        let (low, high) = match self.detected {
            Detected::Yes => ((mg_per_l - half).max(0.0), mg_per_l + half),
            Detected::BelowLimit => (0.0, mg_per_l),
        };
        let level = natural_level(&self.element);
        let natural = level
            .map(|level| {
                level
                    .at(salinity, temperature)
                    .map(|at| (at, level.sureness))
            })
            .transpose()?;
        let value = Concentration::from_mg_per_l(mg_per_l);
        Ok(Comparison {
            element: self.element.clone(),
            finding: match self.detected {
                Detected::Yes => Finding::Found(value),
                Detected::BelowLimit => Finding::Below(value),
            },
            interval: (
                Concentration::from_mg_per_l(low),
                Concentration::from_mg_per_l(high),
            ),
            natural,
            band: band(natural, (low, high), self.detected),
        })
    }
}

fn band(
    natural: Option<(Concentration, Sureness)>,
    (low, high): (f64, f64),
    detected: Detected,
) -> Band {
    let Some((natural, sureness)) = natural else {
        return Band::NothingToCompare;
    };
    let (edge_low, edge_high) = band_edges(sureness);
    let natural = natural.as_mg_per_l();
    if high < natural * edge_low {
        Band::Low
    } else if low > natural * edge_high {
        Band::High
    } else if detected == Detected::BelowLimit {
        Band::NotFound
    } else {
        Band::Natural
    }
}

impl Comparison {
    /// How much is missing to natural; `None` unless it is low.
    pub fn gap(&self) -> Option<Concentration> {
        let (natural, _) = self.natural.filter(|_| self.band == Band::Low)?;
        let missing = natural.as_mg_per_l() - self.finding.at_most().as_mg_per_l();
        Some(Concentration::from_mg_per_l(missing))
    }
}

impl fmt::Display for Comparison {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.finding {
            Finding::Below(limit) => {
                write!(f, "{} not found, below {}", self.element, micro(limit))?;
            }
            Finding::Found(value) => write!(
                f,
                "{} {} ({} to {} at 95 %)",
                self.element,
                micro(value),
                micro(self.interval.0),
                micro(self.interval.1)
            )?,
        }
        if let Some((natural, sureness)) = self.natural {
            write!(f, "; natural {} [{sureness}]", micro(natural))?;
        }
        write!(f, ": {}", self.band)
    }
}

/// mg/L, or ug/L when that reads better.
fn micro(value: Concentration) -> String {
    let mg = value.as_mg_per_l();
    if mg >= 0.1 || mg <= 0.0 {
        format!("{} mg/L", figures(mg))
    } else {
        format!("{} ug/L", figures(mg * 1000.0))
    }
}

impl fmt::Display for Band {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Low => "low",
            Self::Natural => "as in natural seawater, within what can be told",
            Self::High => "above natural seawater",
            Self::NotFound => "not found; the detection limit says no more",
            Self::NothingToCompare => "no natural level on file to compare with",
        })
    }
}

/// Most by which an element is raised a day, and how long a course takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SafeCourse {
    pub gap: Concentration,
    pub step_per_day: Concentration,
    pub days: u32,
}

impl fmt::Display for SafeCourse {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "raise by {} at no more than {} a day, over {} d",
            micro(self.gap),
            micro(self.step_per_day),
            self.days
        )
    }
}

/// Daily steps of common practice, no source (rows `a8.cp.Ca_rate`, `Mg_rate`, `K_rate`, `Sr_rate`, `I_rate`), mg/L a day.
const STEPS: [(&str, f64); 5] = [
    ("Ca", 25.0),
    ("Mg", 50.0),
    ("K", 10.0),
    ("Sr", 0.5),
    ("I", 0.01),
];

/// The course that closes the gap of a low value; `None` unless it is low against a level that can be leaned on.
///
/// Elements without a step of their own are raised by a tenth of the gap a day, and by no more than the natural level in a week (row `a8.cp.trace_rate`,
/// common practice).
pub fn safe_course(comparison: &Comparison) -> Option<SafeCourse> {
    let gap = comparison.gap()?;
    let (natural, sureness) = comparison.natural?;
    match sureness {
        Sureness::Definition | Sureness::TenPercent => {}
        Sureness::CeilingOnly => return None,
    }
    let symbol = comparison.element.symbol();
    let step = STEPS.iter().find(|(s, _)| *s == symbol).map_or_else(
        || (gap.as_mg_per_l() / 10.0).min(natural.as_mg_per_l() / 7.0),
        |(_, step)| *step,
    );
    let days = (gap.as_mg_per_l() / step - 1e-9).ceil();
    let days = i64_from_f64(days).and_then(|d| u32::try_from(d).ok())?;
    Some(SafeCourse {
        gap,
        step_per_day: Concentration::from_mg_per_l(step),
        days: days.max(1),
    })
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use proptest::prelude::*;

    const WARM: Celsius = Celsius::from_degrees(25.0);

    pub(in crate::estimate) fn entry(symbol: &str, value: f64, unit: PanelUnit) -> PanelEntry {
        PanelEntry {
            element: Element::new(symbol).unwrap(),
            value,
            detected: Detected::Yes,
            unit,
            uncertainty_percent: 5.0,
        }
    }

    pub(in crate::estimate) fn compared(symbol: &str, micrograms: f64) -> Comparison {
        entry(symbol, micrograms, PanelUnit::MicrogramPerL)
            .compare(Salinity::STANDARD, WARM)
            .unwrap()
    }

    /// Row `a1.kg_L.Ca`: 412.1 mg/kg is 421.72 mg/L at salinity 35, 25 C.
    #[test]
    fn units_are_converted_to_milligrams_per_litre() {
        for (value, unit) in [
            (412.1, PanelUnit::MilligramPerKg),
            (412_100.0, PanelUnit::MicrogramPerKg),
            (421.72, PanelUnit::MilligramPerL),
            (421_720.0, PanelUnit::MicrogramPerL),
        ] {
            let compared = entry("Ca", value, unit)
                .compare(Salinity::STANDARD, WARM)
                .unwrap();
            let found = compared.finding.at_most().as_mg_per_l();
            assert!((found - 421.72).abs() < 0.05, "{unit:?}: {found}");
            assert_eq!(compared.band, Band::Natural);
        }
    }

    #[test]
    fn units_are_read_as_reports_write_them_but_never_guessed() {
        for text in ["ug/L", "\u{b5}g/l", " \u{3bc}g/L "] {
            assert_eq!(PanelUnit::parse(text), Ok(PanelUnit::MicrogramPerL));
        }
        assert_eq!(PanelUnit::parse("mg/kg"), Ok(PanelUnit::MilligramPerKg));
        let message = PanelUnit::parse("ppm").unwrap_err().to_string();
        assert!(message.contains("ask the lab"), "{message}");
    }

    #[test]
    fn bands_follow_how_sure_the_natural_level_is() {
        for (symbol, micrograms, wanted) in [
            ("Sr", 8_100.0, Band::Natural),
            ("Sr", 5_000.0, Band::Low),
            ("Sr", 12_000.0, Band::High),
            ("I", 60.0, Band::Natural),
            ("I", 10.0, Band::Low),
            ("I", 200.0, Band::High),
            ("Fe", 0.01, Band::Natural),
            ("Cu", 20.0, Band::High),
            ("Hg", 1.0, Band::NothingToCompare),
        ] {
            assert_eq!(
                compared(symbol, micrograms).band,
                wanted,
                "{symbol} {micrograms}"
            );
        }
    }

    #[test]
    fn low_water_has_low_ions_that_are_natural_for_it() {
        let reading = entry("Ca", 370.0, PanelUnit::MilligramPerL);
        let at = |s| {
            reading
                .compare(Salinity::from_practical(s), WARM)
                .unwrap()
                .band
        };
        assert_eq!((at(31.0), at(38.0)), (Band::Natural, Band::Low));
    }

    #[test]
    fn an_uncertain_value_is_not_called_low() {
        let mut reading = entry("I", 25.0, PanelUnit::MicrogramPerL);
        assert_eq!(
            reading.compare(Salinity::STANDARD, WARM).unwrap().band,
            Band::Low
        );
        reading.uncertainty_percent = 20.0;
        assert_eq!(
            reading.compare(Salinity::STANDARD, WARM).unwrap().band,
            Band::Natural
        );
    }

    #[test]
    fn what_is_not_found_stays_below_its_limit() {
        let mut reading = entry("I", 100.0, PanelUnit::MicrogramPerL);
        reading.detected = Detected::BelowLimit;
        let high_limit = reading.compare(Salinity::STANDARD, WARM).unwrap();
        assert_eq!(high_limit.band, Band::NotFound);
        assert!(
            high_limit
                .to_string()
                .starts_with("I not found, below 0.1000 mg/L; natural 58.4"),
            "{high_limit}"
        );
        reading.value = 5.0;
        let low_limit = reading.compare(Salinity::STANDARD, WARM).unwrap();
        assert_eq!(low_limit.band, Band::Low);
        assert!(!low_limit.to_string().contains("I 0"), "{low_limit}");
    }

    #[test]
    fn a_course_closes_a_gap_in_safe_steps() {
        // 0.0584 - 0.010 = 0.0484 mg/L at 0.01 a day.
        let iodine = safe_course(&compared("I", 10.0)).unwrap();
        assert_eq!(iodine.days, 5);
        assert!((iodine.gap.as_mg_per_l() - 0.0484).abs() < 2e-4, "{iodine}");
        let lithium = safe_course(&compared("Li", 20.0)).unwrap();
        assert_eq!(lithium.days, 10);
        assert!(safe_course(&compared("I", 60.0)).is_none());
        assert!(safe_course(&compared("Hg", 0.0)).is_none());
    }

    proptest! {
        #[test]
        fn no_number_makes_a_comparison_panic(value in any::<f64>(), percent in any::<f64>(), salinity in any::<f64>(), limit in any::<bool>()) {
            for symbol in ["Ca", "I", "Cu", "Hg"] {
                let mut reading = entry(symbol, value, PanelUnit::MicrogramPerKg);
                reading.uncertainty_percent = percent;
                reading.detected = if limit { Detected::BelowLimit } else { Detected::Yes };
                for s in [salinity, 35.0] {
                    if let Ok(compared) = reading.compare(Salinity::from_practical(s), WARM) {
                        prop_assert!(!compared.to_string().is_empty());
                        prop_assert!(safe_course(&compared).is_none_or(|c| c.days >= 1));
                    }
                }
            }
        }
    }
}
