//! Starting the daemon: configuration, lock, ledger, heads, engine, socket, in this order, and off before everything else.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::os::unix::fs::DirBuilderExt;
use std::path::Path;
use std::sync::Arc;

use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{Notify, mpsc};

use super::arming::Acceptance;
use super::belongings::Belongings;
use super::books::{ledger_can_be_opened, open_ledger, session_boot, shell_clock};
use super::clock::{ShellClock, under_voltage_file};
use super::displays::{self, Displays};
use super::driving::{Driving, Leftovers, force_off_leftovers, start_heads, start_inputs};
use super::ended::{DaemonError, Ended};
use super::event_loop::{EventLoop, Guards, Inbox, Outside, Signals};
use super::happening::{Happening, send};
use super::heart::{Heart, LoopBeat, Watched, tell as tell_manager};
use super::holdfile::{HoldKeeper, read_holds};
use super::lock::InstanceLock;
use super::options::{RunOptions, ledger_path};
use super::parts::Parts;
use super::seen::{OutputsSeen, read_seen};
use super::settings::load_all;
use super::totals::Totals;
use crate::config::Mode;
use crate::control::{Server, check_socket_path};
use crate::engine::{DaemonStatus, Setup, ShellFacts};
use crate::ledger::Ledger;
use crate::pump::{Output, Pace, Priority, PumpHandle};
use crate::quantity::{Millis, Name, Volume};
use crate::record::{Hold, OutputSeen};
use crate::shell::{Books, Core, Desk, Known, Terms, setup};

/// Fastest virtual time: an hour a second. Faster, heads would be switched for less than their timers can measure.
pub const WARP_MAX: u32 = 3_600;

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
    let lock = InstanceLock::take(&options.state)?;
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
        match runtime.block_on(run_once(options, &parts, (kept, &lock), &mut signals))? {
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

async fn run_once(
    options: &RunOptions,
    parts: &Parts,
    (holds_kept, lock): (Vec<Hold>, &InstanceLock),
    signals: &mut Signals,
) -> Result<Ended, DaemonError> {
    let (tell, happenings) = mpsc::unbounded_channel();
    let clock = shell_clock(options);
    super::clock::show_in_log(&clock);
    let acceptance = Acceptance::of(&parts.controller, &parts.controller_fingerprint);
    let (left_on, seen) = look_at_outputs(options, parts);
    let opened = open_ledger(options, parts, &acceptance, &clock, &tell);
    let driving = opened.driving;
    // Heads before all that follows: whatever else goes wrong, they are off.
    let heads = start_heads(&parts.controller, &driving, pace(options), &left_on, &tell)?;
    let server = Server::bind(&options.state).map_err(DaemonError::Socket)?;
    let look_at_socket = Arc::new(Notify::new());
    // Before the hold file is read, so that nothing is put in unseen.
    let belongings = Belongings::watch(&options.state, lock, Arc::clone(&look_at_socket))?;
    let (holds, hold_file) = keep_holds(&options.state, &tell)?;
    let known = Known {
        ledger: opened.read,
        hold_file,
        holds_kept,
        seen,
    };
    let setup = setup(terms(options, parts, &clock, &driving), known);
    let totals = totals(options, parts, &driving, &heads.pumps, &setup);
    let (displays, on_broker) = start_displays(options, parts, &setup).unzip();
    let desk = desk(&setup);
    let core = Core::start(setup, desk);
    let watched = (&heads.pumps, heads.heartbeat);
    let guards = start_guards(parts, &driving, acceptance, watched, &tell)?;
    let (incoming, requests) = mpsc::channel(64);
    let serving = tokio::spawn(server.serve(incoming, look_at_socket, crate::pump::elapsed));
    announce(options, &driving, &guards.acceptance);
    let (state, since) = (options.state.clone(), crate::pump::elapsed());
    let is_virtual = clock.is_virtual();
    let event_loop = EventLoop {
        core,
        outside: Outside {
            clock,
            zone: parts.controller.time_zone.clone(),
            pumps: heads.pumps,
            ledger: opened.ledger,
            holds,
            displays,
            totals,
            alarm: heads.alarm,
            anew_stored: false,
        },
        inbox: Inbox {
            happenings,
            requests,
            signals,
        },
        guards,
        belongings,
        config_folder: options.config.clone(),
        controller: Arc::clone(&parts.controller),
        ledger_opens: Box::new(move || ledger_can_be_opened(&state, since)),
        under_voltage_file: under_voltage_file().filter(|_| !is_virtual),
        looked: since,
        probed: Millis::ZERO,
        stop_until: None,
    };
    tell_manager(&[sd_notify::NotifyState::Ready]);
    // What the loop keeps is too large for a stack.
    let ended = Box::pin(event_loop.run()).await;
    serving.abort();
    // Waited for, because the server removes its socket when it goes, and a new one may be made right after this.
    drop(serving.await);
    // The heads are off and the books closed; the displays are told last, and not for long.
    if let Some(on_broker) = on_broker {
        on_broker.stop().await;
    }
    Ok(ended)
}

/// What the hold file says, and the thread that keeps it from here on.
fn keep_holds(
    state: &Path,
    tell: &mpsc::UnboundedSender<Happening>,
) -> io::Result<(HoldKeeper, Result<Vec<Hold>, String>)> {
    let read = read_holds(state).map_err(|error| error.to_string());
    let told = tell.clone();
    let keeper = HoldKeeper::spawn(state, read.clone().ok(), move |news| {
        send(&told, Happening::Holds(news));
    })?;
    Ok((keeper, read))
}

/// Before all else: what a daemon before this one left on goes off. All that outputs were found doing so far.
fn look_at_outputs(options: &RunOptions, parts: &Parts) -> (Leftovers, Vec<OutputSeen>) {
    let mut now = OutputsSeen::begin();
    if parts.controller.mode == Mode::Live {
        force_off_leftovers(&mut now);
    }
    let mut all = read_seen(&options.state);
    if let Err(error) = now.keep(&options.state) {
        tracing::warn!(%error, "which outputs were found on cannot be kept for a later start");
    }
    let left_on = Leftovers::among(&now.seen);
    all.append(&mut now.seen);
    (left_on, all)
}

fn desk<A>(setup: &Setup) -> Desk<A> {
    Desk::new(match setup.ledger_fault {
        None => Books::Well,
        Some(_) => Books::Absent,
    })
}

fn terms(options: &RunOptions, parts: &Parts, clock: &ShellClock, driving: &Driving) -> Terms {
    Terms {
        controller: Arc::clone(&parts.controller),
        plan: Arc::clone(&parts.plan),
        boot: session_boot(clock),
        live: driving.is_live(),
        modelled: false,
        warp: options.warp,
        now: clock.now(),
    }
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
    setup: &Setup,
) -> Option<(Displays, crate::mqtt::Running)> {
    let settings = parts.mqtt.clone()?;
    if setup.virtual_time {
        tracing::warn!("MQTT stays off: time is virtual, and displays would take it for real");
        return None;
    }
    let identity = displays::identity(&options.state);
    Some(displays::start(settings, &identity, ShellClock::Real))
}

fn pace(options: &RunOptions) -> Pace {
    options.warp.map_or(Pace::REAL, Pace::new)
}

fn totals(
    options: &RunOptions,
    parts: &Parts,
    driving: &Driving,
    pumps: &BTreeMap<Name, PumpHandle>,
    setup: &Setup,
) -> Totals {
    let priority = |(head, pump): (&Name, &PumpHandle)| {
        let text = match pump.priority()? {
            Priority::RealTime => "real_time".to_owned(),
            Priority::Ordinary { why } => format!("ordinary: {why}"),
        };
        Some((head.clone(), text))
    };
    let facts = ShellFacts {
        daemon: DaemonStatus {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            controller_fingerprint: parts.controller_fingerprint.clone(),
            plan_fingerprint: parts.plan_fingerprint.clone(),
            time_zone: parts.controller.time_zone_name.clone(),
            armed: driving.is_live(),
            not_live_because: driving.not_live().map(str::to_owned),
            warp: options.warp,
            mqtt: None,
        },
        delivered: delivered(options, parts, driving.is_live()),
        thread_priority: pumps.iter().filter_map(priority).collect(),
    };
    Totals::at_start(facts, &setup.history, setup.live)
}

/// What each line has delivered so far; nothing when the ledger does not tell.
fn delivered(options: &RunOptions, parts: &Parts, live: bool) -> BTreeMap<Name, Volume> {
    let sums = Ledger::open_to_read(&ledger_path(&options.state))
        .and_then(|ledger| ledger.delivered_by_line(live))
        .inspect_err(|error| tracing::warn!(%error, "no totals for the displays"));
    let Ok(sums) = sums else {
        return BTreeMap::new();
    };
    let lines = parts.controller.lines.iter();
    let sum = |name: &Name| sums.get(name).copied().unwrap_or_default();
    lines.map(|l| (l.name.clone(), sum(&l.name))).collect()
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
