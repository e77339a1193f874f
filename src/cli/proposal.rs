//! Prepare, show, confirm, as a terminal does it: the daemon works it out, here it is printed and asked.

use std::io::Write;

use super::running::daemon::say;
use super::words::{agreed, usage};
use crate::cli::exit::accepted;
use crate::cli::place::Agreed;
use crate::cli::{Failure, Out, Place, Result, exit};
use crate::control::{Client, Response};
use crate::engine::{Answer, Command, Proposal, Wish};

/// How a proposal is agreed to.
pub(super) struct Consent {
    /// Without being asked.
    pub(super) yes: bool,
    pub(super) question: &'static str,
    /// What is said of a no.
    pub(super) otherwise: &'static str,
}

/// Whether it is agreed to without being asked. What is printed for a program leaves nobody to be asked.
pub(super) fn agreed_to(place: &Place, agreed: &Agreed) -> Result<bool> {
    if place.json && !agreed.yes {
        return Err(usage("--json only with --yes: nobody could be asked"));
    }
    Ok(agreed.yes)
}

/// The engine's answer in a response.
pub(super) fn answer(response: &Response) -> Result<Answer> {
    serde_json::from_value(response.data.clone()).map_err(|error| {
        Failure::new(
            exit::NO_DAEMON,
            format!(
                "the daemon's answer was not understood; are daemon and command of the same version? ({error})"
            ),
        )
    })
}

/// What a wish comes to. A no is printed as JSON when that is wanted, and fails the command.
pub(super) fn prepare(
    place: &Place,
    client: &mut Client,
    wish: Wish,
    out: &mut Out,
) -> Result<Proposal> {
    let response = client.ask(&Command::Prepare(wish).into())?;
    let response = if place.json && !response.ok {
        say(place, response, out)?
    } else {
        accepted(response)?
    };
    proposal_in(&response)
}

/// The proposal in a response.
pub(super) fn proposal_in(response: &Response) -> Result<Proposal> {
    match answer(response)? {
        Answer::Proposal(proposal) => Ok(*proposal),
        Answer::Done { .. } | Answer::DoseStarted { .. } => Err(Failure::new(
            exit::NO_DAEMON,
            "the daemon proposed nothing; are daemon and command of the same version?",
        )),
    }
}

/// Shows what a wish comes to, asks, and has it put into force.
pub(super) fn propose(place: &Place, wish: Wish, consent: &Consent, out: &mut Out) -> Result {
    let mut client = Client::connect(&place.state)?;
    let proposal = prepare(place, &mut client, wish, out)?;
    if !place.json {
        for line in &proposal.text {
            writeln!(out, "{line}")?;
        }
    }
    if !consent.yes {
        agreed(consent.question, consent.otherwise, out)?;
    }
    let confirm = Command::Confirm(proposal.confirm(None));
    say(place, client.ask(&confirm.into())?, out).map(drop)
}
