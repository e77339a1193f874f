//! What to do about a water quantity, as the daemon advises it; and letting it follow its own advice for a while.

use std::io::Write;

use clap::Args;

use crate::chemistry::Quantity;
use crate::cli::exit::accepted;
use crate::cli::place::Agreed;
use crate::cli::proposal::{Consent, agreed_to, prepare, propose};
use crate::cli::running::daemon::say;
use crate::cli::words::{days, percent, quantity};
use crate::cli::{Failure, Out, Place, Result, Tone, exit};
use crate::control::{Client, Request};
use crate::engine::{Advice, Command, Verdict, Wish};

/// What can be typed with `advise`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright advise\n          dosewright advise calcium\n          dosewright advise --let 10% --for 60d\n          dosewright advise --take-back\nAsks the daemon. Nothing is changed by it but with --let, which is shown and asked about: what the plan adds then follows the tests by itself, by so much either way, for so long, in small steps. Every limit holds."
)]
pub(crate) struct Advise {
    /// alkalinity, calcium, magnesium
    #[arg(default_value = "alkalinity", value_parser = quantity)]
    quantity: Quantity,
    /// Let what the plan adds follow the tests, so much either way
    #[arg(long = "let", value_name = "PERCENT", value_parser = percent, requires = "days")]
    share: Option<f64>,
    /// For so many days
    #[arg(long = "for", value_name = "DAYS", value_parser = days, requires = "share")]
    days: Option<u32>,
    /// Undo that: what was added before comes back
    #[arg(long, conflicts_with = "share")]
    take_back: bool,
    #[command(flatten)]
    agreed: Agreed,
}

pub(crate) fn advise(place: &Place, options: &Advise, out: &mut Out) -> Result {
    let of = options.quantity.clone();
    if options.take_back {
        return take_back(place, Wish::CorridorBack { of }, out);
    }
    if let (Some(share), Some(days)) = (options.share, options.days) {
        let consent = Consent {
            yes: agreed_to(place, &options.agreed)?,
            question: "Let the plan follow the tests so far and so long? Type yes to go on:",
            otherwise: "nothing was granted",
        };
        return propose(place, Wish::Corridor { of, share, days }, &consent, out);
    }
    let response = accepted(Client::connect(&place.state)?.ask(&Request::Advise { of })?)?;
    if place.json {
        return Ok(out.json(&response.data)?);
    }
    let advice: Advice = serde_json::from_value(response.data).map_err(|error| {
        Failure::new(
            exit::NO_DAEMON,
            format!(
                "the daemon's answer was not understood; are daemon and command of the same version? ({error})"
            ),
        )
    })?;
    let tone = match advice.verdict {
        Verdict::LeaveAlone => Tone::Good,
        Verdict::Change => Tone::Strong,
        Verdict::NotNow => Tone::Bad,
    };
    for line in advice.lines() {
        let is_verdict = line.starts_with(advice.verdict.words());
        let line = if is_verdict {
            out.tone(tone, &line)
        } else {
            line
        };
        writeln!(out, "{line}")?;
    }
    Ok(())
}

/// One word undoes it.
fn take_back(place: &Place, wish: Wish, out: &mut Out) -> Result {
    let mut client = Client::connect(&place.state)?;
    let proposal = prepare(place, &mut client, wish, out)?;
    let confirm = Command::Confirm(proposal.confirm(None));
    say(place, client.ask(&confirm.into())?, out).map(drop)
}
