//! What water changes, top-up and the dosed volume itself do to a level.
//!
//! Terms: the *share* is the part of the net water volume that one change replaces; *new water* is what comes in; a *gain* is what
//! a level gains between two changes by itself, negative when it is taken up; a *loss* is in proportion to the level. The tank is taken as well mixed; use the net volume
//! (tank and sump less rock and sand), because with a volume guessed high every figure here is too hopeful.

use std::fmt;

use thiserror::Error;

use super::seawater::{WaterError, density_kg_per_m3};
use super::unit::Unit;
use super::water::{Celsius, Salinity};
use crate::quantity::{TankVolume, Volume, f64_from_i64, i64_from_f64, said};

/// Why a dilution cannot be computed.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum DilutionError {
    /// The share of a change is not between nothing and everything.
    #[error("a change of {percent} % of the water is none; give more than 0 and less than 100 %")]
    Share { percent: f64 },
    /// Changes with this new water never reach the target.
    #[error(
        "changes with new water of {new} bring {from} never to {target}; the target must lie between the two"
    )]
    Unreachable {
        from: String,
        target: String,
        /// Level of the new water.
        new: String,
    },
    /// A number that is not finite or has the wrong sign.
    #[error("{what} is {value}, which is no amount; check the entry")]
    Value { what: &'static str, value: f64 },
    #[error(transparent)]
    Water(#[from] WaterError),
}

/// What is mixed: a level of one thing. Those that are reckoned with each other have one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    pub unit: Unit,
    pub value: f64,
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.unit.amount(self.value))
    }
}

/// What happens to a level from one change to the next: dC/dt = gain - rate C, solved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Between {
    /// The part of the level that is left.
    kept: f64,
    gained: f64,
}

impl Between {
    /// The same gain whatever the level.
    pub const fn constant(gained: f64) -> Self {
        Self { kept: 1.0, gained }
    }

    /// Over `days`, with this gain a day while `percent_per_day` of the level is lost in each day without it.
    ///
    /// # Errors
    /// [`DilutionError::Value`] unless that is above 0 and below 100 %.
    pub fn in_proportion(
        percent_per_day: f64,
        gain_per_day: f64,
        days: f64,
    ) -> Result<Self, DilutionError> {
        let rate = -(-percent_per_day / 100.0).ln_1p();
        if !(rate.is_finite() && rate > 0.0) {
            return Err(DilutionError::Value {
                what: "what is taken up of the level in a day, in %,",
                value: percent_per_day,
            });
        }
        let lost = -(-rate * days).exp_m1();
        Ok(Self {
            kept: 1.0 - lost,
            gained: gain_per_day * lost / rate,
        })
    }

    /// The level at the next change, from the one after the last.
    pub fn then(self, level: Level) -> Level {
        let value = self.kept * level.value + self.gained;
        Level { value, ..level }
    }
}

/// The part of the water that one change replaces: more than none, less than all.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChangeShare(f64);

impl ChangeShare {
    /// From percent of the net water volume.
    ///
    /// # Errors
    /// [`DilutionError::Share`] unless more than 0 and less than 100.
    pub fn from_percent(percent: f64) -> Result<Self, DilutionError> {
        if percent > 0.0 && percent < 100.0 {
            Ok(Self(percent / 100.0))
        } else {
            Err(DilutionError::Share { percent })
        }
    }

    /// From the litres changed and the net volume.
    ///
    /// # Errors
    /// As [`Self::from_percent`].
    pub fn from_litres(changed: TankVolume, tank: TankVolume) -> Result<Self, DilutionError> {
        Self::from_percent(changed.as_litres() / tank.as_litres() * 100.0)
    }

    pub const fn as_percent(self) -> f64 {
        self.0 * 100.0
    }

    /// Part of the old water left after `changes` equal changes: (1 - f)^n.
    pub fn left_after(self, changes: u32) -> f64 {
        (1.0 - self.0).powf(f64::from(changes))
    }

    /// Changes that halve what the new water does not hold, as a broken number.
    pub fn changes_to_halve(self) -> f64 {
        0.5_f64.ln() / (1.0 - self.0).ln()
    }

    /// The level after `changes` equal changes with new water of `new`, nothing else happening.
    pub fn level_after(self, from: Level, new: Level, changes: u32) -> Level {
        let value = new.value + (from.value - new.value) * self.left_after(changes);
        Level { value, ..new }
    }

    /// The levels just before and just after each of `changes`, the first of them at once.
    pub fn series(
        self,
        from: Level,
        new: Level,
        between: Between,
        changes: u32,
    ) -> Vec<SteadyLevel> {
        let mut before = from;
        let one = |_| {
            let after = self.level_after(before, new, 1);
            let this = SteadyLevel { before, after };
            before = between.then(after);
            this
        };
        (0..changes).map(one).collect()
    }

    /// How many equal changes bring `from` to `target` or past it; none when it is there already.
    ///
    /// # Errors
    /// [`DilutionError::Unreachable`] when the target does not lie between the level and the new water.
    pub fn changes_to_reach(
        self,
        from: Level,
        target: Level,
        new: Level,
    ) -> Result<u32, DilutionError> {
        let gap = gap_left(from, target, new)?;
        // A hair is taken off so that an exact whole number of changes is not rounded up to one more.
        let changes = (gap.ln() / (1.0 - self.0).ln() - 1e-9).ceil().max(0.0);
        i64_from_f64(changes)
            .and_then(|n| u32::try_from(n).ok())
            .ok_or_else(|| unreachable(from, target, new))
    }

    /// Where the level settles under changes at a fixed interval with this happening between them.
    ///
    /// What a change removes is what came in the meantime. With a constant gain the level stands at new + gain / f before it and at
    /// new + gain (1 - f) / f after it.
    pub fn steady_level(self, new: Level, between: Between) -> SteadyLevel {
        let Between { kept, gained } = between;
        let left = 1.0 - self.0;
        let value = (self.0 * new.value + left * gained) / (1.0 - left * kept);
        let after = Level { value, ..new };
        SteadyLevel {
            before: between.then(after),
            after,
        }
    }

    /// Changes that halve the distance from where the level settles.
    pub fn changes_to_halve_with(self, between: Between) -> f64 {
        0.5_f64.ln() / ((1.0 - self.0) * between.kept).ln()
    }
}

/// The one change that brings `from` to `target`.
///
/// # Errors
/// [`DilutionError::Unreachable`] when the target does not lie between the level and the new water, [`DilutionError::Share`] when
/// it is there already or only a change of all water would do.
pub fn share_to_reach(
    from: Level,
    target: Level,
    new: Level,
) -> Result<ChangeShare, DilutionError> {
    ChangeShare::from_percent((1.0 - gap_left(from, target, new)?) * 100.0)
}

fn unreachable(from: Level, target: Level, new: Level) -> DilutionError {
    DilutionError::Unreachable {
        from: from.to_string(),
        target: target.to_string(),
        new: new.to_string(),
    }
}

/// (target - new) / (from - new): above 0, at most 1.
fn gap_left(from: Level, target: Level, new: Level) -> Result<f64, DilutionError> {
    let gap = (target.value - new.value) / (from.value - new.value);
    if gap > 0.0 && gap <= 1.0 {
        Ok(gap)
    } else {
        Err(unreachable(from, target, new))
    }
}

/// The levels round a change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SteadyLevel {
    /// Just before it.
    pub before: Level,
    pub after: Level,
}

impl fmt::Display for SteadyLevel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { before, after } = self;
        write!(
            f,
            "settles at {before} before each change and {after} after it"
        )?;
        if before.value < 0.0 {
            f.write_str(", which cannot be: the changes bring in less than is taken up")?;
        }
        Ok(())
    }
}

/// Part of the old water left when `exchanged` litres flow through `tank` while it stays mixed: exp(-q/V). Always more than one change of as much leaves.
///
/// # Errors
/// [`DilutionError::Value`] for a volume that is not finite, a tank without water or a negative exchange.
pub fn left_after_continuous(
    exchanged: TankVolume,
    tank: TankVolume,
) -> Result<f64, DilutionError> {
    let turnovers = exchanged.as_litres() / tank.as_litres();
    if turnovers.is_finite() && turnovers >= 0.0 {
        Ok((-turnovers).exp())
    } else {
        Err(DilutionError::Value {
            what: "the exchange in tank volumes",
            value: turnovers,
        })
    }
}

/// Litres that must flow through `tank` until `left` (above 0, at most 1) of the old water is left.
///
/// # Errors
/// [`DilutionError::Value`] for a part outside that range.
pub fn litres_for_continuous(tank: TankVolume, left: f64) -> Result<TankVolume, DilutionError> {
    if left > 0.0 && left <= 1.0 {
        Ok(TankVolume::from_litres(tank.as_litres() * -left.ln()))
    } else {
        Err(DilutionError::Value {
            what: "the part of the old water that is left",
            value: left,
        })
    }
}

/// What the liquid of the doses itself does to the system over some days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DosedWater {
    /// Litres of solution put in.
    pub litres: f64,
    /// Salinity when a top-up holds the level, so that the water of the doses only saves top-up water.
    pub salinity_level_held: Salinity,
    /// Salinity when as much tank water is lost as is dosed (skimmer, overflow, salt creep).
    pub salinity_displaced: Salinity,
}

said! {
    DosedWater: it => "doses bring {:.2} L of water; {} if the top-up holds the level, {} if as much tank water leaves",
        it.litres, it.salinity_level_held, it.salinity_displaced;
}

/// What `day_volume` of solutions a day does over `days`, when `salt_g_per_l` of salt (see [`super::Residue`]) stays in each litre of the tank.
///
/// # Errors
/// [`DilutionError::Value`] for volumes that make no sense, [`DilutionError::Water`] outside the equation of state.
pub fn dosed_water(
    tank: TankVolume,
    water: (Salinity, Celsius),
    day_volume: Volume,
    days: u32,
    salt_g_per_l: f64,
) -> Result<DosedWater, DilutionError> {
    let (salinity, temperature) = water;
    let litres = f64_from_i64(day_volume.as_ul()) * 1e-6 * f64::from(days);
    let turnovers = litres / tank.as_litres();
    for (what, value) in [
        ("the dosed volume in tank volumes", turnovers),
        ("the salt left behind in g/L", salt_g_per_l),
    ] {
        if !(value.is_finite() && value >= 0.0) {
            return Err(DilutionError::Value { what, value });
        }
    }
    let kg_per_l = density_kg_per_m3(salinity, temperature)? / 1000.0;
    let per_reference =
        Salinity::STANDARD.as_practical() / Salinity::STANDARD.as_reference_g_per_kg();
    let salt = salt_g_per_l / kg_per_l * per_reference;
    let held = salinity.as_practical() + salt;
    Ok(DosedWater {
        litres,
        salinity_level_held: Salinity::from_practical(held),
        salinity_displaced: Salinity::from_practical(held * (-turnovers).exp()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn share(percent: f64) -> ChangeShare {
        ChangeShare::from_percent(percent).unwrap()
    }

    fn mg(value: f64) -> Level {
        let unit = Unit::MgPerL;
        Level { unit, value }
    }

    fn close(found: f64, wanted: f64, tolerance: f64, row: &str) {
        assert!(
            (found - wanted).abs() <= tolerance,
            "{row}: {found} is not {wanted}"
        );
    }

    /// Rows `a7.remain.f10` to `f50`: (1-f)^n for n = 1, 2, 3, 4, 5, 10; tolerance 1e-6.
    #[test]
    fn old_water_fades_by_the_power_of_the_changes() {
        for (percent, left) in [
            (10.0, [0.9, 0.81, 0.729, 0.6561, 0.590_49, 0.348_678]),
            (20.0, [0.8, 0.64, 0.512, 0.4096, 0.327_68, 0.107_374]),
            (30.0, [0.7, 0.49, 0.343, 0.2401, 0.168_07, 0.028_248]),
            (50.0, [0.5, 0.25, 0.125, 0.0625, 0.031_25, 0.000_977]),
        ] {
            for (changes, wanted) in [1, 2, 3, 4, 5, 10].into_iter().zip(left) {
                close(
                    share(percent).left_after(changes),
                    wanted,
                    1e-6,
                    "a7.remain",
                );
            }
        }
    }

    /// Rows `a7.halving.f10` to `f50`; tolerance 1e-4.
    #[test]
    fn halving_takes_the_published_number_of_changes() {
        for (percent, wanted) in [
            (10.0, 6.5788),
            (15.0, 4.265),
            (20.0, 3.1063),
            (25.0, 2.4094),
            (30.0, 1.9434),
            (50.0, 1.0),
        ] {
            close(
                share(percent).changes_to_halve(),
                wanted,
                1e-4,
                "a7.halving",
            );
        }
        assert_eq!(
            share(10.0)
                .changes_to_reach(mg(20.0), mg(10.0), mg(0.0))
                .unwrap(),
            7
        );
        assert_eq!(
            share(50.0)
                .changes_to_reach(mg(20.0), mg(5.0), mg(0.0))
                .unwrap(),
            2
        );
        assert_eq!(
            share(50.0)
                .changes_to_reach(mg(20.0), mg(20.0), mg(0.0))
                .unwrap(),
            0
        );
    }

    /// Rows `a7.topup.20of70`, `a7.left.30`, `a7.to_target`.
    #[test]
    fn single_changes_are_a_mass_balance() {
        close(
            share(20.0).level_after(mg(0.7), mg(1.0), 1).value,
            0.76,
            1e-12,
            "a7.topup.20of70",
        );
        close(share(30.0).left_after(1), 0.7, 1e-12, "a7.left.30");
        let wanted = share_to_reach(mg(20.0), mg(12.0), mg(0.0)).unwrap();
        close(wanted.as_percent(), 40.0, 1e-9, "a7.to_target");
    }

    /// The level just before change number `number`, from new water on.
    fn before_change(share: ChangeShare, new: Level, gain: f64, number: u32) -> f64 {
        let between = Between::constant(gain);
        let series = share.series(between.then(new), new, between, number);
        series.last().unwrap().before.value
    }

    /// Many small changes are a stirred tank with a first-order loss, which settles at `C / (1 + k tau)` (Levenspiel, *Chemical Reaction
    /// Engineering*, the mixed flow reactor; from memory): 10 % of the water a day against 5 % of the level lost a day.
    #[test]
    fn small_changes_against_a_loss_in_proportion_settle_as_a_stirred_tank_does() {
        let changes_a_day = 100_000.0;
        let share = share(10.0 / changes_a_day);
        let between = Between::in_proportion(5.0, 0.0, 1.0 / changes_a_day).unwrap();
        let k = -(0.95_f64.ln());
        let steady = share.steady_level(mg(420.0), between);
        close(
            steady.after.value,
            420.0 / (1.0 + k / 0.1),
            1e-2,
            "stirred tank",
        );
    }

    /// Row `a7.steady.dose_firstorder`: what is lost in an interval at k = 0.5 is 0.393469 of the level; and where a level settles, the series ends.
    #[test]
    fn a_loss_in_proportion_leaves_its_share_and_ends_where_it_settles() {
        let percent = 100.0 * -(-0.5_f64).exp_m1();
        let between = Between::in_proportion(percent, 0.0, 1.0).unwrap();
        close(
            1.0 - between.then(mg(1.0)).value,
            0.393_469,
            1e-6,
            "a7.steady.dose_firstorder",
        );
        // In two days twice the rate, and a gain settles at gain / k without a change.
        let two = Between::in_proportion(percent, 2.0, 2.0).unwrap();
        close(two.then(mg(4.0)).value, 4.0, 1e-9, "gain / k");
        let steady = share(25.0).steady_level(mg(8.0), two);
        let last = *share(25.0)
            .series(mg(50.0), mg(8.0), two, 60)
            .last()
            .unwrap();
        close(last.before.value, steady.before.value, 1e-9, "settles");
        close(last.after.value, steady.after.value, 1e-9, "settles");
        for bad in [0.0, 100.0, -5.0, f64::NAN] {
            assert!(Between::in_proportion(bad, 0.0, 7.0).is_err(), "{bad}");
        }
    }

    /// Rows `a7.remain.f50`: halves; the same arithmetic in dKH: 50 % of 12 dKH against water of 7 dKH leave 9.5, 8.25, 7.625 dKH.
    #[test]
    fn a_series_of_large_changes_brings_each_level_towards_the_new_water() {
        let unit = Unit::Dkh;
        let dkh = |value| Level { unit, value };
        let nothing = Between::constant(0.0);
        let series = share(50.0).series(dkh(12.0), dkh(7.0), nothing, 3);
        let after: Vec<f64> = series.iter().map(|round| round.after.value).collect();
        for (found, wanted) in after.into_iter().zip([9.5, 8.25, 7.625]) {
            close(found, wanted, 1e-9, "a7.remain.f50");
        }
        assert_eq!(series.len(), 3);
    }

    /// Rows `a7.cont.0.1`, `0.2`, `1`, `2`, `half`; tolerance 1e-6.
    #[test]
    fn continuous_exchange_lies_on_the_exponential() {
        let tank = TankVolume::from_litres(200.0);
        for (volumes, wanted) in [
            (0.1, 0.904_837),
            (0.2, 0.818_731),
            (1.0, 0.367_879),
            (2.0, 0.135_335),
        ] {
            let flowed = TankVolume::from_litres(200.0 * volumes);
            close(
                left_after_continuous(flowed, tank).unwrap(),
                wanted,
                1e-6,
                "a7.cont",
            );
        }
        let half = litres_for_continuous(tank, 0.5).unwrap();
        // The row prints 0.693147.
        close(
            half.as_litres() / 200.0,
            std::f64::consts::LN_2,
            1e-6,
            "a7.cont.half",
        );
    }

    /// Rows `a7.steady.input` and `a7.steady.approach`; tolerance 1e-6.
    #[test]
    fn a_contaminant_settles_where_changes_remove_what_comes() {
        let ten = share(10.0);
        let steady = ten.steady_level(mg(0.0), Between::constant(1.0));
        close(steady.before.value, 10.0, 1e-9, "a7.steady.input");
        close(steady.after.value, 9.0, 1e-9, "a7.steady.input");
        for (number, wanted) in [
            (1, 1.0),
            (2, 1.9),
            (5, 4.0951),
            (10, 6.513_216),
            (26, 9.353_892),
            (52, 9.958_254),
        ] {
            let level = before_change(ten, mg(0.0), 1.0, number);
            close(level, wanted, 1e-6, "a7.steady.approach");
        }
    }

    /// Rows `a7.steady.trace` and `a7.steady.trace_seq`: a trace used at 5 % a week falls to half under 10 % weekly changes.
    #[test]
    fn routine_changes_cannot_hold_a_trace_that_is_used() {
        let ten = share(10.0);
        let steady = ten.steady_level(mg(1.0), Between::constant(-0.05));
        close(steady.before.value, 0.5, 1e-9, "a7.steady.trace");
        close(steady.after.value, 0.55, 1e-9, "a7.steady.trace");
        for (number, wanted) in [
            (1, 0.95),
            (2, 0.905),
            (5, 0.795_245),
            (10, 0.674_339),
            (26, 0.532_305),
            (52, 0.502_087),
        ] {
            let level = before_change(ten, mg(1.0), -0.05, number);
            close(level, wanted, 1e-6, "a7.steady.trace_seq");
        }
        let worse = ten.steady_level(mg(1.0), Between::constant(-0.2));
        assert!(worse.to_string().contains("cannot be"), "{worse}");
    }

    /// Row `a7.dose_salinity` gives the salt: 0.82708 g/L in 30 days of 200 mL a day into 200 L.
    #[test]
    fn the_doses_move_salinity() {
        let water = (Salinity::STANDARD, Celsius::from_degrees(25.0));
        let tank = TankVolume::from_litres(200.0);
        let month = dosed_water(tank, water, Volume::from_ul(200_000), 30, 0.827_08).unwrap();
        close(month.litres, 6.0, 1e-9, "own arithmetic");
        // 0.82708 / 1.02334 x 35 / 35.16504.
        close(
            month.salinity_level_held.as_practical(),
            35.8044,
            1e-3,
            "own arithmetic",
        );
        close(
            month.salinity_displaced.as_practical(),
            35.8044 * (-0.03_f64).exp(),
            1e-3,
            "own arithmetic",
        );
        assert!(month.to_string().contains("6.00 L"), "{month}");
    }

    #[test]
    fn a_target_the_new_water_cannot_reach_is_refused_with_all_three_levels() {
        let message = share(10.0)
            .changes_to_reach(mg(20.0), mg(2.0), mg(5.0))
            .unwrap_err()
            .to_string();
        assert!(
            message.contains("5.000 mg/L")
                && message.contains("20.0 mg/L")
                && message.contains("2.000 mg/L"),
            "{message}"
        );
        assert!(share_to_reach(mg(20.0), mg(25.0), mg(5.0)).is_err());
        assert!(share_to_reach(mg(20.0), mg(20.0), mg(20.0)).is_err());
        for bad in [0.0, 100.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(ChangeShare::from_percent(bad).is_err(), "{bad}");
        }
    }

    proptest! {
        #[test]
        fn the_count_of_changes_just_reaches_the_target(percent in 1.0..90.0_f64, from in 1.0..100.0_f64, part in 0.01..0.99_f64) {
            let (start, target, new) = (mg(from), mg(from * part), mg(0.0));
            let count = share(percent).changes_to_reach(start, target, new).unwrap();
            prop_assert!(share(percent).level_after(start, new, count).value <= from * part * (1.0 + 1e-6));
            if count > 0 {
                prop_assert!(share(percent).level_after(start, new, count - 1).value > from * part * (1.0 - 1e-6));
            }
        }

        #[test]
        fn no_number_makes_it_panic(a in any::<f64>(), b in any::<f64>(), d in any::<f64>(), ul in any::<i64>(), days in any::<u32>()) {
            let tank = TankVolume::from_litres(a);
            if let Ok(share) = ChangeShare::from_percent(d) {
                prop_assert!(share.changes_to_reach(mg(a), mg(b), mg(d)).map_or_else(|e| !e.to_string().is_empty(), |_| true));
                prop_assert!(!share.steady_level(mg(a), Between::constant(b)).to_string().is_empty());
            }
            if let Ok(left) = left_after_continuous(TankVolume::from_litres(b), tank) {
                prop_assert!((0.0..=1.0).contains(&left));
            }
            let water = (Salinity::from_practical(b), Celsius::from_degrees(d));
            prop_assert!(dosed_water(tank, water, Volume::from_ul(ul), days, a).map_or(true, |w| w.litres >= 0.0));
        }
    }
}
