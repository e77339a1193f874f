//! `mqtt check`: whether displays can be reached with the settings as they are.

use std::io::Write;

use clap::Subcommand;
use serde_json::json;

use crate::cli::{Failure, Out, Place, Result, Tone, exit, refused};
use crate::daemon::{load_all, machine_id};
use crate::mqtt::{Report, Settings, Verdict};

/// What to do with MQTT.
#[derive(Debug, Subcommand)]
pub(crate) enum MqttCommand {
    /// Connect with the settings of [mqtt], try every step and say what works and what does not
    #[command(
        after_help = "It logs in under a name of its own, beside a running daemon, and leaves nothing on the broker. Run it as the user of the daemon, who may read the credential file.\nExit code 0: everything works. 1: something does not. 78: mistakes in the files."
    )]
    Check,
}

/// Does what is asked about MQTT.
pub(crate) fn mqtt(place: &Place, options: &MqttCommand, out: &mut Out) -> Result {
    match options {
        MqttCommand::Check => check(place, out),
    }
}

fn check(place: &Place, out: &mut Out) -> Result {
    let all = load_all(&place.config)
        .map_err(|mistakes| Failure::new(exit::CONFIG, mistakes.to_string()))?;
    let Some(settings) = all.mqtt.map(Settings::from) else {
        return Err(refused(
            "MQTT is off in controller.toml; set enabled = true and host under [mqtt], then check again",
        ));
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let report = runtime.block_on(crate::mqtt::check(&settings, &machine_id(&place.state)));
    if place.json {
        let steps: Vec<_> = report
            .findings
            .iter()
            .map(|f| json!({ "step": f.step, "result": word(f.verdict), "text": f.text }))
            .collect();
        out.json(&json!({ "ok": report.is_good(), "steps": steps }))?;
    } else {
        print(&report, out)?;
    }
    if report.is_good() {
        return Ok(());
    }
    out.flush()?;
    Err(refused(""))
}

fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Works => "works",
        Verdict::Fails => "fails",
        Verdict::Note => "note",
    }
}

fn print(report: &Report, out: &mut Out) -> Result {
    for finding in &report.findings {
        let tone = match finding.verdict {
            Verdict::Works => Tone::Good,
            Verdict::Fails => Tone::Bad,
            Verdict::Note => Tone::Quiet,
        };
        let label = out.tone(tone, &format!("{:5}", word(finding.verdict)));
        writeln!(out, "{label}  {:11}  {}", finding.step, finding.text)?;
    }
    Ok(())
}
