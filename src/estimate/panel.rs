//! One value of a lab panel against natural seawater and what is known to matter.
//!
//! Terms: a *panel* is one lab report; a value below the detection limit stays below it and is never taken for zero; the *natural level*
//! is that of natural seawater at this tank's salinity; the *band* is from where to where a value is well, by the owner, by what is known
//! to matter, or by a rule of ours around natural. Every verdict is one of the value's whole 95 % interval: what the interval leaves open is
//! left open. Whether a number hurts an animal is deliberately not said: nobody knows from a number.

use std::fmt;

use thiserror::Error;

use crate::chemistry::{
    Celsius, Measurand, Salinity, Sureness, WaterError, figures, matters, natural_of,
};
use crate::quantity::{i64_from_f64, said};

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
    #[error("{of}: {value} is no amount; correct the entry")]
    Value { of: Measurand, value: f64 },
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

/// A result in the measurand's unit: a number, or less than the detection limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Finding {
    Found {
        value: f64,
        /// One standard uncertainty.
        uncertainty: f64,
    },
    Below(f64),
}

impl Finding {
    /// The most it can be without its uncertainty.
    pub const fn at_most(self) -> f64 {
        match self {
            Self::Found { value, .. } | Self::Below(value) => value,
        }
    }

    /// 95 % interval.
    pub fn spread(self) -> (f64, f64) {
        match self {
            Self::Found { value, uncertainty } => {
                let half = 1.96 * uncertainty;
                ((value - half).max(0.0), value + half)
            }
            Self::Below(limit) => (0.0, limit),
        }
    }
}

/// Standard uncertainty of a lab's value in its unit, where the lab states none: so much of the value, and near the detection limit what
/// makes that limit what it is, 3.29 standard uncertainties of a blank (Currie 1995, Pure Appl. Chem. 67, 1699, from memory).
///
/// The parts are common practice, no source: what labs agree to for salts, and what they do not for traces.
pub fn lab_uncertainty(of: &Measurand, value: f64, limit: Option<f64>) -> f64 {
    let percent = match of.as_str() {
        "alkalinity" => 2.0,
        "calcium" | "magnesium" | "sodium" | "chlorine" | "potassium" | "sulfur" | "strontium"
        | "bromine" => 3.0,
        "boron" | "lithium" | "molybdenum" | "nitrate" => 5.0,
        "fluorine" | "barium" | "silicon" | "phosphorus" | "vanadium" | "iodine" | "phosphate" => {
            10.0
        }
        _ => 20.0,
    };
    (value * percent / 100.0).hypot(limit.unwrap_or(0.0) / 3.29)
}

/// What the whole 95 % interval of a value says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Band {
    /// Below the band.
    Low,
    /// Below natural, and not wholly below the band.
    BelowNatural,
    /// Not told apart from natural.
    Natural,
    /// Above natural, and not wholly above the band.
    AboveNatural,
    /// Above the band.
    High,
    /// Not found, and the limit is not low enough to say more.
    NotFound,
    /// No natural level is on file to compare with.
    NothingToCompare,
}

/// Natural seawater at the tank's salinity, in the measurand's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Natural {
    pub level: f64,
    /// From where to where it is natural, by how sure the level is and what a second source has.
    pub range: (f64, f64),
    pub handbook: Option<f64>,
    pub sureness: Sureness,
}

impl Natural {
    fn new((level, handbook, sureness): (f64, Option<f64>, Sureness)) -> Self {
        let most = level.max(handbook.unwrap_or(level));
        let range = match sureness {
            Sureness::Definition => (level, level),
            Sureness::TenPercent => (0.9 * level, 1.1 * level),
            Sureness::SourcesDiffer => (0.9 * level.min(handbook.unwrap_or(level)), 1.1 * most),
            Sureness::CeilingOnly => (0.0, most),
        };
        Self {
            level,
            range,
            handbook,
            sureness,
        }
    }

    /// Rules of ours: a tenth for major ions, since labs agree no better; half to double for the traces that are even in the ocean (row
    /// `a8.cp.I_range` for iodine is about that); ten times for those that vary.
    fn band(self) -> Well {
        let (low, high, by) = match self.sureness {
            Sureness::Definition => (0.9, 1.1, "natural to a tenth, our rule"),
            Sureness::TenPercent | Sureness::SourcesDiffer => {
                (0.5, 2.0, "half to double natural, our rule")
            }
            Sureness::CeilingOnly => (0.0, 10.0, "ten times natural, our rule: no harm on file"),
        };
        Well {
            low: low * self.level,
            high: high * self.level.max(self.range.1),
            by,
        }
    }
}

/// From where to where a value is well, in its unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Well {
    pub low: f64,
    pub high: f64,
    pub by: &'static str,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    pub of: Measurand,
    /// In its unit.
    pub finding: Finding,
    /// 95 % interval of the value.
    pub interval: (f64, f64),
    pub natural: Option<Natural>,
    pub well: Option<Well>,
    pub band: Band,
}

impl Comparison {
    /// With natural seawater of this salinity; `temperature` is that at which the litre is meant, 25 C where a report does not say. `own` is the
    /// owner's band.
    ///
    /// # Errors
    /// [`PanelError::Value`] for a number that is negative or not finite, [`PanelError::Water`] outside the equation of state.
    pub fn new(
        of: &Measurand,
        finding: Finding,
        (salinity, temperature): (Salinity, Celsius),
        own: Option<(f64, f64)>,
    ) -> Result<Self, PanelError> {
        let uncertainty = match finding {
            Finding::Found { uncertainty, .. } => uncertainty,
            Finding::Below(_) => 0.0,
        };
        for value in [finding.at_most(), uncertainty] {
            if !(value >= 0.0 && value.is_finite()) {
                let of = of.clone();
                return Err(PanelError::Value { of, value });
            }
        }
        let natural = natural_of(of, salinity, temperature)?.map(Natural::new);
        let own = own.map(|(low, high)| (low, high, "yours"));
        let well = own.or_else(|| matters(of));
        let well = well.map(|(low, high, by)| Well { low, high, by });
        let well = well.or_else(|| natural.map(Natural::band));
        let mut compared = Self {
            of: of.clone(),
            finding,
            interval: finding.spread(),
            natural,
            well,
            band: Band::NothingToCompare,
        };
        compared.band = compared.judge();
        Ok(compared)
    }

    fn judge(&self) -> Band {
        let (low, high) = self.interval;
        let below = |edge: f64| high < edge;
        let above = |edge: f64| low > edge;
        let (well, range) = (self.well, self.natural.map(|n| n.range));
        let not_found = matches!(self.finding, Finding::Below(_));
        match (well, range) {
            (Some(well), _) if below(well.low) => Band::Low,
            (Some(well), _) if above(well.high) => Band::High,
            (_, Some(range)) if below(range.0) => Band::BelowNatural,
            (_, Some(range)) if above(range.1) => Band::AboveNatural,
            (_, Some(_)) if not_found => Band::NotFound,
            (_, Some(_)) => Band::Natural,
            (_, None) => Band::NothingToCompare,
        }
    }

    /// How much is missing to natural, or to the owner's band where natural lies outside it; `None` unless it is low.
    pub fn gap(&self) -> Option<f64> {
        let (natural, well) = (self.natural.filter(|_| self.band == Band::Low)?, self.well?);
        let aim = natural.level.clamp(well.low, well.high.max(well.low));
        Some(aim - self.finding.at_most())
    }

    /// What the interval leaves open of the band.
    fn open(&self) -> Option<String> {
        let well = self.well?;
        let ends = match (self.interval.0 < well.low, self.interval.1 > well.high) {
            (true, true) => "low or high",
            (true, false) => "low",
            (false, true) => "high",
            (false, false) => return None,
        };
        Some(format!("whether it is {ends} cannot be told"))
    }
}

impl fmt::Display for Comparison {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (of, unit) = (short(&self.of), self.of.unit());
        let shown = |value: f64| micro(value, unit);
        match self.finding {
            Finding::Below(limit) => write!(f, "{of} not found, below {}", shown(limit))?,
            Finding::Found { value, .. } => write!(
                f,
                "{of} {} ({} to {} at 95 %)",
                shown(value),
                shown(self.interval.0),
                shown(self.interval.1)
            )?,
        }
        if let Some(natural) = self.natural {
            write!(
                f,
                "; natural {} [{}",
                shown(natural.level),
                natural.sureness
            )?;
            if let Some(handbook) = natural.handbook {
                write!(f, "; CRC Handbook {}", shown(handbook))?;
            }
            write!(f, "]")?;
        }
        if let Some(well) = self.well {
            let (low, high) = (shown(well.low), shown(well.high));
            write!(f, "; band {low} to {high} [{}]", well.by)?;
        }
        write!(f, ": {}", self.band)?;
        match (self.band, self.open()) {
            (Band::Low | Band::High | Band::NotFound, _) => Ok(()),
            (Band::NothingToCompare, None) if self.well.is_some() => write!(f, ", within the band"),
            (_, Some(open)) => write!(f, "; {open}"),
            (Band::BelowNatural | Band::AboveNatural, None) => write!(f, ", within the band"),
            (Band::Natural | Band::NothingToCompare, None) => Ok(()),
        }
    }
}

/// The symbol of an element, as reports have it.
fn short(of: &Measurand) -> &str {
    let element = of.quantity().and_then(crate::chemistry::Quantity::element);
    element.map_or(of.as_str(), crate::chemistry::Element::symbol)
}

/// In its unit, or ug/L when that reads better.
fn micro(value: f64, unit: &str) -> String {
    if unit == "mg/L" && value < 0.1 && value > 0.0 {
        format!("{} ug/L", figures(value * 1000.0))
    } else {
        format!("{} {unit}", figures(value))
    }
}

impl fmt::Display for Band {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Low => "low",
            Self::BelowNatural => "below natural seawater",
            Self::Natural => "as in natural seawater, within what can be told",
            Self::AboveNatural => "above natural seawater",
            Self::High => "high",
            Self::NotFound => "not found; the detection limit says no more",
            Self::NothingToCompare => "no natural level on file to compare with",
        })
    }
}

/// Most by which an element is raised a day, and how long a course takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SafeCourse {
    /// mg/L.
    pub gap: f64,
    pub step_per_day: f64,
    pub days: u32,
}

said! {
    SafeCourse: it => "raise by {} at no more than {} a day, over {} d", micro(it.gap, "mg/L"), micro(it.step_per_day, "mg/L"), it.days;
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
    let natural = comparison.natural?;
    let symbol = comparison.of.quantity()?.element()?.symbol();
    match natural.sureness {
        Sureness::Definition | Sureness::TenPercent => {}
        Sureness::SourcesDiffer | Sureness::CeilingOnly => return None,
    }
    let step = STEPS.iter().find(|(s, _)| *s == symbol);
    let step_per_day =
        step.map_or_else(|| (gap / 10.0).min(natural.level / 7.0), |(_, step)| *step);
    let days = (gap / step_per_day - 1e-9).ceil();
    let days = i64_from_f64(days).and_then(|d| u32::try_from(d).ok())?;
    Some(SafeCourse {
        gap,
        step_per_day,
        days: days.max(1),
    })
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use proptest::prelude::*;

    const AROUND: (Salinity, Celsius) = (Salinity::STANDARD, Celsius::from_degrees(25.0));

    fn of(word: &str) -> Measurand {
        Measurand::new(word, None).unwrap()
    }

    fn found(value: f64, percent: f64) -> Finding {
        Finding::Found {
            value,
            uncertainty: value * percent / 100.0,
        }
    }

    fn compare(word: &str, finding: Finding) -> Comparison {
        Comparison::new(&of(word), finding, AROUND, None).unwrap()
    }

    /// With 5 % uncertainty.
    pub(in crate::estimate) fn compared(symbol: &str, micrograms: f64) -> Comparison {
        compare(symbol, found(micrograms / 1000.0, 5.0))
    }

    /// By the uncertainty that is taken where a lab states none.
    fn by_default(word: &str, value: f64) -> Comparison {
        let uncertainty = lab_uncertainty(&of(word), value, None);
        compare(word, Finding::Found { value, uncertainty })
    }

    /// Row `a1.kg_L.Ca`: 412.1 mg/kg is 421.72 mg/L at salinity 35, 25 C, where a litre weighs 1.02334 kg.
    #[test]
    fn units_are_converted_to_milligrams_per_litre() {
        for (value, unit) in [
            (412.1, PanelUnit::MilligramPerKg),
            (412_100.0, PanelUnit::MicrogramPerKg),
            (421.72, PanelUnit::MilligramPerL),
            (421_720.0, PanelUnit::MicrogramPerL),
        ] {
            let found = unit.mg_per_l(value, 1.023_34);
            assert!((found - 421.72).abs() < 0.05, "{unit:?}: {found}");
            assert_eq!(by_default("Ca", found).band, Band::Natural);
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
            ("V", 2.5, Band::Natural),
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
    fn a_verdict_is_one_of_the_whole_interval_and_says_what_it_leaves_open() {
        let iodine = by_default("I", 0.0321);
        assert_eq!(iodine.band, Band::BelowNatural);
        let text = iodine.to_string();
        assert!(
            text.starts_with("I 32.10 ug/L (25.81 ug/L to 38.39 ug/L at 95 %); natural 58.4"),
            "{text}"
        );
        assert!(
            text.contains("CRC Handbook 60.00 ug/L]; band 29.2"),
            "{text}"
        );
        assert!(
            text.ends_with(": below natural seawater; whether it is low cannot be told"),
            "{text}"
        );
        // Ten times natural, and two thirds of what is known to harm.
        let copper = by_default("Cu", 0.002).to_string();
        assert!(
            copper.contains("band 0 mg/L to 3.100 ug/L [US EPA"),
            "{copper}"
        );
        assert!(
            copper.ends_with(": above natural seawater, within the band"),
            "{copper}"
        );
        assert_eq!(by_default("Cu", 0.0005).band, Band::AboveNatural);
        assert_eq!(by_default("Cu", 0.006).band, Band::High);
        assert_eq!(by_default("Pb", 0.02).band, Band::High);
        assert_eq!(by_default("Ca", 350.0).band, Band::Low);
        assert_eq!(by_default("Ca", 385.0).band, Band::BelowNatural);
        assert_eq!(by_default("Ca", 421.0).band, Band::Natural);
    }

    #[test]
    fn alkalinity_and_nutrients_are_compared_in_their_own_unit_and_with_the_owners_band() {
        let compare = |own| {
            let finding = found(8.0, 2.0);
            Comparison::new(&of("alkalinity"), finding, AROUND, own).unwrap()
        };
        let text = compare(None).to_string();
        assert!(
            text.starts_with("alkalinity 8.000 dKH (7.686 dKH to 8.314 dKH at 95 %); natural 6.61"),
            "{text}"
        );
        assert_eq!(compare(None).band, Band::AboveNatural);
        assert_eq!(compare(Some((8.4, 9.0))).band, Band::Low);
        assert!(
            compare(Some((7.5, 9.0)))
                .to_string()
                .contains("9.000 dKH [yours]")
        );
        assert_eq!(by_default("phosphate", 0.005).band, Band::Low);
        assert_eq!(by_default("nitrate", 40.0).band, Band::High);
        assert_eq!(by_default("nitrate", 1.5).band, Band::Natural);
    }

    #[test]
    fn low_water_has_low_ions_that_are_natural_for_it() {
        let at = |s| {
            let around = (Salinity::from_practical(s), Celsius::from_degrees(25.0));
            let compared = Comparison::new(&of("Ca"), found(370.0, 5.0), around, None);
            compared.unwrap().band
        };
        assert_eq!((at(31.0), at(38.0)), (Band::Natural, Band::Low));
    }

    #[test]
    fn an_uncertain_value_is_not_called_low() {
        assert_eq!(compare("I", found(0.025, 5.0)).band, Band::Low);
        assert_eq!(compare("I", found(0.025, 20.0)).band, Band::BelowNatural);
        assert_eq!(compare("I", found(0.025, 60.0)).band, Band::Natural);
    }

    /// At a limit of 0.5 of 3.29 standard uncertainties a value of 0.5 is uncertain by a third at least.
    #[test]
    fn a_value_near_its_detection_limit_is_as_uncertain_as_the_limit_makes_it() {
        let near = lab_uncertainty(&of("Ni"), 0.5, Some(0.5));
        assert!(
            (near - 0.5 * 0.2_f64.hypot(1.0 / 3.29)).abs() < 1e-12,
            "{near}"
        );
        assert!((lab_uncertainty(&of("Ca"), 400.0, Some(1.0)) - 12.0).abs() < 0.01);
    }

    #[test]
    fn what_is_not_found_stays_below_its_limit() {
        let high_limit = compare("I", Finding::Below(0.1));
        assert_eq!(high_limit.band, Band::NotFound);
        assert!(
            high_limit
                .to_string()
                .starts_with("I not found, below 0.1000 mg/L; natural 58.4"),
            "{high_limit}"
        );
        let low_limit = compare("I", Finding::Below(0.005));
        assert_eq!(low_limit.band, Band::Low);
        assert!(!low_limit.to_string().contains("I 0"), "{low_limit}");
    }

    #[test]
    fn a_course_closes_a_gap_in_safe_steps() {
        // 0.0584 - 0.010 = 0.0484 mg/L at 0.01 a day.
        let iodine = safe_course(&compared("I", 10.0)).unwrap();
        assert_eq!(iodine.days, 5);
        assert!((iodine.gap - 0.0484).abs() < 2e-4, "{iodine}");
        let lithium = safe_course(&compared("Li", 20.0)).unwrap();
        assert_eq!(lithium.days, 10);
        assert!(safe_course(&compared("I", 60.0)).is_none());
        assert!(safe_course(&compared("Hg", 0.0)).is_none());
        // To the owner's band, not past it to natural.
        let own = Comparison::new(&of("Ca"), found(330.0, 3.0), AROUND, Some((380.0, 410.0)));
        let calcium = safe_course(&own.unwrap()).unwrap();
        assert!((calcium.gap - 80.0).abs() < 1e-9, "{calcium}");
    }

    proptest! {
        #[test]
        fn no_number_makes_a_comparison_panic(value in any::<f64>(), percent in any::<f64>(), salinity in any::<f64>(), limit in any::<bool>()) {
            for word in ["Ca", "I", "Cu", "Hg", "alkalinity", "nitrate"] {
                let finding = if limit { Finding::Below(value) } else { found(value, percent) };
                for s in [salinity, 35.0] {
                    let around = (Salinity::from_practical(s), Celsius::from_degrees(25.0));
                    if let Ok(compared) = Comparison::new(&of(word), finding, around, Some((percent, value))) {
                        prop_assert!(!compared.to_string().is_empty());
                        prop_assert!(safe_course(&compared).is_none_or(|c| c.days >= 1));
                    }
                }
            }
        }
    }
}
