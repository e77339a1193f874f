//! How many steps a run makes, and when each of them is due. Pure arithmetic.
//!
//! A run speeds up at a constant acceleration `a`, goes on at the speed `v`, and slows down at `a`. From the equations of constant
//! acceleration, a run of the time `t` makes `v (t - v/a)` steps, or `a t2 / 4` when it is too short to reach `v` (`t < 2 v/a`), and
//! the step at the place `s` of the first ramp is due at `sqrt(2 s / a)`. Part of a step is no step: the number is rounded down.

use crate::config::StepSpeed;
use crate::quantity::{Millis, f64_from_i64, i64_from_f64};

/// The exact number of steps of a run, in whole numbers, so that it is the same on every machine.
pub fn steps_in(speed: StepSpeed, run: Millis) -> i64 {
    let (v, a) = (
        i128::from(speed.steps_per_s),
        i128::from(speed.steps_per_s2),
    );
    let ms = i128::from(run.as_ms().max(0));
    let (steps, parts) = if ms.saturating_mul(a) >= v.saturating_mul(2000) {
        let over = ms.saturating_mul(a).saturating_sub(v.saturating_mul(1000));
        (v.saturating_mul(over), a.saturating_mul(1000))
    } else {
        (a.saturating_mul(ms).saturating_mul(ms), 4_000_000)
    };
    let whole = steps.checked_div(parts).unwrap_or(0);
    i64::try_from(whole).unwrap_or(i64::MAX)
}

/// The shortest run that makes as many steps: never less time than the steps stand for.
pub fn time_for(speed: StepSpeed, steps: i64) -> Millis {
    if steps <= 0 {
        return Millis::ZERO;
    }
    // At the full speed from start to end it would take less, so this and the ramps on top are enough.
    let at_speed = i128::from(steps).saturating_mul(1000) / i128::from(speed.steps_per_s.max(1));
    let enough = i64::try_from(at_speed)
        .unwrap_or(i64::MAX)
        .saturating_add(speed.ramps().as_ms())
        .saturating_add(1);
    let (mut too_short, mut enough) = (0_i64, enough);
    while enough.saturating_sub(too_short) > 1 {
        let middle = too_short.saturating_add(enough.saturating_sub(too_short) / 2);
        if steps_in(speed, Millis::new(middle)) >= steps {
            enough = middle;
        } else {
            too_short = middle;
        }
    }
    Millis::new(enough)
}

/// Part of the ramp's own interval that must at least lie between two steps (ours): a step that comes a little late is made up for by
/// the next ones at a speed that the motor does not notice, and two steps never come in a bunch.
pub(super) const SPACING_MIN: f64 = 0.9;
/// After a gap of more than this many intervals the motor counts as slowed down (ours).
const GAP_MAX: f64 = 2.0;

/// Motion over a number of steps, starting and ending at rest.
#[derive(Debug, Clone, Copy)]
struct Ramp {
    v: f64,
    a: f64,
    total: f64,
}

impl Ramp {
    /// Seconds from rest to a place, in steps.
    fn time(&self, place: f64) -> f64 {
        let (v, a, total) = (self.v, self.a, self.total);
        let place = place.clamp(0.0, total);
        let left = total - place;
        // Where the full speed is reached, or half way when it never is.
        let ramp = (v * v / (2.0 * a)).min(total / 2.0);
        let to_speed = (2.0 * ramp / a).sqrt();
        let even = (total - 2.0 * ramp) / v;
        if place <= ramp {
            (2.0 * place / a).sqrt()
        } else if left >= ramp {
            to_speed + (place - ramp) / v
        } else {
            2.0 * to_speed + even - (2.0 * left / a).sqrt()
        }
    }
}

/// When the steps of a run are due, one after the other.
///
/// A step that was sent so late that the motor has slowed down or stopped starts a new ramp from the speed of that gap: a motor at
/// rest cannot follow the full speed at once. The run then takes longer; the number of its steps stays.
#[derive(Debug)]
pub(super) struct Schedule {
    ramp: Ramp,
    /// The moment at which the motion was, or would have been, at `from`, in microseconds.
    origin_us: i64,
    from: f64,
    next: f64,
    left: i64,
    last_us: Option<i64>,
}

impl Schedule {
    pub(super) fn new(speed: StepSpeed, steps: i64, start_us: i64) -> Self {
        Self {
            ramp: Ramp {
                v: f64::from(speed.steps_per_s),
                a: f64::from(speed.steps_per_s2),
                total: f64_from_i64(steps),
            },
            origin_us: start_us,
            from: 0.0,
            // In the middle of the step, so that the first comes soon and the last leaves time to stop.
            next: 0.5,
            left: steps,
            last_us: None,
        }
    }

    /// When the next step is due; `None` after the last.
    pub(super) fn due_us(&self) -> Option<i64> {
        if self.left <= 0 {
            return None;
        }
        let planned = self.ramp.time(self.next) - self.ramp.time(self.from);
        let planned = self.origin_us.saturating_add(micros(planned));
        let soonest = self.last_us.map_or(planned, |last| {
            last.saturating_add(micros(self.spacing() * SPACING_MIN))
        });
        Some(planned.max(soonest))
    }

    /// The step that was due has been sent.
    pub(super) fn sent(&mut self, at_us: i64) {
        let interval = self.spacing();
        let gap = self
            .last_us
            .map_or(0.0, |last| f64_from_i64(at_us.saturating_sub(last)) / 1e6);
        self.left = self.left.saturating_sub(1);
        self.last_us = Some(at_us);
        if gap > GAP_MAX * interval && interval > 0.0 {
            let speed = 1.0 / gap;
            self.from = speed * speed / (2.0 * self.ramp.a);
            self.origin_us = at_us;
            self.ramp.total = self.from + f64_from_i64(self.left) + 0.5;
            self.next = self.from + 1.0;
        } else {
            self.next += 1.0;
        }
    }

    /// Seconds between the last step and the next by the ramp; zero before the first.
    fn spacing(&self) -> f64 {
        if self.last_us.is_none() {
            return 0.0;
        }
        self.ramp.time(self.next) - self.ramp.time((self.next - 1.0).max(0.0))
    }
}

fn micros(seconds: f64) -> i64 {
    i64_from_f64(seconds * 1e6).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn speed(v: u32, a: u32) -> StepSpeed {
        StepSpeed {
            steps_per_s: v,
            steps_per_s2: a,
        }
    }

    /// Worked by hand from s = a t2 / 2 and s = v t.
    #[test]
    fn the_steps_of_a_run_follow_from_constant_acceleration() {
        // 0.5 s to 1,000 steps/s at 2,000 steps/s2 make 250 steps, 2 s at speed make 2,000, and 250 again.
        assert_eq!(steps_in(speed(1000, 2000), Millis::new(3000)), 2500);
        // Exactly both ramps: 250 + 250.
        assert_eq!(steps_in(speed(1000, 2000), Millis::new(1000)), 500);
        // Too short for the speed: 0.25 s up and 0.25 s down make 62.5 each.
        assert_eq!(steps_in(speed(1000, 2000), Millis::new(500)), 125);
        // A part of a step is no step: 0.2 s up and down at 30 steps/s2 make 0.3.
        assert_eq!(steps_in(speed(100, 30), Millis::new(200)), 0);
        assert_eq!(steps_in(speed(1000, 2000), Millis::ZERO), 0);
        assert_eq!(steps_in(speed(1000, 2000), Millis::new(-5)), 0);
        // An hour at the highest speed: 2,000 x (3,600 - 0.02).
        assert_eq!(
            steps_in(speed(2000, 100_000), Millis::from_secs(3600)),
            7_199_960
        );
        assert!(steps_in(speed(2000, 10), Millis::MAX) > 0, "no overflow");
    }

    #[test]
    fn the_step_times_follow_from_constant_acceleration() {
        let ramp = Ramp {
            v: 1000.0,
            a: 2000.0,
            total: 2500.0,
        };
        for (place, seconds) in [
            (0.0, 0.0),
            (10.0, 0.1),
            (250.0, 0.5),
            (1250.0, 1.5),
            (2250.0, 2.5),
            (2490.0, 2.9),
            (2500.0, 3.0),
        ] {
            assert!(
                (ramp.time(place) - seconds).abs() < 1e-9,
                "{place}: {}",
                ramp.time(place)
            );
        }
        // Never at speed: 0.25 s up, 0.25 s down.
        let short = Ramp {
            total: 125.0,
            ..ramp
        };
        assert!((short.time(62.5) - 0.25).abs() < 1e-9);
        assert!((short.time(125.0) - 0.5).abs() < 1e-9);
    }

    /// Plays a schedule with a lateness for each step; the times at which steps were sent.
    fn play(speed: StepSpeed, steps: i64, late_us: impl Fn(usize) -> i64) -> Vec<i64> {
        let mut schedule = Schedule::new(speed, steps, 0);
        let mut times = Vec::new();
        while let Some(due) = schedule.due_us() {
            let at = due + late_us(times.len());
            times.push(at);
            schedule.sent(at);
        }
        times
    }

    #[test]
    fn a_run_in_time_ends_within_its_run_time_and_reaches_the_speed() {
        let times = play(speed(1000, 2000), 2500, |_| 0);
        assert_eq!(times.len(), 2500);
        assert!(*times.last().unwrap() < 3_000_000);
        assert!(*times.last().unwrap() > 2_960_000);
        assert_eq!(times[1251] - times[1250], 1000);
        assert!(times[1] - times[0] > 15_000, "it starts slowly");
    }

    #[test]
    fn small_delays_are_made_up_for_and_do_not_add_up() {
        let times = play(speed(1000, 2000), 2500, |_| 60);
        assert!(*times.last().unwrap() < 3_000_000, "{:?}", times.last());
    }

    #[test]
    fn after_a_long_pause_the_motor_is_started_gently_again() {
        let times = play(
            speed(1000, 2000),
            3000,
            |n| if n == 1500 { 80_000 } else { 0 },
        );
        assert_eq!(times.len(), 3000);
        let gaps: Vec<i64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
        // Up to the pause at speed, then from 1/0.081 s = 12 steps/s: the next step after t with 12.3 t + 1000 t2 = 1.
        assert_eq!(gaps[1498], 1000);
        assert!((25_000..27_000).contains(&gaps[1500]), "{}", gaps[1500]);
        assert!(
            gaps[1500..1600]
                .windows(2)
                .all(|pair| pair[1] <= pair[0] + 1)
        );
        // Half a second to the speed again costs a quarter of a second.
        let longer = times[2999] - 3_500_000;
        assert!((150_000..400_000).contains(&longer), "{longer}");
    }

    proptest! {
        #[test]
        fn the_time_for_steps_is_never_short_and_never_a_millisecond_long(
            v in 10_u32..=2000, a in 10_u32..=100_000, ms in 0_i64..4_000_000
        ) {
            let speed = speed(v, a);
            let steps = steps_in(speed, Millis::new(ms));
            let time = time_for(speed, steps);
            prop_assert!(steps_in(speed, time) >= steps);
            prop_assert!(time.as_ms() <= ms);
            if steps > 0 {
                prop_assert!(steps_in(speed, time.minus(Millis::new(1))) < steps);
            }
        }

        #[test]
        fn more_time_is_never_fewer_steps(v in 10_u32..=2000, a in 10_u32..=100_000, ms in 0_i64..100_000) {
            let speed = speed(v, a);
            prop_assert!(steps_in(speed, Millis::new(ms + 1)) >= steps_in(speed, Millis::new(ms)));
        }

        /// Whatever comes late: every step is sent, and no two are closer than nine tenths of the shortest interval.
        #[test]
        fn late_steps_never_come_in_a_bunch(
            v in 10_u32..=2000, a in 10_u32..=100_000, steps in 1_i64..800,
            late in proptest::collection::vec(prop_oneof![8 => 0_i64..200, 1 => 0_i64..100_000], 1..40)
        ) {
            let times = play(speed(v, a), steps, |n| late[n % late.len()]);
            prop_assert_eq!(times.len(), usize::try_from(steps).unwrap());
            let shortest = micros(SPACING_MIN / f64::from(v)) - 2;
            for pair in times.windows(2) {
                prop_assert!(pair[1] - pair[0] >= shortest, "{} < {}", pair[1] - pair[0], shortest);
            }
        }
    }
}
