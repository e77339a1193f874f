//! Reading a command: from bytes to what the engine is asked, or why not.
//!
//! Pure: it is told the time. What it refuses for its age, its shape or its size never reaches the engine.

use jiff::Timestamp;
use serde::Deserialize;
use serde::de::IgnoredAny;
use serde_json::{Value, json};

use crate::config::RemoteKind;
use crate::engine::{Command, Confirm, Denial, Tell, Token, Wish};
use crate::quantity::{Name, Volume, Words};
use crate::record::{DoseKind, HoldScope, Observed};

pub(super) const COMMAND_BYTES_MAX: usize = 4096;
/// Longest id and longest name that a sender may give itself, in characters.
const ID_CHARS_MAX: usize = 64;
/// Largest volume that can be written at all, mL; every real limit is far below and is the engine's.
const VOLUME_ML_MAX: f64 = 100_000.0;

/// A command that is well formed.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Parsed {
    /// Its id; only a hold may do without.
    pub(crate) id: Option<String>,
    /// When its sender made it; a hold's is not asked.
    pub(super) sent: Option<Timestamp>,
    /// What the sender calls itself.
    pub(super) from: Option<String>,
    pub(crate) command: Command,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawHold {
    id: Option<String>,
    /// Not asked: a stop is obeyed whatever its sender's clock says.
    #[serde(default, rename = "sent")]
    _sent: IgnoredAny,
    from: Option<Words>,
    line: Option<String>,
    reason: Option<Words>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawResume {
    id: String,
    sent: String,
    from: Option<Words>,
    line: Option<String>,
    #[serde(default)]
    all: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawDose {
    id: String,
    sent: String,
    from: Option<Words>,
    step: String,
    line: Option<String>,
    token: Option<String>,
    volume_ml: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawAcknowledge {
    id: String,
    sent: String,
    from: Option<Words>,
    code: Option<Words>,
    #[serde(default)]
    all: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawReading {
    id: String,
    sent: String,
    from: Option<Words>,
    tell: Option<Tell>,
    take_back: Option<RawTakeBack>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawTakeBack {
    number: i64,
    why: Words,
}

/// What of any command says its id.
#[derive(Deserialize)]
struct RawId {
    id: String,
}

/// Reads one command of a kind.
pub(crate) fn parse(kind: RemoteKind, payload: &[u8]) -> Result<Parsed, Denial> {
    if payload.len() > COMMAND_BYTES_MAX {
        return Err(Denial::new(
            "oversized",
            format!(
                "a command has at most {COMMAND_BYTES_MAX} bytes; this one has {}",
                payload.len()
            ),
        ));
    }
    match kind {
        RemoteKind::Hold => hold(read(payload)?),
        RemoteKind::Resume => resume(read(payload)?),
        RemoteKind::Dose => dose(read(payload)?),
        RemoteKind::Acknowledge => acknowledge(read(payload)?),
        RemoteKind::Reading => reading(read(payload)?),
    }
}

/// The id of a command that is not obeyed, if it has a good one, for the answer.
pub(crate) fn id_of(payload: &[u8]) -> Option<String> {
    if payload.len() > COMMAND_BYTES_MAX {
        return None;
    }
    let raw: RawId = serde_json::from_slice(payload).ok()?;
    good_id(raw.id).ok()
}

fn read<'a, R: Deserialize<'a>>(payload: &'a [u8]) -> Result<R, Denial> {
    serde_json::from_slice(payload).map_err(|e| {
        // The parser's words can quote the payload; keep them short and on one line.
        let why: String = e
            .to_string()
            .chars()
            .filter(|c| !c.is_control())
            .take(160)
            .collect();
        malformed(format!("it cannot be read: {why}"))
    })
}

fn malformed(text: impl Into<String>) -> Denial {
    Denial::new("malformed", text)
}

fn hold(raw: RawHold) -> Result<Parsed, Denial> {
    let scope = raw.line.as_deref().map(name).transpose()?.into();
    let reason = raw.reason.unwrap_or_else(|| "asked for over MQTT".into());
    Ok(Parsed {
        id: raw.id.map(good_id).transpose()?,
        sent: None,
        from: raw.from.as_ref().map(sender),
        command: Command::Hold {
            scope,
            reason,
            length: None,
        },
    })
}

fn resume(raw: RawResume) -> Result<Parsed, Denial> {
    let scope = match (raw.line, raw.all) {
        (Some(line), false) => HoldScope::Line(name(&line)?),
        (None, true) => HoldScope::All,
        (Some(_), true) | (None, false) => {
            return Err(malformed(
                "say what to resume: either \"line\" or \"all\": true",
            ));
        }
    };
    parsed(
        raw.id,
        &raw.sent,
        raw.from.as_ref(),
        Command::Resume { scope },
    )
}

fn dose(raw: RawDose) -> Result<Parsed, Denial> {
    let volume = volume(raw.volume_ml)?;
    let command = match (raw.step.as_str(), raw.line, raw.token) {
        ("prepare", Some(line), None) => Command::Prepare(Wish::Dose {
            line: name(&line)?,
            volume,
            kind: DoseKind::Hand,
        }),
        // The volume that every confirmation repeats stands for what was shown.
        ("confirm", None, Some(token)) => Command::Confirm(Confirm {
            token: Token::from_hex(&token)
                .ok_or_else(|| malformed("\"token\" is not one that was given out"))?,
            shown: None,
            repeated_volume: Some(volume),
        }),
        _ => {
            return Err(malformed(
                "a dose has two steps: {\"step\": \"prepare\", \"line\", \"volume_ml\"}, then {\"step\": \"confirm\", \"token\", \"volume_ml\"} with the same volume",
            ));
        }
    };
    parsed(raw.id, &raw.sent, raw.from.as_ref(), command)
}

fn acknowledge(raw: RawAcknowledge) -> Result<Parsed, Denial> {
    let code = match (raw.code, raw.all) {
        (Some(code), false) => Some(code),
        (None, true) => None,
        (Some(_), true) | (None, false) => {
            return Err(malformed(
                "say what to acknowledge: either \"code\" or \"all\": true",
            ));
        }
    };
    parsed(
        raw.id,
        &raw.sent,
        raw.from.as_ref(),
        Command::Acknowledge { code },
    )
}

fn reading(raw: RawReading) -> Result<Parsed, Denial> {
    let command = match (raw.tell, raw.take_back) {
        (Some(mut told), None) => {
            if told.method.is_empty() && told.replaces.is_none() {
                told.method = "over MQTT".into();
            }
            Command::Tell(told)
        }
        (None, Some(RawTakeBack { number, why })) => Command::TakeBack { number, why },
        (Some(_), Some(_)) | (None, None) => {
            return Err(malformed(
                "say either what is told, {\"tell\": {\"items\": [..]}}, or what is taken back, {\"take_back\": {\"number\", \"why\"}}",
            ));
        }
    };
    parsed(raw.id, &raw.sent, raw.from.as_ref(), command)
}

fn parsed(
    id: String,
    sent: &str,
    from: Option<&Words>,
    command: Command,
) -> Result<Parsed, Denial> {
    Ok(Parsed {
        id: Some(good_id(id)?),
        sent: Some(time(sent, "sent")?),
        from: from.map(sender),
        command,
    })
}

fn good_id(id: String) -> Result<String, Denial> {
    let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | ':' | '-');
    if id.is_empty() || id.len() > ID_CHARS_MAX || !id.chars().all(good) {
        return Err(malformed(format!(
            "\"id\" must be 1 to {ID_CHARS_MAX} letters, digits, dots, colons, hyphens or underscores"
        )));
    }
    Ok(id)
}

fn sender(from: &Words) -> String {
    from.as_str().chars().take(ID_CHARS_MAX).collect()
}

fn name(text: &str) -> Result<Name, Denial> {
    Name::new(text).map_err(|e| malformed(format!("\"line\": {e}")))
}

fn time(text: &str, key: &str) -> Result<Timestamp, Denial> {
    text.parse().map_err(|_| {
        malformed(format!(
            "\"{key}\" must be an instant with its zone, for example \"2026-01-31T20:15:00Z\""
        ))
    })
}

fn volume(ml: f64) -> Result<Volume, Denial> {
    let found = Volume::from_ml(ml).filter(|v| v.as_ul() > 0 && ml <= VOLUME_ML_MAX);
    let exact = found.filter(|v| v.as_ml().to_bits() == ml.to_bits());
    exact.ok_or_else(|| {
        malformed(
            "\"volume_ml\" must be more than 0 mL, a whole number of microlitres (three decimals)",
        )
    })
}

/// The shape of commands.
pub(super) fn schema() -> Value {
    let text = |d: &str| json!({ "type": "string", "description": d });
    let number = |d: &str| json!({ "type": "number", "description": d });
    json!({
        "type": "object",
        "description": "what may be sent to BASE/ID/cmd/COMMAND, never retained, at most 4,096 bytes, answered on BASE/ID/reply; id and sent are needed by every command but hold; each command takes the keys that name it",
        "properties": {
            "id": text("every command: any new text of 1 to 64 letters, digits, dots, colons, hyphens, underscores; a repeated one is not obeyed"),
            "sent": text("every command: when it was made, RFC 3339 with zone; an old one is not obeyed"),
            "from": text("every command: what the sender calls itself; recorded"),
            "line": text("hold, resume, dose (prepare): the line; a hold without it holds everything"),
            "reason": text("hold: why"),
            "all": json!({ "type": "boolean", "description": "resume, acknowledge: everything, in place of line or code" }),
            "step": json!({ "enum": ["prepare", "confirm"], "description": "dose: which step" }),
            "token": text("dose (confirm): from the reply to the first step"),
            "volume_ml": number("dose: mL, in both steps"),
            "code": text("acknowledge: code of the alarms that have been seen"),
            "tell": json!({
                "type": "object",
                "description": "reading: what is told of the water, as on the local socket: items, and where wanted lab, method, happened, replaces (number, why) and sure",
                "properties": { "items": json!({ "type": "array", "items": schemars::schema_for!(Observed) }) },
            }),
            "take_back": json!({ "type": "object", "description": "reading: number of what is to count no longer, and why" }),
        },
        "additionalProperties": false,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn code(kind: RemoteKind, text: &str) -> String {
        match parse(kind, text.as_bytes()) {
            Ok(parsed) => panic!("{text} was taken as {parsed:?}"),
            Err(denial) => denial.code,
        }
    }

    const HEAD: &str = r#""id":"a1","sent":"2026-11-25T10:00:00Z""#;

    fn with_head(rest: &str) -> String {
        format!("{{{HEAD},{rest}}}")
    }

    #[test]
    fn a_hold_needs_nothing_but_braces_and_may_name_a_line() {
        let all = parse(RemoteKind::Hold, b"{}").unwrap();
        assert!(matches!(
            all.command,
            Command::Hold {
                length: None,
                scope: HoldScope::All,
                ..
            }
        ));
        let line = parse(
            RemoteKind::Hold,
            br#"{"line":"alk","reason":"test looks wrong"}"#,
        )
        .unwrap();
        let Command::Hold { scope, reason, .. } = line.command else {
            panic!()
        };
        assert_eq!(scope, HoldScope::Line(Name::new("alk").unwrap()));
        assert_eq!(reason.as_str(), "test looks wrong");
    }

    #[test]
    fn every_other_command_needs_an_id_and_its_time() {
        for (kind, rest) in [
            (RemoteKind::Resume, r#""all":true"#),
            (
                RemoteKind::Dose,
                r#""step":"prepare","line":"alk","volume_ml":1"#,
            ),
            (RemoteKind::Acknowledge, r#""all":true"#),
            (
                RemoteKind::Reading,
                r#""tell":{"items":[{"what":"note","text":"new light"}]}"#,
            ),
        ] {
            assert!(parse(kind, with_head(rest).as_bytes()).is_ok(), "{kind:?}");
            assert_eq!(code(kind, &format!("{{\"id\":\"a\",{rest}}}")), "malformed");
            assert_eq!(
                code(
                    kind,
                    &format!("{{\"sent\":\"2026-11-25T10:00:00Z\",{rest}}}")
                ),
                "malformed"
            );
            assert_eq!(
                code(kind, &format!("{{\"id\":\"a\",\"sent\":\"10:00\",{rest}}}")),
                "malformed"
            );
            assert_eq!(
                code(kind, &with_head(&format!("{rest},\"nonsense\":1"))),
                "malformed"
            );
        }
    }

    #[test]
    fn a_volume_is_taken_exactly_or_not_at_all() {
        let dose = |ml: &str| {
            let text = with_head(&format!(
                r#""step":"prepare","line":"alk","volume_ml":{ml}"#
            ));
            parse(RemoteKind::Dose, text.as_bytes())
        };
        for (text, ul) in [("0.5", 500), ("5e-1", 500), ("12.345", 12_345), ("1", 1000)] {
            let Command::Prepare(Wish::Dose { volume, .. }) = dose(text).unwrap().command else {
                panic!()
            };
            assert_eq!(volume.as_ul(), ul, "{text}");
        }
        for bad in [
            "0", "-1", "NaN", "1e999", "\"5\"", ".5", "0,5", "null", "0.00001", "1.2345", "1e7",
        ] {
            assert!(dose(bad).is_err(), "{bad} was taken");
        }
    }

    #[test]
    fn the_second_step_of_a_dose_repeats_the_volume() {
        let token = "ffffffffffffffff0123456789abcdef";
        let text = with_head(&format!(
            r#""step":"confirm","token":"{token}","volume_ml":2.5"#
        ));
        let parsed = parse(RemoteKind::Dose, text.as_bytes()).unwrap();
        assert_eq!(
            parsed.command,
            Command::Confirm(Confirm {
                token: Token::from_hex(token).unwrap(),
                shown: None,
                repeated_volume: Some(Volume::from_ul(2500))
            })
        );
        for no_token in ["1", "+fffffffffffffff0123456789abcdef", ""] {
            let text = with_head(&format!(
                r#""step":"confirm","token":"{no_token}","volume_ml":2.5"#
            ));
            assert_eq!(code(RemoteKind::Dose, &text), "malformed");
        }
        assert_eq!(
            code(
                RemoteKind::Dose,
                &with_head(r#""step":"confirm","token":"1""#)
            ),
            "malformed"
        );
        assert_eq!(
            code(
                RemoteKind::Dose,
                &with_head(r#""step":"confirm","line":"alk","volume_ml":1"#)
            ),
            "malformed"
        );
        assert_eq!(
            code(
                RemoteKind::Dose,
                &with_head(r#""step":"now","line":"alk","volume_ml":1"#)
            ),
            "malformed"
        );
    }

    #[test]
    fn what_is_told_keeps_its_kind_and_unit_and_can_be_corrected_and_taken_back() {
        let read = |rest: &str| {
            let parsed = parse(RemoteKind::Reading, with_head(rest).as_bytes());
            parsed.unwrap().command
        };
        let told = |rest: &str| {
            let Command::Tell(told) = read(&format!("\"tell\":{{{rest}}}")) else {
                panic!()
            };
            told
        };
        let calcium = r#"{"what":"reading","of":"Ca","value":412,"uncertainty":8}"#;
        let new = told(&format!(
            r#""items":[{calcium}],"happened":"2026-11-25T09:00:00+01:00","replaces":{{"number":7,"why":"wrong tank"}}"#
        ));
        assert_eq!(new.items[0].to_string(), "calcium 412.0 mg/L +- 8.000 mg/L");
        assert_eq!(new.happened, Some("2026-11-25T08:00:00Z".parse().unwrap()));
        assert_eq!(new.replaces.unwrap().number, 7);
        let below = r#""items":[{"what":"reading","of":"iron","below":0.002,"unit":"mg/L"}]"#;
        assert_eq!(told(below).method.as_str(), "over MQTT");
        assert_eq!(
            read(r#""take_back":{"number":7,"why":"wrong tank"}"#),
            Command::TakeBack {
                number: 7,
                why: "wrong tank".into()
            }
        );
        for bad in [
            r#"{"what":"reading","of":"alkalinity","value":8}"#,
            r#"{"what":"reading","of":"alkalinity","value":-8,"uncertainty":0.1}"#,
            r#"{"what":"reading","of":"alkalinity","value":8,"uncertainty":0.1,"unit":"mg/L"}"#,
            r#"{"what":"reading","of":"alkalinity","below":2}"#,
            r#"{"what":"reading","of":"Xx","below":1}"#,
            r#"{"what":"reading","of":"Ca","value":400,"uncertainty":1,"below":1}"#,
            r#"{"what":"reading","of":"pH","value":8.2,"uncertainty":0.1}"#,
            r#"{"what":"reading","of":"Ca","value":400,"uncertainty":1,"colour":1}"#,
            r#"{"what":"note","text":"a","litres":1}"#,
            r#"{"what":"addition"}"#,
            r#"{"what":"addition","solution":"soda-ash","volume_ul":0}"#,
        ] {
            let text = format!(r#""tell":{{"items":[{bad}]}}"#);
            assert_eq!(code(RemoteKind::Reading, &with_head(&text)), "malformed");
        }
        for bad in [r#""tell":{"items":[]}"#, r#""from":"a""#] {
            assert_eq!(code(RemoteKind::Reading, &with_head(bad)), "malformed");
        }
    }

    #[test]
    fn what_is_oversized_or_garbage_is_refused_and_cannot_break_a_line() {
        assert_eq!(code(RemoteKind::Hold, &"x".repeat(5000)), "oversized");
        assert_eq!(code(RemoteKind::Hold, "\u{1b}[2J"), "malformed");
        let broken = parse(RemoteKind::Hold, br#"{"reason":"a\nb"}"#).unwrap();
        let Command::Hold { reason, .. } = broken.command else {
            panic!()
        };
        assert_eq!(
            reason.as_str(),
            "a b",
            "a stop is not refused for its words"
        );
        assert_eq!(
            code(RemoteKind::Hold, r#"{"line":"NOT A NAME"}"#),
            "malformed"
        );
        assert_eq!(code(RemoteKind::Hold, ""), "malformed");
        assert_eq!(id_of(br#"{"id":"ok-1","junk":1}"#), Some("ok-1".to_owned()));
        assert_eq!(id_of(br#"{"id":"no good"}"#), None);
        // What is not asked is not looked at, so that it can neither lose the stop nor its answer.
        let garbled = b"{\"id\":\"a1\",\"sent\":\"2\xff\"}";
        let stop = parse(RemoteKind::Hold, garbled).unwrap();
        assert_eq!(
            (stop.id, id_of(garbled)),
            (Some("a1".to_owned()), Some("a1".to_owned()))
        );
    }
}
