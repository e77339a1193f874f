//! What to do about an estimate of uptake: leave it alone, change the dose, test again, or look for what is wrong.
//!
//! Terms: the *settling time* is how long after a change nothing else is changed, so that its effect can be seen; the *lead line* is the
//! line whose volume is spoken of. The rule is conservative on purpose: a dose is only changed when the uptake differs from it by more than the
//! readings can be wrong. This proposes and never applies; limits, caps and the ramp are enforced elsewhere whatever is said here.

use thiserror::Error;

use super::chart::Direction;
use super::uptake::{Tracked, Uptake, UptakeError};
use crate::chemistry::figures;
use crate::quantity::{Millis, Volume, i64_from_f64};

/// A break in uptake by more than this part of what it was before is called sharp. Our rule.
const SHARP_PART: f64 = 0.25;

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dosing {
    /// What the plan adds a day by all lines together, in the unit of what is tracked.
    pub per_day: f64,
    pub volume: Volume,
    /// What 1 mL of the lead line adds, same unit.
    pub rise_per_ml: f64,
    /// Smallest change of the daily volume that can be metered.
    pub smallest_step: Volume,
    pub cap: Volume,
    /// Most by which the daily addition may change from one day to the next, same unit.
    pub step_per_day_max: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Patience {
    /// Settling time after a change. 3 to 7 days are common practice (row `a8.cp.retest`).
    pub settling: Millis,
    /// Age at which the newest reading no longer stands for the tank.
    pub stale_after: Millis,
}

/// One entry of the change journal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JournalChange {
    pub at: Millis,
    /// What, in the owner's words.
    pub what: String,
    /// Whether its effect must show before anything else is changed; not so for a water change, which the estimate counts.
    pub settles: bool,
}

/// Why no advice can be given at all.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum AdviceError {
    #[error(
        "{what} is {value}, which cannot be; check the plan and the solution before advice is asked"
    )]
    Dosing { what: &'static str, value: f64 },
}

#[derive(Debug, Clone, PartialEq)]
pub enum Advice {
    LeaveAlone {
        why: LeaveReason,
    },
    /// Change the daily volume of the lead line.
    Change(Proposal),
    TestAgain {
        why: TestReason,
    },
    /// Something other than a slow change of uptake is going on.
    SomethingWrong {
        what: Trouble,
        /// Since when, where that can be told.
        since: Option<Millis>,
        /// What may have caused it.
        cause: Cause,
    },
}

#[derive(Debug, Clone, PartialEq)]
pub enum LeaveReason {
    /// The dose lies within what the readings cannot tell apart from the uptake.
    InsideUncertainty {
        /// The estimate, for its numbers.
        uptake: String,
        dosed: String,
        /// Days of further readings until the difference could be told, if 60 are enough.
        days_until_tight: Option<f64>,
    },
    /// A change was made and has not shown its effect yet.
    Settling { what: String, left: Millis },
    /// The change would be smaller than can be metered.
    StepTooSmall { change: Volume, smallest: Volume },
    /// The wanted volume is over the daily cap: the solution is too weak or the cap too low.
    BeyondCap { wanted: Volume, cap: Volume },
}

#[derive(Debug, Clone, PartialEq)]
pub struct Proposal {
    pub tracked: Tracked,
    pub from: Volume,
    pub to: Volume,
    /// 95 % interval of the proposed volume.
    pub interval: (Volume, Volume),
    /// Days over which the change is ramped.
    pub ramp_days: u32,
    /// What following lines are to be multiplied by; `None` when nothing is dosed now.
    pub factor: Option<f64>,
    /// What may have changed the uptake.
    pub cause: Cause,
}

#[derive(Debug, Clone, PartialEq)]
pub enum TestReason {
    NoEstimate(UptakeError),
    Stale {
        age: Millis,
    },
    /// The newest reading does not fit the others.
    NewestOutlying,
    /// Least squares and the robust line differ by more than twice the standard error.
    MethodsDisagree {
        /// Least squares, with unit.
        plain: String,
        robust: String,
    },
    /// Uptake seems to be moving, but not sharply.
    Drifting {
        since: Millis,
    },
}

#[derive(Debug, Clone, PartialEq)]
pub enum Trouble {
    UptakeBroke {
        direction: Direction,
        before: String,
        /// Since, with unit, when enough readings tell.
        after: Option<String>,
    },
    /// More comes in than is dosed: the whole interval of the uptake is below zero.
    Negative { uptake: String },
}

/// What the change journal says about causes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Cause {
    NothingRecorded,
    One(String),
    /// Several were, so no cause can be told.
    CannotTell(Vec<String>),
}

/// The advice on an estimate.
///
/// Order: no estimate or a stale one, then a newest reading that does not fit, then a sharp break (which no settling time silences), then the settling time, then
/// whether the difference is real, meterable and within the cap.
///
/// # Errors
/// [`AdviceError`] when the numbers of the dosing make no sense.
pub fn advise(
    estimate: Result<&Uptake, &UptakeError>,
    dosing: &Dosing,
    journal: &[JournalChange],
    patience: Patience,
    now: Millis,
) -> Result<Advice, AdviceError> {
    check(dosing)?;
    let uptake = match estimate {
        Ok(uptake) => uptake,
        Err(error) => return Ok(test_again(TestReason::NoEstimate(error.clone()))),
    };
    let age = now.minus(uptake.newest);
    if age > patience.stale_after {
        return Ok(test_again(TestReason::Stale { age }));
    }
    if uptake.outliers.contains(&uptake.readings.saturating_sub(1)) && uptake.drift.is_none() {
        return Ok(test_again(TestReason::NewestOutlying));
    }
    if let Some(advice) = trouble(uptake, journal, patience, now) {
        return Ok(advice);
    }
    let newest_change = journal
        .iter()
        .filter(|c| c.settles && c.at <= now)
        .max_by_key(|c| c.at);
    if let Some(change) = newest_change {
        let left = patience.settling.minus(now.minus(change.at));
        if left > Millis::ZERO {
            let what = change.what.clone();
            return Ok(leave(LeaveReason::Settling { what, left }));
        }
    }
    if uptake.methods_disagree() {
        return Ok(test_again(TestReason::MethodsDisagree {
            plain: with_unit(uptake.per_day, uptake),
            robust: with_unit(uptake.robust_per_day, uptake),
        }));
    }
    Ok(propose(uptake, dosing, cause(journal, uptake.first, now)))
}

fn check(dosing: &Dosing) -> Result<(), AdviceError> {
    let volumes = dosing.volume.min(dosing.cap).min(dosing.smallest_step);
    for (what, value, good) in [
        (
            "the daily addition of the plan",
            dosing.per_day,
            dosing.per_day >= 0.0,
        ),
        (
            "what 1 mL adds",
            dosing.rise_per_ml,
            dosing.rise_per_ml > 0.0,
        ),
        (
            "the largest change of the daily addition from day to day",
            dosing.step_per_day_max,
            dosing.step_per_day_max > 0.0,
        ),
        (
            "the smallest of daily volume, cap and step in mL",
            volumes.as_ml(),
            volumes >= Volume::ZERO,
        ),
    ] {
        if !(good && value.is_finite()) {
            return Err(AdviceError::Dosing { what, value });
        }
    }
    Ok(())
}

fn trouble(
    uptake: &Uptake,
    journal: &[JournalChange],
    patience: Patience,
    now: Millis,
) -> Option<Advice> {
    if let Some(drift) = uptake.drift {
        let sharp = drift
            .after
            .is_none_or(|after| (after - drift.before).abs() > SHARP_PART * drift.before.abs());
        if !sharp {
            return Some(test_again(TestReason::Drifting { since: drift.since }));
        }
        return Some(Advice::SomethingWrong {
            what: Trouble::UptakeBroke {
                direction: drift.uptake,
                before: with_unit(drift.before, uptake),
                after: drift.after.map(|after| with_unit(after, uptake)),
            },
            since: Some(drift.since),
            cause: cause(journal, drift.since.minus(patience.settling), now),
        });
    }
    (uptake.high < 0.0).then(|| Advice::SomethingWrong {
        what: Trouble::Negative {
            uptake: uptake.to_string(),
        },
        since: None,
        cause: cause(journal, uptake.first.minus(patience.settling), now),
    })
}

fn propose(uptake: &Uptake, dosing: &Dosing, cause: Cause) -> Advice {
    let difference = uptake.per_day - dosing.per_day;
    if difference.abs() <= uptake.half_width() {
        let interval_days = uptake.mean_interval_days();
        return leave(LeaveReason::InsideUncertainty {
            uptake: uptake.to_string(),
            dosed: with_unit(dosing.per_day, uptake),
            days_until_tight: uptake.days_until(difference.abs(), interval_days),
        });
    }
    let volume_for = |per_day: f64| {
        let ml = dosing.volume.as_ml() + (per_day - dosing.per_day) / dosing.rise_per_ml;
        Volume::from_ml(ml)
            .unwrap_or(Volume::from_ul(i64::MAX))
            .or_zero()
    };
    let wanted = volume_for(uptake.per_day);
    let change = wanted.saturating_sub(dosing.volume);
    let size = change.max(dosing.volume.saturating_sub(wanted));
    if size < dosing.smallest_step {
        let smallest = dosing.smallest_step;
        return leave(LeaveReason::StepTooSmall { change, smallest });
    }
    if wanted > dosing.cap {
        let cap = dosing.cap;
        return leave(LeaveReason::BeyondCap { wanted, cap });
    }
    let ramp = i64_from_f64((difference.abs() / dosing.step_per_day_max - 1e-9).ceil());
    let from_ml = dosing.volume.as_ml();
    Advice::Change(Proposal {
        tracked: uptake.tracked.clone(),
        from: dosing.volume,
        to: wanted,
        interval: (volume_for(uptake.low), volume_for(uptake.high)),
        ramp_days: ramp
            .and_then(|days| u32::try_from(days).ok())
            .map_or(u32::MAX, |d| d.max(1)),
        factor: (from_ml > 0.0).then(|| wanted.as_ml() / from_ml),
        cause,
    })
}

/// What was changed from `from` to `now`.
fn cause(journal: &[JournalChange], from: Millis, now: Millis) -> Cause {
    let mut all: Vec<String> = journal
        .iter()
        .filter(|change| from <= change.at && change.at <= now)
        .map(|change| change.what.clone())
        .collect();
    if all.len() > 1 {
        return Cause::CannotTell(all);
    }
    all.pop().map_or(Cause::NothingRecorded, Cause::One)
}

fn with_unit(per_day: f64, uptake: &Uptake) -> String {
    format!("{} {}/d", figures(per_day), uptake.tracked.unit())
}

const fn leave(why: LeaveReason) -> Advice {
    Advice::LeaveAlone { why }
}

const fn test_again(why: TestReason) -> Advice {
    Advice::TestAgain { why }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::estimate::uptake::tests::{READ, doses, readings};
    use proptest::prelude::*;

    pub(in crate::estimate) fn days(value: i64) -> Millis {
        Millis::new(value * Millis::DAY.as_ms())
    }

    const PATIENCE: Patience = Patience {
        settling: Millis::new(5 * 86_400_000),
        stale_after: Millis::new(4 * 86_400_000),
    };

    /// 60.5 mL a day of 50 g/L soda in 200 L carry the 0.8 dKH/d of the worked series.
    fn dosing(per_day: f64) -> Dosing {
        let rise_per_ml = 0.013_227_27;
        Dosing {
            per_day,
            volume: Volume::from_ml(per_day / rise_per_ml).unwrap(),
            rise_per_ml,
            smallest_step: Volume::from_ul(100),
            cap: Volume::from_ul(150_000),
            step_per_day_max: 0.05,
        }
    }

    fn uptake(values: &[f64], per_day: f64) -> Uptake {
        let additions = doses(per_day, 30);
        Uptake::estimate(Tracked::Alkalinity, &readings(values, 0.1), &additions).unwrap()
    }

    fn at(day: i64, what: &str) -> JournalChange {
        JournalChange {
            at: days(day),
            what: what.to_owned(),
            settles: true,
        }
    }

    pub(in crate::estimate) fn advice(
        values: &[f64],
        per_day: f64,
        journal: &[JournalChange],
        now: i64,
    ) -> Advice {
        advise(
            Ok(&uptake(values, per_day)),
            &dosing(per_day),
            journal,
            PATIENCE,
            days(now),
        )
        .unwrap()
    }

    /// Row `a6.decide.change`: eleven readings, kit 0.10 dKH, dose 0.80: a change to 0.9498 dKH/d is justified.
    #[test]
    fn a_real_difference_is_proposed_with_its_interval_and_ramp() {
        let Advice::Change(proposal) = advice(&READ, 0.8, &[], 10) else {
            panic!("{:?}", advice(&READ, 0.8, &[], 10));
        };
        let per_ml = 0.013_227_27;
        assert!(
            (proposal.to.as_ml() * per_ml - 0.949_818_2).abs() < 1e-4,
            "{proposal:?}"
        );
        let half = 2.262_157 * 0.009_534_626;
        assert!((proposal.interval.0.as_ml() * per_ml - (0.949_818_2 - half)).abs() < 1e-4);
        assert!((proposal.interval.1.as_ml() * per_ml - (0.949_818_2 + half)).abs() < 1e-4);
        // 0.1498 dKH/d in steps of 0.05.
        assert_eq!(proposal.ramp_days, 3);
        assert!((proposal.factor.unwrap() - 0.949_818_2 / 0.8).abs() < 1e-4);
        assert_eq!(proposal.cause, Cause::NothingRecorded);
    }

    /// Row `a6.decide.hold`: the first four readings alone, same rule: hold.
    #[test]
    fn a_difference_inside_the_uncertainty_is_left_alone() {
        let held = advice(&READ[..4], 0.8, &[], 3);
        let Advice::LeaveAlone {
            why: LeaveReason::InsideUncertainty {
                days_until_tight, ..
            },
        } = held
        else {
            panic!("{held:?}");
        };
        let more = days_until_tight.unwrap();
        assert!((1.0..=3.0).contains(&more), "{more}");
    }

    #[test]
    fn nothing_is_changed_twice_within_the_settling_time() {
        let held = advice(&READ, 0.8, &[at(2, "old"), at(7, "new light")], 10);
        assert_eq!(
            held,
            Advice::LeaveAlone {
                why: LeaveReason::Settling {
                    what: "new light".to_owned(),
                    left: days(2)
                }
            }
        );
        assert!(matches!(
            advice(&READ, 0.8, &[at(5, "new light")], 10),
            Advice::Change(_)
        ));
        assert!(matches!(
            advice(&READ, 0.8, &[at(90, "typo in the date")], 10),
            Advice::Change(_)
        ));
    }

    #[test]
    fn a_water_change_need_not_settle_but_may_be_the_cause() {
        let water = JournalChange {
            settles: false,
            ..at(8, "water change")
        };
        let Advice::Change(proposal) = advice(&READ, 0.8, &[water], 10) else {
            panic!("no change");
        };
        assert_eq!(proposal.cause, Cause::One("water change".to_owned()));
    }

    #[test]
    fn with_several_changes_no_cause_is_told() {
        let Advice::Change(one) =
            advice(&READ, 0.8, &[at(-20, "long ago"), at(3, "new light")], 10)
        else {
            panic!("no change");
        };
        assert_eq!(one.cause, Cause::One("new light".to_owned()));
        let Advice::Change(two) = advice(&READ, 0.8, &[at(3, "new light"), at(4, "new salt")], 10)
        else {
            panic!("no change");
        };
        assert!(matches!(two.cause, Cause::CannotTell(all) if all.len() == 2));
    }

    fn broken() -> Vec<f64> {
        (0..14)
            .map(f64::from)
            .map(|x| 8.0 + 0.65 * (x - 7.0).max(0.0))
            .collect()
    }

    #[test]
    fn a_sharp_fall_of_uptake_is_something_wrong_even_while_settling() {
        let advice = advice(&broken(), 0.95, &[at(8, "carbon changed")], 13);
        let Advice::SomethingWrong { what, since, cause } = advice else {
            panic!("{advice:?}");
        };
        assert!(matches!(
            what,
            Trouble::UptakeBroke {
                direction: Direction::Down,
                ..
            }
        ));
        assert!((7.9..=9.1).contains(&since.unwrap().as_days()), "{since:?}");
        assert_eq!(cause, Cause::One("carbon changed".to_owned()));
    }

    #[test]
    fn alkalinity_that_rises_without_a_dose_is_something_wrong() {
        let rising: Vec<f64> = (0..8).map(f64::from).map(|x| 7.0 + 0.2 * x).collect();
        let advice = advice(&rising, 0.0, &[], 7);
        assert!(
            matches!(
                advice,
                Advice::SomethingWrong {
                    what: Trouble::Negative { .. },
                    ..
                }
            ),
            "{advice:?}"
        );
    }

    #[test]
    fn old_odd_or_missing_readings_are_tested_again() {
        let stale = advice(&READ, 0.8, &[], 15);
        assert!(
            matches!(stale, Advice::TestAgain { why: TestReason::Stale { age } } if age == days(5)),
            "{stale:?}"
        );
        let mut values = READ;
        values[10] += 1.5;
        let odd = advice(&values, 0.8, &[], 10);
        assert_eq!(
            odd,
            Advice::TestAgain {
                why: TestReason::NewestOutlying
            }
        );
        let error = UptakeError::TooFew { have: 2 };
        let none = advise(Err(&error), &dosing(0.8), &[], PATIENCE, days(1)).unwrap();
        assert_eq!(
            none,
            Advice::TestAgain {
                why: TestReason::NoEstimate(error)
            }
        );
    }

    #[test]
    fn what_cannot_be_metered_or_is_over_the_cap_is_left_alone() {
        let found = uptake(&READ, 0.8);
        let coarse = Dosing {
            smallest_step: Volume::from_ul(20_000),
            ..dosing(0.8)
        };
        let advice = advise(Ok(&found), &coarse, &[], PATIENCE, days(10)).unwrap();
        assert!(
            matches!(
                advice,
                Advice::LeaveAlone {
                    why: LeaveReason::StepTooSmall { .. }
                }
            ),
            "{advice:?}"
        );
        let capped = Dosing {
            cap: Volume::from_ul(70_000),
            ..dosing(0.8)
        };
        let advice = advise(Ok(&found), &capped, &[], PATIENCE, days(10)).unwrap();
        assert!(
            matches!(
                advice,
                Advice::LeaveAlone {
                    why: LeaveReason::BeyondCap { .. }
                }
            ),
            "{advice:?}"
        );
    }

    #[test]
    fn a_falling_uptake_lowers_the_dose() {
        let Advice::Change(proposal) = advice(&READ, 1.2, &[], 10) else {
            // With 1.2 dKH/d dosed the same readings mean an uptake of 1.35.
            panic!("no change");
        };
        assert!(proposal.to > proposal.from);
        let rising: Vec<f64> = (0..11).map(f64::from).map(|x| 8.0 + 0.1 * x).collect();
        let Advice::Change(lower) = advice(&rising, 1.0, &[], 10) else {
            panic!("no change");
        };
        assert!(
            lower.to < lower.from && (lower.factor.unwrap() - 0.9).abs() < 1e-3,
            "{lower:?}"
        );
    }

    proptest! {
        #[test]
        fn no_number_makes_advice_panic(per_day in any::<f64>(), rise in any::<f64>(), step in any::<f64>(), volume in any::<i64>(), cap in any::<i64>(), now in any::<i64>(), settle in any::<i64>()) {
            let odd = Dosing {
                per_day,
                volume: Volume::from_ul(volume),
                rise_per_ml: rise,
                smallest_step: Volume::from_ul(1),
                cap: Volume::from_ul(cap),
                step_per_day_max: step,
            };
            let patience = Patience { settling: Millis::new(settle), stale_after: Millis::MAX };
            for dosing in [odd, Dosing { cap: Volume::from_ul(i64::MAX), ..dosing(0.8) }, Dosing { rise_per_ml: rise, ..dosing(0.8) }] {
                let told = advise(Ok(&uptake(&READ, 0.8)), &dosing, &[at(3, "x")], patience, Millis::new(now));
                prop_assert!(told.map_or_else(|e| !e.to_string().is_empty(), |a| !a.to_string().is_empty()));
            }
        }
    }
}
