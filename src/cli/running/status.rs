//! `status`: a compact table that is read at the sump.

use std::io::Write;
use std::time::Duration;

use crate::cli::args::{Place, StatusArgs};
use crate::cli::exit::{self, Failure, accepted};
use crate::cli::out::{Out, Tone};
use crate::control::{Client, HeadView, LineView, Request, StatusView};
use crate::quantity::Volume;

/// Time between two refreshes of `--watch`.
const REFRESH: Duration = Duration::from_secs(2);

/// Shows the status once, or again and again.
pub(in crate::cli) fn status(
    place: &Place,
    options: &StatusArgs,
    out: &mut Out,
) -> Result<(), Failure> {
    if options.watch {
        return watch(place, out);
    }
    let view = fetch(&mut Client::connect(&place.state)?)?;
    if options.json {
        out.json(&view)?;
    } else {
        print(&view, out)?;
    }
    if options.exit_code && needs_attention(&view) {
        out.flush()?;
        return Err(Failure::new(exit::REFUSED, ""));
    }
    Ok(())
}

pub(in crate::cli) fn fetch(client: &mut Client) -> Result<StatusView, Failure> {
    let response = accepted(client.ask(&Request::Status)?)?;
    serde_json::from_value(response.data).map_err(|e| Failure::new(exit::NO_DAEMON, format!("the daemon's answer was not understood: {e}; are daemon and command of the same version?")))
}

/// Refreshes until interrupted. A daemon that goes away is said and waited for.
fn watch(place: &Place, out: &mut Out) -> Result<(), Failure> {
    let pause = std::sync::Condvar::new();
    let nothing = std::sync::Mutex::new(());
    loop {
        let shown = Client::connect(&place.state)
            .map_err(Failure::from)
            .and_then(|mut client| fetch(&mut client));
        if out.is_terminal() {
            write!(out, "\x1b[H\x1b[2J")?;
        }
        match shown {
            Ok(view) => print(&view, out)?,
            Err(Failure::Said { text, .. }) => writeln!(out, "{text}")?,
            Err(Failure::ClosedPipe) => return Ok(()),
        }
        out.flush()?;
        if let Ok(guard) = nothing.lock() {
            drop(pause.wait_timeout(guard, REFRESH));
        }
    }
}

/// Whether something waits for the keeper.
pub(in crate::cli) fn needs_attention(view: &StatusView) -> bool {
    let stopped = |line: &LineView| line.state == "held" || line.state == "blocked";
    view.held
        || !view.clock.trusted
        || !view.ledger.writable
        || view.not_live_because.is_some()
        || view.lines.iter().any(stopped)
        || view.alarms.iter().any(|a| !a.acknowledged)
}

fn print(view: &StatusView, out: &mut Out) -> Result<(), Failure> {
    head(view, out)?;
    lines(view, out)?;
    reasons(view, out)?;
    alkalinity(view, out)?;
    heads(view, out)?;
    if let Some(changeover) = &view.changeover {
        writeln!(out, "\n{changeover}")?;
    }
    if let Some(mqtt) = &view.mqtt {
        writeln!(out, "\nmqtt: {mqtt}")?;
    }
    for alarm in view.alarms.iter().filter(|a| a.active || !a.acknowledged) {
        let label = if alarm.active {
            out.tone(Tone::Bad, "alarm")
        } else {
            out.tone(Tone::Quiet, "alarm, over")
        };
        writeln!(
            out,
            "{label} {} since {}: {}",
            alarm.code,
            clock_time(&alarm.since),
            alarm.text
        )?;
    }
    for input in view.inputs.iter().filter(|i| !i.safe) {
        writeln!(
            out,
            "input {}: {}",
            input.name,
            out.tone(Tone::Bad, "unsafe")
        )?;
    }
    Ok(())
}

/// Who, when, in what mode, and what stops everything.
fn head(view: &StatusView, out: &mut Out) -> Result<(), Failure> {
    let mode = if view.mode == "live" {
        "LIVE: outputs are driven".to_owned()
    } else {
        "DRY RUN: no output is driven".to_owned()
    };
    let warp = view.warp.map_or(String::new(), |n| {
        format!(", virtual time {n} times faster")
    });
    writeln!(
        out,
        "{}  {}  {mode}{warp}",
        out.tone(Tone::Strong, &view.controller),
        clock_time(&view.time)
    )?;
    if let Some(why) = &view.not_live_because {
        let label = out.tone(Tone::Bad, "NOT LIVE although controller.toml says so");
        writeln!(out, "{label}: {why}")?;
    }
    let mut priorities = view
        .heads
        .iter()
        .filter_map(|head| head.thread_priority.as_deref());
    if let Some(priority) = priorities.find(|p| *p != "real_time") {
        writeln!(
            out,
            "pump threads have no real-time priority ({priority}); run times are booked as measured"
        )?;
    }
    for hold in &view.holds {
        let what = hold
            .line
            .as_deref()
            .map_or("ALL DOSING ON HOLD".to_owned(), |line| {
                format!("line {line} on hold")
            });
        let how = hold
            .line
            .as_deref()
            .map_or("dosewright resume".to_owned(), |line| {
                format!("dosewright resume {line}")
            });
        writeln!(
            out,
            "{} since {}: {} (set by {}); lift it with `{how}`",
            out.tone(Tone::Bad, &what),
            clock_time(&hold.since),
            hold.reason,
            hold.who
        )?;
    }
    if let Some(reason) = &view.clock.reason {
        writeln!(
            out,
            "{}: {reason}",
            out.tone(Tone::Bad, "clock not trusted, no dose by plan")
        )?;
    }
    if let Some(reason) = &view.ledger.reason {
        writeln!(
            out,
            "{}: {reason}",
            out.tone(Tone::Bad, "ledger not writable, no dose")
        )?;
    }
    Ok(())
}

fn lines(view: &StatusView, out: &mut Out) -> Result<(), Failure> {
    let width = view
        .lines
        .iter()
        .map(|l| l.name.len())
        .max()
        .unwrap_or(4)
        .max(4);
    let title = format!(
        "{:width$}  {:9}  {:>10}  {:>10}  {:>10}  {:>10}  {:>11}  {:>6}  next dose",
        "line", "state", "today", "24 h", "plan/day", "cap left", "in bottle", "lasts"
    );
    writeln!(out, "\n{}", out.tone(Tone::Strong, &title))?;
    for line in &view.lines {
        let tone = match line.state.as_str() {
            "held" | "blocked" => Tone::Bad,
            "dosing" => Tone::Good,
            _ => Tone::Quiet,
        };
        let days = view
            .reservoirs
            .iter()
            .find(|r| r.name == line.reservoir)
            .and_then(|r| r.days_left);
        let next = line.next_slot.as_ref().map_or("none".to_owned(), |slot| {
            format!("{} {}", slot_time(&slot.at, &view.time), ml(slot.volume_ul))
        });
        let next = line
            .running_so_far_ul
            .zip(line.running_volume_ul)
            .map_or(next, |(so_far, of)| {
                format!("now: {} of {}", ml(so_far), ml(of))
            });
        writeln!(
            out,
            "{:width$}  {}  {:>10}  {:>10}  {:>10}  {:>10}  {:>11}  {:>6}  {next}",
            line.name,
            out.tone(tone, &format!("{:9}", line.state)),
            ml(line.delivered_today_ul),
            ml(line.delivered_24h_ul),
            ml(line.planned_24h_ul),
            ml(line.cap_left_ul),
            line.reservoir_left_ul.map_or("unknown".to_owned(), ml),
            days.map_or("-".to_owned(), |d| format!("{d:.0} d")),
        )?;
    }
    Ok(())
}

/// Why lines do not dose, and until when; what differs from the standing plan; what was refused last.
fn reasons(view: &StatusView, out: &mut Out) -> Result<(), Failure> {
    let mut first = true;
    let mut gap = |out: &mut Out| {
        if std::mem::take(&mut first) {
            writeln!(out)
        } else {
            Ok(())
        }
    };
    for line in &view.lines {
        if let Some(reason) = line.reason.as_ref().filter(|_| line.state != "held") {
            gap(out)?;
            let until = line.until.as_ref().map_or(String::new(), |at| {
                format!("; next allowed at {}", slot_time(at, &view.time))
            });
            writeln!(out, "{}: {reason}{until}", line.name)?;
        }
        if line.planned_24h_ul != line.plan_standing_ul {
            gap(out)?;
            writeln!(
                out,
                "{}: {} a day in force instead of the plan's {}",
                line.name,
                ml(line.planned_24h_ul),
                ml(line.plan_standing_ul)
            )?;
        }
        if let (Some(refusal), Some(at)) = (&line.last_refusal, &line.last_refusal_at) {
            gap(out)?;
            writeln!(
                out,
                "{}: slot refused at {}: {refusal}",
                line.name,
                slot_time(at, &view.time)
            )?;
        }
    }
    Ok(())
}

fn alkalinity(view: &StatusView, out: &mut Out) -> Result<(), Failure> {
    for words in &view.starts_not_in_force {
        writeln!(out, "\nnote: {words}")?;
    }
    let Some(alk) = &view.alkalinity else {
        return Ok(());
    };
    let dkh = |value: f64| format!("{value:.2} dKH");
    let uptake = alk
        .uptake_dkh_per_day
        .map_or("not known".to_owned(), |u| format!("{} a day", dkh(u)));
    let predicted = match (
        alk.predicted_dkh,
        alk.predicted_uncertainty_dkh,
        alk.reading_age_days,
    ) {
        (Some(value), Some(sd), Some(age)) => format!(
            "predicted {} +- {} (95 %), last reading {age:.1} d ago",
            dkh(value),
            dkh(2.0 * sd)
        ),
        (_, _, _) => "no reading yet".to_owned(),
    };
    let allowed = alk
        .allowed_dkh_per_day
        .map_or("nothing".to_owned(), |a| format!("{} in 24 h", dkh(a)));
    writeln!(
        out,
        "\nalkalinity: uptake {uptake}, plan {} a day, in force {} a day; {predicted}",
        dkh(alk.planned_dkh_per_day),
        dkh(alk.in_force_dkh_per_day)
    )?;
    writeln!(
        out,
        "            allowed {allowed}: {}",
        alk.allowed_because
            .as_deref()
            .unwrap_or("no uptake is in force")
    )?;
    Ok(())
}

/// What each head can meter.
fn heads(view: &StatusView, out: &mut Out) -> Result<(), Failure> {
    let width = view.heads.iter().map(|h| h.name.len()).max().unwrap_or(0);
    writeln!(out)?;
    for head in &view.heads {
        let name = &head.name;
        let words = head_words(head).unwrap_or_else(|bad| out.tone(Tone::Bad, &bad));
        writeln!(out, "head {name:width$}  {words}")?;
    }
    Ok(())
}

/// What a head can meter; as an error when that is nothing.
fn head_words(head: &HeadView) -> Result<String, String> {
    if !head.calibrated {
        return Err(format!(
            "NOT CALIBRATED, gives no dose: dosewright calibrate {}",
            head.name
        ));
    }
    if let Some(why) = &head.meters_nothing {
        return Err(format!("gives NO dose: {why}"));
    }
    let (Some(smallest), Some(largest)) = (head.dose_min_ul, head.dose_max_ul) else {
        return Err("gives NO dose: what its calibration covers is not known".to_owned());
    };
    // In full: a smallest dose that is rounded down would be refused.
    let doses = format!(
        "doses of {} to {}",
        Volume::from_ul(smallest),
        Volume::from_ul(largest)
    );
    Ok(match (head.tolerance_percent, head.calibration_age_days) {
        (Some(percent), Some(days)) => {
            format!("{doses} within {percent} %, calibrated {days:.0} d ago")
        }
        (_, _) => format!("{doses}, simulated: its calibration is assumed"),
    })
}

/// A volume with the decimals a table has room for.
fn ml(ul: i64) -> String {
    format!("{:.2} mL", Volume::from_ul(ul).as_ml())
}

/// `2026-11-25T18:30:00+01:00` as `2026-11-25 18:30:00`.
fn clock_time(at: &str) -> String {
    at.get(..19).map_or(at.to_owned(), |t| t.replace('T', " "))
}

/// A time of today without its date.
fn slot_time(at: &str, now: &str) -> String {
    let same_day = at.get(..10) == now.get(..10);
    let text = clock_time(at);
    if same_day {
        text.get(11..).unwrap_or(&text).to_owned()
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_head_that_gives_nothing_says_why_and_a_smallest_dose_is_not_rounded_down() {
        let mut head = HeadView {
            name: "calcium".to_owned(),
            calibrated: true,
            rate_ml_per_min: Some(30.0),
            offset_ul: Some(0),
            dose_min_ul: Some(2_496),
            dose_max_ul: Some(10_000),
            run_min_ms: Some(2_000),
            run_max_ms: Some(24_000),
            tolerance_percent: Some(5.0),
            meters_nothing: None,
            calibration_method: None,
            calibration_age_days: Some(3.2),
            run_since_calibration_s: 0.0,
            thread_priority: None,
        };
        assert_eq!(
            head_words(&head).unwrap(),
            "doses of 2.496 mL to 10.0 mL within 5 %, calibrated 3 d ago"
        );
        head.meters_nothing = Some("its runs are lost".to_owned());
        assert_eq!(
            head_words(&head).unwrap_err(),
            "gives NO dose: its runs are lost"
        );
        head.calibrated = false;
        assert!(
            head_words(&head)
                .unwrap_err()
                .contains("dosewright calibrate calcium")
        );
    }

    #[test]
    fn a_time_of_today_is_shown_without_its_date() {
        let now = "2026-11-25T18:30:00+01:00";
        assert_eq!(slot_time("2026-11-25T19:00:05+01:00", now), "19:00:05");
        assert_eq!(
            slot_time("2026-11-26T00:10:00+01:00", now),
            "2026-11-26 00:10:00"
        );
    }

    #[test]
    fn volumes_of_a_table_carry_their_unit() {
        for (ul, text) in [
            (0, "0.00 mL"),
            (3_150, "3.15 mL"),
            (99_999_999, "100000.00 mL"),
            (700, "0.70 mL"),
            (-20, "-0.02 mL"),
        ] {
            assert_eq!(ml(ul), text);
        }
    }
}
