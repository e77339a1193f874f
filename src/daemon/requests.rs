//! From requests of the socket to commands of the engine, and back to responses. And effects to log lines.

use jiff::Timestamp;
use serde_json::json;

use crate::chemistry::Element;
use crate::control::{Request, Response};
use crate::engine::{Answer, Command, Denial, Effect, NewReading, RefillLevel};
use crate::metering::Calibration;
use crate::quantity::{Alkalinity, Concentration, FlowRate, Millis, Name, QuantityError, Volume};
use crate::record::{
    DoseEnd, DoseKind, Entry, HoldScope, Measured, ReadingValue, Stamp, StoredCalibration, Who,
};

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
    match request {
        Request::Status => Sorted::Status,
        Request::Reload => Sorted::Reload,
        Request::Arm {
            fingerprint,
            sentence,
        } => Sorted::Arm {
            fingerprint,
            sentence: sentence.chars().take(300).collect(),
        },
        Request::Disarm => Sorted::Disarm,
        other => match command(other) {
            Ok(command) => Sorted::Command(command),
            Err(text) => Sorted::Refused(Response::denied("bad-value", text)),
        },
    }
}

fn command(request: Request) -> Result<Command, String> {
    let name = |text: &str| Name::new(text).map_err(|e: QuantityError| e.to_string());
    Ok(match request {
        Request::Hold { line, reason } => Command::Hold {
            scope: scope(line)?,
            reason: reason.chars().take(200).collect(),
        },
        Request::Resume { line } => Command::Resume {
            scope: scope(line)?,
        },
        Request::PrepareDose {
            line,
            volume_ul,
            kind,
        } => {
            let kind = match kind.as_str() {
                "hand" => DoseKind::Hand,
                "prime" => DoseKind::Prime,
                "calibration" => DoseKind::Calibration,
                other => {
                    return Err(format!(
                        "\"{other}\" is no kind of dose; it must be hand, prime or calibration"
                    ));
                }
            };
            Command::PrepareDose {
                line: name(&line)?,
                volume: volume(volume_ul)?,
                kind,
            }
        }
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
        } => {
            let given = || {
                volume_ul
                    .ok_or_else(|| "a volume is missing".to_owned())
                    .and_then(volume)
            };
            let level = match how.as_str() {
                "full" => RefillLevel::Full,
                "to" => RefillLevel::To(given()?),
                "add" => RefillLevel::Add(given()?),
                other => {
                    return Err(format!(
                        "\"{other}\" is no way to refill; it must be full, to or add"
                    ));
                }
            };
            Command::Refill {
                reservoir: name(&reservoir)?,
                level,
                note: note.chars().take(200).collect(),
            }
        }
        Request::Reading {
            quantity,
            value,
            uncertainty,
            below,
            method,
            taken,
            sure,
        } => {
            let result = reading_value(&quantity, value, uncertainty, below)?;
            let taken = taken
                .map(|t| {
                    t.parse::<Timestamp>()
                        .map_err(|e| format!("\"{t}\" is no time: {e}"))
                })
                .transpose()?;
            let method = method.chars().take(200).collect();
            Command::AddReading(NewReading {
                measured: measured(&quantity)?,
                value: result,
                method,
                taken,
                confirmed: sure,
            })
        }
        Request::Calibrate {
            head,
            rate_ml_per_min,
            offset_ul,
            variation,
            method,
        } => {
            let calibration = Calibration::new(
                FlowRate::from_ml_per_min(rate_ml_per_min),
                Volume::from_ul(offset_ul),
            )
            .map_err(|e| e.to_string())?;
            let variation = variation.filter(|v| v.is_finite() && *v >= 0.0);
            // Stamp and sender are the engine's to fill in.
            let at = Stamp {
                wall: Timestamp::UNIX_EPOCH,
                elapsed: Millis::ZERO,
                trusted: false,
            };
            let method = method.chars().take(200).collect();
            Command::Calibrate(StoredCalibration {
                head: name(&head)?,
                calibration,
                variation,
                method,
                who: Who::Daemon,
                at,
            })
        }
        Request::TrustClock => Command::TrustClock,
        Request::Acknowledge { code } => Command::Acknowledge { code },
        Request::SimulateInput { input, safe } => Command::SimulateInput {
            input: name(&input)?,
            safe,
        },
        Request::Status | Request::Reload | Request::Arm { .. } | Request::Disarm => {
            return Err("not a command".to_owned());
        }
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

fn measured(quantity: &str) -> Result<Measured, String> {
    if quantity == "alkalinity" {
        return Ok(Measured::Alkalinity);
    }
    let unknown = || {
        format!(
            "\"{quantity}\" is not measured here; give alkalinity or an element's symbol, for example Ca"
        )
    };
    Element::new(quantity)
        .map(Measured::Element)
        .ok_or_else(unknown)
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
        Measured::Alkalinity if below => {
            Err("alkalinity is never below a detection limit; give its value".to_owned())
        }
        Measured::Alkalinity => {
            let (value, uncertainty) = (
                Alkalinity::from_meq_per_l(value),
                Alkalinity::from_meq_per_l(uncertainty),
            );
            Ok(ReadingValue::Alkalinity { value, uncertainty })
        }
        Measured::Element(_) if below => Ok(ReadingValue::Below {
            limit: Concentration::from_mg_per_l(value),
        }),
        Measured::Element(_) => {
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

/// Writes an effect to the log: fields, not prose.
pub(super) fn log(effect: &Effect) {
    match effect {
        Effect::StoreIntent(_) | Effect::SaveHolds { .. } | Effect::Reply { .. } => {}
        Effect::StartPump { head, permit } => {
            tracing::info!(dose = permit.dose().0, line = %permit.line(), %head, volume = %permit.volume(), run_time = %permit.run_time(), "dose started");
        }
        Effect::StopPump { head, why } => tracing::warn!(%head, reason = %why, "head stopped"),
        Effect::StoreOutcome(outcome) => {
            let (dose, volume, left) = (outcome.id.0, outcome.delivered, outcome.reservoir_left);
            match outcome.end {
                DoseEnd::Delivered => {
                    tracing::info!(dose, %volume, reservoir_left = %left, "dose delivered")
                }
                DoseEnd::Interrupted => {
                    tracing::warn!(dose, %volume, reservoir_left = %left, reason = %outcome.cause, "dose interrupted")
                }
                DoseEnd::Failed => {
                    tracing::error!(dose, %volume, reservoir_left = %left, reason = %outcome.cause, "dose failed")
                }
                DoseEnd::Uncertain => {
                    tracing::warn!(dose, %volume, reservoir_left = %left, reason = %outcome.cause, "dose uncertain")
                }
                DoseEnd::NotStarted => {
                    tracing::warn!(dose, reason = %outcome.cause, "dose not started")
                }
            }
        }
        Effect::Store { entry, .. } => log_entry(entry),
        Effect::Exit { why } => tracing::error!(reason = %why, "the daemon must end"),
    }
}

fn log_entry(entry: &Entry) {
    match entry {
        Entry::SlotNotGiven(slot) => {
            tracing::warn!(line = %slot.key.line, volume = %slot.volume, code = %slot.code, reason = %slot.reason, "dose refused");
        }
        Entry::OutageMissed(missed) => {
            let slots = missed
                .slots
                .map_or("not counted".to_owned(), |n| n.to_string());
            tracing::warn!(line = %missed.line, %slots, "slots missed");
        }
        Entry::HoldSet(hold, _) => {
            tracing::warn!(scope = ?hold.scope, reason = %hold.reason, who = %hold.who, "hold")
        }
        Entry::HoldLifted(scope, who, _) => tracing::warn!(?scope, %who, "hold lifted"),
        Entry::Refill(refill) => {
            tracing::info!(reservoir = %refill.reservoir, level = %refill.level, note = %refill.note, "reservoir filled")
        }
        Entry::Reading(reading) => {
            tracing::info!(measured = ?reading.measured, value = ?reading.value, "reading")
        }
        Entry::Calibration(stored) => {
            let (rate, offset) = (stored.calibration.rate(), stored.calibration.offset());
            tracing::info!(head = %stored.head, %rate, %offset, method = %stored.method, "calibration");
        }
        Entry::Uptake(uptake) => {
            tracing::info!(uptake = %uptake.uptake, before = %uptake.before, "uptake established")
        }
        Entry::Arming(arming) => {
            tracing::warn!(armed = arming.armed, fingerprint = %arming.fingerprint, hardware = %arming.hardware, who = %arming.who, "arming")
        }
        Entry::Note(note) if note.code == "alarm-raised" => {
            tracing::warn!(code = note.code, "{}", note.text)
        }
        Entry::Note(note) => tracing::info!(code = note.code, "{}", note.text),
    }
}
