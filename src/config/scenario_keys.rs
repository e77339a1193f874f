//! Every key of a scenario file, as `keys.rs` has those of the other two. Ranges are plausibility windows (ours).

use super::schema::Need::{self, Optional, Required};
use super::schema::{
    Flag, List, Named, Naming, Number, Of, Section, Table, Text, Whole, choice, flag, in_units,
    list, named, number, section, table, text, whole,
};
use crate::chemistry::Unit;

pub(super) const FOLLOWS_ADVICE: &str = "follows-advice";
pub(super) const GRANTS_CORRIDOR: &str = "grants-corridor";
pub(super) const CHANGES_NOTHING: &str = "changes-nothing";
pub(super) const CHASES_TESTS: &str = "chases-tests";

pub(super) const POWER_CUT: &str = "power-cut";
pub(super) const DAEMON_STOPPED: &str = "daemon-stopped";
pub(super) const CLOCK_UNKNOWN: &str = "clock-unknown";
pub(super) const REFILL_LATE: &str = "refill-late";
pub(super) const HEAD_BLOCKED: &str = "head-blocked";
pub(super) const HEAD_WORN: &str = "head-worn";

section! { scenario;
    WATER: Named = named("water", &element::SECTION, Naming::Quantity(water), Optional);
    HEADS: Table = table("heads", &heads::SECTION, Optional);
    OWNER: Table = table("owner", &owner::SECTION, Optional);
    FAULT: List = list("fault", &fault::SECTION, Optional);
}

section! { alkalinity;
    START_DKH: Number = number("start-dkh", 4.0, 16.0, "dKH", Optional);
    UPTAKE_PERCENT_OF_PLAN: Number = number("uptake-percent-of-plan", 0.0, 1000.0, "%", Need::Number(100.0));
    UPTAKE_GROWTH_PERCENT_PER_DAY: Number = number("uptake-growth-percent-per-day", -5.0, 5.0, "% per day", Need::Number(0.0));
    UPTAKE_STEP: List = list("uptake-step", &step::SECTION, Optional);
    UPTAKE_WAVE_PERCENT: Number = number("uptake-wave-percent", 0.0, 100.0, "%", Need::Number(0.0));
    UPTAKE_WAVE_DAYS: Number = number("uptake-wave-days", 2.0, 730.0, "days", Need::Number(28.0));
    UPTAKE_WANDER_PERCENT_PER_DAY: Number = number("uptake-wander-percent-per-day", 0.0, 20.0, "% per day", Need::Number(0.0));
    TEST_EVERY_DAYS: Whole = whole("test-every-days", 0.0, 365.0, "days", Need::Number(7.0));
    TEST_ERROR_DKH: Number = number("test-error-dkh", 0.0, 2.0, "dKH", Need::Number(0.15));
    TEST_STEP_DKH: Number = number("test-step-dkh", 0.0, 2.0, "dKH", Need::Number(0.1));
    TEST_BIAS_DKH: Number = number("test-bias-dkh", -3.0, 3.0, "dKH", Need::Number(0.0));
    TEST_BIAS_WANDER_DKH: Number = number("test-bias-wander-dkh", 0.0, 2.0, "dKH", Need::Number(0.0));
    TEST_SLIP_PERCENT: Number = number("test-slip-percent", 0.0, 100.0, "%", Need::Number(0.0));
    TEST_SLIP_DKH: Number = number("test-slip-dkh", 0.0, 10.0, "dKH", Need::Number(2.0));
    TEST_MISSED_PERCENT: Number = number("test-missed-percent", 0.0, 100.0, "%", Need::Number(0.0));
}

section! { element;
    START_MG_PER_L: Number = number("start-mg-per-l", 0.0, 20_000.0, "mg/L", Optional);
    UPTAKE_PERCENT_OF_PLAN: Number = alkalinity::UPTAKE_PERCENT_OF_PLAN;
    UPTAKE_GROWTH_PERCENT_PER_DAY: Number = alkalinity::UPTAKE_GROWTH_PERCENT_PER_DAY;
    UPTAKE_STEP: List = alkalinity::UPTAKE_STEP;
    UPTAKE_WAVE_PERCENT: Number = alkalinity::UPTAKE_WAVE_PERCENT;
    UPTAKE_WAVE_DAYS: Number = alkalinity::UPTAKE_WAVE_DAYS;
    UPTAKE_WANDER_PERCENT_PER_DAY: Number = alkalinity::UPTAKE_WANDER_PERCENT_PER_DAY;
    TEST_EVERY_DAYS: Whole = whole("test-every-days", 0.0, 365.0, "days", Need::Number(0.0));
    TEST_ERROR_MG_PER_L: Number = number("test-error-mg-per-l", 0.0, 500.0, "mg/L", Need::Number(10.0));
    TEST_STEP_MG_PER_L: Number = number("test-step-mg-per-l", 0.0, 500.0, "mg/L", Need::Number(5.0));
    TEST_BIAS_MG_PER_L: Number = number("test-bias-mg-per-l", -500.0, 500.0, "mg/L", Need::Number(0.0));
    TEST_BIAS_WANDER_MG_PER_L: Number = number("test-bias-wander-mg-per-l", 0.0, 500.0, "mg/L", Need::Number(0.0));
    TEST_SLIP_PERCENT: Number = alkalinity::TEST_SLIP_PERCENT;
    TEST_SLIP_MG_PER_L: Number = number("test-slip-mg-per-l", 0.0, 2000.0, "mg/L", Need::Number(100.0));
    TEST_MISSED_PERCENT: Number = alkalinity::TEST_MISSED_PERCENT;
}

in_units! {
    water: &'static Section = &alkalinity::SECTION, &element::SECTION;
    start: Of<Number> = alkalinity::START_DKH, element::START_MG_PER_L;
    test_error: Of<Number> = alkalinity::TEST_ERROR_DKH, element::TEST_ERROR_MG_PER_L;
    test_step: Of<Number> = alkalinity::TEST_STEP_DKH, element::TEST_STEP_MG_PER_L;
    test_bias: Of<Number> = alkalinity::TEST_BIAS_DKH, element::TEST_BIAS_MG_PER_L;
    test_bias_wander: Of<Number> = alkalinity::TEST_BIAS_WANDER_DKH, element::TEST_BIAS_WANDER_MG_PER_L;
    test_slip: Of<Number> = alkalinity::TEST_SLIP_DKH, element::TEST_SLIP_MG_PER_L;
}

section! { step;
    DAY: Number = number("day", 0.0, 3650.0, "days", Required);
    PERCENT: Number = number("percent", -100.0, 500.0, "%", Required);
}

section! { heads;
    DRIFT_PERCENT_PER_30_DAYS: Number = number("drift-percent-per-30-days", -20.0, 20.0, "% per 30 days", Need::Number(0.0));
    SCATTER_PERCENT: Number = number("scatter-percent", 0.0, 20.0, "%", Optional);
}

section! { owner;
    KIND: Text = choice("kind", &[FOLLOWS_ADVICE, GRANTS_CORRIDOR, CHANGES_NOTHING, CHASES_TESTS], Need::Text(FOLLOWS_ADVICE));
    HOUR: Whole = whole("hour", 0.0, 23.0, "o'clock", Need::Number(19.0));
    REFILLS_AFTER_DAYS: Number = number("refills-after-days", 0.0, 365.0, "days", Need::Number(1.0));
    CALIBRATES: Flag = flag("calibrates", Need::Flag(true));
    AWAY_FROM_DAY: Whole = whole("away-from-day", 0.0, 3650.0, "", Optional);
    AWAY_DAYS: Whole = whole("away-days", 1.0, 365.0, "days", Need::Number(21.0));
}

section! { fault;
    WHAT: Text = choice("what", &[POWER_CUT, DAEMON_STOPPED, CLOCK_UNKNOWN, REFILL_LATE, HEAD_BLOCKED, HEAD_WORN], Required);
    DAY: Number = number("day", 0.0, 3650.0, "days", Optional);
    TIMES_PER_100_DAYS: Number = number("times-per-100-days", 0.1, 100.0, "", Optional);
    HOURS: Number = number("hours", 0.1, 8760.0, "h", Optional);
    HEAD: Text = text("head", "the name of a head in quotes", Optional);
    BOTTLE: Text = text("bottle", "the name of a reservoir in quotes", Optional);
    PERCENT: Number = number("percent", -90.0, 50.0, "%", Optional);
}
