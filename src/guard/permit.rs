//! The token without which no head runs.

use super::facts::Request;
use crate::quantity::{Millis, Name, Volume};
use crate::record::DoseId;

/// Leave to run one head once. Made only by the guard, consumed by the driver; neither copied nor cloned.
#[derive(Debug, PartialEq, Eq)]
#[must_use = "a permit that is dropped is a dose that is not given"]
pub struct DosePermit {
    dose: DoseId,
    line: Name,
    volume: Volume,
    run_time: Millis,
    expires: Millis,
}

impl DosePermit {
    pub(super) fn new(request: &Request<'_>, run_time: Millis, expires: Millis) -> Self {
        Self {
            dose: request.id,
            line: request.line.clone(),
            volume: request.volume,
            run_time,
            expires,
        }
    }

    /// The dose it is for.
    pub fn dose(&self) -> DoseId {
        self.dose
    }

    /// The line it is for.
    pub fn line(&self) -> &Name {
        &self.line
    }

    /// The volume it allows.
    pub fn volume(&self) -> Volume {
        self.volume
    }

    /// The run time it allows.
    pub fn run_time(&self) -> Millis {
        self.run_time
    }

    /// Elapsed time after which it must not be used to start.
    pub fn expires(&self) -> Millis {
        self.expires
    }
}
