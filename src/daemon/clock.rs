//! The only place that reads the wall clock; the elapsed clock is read here and where runs are timed.

use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use jiff::Timestamp;
use rtime_clock::adjtime::{Timex, adjtimex};

use crate::engine::Now;
use crate::pump::elapsed;
use crate::shell::{Core, VirtualTime};

/// The clocks of the shell: the machine's own, or virtual ones that run faster.
#[derive(Debug, Clone)]
pub enum ShellClock {
    Real,
    Virtual(Arc<Mutex<VirtualTime>>),
}

impl ShellClock {
    /// Virtual clocks that stand at `start` until they are let on.
    pub fn virtual_from(start: Timestamp, warp: u32) -> Self {
        Self::Virtual(Arc::new(Mutex::new(VirtualTime::new(start, warp))))
    }

    /// Both clocks, read together.
    pub fn now(&self) -> Now {
        match self {
            Self::Real => Now {
                wall: wall_clock(),
                elapsed: elapsed(),
            },
            Self::Virtual(time) => locked(time).now(elapsed()),
        }
    }

    /// Real time until the core wants a tick, at most `longest`. Virtual time passes until then.
    pub(super) fn until_due<A>(&self, core: &mut Core<A>, longest: Duration) -> Duration {
        let left = match self {
            Self::Real => {
                let now = self.now();
                core.engine
                    .next_deadline(now)
                    .minus(now.elapsed)
                    .to_duration()
            }
            Self::Virtual(time) => {
                let (mut time, real) = (locked(time), elapsed());
                let due = core.let_pass(&mut time, real);
                time.real_time_until(due, real).unwrap_or(longest)
            }
        };
        left.min(longest)
    }

    /// Whether time is virtual.
    pub fn is_virtual(&self) -> bool {
        matches!(self, Self::Virtual(_))
    }
}

fn locked<T>(value: &Mutex<T>) -> MutexGuard<'_, T> {
    value.lock().unwrap_or_else(PoisonError::into_inner)
}

#[expect(
    clippy::disallowed_methods,
    reason = "the one place that reads the wall clock"
)]
fn wall_clock() -> Timestamp {
    Timestamp::now()
}

static LOG_CLOCK: Mutex<ShellClock> = Mutex::new(ShellClock::Real);

/// From now on log lines carry the time of this clock.
pub(super) fn show_in_log(clock: &ShellClock) {
    *locked(&LOG_CLOCK) = clock.clone();
}

/// The time of a log line: virtual time when the daemon runs on it, marked as such.
#[derive(Debug, Clone, Copy)]
pub struct LogTime;

impl tracing_subscriber::fmt::time::FormatTime for LogTime {
    fn format_time(&self, w: &mut tracing_subscriber::fmt::format::Writer<'_>) -> std::fmt::Result {
        let clock = locked(&LOG_CLOCK).clone();
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
