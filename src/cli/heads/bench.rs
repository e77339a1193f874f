//! One run of a head at the bench: asked for, started, watched, stopped when somebody wants that, and read back from the record.

use std::io::Write;

use crate::cli::exit::accepted;
use crate::cli::heads::keys::{Ear, Keys};
use crate::cli::proposal::{answer, proposal_in};
use crate::cli::record::ledger::open;
use crate::cli::{Failure, Out, Place, Result, exit, refused};
use crate::config::Controller;
use crate::control::{Client, Request};
use crate::engine::{Answer, Command, Status, Wish};
use crate::ledger::EndedDose;
use crate::quantity::{Millis, Name, Volume};
use crate::record::{DoseEnd, DoseId};
use serde_json::{Value, json};

/// Cells of the progress bar.
const BAR: usize = 30;

/// Looks without an end in the record, after the head is off, before that is called wrong: 10 s.
const UNSEEN_MAX: u32 = 100;

/// A run that is over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Ran {
    /// The number of the dose in the record.
    pub(crate) dose: DoseId,
    /// How long the head was on.
    pub(crate) on_time: Millis,
    pub(crate) booked: Volume,
    /// Whether it ran its whole time.
    pub(crate) whole: bool,
}

impl Ran {
    pub(crate) fn as_json(&self) -> Value {
        json!({
            "dose": self.dose.0, "on_time_ms": self.on_time.as_ms(), "volume_ul": self.booked.as_ul(),
        })
    }
}

pub(crate) const CAUSTIC: &str = "CAUTION: this solution is caustic. Gloves and eye protection; rinse spills with plenty of water.";

/// Whether what a line gives burns.
pub(crate) fn is_caustic(controller: &Controller, line: &Name) -> bool {
    controller.solution_of(line).is_some_and(|s| s.caustic)
}

/// Runs a head; any key stops it at once, a signal ends all of it as well.
pub(crate) fn run(place: &Place, wish: &Wish, ear: &mut Ear, out: &mut Out) -> Result<Ran> {
    let mut client = Client::connect(&place.state)?;
    let mut keys = ear.keys()?;
    let (dose, line) = start(&mut client, wish, &mut keys, out)?;
    let line = line.as_str();
    let ended = watch((place, &mut client), (dose, line), &mut keys, out)?;
    let signalled = keys.signalled();
    drop(keys);
    if matches!(ended.end, DoseEnd::Failed | DoseEnd::Uncertain) {
        return Err(refused(format!(
            "dose {} did not end as it should; look at `dosewright status` before anything else",
            dose.0
        )));
    }
    let on_time = ended.on_time.unwrap_or(Millis::ZERO);
    if signalled {
        return Err(refused(format!(
            "ended by a signal, the head is off after {on_time}: {} are counted, nothing else was changed",
            ended.delivered
        )));
    }
    Ok(Ran {
        dose,
        on_time,
        booked: ended.delivered,
        whole: ended.end == DoseEnd::Delivered,
    })
}

/// Starts a run, when the supply is free for it: a dose of another line takes seconds, and whoever stands here waits for it.
fn start(
    client: &mut Client,
    wish: &Wish,
    keys: &mut Keys<'_>,
    out: &mut Out,
) -> Result<(DoseId, Name)> {
    let mut told = false;
    loop {
        let mut response = client.ask(&Command::Prepare(wish.clone()).into())?;
        if response.ok {
            let confirm = proposal_in(&response)?.confirm(None);
            // The run belongs to this connection: when it ends, because this program was killed or hangs, the daemon ends the run.
            response = client.ask(&Request::ConfirmAttended(confirm))?;
        }
        if response.code.as_deref() != Some("supply-busy") {
            let Answer::DoseStarted { id, line, .. } = answer(&accepted(response)?)? else {
                return Err(Failure::new(exit::NO_DAEMON, "the daemon started nothing"));
            };
            return Ok((id, line));
        }
        if !told && out.is_terminal() {
            writeln!(
                out,
                "{}; this run waits for it, any key ends the waiting",
                response.text
            )?;
        }
        told = true;
        if keys.wants_stop() {
            let text = format!("nothing was run: {}", response.text);
            return Err(refused(text));
        }
    }
}

/// Watches a run to its end, which is in the record.
fn watch(
    (place, client): (&Place, &mut Client),
    (dose, line): (DoseId, &str),
    keys: &mut Keys<'_>,
    out: &mut Out,
) -> Result<EndedDose> {
    let reader = open(place)?;
    let mut unseen = 0;
    let mut asked_to_stop = false;
    loop {
        if keys.wants_stop() && !asked_to_stop {
            asked_to_stop = true;
            // A denial means that it is over already; the record says how.
            drop(client.ask(&Command::StopRun { dose }.into())?);
        }
        if let Some(ended) = reader.end_of(dose)? {
            bar(1.0, out)?;
            if out.is_terminal() {
                writeln!(out)?;
            }
            return Ok(ended);
        }
        match share_of(client, line)? {
            Some(share) => bar(share, out)?,
            None => unseen += 1,
        }
        if unseen > UNSEEN_MAX {
            return Err(Failure::new(
                exit::IO,
                format!(
                    "the end of dose {} is not in the record; see `dosewright status`",
                    dose.0
                ),
            ));
        }
    }
}

/// How far the run on a line has come, from 0 to 1; `None` when nothing runs there.
fn share_of(client: &mut Client, line: &str) -> Result<Option<f64>> {
    let view = crate::cli::running::status::fetch(client)?;
    let line = view.lines.iter().find(|l| l.name.as_str() == line);
    let run = line.and_then(|l| l.running.as_ref());
    Ok(run.map(|r| (r.so_far.as_ml() / r.volume.as_ml().max(0.001)).clamp(0.0, 1.0)))
}

/// What the daemon shows.
pub(crate) fn status(place: &Place) -> Result<Status> {
    crate::cli::running::status::fetch(&mut Client::connect(&place.state)?)
}

/// A bar that grows; on a terminal only.
fn bar(share: f64, out: &mut Out) -> Result {
    if !out.is_terminal() {
        return Ok(());
    }
    let full = (0..BAR)
        .filter(|cell| {
            crate::quantity::f64_from_usize(*cell) < share * crate::quantity::f64_from_usize(BAR)
        })
        .count();
    write!(
        out,
        "\r[{}{}] {:3.0} %  any key stops the head ",
        "#".repeat(full),
        "-".repeat(BAR - full),
        share * 100.0
    )?;
    out.flush()?;
    Ok(())
}
