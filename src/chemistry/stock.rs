//! Whether a recipe dissolves, and the recipe for a wanted strength.
//!
//! Terms: the *coldest temperature* is the lowest the reservoir will see, because what is clear in a warm kitchen drops crystals
//! in a cold cellar and then blocks the tube and doses weak. Solubility is that of the CRC Handbook of Chemistry and Physics (98th
//! ed., "Aqueous solubility of inorganic compounds at various temperatures", as transcribed in a public data file), mass percent
//! of anhydrous salt, straight lines between the tabulated temperatures, never outside them.
//! The pH of the result, and whether the powder is pure or dry, is deliberately not judged.

use thiserror::Error;

use super::quantity::Quantity;
use super::recipe::RecipeError;
use super::salts::{Atom, Salt};
use super::show::figures;
use super::solution::SolutionEffect;
use super::unit::Unit;
use super::water::Celsius;
use crate::quantity::{TankVolume, Volume, said};

/// Why a recipe is refused.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum StockError {
    #[error(transparent)]
    Recipe(#[from] RecipeError),
    /// No solubility is tabulated for this salt.
    #[error(
        "no solubility of {salt} is on file, so it cannot be checked; describe the solution element by element instead"
    )]
    NotTabulated { salt: Salt },
    /// The temperature lies outside the table.
    #[error(
        "the solubility of {salt} is known from {low} to {high}, not at {coldest}; give the coldest temperature the reservoir sees"
    )]
    OutsideTable {
        salt: Salt,
        coldest: Celsius,
        low: Celsius,
        high: Celsius,
    },
    /// One salt alone is too much.
    #[error(
        "{g_per_l:.1} g/L of {salt} do not stay dissolved at {coldest}: at most {limit:.1} g/L do; use a weaker recipe and a larger volume, or keep the reservoir warmer"
    )]
    TooMuch {
        salt: Salt,
        g_per_l: f64,
        /// What may be used at that temperature, g/L.
        limit: f64,
        coldest: Celsius,
    },
    /// Each salt would dissolve, all together would not.
    #[error(
        "the salts together take {percent:.0} % of what dissolves at {coldest}; use a weaker recipe or two bottles"
    )]
    TooMuchTogether {
        /// Sum of each salt's share of its own limit, percent.
        percent: f64,
        coldest: Celsius,
    },
    /// The salt does not carry what is wanted.
    #[error("{salt} carries no {what}; choose a salt that does")]
    CarriesNone {
        salt: Salt,
        /// Alkalinity or the element.
        what: String,
    },
}

/// A recipe that stays dissolved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dissolves {
    /// How much of what dissolves is used, percent; with several salts the sum of their shares.
    pub percent_of_limit: f64,
    /// The temperature it was checked at.
    pub coldest: Celsius,
}

said! {
    Dissolves: it => "stays dissolved down to {}: uses {:.0} % of what dissolves", it.coldest, it.percent_of_limit;
}

/// Temperatures of the columns below, C.
const COLUMNS: [f64; 5] = [0.0, 10.0, 20.0, 25.0, 30.0];

struct Row {
    /// The formula without crystal water.
    anhydrous: &'static str,
    /// Mass percent of anhydrous salt in the saturated solution at [`COLUMNS`]; NaN where none is given.
    percent: [f64; 5],
    /// Rise of density with each mass percent, from the saturated solution at 20 C (rows `a3.solL.*`, Laliberte 2009); zero
    /// where no density is on file, which understates what a litre takes and so errs on the safe side.
    density_per_percent: f64,
    /// What is kept back for the uncertainty of table and density, percent (the tolerance of the rows).
    margin_percent: f64,
}

const NONE: f64 = f64::NAN;

const fn row(
    anhydrous: &'static str,
    percent: [f64; 5],
    density_per_percent: f64,
    margin_percent: f64,
) -> Row {
    Row {
        anhydrous,
        percent,
        density_per_percent,
        margin_percent,
    }
}

/// Limewater is the exception: it dissolves better the colder it is, so the value at 25 C (0.0203 mol/L, row `a3.lime.M_25C`; Bates, Bower &
/// Smith 1956) stands for all colder temperatures, and none is given above.
#[rustfmt::skip]
static ROWS: [Row; 21] = [
    row("Na2CO3", [6.44, 10.8, 17.9, 23.5, 28.7], 0.010_64, 3.0),
    row("NaHCO3", [6.48, 7.59, 8.73, 9.32, 9.91], 0.006_95, 3.0),
    row("KHCO3", [18.62, 21.73, 24.92, 26.6, 28.13], 0.0, 3.0),
    row("NaOH", [30.0, 39.0, 46.0, 50.0, 53.0], 0.010_47, 5.0),
    row("Ca(OH)2", [0.1504, 0.1504, 0.1504, 0.1504, NONE], 0.0, 0.0),
    row("CaCl2", [36.7, 39.19, 42.13, 44.83, 49.12], 0.009_9, 5.0),
    row("MgCl2", [33.96, 34.85, 35.58, 35.9, 36.2], 0.009_32, 3.0),
    row("MgSO4", [18.2, 21.7, 25.1, 26.3, 28.2], 0.011_3, 3.0),
    row("SrCl2", [31.94, 32.93, 34.43, 35.37, 36.43], 0.009_81, 3.0),
    row("KI", [56.0, 57.6, 59.0, 59.7, 60.4], 0.012_02, 5.0),
    row("KBr", [35.0, 37.3, 39.4, 40.4, 41.4], 0.0, 3.0),
    row("KCl", [21.74, 23.61, 25.39, 26.22, 27.04], 0.0, 3.0),
    row("K2SO4", [7.11, 8.46, 9.95, 10.7, 11.4], 0.0, 3.0),
    row("NaCl", [26.28, 26.32, 26.41, 26.45, 26.52], 0.0, 3.0),
    row("NaBr", [44.4, 45.9, 47.7, 48.6, 49.6], 0.0, 3.0),
    row("NaI", [61.2, 62.4, 63.9, 64.8, 65.7], 0.0, 3.0),
    row("NaF", [3.52, 3.72, 3.89, 3.97, 4.05], 0.0, 3.0),
    row("KF", [30.9, 39.8, 47.3, 50.41, 53.2], 0.0, 3.0),
    row("Na2SO4", [NONE, NONE, 16.13, 21.94, 29.22], 0.0, 3.0),
    row("H3BO3", [2.61, 3.57, 4.77, 5.48, 6.27], 0.0, 3.0),
    row("Na2B4O7", [1.23, 1.71, 2.5, 3.07, 3.82], 0.0, 3.0),
];

/// g of `salt`, its crystal water included, in a litre of saturated solution at `temperature`, before the margin.
///
/// # Errors
/// [`StockError::NotTabulated`], [`StockError::OutsideTable`].
pub fn saturated_g_per_l(salt: Salt, temperature: Celsius) -> Result<f64, StockError> {
    let row = row_of(salt)?;
    let percent = percent_at(row, temperature).ok_or_else(|| outside(salt, row, temperature))?;
    let density = 1.0 + row.density_per_percent * percent;
    Ok(10.0 * percent * density / salt.dry_part())
}

const WATER: f64 = 2.0 * Atom::H.weight() + Atom::O.weight();

fn row_of(salt: Salt) -> Result<&'static Row, StockError> {
    let formula = salt.formula();
    let anhydrous = formula.split_once('.').map_or(formula, |(dry, _)| dry);
    ROWS.iter()
        .find(|row| row.anhydrous == anhydrous)
        .ok_or(StockError::NotTabulated { salt })
}

impl Salt {
    /// What of its mass is not water of the crystal.
    pub(super) fn dry_part(self) -> f64 {
        let water = self.formula().split_once('.');
        let count = water.and_then(|(_, water)| water.strip_suffix("H2O"));
        let count = count.map_or(0, |count| count.parse::<u8>().unwrap_or(1));
        1.0 - f64::from(count) * WATER / self.molar_mass()
    }
}

fn percent_at(row: &Row, temperature: Celsius) -> Option<f64> {
    let t = temperature.as_degrees();
    let points = || COLUMNS.iter().zip(&row.percent);
    points()
        .zip(points().skip(1))
        .find_map(|((t0, p0), (t1, p1))| {
            let inside = *t0 <= t && t <= *t1;
            let value = p0 + (p1 - p0) * (t - t0) / (t1 - t0);
            // An exact column beside an empty one is still known.
            if t <= *t0 && p0.is_finite() {
                return inside.then_some(*p0);
            }
            if t >= *t1 && p1.is_finite() {
                return inside.then_some(*p1);
            }
            (inside && value.is_finite()).then_some(value)
        })
}

fn outside(salt: Salt, row: &Row, coldest: Celsius) -> StockError {
    let known = || {
        COLUMNS
            .iter()
            .zip(&row.percent)
            .filter(|(_, p)| p.is_finite())
            .map(|(t, _)| *t)
    };
    StockError::OutsideTable {
        salt,
        coldest,
        low: Celsius::from_degrees(known().fold(f64::INFINITY, f64::min)),
        high: Celsius::from_degrees(known().fold(f64::NEG_INFINITY, f64::max)),
    }
}

/// Whether these salts (g per litre of finished solution) stay dissolved down to `coldest`.
///
/// Each salt must stay under its own limit less the margin, and the shares of all must not sum to more than one: our rule, on the safe
/// side for salts that share an ion.
///
/// # Errors
/// All of [`StockError`] but [`StockError::CarriesNone`].
pub fn check_dissolves(salts: &[(Salt, f64)], coldest: Celsius) -> Result<Dissolves, StockError> {
    // The amounts and what precipitates are judged first, so that the messages name the real trouble.
    SolutionEffect::from_salts(salts)?;
    let mut share = 0.0;
    for &(salt, g_per_l) in salts {
        let margin = row_of(salt)?.margin_percent;
        let limit = saturated_g_per_l(salt, coldest)? * (1.0 - margin / 100.0);
        if g_per_l > limit {
            return Err(StockError::TooMuch {
                salt,
                g_per_l,
                limit,
                coldest,
            });
        }
        share += g_per_l / limit;
    }
    let percent = share * 100.0;
    if percent > 100.0 {
        return Err(StockError::TooMuchTogether { percent, coldest });
    }
    Ok(Dissolves {
        percent_of_limit: percent,
        coldest,
    })
}

/// A recipe of one salt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recipe {
    pub salt: Salt,
    /// g per litre of finished solution.
    pub g_per_l: f64,
    /// How near to saturation it is.
    pub dissolves: Dissolves,
}

said! {
    Recipe: it => "{} g {} ({}) made up to 1 L of solution; {}", figures(it.g_per_l), it.salt, it.salt.name(), it.dissolves;
}

/// The recipe of `salt` of which `volume` raises `tank` by `rise`, for example so that 10 mL a day carry 1 dKH.
///
/// # Errors
/// [`StockError::CarriesNone`] for the wrong salt, the rest when no such solution can be made.
pub fn recipe_for(
    salt: Salt,
    (of, rise): (&Quantity, f64),
    volume: Volume,
    tank: TankVolume,
    coldest: Celsius,
) -> Result<Recipe, StockError> {
    let wanted = || SolutionEffect::from_claim(volume, tank, (of, rise));
    let (per_g, wanted) = match of.unit() {
        Unit::Dkh => (salt.meq_per_g(), wanted().map(|w| w.alkalinity_meq_per_l)),
        Unit::MgPerL => {
            let mg = wanted().map(|w| w.dissolved_mg_per_l.values().sum());
            (salt.mg_per_g(of.symbol()), mg)
        }
    };
    if per_g <= 0.0 {
        let what = of.symbol().to_owned();
        return Err(StockError::CarriesNone { salt, what });
    }
    let carried: f64 = wanted?;
    let g_per_l = carried / per_g;
    let dissolves = check_dissolves(&[(salt, g_per_l)], coldest)?;
    Ok(Recipe {
        salt,
        g_per_l,
        dissolves,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn salt(formula: &str) -> Salt {
        Salt::from_formula(formula).unwrap()
    }

    fn at(degrees: f64) -> Celsius {
        Celsius::from_degrees(degrees)
    }

    /// Rows `a3.solL.*` and `a3.solL10.Na2CO3` (CRC mass percent x Laliberte density, computed with thermo 0.6.1); tolerance 3 %, and
    /// 5 % for CaCl2, KI, NaOH.
    #[test]
    fn a_litre_of_saturated_solution_holds_what_is_published() {
        for (formula, t20, t25, tolerance) in [
            ("Na2CO3", 213.1, 295.1, 0.03),
            ("NaHCO3", 92.6, 99.1, 0.03),
            ("CaCl2", 597.1, 647.3, 0.05),
            ("CaCl2.2H2O", 791.0, 857.0, 0.05),
            ("MgCl2", 473.8, 478.5, 0.03),
            ("MgCl2.6H2O", 1012.0, 1022.0, 0.03),
            ("MgSO4", 322.2, 341.5, 0.03),
            ("MgSO4.7H2O", 660.0, 699.0, 0.03),
            ("SrCl2", 460.6, 474.2, 0.03),
            ("SrCl2.6H2O", 775.0, 798.0, 0.03),
            ("KI", 1008.5, 1026.1, 0.05),
            ("NaOH", 681.5, 758.1, 0.05),
        ] {
            for (t, wanted) in [(20.0, t20), (25.0, t25)] {
                let found = saturated_g_per_l(salt(formula), at(t)).unwrap();
                assert!(
                    (found / wanted - 1.0).abs() < tolerance,
                    "{formula} {t}: {found}"
                );
            }
        }
        let cold = saturated_g_per_l(salt("Na2CO3"), at(10.0)).unwrap();
        assert!((cold / 120.5 - 1.0).abs() < 0.03, "{cold}");
        let lime = saturated_g_per_l(salt("Ca(OH)2"), at(25.0)).unwrap();
        assert!((lime / 1.5041 - 1.0).abs() < 0.01, "{lime}");
    }

    /// Row `a3.recipe_caps`: round limits of about 80 % of saturation at 20 C must pass at 20 C.
    #[test]
    fn the_suggested_caps_dissolve_at_room_temperature() {
        for (formula, g_per_l) in [
            ("Na2CO3", 170.0),
            ("NaHCO3", 74.0),
            ("CaCl2.2H2O", 600.0),
            ("MgCl2.6H2O", 750.0),
            ("MgSO4.7H2O", 530.0),
            ("SrCl2.6H2O", 500.0),
        ] {
            let checked = check_dissolves(&[(salt(formula), g_per_l)], at(20.0)).unwrap();
            assert!(checked.percent_of_limit < 90.0, "{formula}: {checked}");
        }
    }

    #[test]
    fn a_soda_recipe_for_a_warm_room_is_refused_for_a_cold_cellar() {
        let recipe = [(salt("Na2CO3"), 170.0)];
        let message = check_dissolves(&recipe, at(10.0)).unwrap_err().to_string();
        assert!(
            message.contains("170.0 g/L") && message.contains("10.0 C"),
            "{message}"
        );
    }

    #[test]
    fn two_salts_that_dissolve_alone_may_not_dissolve_together() {
        let recipe = [(salt("Na2CO3"), 150.0), (salt("NaHCO3"), 60.0)];
        assert!(matches!(
            check_dissolves(&recipe, at(20.0)),
            Err(StockError::TooMuchTogether { .. })
        ));
    }

    #[test]
    fn no_temperature_outside_the_table_is_guessed() {
        for t in [-0.1, 30.1, f64::NAN, f64::INFINITY] {
            let refusal = check_dissolves(&[(salt("KBr"), 1.0)], at(t));
            assert!(
                matches!(refusal, Err(StockError::OutsideTable { .. })),
                "{t}: {refusal:?}"
            );
        }
        let sulphate = check_dissolves(&[(salt("Na2SO4"), 1.0)], at(12.0))
            .unwrap_err()
            .to_string();
        assert!(sulphate.contains("from 20.0 C to 30.0 C"), "{sulphate}");
        assert!(check_dissolves(&[(salt("Na2SO4"), 1.0)], at(20.0)).is_ok());
        assert!(check_dissolves(&[(salt("Ca(OH)2"), 1.4)], at(28.0)).is_err());
    }

    #[test]
    fn every_listed_salt_has_its_solubility() {
        for salt in Salt::all() {
            assert!(saturated_g_per_l(salt, at(22.0)).is_ok(), "{salt}");
        }
    }

    /// Rows `a3.grams.dKH1.Na2CO3` (1.89 g for +1 dKH in 100 L) and `a3.grams.Ca10.CaCl2_2H2O` (3.668 g for +10 mg/L).
    #[test]
    fn ten_millilitres_a_day_carry_what_was_asked() {
        let (ml, tank) = (Volume::from_ul(10_000), TankVolume::from_litres(100.0));
        let dkh = (&Quantity::Alkalinity, 0.5);
        let soda = recipe_for(salt("Na2CO3"), dkh, ml, tank, at(20.0)).unwrap();
        assert!(
            (soda.g_per_l / (1.89 * 0.5 * 100.0) - 1.0).abs() < 1e-3,
            "{soda}"
        );
        let calcium = Quantity::dissolved("Ca").unwrap();
        let calcium = (&calcium, 10.0);
        let chloride = recipe_for(salt("CaCl2.2H2O"), calcium, ml, tank, at(20.0)).unwrap();
        assert!((chloride.g_per_l / 366.8 - 1.0).abs() < 1e-3, "{chloride}");
        let wrong = recipe_for(salt("NaCl"), calcium, ml, tank, at(20.0)).unwrap_err();
        assert_eq!(
            wrong.to_string(),
            "NaCl carries no Ca; choose a salt that does"
        );
    }

    /// 10 mL a day that carry 1 dKH into 300 L would need 567 g/L of soda, which no water takes: the refusal says so.
    #[test]
    fn a_strength_that_cannot_dissolve_is_refused() {
        let dkh = (&Quantity::Alkalinity, 1.0);
        let (ml, tank) = (Volume::from_ul(10_000), TankVolume::from_litres(300.0));
        let refusal = recipe_for(salt("Na2CO3"), dkh, ml, tank, at(20.0)).unwrap_err();
        assert!(
            refusal.to_string().contains("567.0 g/L of Na2CO3"),
            "{refusal}"
        );
        assert!(recipe_for(salt("NaOH"), dkh, ml, tank, at(20.0)).is_ok());
    }

    proptest! {
        #[test]
        fn no_number_makes_the_check_panic(grams in any::<f64>(), degrees in any::<f64>()) {
            for salt in Salt::all() {
                if let Ok(checked) = check_dissolves(&[(salt, grams)], at(degrees)) {
                    prop_assert!(checked.percent_of_limit >= 0.0 && checked.percent_of_limit <= 100.0);
                }
            }
        }
    }
}
