//! A quantity by day, in plain characters for any terminal.

use std::fmt::Write;

use super::found::WaterFound;
use crate::quantity::{f64_from_usize, i64_from_f64};

const ROWS: usize = 14;
const COLUMNS: usize = 72;

/// The level of each run has a mark of its own.
pub(super) const MARKS: [char; 2] = ['*', '+'];
const TEST: char = 'o';

struct Grid {
    low: f64,
    high: f64,
    rows: Vec<Vec<char>>,
}

impl Grid {
    fn mark(&mut self, column: usize, value: f64, mark: char) {
        let part = (self.high - value) / (self.high - self.low);
        let row = i64_from_f64(part * f64_from_usize(ROWS.saturating_sub(1)));
        let row = row.and_then(|row| usize::try_from(row).ok());
        let cell = row.and_then(|row| self.rows.get_mut(row)?.get_mut(column));
        if let Some(cell) = cell {
            *cell = mark;
        }
    }

    fn across(&mut self, value: f64, mark: char) {
        for column in (0..COLUMNS).step_by(2) {
            self.mark(column, value, mark);
        }
    }
}

/// The quantity as each run had it.
pub(super) fn plot(runs: &[&WaterFound]) -> String {
    let days = runs.iter().map(|run| run.by_day.len()).max().unwrap_or(0);
    let each = days.div_ceil(COLUMNS).max(1);
    let lines = runs.iter().flat_map(|run| {
        let (low, high) = run.band.unwrap_or((run.target, run.target));
        [low, run.target, high]
    });
    let levels = runs.iter().flat_map(|run| run.by_day.iter().copied());
    let tests = runs.iter().flat_map(|run| run.readings.iter().map(|r| r.1));
    let shown: Vec<f64> = levels.chain(lines).chain(tests).collect();
    let low = shown.iter().copied().fold(f64::INFINITY, f64::min);
    let high = shown.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    // A line that is straight stands in the middle.
    let room = ((high - low) * 0.03).max(high.abs() * 1e-3).max(1e-9);
    let mut grid = Grid {
        low: low - room,
        high: high + room,
        rows: vec![vec![' '; COLUMNS]; ROWS],
    };
    for run in runs {
        if let Some((low, high)) = run.band {
            grid.across(low, '-');
            grid.across(high, '-');
        }
        grid.across(run.target, '.');
    }
    for (day, value) in runs.iter().flat_map(|run| &run.readings) {
        let day = usize::try_from(*day).unwrap_or_default();
        grid.mark(day / each, *value, TEST);
    }
    for (run, mark) in runs.iter().zip(MARKS) {
        for (column, chunk) in run.by_day.chunks(each).enumerate() {
            let mean = chunk.iter().sum::<f64>() / f64_from_usize(chunk.len());
            grid.mark(column, mean, mark);
        }
    }
    printed(&grid, days, each)
}

fn printed(grid: &Grid, days: usize, each: usize) -> String {
    let mut text = String::new();
    let step = (grid.high - grid.low) / f64_from_usize(ROWS.saturating_sub(1));
    for (number, row) in grid.rows.iter().enumerate() {
        let value = grid.high - step * f64_from_usize(number);
        let line: String = row.iter().collect();
        // Writing to a text never fails.
        writeln!(text, "{value:>9.2} |{}", line.trim_end()).ok();
    }
    let last = format!("day {days}");
    let width = days.div_ceil(each).max(last.len().saturating_add(6));
    let room = width.saturating_sub(5);
    writeln!(text, "{:>9}  day 0{last:>room$}", "").ok();
    text
}
