//! Every key that may stand in the two files: its type, unit, range and default, in one place.
//!
//! The reader walks this table, so a key that is not here cannot be read, an unknown key cannot pass, and the test that
//! tries `nan`, `inf` and the rest on every number finds a new key by itself. Values are taken out of the tree by these constants.
//! Ranges are plausibility windows of this program ("ours") unless a comment names a source. Relations between keys are not here;
//! the files that build the checked types check them.

use super::drive::ActiveLevel;
use super::schema::Need::{self, Optional, Required};
use super::schema::{
    Flag, List, Named, Naming, Number, Of, Range, Section, Table, Text, Texts, Whole, choice,
    choices, flag, in_units, list, named, number, section, table, text, texts, whole,
};
use super::words::{AlarmAction, LineBy, Mode, OldCalibration};
use crate::chemistry::Unit;

const A_PIN: &str = "a pin with its numbering scheme, for example \"GPIO17\"";
const LEVEL: &[&str] = ActiveLevel::WORDS;
const ON_HIGH: &[&str] = &["hold-lines", "hold-all", "warn"];
const FILE: &str = "the full path of a file";

section! { controller;
    NAME: Text = text("name", "a name of this controller", Need::Text("dosewright"));
    MODE: Text = choice("mode", Mode::WORDS, Need::Text("dry-run"));
    TIME_ZONE: Text = text("time-zone", "the name of a time zone such as \"Europe/Berlin\"", Required);
    BOARD: Table = table("board", &board::SECTION, Optional);
    TANK: Table = table("tank", &tank::SECTION, Required);
    SUPPLY: Table = table("supply", &supply::SECTION, Optional);
    HEAD: Named = named("head", &head::SECTION, Naming::Own, Required);
    RESERVOIR: Named = named("reservoir", &reservoir::SECTION, Naming::Own, Required);
    SOLUTION: Named = named("solution", &solution::SECTION, Naming::Own, Required);
    LINE: Named = named("line", &line::SECTION, Naming::Own, Required);
    APART: List = list("apart", &apart::SECTION, Optional);
    INPUT: Named = named("input", &input::SECTION, Naming::Own, Optional);
    WATER: Named = named("water", &element::SECTION, Naming::Quantity(water), Optional);
    TIME: Table = table("time", &time::SECTION, Optional);
    PEER: List = list("peer", &peer::SECTION, Optional);
    MQTT: Table = table("mqtt", &mqtt::SECTION, Optional);
}

/// Tables of `controller.toml` that do not bear on dosing: changing them needs no new arming.
pub(super) const NOT_ON_DOSING: &[&str] = &[controller::MQTT.name(), controller::PEER.name()];

section! {
    /// How pins are driven in live mode. Without this table live mode is refused.
    board;
    DRIVER: Text = choice("driver", &["rppal", "chardev"], Required);
    CHIP_LABEL: Text = text("chip-label", "the label of the GPIO chip, as `gpiodetect` shows it in brackets", Optional);
    LINE_BY: Text = choice("line-by", LineBy::WORDS, Need::Text("offset"));
    CUT_OFF: Text = text("cut-off", A_PIN, Optional);
    CUT_OFF_ACTIVE: Text = choice("cut-off-active", LEVEL, Need::Text("high"));
    HEARTBEAT: Text = text("heartbeat", A_PIN, Optional);
    ALARM: Text = text("alarm", A_PIN, Optional);
    ALARM_ACTIVE: Text = choice("alarm-active", LEVEL, Need::Text("high"));
    INPUT_POLL_MS: Number = number("input-poll-ms", 5.0, 200.0, "ms", Need::Number(20.0));
}

section! { tank;
    VOLUME_L: Number = number("volume-l", 5.0, 100_000.0, "L", Required);
}

section! { supply;
    HEADS_AT_ONCE: Whole = whole("heads-at-once", 1.0, 64.0, "heads", Need::Number(1.0));
}

section! { head;
    NOMINAL_RATE_ML_PER_MIN: Number = number("nominal-rate-ml-per-min", 0.05, 500.0, "mL/min", Required);
    RUN_MAX_S: Number = number("run-max-s", 0.2, 3600.0, "s", Required);
    DOSE_MIN_ML: Number = number("dose-min-ml", 0.001, 1000.0, "mL", Required);
    OUTPUT: Text = text("output", A_PIN, Need::Unless(&["stepper", "pwm"]));
    ACTIVE: Text = choice("active", LEVEL, Need::Unless(&["stepper", "pwm"]));
    STEPPER: Table = table("stepper", &stepper::SECTION, Optional);
    PWM: Table = table("pwm", &pwm::SECTION, Optional);
    RUN_SENSE: Text = text("run-sense", A_PIN, Optional);
    RUN_SENSE_RUNNING: Text = choice("run-sense-running", LEVEL, Optional);
    CALIBRATION_AGE_MAX_DAYS: Number = number("calibration-age-max-days", 1.0, 3650.0, "days", Need::Number(90.0));
    CALIBRATION_RUN_MAX_H: Number = number("calibration-run-max-h", 0.1, 10_000.0, "h", Need::Number(50.0));
    TOLERANCE_PERCENT: Number = number("tolerance-percent", 1.0, 50.0, "%", Need::Number(5.0));
    CALIBRATION_OLD: Text = choice("calibration-old", OldCalibration::WORDS, Need::Text("warn"));
    SIMULATED: Table = table("simulated", &simulated::SECTION, Optional);
}

type Pins = &'static [Of<Text>];

/// Where the pins of a head stand: in its own table, or in that of its kind, first the one that moves it.
pub(super) const HEAD_PINS: [(Option<Of<Table>>, Pins); 3] = [
    (None, &[head::OUTPUT, head::RUN_SENSE]),
    (
        Some(head::STEPPER),
        &[stepper::STEP, stepper::DIRECTION, stepper::ENABLE],
    ),
    (Some(head::PWM), &[pwm::PIN]),
];

section! {
    /// Up to 2,000 steps/s: what a thread that sleeps between pulses keeps up with (ours). Acceleration: from a second of ramp at the
    /// lowest speed to none that would be felt.
    stepper;
    STEP: Text = text("step", A_PIN, Required);
    DIRECTION: Text = text("direction", A_PIN, Optional);
    DIRECTION_LEVEL: Text = choice("direction-level", LEVEL, Optional);
    ENABLE: Text = text("enable", A_PIN, Optional);
    ENABLE_ACTIVE: Text = choice("enable-active", LEVEL, Optional);
    STEPS_PER_S: Whole = whole("steps-per-s", 10.0, 2000.0, "steps/s", Required);
    ACCELERATION_STEPS_PER_S2: Whole = whole("acceleration-steps-per-s2", 10.0, 100_000.0, "steps/s2", Required);
}

section! {
    /// Frequency: from pulses that are short against the shortest run to what motor drivers take (ours). At least 1 %: a speed of none
    /// is no speed.
    pwm;
    CHIP: Text = text(
        "chip",
        "the device of the PWM chip, in which `readlink -f /sys/class/pwm/pwmchip*/device` ends, for example \"fe20c000.pwm\"",
        Required,
    );
    CHANNEL: Whole = whole("channel", 0.0, 255.0, "", Required);
    PIN: Text = text("pin", A_PIN, Required);
    FREQUENCY_HZ: Whole = whole("frequency-hz", 50.0, 50_000.0, "Hz", Required);
    DUTY_PERCENT: Whole = whole("duty-percent", 1.0, 100.0, "%", Required);
}

section! { simulated;
    RATE_ML_PER_MIN: Number = number("rate-ml-per-min", 0.05, 500.0, "mL/min", Optional);
    /// The one number that may be negative: a head can lose a little at each start.
    OFFSET_ML: Number = number("offset-ml", -10.0, 10.0, "mL", Need::Number(0.0));
    SCATTER: Number = number("scatter", 0.0, 0.2, "", Need::Number(0.0));
}

section! { reservoir;
    SOLUTIONS: Texts = texts("solutions", "the name of a solution, or a list of all that it may hold", Required);
    CAPACITY_ML: Number = number("capacity-ml", 1.0, 1_000_000.0, "mL", Required);
    RESERVE_ML: Number = number("reserve-ml", 0.0, 1_000_000.0, "mL", Required);
    LOW_WARNING_DAYS: Number = number("low-warning-days", 0.0, 365.0, "days", Need::Number(7.0));
    /// A cool room at night; solubility is tabulated from 0 to 30 C.
    COLDEST_C: Number = number("coldest-c", 0.0, 30.0, "C", Need::Number(15.0));
}

section! { solution;
    SALTS: List = list("salts", &salt::SECTION, Optional);
    CLAIM: Table = table("claim", &claim::SECTION, Optional);
    PER_LITRE: Table = table("per-litre", &per_litre::SECTION, Optional);
    UNSTATED: Flag = flag("unstated", Need::Flag(false));
    CAUSTIC: Flag = flag("caustic", Required);
}

section! { salt;
    SALT: Text = text("salt", "the formula of a salt such as \"Na2CO3\"", Required);
    G_PER_L: Number = number("g-per-l", 0.000_001, 1500.0, "g per litre of solution", Required);
}

section! { claim;
    ML: Number = number("ml", 0.001, 100_000.0, "mL", Required);
    LITRES: Number = number("litres", 0.001, 1_000_000.0, "L", Required);
    RAISES: Text = text("raises", "\"alkalinity\" or the symbol of an element such as \"Ca\"", Required);
    BY: Text = text("by", "an amount with its unit such as \"0.5 dKH\" or \"4 mg/L\"", Required);
}

section! { per_litre + Range { low: 0.0, high: 1_000_000.0, unit: "mg per litre of solution" };
    ALKALINITY_MEQ: Number = number("alkalinity-meq", 0.0, 20_000.0, "meq per litre of solution", Optional);
}

section! { line;
    HEAD: Text = text("head", "the name of a head", Required);
    RESERVOIR: Text = text("reservoir", "the name of a reservoir", Required);
    DAILY_CAP_ML: Number = number("daily-cap-ml", 0.1, 5000.0, "mL", Required);
    DOSE_CAP_ML: Number = number("dose-cap-ml", 0.01, 1000.0, "mL", Required);
    /// The dose cap or the busiest hour of the plan when absent.
    HOURLY_CAP_ML: Number = number("hourly-cap-ml", 0.01, 5000.0, "mL", Optional);
}

section! { apart;
    FIRST: Text = text("first", "the name of a solution", Required);
    SECOND: Text = text("second", "the name of a solution", Required);
    GAP_MIN: Number = number("gap-min", 0.1, 720.0, "min", Need::Unless(&["no-gap-because"]));
    NO_GAP_BECAUSE: Text = text("no-gap-because", "why the two may meet, in your words", Optional);
}

section! {
    /// Rights have their words from [`super::peer::Right`].
    peer;
    USER: Text = text("user", "the name of a user", Need::Unless(&["group"]));
    GROUP: Text = text("group", "the name of a group", Optional);
    MAY: Texts = texts("may", "a list of rights such as [\"observe\", \"dose\"]", Required);
}

section! { input;
    ROLE: Text = choice("role", &["reservoir-float", "return-pump", "leak", "sump-high", "stop-button"], Required);
    RESERVOIR: Text = text("reservoir", "the name of a reservoir", Optional);
    INPUT: Text = text("input", "a pin with its numbering scheme, for example \"GPIO24\"", Required);
    SAFE: Text = choice("safe", &["low", "high"], Required);
    BLOCKS: Texts = texts("blocks", "\"all\" or a list of lines", Optional);
    STOPS_RUNNING: Flag = flag("stops-running", Need::Flag(true));
    TRIP_AFTER_S: Number = number("trip-after-s", 0.0, 600.0, "s", Need::Number(0.5));
    CLEAR_AFTER_S: Number = number("clear-after-s", 0.0, 86_400.0, "s", Need::Number(10.0));
    RESUME_AFTER_S: Number = number("resume-after-s", 0.0, 86_400.0, "s", Need::Number(0.0));
}

section! {
    /// Band: outside 5 to 14 dKH is taken for a slip (reference row a8.cp.alk_target, common practice, no source). Rise: up to 2 dKH
    /// a day is the loosest figure in use (a8.cp.alk_rate, common practice, no source); its default place is the sample file.
    alkalinity;
    MAX_RISE_DKH_PER_DAY: Number = number("max-rise-dkh-per-day", 0.0, 2.0, "dKH per day", Required);
    MAX_RISE_DKH_PER_HOUR: Number = number("max-rise-dkh-per-hour", 0.001, 2.0, "dKH per hour", Optional);
    /// A kit of a whole dKH a drop is the coarsest in use.
    KIT_STEP_DKH: Number = number("kit-step-dkh", 0.0, 2.0, "dKH", Need::Number(0.0));
    MAX_FALL_DKH_PER_DAY: Number = number("max-fall-dkh-per-day", 0.0, 3.0, "dKH per day", Required);
    /// The middle of the band when absent.
    TARGET_DKH: Number = number("target-dkh", 5.0, 14.0, "dKH", Optional);
    BAND_LOW_DKH: Number = number("band-low-dkh", 5.0, 14.0, "dKH", Required);
    BAND_HIGH_DKH: Number = number("band-high-dkh", 5.0, 14.0, "dKH", Required);
    ALARM_LOW_DKH: Number = number("alarm-low-dkh", 4.0, 16.0, "dKH", Required);
    ALARM_HIGH_DKH: Number = number("alarm-high-dkh", 4.0, 16.0, "dKH", Required);
    ON_ALARM_LOW: Text = choice("on-alarm-low", AlarmAction::WORDS, Need::Text("uptake-only"));
    ON_ALARM_HIGH: Text = choice("on-alarm-high", ON_HIGH, Need::Text("hold-lines"));
    STALE_AFTER_DAYS: Number = number("stale-after-days", 0.5, 60.0, "days", Need::Number(14.0));
    DRIFT_DKH_PER_DAY: Number = number("drift-dkh-per-day", 0.0, 2.0, "dKH per day", Need::Number(0.1));
    UPTAKE_CHANGE_MAX_DKH_PER_DAY: Number = number("uptake-change-max-dkh-per-day", 0.0, 1.0, "dKH per day", Need::Number(0.3));
    /// Retest three to seven days after a change (a8.cp.retest, common practice, no source).
    SETTLING_DAYS: Number = number("settling-days", 0.5, 60.0, "days", Need::Number(7.0));
}

section! {
    /// From traces of a ten-thousandth of a per cent of a mg/L to more than the sodium of sea water (10,800 mg/L). What has a default for
    /// alkalinity has none here: it is of another size for every element.
    element;
    MAX_RISE_MG_PER_L_PER_DAY: Number = number("max-rise-mg-per-l-per-day", 0.000_001, 200.0, "mg/L per day", Required);
    MAX_RISE_MG_PER_L_PER_HOUR: Number = number("max-rise-mg-per-l-per-hour", 0.000_001, 200.0, "mg/L per hour", Optional);
    KIT_STEP_MG_PER_L: Number = number("kit-step-mg-per-l", 0.0, 200.0, "mg/L", Need::Number(0.0));
    MAX_FALL_MG_PER_L_PER_DAY: Number = number("max-fall-mg-per-l-per-day", 0.0, 200.0, "mg/L per day", Optional);
    TARGET_MG_PER_L: Number = number("target-mg-per-l", 0.0, 20_000.0, "mg/L", Optional);
    BAND_LOW_MG_PER_L: Number = number("band-low-mg-per-l", 0.0, 20_000.0, "mg/L", Optional);
    BAND_HIGH_MG_PER_L: Number = number("band-high-mg-per-l", 0.0, 20_000.0, "mg/L", Optional);
    ALARM_LOW_MG_PER_L: Number = number("alarm-low-mg-per-l", 0.0, 20_000.0, "mg/L", Optional);
    ALARM_HIGH_MG_PER_L: Number = number("alarm-high-mg-per-l", 0.0, 20_000.0, "mg/L", Optional);
    ON_ALARM_LOW: Text = alkalinity::ON_ALARM_LOW;
    ON_ALARM_HIGH: Text = alkalinity::ON_ALARM_HIGH;
    STALE_AFTER_DAYS: Number = alkalinity::STALE_AFTER_DAYS;
    DRIFT_MG_PER_L_PER_DAY: Number = number("drift-mg-per-l-per-day", 0.0, 200.0, "mg/L per day", Optional);
    UPTAKE_CHANGE_MAX_MG_PER_L_PER_DAY: Number = number("uptake-change-max-mg-per-l-per-day", 0.0, 200.0, "mg/L per day", Optional);
    SETTLING_DAYS: Number = alkalinity::SETTLING_DAYS;
}

/// The keys of which exactly one says how much a line gives.
pub(super) const GIVES: [Of<Number>; 4] = [
    plan_line::SHARE_OF_UPTAKE,
    plan_line::ML_PER_DKH,
    plan_line::ML_PER_MG_PER_L,
    plan_line::DAILY_ML,
];

in_units! {
    water: &'static Section = &alkalinity::SECTION, &element::SECTION;
    max_rise: Of<Number> = alkalinity::MAX_RISE_DKH_PER_DAY, element::MAX_RISE_MG_PER_L_PER_DAY;
    max_rise_per_hour: Of<Number> = alkalinity::MAX_RISE_DKH_PER_HOUR, element::MAX_RISE_MG_PER_L_PER_HOUR;
    kit_step: Of<Number> = alkalinity::KIT_STEP_DKH, element::KIT_STEP_MG_PER_L;
    max_fall: Of<Number> = alkalinity::MAX_FALL_DKH_PER_DAY, element::MAX_FALL_MG_PER_L_PER_DAY;
    target: Of<Number> = alkalinity::TARGET_DKH, element::TARGET_MG_PER_L;
    edges: [Of<Number>; 4] =
        [alkalinity::ALARM_LOW_DKH, alkalinity::BAND_LOW_DKH, alkalinity::BAND_HIGH_DKH, alkalinity::ALARM_HIGH_DKH],
        [element::ALARM_LOW_MG_PER_L, element::BAND_LOW_MG_PER_L, element::BAND_HIGH_MG_PER_L, element::ALARM_HIGH_MG_PER_L];
    drift: Of<Number> = alkalinity::DRIFT_DKH_PER_DAY, element::DRIFT_MG_PER_L_PER_DAY;
    uptake_change_max: Of<Number> = alkalinity::UPTAKE_CHANGE_MAX_DKH_PER_DAY, element::UPTAKE_CHANGE_MAX_MG_PER_L_PER_DAY;
    uptake: &'static Section = &plan_uptake_alkalinity::SECTION, &plan_uptake::SECTION;
    start_uptake: Of<Number> = plan_uptake_alkalinity::START_DKH_PER_DAY, plan_uptake::START_MG_PER_L_PER_DAY;
    ml_per: Of<Number> = plan_line::ML_PER_DKH, plan_line::ML_PER_MG_PER_L;
}

section! { time;
    SLOT_LATENESS_MAX_S: Number = number("slot-lateness-max-s", 1.0, 3600.0, "s", Need::Number(300.0));
    SLOT_WAIT_MAX_MIN: Number = number("slot-wait-max-min", 0.0, 720.0, "min", Need::Number(60.0));
    CLOCK_STEP_MAX_S: Number = number("clock-step-max-s", 1.0, 3600.0, "s", Need::Number(60.0));
    CLOCK_WAIT_ALARM_MIN: Number = number("clock-wait-alarm-min", 1.0, 1440.0, "min", Need::Number(15.0));
    HOLD_REMINDER_H: Number = number("hold-reminder-h", 0.1, 720.0, "h", Need::Number(12.0));
    PERMIT_VALID_S: Number = number("permit-valid-s", 0.5, 60.0, "s", Need::Number(5.0));
}

section! {
    /// The broker and what displays may do. Off unless it is switched on.
    mqtt;
    ENABLED: Flag = flag("enabled", Need::Flag(false));
    HOST: Text = text("host", "the broker's name or address, for example \"localhost\"", Optional);
    /// 1883 when absent, or 8883 with TLS.
    PORT: Whole = whole("port", 1.0, 65_535.0, "", Optional);
    CLIENT_ID: Text = text("client-id", "a name for this client, or leave it out", Optional);
    BASE_TOPIC: Text = text("base-topic", "where our topics begin", Need::Text("dosewright"));
    CREDENTIAL_FILE: Text = text("credential-file", FILE, Optional);
    KEEP_ALIVE_S: Whole = whole("keep-alive-s", 5.0, 600.0, "s", Need::Number(20.0));
    PUBLISH_INTERVAL_S: Whole = whole("publish-interval-s", 1.0, 3600.0, "s", Need::Number(1.0));
    COMMAND_AGE_MAX_S: Whole = whole("command-age-max-s", 5.0, 300.0, "s", Need::Number(30.0));
    COMMANDS: Texts = choices("commands", &["hold", "resume", "dose", "acknowledge", "reading"], Optional);
    DISCOVERY: Table = table("discovery", &discovery::SECTION, Optional);
    TLS: Table = table("tls", &tls::SECTION, Optional);
}

section! { discovery;
    ENABLED: Flag = flag("enabled", Need::Flag(true));
    PREFIX: Text = text("prefix", "where hubs look", Need::Text("homeassistant"));
}

section! { tls;
    CA_FILE: Text = text("ca-file", "the PEM file of the authority that signed the broker's certificate", Required);
    CLIENT_CERT_FILE: Text = text("client-cert-file", FILE, Optional);
    CLIENT_KEY_FILE: Text = text("client-key-file", FILE, Optional);
}

section! { plan;
    UPTAKE: Named = named("uptake", &plan_uptake::SECTION, Naming::Quantity(uptake), Optional);
    LINE: Named = named("line", &plan_line::SECTION, Naming::Own, Optional);
    JOB: Named = named("job", &plan_job::SECTION, Naming::Own, Optional);
}

section! { plan_job;
    EVERY_DAYS: Number = number("every-days", 0.5, 3650.0, "days", Required);
    TICKED_BY: Text = text("ticked-by", "panel, water-change, or what a test is of, such as alkalinity or nitrate", Optional);
}

section! { plan_uptake_alkalinity;
    START_DKH_PER_DAY: Number = number("start-dkh-per-day", 0.0, Unit::Dkh.uptake_max(), "dKH per day", Optional);
}

section! { plan_uptake;
    START_MG_PER_L_PER_DAY: Number = number("start-mg-per-l-per-day", 0.0, Unit::MgPerL.uptake_max(), "mg/L per day", Optional);
    WITH: Text = choice("with", &["alkalinity"], Optional);
}

section! { plan_line;
    SHARE_OF_UPTAKE: Number = number("share-of-uptake", 0.0, 1.0, "of the uptake", Optional);
    ML_PER_DKH: Number = number("ml-per-dkh", 0.001, 5000.0, "mL for each dKH", Optional);
    ML_PER_MG_PER_L: Number = number("ml-per-mg-per-l", 0.000_001, 5000.0, "mL for each mg/L", Optional);
    OF: Text = text("of", "a water quantity such as \"alkalinity\"", Optional);
    DAILY_ML: Number = number("daily-ml", 0.001, 5000.0, "mL", Optional);
    KEEPS_ON: Flag = flag("keeps-on", Optional);
    DOSES: Whole = whole("doses", 1.0, 480.0, "doses a day", Optional);
    WINDOW: Text = text("window", "a window such as \"08:00-20:00\"", Optional);
    AT: Texts = texts("at", "times of day such as [\"08:00\", \"20:00\"]", Optional);
    CRON: Text = text("cron", "a cron expression such as \"0 8 * * Mon\"", Optional);
}
