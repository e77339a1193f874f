//! Where the water is: level, uptake and trend of one water quantity, from what was added and what was read.
//!
//! Terms: a *hypothesis* is one way in which uptake may behave (steady, lively, wild, drifting), with a weight by how well it foretold the readings, and
//! within it the thoughts that uptake *broke* since the last reading, or some readings ago; the *scale* is an ordinary day's uptake of this tank, to which all
//! noise is relative, so that one set of numbers does for a quiet tank and a hungry one, for dKH and for mg/L. Times come in as they are: readings
//! at odd hours, doses one by one or as sums. Between two readings the level is linear in what was added, and nothing added acts on uptake, so a sum
//! of doses is as exact as the doses: a million of them are a million additions.
//! Deliberately not here: what the guard believes (its worst case is not this estimate), and where events come from.

pub use super::bank::Kind;
use super::bank::{
    BREAK_SHARE, BREAKS_PER_DAY, Bank, Hypothesis, ln_density, parts, quantile, weigh,
};
pub use super::event::{Event, Finding, Prior};
use super::state::{Noise, State};
use crate::quantity::{Millis, f64_from_usize};
use crate::statistics::truncated_above;

/// Half width of a 95 % interval in standard deviations.
pub const Z95: f64 = 1.959_964;

/// One reading of so many is a slip: a wrong unit, a mistyped figure, a spoiled test. Our guess.
const SLIPS: f64 = 0.004;
/// A slip is spread this much wider than readings are.
const SLIP_WIDTH: f64 = 8.0;
/// Readings over which the fit of the readings is judged.
const JUDGED_OVER: usize = 20;

/// The estimate at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    pub at: Millis,
    pub newest_reading: Millis,
    pub readings: usize,
    pub state: State,
    /// What is to be expected from here on, for forecasts.
    pub noise: Noise,
    /// Mean days between the last readings.
    pub reading_days: f64,
    /// Whether the newest reading is questioned and waits for a second one.
    pub questioned: bool,
    /// The kind of tank that foretold the readings best, and its probability.
    pub kind: (Kind, f64),
    /// How the readings scatter about what was foretold, in units of what kit and tank allow: 1 when as promised, 2 when twice as much.
    pub scatter: f64,
    pub(super) bank: Bank,
    /// Since the newest reading.
    pub(super) days: f64,
}

impl Estimate {
    /// 95 % interval.
    pub fn level_interval(&self) -> (f64, f64) {
        self.ends(|state| (state.level, state.cov.ll))
    }

    /// 95 % interval.
    pub fn uptake_interval(&self) -> (f64, f64) {
        self.ends(|state| (state.uptake, state.cov.uu))
    }

    /// From the mixture and not from its variance: the thought of a break makes the tails long and the middle no wider.
    fn ends(&self, of: fn(&State) -> (f64, f64)) -> (f64, f64) {
        let parts = self.bank.iter().flat_map(|one| one.parts(self.days));
        let mixture: Vec<_> = parts
            .map(|(weight, state)| (weight, of(&state)))
            .map(|(weight, (mean, variance))| (weight, mean, variance.sqrt()))
            .collect();
        let (mean, variance) = of(&self.state);
        let half = Z95 * variance.sqrt();
        (
            quantile(&mixture, 0.025, mean - half),
            quantile(&mixture, 0.975, mean + half),
        )
    }
}

#[derive(Debug, Clone, PartialEq)]
struct Running {
    at: Millis,
    newest_reading: Millis,
    reading_before: Millis,
    readings: usize,
    reading_days: f64,
    squares: f64,
    /// Probability that uptake broke some readings ago.
    broke: f64,
    bank: Bank,
    /// A reading that was questioned, and what would be believed if it were right.
    suspect: Option<(Millis, f64, Bank)>,
}

/// The filter. The same events in the same order give the same numbers, bit for bit.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimator {
    prior: Prior,
    running: Option<Running>,
}

impl Estimator {
    pub const fn new(prior: Prior) -> Self {
        Self {
            prior,
            running: None,
        }
    }

    /// Takes one event in. An event from before the newest counts as if it came now; one that holds no number is passed over.
    pub fn take(&mut self, event: &Event) -> Option<Finding> {
        if !event.is_sound() {
            return None;
        }
        if self.running.is_none() {
            self.running = begin(self.prior, event);
            return None;
        }
        let scale = self.prior.scale;
        let running = self.running.as_mut()?;
        running.pass(event.at(), scale);
        match *event {
            Event::Dosed {
                amount, variance, ..
            } => running.each(|state| state.added(amount, variance)),
            Event::Changed { fraction, held, .. } => {
                // New water of unknown content is most probably like the old, within a tenth.
                let level = running.merged().level;
                let (held, sd) = held.unwrap_or((level, level / 10.0));
                running.each(|s| s.mixed(1.0 - fraction, fraction * held, (fraction * sd).powi(2)));
            }
            Event::Scaled { factor, sd, .. } => {
                let variance = (running.merged().level * sd).powi(2);
                running.each(|state| state.mixed(factor, 0.0, variance));
            }
            Event::Reading {
                value, sd, step, ..
            } => {
                // A value read to a step lies anywhere within it: a uniform distribution's variance.
                return running.read(value, sd * sd + step * step / 12.0, scale);
            }
            Event::Below { bound, sd, .. } => running.bounded(bound, sd * sd),
        }
        None
    }

    /// The estimate at a time not before the newest event; `None` before the first reading.
    pub fn at(&self, now: Millis) -> Option<Estimate> {
        let scale = self.prior.scale;
        let mut running = self.running.clone()?;
        running.pass(now, scale);
        let total: f64 = running.bank.iter().map(Hypothesis::weight).sum();
        let mut noise = Noise::default();
        for one in &running.bank {
            let of_kind = one.kind.noise(scale);
            noise.level += one.weight() / total * of_kind.level;
            noise.uptake += one.weight() / total * of_kind.uptake;
        }
        noise.uptake += (BREAK_SHARE * scale).powi(2) * BREAKS_PER_DAY;
        let kind = running
            .bank
            .iter()
            .map(|one| (one.kind, one.weight() / total))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        Some(Estimate {
            at: running.at,
            newest_reading: running.newest_reading,
            readings: running.readings,
            state: running.merged(),
            noise,
            reading_days: running.reading_days,
            questioned: running.suspect.is_some(),
            kind,
            scatter: running.squares.sqrt(),
            bank: running.bank,
            days: running.days_since_reading(),
        })
    }
}

/// The level is what the first reading says, with its error: the limit of a belief that knew nothing of it (diffuse start; Durbin & Koopman
/// 2012, section 2.9). What came before has no bearing on it.
fn begin(prior: Prior, event: &Event) -> Option<Running> {
    let Event::Reading {
        at,
        value,
        sd,
        step,
    } = *event
    else {
        return None;
    };
    let variance = sd * sd + step * step / 12.0;
    let bank = [Kind::Steady, Kind::Lively, Kind::Wild, Kind::Drifting]
        .map(|kind| Hypothesis::new(kind, &prior, value, variance));
    Some(Running {
        at,
        newest_reading: at,
        readings: 1,
        reading_days: 7.0,
        squares: 1.0,
        broke: 0.0,
        reading_before: at,
        bank,
        suspect: None,
    })
}

impl Running {
    fn pass(&mut self, at: Millis, scale: f64) {
        let days = at.minus(self.at).as_days();
        if days <= 0.0 {
            return;
        }
        self.at = at;
        let suspect = self.suspect.iter_mut().flat_map(|(_, _, bank)| bank);
        for one in self.bank.iter_mut().chain(suspect) {
            one.pass(days, scale);
        }
    }

    fn each(&mut self, change: impl Fn(State) -> State) {
        let suspect = self.suspect.iter_mut().flat_map(|(_, _, bank)| bank);
        for one in self.bank.iter_mut().chain(suspect) {
            one.map(&change);
        }
    }

    fn days_since_reading(&self) -> f64 {
        self.at.minus(self.newest_reading).as_days()
    }

    fn parts(&self) -> Vec<(f64, State)> {
        parts(&self.bank, self.days_since_reading())
    }

    fn merged(&self) -> State {
        State::merged(&self.parts())
    }

    fn read(&mut self, value: f64, variance: f64, scale: f64) -> Option<Finding> {
        let days = self.days_since_reading();
        let (at, since, before_that) = (self.at, self.newest_reading, self.reading_before);
        let before = self.merged();
        let main = weigh(&self.bank, days, value, variance);
        let foretold_variance = before.cov.ll + variance;
        (self.reading_before, self.newest_reading) = (since, at);
        let count = self.readings.min(JUDGED_OVER);
        self.readings = self.readings.saturating_add(1);
        let part = 1.0 / f64_from_usize(count.max(1));
        self.reading_days += part.max(0.3) * (days - self.reading_days);
        if let Some((_, suspected, bank)) = self.suspect.take() {
            let other = weigh(&bank, days, value, variance);
            if other.ln_likelihood > main.ln_likelihood {
                self.bank = other.bank;
                return Some(Finding::LetIn {
                    at,
                    value: suspected,
                });
            }
        }
        let sd = foretold_variance.sqrt();
        let slip = SLIPS.ln() + ln_density(value - before.level, sd * SLIP_WIDTH);
        if slip > main.ln_likelihood + (-SLIPS).ln_1p() {
            let jump = (value - before.level).powi(2);
            let mut bank = self.bank;
            for one in &mut bank {
                one.map(|mut state| {
                    state.cov.ll += jump;
                    state.cov.uu += (BREAK_SHARE * scale).powi(2);
                    state
                });
            }
            let bank = weigh(&bank, days, value, variance).bank;
            self.suspect = Some((at, value, bank));
            return Some(Finding::Questioned {
                at,
                value,
                foretold: before.level,
                sd,
            });
        }
        let square = (value - before.level).powi(2) / foretold_variance;
        self.squares += (square - self.squares) / f64_from_usize(JUDGED_OVER);
        self.bank = main.bank;
        let was = self.broke;
        self.broke = main.broke;
        (was <= 0.5 && main.broke > 0.5).then(|| Finding::Broke {
            // Where it was thought of at the last reading already, it lies before that.
            since: if was > 0.1 { before_that } else { since },
            seen: at,
            before: before.uptake,
            after: self.merged().uptake,
        })
    }

    /// A bound says little of liveliness: each belief is moved, none is weighed.
    fn bounded(&mut self, bound: f64, variance: f64) {
        self.each(|state| {
            let total = state.cov.ll + variance;
            let left = truncated_above(state.level, total.sqrt(), bound);
            // The exact reading that would leave the same mean and variance behind: the filter then knows one kind of correction only.
            let gained = total - left.variance;
            if gained <= 1e-12 * total {
                return state;
            }
            let spread = total * left.variance / gained;
            let value = state.level + (left.mean - state.level) * (total + spread) / total;
            state.corrected(value, variance + spread)
        });
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::statistics::normal_below;
    use proptest::prelude::*;

    pub(in crate::estimate) fn day(days: f64) -> Millis {
        Millis::from_secs_f64(days * 86_400.0).unwrap()
    }

    pub(in crate::estimate) fn read(days: f64, value: f64) -> Event {
        Event::Reading {
            at: day(days),
            value,
            sd: 0.15,
            step: 0.1,
        }
    }

    fn dosed(days: f64, amount: f64) -> Event {
        Event::Dosed {
            at: day(days),
            amount,
            variance: 0.0,
        }
    }

    fn taken(prior: Prior, events: &[Event]) -> (Estimator, Vec<Finding>) {
        let mut estimator = Estimator::new(prior);
        let found = events.iter().filter_map(|e| estimator.take(e)).collect();
        (estimator, found)
    }

    /// A reading and the week's sum of doses, each week.
    pub(in crate::estimate) fn weeks(per_day: f64, values: &[f64]) -> Vec<Event> {
        (0..)
            .map(f64::from)
            .zip(values)
            .flat_map(|(week, value)| {
                let at = 7.0 * week;
                [dosed(at, 7.0 * per_day), read(at, *value)]
            })
            .collect()
    }

    pub(in crate::estimate) fn told(prior: Prior, events: &[Event], now: f64) -> Estimate {
        taken(prior, events).0.at(day(now)).unwrap()
    }

    const STANDS: [f64; 8] = [8.3, 8.4, 8.2, 8.3, 8.2, 8.4, 8.3, 8.3];

    #[test]
    fn nothing_is_known_before_the_first_reading_and_doses_before_it_do_not_count() {
        let (estimator, _) = taken(Prior::told(0.8), &[dosed(0.0, 5.0)]);
        assert_eq!(estimator.at(day(3.0)), None);
        let early = told(Prior::told(0.8), &[dosed(0.0, 5.0), read(1.0, 8.3)], 2.0);
        assert_eq!(early, told(Prior::told(0.8), &[read(1.0, 8.3)], 2.0));
        assert!((early.state.level - 7.5).abs() < 1e-12, "{early:?}");
    }

    #[test]
    fn two_tests_without_a_dose_give_an_uptake_with_an_honest_interval() {
        let estimate = told(Prior::unknown(0.8), &[read(0.0, 8.4), read(1.0, 7.8)], 1.0);
        let (low, high) = estimate.uptake_interval();
        // The two tests alone say 0.6 with a standard error of 0.22.
        assert!((0.55..0.7).contains(&estimate.state.uptake), "{estimate:?}");
        assert!(
            low > 0.1 && low < 0.3 && high > 0.9 && high < 1.2,
            "{low} {high}"
        );
    }

    #[test]
    fn the_same_events_give_the_same_numbers_bit_for_bit() {
        let mut events = weeks(0.8, &STANDS);
        events.push(Event::Changed {
            at: day(52.3),
            fraction: 0.15,
            held: None,
        });
        events.push(read(53.1, 12.0));
        assert_eq!(
            taken(Prior::told(0.8), &events),
            taken(Prior::told(0.8), &events)
        );
    }

    #[test]
    fn a_sum_of_doses_is_as_exact_as_the_doses() {
        let mut single = vec![read(0.0, 8.3)];
        for k in 1..=168 {
            single.push(dosed(f64::from(k) / 24.0 - 0.01, 0.8 / 24.0));
        }
        single.push(read(7.0, 8.1));
        let (a, b) = (
            told(Prior::told(0.8), &single, 8.0),
            told(
                Prior::told(0.8),
                &[read(0.0, 8.3), dosed(3.0, 5.6), read(7.0, 8.1)],
                8.0,
            ),
        );
        for (one, other) in [
            (a.state.level, b.state.level),
            (a.state.uptake, b.state.uptake),
            (a.state.cov.ll, b.state.cov.ll),
            (a.state.cov.uu, b.state.cov.uu),
        ] {
            assert!((one - other).abs() < 1e-11, "{one} {other}");
        }
    }

    #[test]
    fn an_uncertain_dose_widens_the_level() {
        let with = |variance| {
            let dose = Event::Dosed {
                at: day(1.0),
                amount: 0.8,
                variance,
            };
            told(Prior::told(0.8), &[read(0.0, 8.3), dose], 1.0)
                .state
                .cov
                .ll
        };
        assert!((with(0.04) - with(0.0) - 0.04).abs() < 1e-12);
    }

    #[test]
    fn a_ten_fold_slip_is_questioned_and_does_not_move_the_estimate() {
        let events = weeks(0.8, &STANDS);
        let before = told(Prior::told(0.8), &events, 49.0);
        for slip in [83.0, 0.83] {
            let mut slipped = events.clone();
            slipped.push(read(49.1, slip));
            let (estimator, found) = taken(Prior::told(0.8), &slipped);
            assert!(
                matches!(found[..], [Finding::Questioned { value, .. }] if (value - slip).abs() < 1e-9),
                "{found:?}"
            );
            let after = estimator.at(day(49.1)).unwrap();
            assert!(after.questioned && (after.state.level - before.state.level).abs() < 0.1);
            // The next one fits what was believed before: the slip is forgotten.
            slipped.push(read(50.0, 7.6));
            let (estimator, found) = taken(Prior::told(0.8), &slipped);
            let after = estimator.at(day(50.0)).unwrap();
            assert!(found.len() == 1 && !after.questioned, "{found:?}");
            assert!((after.state.level - 7.5).abs() < 0.2, "{after:?}");
        }
    }

    #[test]
    fn a_reading_out_of_line_is_let_in_when_a_second_agrees() {
        let mut events = weeks(0.8, &STANDS);
        events.push(dosed(50.0, 0.8));
        events.push(read(50.0, 11.3));
        events.push(read(50.1, 11.2));
        let (estimator, found) = taken(Prior::told(0.8), &events);
        assert!(
            matches!(found[..], [Finding::Questioned { .. }, Finding::LetIn { value, .. }] if (value - 11.3).abs() < 1e-9),
            "{found:?}"
        );
        let estimate = estimator.at(day(50.1)).unwrap();
        assert!((estimate.state.level - 11.2).abs() < 0.2 && !estimate.questioned);
    }

    #[test]
    fn a_break_is_named_with_its_dates_and_the_uptake_follows() {
        // 0.8 dKH a day until day 49, then half of that, dosed as before.
        let mut values = STANDS.to_vec();
        values.extend([11.1, 13.9, 16.7]);
        let (estimator, found) = taken(Prior::told(0.8), &weeks(0.8, &values));
        let broke = found.iter().find_map(|finding| match finding {
            Finding::Broke { since, after, .. } => Some((*since, *after)),
            Finding::Questioned { .. } | Finding::LetIn { .. } => None,
        });
        let let_in = found.iter().any(|f| matches!(f, Finding::LetIn { .. }));
        assert!(broke.is_some() || let_in, "{found:?}");
        let estimate = estimator.at(day(70.0)).unwrap();
        let (low, high) = estimate.uptake_interval();
        assert!(low < 0.4 && 0.4 < high && high < 0.6, "{low} {high}");
        // A smaller one, 20 %, is not questioned and is named.
        let mut values = STANDS.to_vec();
        values.extend([7.2, 6.1, 5.0, 3.9]);
        let (estimator, found) = taken(Prior::told(0.8), &weeks(0.8, &values));
        assert!(
            matches!(found[..], [Finding::Broke { since, .. }, ..] if since >= day(49.0) && since <= day(56.0)),
            "{found:?}"
        );
        let (low, high) = estimator.at(day(77.0)).unwrap().uptake_interval();
        assert!(low < 0.957 && 0.957 < high && low > 0.85, "{low} {high}");
    }

    #[test]
    fn a_water_change_pulls_the_level_and_unknown_water_widens_it() {
        let change = |held| Event::Changed {
            at: day(0.0),
            fraction: 0.25,
            held,
        };
        let start = told(Prior::told(0.8), &[read(0.0, 8.0)], 0.0).state;
        let known = told(
            Prior::told(0.8),
            &[read(0.0, 8.0), change(Some((10.0, 0.2)))],
            0.0,
        )
        .state;
        assert!((known.level - 8.5).abs() < 1e-12);
        assert!((known.cov.ll - (0.5625 * start.cov.ll + 0.0025)).abs() < 1e-12);
        let unknown = told(Prior::told(0.8), &[read(0.0, 8.0), change(None)], 0.0).state;
        assert!((unknown.level - 8.0).abs() < 1e-12 && unknown.cov.ll > known.cov.ll);
        let saltier = Event::Scaled {
            at: day(0.0),
            factor: 1.05,
            sd: 0.0,
        };
        let scaled = told(Prior::told(0.8), &[read(0.0, 8.0), saltier], 0.0).state;
        assert!((scaled.level - 8.4).abs() < 1e-12 && (scaled.uptake - start.uptake).abs() < 1e-12);
    }

    #[test]
    fn below_a_bound_lowers_what_is_above_it_and_leaves_the_rest() {
        let bound = |bound| Event::Below {
            at: day(0.0),
            bound,
            sd: 0.1,
        };
        let with = |event: &[Event]| {
            let mut events = vec![read(0.0, 8.0)];
            events.extend(event);
            told(Prior::told(0.8), &events, 0.0).state
        };
        let (plain, far, near) = (with(&[]), with(&[bound(12.0)]), with(&[bound(7.8)]));
        assert!((far.level - plain.level).abs() < 1e-6);
        assert!(near.level < 7.9 && near.cov.ll < plain.cov.ll, "{near:?}");
    }

    #[test]
    fn a_kit_that_scatters_more_than_stated_and_a_lively_tank_are_told() {
        let quiet = told(Prior::told(0.8), &weeks(0.8, &[8.3; 25]), 168.0);
        assert!(
            quiet.scatter < 0.7 && quiet.kind.0 == Kind::Steady,
            "{quiet:?}"
        );
        let wild: Vec<f64> = (0..25)
            .map(|k| if k % 2 == 0 { 8.7 } else { 7.9 })
            .collect();
        let wild = told(Prior::told(0.8), &weeks(0.8, &wild), 168.0);
        assert!(wild.scatter > 1.5, "{wild:?}");
        let drifting: Vec<f64> = (0..25)
            .map(|k| 8.3 - 0.002 * f64::from(k * k * 49))
            .collect();
        let drifting = told(Prior::told(0.8), &weeks(0.8, &drifting), 168.0);
        assert!(
            drifting.kind.0 == Kind::Drifting && drifting.kind.1 > 0.8,
            "{drifting:?}"
        );
        assert!((drifting.state.trend - 0.004).abs() < 5e-4, "{drifting:?}");
    }

    #[test]
    fn the_interval_of_today_widens_while_nothing_is_read() {
        let events = weeks(0.8, &STANDS);
        let width = |now| {
            let (low, high) = told(Prior::told(0.8), &events, now).level_interval();
            high - low
        };
        assert!(width(49.0) < width(52.0) && width(52.0) < width(63.0));
    }

    #[test]
    fn an_interval_holds_95_percent_of_what_all_hypotheses_say_together() {
        type Of = fn(&State) -> (f64, f64);
        let estimate = told(Prior::told(0.8), &weeks(0.8, &STANDS), 56.0);
        let below = |edge: f64, of: Of| {
            let parts = estimate
                .bank
                .iter()
                .flat_map(|one| one.parts(estimate.days));
            let (mut below, mut whole) = (0.0, 0.0);
            for (weight, state) in parts {
                let (mean, variance) = of(&state);
                below += weight * normal_below((edge - mean) / variance.sqrt());
                whole += weight;
            }
            below / whole
        };
        let of_each: [((f64, f64), Of); 2] = [
            (estimate.level_interval(), |s| (s.level, s.cov.ll)),
            (estimate.uptake_interval(), |s| (s.uptake, s.cov.uu)),
        ];
        for ((low, high), of) in of_each {
            let outside = (below(low, of), 1.0 - below(high, of));
            assert!(
                (outside.0 - 0.025).abs() < 1e-5 && (outside.1 - 0.025).abs() < 1e-5,
                "{outside:?}"
            );
        }
    }

    fn any_event() -> impl Strategy<Value = Event> {
        let number = prop_oneof![any::<f64>(), -20.0..20.0_f64];
        (0..5_u8, any::<i64>(), number, 0.0..2.0_f64, 0.0..1.0_f64).prop_map(
            |(kind, at, value, sd, part)| {
                let at = Millis::new(at);
                match kind {
                    0 => Event::Dosed {
                        at,
                        amount: value,
                        variance: sd,
                    },
                    1 => Event::Changed {
                        at,
                        fraction: part,
                        held: Some((value, sd)),
                    },
                    2 => Event::Scaled {
                        at,
                        factor: 1.0 + part,
                        sd,
                    },
                    3 => Event::Below {
                        at,
                        bound: value,
                        sd,
                    },
                    _ => Event::Reading {
                        at,
                        value,
                        sd,
                        step: part,
                    },
                }
            },
        )
    }

    proptest! {
        #[test]
        fn no_number_makes_it_panic(events in prop::collection::vec(any_event(), 0..20), scale in any::<f64>()) {
            let mut estimator = Estimator::new(Prior::told(scale));
            for event in &events {
                estimator.take(event);
            }
            let _seen = estimator.at(Millis::MAX);
        }

        #[test]
        fn plausible_events_leave_finite_numbers_and_positive_variances(values in prop::collection::vec((0.01..40.0_f64, 3.0..14.0_f64), 1..60)) {
            let mut at = 0.0;
            let mut estimator = Estimator::new(Prior::told(0.8));
            for (days, value) in values {
                estimator.take(&read(at, value));
                at += days;
            }
            let state = estimator.at(day(at)).unwrap().state;
            prop_assert!(state.level.is_finite() && state.cov.ll > 0.0 && state.cov.uu > 0.0 && state.cov.tt >= 0.0);
        }
    }
}
