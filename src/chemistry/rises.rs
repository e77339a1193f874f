//! What volumes of solutions do to one tank, for everything they carry, and what a scheme leaves behind.
//!
//! Terms: the *calcification ratio* is the calcium that goes with each meq of alkalinity into coral skeleton:
//! Ca(2+) + 2 HCO3(-) -> CaCO3 + CO2 + H2O takes 20.04 mg/L of calcium per meq/L. Nothing here says what the animals take up.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use super::quantity::Quantity;
use super::salts::Atom;
use super::show::{amount, figures, signed};
use super::solution::SolutionEffect;
use crate::quantity::{Alkalinity, Concentration, TankVolume, Volume};

/// mg of calcium per meq of alkalinity in CaCO3: M(Ca) / 2 (row `a3.Ca_per_meq`).
pub const CALCIUM_MG_PER_MEQ: f64 = 40.078 / 2.0;

/// How far from the calcification ratio two parts may be and still be called balanced: 2 %, about the accuracy of a head. Our rule.
const BALANCE_PERCENT: f64 = 2.0;

/// Two additions that differ by less than this part are called the same. Ours.
const EQUAL_PART: f64 = 1e-4;

/// g/mol of sodium chloride.
const NACL: f64 = Atom::Na.weight() + Atom::Cl.weight();

/// g/mol of the sulphate ion.
const SULPHATE: f64 = Atom::S.weight() + 4.0 * Atom::O.weight();

/// What is added to the water of one tank.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Rises {
    pub alkalinity: Alkalinity,
    /// Whatever else is added.
    pub dissolved: BTreeMap<Quantity, Concentration>,
}

impl Rises {
    /// What these volumes of these solutions add to `tank` together: one dose, or a whole day's plan.
    pub fn of(doses: &[(&SolutionEffect, Volume)], tank: TankVolume) -> Self {
        let mut all = Self::default();
        for (effect, volume) in doses {
            all.alkalinity = all.alkalinity.plus(effect.alkalinity_rise(*volume, tank));
            for of in effect.dissolved_mg_per_l.keys() {
                let rise = effect.dissolved_rise(of, *volume, tank);
                let sum = all.dissolved(of).as_mg_per_l() + rise.as_mg_per_l();
                let sum = Concentration::from_mg_per_l(sum);
                all.dissolved.insert(of.clone(), sum);
            }
        }
        all
    }

    fn dissolved(&self, of: &Quantity) -> Concentration {
        self.dissolved.get(of).copied().unwrap_or_default()
    }

    /// How much more of each thing dissolved is added than in `before`, mg/L; negative for less. What differs by less than a ten-thousandth is
    /// left out: volumes are whole microlitres, and no lab sees it.
    pub fn more_than(&self, before: &Self) -> Vec<(Quantity, f64)> {
        let all: BTreeSet<&Quantity> = before
            .dissolved
            .keys()
            .chain(self.dissolved.keys())
            .collect();
        all.into_iter()
            .filter_map(|of| {
                let [old, new] = [before, self].map(|rises| rises.dissolved(of).as_mg_per_l());
                let change = new - old;
                (change.abs() > EQUAL_PART * old.max(new)).then(|| (of.clone(), change))
            })
            .collect()
    }

    /// Whether calcium and alkalinity are added in the ratio in which calcification takes them.
    pub fn balance(&self) -> Balance {
        let meq = self.alkalinity.as_meq_per_l();
        let mg = self.mg("Ca");
        if !(meq > 0.0 && mg > 0.0 && meq.is_finite() && mg.is_finite()) {
            return Balance::NotAPair;
        }
        let mg_per_meq = mg / meq;
        let excess_percent = (mg_per_meq / CALCIUM_MG_PER_MEQ - 1.0) * 100.0;
        if excess_percent.abs() <= BALANCE_PERCENT {
            Balance::Balanced { mg_per_meq }
        } else if excess_percent > 0.0 {
            Balance::CalciumHigh {
                mg_per_meq,
                excess_percent,
            }
        } else {
            Balance::CalciumLow {
                mg_per_meq,
                short_percent: -excess_percent,
            }
        }
    }

    /// What a year of these daily additions leaves in the water when no water is changed, after calcification has taken its part.
    ///
    /// Sodium and chloride are paired as sodium chloride as far as they go; what is over of either is named. All sulphur is
    /// counted as sulphate. Salt that animals, skimming or splashing carry out is not counted.
    pub fn left_behind_per_year(&self) -> Residue {
        let sodium = self.mg("Na") / Atom::Na.weight();
        let chloride = self.mg("Cl") / Atom::Cl.weight();
        let pairs = sodium.min(chloride);
        Residue {
            sodium_chloride_g_per_l: pairs * NACL * DAYS_PER_YEAR / 1000.0,
            sodium_over_mg_per_l: (sodium - pairs) * Atom::Na.weight() * DAYS_PER_YEAR,
            chloride_over_mg_per_l: (chloride - pairs) * Atom::Cl.weight() * DAYS_PER_YEAR,
            sulphate_mg_per_l: self.mg("S") / Atom::S.weight() * SULPHATE * DAYS_PER_YEAR,
        }
    }

    fn mg(&self, symbol: &str) -> f64 {
        Quantity::dissolved(symbol).map_or(0.0, |of| self.dissolved(&of).as_mg_per_l())
    }
}

/// What is added, on one line, with signs and units; small amounts in ug/L.
pub fn rises_words(rises: &Rises) -> String {
    let mut parts = Vec::new();
    if rises.alkalinity.as_meq_per_l() > 0.0 {
        parts.push(format!(
            "alkalinity +{} dKH ({} meq/L)",
            figures(rises.alkalinity.as_dkh()),
            figures(rises.alkalinity.as_meq_per_l())
        ));
    }
    for (of, rise) in &rises.dissolved {
        parts.push(format!("{} +{}", of.symbol(), amount(rise.as_mg_per_l())));
    }
    if parts.is_empty() {
        "nothing".to_owned()
    } else {
        parts.join(", ")
    }
}

/// How much more or less of each is added from now on, a line each; `and` ends each line.
pub fn drift_words(drifts: &[(Quantity, f64)], and: impl Fn(f64) -> String) -> Vec<String> {
    drifts
        .iter()
        .map(|(of, per_day)| {
            let sign = if *per_day < 0.0 { "less" } else { "more" };
            format!(
                "{}: {} {sign} each day afterwards, {} a year{}",
                of.symbol(),
                amount(per_day.abs()),
                amount((per_day * 365.0).abs()),
                and(*per_day)
            )
        })
        .collect()
}

/// Days in the year of the residue: 365.
const DAYS_PER_YEAR: f64 = 365.0;

/// One line each: `alkalinity +0.02645 dKH (+0.009435 meq/L)`, `Ca +0.2726 mg/L`.
impl fmt::Display for Rises {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "alkalinity {} dKH ({} meq/L)",
            signed(self.alkalinity.as_dkh()),
            signed(self.alkalinity.as_meq_per_l())
        )?;
        for (of, rise) in &self.dissolved {
            writeln!(f, "{} {} mg/L", of.symbol(), signed(rise.as_mg_per_l()))?;
        }
        Ok(())
    }
}

/// How calcium and alkalinity go together in what is added.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Balance {
    /// Not both are added.
    NotAPair,
    /// Within 2 % of the calcification ratio.
    Balanced {
        /// mg of calcium per meq of alkalinity.
        mg_per_meq: f64,
    },
    /// More calcium than calcification takes: calcium will climb while alkalinity is held.
    CalciumHigh {
        /// mg of calcium per meq of alkalinity.
        mg_per_meq: f64,
        /// Percent over the ratio.
        excess_percent: f64,
    },
    /// Less calcium than calcification takes: calcium will fall while alkalinity is held.
    CalciumLow {
        /// mg of calcium per meq of alkalinity.
        mg_per_meq: f64,
        /// Percent under the ratio.
        short_percent: f64,
    },
}

impl fmt::Display for Balance {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ratio = format!("{CALCIUM_MG_PER_MEQ:.2} mg/L per meq/L");
        match self {
            Self::NotAPair => f.write_str("not a calcium and alkalinity pair"),
            Self::Balanced { mg_per_meq } => write!(
                f,
                "balanced: {mg_per_meq:.2} mg/L Ca per meq/L, calcification takes {ratio}"
            ),
            Self::CalciumHigh {
                mg_per_meq,
                excess_percent,
            } => write!(
                f,
                "calcium {excess_percent:.1} % over: {mg_per_meq:.2} mg/L Ca per meq/L, calcification takes {ratio}; calcium will climb while alkalinity is held"
            ),
            Self::CalciumLow {
                mg_per_meq,
                short_percent,
            } => write!(
                f,
                "calcium {short_percent:.1} % short: {mg_per_meq:.2} mg/L Ca per meq/L, calcification takes {ratio}; calcium will fall while alkalinity is held"
            ),
        }
    }
}

/// What stays in the water after a year without water changes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Residue {
    /// g/L of sodium chloride.
    pub sodium_chloride_g_per_l: f64,
    /// mg/L of sodium that found no chloride.
    pub sodium_over_mg_per_l: f64,
    /// mg/L of chloride that found no sodium.
    pub chloride_over_mg_per_l: f64,
    pub sulphate_mg_per_l: f64,
}

impl fmt::Display for Residue {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "a year without water changes leaves {} g/L sodium chloride",
            figures(self.sodium_chloride_g_per_l)
        )?;
        for (value, what) in [
            (self.sodium_over_mg_per_l, "sodium without chloride"),
            (self.chloride_over_mg_per_l, "chloride without sodium"),
            (self.sulphate_mg_per_l, "sulphate"),
        ] {
            if value >= 1.0 {
                write!(f, ", {value:.0} mg/L {what}")?;
            }
        }
        Ok(())
    }
}

impl SolutionEffect {
    /// Clear saturated limewater at 25 C: 0.0203 mol/L Ca(OH)2 (row `a3.lime.M_25C`; Bates, Bower & Smith 1956, J. Res. NBS 56, 305).
    ///
    /// Colder limewater holds a little more, so this errs on the low side in a cool room. It must be dosed clear: milk of lime
    /// carries many times as much.
    pub fn limewater_saturated() -> Self {
        const MOL_PER_L: f64 = 0.0203;
        let mut effect = Self {
            alkalinity_meq_per_l: 2000.0 * MOL_PER_L,
            ..Self::default()
        };
        if let Some(calcium) = Quantity::dissolved("Ca") {
            let mg_per_l = 1000.0 * MOL_PER_L * Atom::Ca.weight();
            effect.dissolved_mg_per_l.insert(calcium, mg_per_l);
        }
        effect
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chemistry::salts::Salt;
    use proptest::prelude::*;

    fn of_salt(formula: &str, g_per_l: f64) -> SolutionEffect {
        SolutionEffect::from_salts(&[(Salt::from_formula(formula).unwrap(), g_per_l)]).unwrap()
    }

    fn close(found: f64, wanted: f64, tolerance: f64, row: &str) {
        assert!(
            (found / wanted - 1.0).abs() <= tolerance,
            "{row}: {found} is not {wanted}"
        );
    }

    /// Rows `a3.Ca_per_meq`, `a3.Ca_per_dKH`, `a3.dKH_per_Ca20`; tolerance 1e-4 relative.
    #[test]
    fn calcification_takes_the_published_ratio() {
        close(CALCIUM_MG_PER_MEQ, 20.039, 1e-4, "a3.Ca_per_meq");
        let per_dkh = CALCIUM_MG_PER_MEQ * Alkalinity::from_dkh(1.0).as_meq_per_l();
        close(per_dkh, 7.147, 1e-4, "a3.Ca_per_dKH");
        close(20.0 / per_dkh, 2.7984, 1e-4, "a3.dKH_per_Ca20");
    }

    /// Row `a3.worked.day`: 200 L, 1.2 dKH/d, 90.7217 mL of each part a day, 1715.27 mg calcium; row `a3.byproduct.NaCl_year`: 9.129 g/L.
    #[test]
    fn the_worked_day_is_balanced_and_leaves_the_published_salt() {
        let (alkalinity, calcium) = (
            of_salt("Na2CO3", 50.0),
            of_salt("CaCl2.2H2O", 50.0 * 1.387_03),
        );
        close(
            alkalinity.alkalinity_meq_per_l / 1000.0,
            0.943_507,
            1e-4,
            "a3.worked.day",
        );
        let ml = Volume::from_ul(90_722);
        let tank = TankVolume::from_litres(200.0);
        let day = Rises::of(&[(&alkalinity, ml), (&calcium, ml)], tank);
        close(day.alkalinity.as_dkh(), 1.2, 1e-4, "a3.worked.day");
        close(day.mg("Ca") * 200.0, 1715.27, 1e-4, "a3.worked.day");
        assert!(
            matches!(day.balance(), Balance::Balanced { .. }),
            "{}",
            day.balance()
        );
        let year = day.left_behind_per_year();
        close(
            year.sodium_chloride_g_per_l,
            9.129,
            1e-3,
            "a3.byproduct.NaCl_year",
        );
        assert!(
            year.to_string().contains("9.129 g/L sodium chloride")
                || year.to_string().contains("9.13"),
            "{year}"
        );
        assert!(year.sulphate_mg_per_l.abs() < 1e-12);
    }

    /// Row `a7.dose_salinity`: 100 mL/d of each of the pair into 200 L leave 0.82708 g/L of NaCl in 30 days.
    #[test]
    fn thirty_days_of_the_pair_leave_the_published_salt() {
        let (alkalinity, calcium) = (of_salt("Na2CO3", 50.0), of_salt("CaCl2.2H2O", 69.35));
        let ml = Volume::from_ul(100_000);
        let day = Rises::of(
            &[(&alkalinity, ml), (&calcium, ml)],
            TankVolume::from_litres(200.0),
        );
        let month = day.left_behind_per_year().sodium_chloride_g_per_l * 30.0 / 365.0;
        close(month, 0.82708, 1e-4, "a7.dose_salinity");
    }

    /// Rows `a3.lime.derived` and `a3.lime.1L_in_100L`; tolerance 1 %.
    #[test]
    fn limewater_is_balanced_by_itself_and_as_strong_as_published() {
        let lime = SolutionEffect::limewater_saturated();
        close(lime.alkalinity_meq_per_l, 40.6, 0.01, "a3.lime.derived");
        let litre = Rises::of(
            &[(&lime, Volume::from_ul(1_000_000))],
            TankVolume::from_litres(100.0),
        );
        close(
            litre.alkalinity.as_dkh(),
            1.1384,
            0.01,
            "a3.lime.1L_in_100L",
        );
        close(litre.mg("Ca"), 8.136, 0.01, "a3.lime.1L_in_100L");
        assert!(matches!(litre.balance(), Balance::Balanced { .. }));
    }

    #[test]
    fn an_unbalanced_pair_says_which_way_calcium_will_go() {
        let tank = TankVolume::from_litres(100.0);
        let (alkalinity, calcium) = (of_salt("Na2CO3", 50.0), of_salt("CaCl2.2H2O", 69.35));
        let (one, two) = (Volume::from_ul(10_000), Volume::from_ul(20_000));
        let high = Rises::of(&[(&alkalinity, one), (&calcium, two)], tank).balance();
        let low = Rises::of(&[(&alkalinity, two), (&calcium, one)], tank).balance();
        assert!(high.to_string().contains("calcium will climb"), "{high}");
        assert!(low.to_string().contains("calcium will fall"), "{low}");
        assert_eq!(
            Rises::of(&[(&calcium, one)], tank).balance(),
            Balance::NotAPair
        );
    }

    #[test]
    fn magnesium_sulphate_leaves_sulphate_and_chloride_salts_leave_chloride() {
        let tank = TankVolume::from_litres(100.0);
        let ml = Volume::from_ul(10_000);
        let sulphate = Rises::of(&[(&of_salt("MgSO4.7H2O", 100.0), ml)], tank);
        // 1 g of salt a day in 100 L: 10 mg/L x 96.056/246.466 x 365.
        close(
            sulphate.left_behind_per_year().sulphate_mg_per_l,
            1422.5,
            1e-3,
            "own arithmetic",
        );
        let chloride = Rises::of(&[(&of_salt("MgCl2.6H2O", 100.0), ml)], tank);
        assert!(chloride.left_behind_per_year().chloride_over_mg_per_l > 1000.0);
    }

    #[test]
    fn what_two_additions_differ_by_is_named_without_the_rounding() {
        let tank = TankVolume::from_litres(100.0);
        let of = |salt, grams, ul| Rises::of(&[(&of_salt(salt, grams), Volume::from_ul(ul))], tank);
        // The same sodium for the same alkalinity, but for half a microlitre.
        let soda = of("Na2CO3", 60.0, 75_600);
        assert_eq!(of("Na2CO3", 60.0, 75_601).more_than(&soda), []);
        // 1 g of MgCl2.6H2O (203.30 g/mol) in 100 L: 24.305/203.30 x 10 mg/L of magnesium more, and all the sodium less.
        let drifts = of("MgCl2.6H2O", 100.0, 10_000).more_than(&soda);
        let by = |symbol: &str| {
            drifts
                .iter()
                .find(|(element, _)| element.symbol() == symbol)
                .map(|(_, change)| *change)
        };
        close(by("Mg").unwrap(), 1.1955, 1e-3, "own arithmetic");
        assert!(by("Na").unwrap() < -19.0, "{drifts:?}");
    }

    proptest! {
        #[test]
        fn no_number_makes_the_sums_panic(meq in any::<f64>(), mg in any::<f64>(), ul in any::<i64>(), litres in any::<f64>()) {
            let mut effect = SolutionEffect { alkalinity_meq_per_l: meq, ..SolutionEffect::default() };
            for symbol in ["Ca", "Na", "Cl", "S"] {
                effect.dissolved_mg_per_l.insert(Quantity::dissolved(symbol).unwrap(), mg);
            }
            let rises = Rises::of(&[(&effect, Volume::from_ul(ul))], TankVolume::from_litres(litres));
            prop_assert!(!rises.to_string().is_empty());
            prop_assert!(!rises.balance().to_string().is_empty());
            prop_assert!(!rises.left_behind_per_year().to_string().is_empty());
        }
    }
}
