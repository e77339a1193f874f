//! Arming: the cautions, what is accepted, and a sentence to type. And taking it back.

use std::io::{BufRead, Write};

use crate::cli::exit::accepted;
use crate::cli::running::daemon::ask;
use crate::cli::{Failure, Out, Place, Result, Tone, exit, refused};
use crate::config::{Controller, Mode, Output, header_pin};
use crate::control::{Client, Request};
use crate::daemon::{Acceptance, pins_on_at_boot};

/// What must be read before outputs are driven.
const CAUTIONS: &str = "\
From now on this computer will run pumps by itself, day and night, with nobody watching.

  Electricity near water. Pumps and their supply are extra-low voltage from a certified supply. Mains work is for a licensed
  person, under the rules of your place. A residual-current device protects the circuit. Cables have drip loops. Nothing here
  replaces local electrical codes or licensed practice.
  Stop without this program. A switch in the pumps' supply stops them without this computer. You know where it is.
  A pin stays on when a program is killed, and while a board hangs. A run limiter or a watchdog relay in hardware must end the run.
  Caustic solutions. Some solutions burn skin and eyes. Goggles, gloves, water at hand; read the sheet of each product.
  Animals. A whole bottle in the tank must be survivable: small bottles, weak solutions. Bottles stand below their outlet, tube
  ends are above the water, so that a worn tube does not siphon.
  The two parts of a precipitating pair never share a tube or an outlet.
  Commission with water, into a bucket, before you dose a tank: hw-notes/commissioning.md.
";

/// Shows what is accepted, asks for the sentence and has the daemon record it.
pub(crate) fn arm(place: &Place, out: &mut Out) -> Result {
    let loaded = crate::daemon::load_all(&place.config)
        .map_err(|mistakes| Failure::new(exit::CONFIG, mistakes.to_string()))?;
    let controller = &loaded.controller;
    if controller.mode == Mode::DryRun {
        return Err(refused(
            "controller.toml says mode = \"dry-run\"; set mode = \"live\", restart the daemon (it stays dry until armed), then arm",
        ));
    }
    let acceptance = Acceptance::of(controller, &loaded.controller_fingerprint);
    let mut client = Client::connect(&place.state)?;
    writeln!(out, "{}", out.tone(Tone::Bad, "CAUTION"))?;
    writeln!(out, "{CAUTIONS}")?;
    show(controller, &acceptance, out)?;
    writeln!(
        out,
        "\nTo accept, type this sentence:\n\n  {}\n",
        acceptance.sentence
    )?;
    out.flush()?;
    let mut typed = String::new();
    std::io::stdin()
        .lock()
        .read_line(&mut typed)
        .map_err(|e| Failure::new(exit::IO, format!("cannot read the sentence: {e}")))?;
    if !acceptance.is_sentence(&typed) {
        return Err(refused(
            "not armed: that was not the sentence; nothing changed",
        ));
    }
    let request = Request::Arm {
        fingerprint: acceptance.fingerprint.as_str().into(),
        sentence: typed.as_str().into(),
    };
    let done = accepted(client.ask(&request)?)?;
    Ok(writeln!(out, "{}", done.text)?)
}

/// Heads, pins and limits that are accepted.
fn show(controller: &Controller, acceptance: &Acceptance, out: &mut Out) -> Result {
    writeln!(out, "Board: {}", acceptance.hardware)?;
    writeln!(
        out,
        "Fingerprint of configuration and board: {}\n",
        acceptance.fingerprint
    )?;
    for line in &controller.lines {
        let Some(head) = controller.heads.get(&line.head) else {
            continue;
        };
        let pins = head.output.pins().into_iter();
        let pins: Vec<String> = pins.map(|(use_of, pin)| pin_words(use_of, &pin)).collect();
        writeln!(
            out,
            "line {}: head {} on {}; at most {} in a dose, {} in an hour, {} in 24 h, {} in one run",
            line.name,
            head.name,
            pins.join("; "),
            line.dose_cap,
            line.hourly_cap
                .map_or("that or the plan's busiest hour".to_owned(), |cap| cap
                    .to_string()),
            line.daily_cap,
            head.run_max
        )?;
        for gpio in pins_on_at_boot(head) {
            let label = out.tone(Tone::Bad, "FAIL");
            writeln!(
                out,
                "  {label}: GPIO{gpio} rests at the level that turns this head ON while the board boots; change the pin, or prove with a meter that the resistor at the driver holds it off (hw-notes/commissioning.md, B5)"
            )?;
        }
    }
    Ok(())
}

/// `GPIO17, header pin 11, on when high`, with what it is for where a head has several.
fn pin_words(use_of: &str, pin: &Output) -> String {
    let (gpio, level) = (pin.gpio, pin.active.as_str());
    let header = header_pin(gpio).map_or(String::new(), |pin| format!(", header pin {pin}"));
    let space = if use_of.is_empty() { "" } else { " " };
    format!("{use_of}{space}GPIO{gpio}{header}, on when {level}")
}

/// Takes the acceptance back.
pub(crate) fn disarm(place: &Place, out: &mut Out) -> Result {
    ask(place, &Request::Disarm {}, out).map(drop)
}
