//! A hold stops its line, whoever asks and for whatever.

use super::{Facts, Refusal, Request};
use crate::record::Who;
use crate::quantity::Millis;

pub(super) fn check(_: &Request<'_>, facts: &Facts<'_>, _: Millis) -> Result<(), Refusal> {
    facts.holds.first().map_or(Ok(()), |hold| Err(Refusal::Held { reason: hold.reason.clone(), who: who(&hold.who) }))
}

fn who(who: &Who) -> String {
    match who {
        Who::Plan => "the plan".to_owned(),
        Who::Daemon => "dosewright itself".to_owned(),
        Who::Local { uid } => format!("user {uid}"),
        Who::Remote { name } => format!("{name}, by remote"),
    }
}
