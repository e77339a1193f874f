//! `status`: a compact table that is read at the sump.

use std::io::Write;
use std::time::Duration;

use clap::Args;
use jiff::Timestamp;

use crate::chemistry::{Measurand, figures};
use crate::cli::exit::{self, Failure, accepted};
use crate::cli::out::{Out, Tone};
use crate::cli::place::Place;
use crate::cli::running::table::{self, clock_time, ml, slot_time, zone_of};
use crate::cli::words::usage;
use crate::config::Mode;
use crate::control::{Client, Request};
use crate::engine::{Alarm, HeadStatus, JobStatus, LineState, LineStatus, Status};
use crate::quantity::{Alkalinity, Millis};
use crate::record::Found;

/// Standard uncertainties either way that hold 95 % of what a reading may be (JCGM 100:2008, 6.2 and 6.3).
const COVERAGE: f64 = 2.0;

/// Options of `status`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: dosewright status --watch\nExit code 0: shown, and with --exit-code: nothing needs you. 1, with --exit-code: something is held, blocked or in alarm. 69: no daemon answers."
)]
pub(crate) struct StatusArgs {
    /// Refresh every two seconds until interrupted
    #[arg(long, conflicts_with = "json")]
    watch: bool,
    /// Exit with 1 when something is held, blocked or in alarm
    #[arg(long)]
    exit_code: bool,
}

/// Time between two refreshes of `--watch`.
const REFRESH: Duration = Duration::from_secs(2);

/// Shows the status once, or again and again.
pub(in crate::cli) fn status(
    place: &Place,
    options: &StatusArgs,
    out: &mut Out,
) -> Result<(), Failure> {
    // Also where --json stands before the command, which clap does not hold against options after it.
    if options.watch && place.json {
        return Err(usage("--watch shows a table; leave it out with --json"));
    }
    if options.watch {
        return watch(place, out);
    }
    let view = fetch(&mut Client::connect(&place.state)?)?;
    if place.json {
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

pub(in crate::cli) fn fetch(client: &mut Client) -> Result<Status, Failure> {
    let response = accepted(client.ask(&Request::Status {})?)?;
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
pub(in crate::cli) fn needs_attention(view: &Status) -> bool {
    let stopped = |line: &LineStatus| {
        matches!(
            line.state,
            LineState::Held | LineState::Blocked | LineState::Bench
        )
    };
    !view.holds.is_empty()
        || !view.clock.trusted
        || !view.ledger.writable
        || view.daemon.not_live_because.is_some()
        || view.lines.iter().any(stopped)
        || view.alarms.iter().any(|a| !a.acknowledged)
}

pub(super) fn print(view: &Status, out: &mut Out) -> Result<(), Failure> {
    head(view, out)?;
    alarms(view, out)?;
    for job in view.jobs.iter().filter(|job| job.due) {
        writeln!(out, "{}", job_words(job, view))?;
    }
    writeln!(out)?;
    table::lines(view, out)?;
    reasons(view, out)?;
    alkalinity(view, out)?;
    estimates(view, out)?;
    nutrients(view, out)?;
    heads(view, out)?;
    for course in &view.courses {
        writeln!(out, "\n{}", course.words)?;
    }
    if view.jobs.iter().any(|job| !job.due) {
        writeln!(out)?;
    }
    for job in view.jobs.iter().filter(|job| !job.due) {
        writeln!(out, "{}", job_words(job, view))?;
    }
    if let Some(mqtt) = &view.daemon.mqtt {
        writeln!(out, "\nmqtt: {mqtt}")?;
    }
    Ok(())
}

/// When a job is due, and what says that it is done.
pub(in crate::cli) fn job_words(job: &JobStatus, view: &Status) -> String {
    let zone = zone_of(view);
    let day = |at: Timestamp| zone.to_datetime(at).date();
    let last = job.last_done.map_or("never done".to_owned(), |at| {
        format!("last done {}", day(at))
    });
    let due = match job.due_at {
        Some(at) if !job.due => format!("due {}", day(at)),
        Some(at) => format!("DUE since {}", day(at)),
        None => "DUE".to_owned(),
    };
    let by_itself = job.ticked_by.as_ref().map_or(String::new(), |by| {
        format!("; the next {by} of the record does it too")
    });
    let tell = if job.due {
        format!("; `dosewright done {}`{by_itself}", job.name)
    } else {
        String::new()
    };
    format!("job {}: {due}, {last}{tell}", job.name)
}

/// What cannot wait first; the text of each says what to do.
fn alarms(view: &Status, out: &mut Out) -> Result<(), Failure> {
    let listed = view.alarms.iter().filter(|a| a.active || !a.acknowledged);
    let mut listed: Vec<&Alarm> = listed.collect();
    listed.sort_by_key(|alarm| (!alarm.active, !alarm.urgent));
    for alarm in &listed {
        let label = match (alarm.active, alarm.urgent) {
            (true, true) => out.tone(Tone::Bad, "URGENT"),
            (true, false) => out.tone(Tone::Bad, "alarm"),
            (false, _) => out.tone(Tone::Quiet, "alarm, over"),
        };
        let since = slot_time(alarm.since, view);
        let code = alarm.code.as_str();
        writeln!(out, "{label} {code} since {since}: {}", alarm.text)?;
    }
    for input in view.inputs.iter().filter(|i| !i.safe) {
        let unsafe_ = out.tone(Tone::Bad, "unsafe");
        writeln!(out, "input {}: {unsafe_}", input.name)?;
    }
    if listed.iter().any(|alarm| !alarm.acknowledged) {
        writeln!(
            out,
            "  `dosewright alarm acknowledge` says that you have seen them; what lasts stays listed"
        )?;
    }
    Ok(())
}

/// Who, when, in what mode, and what stops everything.
fn head(view: &Status, out: &mut Out) -> Result<(), Failure> {
    let zone = zone_of(view);
    let mode = if view.mode == Mode::Live {
        "LIVE: outputs are driven".to_owned()
    } else {
        "DRY RUN: no output is driven".to_owned()
    };
    let warp = view.daemon.warp.map_or(String::new(), |n| {
        format!(", virtual time {n} times faster")
    });
    writeln!(
        out,
        "{}  {}  {mode}{warp}",
        out.tone(Tone::Strong, view.name.as_str()),
        clock_time(view.at, &zone)
    )?;
    if let Some(why) = &view.daemon.not_live_because {
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
            .as_ref()
            .map_or("ALL DOSING ON HOLD".to_owned(), |line| {
                format!("line {line} on hold")
            });
        let how = hold
            .line
            .as_ref()
            .map_or("dosewright resume".to_owned(), |line| {
                format!("dosewright resume {line}")
            });
        writeln!(
            out,
            "{} since {}: {} (set by {}); lift it with `{how}`",
            out.tone(Tone::Bad, &what),
            clock_time(hold.since, &zone),
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

/// Why lines do not dose, and until when; what differs from the standing plan; what was refused last.
fn reasons(view: &Status, out: &mut Out) -> Result<(), Failure> {
    let mut first = true;
    let mut gap = |out: &mut Out| {
        if std::mem::take(&mut first) {
            writeln!(out)
        } else {
            Ok(())
        }
    };
    for line in &view.lines {
        if let (Some(hour_left), Some(cap_left)) = (line.hour_left, line.cap_left)
            && hour_left < line.hourly_cap.min(cap_left)
        {
            gap(out)?;
            writeln!(
                out,
                "{}: {} left of the {} that any hour may get",
                line.name, hour_left, line.hourly_cap
            )?;
        }
        if let Some(reason) = line
            .reason
            .as_ref()
            .filter(|_| line.state != LineState::Held)
        {
            gap(out)?;
            let until = reason.until.map_or(String::new(), |at| {
                format!("; next allowed at {}", slot_time(at, view))
            });
            writeln!(out, "{}: {}{until}", line.name, reason.text)?;
        }
        if let Some(tube) = &line.tube {
            gap(out)?;
            writeln!(
                out,
                "{}: its tube still holds {} of {}, which goes first",
                line.name,
                ml(tube.left),
                tube.solution
            )?;
        }
        if line.planned != line.plan_standing {
            gap(out)?;
            writeln!(
                out,
                "{}: {} a day in force instead of the plan's {}",
                line.name,
                ml(line.planned),
                ml(line.plan_standing)
            )?;
        }
        if let Some(refusal) = &line.last_refusal {
            gap(out)?;
            writeln!(
                out,
                "{}: slot refused at {}: {}",
                line.name,
                slot_time(refusal.at, view),
                refusal.text
            )?;
        }
    }
    Ok(())
}

/// Where the water most probably is.
fn estimates(view: &Status, out: &mut Out) -> Result<(), Failure> {
    for (of, known) in &view.water.estimates {
        let unit = &known.unit;
        let span = |low: Option<f64>, high: Option<f64>| {
            let (low, high) = (low.unwrap_or_default(), high.unwrap_or_default());
            format!("({} to {} {unit})", figures(low), figures(high))
        };
        let (Some(level), Some(uptake), Some(age)) =
            (known.level, known.uptake_per_day, known.reading_age_s)
        else {
            writeln!(out, "\n{of}: no reading yet")?;
            continue;
        };
        writeln!(
            out,
            "\n{of}: {} {unit} {}, uptake {} {unit} a day {}, 95 % each; last reading {:.1} d ago",
            figures(level),
            span(known.level_low, known.level_high),
            figures(uptake),
            span(known.uptake_low_per_day, known.uptake_high_per_day),
            Millis::from_secs(age).as_days()
        )?;
        if let Some(words) = &known.questioned {
            writeln!(
                out,
                "  {}",
                out.tone(Tone::Bad, &format!("QUESTIONED: {words}"))
            )?;
        }
        if let Some(words) = &known.liveliness {
            writeln!(out, "  {words}")?;
        }
        if let Some(broke) = &known.broke {
            writeln!(
                out,
                "  uptake went from {} to {} {unit} a day between {} and {}{}",
                figures(broke.before_per_day),
                figures(broke.after_per_day),
                clock_time(broke.since, &zone_of(view)),
                clock_time(broke.seen, &zone_of(view)),
                if broke.changes.is_empty() {
                    "; no change is on record for the week before"
                } else {
                    "; in the week before:"
                }
            )?;
            for change in &broke.changes {
                writeln!(out, "    {change}")?;
            }
        }
    }
    let known = view
        .water
        .estimates
        .values()
        .any(|known| known.level.is_some());
    if known && view.mode == Mode::DryRun {
        writeln!(
            out,
            "  dry run: no dose reaches the water, so none counts in these"
        )?;
    }
    Ok(())
}

/// What algae and corals feed on, as the last test found it.
fn nutrients(view: &Status, out: &mut Out) -> Result<(), Failure> {
    for of in [Measurand::Nitrate, Measurand::Phosphate] {
        let known = view.water.readings.get(of.as_str());
        let found = known.and_then(|known| Some((known.reading.reading()?.found, known.age_s)));
        if let Some((found, age)) = found {
            let days = Millis::from_secs(age).as_days();
            let words = nutrient_words(&of, found);
            writeln!(out, "\n{of}: {words}; tested {days:.1} d ago")?;
        }
    }
    Ok(())
}

/// A test that finds nothing has not found that there is nothing.
fn nutrient_words(of: &Measurand, found: Found) -> String {
    match found {
        Found::Below(limit) => format!(
            "< {limit} {} (below what the test can find: anything from none to that)",
            of.unit()
        ),
        Found::Value { value, uncertainty } if value <= COVERAGE * uncertainty => format!(
            "{} +- {}, which the test cannot tell from none",
            of.shown(value),
            of.shown(uncertainty)
        ),
        Found::Value { value, uncertainty } => {
            format!("{} +- {}", of.shown(value), of.shown(uncertainty))
        }
    }
}

fn alkalinity(view: &Status, out: &mut Out) -> Result<(), Failure> {
    let water = &view.water;
    for words in &water.starts_not_in_force {
        writeln!(out, "\nnote: {words}")?;
    }
    for words in &water.notes {
        writeln!(out, "\n{words}")?;
    }
    let planned = water.planned.unwrap_or(Alkalinity::from_dkh(0.0));
    if water.uptake.is_none() && planned.as_dkh() <= 0.0 {
        return Ok(());
    }
    let dkh = |value: Alkalinity| format!("{:.2} dKH", value.as_dkh());
    let uptake = water
        .uptake
        .map_or("not known".to_owned(), |u| format!("{} a day", dkh(u)));
    let allowed = water
        .allowed
        .map_or("nothing".to_owned(), |a| format!("{} in 24 h", dkh(a)));
    writeln!(
        out,
        "\nalkalinity: uptake {uptake}, plan {} a day, in force {} a day",
        dkh(planned),
        dkh(water.in_force.unwrap_or(planned))
    )?;
    writeln!(
        out,
        "            allowed {allowed}: {}",
        water
            .allowed_because
            .as_deref()
            .unwrap_or("no uptake is in force")
    )?;
    Ok(())
}

/// What each head can meter.
fn heads(view: &Status, out: &mut Out) -> Result<(), Failure> {
    let width = view
        .heads
        .iter()
        .map(|h| h.name.as_str().len())
        .max()
        .unwrap_or(0);
    writeln!(out)?;
    for head in &view.heads {
        let name = &head.name;
        let words = head_words(head).unwrap_or_else(|bad| out.tone(Tone::Bad, &bad));
        writeln!(out, "head {name:width$}  {words}")?;
    }
    Ok(())
}

/// What a head can meter; as an error when that is nothing.
fn head_words(head: &HeadStatus) -> Result<String, String> {
    if head.rate.is_none() {
        return Err(format!(
            "NOT CALIBRATED, gives no dose: dosewright bench {}",
            head.name
        ));
    }
    if let Some(why) = &head.meters_nothing {
        return Err(format!("gives NO dose: {why}"));
    }
    let (Some(smallest), Some(largest)) = (head.dose_min, head.dose_max) else {
        return Err("gives NO dose: what its calibration covers is not known".to_owned());
    };
    // In full: a smallest dose that is rounded down would be refused.
    let doses = format!("doses of {smallest} to {largest}");
    Ok(match (head.tolerance_percent, head.calibration_age_s) {
        (Some(percent), Some(age)) => {
            let days = Millis::from_secs(age).as_days();
            format!("{doses} within {percent} %, calibrated {days:.0} d ago")
        }
        (_, _) => format!("{doses}, simulated: its calibration is assumed"),
    })
}

#[cfg(test)]
mod tests {
    use std::io;

    use super::*;
    use crate::quantity::{FlowRate, Name, Volume};

    #[test]
    fn a_head_that_gives_nothing_says_why_and_a_smallest_dose_is_not_rounded_down() {
        let mut head = HeadStatus {
            name: Name::new("calcium").unwrap(),
            bench: None,
            rate: Some(FlowRate::from_ml_per_min(30.0)),
            offset: Some(Volume::ZERO),
            dose_min: Some(Volume::from_ul(2_496)),
            dose_max: Some(Volume::from_ul(10_000)),
            run_min: Some(Millis::from_secs(2)),
            run_max: Some(Millis::from_secs(24)),
            tolerance_percent: Some(5.0),
            meters_nothing: None,
            calibration_method: None,
            calibration_age_s: Some(276_480),
            run_since_calibration_s: Some(0),
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
        head.rate = None;
        assert!(
            head_words(&head)
                .unwrap_err()
                .contains("dosewright bench calcium")
        );
    }

    #[test]
    fn near_zero_is_said_as_what_it_is() {
        let of = Measurand::Phosphate;
        let words = |value, uncertainty| nutrient_words(&of, Found::Value { value, uncertainty });
        let below = nutrient_words(&of, Found::Below(0.02));
        assert!(below.starts_with("< 0.02 mg/L (below what"), "{below}");
        for near in [words(0.0, 0.0), words(0.03, 0.02)] {
            assert!(near.contains("cannot tell from none"), "{near}");
        }
        assert_eq!(words(0.08, 0.02), "0.08000 mg/L +- 0.02000 mg/L");
    }

    /// As on record, with names and figures as long as they come.
    fn view() -> Status {
        let mut view: Status =
            serde_json::from_str(include_str!("../../../tests/golden/status.json")).unwrap();
        let mut second = view.lines[0].clone();
        second.name = Name::new("calcium-chloride").unwrap();
        view.lines.push(second);
        view
    }

    fn seen(view: &Status, width: usize) -> String {
        let (mut reads, writes) = io::pipe().unwrap();
        let mut out = Out::onto(Box::new(writes), Some(width));
        print(view, &mut out).unwrap();
        drop(out);
        let mut seen = String::new();
        io::Read::read_to_string(&mut reads, &mut seen).unwrap();
        seen
    }

    #[test]
    fn status_is_no_wider_than_a_terminal_of_60_80_or_120_columns() {
        let view = view();
        for (width, table, dropped) in [(60, false, true), (80, true, true), (120, true, false)] {
            let seen = seen(&view, width);
            for line in seen.lines() {
                assert!(line.chars().count() <= width, "{width}: {line}");
            }
            let titles = seen
                .lines()
                .find(|l| l.starts_with("line ") && l.contains("lasts"));
            assert_eq!(titles.is_some(), table, "{seen}");
            let cap = titles.is_some_and(|titles| titles.contains("cap left"));
            assert_eq!(!cap, dropped, "{seen}");
            // Nothing that matters is left out, however narrow.
            for needed in [
                "calcium-chloride",
                "in bottle",
                "lasts",
                "next dose",
                "today",
            ] {
                assert!(seen.contains(needed), "{needed} at {width}: {seen}");
            }
        }
    }

    #[test]
    fn alarms_come_before_all_else_and_what_cannot_wait_before_what_can() {
        let mut view = view();
        let mut urgent = view.alarms[0].clone();
        urgent.urgent = true;
        urgent.text = "look into the sump".to_owned();
        view.alarms.push(urgent);
        let seen = seen(&view, 120);
        let place = |text: &str| seen.find(text).unwrap();
        assert!(place("look into the sump") < place("refill it"), "{seen}");
        assert!(place("refill it") < place("next dose"), "{seen}");
        assert!(
            place("dosewright alarm acknowledge") < place("next dose"),
            "{seen}"
        );
    }
}
