//! What a reply over MQTT says of the controller's answer.

use super::payload::Reply;
use crate::engine::{Answer, Figures};

pub(super) fn words(answer: &Answer) -> String {
    match answer {
        Answer::Done { text } => text.clone(),
        Answer::Proposal(proposal) => {
            let Figures::Dose(dose) = &proposal.figures else {
                return answer.text();
            };
            format!(
                "{} on {}, {}{}{}; confirm within a minute with the token and the same volume",
                dose.volume,
                dose.line,
                dose.run_time,
                if dose.caustic {
                    ", burns skin and eyes"
                } else {
                    ""
                },
                if proposal.ask_twice.is_some() {
                    ", more than three times the usual dose"
                } else {
                    ""
                },
            )
        }
        Answer::DoseStarted {
            id,
            line,
            volume,
            run_time,
        } => {
            format!("dose {} started: {volume} on {line}, {run_time}", id.0)
        }
    }
}

pub(super) fn details(answer: &Answer, reply: &mut Reply) {
    match answer {
        Answer::Done { .. } => {}
        Answer::Proposal(proposal) => {
            let Figures::Dose(dose) = &proposal.figures else {
                return;
            };
            reply.token = Some(proposal.token.to_string());
            reply.line = Some(dose.line.clone());
            reply.solution = Some(dose.solution.clone());
            reply.caustic = Some(dose.caustic);
            reply.volume = Some(dose.volume);
            reply.run_time_s = Some(dose.run_time.as_secs());
            reply.unusual = Some(proposal.ask_twice.is_some());
        }
        Answer::DoseStarted {
            id,
            line,
            volume,
            run_time,
        } => {
            reply.dose = Some(id.0);
            reply.line = Some(line.clone());
            reply.volume = Some(*volume);
            reply.run_time_s = Some(run_time.as_secs());
        }
    }
}
