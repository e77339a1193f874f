//! Chance that is the same for the same seed, and the sum that tells whether two runs were.

use crate::quantity::said;

use std::fmt;

/// FNV-1a, 64 bits (Fowler, Noll, Vo; offset and prime as in RFC 9923).
#[derive(Debug, Clone, Copy)]
pub(super) struct Digest(u64);

impl Digest {
    pub(super) const fn new() -> Self {
        Self(0xcbf2_9ce4_8422_2325)
    }

    /// What is printed into it counts; text is never kept.
    pub(super) fn add(&mut self, what: fmt::Arguments<'_>) {
        // Nothing in it can fail.
        fmt::Write::write_fmt(self, what).ok();
    }
}

impl fmt::Write for Digest {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        self.0 = text.bytes().fold(self.0, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        });
        Ok(())
    }
}

said! {
    Digest: it => "{:016x}", it.0;
}

/// SplitMix64 (Steele, Lea & Flood 2014; constants from memory).
#[derive(Debug, Clone)]
pub(super) struct Chance(u64);

/// No draw of [`Chance::normal`] is further out than this many standard deviations.
pub(super) const DRAW_MAX: f64 = 3.5;

impl Chance {
    /// One stream for each purpose, so that a new one leaves the others as they were.
    pub(super) fn of(seed: u64, purpose: &str) -> Self {
        let mut words = Digest::new();
        words.add(format_args!("{seed} {purpose}"));
        Self(words.0)
    }

    pub(super) fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Above 0 and below 1.
    pub(super) fn uniform(&mut self) -> f64 {
        let high = u32::try_from(self.bits() >> 32).unwrap_or_default();
        (f64::from(high) + 0.5) / 4_294_967_296.0
    }

    pub(super) fn happens(&mut self, share: f64) -> bool {
        self.uniform() < share
    }

    /// Standard deviation 1 (Box & Muller 1958), cut at [`DRAW_MAX`].
    pub(super) fn normal(&mut self) -> f64 {
        let (radius, turn) = (self.uniform(), self.uniform());
        let draw = (-2.0 * radius.ln()).sqrt() * (std::f64::consts::TAU * turn).cos();
        draw.clamp(-DRAW_MAX, DRAW_MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draws_are_normal_bounded_and_the_same_for_the_same_seed_and_purpose() {
        let draws = |seed, purpose: &str| -> Vec<f64> {
            let mut chance = Chance::of(seed, purpose);
            (0..4_000).map(|_| chance.normal()).collect()
        };
        let own = draws(1, "kit");
        assert_eq!(own, draws(1, "kit"));
        assert_ne!(own, draws(2, "kit"));
        assert_ne!(own, draws(1, "head"));
        let mean = own.iter().sum::<f64>() / 4_000.0;
        let spread = own.iter().map(|d| d * d).sum::<f64>() / 4_000.0;
        assert!(
            mean.abs() < 0.05 && (spread - 1.0).abs() < 0.06,
            "{mean} {spread}"
        );
        assert!(own.iter().all(|d| d.abs() <= DRAW_MAX));
    }
}
