//! Reading the two files and checking them together: the start-up code, and what `check` and a reload run too.

use std::io::Read;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::sync::Arc;

use jiff::tz::TimeZone;

use super::controller::{self, Zones};
use super::keys;
use super::mistake::{ConfigMistakes, Finding, Mistake, Purpose, Sink, Warning};
use super::model::{Controller, Plan};
use super::mqtt::{self, Mqtt};
use super::plan_file::{self, Against, PlanCheck};
use super::pwm::{self, WrittenPwm};
use super::raw;

/// Name of the controller's file in the config directory.
pub const CONTROLLER_FILE: &str = "controller.toml";

/// Name of the plan's file in the config directory.
pub const PLAN_FILE: &str = "plan.toml";

/// Largest file that is read, in bytes: a hundred times the samples.
const FILE_BYTES_MAX: u64 = 1_048_576;

/// What this machine says to the PWM channels that the controller file names.
pub type MachineCheck<'a> = &'a dyn Fn(&WrittenPwm) -> Vec<Finding<usize>>;

/// Both files, without a mistake.
#[derive(Debug, Clone)]
pub struct Loaded {
    pub controller: Controller,
    pub plan: Plan,
    /// `[mqtt]`; `None` when it is absent or not enabled.
    pub mqtt: Option<Mqtt>,
    /// What is legal but doubtful.
    pub warnings: Vec<Warning>,
    /// Identifies the meaning of what bears on dosing in the controller file, see [`fingerprint`].
    pub controller_fingerprint: String,
    /// Identifies the meaning of the plan file.
    pub plan_fingerprint: String,
}

/// A plan for a running controller, without a mistake.
#[derive(Debug, Clone)]
pub struct LoadedPlan {
    pub plan: Plan,
    /// What is legal but doubtful.
    pub warnings: Vec<Warning>,
    /// Identifies the meaning of the plan file, see [`fingerprint`].
    pub fingerprint: String,
}

/// Reads and checks both files of a config directory.
///
/// # Errors
/// All mistakes of both files, each with its place; a file that cannot be read is one of them.
pub fn load(dir: &Path, check: PlanCheck<'_>) -> Result<Loaded, ConfigMistakes> {
    load_with(dir, check, &|_| Vec::new())
}

/// The same, where this machine is asked too: what it says stands among the other mistakes.
///
/// # Errors
/// As [`load`].
pub fn load_with(
    dir: &Path,
    check: PlanCheck<'_>,
    machine: MachineCheck<'_>,
) -> Result<Loaded, ConfigMistakes> {
    let mut warnings = Vec::new();
    let controller = read_file(dir, CONTROLLER_FILE, &mut warnings);
    let plan = read_file(dir, PLAN_FILE, &mut warnings);
    let (controller, plan) = match (controller, plan) {
        (Ok(controller), Ok(plan)) => (controller, plan),
        (controller, plan) => {
            let mistakes = [controller.err(), plan.err()]
                .into_iter()
                .flatten()
                .collect();
            return Err(ConfigMistakes {
                mistakes,
                purpose: Purpose::Start,
            });
        }
    };
    let texts = [
        (CONTROLLER_FILE, controller.as_str()),
        (PLAN_FILE, plan.as_str()),
    ];
    let mut loaded = check_all(texts, &system_zone, check, machine)?;
    loaded.warnings.splice(0..0, warnings);
    Ok(loaded)
}

/// Reads and checks the plan against a controller that is already in force.
///
/// # Errors
/// All mistakes of the plan file, each with its place.
pub fn load_plan(
    dir: &Path,
    controller: &Controller,
    check: PlanCheck<'_>,
) -> Result<LoadedPlan, ConfigMistakes> {
    let mut warnings = Vec::new();
    let text = read_file(dir, PLAN_FILE, &mut warnings).map_err(|mistake| ConfigMistakes {
        mistakes: vec![mistake],
        purpose: Purpose::Reload,
    })?;
    let mut loaded = check_plan_text((PLAN_FILE, &text), controller, check)?;
    loaded.warnings.splice(0..0, warnings);
    Ok(loaded)
}

/// Checks the texts of both files, each given as (shown name, text), controller first. Pure but for `zones`.
///
/// # Errors
/// All mistakes, in the order of the files. A plan is held against the controller only when that has no mistake itself.
pub fn check_texts(
    texts: [(&str, &str); 2],
    zones: Zones<'_>,
    check: PlanCheck<'_>,
) -> Result<Loaded, ConfigMistakes> {
    check_all(texts, zones, check, &|_| Vec::new())
}

fn check_all(
    texts: [(&str, &str); 2],
    zones: Zones<'_>,
    check: PlanCheck<'_>,
    machine: MachineCheck<'_>,
) -> Result<Loaded, ConfigMistakes> {
    let [(controller_name, controller_text), (plan_name, plan_text)] = texts;
    let sink = Sink::new(controller_name, controller_text);
    let raw = raw::read(controller_text, &keys::controller::SECTION, &sink);
    let built = raw.as_ref().and_then(|raw| controller::build(raw, zones));
    let controller = built.map(Arc::new);
    let displays = raw.as_ref().and_then(mqtt::build);
    for found in raw
        .as_ref()
        .map(|raw| machine(&pwm::written(raw)))
        .unwrap_or_default()
    {
        sink.found(found.at, found);
    }
    let (mut mistakes, mut warnings) = sink.finish();

    let sink = Sink::new(plan_name, plan_text);
    let plan_raw = raw::read(plan_text, &keys::plan::SECTION, &sink);
    let plan = match (&plan_raw, &raw) {
        (Some(plan), Some(raw)) => {
            let lines = raw
                .named(keys::controller::LINE)
                .iter()
                .map(|(name, _)| name.as_str())
                .collect();
            let against = Against {
                lines,
                controller: controller.as_ref(),
                check,
            };
            plan_file::build(plan, &against)
        }
        (Some(_) | None, None) | (None, Some(_)) => None,
    };
    let (plan_mistakes, plan_warnings) = sink.finish();
    mistakes.extend(plan_mistakes);
    warnings.extend(plan_warnings);
    match (controller, raw, plan, plan_raw) {
        (Some(controller), Some(raw), Some(plan), Some(plan_raw)) if mistakes.is_empty() => {
            Ok(Loaded {
                controller: Arc::unwrap_or_clone(controller),
                plan,
                mqtt: displays,
                warnings,
                controller_fingerprint: fingerprint(&raw.canonical(keys::NOT_ON_DOSING)),
                plan_fingerprint: fingerprint(&plan_raw.canonical(&[])),
            })
        }
        _ => Err(ConfigMistakes {
            mistakes: or_unknown(mistakes, controller_name),
            purpose: Purpose::Start,
        }),
    }
}

/// Checks the text of a plan, given as (shown name, text), against a controller that is in force. Pure.
///
/// # Errors
/// All mistakes, in the order of the file.
pub fn check_plan_text(
    text: (&str, &str),
    controller: &Controller,
    check: PlanCheck<'_>,
) -> Result<LoadedPlan, ConfigMistakes> {
    let (name, text) = text;
    let controller = Arc::new(controller.clone());
    let sink = Sink::new(name, text);
    let raw = raw::read(text, &keys::plan::SECTION, &sink);
    let plan = raw.as_ref().and_then(|raw| {
        let lines = controller
            .lines
            .iter()
            .map(|line| line.name.as_str())
            .collect();
        let against = Against {
            lines,
            controller: Some(&controller),
            check,
        };
        plan_file::build(raw, &against)
    });
    let (mistakes, warnings) = sink.finish();
    match (plan, raw) {
        (Some(plan), Some(raw)) if mistakes.is_empty() => Ok(LoadedPlan {
            plan,
            warnings,
            fingerprint: fingerprint(&raw.canonical(&[])),
        }),
        _ => Err(ConfigMistakes {
            mistakes: or_unknown(mistakes, name),
            purpose: Purpose::Reload,
        }),
    }
}

/// A load that failed says why, always: a check that forgot to is itself named rather than passed over.
pub(super) fn or_unknown(mut mistakes: Vec<Mistake>, file: &str) -> Vec<Mistake> {
    if mistakes.is_empty() {
        mistakes.push(Mistake {
            file: file.to_owned(),
            place: None,
            message:
                "cannot be used, and the check does not know why; please report this with the file"
                    .to_owned(),
        });
    }
    mistakes
}

/// Identifies a text: FNV-1a, 64 bits, in hexadecimal (Fowler, Noll, Vo; IETF draft-eastlake-fnv).
///
/// It tells one file's meaning from another's by accident of editing. It is no protection against somebody who wants two files
/// to look alike, and nothing relies on it for that.
pub fn fingerprint(canonical: &str) -> String {
    format!("{:016x}", fnv1a(canonical))
}

/// The hash behind it.
pub fn fnv1a(text: &str) -> u64 {
    let step = |hash: u64, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
    text.bytes().fold(0xcbf2_9ce4_8422_2325, step)
}

/// A time zone of the system's data.
pub fn system_zone(name: &str) -> Option<TimeZone> {
    TimeZone::get(name).ok()
}

/// The text of a file of the config directory; also warns when anybody may write to it.
fn read_file(dir: &Path, name: &str, warnings: &mut Vec<Warning>) -> Result<String, Mistake> {
    let path = dir.join(name);
    let shown = path.display().to_string();
    let mistake = |message: String| Mistake {
        file: shown.clone(),
        place: None,
        message,
    };
    let unreadable = |error: std::io::Error| {
        mistake(format!(
            "cannot be read: {error}; name the directory that holds {CONTROLLER_FILE} and {PLAN_FILE} with --config"
        ))
    };
    let file = std::fs::File::open(&path).map_err(unreadable)?;
    let meta = file.metadata().map_err(unreadable)?;
    if !meta.is_file() {
        return Err(mistake("is not a plain file".to_owned()));
    }
    if meta.permissions().mode() & 0o002 != 0 {
        warnings.push(Warning(mistake(
            "may be written by anybody on this machine; take that right away (chmod o-w)"
                .to_owned(),
        )));
    }
    let mut bytes = Vec::new();
    file.take(FILE_BYTES_MAX.saturating_add(1))
        .read_to_end(&mut bytes)
        .map_err(unreadable)?;
    let read = u64::try_from(bytes.len()).unwrap_or(u64::MAX);
    if read > FILE_BYTES_MAX {
        return Err(mistake(format!(
            "is over {FILE_BYTES_MAX} bytes; this is not the file of a controller"
        )));
    }
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        mistake(format!(
            "is not UTF-8 text, first at byte {at}; save it as UTF-8"
        ))
    })
}
