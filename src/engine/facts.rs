//! The snapshot that the guard is given.

use super::event::Now;
use super::state::{Engine, HeadMemory, LedgerState};
use crate::config::{Blocks, Head, Line, OldCalibration};
use crate::guard::{ClockFact, Facts, InputBlock, LedgerFact};
use crate::metering::{Coverage, Uncovered};
use crate::quantity::{Millis, Name, Volume};

/// A calibration that nobody looked at covers nothing.
const NOT_KNOWN: Coverage = Coverage::Unknown(Uncovered::NoLimits);

impl Engine {
    pub fn hourly_cap(&self, line: &Line) -> Volume {
        self.in_force.busiest_hour().cap(line)
    }

    /// Everything known that bears on a dose of this line; `None` for a name that is no line.
    pub(super) fn facts<'a>(&'a self, line: &Name, now: Now) -> Option<Facts<'a>> {
        let line = self.in_force.line_config(line)?;
        let head = self.controller().heads.get(&line.head)?;
        let reservoir = self.controller().reservoirs.get(&line.reservoir)?;
        let memory = self.heads.get(&line.head);
        Some(Facts {
            line,
            head,
            outlet: self.controller().outlet(&line.name)?,
            reservoirs: &self.controller().reservoirs,
            tank: self.controller().tank,
            holds: self.holds.on(&line.name),
            follows: self.follows_held(&line.name),
            bench: self.benches.facts(&line.head),
            hourly_cap: self.hourly_cap(line),
            window: &self.books.window,
            apart: &self.controller().apart,
            heads_at_once: self.controller().heads_at_once,
            calibration: memory
                .and_then(|m| m.calibration.as_ref())
                .map(|c| &c.calibration),
            coverage: memory
                .and_then(|m| m.coverage.as_ref())
                .unwrap_or(&NOT_KNOWN),
            calibration_expired: self
                .calibration_age_fault(head, now)
                .filter(|_| head.calibration_old == OldCalibration::Block),
            unverified: memory.and_then(HeadMemory::unverified),
            reservoir_left: self.books.left_in(&line.reservoir),
            reservoir_reserve: reservoir.reserve,
            ledger: match &self.ledger {
                LedgerState::Writable => LedgerFact::Writable,
                LedgerState::NotWritable { why } | LedgerState::Unread { why } => {
                    LedgerFact::NotWritable(why)
                }
            },
            clock: self
                .clock
                .unsure
                .as_deref()
                .map_or(ClockFact::Trusted, ClockFact::Unsure),
            inputs: self.input_blocks(line),
            water: self.water_facts(now),
            permit_valid: self.controller().times.permit_valid,
        })
    }

    /// Why a head's calibration is old, if it is: by days since it was made, or by run hours.
    pub(super) fn calibration_age_fault(&self, head: &Head, now: Now) -> Option<String> {
        let memory = self.heads.get(&head.name)?;
        let stored = memory.calibration.as_ref()?;
        let age = Millis::new(
            now.wall
                .as_millisecond()
                .saturating_sub(stored.at.wall.as_millisecond()),
        );
        if age > head.calibration_age_max {
            return Some(format!(
                "its calibration is {age} old, over {}",
                head.calibration_age_max
            ));
        }
        let run = memory.run_since;
        (run > head.calibration_run_max).then(|| {
            format!(
                "it has run {run} since its calibration, over {}",
                head.calibration_run_max
            )
        })
    }

    /// Why a head has no calibration, if that is because it is driven at another speed than then.
    pub(super) fn calibration_speed_fault(&self, head: &Head) -> Option<String> {
        let memory = self.heads.get(&head.name)?;
        let then = memory.other_speed.as_ref()?;
        let then = if then.is_empty() { "otherwise" } else { then };
        memory.calibration.is_none().then(|| {
            format!(
                "its calibration does not count, as it was made with the head driven {then}, and it is driven {} now",
                head.output.speed()
            )
        })
    }

    pub(super) fn input_blocks(&self, line: &Line) -> Vec<InputBlock> {
        let mut blocks: Vec<InputBlock> = self
            .controller()
            .inputs
            .values()
            .filter(|input| match &input.blocks {
                Blocks::All => true,
                Blocks::Lines(lines) => lines.contains(&line.name),
            })
            .filter_map(|input| self.inputs.block(input, self.clock.last.elapsed))
            .collect();
        if self.inputs.under_voltage() {
            let says =
                "the board's supply is too low; check the power supply and its cable".to_owned();
            blocks.push(InputBlock {
                input: "under-voltage".to_owned(),
                says,
                until: None,
            });
        }
        blocks
    }
}
