//! A warning that a loop would repeat.

use crate::quantity::Millis;

/// The same warning is logged no oftener than this; what was left out is counted.
const AGAIN_AFTER: Millis = Millis::from_mins(1);

/// One kind of warning.
#[derive(Debug, Default)]
pub struct Seldom {
    logged: Option<Millis>,
    unlogged: u64,
}

impl Seldom {
    /// Whether it is to be logged now, and if so how many were not since the last time.
    pub fn now(&mut self, elapsed: Millis) -> Option<u64> {
        if self
            .logged
            .is_some_and(|at| elapsed.minus(at) < AGAIN_AFTER)
        {
            self.unlogged = self.unlogged.saturating_add(1);
            return None;
        }
        self.logged = Some(elapsed);
        Some(std::mem::take(&mut self.unlogged))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_warning_of_one_kind_is_logged_once_a_minute_with_the_number_left_out() {
        let mut warning = Seldom::default();
        assert_eq!(warning.now(Millis::from_secs(5)), Some(0));
        for tenth in 0..500 {
            assert_eq!(warning.now(Millis::new(5_000 + tenth * 100)), None);
        }
        assert_eq!(warning.now(Millis::from_secs(65)), Some(500));
        assert_eq!(warning.now(Millis::from_secs(66)), None);
    }
}
