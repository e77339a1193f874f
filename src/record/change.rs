//! What of the change journal is not told by the owner: bottles filled, courses, plans, new tubes and calibrations.

use jiff::Timestamp;

use super::bench::BenchStep;
use super::course::CourseState;
use super::entry::Entry;
use super::refill::Refill;

/// So many of the newest are kept at hand.
pub const CHANGES_MAX: usize = 300;

/// One change, in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    pub at: Timestamp,
    pub what: String,
}

impl Change {
    /// `None` for what changes nothing in the water or in what is given.
    pub fn of(entry: &Entry) -> Option<Self> {
        let what = match entry {
            Entry::Refill(Refill {
                reservoir,
                level,
                solution,
                ..
            }) => {
                format!("bottle {reservoir} filled to {level} of {solution}")
            }
            Entry::Course(course) if course.step == 0 || course.state == CourseState::Ended => {
                course.to_string()
            }
            Entry::Calibration(stored) => format!("head {} calibrated", stored.head),
            Entry::Bench(bench) if bench.what == BenchStep::NewTube => {
                format!("head {} with a new tube", bench.head)
            }
            Entry::Note(note) if note.code == "plan-reloaded" => "another plan.toml".to_owned(),
            Entry::SlotNotGiven(_)
            | Entry::OutageMissed(_)
            | Entry::Hold(_)
            | Entry::Observation(_)
            | Entry::LabColumns(_)
            | Entry::Course(_)
            | Entry::Verification(_)
            | Entry::Bench(_)
            | Entry::Uptake(_)
            | Entry::Corridor(_)
            | Entry::Arming(_)
            | Entry::TakenBack(_)
            | Entry::Forgotten(_)
            | Entry::WrongTime(_)
            | Entry::Note(_) => return None,
        };
        let at = entry.at().wall;
        Some(Self { at, what })
    }
}
