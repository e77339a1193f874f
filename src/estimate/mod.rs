//! Where the water is and what the animals take out of it, from readings, lab panels and doses; and what to do about it.
//!
//! *Uptake* is what the animals take out of the water a day. Every number a person sees carries its unit and its interval.
//! Pure: no tank state, no clock, no file, no randomness. It proposes and never applies; limits are enforced elsewhere.
//!
//! | question | where |
//! |---|---|
//! | level, uptake and trend | [`state`] (one belief), `bank` (kinds of tank), `event`, [`filter`] (from events to the estimate) |
//! | leave alone, change, test | [`policy`] |
//! | an uptake to begin with | `beginning` |
//! | lab panels | `panel`, `balance`, `trend` |

mod balance;
mod bank;
mod beginning;
mod event;
pub mod filter;
mod panel;
pub mod policy;
pub mod state;
mod trend;

pub use balance::{Account, Corrosion, Verdict, after_changes, corrosion};
pub use beginning::{Beginning, BeginningError, Fall};
pub use panel::{
    Band, Comparison, Finding, Natural, PanelError, PanelUnit, SafeCourse, Well, lab_uncertainty,
    safe_course,
};
pub use trend::{REPORTS_MIN, Sampled, Trend};
