//! What is wished for, what it comes to, and what confirms it: the types of `proposal.rs`.

use std::fmt;

use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::advised::AdviceChange;
use super::figures::{CourseFigures, DoseFigures, UptakeFigures};
use super::filling::{NewRefill, RefillFigures};
use crate::chemistry::Quantity;
use crate::config::Right;
use crate::estimate::filter::Estimate;
use crate::quantity::{Millis, Name, Volume, Words, positive, said};
use crate::record::{CorridorGrant, DoseKind, UptakeHow};

/// How long a proposal may wait for its confirmation, in real time.
pub(super) const VALID: Millis = Millis::from_secs(60);

/// Something that changes what the water gets.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "wish", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Wish {
    /// A dose by hand.
    Dose {
        line: Name,
        #[serde(rename = "volume_ul", deserialize_with = "positive")]
        volume: Volume,
        /// By hand, priming or calibrating.
        #[serde(deserialize_with = "by_hand")]
        kind: DoseKind,
    },
    /// A run by time.
    Run {
        head: Name,
        #[serde(rename = "run_time_ms")]
        run_time: Millis,
        /// Priming, or a calibration run.
        #[serde(deserialize_with = "by_time")]
        kind: DoseKind,
    },
    /// A course, from the next local day on.
    Course(NewCourse),
    Uptake(NewUptake),
    /// What is advised: an uptake, and a course that brings the level back.
    Advice {
        of: Quantity,
    },
    /// To let the standing addition follow the estimate, so far either way and for so many days.
    Corridor {
        of: Quantity,
        share: f64,
        days: u32,
    },
    /// To undo that: what was in force before, and no corridor.
    CorridorBack {
        of: Quantity,
    },
    /// A bottle filled with another solution.
    Refill(NewRefill),
}

impl Wish {
    pub(super) const fn right(&self) -> Right {
        match self {
            Self::Dose { .. } | Self::Run { .. } => Right::Dose,
            Self::Course(_)
            | Self::Uptake(_)
            | Self::Advice { .. }
            | Self::Corridor { .. }
            | Self::CorridorBack { .. } => Right::Propose,
            Self::Refill(_) => Right::Refill,
        }
    }
}

fn by_hand<'de, D: Deserializer<'de>>(deserializer: D) -> Result<DoseKind, D::Error> {
    match DoseKind::deserialize(deserializer)? {
        DoseKind::Plan => Err(D::Error::custom(
            "a dose of the plan is not asked for; it must be hand, prime or calibration",
        )),
        kind @ (DoseKind::Hand | DoseKind::Prime | DoseKind::Calibration) => Ok(kind),
    }
}

fn by_time<'de, D: Deserializer<'de>>(deserializer: D) -> Result<DoseKind, D::Error> {
    match DoseKind::deserialize(deserializer)? {
        DoseKind::Hand | DoseKind::Plan => Err(D::Error::custom(
            "a run by time is for priming or calibration; a dose is given by volume",
        )),
        kind @ (DoseKind::Prime | DoseKind::Calibration) => Ok(kind),
    }
}

/// Names a proposal: random, so that nobody confirms what they were not shown. 32 hexadecimal digits in writing.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Token(u128);

impl Token {
    pub(super) const fn new(nonce: u128) -> Self {
        Self(nonce)
    }

    /// From 32 hexadecimal digits.
    pub fn from_hex(text: &str) -> Option<Self> {
        let hex = text.len() == 32 && text.bytes().all(|b| b.is_ascii_hexdigit());
        u128::from_str_radix(text, 16)
            .ok()
            .filter(|_| hex)
            .map(Self)
    }
}

said! {
    Token: it => "{:032x}", it.0;
}

/// It is a secret until it is used.
impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token")
    }
}

impl Serialize for Token {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Token {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::from_hex(&text).ok_or_else(|| D::Error::custom("no token that was given out"))
    }
}

/// A wish as it would be put into force.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Proposal {
    pub token: Token,
    /// How long it may be confirmed.
    #[serde(rename = "valid_ms")]
    pub valid: Millis,
    /// As it was understood.
    pub wish: Wish,
    pub figures: Figures,
    /// The same for people, with what else they should know.
    pub text: Vec<String>,
    /// Why the volume must be said again; `None` when it need not be.
    pub ask_twice: Option<String>,
}

/// Every number that a proposal shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "of", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Figures {
    Dose(DoseFigures),
    Course(CourseFigures),
    Uptake(UptakeFigures),
    Advice(Box<AdviceChange>),
    Corridor(CorridorGrant),
    Refill(RefillFigures),
}

impl Figures {
    /// The volume that is said again where that is needed.
    pub(super) const fn volume(&self) -> Option<Volume> {
        match self {
            Self::Dose(dose) => Some(dose.volume),
            Self::Course(_)
            | Self::Uptake(_)
            | Self::Advice(_)
            | Self::Corridor(_)
            | Self::Refill(_) => None,
        }
    }
}

/// The second step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Confirm {
    pub token: Token,
    /// The proposal's figures as they were shown. For a dose its volume may stand for them.
    pub shown: Option<Figures>,
    /// The volume of a dose again; needed where the proposal asks twice.
    #[serde(rename = "repeated_volume_ul")]
    pub repeated_volume: Option<Volume>,
}

impl Confirm {
    /// What whoever confirms must be allowed to do. Whoever says that another thing was shown than was is refused for that.
    pub const fn right(&self) -> Right {
        match &self.shown {
            Some(
                Figures::Course(_) | Figures::Uptake(_) | Figures::Advice(_) | Figures::Corridor(_),
            ) => Right::Propose,
            Some(Figures::Refill(_)) => Right::Refill,
            Some(Figures::Dose(_)) | None => Right::Dose,
        }
    }
}

impl Proposal {
    /// Its confirmation as it was shown.
    pub fn confirm(&self, repeated_volume: Option<Volume>) -> Confirm {
        Confirm {
            token: self.token,
            shown: Some(self.figures.clone()),
            repeated_volume,
        }
    }
}

/// A course as it is asked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewCourse {
    pub what: CourseWish,
    /// In the owner's words.
    pub note: Words,
}

/// Amounts are in the unit of what is changed: dKH, or mg/L for an element.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum CourseWish {
    /// So much in all, negative for less, in equal days of at most so much.
    Change {
        line: Name,
        of: Quantity,
        by: f64,
        at_most_per_day: f64,
    },
    /// So much more a day until the review date.
    TopUp {
        line: Name,
        of: Quantity,
        per_day: f64,
        days: u32,
    },
    /// From one line to another that waits in the plan, at equal effect on one thing.
    Changeover {
        from: Name,
        to: Name,
        of: Quantity,
        days: u32,
    },
}

/// An uptake as it is told or accepted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewUptake {
    pub of: Quantity,
    /// In the quantity's unit.
    pub per_day: f64,
    pub how: UptakeHow,
    /// The owner has been asked about an unlikely one and meant it.
    #[serde(default)]
    pub sure: bool,
}

/// A wish worked out.
#[derive(Debug)]
pub(super) struct Worked {
    pub(super) figures: Figures,
    pub(super) text: Vec<String>,
    pub(super) ask_twice: Option<String>,
    /// A line on which nothing at all may happen in between.
    pub(super) quiet: Option<Name>,
    pub(super) seen: Option<Seen>,
}

/// What an advice was worked out from: its confirmation is held against the same, because the level moves with every dose and minute.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    /// The number of what is told next.
    pub(super) told: i64,
    pub(super) estimate: Estimate,
}

/// A proposal that waits to be confirmed.
#[derive(Debug)]
pub(super) struct Pending {
    pub(super) proposal: Proposal,
    /// A line with its generation.
    pub(super) quiet: Option<(Name, u64)>,
    pub(super) seen: Option<Seen>,
    pub(super) expires: Millis,
}
