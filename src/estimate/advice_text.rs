//! The advice in words, for someone with wet hands.

use std::fmt;

use super::advice::{Advice, Cause, LeaveReason, Proposal, TestReason, Trouble};
use super::chart::Direction;

impl fmt::Display for Advice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::LeaveAlone { why } => write!(f, "leave it alone: {why}"),
            Self::Change(proposal) => write!(f, "change {proposal}"),
            Self::TestAgain { why } => write!(f, "test again first: {why}"),
            Self::SomethingWrong { what, cause, .. } => {
                write!(f, "something is wrong: {what}; {cause}")
            }
        }
    }
}

impl fmt::Display for LeaveReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::InsideUncertainty {
                uptake,
                dosed,
                days_until_tight,
            } => {
                write!(
                    f,
                    "{dosed} dosed lie within what the readings can tell; {uptake}"
                )?;
                match days_until_tight {
                    Some(days) => write!(
                        f,
                        "; should the difference stay, it can be told after about {days:.0} more days of readings"
                    ),
                    None => f.write_str("; so small a difference cannot be told with this test"),
                }
            }
            Self::Settling { what, left } => write!(
                f,
                "\"{what}\" was changed and must show its effect first; nothing else is changed for {left}"
            ),
            Self::StepTooSmall { change, smallest } => write!(
                f,
                "the change of {change} a day would be under the smallest step of {smallest}"
            ),
            Self::BeyondCap { wanted, cap } => write!(
                f,
                "{wanted} a day would be needed, over the daily cap of {cap}; use a stronger solution, or think again whether the cap is right"
            ),
        }
    }
}

impl fmt::Display for Proposal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} from {:.1} to {:.1} mL a day ({:.1} to {:.1} mL at 95 %), over {} d",
            self.tracked,
            self.from.as_ml(),
            self.to.as_ml(),
            self.interval.0.as_ml(),
            self.interval.1.as_ml(),
            self.ramp_days
        )?;
        if let Some(factor) = self.factor {
            write!(f, "; lines that follow go along by a factor of {factor:.3}")?;
        }
        write!(f, "; {}", self.cause)
    }
}

impl fmt::Display for TestReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoEstimate(error) => error.fmt(f),
            Self::Stale { age } => write!(f, "the newest reading is {age} old"),
            Self::NewestOutlying => f.write_str(
                "the newest reading does not fit the ones before it; repeat it before anything is changed",
            ),
            Self::MethodsDisagree { plain, robust } => write!(
                f,
                "a reading looks wrong: with all of them uptake is {plain}, with the odd ones set aside {robust}"
            ),
            Self::Drifting { .. } => {
                f.write_str("uptake seems to be moving; more readings will tell to where")
            }
        }
    }
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::UptakeBroke {
                direction,
                before,
                after,
            } => {
                let (verb, hint) = match direction {
                    Direction::Down => (
                        "fell",
                        "look at the animals, and check the test before the dose is lowered",
                    ),
                    Direction::Up => (
                        "rose",
                        "look for precipitation, an empty or weak solution and a pump that delivers less",
                    ),
                };
                write!(f, "uptake {verb} sharply from {before}")?;
                if let Some(after) = after {
                    write!(f, " to about {after}")?;
                }
                write!(f, "; {hint}")
            }
            Self::Negative { uptake } => write!(
                f,
                "more comes in than is dosed ({uptake}); look for another source, a pump that delivers more, or a test that drifts"
            ),
        }
    }
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NothingRecorded => f.write_str("no other change is on record"),
            Self::One(what) => write!(f, "\"{what}\" was changed in that time"),
            Self::CannotTell(all) => write!(
                f,
                "several things were changed in that time ({}), so no cause can be told",
                all.join(", ")
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::estimate::advice::JournalChange;
    use crate::estimate::advice::tests::{advice, days};
    use crate::estimate::uptake::tests::READ;

    #[test]
    fn advice_reads_as_one_plain_sentence_with_units() {
        let change = |day, what: &str| JournalChange {
            settles: true,
            at: days(day),
            what: what.to_owned(),
        };
        let text = advice(
            &READ,
            0.8,
            &[change(3, "new light"), change(4, "new salt")],
            10,
        )
        .to_string();
        assert_eq!(
            text,
            "change alkalinity from 60.5 to 71.8 mL a day (70.2 to 73.4 mL at 95 %), over 3 d; lines that follow go along by a factor of 1.187; several things were changed in that time (new light, new salt), so no cause can be told"
        );
        let text = advice(&READ[..4], 0.8, &[], 3).to_string();
        assert!(
            text.starts_with("leave it alone: 0.8000 dKH/d dosed lie within what the readings can tell; alkalinity uptake 0.9530 dKH/d (0.7606 to 1.145 at 95 %"),
            "{text}"
        );
        assert!(text.contains("after about"), "{text}");
        let text = advice(&READ, 0.8, &[change(7, "new light")], 10).to_string();
        assert_eq!(
            text,
            "leave it alone: \"new light\" was changed and must show its effect first; nothing else is changed for 2 d 00 h"
        );
    }
}
