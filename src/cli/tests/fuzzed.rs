//! What any bytes are held against by the fuzz targets of `tests/fuzz`: nothing panics, and what was read is read back as itself when
//! it is printed. The tests send the corpora the same way; what a target finds goes into its corpus.

use std::fmt::Debug;

use serde::Serialize;
use serde::de::DeserializeOwned;

use super::water::panel_csv::{Decimal, Sample, columns, headings, read};
use super::water::quantities::reading;
use super::words::{amount, celsius, days, held, percent, salinity, tank_volume};
use crate::chemistry::Quantity;
use crate::config::{
    ConfigMistakes, CronTimes, Loaded, RemoteKind, Scenario, check_plan_text, check_texts,
    parse_pin, system_zone,
};
use crate::control::{Request, Response};
use crate::engine::{Answer, Token};
use crate::mqtt::command::{id_of, parse};
use crate::plan::check_plan;
use crate::quantity::{
    Alkalinity, Concentration, FlowRate, Name, TankVolume, Words, parse_alkalinity,
    parse_concentration, parse_duration, parse_flow_rate, parse_plain_number, parse_tank_volume,
    parse_volume,
};
use crate::record::{Observed, Reading};

/// Stands between the two files.
const PLAN: &str = "\n# plan\n";
const DEMO: &str = include_str!("../../../config/controller.toml");

/// The two files; a text without the line between them is a plan for the sample controller, and a scenario.
///
/// # Panics
/// On what must not be: that is the finding.
pub fn files(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    let (controller, plan) = text.split_once(PLAN).unwrap_or((DEMO, text));
    if let Err(mistakes) = Scenario::read(("scenario", text)) {
        explained(&mistakes, text);
    }
    let check = |controller: &str, plan: &str| {
        let texts = [("controller", controller), ("plan", plan)];
        check_texts(texts, &system_zone, &check_plan)
    };
    let meaning = |loaded: &Loaded| {
        let Loaded {
            controller_fingerprint,
            plan_fingerprint,
            ..
        } = loaded;
        (controller_fingerprint.clone(), plan_fingerprint.clone())
    };
    let loaded = match check(controller, plan) {
        Err(mistakes) => return explained(&mistakes, &format!("{controller}\n{plan}")),
        Ok(loaded) => loaded,
    };
    let remarked = check(&format!("# a\n{controller}"), &format!("# b\n{plan}"));
    assert_eq!(
        remarked.as_ref().map(meaning),
        Ok(meaning(&loaded)),
        "a remark means something"
    );
    let again = check_plan_text(("plan", plan), &loaded.controller, &check_plan);
    let again = again.map(|loaded| loaded.fingerprint);
    assert_eq!(again, Ok(loaded.plan_fingerprint), "a reload is no start");
}

fn explained(mistakes: &ConfigMistakes, text: &str) {
    assert!(!mistakes.mistakes.is_empty() && !mistakes.to_string().is_empty());
    let lines = text.lines().count().saturating_add(1);
    for mistake in &mistakes.mistakes {
        assert!(
            mistake.place.is_none_or(|(line, _)| line <= lines),
            "{mistake} is in no line"
        );
    }
}

/// What comes over the socket, either way.
pub fn frame(data: &[u8]) {
    written_back::<Request>(data);
    written_back::<Response>(data);
    written_back::<Answer>(data);
}

/// A kind and the payload of a command from the broker.
///
/// # Panics
/// On what must not be: that is the finding.
pub fn command(data: &[u8]) {
    use RemoteKind::{Acknowledge, Dose, Hold, Reading, Resume};
    let Some((first, payload)) = data.split_first() else {
        return;
    };
    let kinds = [Hold, Resume, Dose, Acknowledge, Reading].into_iter();
    let kind = kinds.cycle().nth(usize::from(first % 5)).unwrap_or(Hold);
    let id = id_of(payload);
    match parse(kind, payload) {
        Err(denial) => assert!(!denial.text.contains(char::is_control), "{}", denial.text),
        Ok(parsed) => {
            assert_eq!(parsed.id, id, "an answer would have another id");
            same(&parsed.command);
            same(&Request::from(parsed.command));
        }
    }
}

/// A sign of decimals, a line that says the columns, and a lab's report.
///
/// # Panics
/// On what must not be: that is the finding.
pub fn lab(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    let (first, report) = text.split_once('\n').unwrap_or(("", text));
    let (decimal, first) = match first.split_at_checked(1) {
        Some((",", rest)) => (Some(Decimal::Comma), rest),
        Some((".", rest)) => (Some(Decimal::Dot), rest),
        _ => (None, first),
    };
    let usual = "element=Parameter,value=Result,unit=Unit,limit=LOD";
    let told = columns(first).or_else(|_| columns(usual));
    let sample = Sample {
        kg_per_l: 1.025,
        uncertainty_percent: Some(5.0),
        decimal,
    };
    drop(headings(report));
    let Ok(Ok(found)) = told.map(|told| read(report, &told, sample)) else {
        return;
    };
    for row in found.rows {
        kept(&row);
        let (number, unit) = row.as_read.split_once(' ').unwrap_or(("", ""));
        let again = format!("a,b,c\n{},{number},{unit}\n", row.of);
        let again = columns("element=a,value=b,unit=c").and_then(|told| {
            let sample = Sample {
                decimal: None,
                ..sample
            };
            Ok(read(&again, &told, sample)?.rows)
        });
        assert_eq!(again, Ok(vec![row]));
    }
}

/// Text as somebody types it. Of three lines: what is tested, the value, its uncertainty.
///
/// # Panics
/// On what must not be: that is the finding.
pub fn quantity(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    if let Ok(volume) = parse_volume(text) {
        assert_eq!(parse_volume(&volume.to_string()), Ok(volume));
        same(&volume);
    }
    if let Ok(length) = parse_duration(text) {
        same(&length);
        assert_eq!(
            parse_duration(&format!("{} ms", length.as_ms())),
            Ok(length)
        );
    }
    near(text, parse_alkalinity, Alkalinity::as_dkh);
    near(text, parse_concentration, Concentration::as_mg_per_l);
    near(text, parse_flow_rate, FlowRate::as_ml_per_min);
    near(text, parse_tank_volume, TankVolume::as_litres);
    if let Ok(name) = Name::new(text) {
        assert_eq!(Name::new(&name.to_string()), Ok(name));
    }
    if let Some(of) = Quantity::from_word(text) {
        assert_eq!(Quantity::from_word(of.as_str()), Some(of));
    }
    if let Ok(times) = CronTimes::new(text) {
        let again = CronTimes::new(times.text()).map(|again| again.times().to_vec());
        assert_eq!(again.as_deref(), Ok(times.times()));
    }
    let words = Words::new(text);
    assert_eq!(Words::new(words.as_str()), words);
    let finite = [
        parse_plain_number(text).ok(),
        celsius(text)
            .ok()
            .map(crate::chemistry::Celsius::as_degrees),
        salinity(text)
            .ok()
            .map(crate::chemistry::Salinity::as_practical),
        percent(text).ok(),
        tank_volume(text).ok().map(TankVolume::as_litres),
    ];
    assert!(
        finite.into_iter().flatten().all(f64::is_finite),
        "{text:?}: {finite:?}"
    );
    drop((amount(text), days(text), held(text), parse_pin(text)));
    if let Some(token) = Token::from_hex(text) {
        same(&token);
    }
    let mut lines = text.split('\n');
    let (Some(word), Some(value)) = (lines.next(), lines.next()) else {
        return;
    };
    if let Ok(reading) = reading(word, value, lines.next()) {
        kept(&reading);
    }
}

/// What is shown says as much as its decimals.
fn near<T, E>(text: &str, parse: fn(&str) -> Result<T, E>, number: fn(T) -> f64)
where
    T: Copy + std::fmt::Display + Debug + PartialEq + Serialize + DeserializeOwned,
    E: Debug,
{
    let Ok(value) = parse(text) else {
        return;
    };
    same(&value);
    let shown = value.to_string();
    let figures = shown.split(' ').next().unwrap_or("");
    let decimals = figures.split_once('.').map_or(0, |(_, part)| part.len());
    let half = 0.5 * 0.1_f64.powi(i32::try_from(decimals).unwrap_or(0));
    let read = parse(&shown).map(number);
    let close = |read: &f64| (read - number(value)).abs() <= half * (1.0 + 1e-6);
    assert!(
        read.as_ref().is_ok_and(close),
        "{text:?} is shown as {shown}, which is read as {read:?}"
    );
}

/// A reading is refused by the record, or kept as it is.
fn kept(reading: &Reading) {
    let observed = Observed::Reading(reading.clone());
    let written = serde_json::to_string(&observed).unwrap_or_default();
    if let Ok(read) = serde_json::from_str::<Observed>(&written) {
        assert_eq!(read, observed, "{written}");
    }
}

fn written_back<T: Serialize + DeserializeOwned + PartialEq + Debug>(data: &[u8]) {
    if let Ok(value) = serde_json::from_slice::<T>(data) {
        same(&value);
    }
}

fn same<T: Serialize + DeserializeOwned + PartialEq + Debug>(value: &T) {
    let written = serde_json::to_string(value).unwrap_or_default();
    assert!(!written.contains('\n'), "{written}");
    let read = serde_json::from_str::<T>(&written);
    assert!(
        read.as_ref().is_ok_and(|read| read == value),
        "{written} is read as {read:?}"
    );
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    type Target = fn(&[u8]);

    #[test]
    fn every_corpus_is_read_and_what_is_read_comes_back_as_itself() {
        let targets: [(&str, Target); 5] = [
            ("files", super::files),
            ("frame", super::frame),
            ("command", super::command),
            ("lab", super::lab),
            ("quantity", super::quantity),
        ];
        for (name, target) in targets {
            let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
                .join("tests/fuzz/corpus")
                .join(name);
            let mut files = 0;
            for entry in std::fs::read_dir(&folder).unwrap() {
                let path = entry.unwrap().path();
                println!("{}", path.display());
                target(&std::fs::read(&path).unwrap());
                files += 1;
            }
            assert!(files > 0, "{name} has no corpus");
        }
    }
}
