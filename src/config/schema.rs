//! Every key that may stand in the two files: its type, unit, range and default, in one place.
//!
//! The reader walks this table, so a key that is not here cannot be read, an unknown key cannot pass, and the test that
//! tries `nan`, `inf` and the rest on every number finds a new key by itself. Ranges are plausibility windows of this program
//! ("ours") unless a comment names a source. Relations between keys are not here; `controller.rs` and `plan.rs` check them.

/// The keys of one table.
pub(super) struct Section {
    /// Known keys, in the order they are listed to the reader.
    pub(super) keys: &'static [Key],
    /// When given, keys `SYMBOL-mg` are taken too, one for each element, with this range.
    pub(super) element_mg: Option<Range>,
}

pub(super) struct Key {
    /// As written in the file; its unit is the end of it.
    pub(super) name: &'static str,
    /// What stands behind it.
    pub(super) kind: Kind,
    /// Whether it may be left out.
    pub(super) need: Need,
}

/// An inclusive range and its unit.
#[derive(Clone, Copy)]
pub(super) struct Range {
    pub(super) low: f64,
    pub(super) high: f64,
    /// Unit, empty for a plain number.
    pub(super) unit: &'static str,
}

/// What a key holds.
#[derive(Clone, Copy)]
pub(super) enum Kind {
    Number(Range),
    /// A whole number that is a count.
    Whole(Range),
    Flag,
    /// Text, with words for what is wanted.
    Text(&'static str),
    /// One of these words.
    Choice(&'static [&'static str]),
    /// A list of texts, with words for what is wanted; a single text is read as a list of one.
    Texts(&'static str),
    Table(&'static Section),
    /// Tables by name: `[head.NAME]`.
    Named(&'static Section, Naming),
    /// A list of tables: `[[apart]]`.
    List(&'static Section),
    /// A table that another part of the program reads and checks; here only its meaning counts, for the fingerprint.
    Foreign,
}

/// What the names of a group of tables are.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Naming {
    Own,
    Element,
    Quantity,
}

/// Whether a key may be left out.
#[derive(Clone, Copy)]
pub(super) enum Need {
    /// A limit or a fact that only the owner knows: never assumed.
    Required,
    /// The same, unless one of these keys is there, which takes its place.
    Unless(&'static [&'static str]),
    /// May be absent; the check of relations decides what that means.
    Optional,
    /// This number when absent.
    Number(f64),
    /// This word when absent.
    Text(&'static str),
    Flag(bool),
}

use Need::{Optional, Required};

const fn key(name: &'static str, kind: Kind, need: Need) -> Key {
    Key { name, kind, need }
}

/// A number; the unit is told from the range.
const fn num(name: &'static str, low: f64, high: f64, unit: &'static str, need: Need) -> Key {
    key(name, Kind::Number(Range { low, high, unit }), need)
}

/// A whole number; the unit is told from the range.
const fn whole(name: &'static str, low: f64, high: f64, unit: &'static str, need: Need) -> Key {
    key(name, Kind::Whole(Range { low, high, unit }), need)
}

const fn section(keys: &'static [Key]) -> Section {
    Section {
        keys,
        element_mg: None,
    }
}

pub(super) const CONTROLLER: Section = section(&[
    key(
        "name",
        Kind::Text("a name of this controller"),
        Need::Text("dosewright"),
    ),
    key(
        "mode",
        Kind::Choice(&["dry-run", "live"]),
        Need::Text("dry-run"),
    ),
    key(
        "time-zone",
        Kind::Text("the name of a time zone such as \"Europe/Berlin\""),
        Required,
    ),
    key("board", Kind::Table(&BOARD), Optional),
    key("tank", Kind::Table(&TANK), Required),
    key("supply", Kind::Table(&SUPPLY), Optional),
    key("head", Kind::Named(&HEAD, Naming::Own), Required),
    key("reservoir", Kind::Named(&RESERVOIR, Naming::Own), Required),
    key("solution", Kind::Named(&SOLUTION, Naming::Own), Required),
    key("line", Kind::Named(&LINE, Naming::Own), Required),
    key("apart", Kind::List(&APART), Optional),
    key("input", Kind::Named(&INPUT, Naming::Own), Optional),
    key("limits", Kind::Table(&LIMITS), Optional),
    key("mqtt", Kind::Foreign, Optional),
]);

/// A pin, written with its numbering scheme.
const PIN: Kind = Kind::Text("a pin with its numbering scheme, for example \"GPIO17\"");
const LEVEL: Kind = Kind::Choice(&["high", "low"]);

/// How pins are driven in live mode. Without this table live mode is refused.
const BOARD: Section = section(&[
    key("driver", Kind::Choice(&["rppal", "chardev"]), Required),
    key(
        "chip-label",
        Kind::Text("the label of the GPIO chip, as `gpiodetect` shows it in brackets"),
        Optional,
    ),
    key(
        "line-by",
        Kind::Choice(&["offset", "name"]),
        Need::Text("offset"),
    ),
    key("cut-off", PIN, Optional),
    key("cut-off-active", LEVEL, Need::Text("high")),
    key("heartbeat", PIN, Optional),
    num("input-poll-ms", 5.0, 200.0, "ms", Need::Number(20.0)),
]);

const TANK: Section = section(&[num("volume-l", 5.0, 100_000.0, "L", Required)]);

const SUPPLY: Section = section(&[key(
    "heads-at-once",
    Kind::Whole(Range {
        low: 1.0,
        high: 64.0,
        unit: "heads",
    }),
    Need::Number(1.0),
)]);

const HEAD: Section = section(&[
    num("nominal-rate-ml-per-min", 0.05, 500.0, "mL/min", Required),
    num("run-max-s", 0.2, 3600.0, "s", Required),
    num("dose-min-ml", 0.001, 1000.0, "mL", Required),
    key("output", PIN, Need::Unless(&["stepper", "pwm"])),
    key("active", LEVEL, Need::Unless(&["stepper", "pwm"])),
    key("stepper", Kind::Table(&STEPPER), Optional),
    key("pwm", Kind::Table(&PWM), Optional),
    key("run-sense", PIN, Optional),
    key("run-sense-running", LEVEL, Optional),
    num(
        "calibration-age-max-days",
        1.0,
        3650.0,
        "days",
        Need::Number(90.0),
    ),
    num(
        "calibration-run-max-h",
        0.1,
        10_000.0,
        "h",
        Need::Number(50.0),
    ),
    num("tolerance-percent", 1.0, 50.0, "%", Need::Number(5.0)),
    key(
        "calibration-old",
        Kind::Choice(&["warn", "block"]),
        Need::Text("warn"),
    ),
    key("simulated", Kind::Table(&SIMULATED), Optional),
]);

/// Up to 2,000 steps/s: what a thread that sleeps between pulses keeps up with (ours). Acceleration: from a second of ramp at the
/// lowest speed to none that would be felt.
const STEPPER: Section = section(&[
    key("step", PIN, Required),
    key("direction", PIN, Optional),
    key("direction-level", LEVEL, Optional),
    key("enable", PIN, Optional),
    key("enable-active", LEVEL, Optional),
    whole("steps-per-s", 10.0, 2000.0, "steps/s", Required),
    whole(
        "acceleration-steps-per-s2",
        10.0,
        100_000.0,
        "steps/s2",
        Required,
    ),
]);

/// Frequency: from pulses that are short against the shortest run to what motor drivers take (ours). At least 1 %: a speed of none is
/// no speed.
const PWM: Section = section(&[
    key(
        "chip",
        Kind::Text(
            "the device of the PWM chip, in which `readlink -f /sys/class/pwm/pwmchip*/device` ends, for example \"fe20c000.pwm\"",
        ),
        Required,
    ),
    whole("channel", 0.0, 255.0, "", Required),
    key("pin", PIN, Required),
    whole("frequency-hz", 50.0, 50_000.0, "Hz", Required),
    whole("duty-percent", 1.0, 100.0, "%", Required),
]);

const SIMULATED: Section = section(&[
    num("rate-ml-per-min", 0.05, 500.0, "mL/min", Optional),
    // The one number that may be negative: a head can lose a little at each start.
    num("offset-ml", -10.0, 10.0, "mL", Need::Number(0.0)),
    num("scatter", 0.0, 0.2, "", Need::Number(0.0)),
]);

const RESERVOIR: Section = section(&[
    num("capacity-ml", 1.0, 1_000_000.0, "mL", Required),
    num("reserve-ml", 0.0, 1_000_000.0, "mL", Required),
    num("low-warning-days", 0.0, 365.0, "days", Need::Number(7.0)),
    // A cool room at night; solubility is tabulated from 0 to 30 C.
    num("coldest-c", 0.0, 30.0, "C", Need::Number(15.0)),
]);

const SOLUTION: Section = section(&[
    key("salts", Kind::List(&SALT), Optional),
    key("claim", Kind::Table(&CLAIM), Optional),
    key("per-litre", Kind::Table(&PER_LITRE), Optional),
    key("caustic", Kind::Flag, Required),
]);

const SALT: Section = section(&[
    key(
        "salt",
        Kind::Text("the formula of a salt such as \"Na2CO3\""),
        Required,
    ),
    num(
        "g-per-l",
        0.000_001,
        1500.0,
        "g per litre of solution",
        Required,
    ),
]);

const CLAIM: Section = section(&[
    num("ml", 0.001, 100_000.0, "mL", Required),
    num("litres", 0.001, 1_000_000.0, "L", Required),
    key(
        "raises",
        Kind::Text("\"alkalinity\" or the symbol of an element such as \"Ca\""),
        Required,
    ),
    key(
        "by",
        Kind::Text("an amount with its unit such as \"0.5 dKH\" or \"4 mg/L\""),
        Required,
    ),
]);

const PER_LITRE: Section = Section {
    keys: &[num(
        "alkalinity-meq",
        0.0,
        20_000.0,
        "meq per litre of solution",
        Optional,
    )],
    element_mg: Some(Range {
        low: 0.0,
        high: 1_000_000.0,
        unit: "mg per litre of solution",
    }),
};

const LINE: Section = section(&[
    key("head", Kind::Text("the name of a head"), Required),
    key("reservoir", Kind::Text("the name of a reservoir"), Required),
    key("solution", Kind::Text("the name of a solution"), Required),
    num("daily-cap-ml", 0.1, 5000.0, "mL", Required),
    num("dose-cap-ml", 0.01, 1000.0, "mL", Required),
]);

const APART: Section = section(&[
    key("first", Kind::Text("the name of a solution"), Required),
    key("second", Kind::Text("the name of a solution"), Required),
    num("gap-min", 0.1, 720.0, "min", Required),
]);

const INPUT: Section = section(&[
    key(
        "role",
        Kind::Choice(&[
            "reservoir-float",
            "return-pump",
            "leak",
            "sump-high",
            "stop-button",
        ]),
        Required,
    ),
    key("reservoir", Kind::Text("the name of a reservoir"), Optional),
    key(
        "input",
        Kind::Text("a pin with its numbering scheme, for example \"GPIO24\""),
        Required,
    ),
    key("safe", Kind::Choice(&["low", "high"]), Required),
    key(
        "blocks",
        Kind::Texts("\"all\" or a list of lines"),
        Optional,
    ),
    key("stops-running", Kind::Flag, Need::Flag(true)),
    num("trip-after-s", 0.0, 600.0, "s", Need::Number(0.5)),
    num("clear-after-s", 0.0, 86_400.0, "s", Need::Number(10.0)),
    num("resume-after-s", 0.0, 86_400.0, "s", Need::Number(0.0)),
]);

const LIMITS: Section = section(&[
    key("alkalinity", Kind::Table(&LIMITS_ALKALINITY), Optional),
    key(
        "element",
        Kind::Named(&LIMITS_ELEMENT, Naming::Element),
        Optional,
    ),
    key("time", Kind::Table(&LIMITS_TIME), Optional),
]);

/// Band: outside 5 to 14 dKH is taken for a slip (reference row a8.cp.alk_target, common practice, no source). Rise: up to 2 dKH
/// a day is the loosest figure in use (a8.cp.alk_rate, common practice, no source); its default place is the sample file.
const LIMITS_ALKALINITY: Section = section(&[
    num("max-rise-dkh-per-day", 0.0, 2.0, "dKH per day", Required),
    num("max-fall-dkh-per-day", 0.0, 3.0, "dKH per day", Required),
    num("band-low-dkh", 5.0, 14.0, "dKH", Required),
    num("band-high-dkh", 5.0, 14.0, "dKH", Required),
    num("alarm-low-dkh", 4.0, 16.0, "dKH", Required),
    num("alarm-high-dkh", 4.0, 16.0, "dKH", Required),
    key(
        "alarm-action",
        Kind::Choice(&["hold-alkalinity-lines", "hold-all", "warn"]),
        Need::Text("hold-alkalinity-lines"),
    ),
    num("stale-after-days", 0.5, 60.0, "days", Need::Number(14.0)),
    num(
        "drift-dkh-per-day",
        0.0,
        2.0,
        "dKH per day",
        Need::Number(0.1),
    ),
    num(
        "uptake-change-max-dkh-per-day",
        0.0,
        1.0,
        "dKH per day",
        Need::Number(0.3),
    ),
    // Retest three to seven days after a change (a8.cp.retest, common practice, no source).
    num("settling-days", 0.5, 60.0, "days", Need::Number(7.0)),
]);

const LIMITS_ELEMENT: Section = section(&[num(
    "max-rise-mg-per-l-per-day",
    0.000_001,
    200.0,
    "mg/L per day",
    Required,
)]);

pub(super) const LIMITS_TIME: Section = section(&[
    num("slot-lateness-max-s", 1.0, 3600.0, "s", Need::Number(300.0)),
    num("slot-wait-max-min", 0.0, 720.0, "min", Need::Number(60.0)),
    num("clock-step-max-s", 1.0, 3600.0, "s", Need::Number(60.0)),
    num(
        "clock-wait-alarm-min",
        1.0,
        1440.0,
        "min",
        Need::Number(15.0),
    ),
    num("hold-reminder-h", 0.1, 720.0, "h", Need::Number(12.0)),
    num("permit-valid-s", 0.5, 60.0, "s", Need::Number(5.0)),
]);

pub(super) const PLAN: Section = section(&[
    key(
        "uptake",
        Kind::Named(&PLAN_UPTAKE, Naming::Quantity),
        Optional,
    ),
    key("line", Kind::Named(&PLAN_LINE, Naming::Own), Optional),
]);

const PLAN_UPTAKE: Section = section(&[
    num("start-dkh-per-day", 0.0, 10.0, "dKH per day", Optional),
    num(
        "start-mg-per-l-per-day",
        0.0,
        200.0,
        "mg/L per day",
        Optional,
    ),
    key("with", Kind::Choice(&["alkalinity"]), Optional),
]);

const PLAN_LINE: Section = section(&[
    num("share-of-uptake", 0.0, 1.0, "of the uptake", Optional),
    num("ml-per-dkh", 0.001, 5000.0, "mL for each dKH", Optional),
    num(
        "ml-per-mg-per-l",
        0.000_001,
        5000.0,
        "mL for each mg/L",
        Optional,
    ),
    key(
        "of",
        Kind::Text("a water quantity such as \"alkalinity\""),
        Optional,
    ),
    num("daily-ml", 0.001, 5000.0, "mL", Optional),
    key(
        "doses",
        Kind::Whole(Range {
            low: 1.0,
            high: 480.0,
            unit: "doses a day",
        }),
        Optional,
    ),
    key(
        "window",
        Kind::Text("a window such as \"08:00-20:00\""),
        Optional,
    ),
    key(
        "at",
        Kind::Texts("times of day such as [\"08:00\", \"20:00\"]"),
        Optional,
    ),
    key(
        "cron",
        Kind::Text("a cron expression such as \"0 8 * * Mon\""),
        Optional,
    ),
]);

impl Section {
    /// The key of this name.
    pub(super) fn find(&self, name: &str) -> Option<&'static Key> {
        self.keys.iter().find(|key| key.name == name)
    }
}

impl Range {
    /// Whether a value is in it; never for a value that is not a number.
    pub(super) fn contains(&self, value: f64) -> bool {
        value.is_finite() && self.low <= value && value <= self.high
    }

    /// `0.1 to 5000 mL`.
    pub(super) fn words(&self) -> String {
        let space = if self.unit.is_empty() { "" } else { " " };
        format!("{} to {}{space}{}", self.low, self.high, self.unit)
    }
}

impl Kind {
    /// What is wanted, as it follows "give".
    pub(super) fn wanted(&self) -> String {
        match self {
            Self::Number(range) => range.words(),
            Self::Whole(range) => format!("a whole number from {}", range.words()),
            Self::Flag => "true or false".to_owned(),
            Self::Text(what) | Self::Texts(what) => (*what).to_owned(),
            Self::Choice(words) => words
                .iter()
                .map(|word| format!("\"{word}\""))
                .collect::<Vec<_>>()
                .join(" or "),
            Self::Table(_) | Self::Foreign => "a table".to_owned(),
            Self::Named(_, Naming::Own) => "tables by name, one for each".to_owned(),
            Self::Named(_, Naming::Element) => "tables by the symbol of an element".to_owned(),
            Self::Named(_, Naming::Quantity) => "tables by the name of a water quantity".to_owned(),
            Self::List(_) => "a list of tables".to_owned(),
        }
    }
}
