//! The common cut-off: one output in series with the supply of all heads, on only while a head runs.
//!
//! It catches what a head's own output cannot: a welded relay, a shorted transistor, a pin that another program drives. Once a head
//! was seen to disobey it stays off until the daemon is started again; each dose is refused meanwhile.

use std::collections::BTreeSet;
use std::sync::{Mutex, MutexGuard, PoisonError};

use super::output::{Output, PumpError, check_on, switch_off};
use crate::quantity::Name;

/// Shared by all heads.
pub struct CutOff {
    inner: Mutex<Inner>,
}

struct Inner {
    output: Box<dyn Output>,
    running: BTreeSet<Name>,
    tripped: Option<String>,
}

impl std::fmt::Debug for CutOff {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let inner = self.lock();
        f.debug_struct("CutOff")
            .field("running", &inner.running)
            .field("tripped", &inner.tripped)
            .finish_non_exhaustive()
    }
}

impl CutOff {
    /// Takes over an output and drives it off.
    ///
    /// # Errors
    /// When it cannot be driven off.
    pub fn new(output: Box<dyn Output>) -> Result<Self, PumpError> {
        let mut inner = Inner {
            output,
            running: BTreeSet::new(),
            tripped: None,
        };
        switch_off(&mut inner.output)?;
        Ok(Self {
            inner: Mutex::new(inner),
        })
    }

    /// Gives the heads their supply, for this one.
    ///
    /// # Errors
    /// When it has tripped, or does not go on.
    pub(super) fn supply(&self, head: &Name) -> Result<(), PumpError> {
        let mut inner = self.lock();
        if let Some(why) = &inner.tripped {
            return Err(PumpError::CutOff { why: why.clone() });
        }
        inner.running.insert(head.clone());
        let done = inner
            .output
            .set_on()
            .and_then(|()| check_on(&mut inner.output));
        if done.is_err() {
            inner.running.remove(head);
        }
        done
    }

    /// This head no longer needs the supply; it goes off with the last one.
    ///
    /// # Errors
    /// When it does not go off.
    pub(super) fn release(&self, head: &Name) -> Result<(), PumpError> {
        let mut inner = self.lock();
        inner.running.remove(head);
        if inner.running.is_empty() {
            switch_off(&mut inner.output)?;
        }
        Ok(())
    }

    /// Takes the supply from all heads, for good.
    ///
    /// # Errors
    /// When it does not go off.
    pub(super) fn trip(&self, why: &str) -> Result<(), PumpError> {
        let mut inner = self.lock();
        if inner.tripped.is_none() {
            inner.tripped = Some(why.to_owned());
        }
        switch_off(&mut inner.output)
    }

    /// Why it has tripped, if it has.
    pub fn tripped(&self) -> Option<String> {
        self.lock().tripped.clone()
    }

    /// A lock that a panicking thread has poisoned still guards an output that can be driven off.
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Inner {
    fn drop(&mut self) {
        if let Err(error) = switch_off(&mut self.output) {
            tracing::error!(%error, "the common cut-off does not go off");
        }
    }
}
