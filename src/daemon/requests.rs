//! From requests of the socket to commands of the engine, and back to responses.

use jiff::Timestamp;
use serde_json::json;

use crate::chemistry::Quantity;
use crate::control::{CalibrateRequest, ReadingRequest, Request, Response, RunRequest};
use crate::engine::{
    Answer, ChangeoverAction, Command, CourseAction, Denial, NewCalibration, NewChangeover,
    NewCourse, NewFact, NewReading, NewUptake, NewVerification, RefillLevel,
};
use crate::quantity::{Alkalinity, Concentration, Millis, Name, Volume};
use crate::record::{CalibrationRun, DoseId, DoseKind, HoldScope, ReadingValue, from_word};

/// What a request comes to.
pub(super) enum Sorted {
    Status,
    Reload,
    /// To drive outputs from now on: fingerprint and sentence as sent.
    Arm {
        fingerprint: String,
        sentence: String,
    },
    Disarm,
    Command(Command),
    Refused(Response),
}

/// Checks a request's values and sorts it.
pub(super) fn sort(request: Request) -> Sorted {
    match command(request) {
        Ok(Asked::Status) => Sorted::Status,
        Ok(Asked::Reload) => Sorted::Reload,
        Ok(Asked::Arm {
            fingerprint,
            sentence,
        }) => Sorted::Arm {
            fingerprint,
            sentence,
        },
        Ok(Asked::Disarm) => Sorted::Disarm,
        Ok(Asked::Command(command)) => Sorted::Command(command),
        Err(text) => Sorted::Refused(Response::denied("bad-value", text)),
    }
}

/// A request whose values have been checked.
enum Asked {
    Status,
    Reload,
    Arm {
        fingerprint: String,
        sentence: String,
    },
    Disarm,
    Command(Command),
}

fn command(request: Request) -> Result<Asked, String> {
    Ok(Asked::Command(match request {
        Request::Status => return Ok(Asked::Status),
        Request::Reload => return Ok(Asked::Reload),
        Request::Arm {
            fingerprint,
            sentence,
        } => {
            return Ok(Asked::Arm {
                fingerprint,
                sentence: shortened(&sentence),
            });
        }
        Request::Disarm => return Ok(Asked::Disarm),
        Request::Hold { line, reason } => Command::Hold {
            scope: scope(line)?,
            reason: shortened(&reason),
        },
        Request::Resume { line } => Command::Resume {
            scope: scope(line)?,
        },
        Request::PrepareDose {
            line,
            volume_ul,
            kind,
        } => Command::PrepareDose {
            line: name(&line)?,
            volume: volume(volume_ul)?,
            kind: dose_kind(&kind)?,
        },
        Request::ConfirmDose {
            token,
            repeated_volume_ul,
        } => Command::ConfirmDose {
            token,
            repeated_volume: repeated_volume_ul.map(volume).transpose()?,
        },
        Request::Refill {
            reservoir,
            how,
            volume_ul,
            note,
        } => Command::Refill {
            reservoir: name(&reservoir)?,
            level: refill_level(&how, volume_ul)?,
            note: shortened(&note),
        },
        Request::Reading(reading) => Command::AddReading(new_reading(reading)?),
        Request::ConfirmRun { token } => Command::ConfirmDose {
            token,
            repeated_volume: None,
        },
        Request::StopRun { dose } => Command::StopRun { dose: DoseId(dose) },
        request @ (Request::Calibrate(_) | Request::PrepareRun { .. } | Request::Verify { .. }) => {
            bench_command(request)?
        }
        request @ (Request::CourseAdd { .. }
        | Request::CourseSet { .. }
        | Request::CourseConfirm { .. }
        | Request::ChangeoverStart { .. }
        | Request::ChangeoverSet { .. }) => course_command(request)?,
        request @ (Request::Fact { .. } | Request::Uptake { .. }) => owner_command(request)?,
        Request::TrustClock => Command::TrustClock,
        Request::Acknowledge { code } => Command::Acknowledge { code },
        Request::SimulateInput { input, safe } => Command::SimulateInput {
            input: name(&input)?,
            safe,
        },
    }))
}

/// What the owner tells and accepts.
fn owner_command(request: Request) -> Result<Command, String> {
    if let Request::Fact {
        kind,
        name,
        value,
        uncertainty,
        text,
        happened,
    } = request
    {
        let new = fact((kind, name), (value, uncertainty), text, happened)?;
        return Ok(Command::AddFact(new));
    }
    if let Request::Uptake {
        of,
        per_day,
        how,
        sure,
    } = request
        && per_day.is_finite()
    {
        return Ok(Command::SetUptake(NewUptake {
            of,
            per_day,
            how,
            sure,
        }));
    }
    Err("a number in the request is not finite".to_owned())
}

/// What is asked about courses.
fn course_command(request: Request) -> Result<Command, String> {
    if let Request::CourseAdd {
        line,
        raises,
        rise_per_day,
        extra_ul,
        days,
        kind,
        note,
    } = request
    {
        return Ok(Command::AddCourse(NewCourse {
            kind: from_word(&kind).ok_or_else(|| format!("\"{kind}\" is no kind of course"))?,
            line: name(&line)?,
            raises: measured(&raises)?,
            rise_per_day,
            extra: volume(extra_ul)?,
            days,
            note: shortened(&note),
        }));
    }
    if let Request::CourseSet { number, action } = &request {
        return Ok(Command::SetCourse {
            number: *number,
            action: course_action(action)?,
        });
    }
    if let Request::CourseConfirm { number, days, read } = request {
        let read = read
            .parse()
            .map_err(|e| format!("\"{read}\" is no time: {e}"))?;
        return Ok(Command::SetCourse {
            number,
            action: CourseAction::Confirm { days, read },
        });
    }
    changeover_command(request)
}

fn changeover_command(request: Request) -> Result<Command, String> {
    if let Request::ChangeoverStart {
        from,
        to,
        by,
        days,
        note,
    } = request
    {
        return Ok(Command::StartChangeover(NewChangeover {
            from: name(&from)?,
            to: name(&to)?,
            by: measured(&by)?,
            days,
            note: shortened(&note),
        }));
    }
    if let Request::ChangeoverSet { action } = request {
        return Ok(Command::SetChangeover(match action.as_str() {
            "pause" => ChangeoverAction::Pause,
            "resume" => ChangeoverAction::Resume,
            "back" => ChangeoverAction::Back,
            other => {
                return Err(format!(
                    "\"{other}\" is nothing to do with a changeover; it must be pause, resume or back"
                ));
            }
        }));
    }
    Err("this asks nothing about courses and changeovers".to_owned())
}

fn course_action(action: &str) -> Result<CourseAction, String> {
    match action {
        "pause" => Ok(CourseAction::Pause),
        "resume" => Ok(CourseAction::Resume),
        "end" => Ok(CourseAction::End),
        other => Err(format!(
            "\"{other}\" is nothing to do with a course; it must be pause, resume or end"
        )),
    }
}

fn name(text: &str) -> Result<Name, String> {
    Name::new(text).map_err(|e| e.to_string())
}

/// People's words are kept to a length that fits a display.
fn shortened(text: &str) -> String {
    text.chars().take(200).collect()
}

fn dose_kind(kind: &str) -> Result<DoseKind, String> {
    match kind {
        "hand" => Ok(DoseKind::Hand),
        "prime" => Ok(DoseKind::Prime),
        "calibration" => Ok(DoseKind::Calibration),
        other => Err(format!(
            "\"{other}\" is no kind of dose; it must be hand, prime or calibration"
        )),
    }
}

fn refill_level(how: &str, volume_ul: Option<i64>) -> Result<RefillLevel, String> {
    let given = || {
        volume_ul
            .ok_or_else(|| "a volume is missing".to_owned())
            .and_then(volume)
    };
    match how {
        "full" => Ok(RefillLevel::Full),
        "to" => Ok(RefillLevel::To(given()?)),
        "add" => Ok(RefillLevel::Add(given()?)),
        other => Err(format!(
            "\"{other}\" is no way to refill; it must be full, to or add"
        )),
    }
}

fn new_reading(reading: ReadingRequest) -> Result<NewReading, String> {
    let taken = reading
        .taken
        .map(|t| {
            t.parse::<Timestamp>()
                .map_err(|e| format!("\"{t}\" is no time: {e}"))
        })
        .transpose()?;
    Ok(NewReading {
        measured: measured(&reading.quantity)?,
        value: reading_value(
            &reading.quantity,
            reading.value,
            reading.uncertainty,
            reading.below,
        )?,
        method: shortened(&reading.method),
        taken,
        confirmed: reading.sure,
    })
}

/// Most runs of one calibration; nobody measures more.
const RUNS_MAX: usize = 100;

fn new_calibration(request: CalibrateRequest) -> Result<NewCalibration, String> {
    if request.runs.len() > RUNS_MAX {
        return Err(format!("more than {RUNS_MAX} runs are no calibration"));
    }
    let run = |run: RunRequest| -> Result<CalibrationRun, String> {
        Ok(CalibrationRun {
            on_time: Millis::new(run.on_time_ms),
            volume: volume(run.volume_ul)?,
            typed: shortened(&run.typed),
            dose: run.dose.map(DoseId),
            used: run.used,
        })
    };
    Ok(NewCalibration {
        head: name(&request.head)?,
        runs: request
            .runs
            .into_iter()
            .map(run)
            .collect::<Result<_, _>>()?,
        resolution: Volume::from_ul(request.resolution_ul).or_zero(),
        weighing: shortened(&request.weighing),
        method: shortened(&request.method),
    })
}

/// What is done at the bench.
fn bench_command(request: Request) -> Result<Command, String> {
    if let Request::PrepareRun {
        head,
        run_time_ms,
        kind,
    } = request
    {
        return Ok(Command::PrepareRun {
            head: name(&head)?,
            run_time: Millis::new(run_time_ms),
            kind: match dose_kind(&kind)? {
                kind @ (DoseKind::Prime | DoseKind::Calibration) => kind,
                DoseKind::Hand | DoseKind::Plan => {
                    return Err(
                        "a run by time is for priming or calibration; a dose is given by volume"
                            .to_owned(),
                    );
                }
            },
        });
    }
    if let Request::Verify {
        head,
        dose,
        expected_ul,
        measured_ul,
        typed,
    } = request
    {
        return Ok(Command::Verify(NewVerification {
            head: name(&head)?,
            dose: DoseId(dose),
            expected: volume(expected_ul)?,
            measured: volume(measured_ul)?,
            typed: shortened(&typed),
        }));
    }
    if let Request::Calibrate(calibrate) = request {
        return Ok(Command::Calibrate(new_calibration(calibrate)?));
    }
    Err("this asks nothing of the bench".to_owned())
}

/// Longest text of a fact: a lab report of all elements.
const FACT_CHARS_MAX: usize = 8_000;

fn fact(
    (kind, name): (String, String),
    (value, uncertainty): (Option<f64>, Option<f64>),
    text: String,
    happened: Option<String>,
) -> Result<NewFact, String> {
    let known = from_word(&kind).ok_or_else(|| format!("\"{kind}\" is no kind of fact"))?;
    if [value, uncertainty]
        .into_iter()
        .flatten()
        .any(|v| !v.is_finite())
    {
        return Err("a fact's number must be finite".to_owned());
    }
    if text.chars().count() > FACT_CHARS_MAX {
        return Err(format!(
            "a text of more than {FACT_CHARS_MAX} characters is not kept; shorten it"
        ));
    }
    let happened = happened
        .map(|t| {
            t.parse::<Timestamp>()
                .map_err(|e| format!("\"{t}\" is no time: {e}"))
        })
        .transpose()?;
    Ok(NewFact {
        kind: known,
        name: name.chars().take(100).collect(),
        value,
        uncertainty,
        text,
        happened,
    })
}

fn scope(line: Option<String>) -> Result<HoldScope, String> {
    line.map_or(Ok(HoldScope::All), |text| {
        Name::new(&text)
            .map(HoldScope::Line)
            .map_err(|e| e.to_string())
    })
}

fn volume(ul: i64) -> Result<Volume, String> {
    let volume = Volume::from_ul(ul);
    if ul <= 0 || ul > 1_000_000_000 {
        Err(format!("{volume} is out of range; give 0.001 mL to 1000 L"))
    } else {
        Ok(volume)
    }
}

fn measured(quantity: &str) -> Result<Quantity, String> {
    Quantity::from_word(quantity).ok_or_else(|| {
        format!(
            "\"{quantity}\" is not measured here; give alkalinity or an element's symbol, for example Ca"
        )
    })
}

fn reading_value(
    quantity: &str,
    value: f64,
    uncertainty: f64,
    below: bool,
) -> Result<ReadingValue, String> {
    let in_range = |v: f64| v.is_finite() && (0.0..=100_000.0).contains(&v);
    if !in_range(value) || !in_range(uncertainty) {
        return Err(format!(
            "a reading of {value} with an uncertainty of {uncertainty} is out of range"
        ));
    }
    match measured(quantity)? {
        Quantity::Alkalinity if below => {
            Err("alkalinity is never below a detection limit; give its value".to_owned())
        }
        Quantity::Alkalinity => {
            let (value, uncertainty) = (
                Alkalinity::from_meq_per_l(value),
                Alkalinity::from_meq_per_l(uncertainty),
            );
            Ok(ReadingValue::Alkalinity { value, uncertainty })
        }
        Quantity::Element(_) if below => Ok(ReadingValue::Below {
            limit: Concentration::from_mg_per_l(value),
        }),
        Quantity::Element(_) => {
            let (value, uncertainty) = (
                Concentration::from_mg_per_l(value),
                Concentration::from_mg_per_l(uncertainty),
            );
            Ok(ReadingValue::Concentration { value, uncertainty })
        }
    }
}

/// The wire form of an answer.
pub(super) fn response(answer: Result<Answer, Denial>) -> Response {
    match answer {
        Err(denial) => Response::denied(&denial.code, denial.text),
        Ok(Answer::Done { text }) => Response::done(text, serde_json::Value::Null),
        Ok(Answer::DosePrepared {
            token,
            line,
            solution,
            caustic,
            volume,
            run_time,
            kind,
            unusual,
        }) => {
            let kind = kind_text(kind);
            let text =
                format!("{kind} {volume} of {solution} on line {line}, which takes {run_time}");
            let data = json!({
                "token": token, "line": line.as_str(), "solution": solution.as_str(), "caustic": caustic,
                "volume_ul": volume.as_ul(), "run_time_ms": run_time.as_ms(), "kind": kind, "unusual": unusual,
            });
            Response::done(text, data)
        }
        Ok(Answer::DoseStarted {
            id,
            line,
            volume,
            run_time,
        }) => {
            let text = format!(
                "dose {} of {volume} on line {line} has started and takes {run_time}",
                id.0
            );
            let data = json!({ "dose": id.0, "line": line.as_str(), "volume_ul": volume.as_ul(), "run_time_ms": run_time.as_ms() });
            Response::done(text, data)
        }
    }
}

fn kind_text(kind: DoseKind) -> &'static str {
    match kind {
        DoseKind::Plan => "plan",
        DoseKind::Hand => "hand",
        DoseKind::Prime => "prime",
        DoseKind::Calibration => "calibration",
    }
}
