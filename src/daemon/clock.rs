//! The only place that reads the wall clock; the elapsed clock is read here and where runs are timed.

use std::path::Path;
use std::time::Duration;

use jiff::Timestamp;
use rtime_clock::adjtime::{Timex, adjtimex};

use crate::engine::Now;
use crate::pump::elapsed;
use crate::quantity::Millis;

/// The clocks of the shell: the machine's own, or virtual ones that run faster.
#[derive(Debug, Clone, Copy)]
pub enum ShellClock {
    Real,
    /// Virtual time: `start` was at `anchor` on the machine's elapsed clock, and time passes `warp` times faster.
    ///
    /// Both virtual clocks are one, so they never step against each other and go on across restarts.
    Virtual {
        /// The machine's elapsed clock at the start.
        anchor: Millis,
        /// Virtual wall time at the start.
        start: Timestamp,
        /// How many times faster.
        warp: i64,
    },
}

impl ShellClock {
    /// Virtual clocks that begin at `start` now.
    pub fn virtual_from(start: Timestamp, warp: u32) -> Self {
        Self::Virtual {
            anchor: elapsed(),
            start,
            warp: i64::from(warp),
        }
    }

    /// Both clocks, read together.
    pub fn now(&self) -> Now {
        match *self {
            Self::Real => Now {
                wall: wall_clock(),
                elapsed: elapsed(),
            },
            Self::Virtual {
                anchor,
                start,
                warp,
            } => {
                let passed = elapsed().minus(anchor).as_ms().saturating_mul(warp);
                let ms = start.as_millisecond().saturating_add(passed);
                let wall = Timestamp::from_millisecond(ms).unwrap_or(Timestamp::MAX);
                Now {
                    wall,
                    elapsed: Millis::new(ms),
                }
            }
        }
    }

    /// Real time until a moment of the elapsed clock, at most `longest`.
    pub fn until(&self, deadline: Millis, longest: Duration) -> Duration {
        let left = deadline.minus(self.now().elapsed).to_duration();
        let left = match *self {
            Self::Real => left,
            Self::Virtual { warp, .. } => left / u32::try_from(warp).unwrap_or(1).max(1),
        };
        left.min(longest)
    }

    /// Whether time is virtual.
    pub fn is_virtual(&self) -> bool {
        matches!(self, Self::Virtual { .. })
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "the one place that reads the wall clock"
)]
fn wall_clock() -> Timestamp {
    Timestamp::now()
}

static LOG_CLOCK: std::sync::OnceLock<ShellClock> = std::sync::OnceLock::new();

/// From now on log lines carry the time of this clock. The first call counts.
pub(super) fn show_in_log(clock: ShellClock) {
    LOG_CLOCK.get_or_init(|| clock);
}

/// The time of a log line: virtual time when the daemon runs on it, marked as such.
#[derive(Debug, Clone, Copy)]
pub struct LogTime;

impl tracing_subscriber::fmt::time::FormatTime for LogTime {
    fn format_time(&self, w: &mut tracing_subscriber::fmt::format::Writer<'_>) -> std::fmt::Result {
        let clock = LOG_CLOCK.get().copied().unwrap_or(ShellClock::Real);
        let mark = if clock.is_virtual() { "virtual " } else { "" };
        write!(w, "{mark}{:.3}", clock.now().wall)
    }
}

/// The machine's wall clock, for commands that work without a daemon.
pub(crate) fn machine_now() -> Now {
    ShellClock::Real.now()
}

/// Whether the kernel says that its clock is synchronised, by adjtimex(2), as the service manager's own time-sync wait does.
/// `None` when the kernel cannot be asked.
pub fn kernel_clock_is_synchronised() -> Option<bool> {
    /// `TIME_ERROR` of adjtimex(2): the clock is not synchronised.
    const TIME_ERROR: i32 = 5;
    let mut query = Timex::new();
    adjtimex(&mut query).ok().map(|state| state != TIME_ERROR)
}

/// The kernel's id of this boot: sessions of one boot share the elapsed clock.
pub(super) fn boot_id() -> std::io::Result<String> {
    let text = std::fs::read_to_string("/proc/sys/kernel/random/boot_id")?;
    Ok(text.trim().to_owned())
}

/// The file of the board's under-voltage flag, if this board has one: the hwmon device named `rpi_volt`.
pub(super) fn under_voltage_file() -> Option<std::path::PathBuf> {
    let devices = std::fs::read_dir(Path::new("/sys/class/hwmon")).ok()?;
    devices.flatten().map(|d| d.path()).find_map(|device| {
        let name = std::fs::read_to_string(device.join("name")).ok()?;
        let alarm = device.join("in0_lcrit_alarm");
        (name.trim() == "rpi_volt" && alarm.exists()).then_some(alarm)
    })
}

/// Reads the flag; an unreadable one counts as low, because it was there when the daemon started.
pub(super) fn under_voltage(file: &Path) -> bool {
    std::fs::read_to_string(file).map_or(true, |text| text.trim() != "0")
}
