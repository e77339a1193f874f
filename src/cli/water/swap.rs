//! Another solution in the bottle of a line: worked out and shown, begun with the daemon, and put into both files at the end.

use std::io::Write;

use serde_json::{Value, json};

use crate::chemistry::{Quantity, drift_words};
use crate::cli::args::Place;
use crate::cli::exit::{self, Failure};
use crate::cli::out::Out;
use crate::cli::record::ledger::open;
use crate::cli::running::daemon::ask;
use crate::cli::water::changeover::{dose_min, leader_volume, measure, newest_of};
use crate::cli::water::owner_args::ChangeoverSwap;
use crate::cli::water::plan_edit::{BothChange, Edit, written_ml};
use crate::cli::words::{agreed, configuration, unread, usage};
use crate::config::Loaded;
use crate::engine::{Command, NewSwap};
use crate::plan::{SwapShape, SwapWish, doses_daily, followers_of, plan_daily_volumes, shape_swap};
use crate::quantity::{Millis, Name, Volume, parse_volume};
use crate::record::{BottleSwap, SwapState};

/// The newest row of each swapped bottle.
pub(in crate::cli) fn newest(place: &Place) -> Result<Vec<BottleSwap>, Failure> {
    let rows = open(place)?.swaps().map_err(|e| unread(&e))?;
    Ok(newest_of(rows, |row| row.number))
}

/// The swapped bottle that is under way, if one is.
pub(in crate::cli) fn under_way(place: &Place) -> Result<Option<BottleSwap>, Failure> {
    Ok(newest(place)?.pop().filter(BottleSwap::is_under_way))
}

/// Shows what a swap means, and begins it.
pub(in crate::cli) fn begin(
    place: &Place,
    swap: &ChangeoverSwap,
    out: &mut Out,
) -> Result<(), Failure> {
    if swap.json && !(swap.yes || swap.preview) {
        return Err(usage(
            "--json asks nothing; give --yes or --preview with it",
        ));
    }
    if let Some(fade) = crate::cli::water::changeover::under_way(place)
        .ok()
        .flatten()
    {
        return Err(Failure::new(
            exit::REFUSED,
            format!("{fade}; finish it or step back first: one thing at a time"),
        ));
    }
    let loaded = configuration(place)?;
    let wish = wish(&loaded, swap)?;
    let back = under_way(place)
        .ok()
        .flatten()
        .filter(|current| current.line == wish.line && current.from == wish.to);
    if let Some(current) = back {
        return go_back(place, &current, swap, out);
    }
    let shape = shape_swap(
        (&loaded.controller, &loaded.plan),
        &wish,
        loaded.plan.uptake,
        dose_min(place, &loaded.controller, &wish.line),
    )
    .map_err(|error| Failure::new(exit::REFUSED, format!("no such swap: {error}")))?;
    // What no start would take afterwards must not be begun.
    let followers = followers_of(&loaded.plan, &wish.line);
    in_the_files(
        place,
        &loaded,
        (&wish.line, &wish.to),
        (shape.after, &followers),
    )
    .map_err(|failure| {
        failure.after("no such swap: it could not be put into the files afterwards")
    })?;
    if swap.preview && swap.json {
        return Ok(out.json(&as_json(&wish, &shape))?);
    }
    if !swap.json {
        say(&loaded, (&wish, &shape), &swap.by, out)?;
    }
    if swap.preview {
        return Ok(());
    }
    tell(place, &wish.line, shape.after, swap, out)
}

/// The old bottle again, at the volume that it had.
fn go_back(
    place: &Place,
    current: &BottleSwap,
    swap: &ChangeoverSwap,
    out: &mut Out,
) -> Result<(), Failure> {
    let now = match current.state {
        SwapState::Tube => "at once, because the tube still gives it",
        SwapState::Through | SwapState::Ended => "once what the tube holds is through",
    };
    let words = format!(
        "line {}: back to {} at {} a day, {now}",
        current.line, current.from, current.before
    );
    if swap.preview && swap.json {
        return Ok(out.json(&json!({
            "line": current.line.as_str(), "from": current.to.as_str(), "to": current.from.as_str(),
            "daily_ul_before": current.after.as_ul(), "daily_ul_after": current.before.as_ul(), "text": words,
        }))?);
    }
    if !swap.json {
        writeln!(out, "{words}")?;
    }
    if swap.preview {
        return Ok(());
    }
    tell(place, &current.line, current.before, swap, out)
}

/// Asks the owner, then the daemon.
fn tell(
    place: &Place,
    line: &Name,
    after: Volume,
    swap: &ChangeoverSwap,
    out: &mut Out,
) -> Result<(), Failure> {
    if !swap.yes {
        let question = format!(
            "Line {line} is on hold, and the bottle is changed, connected and entered? Type yes to begin:"
        );
        agreed(&question, "no swap was begun", out)?;
    }
    let command = Command::StartSwap(NewSwap {
        line: line.clone(),
        to: Name::new(&swap.to).map_err(usage)?,
        by: measure(&swap.by)?.map_or(Quantity::Alkalinity, Quantity::Element),
        tube: parse_volume(&swap.tube).map_err(usage)?,
        expected: Some(after),
        note: swap.note.as_str().into(),
    });
    ask(place, &command.into(), swap.json, out).map(drop)
}

fn wish(loaded: &Loaded, swap: &ChangeoverSwap) -> Result<SwapWish, Failure> {
    let line = Name::new(&swap.line).map_err(usage)?;
    let config = loaded.controller.lines.iter().find(|l| l.name == line);
    let config = config.ok_or_else(|| usage(format!("there is no line {line}")))?;
    let standing = plan_daily_volumes(&loaded.plan).get(&line).copied();
    Ok(SwapWish {
        placed: config.solution.clone(),
        to: Name::new(&swap.to).map_err(usage)?,
        by: measure(&swap.by)?,
        tube: parse_volume(&swap.tube).map_err(usage)?,
        standing: standing.unwrap_or(Volume::ZERO),
        line,
    })
}

/// How long what is in the tube lasts at the old volume.
fn until_new(wish: &SwapWish) -> Millis {
    let part = wish.tube.as_ml() / wish.standing.as_ml();
    Millis::from_secs_f64(part * 86_400.0).unwrap_or(Millis::MAX)
}

fn as_json(wish: &SwapWish, shape: &SwapShape) -> Value {
    let drifts = shape.rises_after.more_than(&shape.rises_before);
    let drifts: serde_json::Map<String, Value> = drifts
        .into_iter()
        .map(|(element, change)| (element.symbol().to_owned(), json!(change)))
        .collect();
    json!({
        "line": wish.line.as_str(), "from": shape.from.as_str(), "to": wish.to.as_str(),
        "daily_ul_before": wish.standing.as_ul(), "daily_ul_after": shape.after.as_ul(), "tube_ul": wish.tube.as_ul(),
        "hours_until_new_solution": until_new(wish).as_secs() / 3600.0, "early_dkh": shape.early.as_dkh(),
        "drift_mg_per_l_per_day": drifts,
    })
}

fn say(
    loaded: &Loaded,
    (wish, shape): (&SwapWish, &SwapShape),
    by: &str,
    out: &mut Out,
) -> Result<(), Failure> {
    let (line, from, to) = (&wish.line, &shape.from, &wish.to);
    writeln!(
        out,
        "line {line}: {} of {from} a day are worth {} of {to} by {by}; alkalinity {:.3} dKH a day before, {:.3} dKH after",
        wish.standing,
        shape.after,
        shape.rises_before.alkalinity.as_dkh(),
        shape.rises_after.alkalinity.as_dkh()
    )?;
    let drifts = shape.rises_after.more_than(&shape.rises_before);
    for text in drift_words(&drifts, |_| ", at once and not faded in".to_owned()) {
        writeln!(out, "{text}")?;
    }
    let lasts = if doses_daily(&loaded.plan, line) {
        format!("for {} at the present volume", until_new(wish))
    } else {
        "over its next doses".to_owned()
    };
    writeln!(
        out,
        "the tube still gives its {} of {from}, {lasts}; the daemon counts them and then changes the volume by itself",
        wish.tube
    )?;
    if shape.early.as_dkh() > 0.0 {
        writeln!(
            out,
            "if the new solution comes through at once, or the tube holds twice as much, up to {:.3} dKH more than planned are given meanwhile",
            shape.early.as_dkh()
        )?;
    }
    for (follower, volume) in followers_of(&loaded.plan, line) {
        writeln!(out, "line {follower} follows and stays at {volume} a day")?;
    }
    writeln!(
        out,
        "before it begins: dosewright hold {line} --reason \"bottle swap\"; change the bottle; dosewright refill its reservoir. Afterwards: dosewright resume {line}"
    )?;
    writeln!(
        out,
        "CAUTION: never pour one solution into another; some precipitate, some give off heat. Where it is thicker or thinner than the old one, calibrate the head anew."
    )?;
    Ok(())
}

/// Both files as they are to be: the line's solution and volume, and its followers where they are.
fn in_the_files(
    place: &Place,
    loaded: &Loaded,
    (line, solution): (&Name, &Name),
    (after, followers): (Volume, &[(Name, Volume)]),
) -> Result<BothChange, Failure> {
    let leader = leader_volume(&loaded.plan, line);
    let mut plan = vec![Edit::volume(line.clone(), after.as_ml(), leader)];
    let written = written_ml(after.as_ml());
    let of = Volume::from_ml(written).unwrap_or(after);
    for (follower, volume) in followers {
        plan.push(Edit::volume(follower.clone(), volume.as_ml(), Some(of)));
    }
    let solution = Edit::Solution(line.clone(), solution.clone());
    BothChange::prepare(place, &[solution], &plan)
}

/// Puts a swap that is through into both files.
pub(in crate::cli) fn finish(
    place: &Place,
    current: &BottleSwap,
    (yes, as_json): (bool, bool),
    out: &mut Out,
) -> Result<(), Failure> {
    if current.state != SwapState::Through {
        return Err(Failure::new(
            exit::REFUSED,
            "the tube still gives the old solution; `dosewright status` shows how far it is",
        ));
    }
    let loaded = configuration(place)?;
    let (solution, volume) = current.in_force();
    let change = in_the_files(
        place,
        &loaded,
        (&current.line, solution),
        (volume, &current.followers),
    )?;
    let next = "restart the daemon (sudo systemctl restart dosewright); in live mode arm it again, because controller.toml has changed";
    if change.is_nothing() {
        let next = "restart the daemon, which ends the swap";
        return if as_json {
            Ok(out.json(&json!({ "changed": "", "next": next }))?)
        } else {
            Ok(writeln!(out, "both files say it already; now {next}")?)
        };
    }
    if !as_json {
        writeln!(out, "{}", change.words())?;
    }
    if !yes {
        agreed(
            "Change both files? Type yes to go on:",
            "both files are as they were",
            out,
        )?;
    }
    change.write()?;
    if as_json {
        Ok(out.json(&json!({ "changed": change.words(), "next": next }))?)
    } else {
        Ok(writeln!(
            out,
            "both files are changed; until the restart the daemon goes on as it does; now {next}"
        )?)
    }
}
