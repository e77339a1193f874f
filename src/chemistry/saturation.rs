//! How far the water is over-saturated with aragonite, as a caution about precipitation.
//!
//! Terms: *omega* is the product of calcium and carbonate over the solubility product; at 1 aragonite neither grows nor dissolves.
//! What it cannot tell is part of the answer, see [`SATURATION_LIMITS`]. It is a caution in words only: it never starts, stops or blocks a dose.

use std::fmt;

use thiserror::Error;

use super::carbonate::{Constants, Ph, PhScale};
use super::salts::Atom;
use super::seawater::{WaterError, density_kg_per_m3};
use super::water::{Celsius, Salinity};
use crate::quantity::{Alkalinity, Concentration, said};

/// What the number cannot tell, for beside it.
pub const SATURATION_LIMITS: &str = "this is an estimate for well-mixed water: it rests most on the pH and its scale, \
it does not know of organic films, phosphate or magnesium beyond natural that slow precipitation, nor of particles, heaters and pump housings that start it";

/// Above this, aragonite ran away in experiments with lime particles (row `a4.threshold.runaway`; Moras et al. 2022, Biogeosciences 19, 3537).
pub const OMEGA_NOTED: f64 = 7.0;

/// Above this the caution becomes a warning. Our rule: ordinary tanks pass 5 in daylight and a threshold there would cry wolf.
pub const OMEGA_WARNED: f64 = 10.0;

struct Reading {
    name: &'static str,
    /// Of its uncertainty.
    u_name: &'static str,
    unit: &'static str,
    /// The largest uncertainty that can be meant. Ours.
    u_most: f64,
    /// What is computed: salinity and C of the constants of Lueker et al. 2000, else what a tank can have (ours).
    range: (f64, f64),
}

const fn reading(
    (name, u_name): (&'static str, &'static str),
    unit: &'static str,
    u_most: f64,
    range: (f64, f64),
) -> Reading {
    Reading {
        name,
        u_name,
        unit,
        u_most,
        range,
    }
}

#[rustfmt::skip]
const READINGS: [Reading; 5] = [
    reading(("alkalinity", "uncertainty of alkalinity"), " meq/L", 5.0, (0.1, 20.0)),
    reading(("calcium", "uncertainty of calcium"), " mg/L", 500.0, (1.0, 3000.0)),
    reading(("pH", "uncertainty of pH"), "", 1.0, (6.0, 10.0)),
    reading(("salinity", "uncertainty of salinity"), "", 10.0, (19.0, 42.0)),
    reading(("temperature", "uncertainty of temperature"), " C", 10.0, (5.0, 35.0)),
];

/// Why no saturation can be given.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum SaturationError {
    /// Salinity or temperature outside the equation of state.
    #[error(transparent)]
    Water(#[from] WaterError),
    /// A value outside what the constants or a tank allow.
    #[error(
        "{what} {value}{unit} is outside {low} to {high}{unit}, where the saturation can be computed; check the reading"
    )]
    Range {
        what: &'static str,
        value: f64,
        /// Its unit with a space before it, or nothing.
        unit: &'static str,
        low: f64,
        high: f64,
    },
    /// The hydroxide and borate of this pH alone are more than the alkalinity.
    #[error(
        "{ph} and an alkalinity of {alkalinity} cannot belong to the same water; check both readings"
    )]
    Disagree { ph: Ph, alkalinity: Alkalinity },
}

/// What must be known of the water.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CarbonateWater {
    pub alkalinity: Alkalinity,
    pub calcium: Concentration,
    /// pH and its scale.
    pub ph: Ph,
    pub salinity: Salinity,
    pub temperature: Celsius,
}

/// Standard uncertainties of the readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CarbonateUncertainty {
    pub alkalinity: Alkalinity,
    pub calcium: Concentration,
    pub ph: f64,
    pub salinity: f64,
    /// Of the temperature, C.
    pub degrees: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Saturation {
    pub omega: f64,
    /// pH on the total scale.
    pub ph_total: f64,
    pub carbonate_umol_per_kg: f64,
    /// Total inorganic carbon, umol/kg.
    pub inorganic_carbon_umol_per_kg: f64,
}

/// How loudly to speak of a saturation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Caution {
    /// As in ordinary reef tanks.
    Ordinary,
    Noted,
    /// Above 10: a warning.
    Warned,
}

impl Saturation {
    /// How loudly to speak of it.
    pub fn caution(self) -> Caution {
        if self.omega > OMEGA_WARNED {
            Caution::Warned
        } else if self.omega > OMEGA_NOTED {
            Caution::Noted
        } else {
            Caution::Ordinary
        }
    }
}

impl fmt::Display for Caution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Ordinary => "ordinary for a reef tank",
            Self::Noted => {
                "high: above 7 aragonite ran away in experiments with particles in the water"
            }
            Self::Warned => "very high: expect precipitation where water is warm, still or dosed",
        })
    }
}

impl CarbonateWater {
    /// The saturation of this water.
    ///
    /// # Errors
    /// [`SaturationError::Range`] outside what is computed: salinity 19 to 42, 5 to 35 C, pH 6 to 10, alkalinity 0.1 to 20 meq/L, calcium
    /// 1 to 3,000 mg/L. [`SaturationError::Disagree`].
    pub fn saturation(self) -> Result<Saturation, SaturationError> {
        let (k, alkalinity, kg_per_l) = self.checked()?;
        let hydrogen = k.hydrogen_total(self.ph);
        let carbonate_alkalinity = alkalinity - k.other_alkalinity(hydrogen);
        if carbonate_alkalinity <= 0.0 {
            return Err(SaturationError::Disagree {
                ph: self.ph,
                alkalinity: self.alkalinity,
            });
        }
        let carbon = carbonate_alkalinity / k.alkalinity_per_carbon(hydrogen);
        Ok(describe(
            &k,
            carbon,
            hydrogen,
            self.calcium.as_mg_per_l() / kg_per_l,
        ))
    }

    /// The saturation and its 95 % interval: each reading is moved alone to both ends of its own 95 %, and what the logarithm does is summed
    /// in squares to each side, for omega is skewed. Within 1 % of a Monte Carlo, see the tests.
    ///
    /// # Errors
    /// As [`Self::saturation`], and for an uncertainty that is negative, not finite or larger than can be meant.
    pub fn saturation_with(
        self,
        uncertainty: CarbonateUncertainty,
    ) -> Result<SaturationEstimate, SaturationError> {
        let saturation = self.saturation()?;
        let us = [
            uncertainty.alkalinity.as_meq_per_l(),
            uncertainty.calcium.as_mg_per_l(),
            uncertainty.ph,
            uncertainty.salinity,
            uncertainty.degrees,
        ];
        let (mut down, mut up) = (0.0, 0.0);
        for ((index, u), reading) in us.into_iter().enumerate().zip(READINGS) {
            let (low, high) = reading.range;
            within(reading.u_name, u, reading.unit, (0.0, reading.u_most))?;
            for times in [-1.96, 1.96] {
                let mut moved = self.readings();
                // No further than the constants go.
                for value in moved.iter_mut().skip(index).take(1) {
                    *value = (*value + times * u).clamp(low, high);
                }
                let change = (self.with(moved).saturation()?.omega / saturation.omega).ln();
                let side = if change < 0.0 { &mut down } else { &mut up };
                *side += change * change;
            }
        }
        Ok(SaturationEstimate {
            saturation,
            low: saturation.omega * (-f64::sqrt(down)).exp(),
            high: saturation.omega * f64::sqrt(up).exp(),
        })
    }

    /// Alkalinity in meq/L, calcium in mg/L, pH, salinity, C.
    const fn readings(self) -> [f64; 5] {
        [
            self.alkalinity.as_meq_per_l(),
            self.calcium.as_mg_per_l(),
            self.ph.value,
            self.salinity.as_practical(),
            self.temperature.as_degrees(),
        ]
    }

    const fn with(mut self, [meq, calcium, ph, salinity, degrees]: [f64; 5]) -> Self {
        self.alkalinity = Alkalinity::from_meq_per_l(meq);
        self.calcium = Concentration::from_mg_per_l(calcium);
        self.ph.value = ph;
        self.salinity = Salinity::from_practical(salinity);
        self.temperature = Celsius::from_degrees(degrees);
        self
    }

    /// The saturation where a dose meets the water: `ml_per_l` of a solution in each litre mixed so far, before any CO2 is
    /// exchanged; the dilution by the dose itself is neglected.
    ///
    /// # Errors
    /// As [`Self::saturation`], for a dose outside 0 to 1,000 mL/L, and where the mixture leaves the range.
    pub fn saturation_at_mixing_point(
        self,
        stock: MixedStock,
        ml_per_l: f64,
    ) -> Result<Saturation, SaturationError> {
        within("dose", ml_per_l, " mL per litre mixed", (0.0, 1000.0))?;
        let before = self.saturation()?;
        let (k, alkalinity, kg_per_l) = self.checked()?;
        let meq = stock.alkalinity_meq_per_l * ml_per_l / 1000.0;
        let carbon = before.inorganic_carbon_umol_per_kg * 1e-6
            + meq * stock.base.carbon_per_equivalent() * 1e-3 / kg_per_l;
        let calcium_mg_per_l =
            self.calcium.as_mg_per_l() + stock.calcium_mg_per_l * ml_per_l / 1000.0;
        let target = alkalinity + meq * 1e-3 / kg_per_l;
        let hydrogen = solve_hydrogen(&k, target, carbon);
        Ok(describe(&k, carbon, hydrogen, calcium_mg_per_l / kg_per_l))
    }

    /// Constants, alkalinity in mol/kg, density in kg/L.
    fn checked(self) -> Result<(Constants, f64, f64), SaturationError> {
        for (value, reading) in self.readings().into_iter().zip(READINGS) {
            within(reading.name, value, reading.unit, reading.range)?;
        }
        let meq_per_l = self.alkalinity.as_meq_per_l();
        let kg_per_l = density_kg_per_m3(self.salinity, self.temperature)? / 1000.0;
        let k = Constants::at(self.salinity, self.temperature);
        Ok((k, meq_per_l * 1e-3 / kg_per_l, kg_per_l))
    }
}

fn describe(k: &Constants, carbon: f64, hydrogen: f64, calcium_mg_per_kg: f64) -> Saturation {
    let carbonate = carbon * k.carbonate_share(hydrogen);
    let calcium = calcium_mg_per_kg * 1e-3 / Atom::Ca.weight();
    Saturation {
        omega: calcium * carbonate / k.k_aragonite,
        ph_total: -hydrogen.log10(),
        carbonate_umol_per_kg: carbonate * 1e6,
        inorganic_carbon_umol_per_kg: carbon * 1e6,
    }
}

/// Hydrogen ion at which this much carbon has this much alkalinity, by halving pH 3 to 12: alkalinity rises with pH throughout.
fn solve_hydrogen(k: &Constants, alkalinity: f64, carbon: f64) -> f64 {
    let (mut low, mut high) = (3.0_f64, 12.0_f64);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        let hydrogen = 10_f64.powf(-middle);
        if k.other_alkalinity(hydrogen) + carbon * k.alkalinity_per_carbon(hydrogen) < alkalinity {
            low = middle;
        } else {
            high = middle;
        }
    }
    10_f64.powf(-f64::midpoint(low, high))
}

fn within(
    what: &'static str,
    value: f64,
    unit: &'static str,
    limits: (f64, f64),
) -> Result<(), SaturationError> {
    let (low, high) = limits;
    if (low..=high).contains(&value) {
        return Ok(());
    }
    Err(SaturationError::Range {
        what,
        value,
        unit,
        low,
        high,
    })
}

/// The base of an alkalinity solution: how much inorganic carbon comes with each equivalent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Base {
    /// No alkalinity: a calcium solution.
    None,
    /// Carbonate: half a mole of carbon an equivalent.
    Carbonate,
    /// Bicarbonate: one mole of carbon an equivalent.
    Bicarbonate,
    /// Hydroxide and limewater: no carbon.
    Hydroxide,
}

impl Base {
    const fn carbon_per_equivalent(self) -> f64 {
        match self {
            Self::None | Self::Hydroxide => 0.0,
            Self::Carbonate => 0.5,
            Self::Bicarbonate => 1.0,
        }
    }
}

/// What matters of a solution where it meets the water.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MixedStock {
    /// meq of alkalinity in a litre.
    pub alkalinity_meq_per_l: f64,
    /// mg of calcium in a litre.
    pub calcium_mg_per_l: f64,
    /// What the alkalinity is made of.
    pub base: Base,
}

/// A saturation with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SaturationEstimate {
    pub saturation: Saturation,
    /// Low end of omega.
    pub low: f64,
    /// High end of omega.
    pub high: f64,
}

said! {
    SaturationEstimate: it => "aragonite saturation {:.1} ({:.1} to {:.1} at 95 %), {}",
        it.saturation.omega, it.low, it.high, it.saturation.caution();
}

impl fmt::Display for PhScale {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Total => "total",
            Self::Seawater => "seawater",
            Self::Free => "free",
            Self::Nbs => "NBS",
        })
    }
}

said! {
    Ph: it => "pH {:.2} ({} scale)", it.value, it.scale;
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn water(dkh: f64, calcium: f64, ph: f64, salinity: f64, degrees: f64) -> CarbonateWater {
        CarbonateWater {
            alkalinity: Alkalinity::from_dkh(dkh),
            calcium: Concentration::from_mg_per_l(calcium),
            ph: Ph {
                value: ph,
                scale: PhScale::Total,
            },
            salinity: Salinity::from_practical(salinity),
            temperature: Celsius::from_degrees(degrees),
        }
    }

    fn usual() -> CarbonateWater {
        water(8.0, 420.0, 8.2, 35.0, 25.0)
    }

    /// Rows `a4.omega.*`: computed with PyCO2SYS 1.8.3.4 and gsw 3.6.23; tolerance 0.5 %.
    #[test]
    fn saturation_agrees_with_the_published_calculation() {
        for (water, omega, carbonate, carbon) in [
            (water(7.0, 412.0, 8.1, 35.0, 25.0), 3.8673, 249.53, 2092.44),
            (water(6.0, 380.0, 7.8, 33.0, 24.0), 1.7386, 113.69, 1946.05),
            (water(7.0, 420.0, 8.2, 35.0, 26.0), 4.8086, 302.83, 2013.38),
            (usual(), 5.3641, 339.52, 2329.01),
            (water(8.0, 430.0, 8.3, 35.0, 25.5), 6.5246, 402.37, 2239.46),
            (water(9.0, 440.0, 8.3, 34.0, 25.0), 7.6171, 443.89, 2556.6),
            (water(10.0, 450.0, 8.2, 35.0, 25.0), 7.2534, 428.5, 2939.37),
            (
                water(12.0, 480.0, 8.5, 36.0, 27.0),
                14.9697,
                850.71,
                3115.75,
            ),
            (water(7.5, 400.0, 8.0, 34.0, 24.0), 3.3243, 214.16, 2331.81),
        ] {
            let found = water.saturation().unwrap();
            assert!(
                (found.omega / omega - 1.0).abs() < 5e-4,
                "{omega}: {found:?}"
            );
            assert!(
                (found.carbonate_umol_per_kg / carbonate - 1.0).abs() < 5e-4,
                "{found:?}"
            );
            assert!(
                (found.inorganic_carbon_umol_per_kg / carbon - 1.0).abs() < 5e-4,
                "{found:?}"
            );
        }
    }

    /// Row `a4.phscale.8dKH`: the same reading is 5.3641 on the total scale and 4.2467 on the NBS scale; tolerance 1 %.
    #[test]
    fn the_scale_of_the_ph_matters_more_than_anything() {
        let mut nbs = usual();
        nbs.ph.scale = PhScale::Nbs;
        let omega = nbs.saturation().unwrap().omega;
        assert!((omega / 4.2467 - 1.0).abs() < 0.01, "{omega}");
        let on = |scale| {
            let mut water = usual();
            water.ph.scale = scale;
            water.saturation().unwrap().omega
        };
        assert!(
            on(PhScale::Free) < on(PhScale::Total) && on(PhScale::Total) < on(PhScale::Seawater)
        );
    }

    /// Row `a4.sens`: change of omega for +1 dKH, +10 mg/L Ca, +0.1 pH, +1 S, +1 C; tolerance 2 %.
    #[test]
    fn sensitivities_agree() {
        let base = usual().saturation().unwrap().omega;
        for (moved, wanted) in [
            (water(9.0, 420.0, 8.2, 35.0, 25.0), 0.7029),
            (water(8.0, 430.0, 8.2, 35.0, 25.0), 0.1277),
            (water(8.0, 420.0, 8.3, 35.0, 25.0), 0.9156),
            (water(8.0, 420.0, 8.2, 36.0, 25.0), -0.114),
            (water(8.0, 420.0, 8.2, 35.0, 26.0), 0.1706),
        ] {
            let change = moved.saturation().unwrap().omega - base;
            assert!((change / wanted - 1.0).abs() < 0.02, "{wanted}: {change}");
        }
    }

    /// Rows `a4.spike.na2co3`, `nahco3`, `lime`, `cacl2` at 0.1, 1, 5 and 10 mL per litre mixed; tolerance 2 %, pH 0.02.
    #[test]
    fn where_a_dose_meets_the_water_saturation_jumps_as_published() {
        let stock = |alkalinity_meq_per_l, calcium_mg_per_l, base| MixedStock {
            alkalinity_meq_per_l,
            calcium_mg_per_l,
            base,
        };
        let ml = [0.1, 1.0, 5.0, 10.0];
        for (stock, wanted) in [
            (
                stock(943.507, 0.0, Base::Carbonate),
                [
                    (5.934, 8.242),
                    (11.358, 8.507),
                    (38.037, 9.0),
                    (72.946, 9.265),
                ],
            ),
            (
                stock(833.276, 0.0, Base::Bicarbonate),
                [
                    (5.416, 8.188),
                    (5.823, 8.092),
                    (7.117, 7.849),
                    (8.576, 7.71),
                ],
            ),
            (
                stock(40.6, 813.6, Base::Hydroxide),
                [
                    (5.411, 8.204),
                    (5.839, 8.242),
                    (7.793, 8.391),
                    (10.341, 8.547),
                ],
            ),
            (
                stock(0.0, 18_906.5, Base::None),
                [(5.388, 8.2), (5.606, 8.2), (6.571, 8.2), (7.779, 8.2)],
            ),
        ] {
            for (ml, (omega, ph)) in ml.into_iter().zip(wanted) {
                let found = usual().saturation_at_mixing_point(stock, ml).unwrap();
                assert!(
                    (found.omega / omega - 1.0).abs() < 0.02,
                    "{stock:?} {ml}: {found:?}"
                );
                assert!(
                    (found.ph_total - ph).abs() < 0.02,
                    "{stock:?} {ml}: {found:?}"
                );
            }
        }
    }

    fn uncertainty(of: [f64; 5]) -> CarbonateUncertainty {
        let [dkh, calcium, ph, salinity, degrees] = of;
        CarbonateUncertainty {
            alkalinity: Alkalinity::from_dkh(dkh),
            calcium: Concentration::from_mg_per_l(calcium),
            ph,
            salinity,
            degrees,
        }
    }

    /// Ends of 95 % of 40,000 draws through PyCO2SYS 1.8.3.4, `tests/reference/omega.py`; within 1.5 %, of which 0.7 are the draws'. A
    /// symmetric interval misses the low end by up to 27 %.
    #[test]
    fn the_interval_has_the_ends_of_a_monte_carlo_with_another_library() {
        let nbs = CarbonateWater {
            ph: Ph {
                value: 8.2,
                scale: PhScale::Nbs,
            },
            ..usual()
        };
        for (water, u, low, high) in [
            (usual(), [0.2, 12.0, 0.1, 1.0, 0.2], 3.795, 7.313),
            (usual(), [0.2, 12.0, 0.2, 1.0, 0.5], 2.609, 9.351),
            (nbs, [0.2, 12.0, 0.2, 0.5, 0.5], 2.002, 7.92),
            (
                water(7.0, 400.0, 7.9, 34.0, 26.0),
                [0.3, 15.0, 0.2, 0.5, 1.0],
                1.236,
                5.475,
            ),
            (
                water(9.0, 440.0, 8.3, 36.0, 27.0),
                [0.8, 40.0, 0.02, 0.5, 2.0],
                5.677,
                10.121,
            ),
        ] {
            let found = water.saturation_with(uncertainty(u)).unwrap();
            assert!((found.low / low - 1.0).abs() < 0.015, "{low}: {found}");
            assert!((found.high / high - 1.0).abs() < 0.015, "{high}: {found}");
        }
    }

    #[test]
    fn the_interval_is_wide_when_the_ph_is_uncertain_and_asks_for_nothing_outside_the_constants() {
        let with = |ph| usual().saturation_with(uncertainty([0.1, 10.0, ph, 0.3, 0.2]));
        let (sure, unsure) = (with(0.02).unwrap(), with(0.1).unwrap());
        assert!(unsure.high - unsure.low > 2.0 * (sure.high - sure.low));
        let text = unsure.to_string();
        assert!(
            text.starts_with("aragonite saturation 5.4 (3.8 to 7."),
            "{text}"
        );
        assert!(with(f64::NAN).is_err());
        let edge = water(8.0, 420.0, 8.2, 41.9, 34.9);
        assert!(
            edge.saturation_with(uncertainty([0.1, 10.0, 0.1, 0.3, 0.2]))
                .is_ok()
        );
    }

    #[test]
    fn only_high_saturation_is_spoken_of() {
        let omega = |water: CarbonateWater| water.saturation().unwrap().caution();
        assert_eq!(omega(usual()), Caution::Ordinary);
        assert_eq!(omega(water(9.0, 440.0, 8.3, 34.0, 25.0)), Caution::Noted);
        assert_eq!(omega(water(12.0, 480.0, 8.5, 36.0, 27.0)), Caution::Warned);
    }

    #[test]
    fn readings_outside_the_constants_are_refused_by_name() {
        for (water, name) in [
            (water(8.0, 420.0, 8.2, 18.0, 25.0), "salinity 18"),
            (water(8.0, 420.0, 8.2, 35.0, 77.0), "temperature 77 C"),
            (water(8.0, 420.0, 82.0, 35.0, 25.0), "pH 82"),
            (water(8.0, 0.42, 8.2, 35.0, 25.0), "calcium 0.42 mg/L"),
            (water(80.0, 420.0, 8.2, 35.0, 25.0), "alkalinity 28"),
        ] {
            let message = water.saturation().unwrap_err().to_string();
            assert!(message.contains(name), "{message}");
        }
        assert!(water(0.5, 420.0, 9.9, 35.0, 25.0).saturation().is_err());
    }

    proptest! {
        #[test]
        fn no_number_makes_it_panic_or_negative(dkh in any::<f64>(), calcium in any::<f64>(), ph in any::<f64>(), salinity in any::<f64>(), degrees in any::<f64>(), ml in any::<f64>()) {
            for water in [water(dkh, calcium, ph, salinity, degrees), water(dkh, 420.0, 8.2, 35.0, 25.0), water(8.0, 420.0, ph, 35.0, 25.0)] {
                if let Ok(found) = water.saturation() {
                    prop_assert!(found.omega.is_finite() && found.omega > 0.0);
                }
                let stock = MixedStock { alkalinity_meq_per_l: dkh, calcium_mg_per_l: calcium, base: Base::Carbonate };
                prop_assert!(water.saturation_at_mixing_point(stock, ml).map_or_else(|e| !e.to_string().is_empty(), |_| true));
            }
        }
    }
}
