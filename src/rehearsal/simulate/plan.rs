//! What happens in a run, as data drawn from its seed. The rate of each kind is drawn too, and most are none in a run, so that one kind does
//! not hide another.

use std::fmt::Write as _;

use crate::quantity::{Millis, f64_from_i64};
use crate::rehearsal::chance::Chance;

const SECOND: Millis = Millis::from_secs(1);
const MINUTE: Millis = Millis::from_mins(1);
const YEAR: Millis = Millis::from_mins(365 * 24 * 60);

/// What the wall clock shows after a power cut, before anybody has set it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Shows {
    Right,
    /// The time of the cut.
    Stood,
    Ahead(Millis),
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Disk {
    Full,
    ReadOnly,
    Slow(Millis),
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Books {
    Lost,
    Replaced,
    /// A copy of days ago, or of before the newest writes.
    Old,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Fault {
    PowerCut {
        off: Millis,
        shows: Shows,
    },
    /// Outputs stay on until the service manager's hook has run, or the next start looks.
    Kill {
        hook: Option<Millis>,
        back: Millis,
    },
    Stop {
        back: Millis,
    },
    Step(Millis),
    /// Nobody tells the time after the next boots.
    NoSource(Millis),
    /// Somebody tells it, and wrong.
    WrongTime(Millis),
    Synced,
    Look,
    Disk(Disk, Millis),
    DiskWell,
    Ledger(Books),
    HoldFileTorn,
    HoldFileGone,
    HoldFileFails(Millis),
    HoldFileWell,
    /// The next run ends so much late.
    Late(Millis),
    /// Its relay sticks until the cut-off has noticed.
    Stuck(Millis),
    /// Its thread says nothing any more.
    Hangs,
    /// A head gives so many percent of what it did.
    Tube(usize, i64),
    Contact(usize, Option<bool>, Millis),
    ContactWell(usize),
    Bounce(usize),
    UnderVoltage(Millis),
    SupplyWell,
    Hold(Option<usize>, Option<Millis>),
    Resume(Option<usize>),
    Dose(usize, i64),
    /// Percent of what is true.
    Slip(i64),
    /// Percent of what a bottle holds is in it, whatever is told.
    Bottle(usize, i64),
    Bench(usize, Millis),
    OutletBack(usize),
    /// Percent of what is true.
    Miscalibrated(usize, i64),
    Plan(usize),
    Remote(usize),
    WaterChange(i64),
}

/// When it comes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum When {
    Then,
    /// So long after the next start of a head.
    AtStart(Millis),
    /// At a later write to the ledger, which is on the disk then or not; in place of its report.
    AtWrite {
        number: u32,
        survives: bool,
    },
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Planned {
    pub(super) at: Millis,
    pub(super) when: When,
    pub(super) fault: Fault,
}

type Draw = fn(&mut Chance) -> Fault;

fn any(chance: &mut Chance) -> usize {
    usize::try_from(chance.whole(0, 59)).unwrap()
}

fn some(chance: &mut Chance) -> Option<usize> {
    chance.happens(0.6).then(|| any(chance))
}

fn either_way(chance: &mut Chance, least: Millis, most: Millis) -> Millis {
    let span = chance.span(least, most);
    if chance.happens(0.5) {
        span
    } else {
        Millis::ZERO.minus(span)
    }
}

fn power_cut(chance: &mut Chance) -> Fault {
    let most = chance.one_of(&[MINUTE, Millis::DAY, Millis::from_mins(5 * 24 * 60)]);
    let ahead = either_way(chance, SECOND, YEAR.plus(YEAR));
    Fault::PowerCut {
        off: chance.span(SECOND, most),
        shows: chance.one_of(&[
            Shows::Right,
            Shows::Stood,
            Shows::Stood,
            Shows::Ahead(ahead),
        ]),
    }
}

fn kill(chance: &mut Chance) -> Fault {
    let back = chance.span(SECOND, Millis::HOUR);
    let hook = chance
        .happens(0.8)
        .then(|| chance.span(Millis::new(10), MINUTE));
    Fault::Kill {
        hook: hook.map(|hook| hook.min(back)),
        back,
    }
}

fn disk(chance: &mut Chance) -> Fault {
    let slow = chance.span(Millis::new(50), Millis::from_secs(20));
    let how = chance.one_of(&[
        Disk::Full,
        Disk::ReadOnly,
        Disk::Slow(slow),
        Disk::Slow(slow),
    ]);
    Fault::Disk(how, chance.span(SECOND, Millis::DAY))
}

fn contact(chance: &mut Chance) -> Fault {
    let says = chance.one_of(&[None, Some(false), Some(false), Some(true)]);
    Fault::Contact(any(chance), says, chance.span(SECOND, Millis::DAY))
}

/// Each kind: its name, the most of it in a day, and one of it.
pub(super) const KINDS: &[(&str, f64, Draw)] = &[
    ("power-cut", 1.0, power_cut),
    ("kill", 1.0, kill),
    ("stop", 0.3, |c| Fault::Stop {
        back: c.span(SECOND, Millis::HOUR),
    }),
    ("clock-step", 0.5, |c| {
        Fault::Step(either_way(c, SECOND, Millis::DAY))
    }),
    ("clock-leap", 0.1, |c| {
        Fault::Step(either_way(c, Millis::DAY, YEAR.plus(YEAR)))
    }),
    ("no-time-source", 0.1, |c| {
        Fault::NoSource(c.span(Millis::HOUR, Millis::from_mins(6 * 24 * 60)))
    }),
    ("wrong-time", 0.1, |c| {
        Fault::WrongTime(either_way(c, MINUTE, YEAR))
    }),
    ("disk", 0.5, disk),
    ("ledger", 0.1, |c| {
        Fault::Ledger(c.one_of(&[Books::Lost, Books::Replaced, Books::Old, Books::Old]))
    }),
    ("hold-file-torn", 0.1, |_| Fault::HoldFileTorn),
    ("hold-file-gone", 0.1, |_| Fault::HoldFileGone),
    ("hold-file-fails", 0.2, |c| {
        Fault::HoldFileFails(c.span(SECOND, Millis::DAY))
    }),
    ("late-run", 0.5, |c| {
        Fault::Late(c.span(Millis::new(2), Millis::from_secs(9)))
    }),
    ("stuck-relay", 0.05, |c| {
        Fault::Stuck(c.span(Millis::new(100), Millis::from_secs(4)))
    }),
    ("hanging-head", 0.05, |_| Fault::Hangs),
    ("tube", 0.2, |c| {
        Fault::Tube(any(c), c.one_of(&[0, 40, 80, 95, 110, 130, -50]))
    }),
    ("contact", 0.5, contact),
    ("bouncing-contact", 0.1, |c| Fault::Bounce(any(c))),
    ("under-voltage", 0.2, |c| {
        Fault::UnderVoltage(c.span(SECOND, Millis::HOUR))
    }),
    ("hold", 1.0, |c| {
        Fault::Hold(some(c), c.happens(0.4).then(|| c.span(MINUTE, Millis::DAY)))
    }),
    ("resume", 1.0, |c| Fault::Resume(some(c))),
    ("dose", 3.0, |c| Fault::Dose(any(c), c.whole(1, 130))),
    ("slip", 0.2, |c| {
        Fault::Slip(c.one_of(&[10, 36, 90, 130, 280, 1_000]))
    }),
    ("bottle", 0.2, |c| {
        Fault::Bottle(any(c), c.one_of(&[0, 10, 50, 100]))
    }),
    ("bench", 0.3, |c| {
        Fault::Bench(any(c), c.span(MINUTE, Millis::DAY))
    }),
    ("miscalibration", 0.1, |c| {
        Fault::Miscalibrated(any(c), c.one_of(&[10, 1_000]))
    }),
    ("plan-edit", 0.3, |c| Fault::Plan(any(c))),
    ("remote", 2.0, |c| Fault::Remote(any(c))),
    ("water-change", 0.1, |c| Fault::WaterChange(c.whole(1, 60))),
];

/// A whole run: its faults in their order, and the rates they were drawn by.
pub(super) fn draw(seed: u64, days: u32) -> (Vec<Planned>, String) {
    let mut chance = Chance::of(seed, "faults");
    let (mut all, mut rates) = (Vec::new(), String::new());
    for (kind, most, one) in KINDS {
        if chance.happens(0.6) {
            continue;
        }
        let rate = most * chance.uniform().powi(2);
        write!(rates, " {kind} {rate:.3}").unwrap();
        let mut at = 0.0;
        loop {
            at -= chance.uniform().ln() / rate;
            if at >= f64::from(days) {
                break;
            }
            let fault = one(&mut chance);
            let dies = matches!(fault, Fault::PowerCut { .. } | Fault::Kill { .. });
            let when = match chance.whole(0, 3) {
                0 => When::AtStart(chance.span(Millis::new(1), Millis::from_mins(20))),
                1 if dies => When::AtWrite {
                    number: u32::try_from(chance.whole(0, 5)).unwrap(),
                    survives: chance.happens(0.5),
                },
                _ => When::Then,
            };
            let ms = at * f64_from_i64(Millis::DAY.as_ms());
            let at = Millis::new(crate::quantity::i64_from_f64(ms).unwrap());
            all.push(Planned { at, when, fault });
        }
    }
    all.sort_by_key(|planned| planned.at);
    (all, rates)
}
