//! Pauses between attempts to connect: doubling, bounded, spread.

use std::time::Duration;

/// Parts of a million in one whole.
const WHOLE: u64 = 1_000_000;

/// A doubling pause with a spread of a quarter either way, so that a house of controllers does not come back in step.
#[derive(Debug)]
pub(super) struct BackOff {
    max: Duration,
    next: Duration,
    random: SplitMix,
}

impl BackOff {
    pub(super) fn new(first: Duration, max: Duration, seed: u64) -> Self {
        Self {
            max,
            next: first,
            random: SplitMix(seed),
        }
    }

    /// Starts again, at a pause of `first`.
    pub(super) fn reset(&mut self, first: Duration) {
        self.next = first;
    }

    /// The next pause shall be at least this long.
    pub(super) fn at_least(&mut self, pause: Duration) {
        self.next = self.next.max(pause);
    }

    /// The pause before the next attempt.
    pub(super) fn pause(&mut self) -> Duration {
        let base = self.next;
        self.next = base.saturating_mul(2).min(self.max.max(base));
        self.random.spread(base)
    }

    /// A time drawn between zero and `most`.
    pub(super) fn up_to(&mut self, most: Duration) -> Duration {
        let parts = self.random.next() % WHOLE;
        scale(most, parts)
    }
}

fn scale(time: Duration, millionths: u64) -> Duration {
    let us = u64::try_from(time.as_micros()).unwrap_or(u64::MAX / WHOLE / 2);
    Duration::from_micros(us.saturating_mul(millionths) / WHOLE)
}

/// The SplitMix64 generator (Steele, Lea and Flood 2014); good enough to spread reconnects, used for nothing else.
#[derive(Debug)]
struct SplitMix(u64);

impl SplitMix {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// 75 % to 125 % of a time.
    fn spread(&mut self, time: Duration) -> Duration {
        let parts = WHOLE * 3 / 4 + self.next() % (WHOLE / 2);
        scale(time, parts)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIRST: Duration = Duration::from_millis(500);
    const MAX: Duration = Duration::from_mins(1);

    #[test]
    fn pauses_double_to_a_bound_and_an_hour_of_outage_is_under_a_hundred_attempts() {
        let mut b = BackOff::new(FIRST, MAX, 7);
        let mut total = Duration::ZERO;
        let mut attempts = 0;
        while total < Duration::from_hours(1) {
            let pause = b.pause();
            assert!(pause >= Duration::from_millis(375) && pause <= Duration::from_secs(75));
            total += pause;
            attempts += 1;
        }
        assert!((50..100).contains(&attempts), "{attempts}");
    }

    #[test]
    fn two_controllers_do_not_come_back_in_step() {
        let pauses = |seed| {
            let mut b = BackOff::new(FIRST, MAX, seed);
            (0..8).map(|_| b.pause()).collect::<Vec<_>>()
        };
        assert_ne!(pauses(1), pauses(2));
        assert_eq!(pauses(1), pauses(1));
    }

    #[test]
    fn a_refused_login_waits_longer_at_once() {
        let mut b = BackOff::new(FIRST, MAX, 7);
        b.at_least(Duration::from_secs(30));
        assert!(b.pause() >= Duration::from_secs(22));
        b.reset(FIRST);
        assert!(b.pause() < Duration::from_secs(1));
        assert!(b.up_to(MAX) <= MAX);
    }
}
