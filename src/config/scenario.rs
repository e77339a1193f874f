//! A scenario: everything of a rehearsal that is not the plan. Its keys stand in `scenario_keys.rs`, explained in
//! `config/scenarios/as-planned.toml`.

use std::collections::BTreeMap;

use super::load::or_unknown;
use super::mistake::{ConfigMistakes, Purpose, Sink};
use super::raw;
use super::scenario_fault::{Fault, fault};
use super::scenario_keys as keys;
use super::schema::{Number, Of};
use super::tree::RawTable;
use crate::chemistry::{Quantity, Unit};

/// What the animals, the kits, the heads and the owner do.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    water: BTreeMap<Quantity, TrueWater>,
    pub heads: TrueHeads,
    pub owner: Owner,
    pub faults: Vec<Fault>,
}

/// One quantity of the model tank, in its own unit. Parts are of the uptake that the plan takes it for.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueWater {
    /// Where it begins; at its target when absent.
    pub start: Option<f64>,
    pub uptake: TrueUptake,
    pub kit: Kit,
}

#[derive(Debug, Clone, PartialEq)]
pub struct TrueUptake {
    pub part: f64,
    pub growth_per_day: f64,
    /// From which day on, and by what part more.
    pub steps: Vec<(f64, f64)>,
    pub wave: f64,
    pub wave_days: f64,
    /// Standard deviation of a normal step each day.
    pub wander_per_day: f64,
}

/// A test kit and who uses it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kit {
    /// No test when zero.
    pub every_days: i64,
    /// Standard error of one test.
    pub error: f64,
    /// What it is read to.
    pub step: f64,
    pub bias: f64,
    /// Standard deviation of the change of the bias in 30 days.
    pub bias_wander: f64,
    pub slip_share: f64,
    /// How far a slip is off, either way.
    pub slip: f64,
    pub missed_share: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrueHeads {
    /// Part by which the rate changes in 30 days.
    pub drift: f64,
    /// Coefficient of variation of a run; that of each simulated head when absent.
    pub scatter: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Owner {
    pub kind: OwnerKind,
    /// Local hour at which the owner is there.
    pub hour: i8,
    /// How long after the warning of a low bottle it is filled.
    pub refills_after_days: f64,
    /// Whether a head whose calibration is old is calibrated.
    pub calibrates: bool,
    /// First day away and the first day back.
    pub away: Option<(i64, i64)>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OwnerKind {
    /// Accepts what is advised after each test.
    FollowsAdvice,
    /// So, and grants a corridor of 10 % for 60 days whenever there is none.
    GrantsCorridor,
    ChangesNothing,
    /// Has each test put right with a course to the target.
    ChasesTests,
}

impl Scenario {
    /// What a scenario says of a quantity, or what holds where it says nothing.
    pub fn of(&self, of: &Quantity) -> TrueWater {
        self.water
            .get(of)
            .cloned()
            .unwrap_or_else(|| water(of, &raw::defaults(keys::water(of.unit()))))
    }

    pub fn names(&self, of: &Quantity) -> bool {
        self.water.contains_key(of)
    }

    /// Reads the text of a scenario, given as (shown name, text). Pure.
    ///
    /// # Errors
    /// All mistakes, each with its place.
    pub fn read((name, text): (&str, &str)) -> Result<Self, ConfigMistakes> {
        let sink = Sink::new(name, text);
        let built = raw::read(text, &keys::scenario::SECTION, &sink).and_then(|raw| build(&raw));
        let (mistakes, _) = sink.finish();
        match built {
            Some(scenario) if mistakes.is_empty() => Ok(scenario),
            _ => Err(ConfigMistakes {
                mistakes: or_unknown(mistakes, name),
                purpose: Purpose::Start,
            }),
        }
    }
}

fn build(raw: &RawTable) -> Option<Scenario> {
    // All of them are looked at, so that all mistakes are told.
    let faults: Vec<Option<Fault>> = raw.list(keys::scenario::FAULT).iter().map(fault).collect();
    let tables = raw.named(keys::scenario::WATER).iter();
    let each = tables.map(|(name, table)| {
        let of = Quantity::from_word(name)?;
        let water = water(&of, table);
        Some((of, water))
    });
    let heads = raw::defaults(&keys::heads::SECTION);
    let heads = raw.table(keys::scenario::HEADS).unwrap_or(&heads);
    let owner = raw::defaults(&keys::owner::SECTION);
    let owner = raw.table(keys::scenario::OWNER).unwrap_or(&owner);
    Some(Scenario {
        water: each.collect::<Option<_>>()?,
        heads: TrueHeads {
            drift: part(heads, keys::heads::DRIFT_PERCENT_PER_30_DAYS),
            scatter: heads
                .number(keys::heads::SCATTER_PERCENT)
                .map(|p| p / 100.0),
        },
        owner: owner_of(owner)?,
        faults: faults.into_iter().collect::<Option<_>>()?,
    })
}

fn owner_of(raw: &RawTable) -> Option<Owner> {
    let away: Option<i64> = raw.whole(keys::owner::AWAY_FROM_DAY);
    let days: i64 = raw.whole(keys::owner::AWAY_DAYS)?;
    Some(Owner {
        kind: match raw.text(keys::owner::KIND)? {
            keys::CHASES_TESTS => OwnerKind::ChasesTests,
            keys::CHANGES_NOTHING => OwnerKind::ChangesNothing,
            keys::GRANTS_CORRIDOR => OwnerKind::GrantsCorridor,
            _ => OwnerKind::FollowsAdvice,
        },
        hour: raw.whole(keys::owner::HOUR)?,
        refills_after_days: raw.number(keys::owner::REFILLS_AFTER_DAYS)?,
        calibrates: raw.flag(keys::owner::CALIBRATES)?,
        away: away.map(|from| (from, from.saturating_add(days))),
    })
}

/// A percentage as a part; a value that was wrong is reported already.
fn part(raw: &RawTable, key: Of<Number>) -> f64 {
    raw.number(key).unwrap_or_default() / 100.0
}

fn water(of: &Quantity, raw: &RawTable) -> TrueWater {
    use keys::alkalinity as all;
    let number = |key: fn(Unit) -> Of<Number>| raw.number(key(of.unit()));
    let set = |key| number(key).unwrap_or_default();
    let steps = raw.list(all::UPTAKE_STEP).iter().filter_map(|step| {
        Some((
            step.number(keys::step::DAY)?,
            part(step, keys::step::PERCENT),
        ))
    });
    TrueWater {
        start: number(keys::start),
        uptake: TrueUptake {
            part: part(raw, all::UPTAKE_PERCENT_OF_PLAN),
            growth_per_day: part(raw, all::UPTAKE_GROWTH_PERCENT_PER_DAY),
            steps: steps.collect(),
            wave: part(raw, all::UPTAKE_WAVE_PERCENT),
            wave_days: raw.number(all::UPTAKE_WAVE_DAYS).unwrap_or(1.0),
            wander_per_day: part(raw, all::UPTAKE_WANDER_PERCENT_PER_DAY),
        },
        kit: Kit {
            every_days: raw.whole(all::TEST_EVERY_DAYS).unwrap_or_default(),
            error: set(keys::test_error),
            step: set(keys::test_step),
            bias: set(keys::test_bias),
            bias_wander: set(keys::test_bias_wander),
            slip_share: part(raw, all::TEST_SLIP_PERCENT),
            slip: set(keys::test_slip),
            missed_share: part(raw, all::TEST_MISSED_PERCENT),
        },
    }
}
