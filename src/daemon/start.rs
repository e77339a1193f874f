//! Starting the daemon: configuration, lock, ledger, heads, engine, socket, in this order, and off before everything else.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::Timestamp;
use thiserror::Error;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;

use super::arming::Acceptance;
use super::clock::{
    ShellClock, boot_id, kernel_clock_is_synchronised, machine_now, under_voltage_file,
};
use super::displays::{self, Displays, Told, Totals};
use super::driving::{Driving, Heads, force_off_leftovers, start_heads, start_inputs};
use super::heart::{Heart, LoopBeat, Watched, tell as tell_manager};
use super::holdfile::{HoldKeeper, read_holds};
use super::ledger_path;
use super::lock::{InstanceLock, LockError};
use super::options::RunOptions;
use super::pwm::LeftOn;
use super::settings::load_all;
use super::shell::{Guards, Happening, Shell, Signals, Waiting};
use crate::config::{ConfigMistakes, Controller, Loaded, Mode};
use crate::control::{ServeError, Server, ShellFacts, check_socket_path};
use crate::engine::{Effect, Engine, Event, Now, Setup, TrustSource};
use crate::ledger::{
    Ledger, LedgerError, LedgerHandle, LedgerThread, OpenAs, SessionStart, Timeline,
};
use crate::pump::{Output, Pace, Priority, PumpHandle};
use crate::quantity::{Millis, Name};
use crate::record::{History, Hold, Stamp};

/// A report of a run may come this long after its planned end before its thread counts as lost, in real time.
const REPORT_GRACE: Millis = Millis::from_secs(5);
/// A ledger that could not be opened is tried again after this time, by starting anew.
const OPEN_AGAIN_AFTER: Millis = Millis::from_mins(1);
/// Fastest virtual time: an hour a second. Faster, a late wake-up would be longer than the plan's tolerance.
pub const WARP_MAX: u32 = 3_600;

/// Why the daemon did not start. Nothing was started then, and all outputs are off.
#[derive(Debug, Error)]
pub enum DaemonError {
    /// The configuration has mistakes.
    #[error("{0}")]
    Config(ConfigMistakes),
    /// Virtual time is for dry runs.
    #[error(
        "--warp is for dry runs only, and controller.toml says mode = \"live\"; leave --warp out, or set mode = \"dry-run\""
    )]
    WarpInLive,
    /// The lock is not ours.
    #[error(transparent)]
    Lock(#[from] LockError),
    /// The control socket cannot be made.
    #[error("{0}")]
    Socket(#[source] ServeError),
    /// The state folder cannot be made.
    #[error("cannot make the state folder {path}: {source}")]
    State { path: PathBuf, source: io::Error },
    /// The system gave no thread, signal or runtime.
    #[error("the system refused what the daemon needs: {0}")]
    System(#[from] io::Error),
    /// A head cannot be switched off.
    #[error("head {head}: {why}; nothing is started with a head that does not obey")]
    Head { head: Name, why: String },
    /// The cut-off or the heartbeat cannot be driven.
    #[error("[board]: {why}; nothing is started with a board that does not obey")]
    Board { why: String },
    /// It ran, and something in it broke.
    #[error("the daemon ended because {why}; all heads were switched off")]
    Broken { why: String },
}

/// How a run of the loop ended.
#[derive(Debug)]
pub enum Ended {
    /// It was told to stop.
    Stopped,
    /// The ledger can be opened now, so everything is started anew with it.
    StartAgain {
        /// Holds that were in force, whatever the hold file says.
        holds: Vec<Hold>,
    },
    /// Something can no longer be relied on.
    Broken { why: String },
}

impl std::fmt::Display for Ended {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Stopped => f.write_str("stopped in order"),
            Self::StartAgain { .. } => f.write_str("started again with the ledger"),
            Self::Broken { why } => write!(f, "ended because {why}"),
        }
    }
}

/// Runs the daemon until it is told to stop.
///
/// # Errors
/// Any [`DaemonError`]; in every case all heads are off.
pub fn run(options: &RunOptions) -> Result<(), DaemonError> {
    let loaded = load_all(&options.config).map_err(DaemonError::Config)?;
    for warning in &loaded.warnings {
        tracing::warn!("{warning}");
    }
    if options.warp.is_some() && loaded.controller.mode == Mode::Live {
        return Err(DaemonError::WarpInLive);
    }
    check_socket_path(&options.state).map_err(DaemonError::Socket)?;
    make_state_folder(&options.state)?;
    let _lock = InstanceLock::take(&options.state)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let parts = Parts::of(loaded);
    let mut signals = {
        let _inside = runtime.enter();
        signals()?
    };
    let mut holds = Vec::new();
    loop {
        let kept = std::mem::take(&mut holds);
        match runtime.block_on(run_once(options, &parts, kept, &mut signals))? {
            Ended::Stopped => return Ok(()),
            Ended::StartAgain { holds: kept } => {
                tracing::info!(
                    "starting anew: the ledger can be opened now, or the arming has changed"
                );
                holds = kept;
            }
            Ended::Broken { why } => return Err(DaemonError::Broken { why }),
        }
    }
}

fn make_state_folder(state: &Path) -> Result<(), DaemonError> {
    let made = fs::DirBuilder::new()
        .recursive(true)
        .mode(0o750)
        .create(state);
    made.map_err(|source| DaemonError::State {
        path: state.to_path_buf(),
        source,
    })
}

struct Parts {
    controller: Arc<Controller>,
    plan: Arc<crate::config::Plan>,
    controller_fingerprint: String,
    plan_fingerprint: String,
    mqtt: Option<crate::mqtt::Settings>,
}

impl Parts {
    fn of(loaded: Loaded) -> Self {
        Self {
            mqtt: loaded.mqtt.map(crate::mqtt::Settings::from),
            controller: Arc::new(loaded.controller),
            plan: Arc::new(loaded.plan),
            controller_fingerprint: loaded.controller_fingerprint,
            plan_fingerprint: loaded.plan_fingerprint,
        }
    }
}

async fn run_once(
    options: &RunOptions,
    parts: &Parts,
    kept_holds: Vec<Hold>,
    signals: &mut Signals,
) -> Result<Ended, DaemonError> {
    let (tell, happenings) = mpsc::unbounded_channel();
    let clock = shell_clock(options);
    super::clock::show_in_log(clock);
    let acceptance = Acceptance::of(&parts.controller, &parts.controller_fingerprint);
    let left_on = match parts.controller.mode {
        Mode::Live => force_off_leftovers(),
        Mode::DryRun => LeftOn::new(),
    };
    let (ledger, driving, history, ledger_fault) =
        open_ledger(options, parts, &acceptance, &clock, &tell);
    // Heads before all that follows: whatever else goes wrong, they are off.
    let Heads { pumps, heartbeat } =
        start_heads(&parts.controller, &driving, pace(options), &left_on, &tell)?;
    let server = Server::bind(&options.state).map_err(DaemonError::Socket)?;
    let told = tell.clone();
    let holds = HoldKeeper::spawn(&options.state, move |written| {
        send(&told, Happening::Holds(written));
    })?;
    let ledger_well = ledger_fault.is_none();
    let (displays, on_broker) = start_displays(options, parts, &driving, &history, &clock).unzip();
    let past = Past {
        history,
        ledger_fault,
        kept_holds,
    };
    let (engine, effects) = start_engine(options, parts, &clock, driving.is_live(), past);
    let guards = start_guards(parts, &driving, acceptance, (&pumps, heartbeat), &tell)?;
    let (incoming, requests) = mpsc::channel(64);
    let serving = tokio::spawn(server.serve(incoming));
    announce(options, &driving, &guards.acceptance);
    let (state, since) = (options.state.clone(), crate::pump::elapsed());
    let shell = Shell {
        engine,
        clock,
        config_folder: options.config.clone(),
        controller: Arc::clone(&parts.controller),
        facts: shell_facts(options, parts, &driving, &pumps),
        guards,
        pumps,
        ledger,
        ledger_opens: Box::new(move || ledger_can_be_opened(&state, since)),
        holds,
        happenings,
        requests,
        displays,
        signals,
        under_voltage_file: under_voltage_file().filter(|_| !clock.is_virtual()),
        waiting: Waiting::new(ledger_well),
    };
    tell_manager(&[sd_notify::NotifyState::Ready]);
    let ended = shell.run(effects).await;
    serving.abort();
    // Waited for, because the server removes its socket when it goes, and a new one may be made right after this.
    drop(serving.await);
    // The heads are off and the books closed; the displays are told last, and not for long.
    if let Some(on_broker) = on_broker {
        on_broker.stop().await;
    }
    Ok(ended)
}

/// What is known from before.
struct Past {
    history: History,
    ledger_fault: Option<String>,
    /// Holds that were in force in a loop before this one.
    kept_holds: Vec<Hold>,
}

fn start_engine(
    options: &RunOptions,
    parts: &Parts,
    clock: &ShellClock,
    live: bool,
    past: Past,
) -> (Engine, Vec<Effect>) {
    let (mut file_holds, hold_file_fault) = match read_holds(&options.state) {
        Ok(holds) => (holds, None),
        Err(error) => (Vec::new(), Some(error.to_string())),
    };
    file_holds.extend(past.kept_holds);
    let (mut engine, mut effects) = Engine::start(Setup {
        controller: Arc::clone(&parts.controller),
        plan: Arc::clone(&parts.plan),
        history: past.history,
        ledger_fault: past.ledger_fault,
        file_holds,
        hold_file_fault,
        boot: session_boot(clock),
        live,
        virtual_time: clock.is_virtual(),
        pace: options.warp.unwrap_or(1),
        grace: REPORT_GRACE,
        now: clock.now(),
    });
    if !clock.is_virtual() && kernel_clock_is_synchronised() == Some(true) {
        effects.extend(engine.handle(Event::ClockKnown(TrustSource::Kernel), clock.now()));
    }
    (engine, effects)
}

/// Starts reading the inputs, and watching over all threads.
fn start_guards(
    parts: &Parts,
    driving: &Driving,
    acceptance: Acceptance,
    (pumps, heartbeat): (&BTreeMap<Name, PumpHandle>, Option<Box<dyn Output>>),
    tell: &mpsc::UnboundedSender<Happening>,
) -> Result<Guards, DaemonError> {
    let inputs = start_inputs(&parts.controller, driving, tell)?;
    let beat = LoopBeat::default();
    let told = tell.clone();
    let heart = Heart::spawn(
        Watched {
            event_loop: beat.clone(),
            pumps: pumps
                .iter()
                .map(|(name, pump)| (name.clone(), pump.control()))
                .collect(),
            inputs: inputs.as_ref().map(crate::pump::InputWatch::beat),
            heartbeat,
        },
        move |why| send(&told, Happening::Hanging { why }),
    )?;
    let board = parts.controller.board.as_ref();
    Ok(Guards {
        common_supply: board.is_some_and(|b| b.cut_off.is_some()),
        live: driving.is_live(),
        acceptance,
        inputs,
        heart,
        beat,
    })
}

fn signals() -> io::Result<Signals> {
    Ok(Signals {
        terminate: signal(SignalKind::terminate())?,
        interrupt: signal(SignalKind::interrupt())?,
        hangup: signal(SignalKind::hangup())?,
    })
}

/// Starts what is shown over MQTT, when it is on. Virtual time is not shown: displays would take it for real.
fn start_displays(
    options: &RunOptions,
    parts: &Parts,
    driving: &Driving,
    history: &History,
    clock: &ShellClock,
) -> Option<(Displays, crate::mqtt::Running)> {
    let settings = parts.mqtt.clone()?;
    if clock.is_virtual() {
        tracing::warn!("MQTT stays off: time is virtual, and displays would take it for real");
        return None;
    }
    let live = driving.is_live();
    let delivered = Ledger::open_to_read(&ledger_path(&options.state))
        .and_then(|ledger| ledger.delivered_by_line(live))
        .inspect_err(|error| tracing::warn!(%error, "no totals for the displays"))
        .ok();
    let told = Told {
        armed: live,
        fingerprint: parts.controller_fingerprint.clone(),
        zone: parts.controller.time_zone.clone(),
        totals: Totals::at_start(delivered, &parts.controller, history, live),
    };
    let identity = displays::identity(&parts.controller, &options.state);
    Some(displays::start(settings, identity, *clock, told))
}

pub(super) fn send(tell: &mpsc::UnboundedSender<Happening>, happening: Happening) {
    // The loop is gone only when the process is on its way out.
    drop(tell.send(happening));
}

fn pace(options: &RunOptions) -> Pace {
    options.warp.map_or(Pace::REAL, Pace::new)
}

/// Virtual time goes on where the ledger's newest entry is, begins where it is told to in a new ledger, or now.
fn shell_clock(options: &RunOptions) -> ShellClock {
    let Some(warp) = options.warp else {
        return ShellClock::Real;
    };
    let newest = Ledger::open_to_read(&ledger_path(&options.state))
        .and_then(|ledger| ledger.newest_wall())
        .ok()
        .flatten();
    let start = newest
        .or(options.start_at)
        .unwrap_or_else(|| machine_now().wall);
    let whole = Timestamp::from_millisecond(start.as_millisecond()).unwrap_or(start);
    ShellClock::virtual_from(whole, warp)
}

fn session_boot(clock: &ShellClock) -> String {
    if clock.is_virtual() {
        return "virtual".to_owned();
    }
    // Without an id every start counts as another boot, which only makes earlier doses count for longer.
    boot_id().unwrap_or_else(|error| {
        tracing::warn!(%error, "the kernel's boot id cannot be read");
        format!("unknown-{}", machine_now().elapsed.as_ms())
    })
}

fn open_as(options: &RunOptions, parts: &Parts, clock: &ShellClock, now: Now) -> OpenAs {
    OpenAs {
        timeline: if clock.is_virtual() {
            Timeline::Virtual
        } else {
            Timeline::Real
        },
        installation: None,
        session: SessionStart {
            boot: session_boot(clock),
            // Whether the clock is trusted is not known yet.
            at: Stamp {
                wall: now.wall,
                elapsed: now.elapsed,
                trusted: options.warp.is_some(),
            },
            version: env!("CARGO_PKG_VERSION").to_owned(),
            controller_fingerprint: parts.controller_fingerprint.clone(),
            plan_fingerprint: parts.plan_fingerprint.clone(),
            live: false,
        },
    }
}

/// The ledger's thread, what is driven, the history, and why the ledger cannot be used.
type Opened = (Option<LedgerHandle>, Driving, History, Option<String>);

/// Opens the ledger, decides by its arming what is driven, and reads its history. When that fails the daemon runs all the same,
/// without dosing, to say so.
fn open_ledger(
    options: &RunOptions,
    parts: &Parts,
    acceptance: &Acceptance,
    clock: &ShellClock,
    tell: &mpsc::UnboundedSender<Happening>,
) -> Opened {
    let now = clock.now();
    let path = ledger_path(&options.state);
    let stamp = Stamp {
        wall: now.wall,
        elapsed: now.elapsed,
        trusted: clock.is_virtual(),
    };
    let opened =
        Ledger::open(&path, &open_as(options, parts, clock, now)).and_then(|mut ledger| {
            let driving = Driving::decide(&parts.controller, acceptance, Ok(&ledger));
            if driving.is_live() {
                ledger.mark_session_live()?;
            }
            let mut history = ledger.history(stamp)?;
            if driving.is_live() {
                // What a bottle held in a dry run says nothing about the real one.
                let told = ledger.refilled_since_arming()?;
                history.reservoirs.retain(|(name, _)| told.contains(name));
            }
            Ok((ledger, driving, history))
        });
    let without = |why: String| {
        let driving = Driving::decide(&parts.controller, acceptance, Err(&why));
        (None, driving, History::default(), Some(why))
    };
    let tell = tell.clone();
    match opened {
        Ok((ledger, driving, history)) => match LedgerThread::spawn(
            ledger,
            Box::new(move |report| send(&tell, Happening::Ledger(report))),
        ) {
            Ok(handle) => (Some(handle), driving, history, None),
            Err(error) => without(format!("the ledger's thread could not be started: {error}")),
        },
        Err(error) => {
            tracing::error!(%error, "the ledger cannot be used");
            without(error.to_string())
        }
    }
}

/// Whether it is worth trying to open the ledger again: it can be read, or is not there and may perhaps be made now.
fn ledger_can_be_opened(state: &Path, since: Millis) -> bool {
    let patient = crate::pump::elapsed().minus(since) >= OPEN_AGAIN_AFTER;
    patient
        && matches!(
            Ledger::open_to_read(&ledger_path(state)),
            Ok(_) | Err(LedgerError::Absent { .. })
        )
}

fn shell_facts(
    options: &RunOptions,
    parts: &Parts,
    driving: &Driving,
    pumps: &BTreeMap<Name, PumpHandle>,
) -> ShellFacts {
    let priority = |(head, pump): (&Name, &PumpHandle)| {
        let text = match pump.priority()? {
            Priority::RealTime => "real_time".to_owned(),
            Priority::Ordinary { why } => format!("ordinary: {why}"),
        };
        Some((head.to_string(), text))
    };
    ShellFacts {
        not_live: driving.not_live().map(str::to_owned),
        warp: options.warp,
        controller: parts.controller.name.to_string(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        controller_fingerprint: parts.controller_fingerprint.clone(),
        plan_fingerprint: parts.plan_fingerprint.clone(),
        zone: parts.controller.time_zone.clone(),
        zone_name: parts.controller.time_zone_name.clone(),
        mqtt: None,
        thread_priority: pumps.iter().filter_map(priority).collect(),
    }
}

fn announce(options: &RunOptions, driving: &Driving, acceptance: &Acceptance) {
    match driving {
        Driving::Simulated { not_live: None } => {
            tracing::info!(state = %options.state.display(), warp = options.warp, "ready: dry run, no output is driven");
        }
        Driving::Simulated {
            not_live: Some(why),
        } => tracing::error!(
            state = %options.state.display(),
            "NOT LIVE, although controller.toml says mode = \"live\": {why}. Staying in dry run, no output is driven"
        ),
        Driving::Board { .. } => tracing::warn!(
            state = %options.state.display(), hardware = %acceptance.hardware,
            "ready: LIVE, outputs are driven"
        ),
    }
}
