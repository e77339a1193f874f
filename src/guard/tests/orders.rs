//! The real guard against the formulas of `tests/proof/cap.py`, and what it lets through against the cap, in every order of up to four
//! doses on a grid.

use super::*;

/// When doses are asked for: across a day's length to the millisecond.
const TIMES: [i64; 8] = {
    let (third, day) = (Millis::DAY.as_ms() / 3, Millis::DAY.as_ms());
    [0, 1, third, day - 1, day, day + 1, day + third, 2 * day]
};
/// How long they take; the last has not ended yet whenever another is asked for.
const LENGTHS: [i64; 3] = [1, Millis::DAY.as_ms() / 3, 4 * Millis::DAY.as_ms()];
/// Two of five fit exactly under the cap of ten, three of three, and not every mixture.
const VOLUMES: [i64; 2] = [3_000, 5_000];
const CAP: i64 = 10_000;

#[derive(Clone, Copy)]
struct Given {
    began: i64,
    ended: i64,
    volume: i64,
}

/// By the formulas: what counts at a moment of what was given before.
fn counts(given: &[Given], now: i64) -> i64 {
    let left = |d: &&Given| d.ended + Millis::DAY.as_ms() > now;
    given.iter().filter(left).map(|d| d.volume).sum()
}

/// The most in any 24 h: those that end at the begin of a dose, a moment after it.
fn most(given: &[Given]) -> i64 {
    let holds = |last: &Given| {
        let begun = given.iter().filter(|d| d.began <= last.began);
        let inside = begun.filter(|d| d.ended > last.began - Millis::DAY.as_ms());
        inside.map(|d| d.volume).sum()
    };
    given.iter().map(holds).max().unwrap_or(0)
}

/// Asks for one dose more in all ways; how many were let through and refused.
fn go_on(case: &mut Case, given: &mut Vec<Given>, first: usize, left: u32) -> (u64, u64) {
    let mut verdicts = (0, 0);
    for (place, began) in TIMES.into_iter().enumerate().skip(first) {
        for volume in VOLUMES {
            case.now = Millis::new(began);
            case.volume = ul(volume);
            for dose in given.iter().enumerate() {
                let (number, dose) = dose;
                let ended = Some(Millis::new(dose.ended)).filter(|end| *end <= case.now);
                let id = DoseId(i64::try_from(number).unwrap());
                case.window.update(id, |counted| counted.ended = ended);
            }
            let verdict = case.with(|request, facts| judge(request, facts, case.now));
            let total = counts(given, began) + volume;
            match verdict {
                Ok(_) => assert!(total <= CAP, "{total} uL were let through"),
                Err(Refusal::DailyCap { total: told, .. }) => {
                    // In the very millisecond in which a dose leaves it may still count, beside one that is asked for in the same.
                    let leaves = |d: &Given| d.ended + Millis::DAY.as_ms() == began;
                    let is_over = total > CAP && told == ul(total);
                    assert!(is_over || given.iter().any(leaves), "{told} of {total} uL");
                    verdicts.1 += 1;
                    continue;
                }
                Err(other) => panic!("{other}"),
            }
            verdicts.0 += 1;
            let id = i64::try_from(given.len()).unwrap();
            for length in LENGTHS {
                let ended = began + length;
                given.push(Given {
                    began,
                    ended,
                    volume,
                });
                assert!(most(given) <= CAP);
                if left > 1 {
                    let window = case.window.clone();
                    case.now = Millis::new(began);
                    case.earlier(id, "a", "soda", Millis::ZERO, volume);
                    // Only the cap is to say no.
                    case.window.update(DoseId(id), |d| d.head = name("head-b"));
                    let further = go_on(case, given, place, left - 1);
                    verdicts = (verdicts.0 + further.0, verdicts.1 + further.1);
                    case.window = window;
                }
                given.pop();
            }
        }
    }
    verdicts
}

#[test]
fn in_every_order_of_four_doses_what_is_let_through_is_what_the_proof_lets_through() {
    let mut case = Case::new();
    case.kind = DoseKind::Plan;
    case.heads_at_once = 9;
    let (let_through, refused) = go_on(&mut case, &mut Vec::new(), 0, 4);
    assert!(
        let_through > 10_000 && refused > 10_000,
        "{let_through} were let through, {refused} refused"
    );
}
