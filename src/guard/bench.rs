//! While the outlet of a head is out of the tank its line gives nothing to the tank, and its runs at the bench have a cap of their own.

use super::{Facts, Refusal, Request};
use crate::quantity::Millis;
use crate::record::Destination;

pub(super) fn check(request: &Request<'_>, facts: &Facts<'_>, _: Millis) -> Result<(), Refusal> {
    let head = || facts.head.name.clone();
    let Some(bench) = facts.bench else {
        return match request.into {
            Destination::Tank => Ok(()),
            Destination::Bench => Err(Refusal::NotAtBench { head: head() }),
        };
    };
    if bench.silent || request.into == Destination::Tank {
        return Err(Refusal::AtBench {
            line: facts.line.name.clone(),
            head: head(),
            silent: bench.silent,
        });
    }
    let total = bench.given.saturating_add(request.volume);
    if request.is_bench_run() && total > bench.cap {
        return Err(Refusal::BenchCap {
            head: head(),
            volume: request.volume,
            total,
            cap: bench.cap,
        });
    }
    Ok(())
}
