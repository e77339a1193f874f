//! What the guard is told.

use std::collections::BTreeMap;

use super::allowance::WaterFacts;
use super::window::DoseWindow;
use crate::chemistry::Quantity;
use crate::config::{ApartRule, Head, Line, Outlet, Reservoir};
use crate::metering::{Calibration, Coverage};
use crate::quantity::{Millis, Name, TankVolume, Volume};
use crate::record::{Destination, DoseId, DoseKind, Hold};

/// A dose that is wanted.
#[derive(Debug, Clone, Copy)]
pub struct Request<'a> {
    /// The number it will have.
    pub id: DoseId,
    pub line: &'a Name,
    pub volume: Volume,
    pub kind: DoseKind,
    /// For a run that is bounded by time: how long. Then `volume` is the most that it can give, and no calibration is needed.
    pub timed: Option<Millis>,
    pub into: Destination,
}

impl Request<'_> {
    /// Whether it is a run at the bench, which none of the tank's limits is for. What the plan gives into a bucket is rehearsed within
    /// its caps.
    pub(super) const fn is_bench_run(&self) -> bool {
        matches!(
            (self.into, self.kind),
            (Destination::Bench, DoseKind::Prime | DoseKind::Calibration)
        )
    }
}

/// Everything known that bears on a request, about one line.
#[derive(Debug)]
pub struct Facts<'a> {
    pub line: &'a Line,
    pub head: &'a Head,
    /// What leaves its outlet.
    pub outlet: Outlet<'a>,
    /// What each bottle may hold.
    pub reservoirs: &'a BTreeMap<Name, Reservoir>,
    pub tank: TankVolume,
    /// Holds that stop this line, its own or of all.
    pub holds: Vec<&'a Hold>,
    /// What it goes by is on hold.
    pub follows: Option<Follows<'a>>,
    /// The session at the bench that its head is in.
    pub bench: Option<BenchFacts>,
    /// Most of the line in any hour.
    pub hourly_cap: Volume,
    /// Doses of all lines that may still count.
    pub window: &'a DoseWindow,
    pub apart: &'a [ApartRule],
    /// Heads the supply can run together.
    pub heads_at_once: u32,
    /// The head's calibration, if it has one.
    pub calibration: Option<&'a Calibration>,
    /// Which doses that calibration covers.
    pub coverage: &'a Coverage,
    /// Why the calibration is too old to be used; `None` when it is not, or is only warned about.
    pub calibration_expired: Option<String>,
    /// Why nothing is given until a run was checked; `None` when that is not so.
    pub unverified: Option<&'a str>,
    /// Content of the bottle by the books; `None` when nobody has told.
    pub reservoir_left: Option<Volume>,
    /// What is never pumped.
    pub reservoir_reserve: Volume,
    /// Whether doses can be recorded.
    pub ledger: LedgerFact<'a>,
    /// Whether the clock is trusted.
    pub clock: ClockFact<'a>,
    /// Contacts and flags that block this line.
    pub inputs: Vec<InputBlock>,
    /// Limits, uptake and prediction of every quantity that has limits.
    pub water: BTreeMap<Quantity, WaterFacts>,
    /// How long a permit is valid.
    pub permit_valid: Millis,
}

/// A session at the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BenchFacts {
    /// The most that its runs may give together.
    pub cap: Volume,
    /// What its runs that are over gave.
    pub given: Volume,
    /// Nobody knows where the outlet is.
    pub silent: bool,
    /// Holds of the line are from before its outlet came out of the tank.
    pub runs_on_hold: bool,
}

/// The greater part of a quantity that a line goes by is on hold.
#[derive(Debug, Clone, PartialEq)]
pub struct Follows<'a> {
    pub of: Quantity,
    /// The line that gives most of it.
    pub lead: &'a Name,
    pub hold: &'a Hold,
}

/// Whether doses can be recorded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LedgerFact<'a> {
    /// The last write worked and nothing waits.
    Writable,
    /// Doses cannot be recorded, for this reason.
    NotWritable(&'a str),
}

/// Whether the clock is trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ClockFact<'a> {
    /// The wall clock is known to be set.
    Trusted,
    /// It is not, for this reason.
    Unsure(&'a str),
}

/// A contact or flag that blocks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputBlock {
    pub input: String,
    /// What it says, in words.
    pub says: String,
    /// When it will no longer block, when that is known (a wait after it cleared).
    pub until: Option<Millis>,
}
