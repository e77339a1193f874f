//! Contacts: debounced, and disbelieved when they chatter or cannot be read.
//!
//! A contact is unsafe until it has been seen safe for its time. A broken wire reads as the unsafe level (the wiring notes say
//! how), and a contact that cannot be read at all is unsafe.

use std::collections::{BTreeMap, VecDeque};

use crate::config::{Input, InputRole};
use crate::guard::InputBlock;
use crate::quantity::{Millis, Name};

/// More changes of level than this within [`CHATTER_SPAN`] are chatter (our rule).
pub(crate) const CHATTER_CHANGES: usize = 10;
pub(crate) const CHATTER_SPAN: Millis = Millis::from_mins(1);
/// A contact that nobody has read for this long since the start is told as one that cannot be read (our rule).
const UNREAD_MAX: Millis = Millis::from_secs(10);

/// Each contact, and the board's supply.
#[derive(Debug)]
pub(crate) struct Inputs {
    contacts: BTreeMap<Name, Contact>,
    under_voltage: bool,
}

#[derive(Debug)]
struct Contact {
    /// What was last read; `None` when it cannot be read.
    raw: Option<bool>,
    raw_since: Millis,
    /// What counts after debouncing.
    safe: bool,
    /// Whether that has been told since the start; until then it is unsafe because nothing is known.
    established: bool,
    safe_since: Millis,
    /// Recent changes of the raw level.
    changes: VecDeque<Millis>,
    chattering: bool,
}

/// What is to be told of a contact.
#[derive(Debug)]
pub(crate) struct Settled {
    /// What counts now, if that has changed.
    pub(crate) changed_to_safe: Option<bool>,
    pub(crate) chattering: bool,
}

impl Contact {
    /// Nothing known yet: unsafe.
    fn unknown(now: Millis) -> Self {
        Self {
            raw: None,
            raw_since: now,
            safe: false,
            established: false,
            safe_since: now,
            changes: VecDeque::new(),
            chattering: false,
        }
    }

    /// A simulated contact in dry run: safe from the start.
    fn simulated(now: Millis) -> Self {
        Self {
            raw: Some(true),
            safe: true,
            established: true,
            safe_since: now.minus(Millis::DAY),
            ..Self::unknown(now)
        }
    }

    fn wants_safe(&self) -> bool {
        self.raw == Some(true) && !self.chattering
    }

    /// When the debounced state will follow the raw one, if they differ.
    fn follows_at(&self, config: &Input) -> Option<Millis> {
        if self.chattering {
            // A contact that cannot make up its mind is not debounced into safety: it is unsafe at once.
            return (self.safe || !self.established).then_some(self.raw_since);
        }
        if !self.established && self.raw.is_none() {
            return Some(self.raw_since.plus(config.trip_after.max(UNREAD_MAX)));
        }
        let wait = if self.wants_safe() {
            config.clear_after
        } else {
            config.trip_after
        };
        (self.wants_safe() != self.safe || !self.established).then(|| self.raw_since.plus(wait))
    }
}

impl Inputs {
    pub(crate) fn unknown<'a>(names: impl Iterator<Item = &'a Name>, now: Millis) -> Self {
        Self {
            contacts: names
                .map(|name| (name.clone(), Contact::unknown(now)))
                .collect(),
            under_voltage: false,
        }
    }

    pub(crate) fn simulate(&mut self, now: Millis) {
        for contact in self.contacts.values_mut() {
            *contact = Contact::simulated(now);
        }
    }

    pub(crate) fn sampled(&mut self, name: &Name, safe: Option<bool>, now: Millis) {
        let Some(contact) = self.contacts.get_mut(name) else {
            return;
        };
        if contact.raw != safe {
            contact.raw = safe;
            contact.raw_since = now;
            contact.changes.push_back(now);
            // As many as chatter takes are all that is looked at.
            if contact.changes.len() > CHATTER_CHANGES.saturating_add(1) {
                contact.changes.pop_front();
            }
        }
    }

    /// Lets the debounced state of a contact follow.
    pub(crate) fn settle(&mut self, config: &Input, now: Millis) -> Option<Settled> {
        let contact = self.contacts.get_mut(&config.name)?;
        let horizon = now.minus(CHATTER_SPAN);
        while contact.changes.front().is_some_and(|at| *at < horizon) {
            contact.changes.pop_front();
        }
        // Quiet again only when a whole span has passed without a change.
        contact.chattering = contact.changes.len() > CHATTER_CHANGES
            || (contact.chattering && !contact.changes.is_empty());
        let changed = contact.follows_at(config).is_some_and(|at| at <= now);
        if changed {
            contact.safe = contact.wants_safe();
            contact.safe_since = now;
            contact.established = true;
        }
        Some(Settled {
            changed_to_safe: changed.then_some(contact.safe),
            chattering: contact.chattering,
        })
    }

    /// Why a contact blocks now, if it does.
    pub(crate) fn block(&self, config: &Input, now: Millis) -> Option<InputBlock> {
        let contact = self.contacts.get(&config.name)?;
        let input = config.name.as_str().to_owned();
        // A change to unsafe that is still being debounced does not block, one to safe that is does.
        if !contact.safe {
            return Some(InputBlock {
                input,
                says: meaning(config),
                until: None,
            });
        }
        let until = contact.safe_since.plus(config.resume_after);
        let waits = config.resume_after > Millis::ZERO && until > now;
        waits.then(|| InputBlock {
            input,
            says: format!(
                "safe again, and waits {} before dosing goes on",
                config.resume_after
            ),
            until: Some(until),
        })
    }

    /// What counts of each.
    pub(crate) fn levels(&self) -> impl Iterator<Item = (&Name, bool)> {
        self.contacts.iter().map(|(name, c)| (name, c.safe))
    }

    /// What a contact says; `None` when it is unsafe because it cannot be read.
    pub(crate) fn says(&self, name: &Name) -> Option<bool> {
        let contact = self.contacts.get(name)?;
        (contact.safe || contact.raw.is_some()).then_some(contact.safe)
    }

    /// Whether anything has been told of it since the start.
    pub(crate) fn is_established(&self, name: &Name) -> bool {
        self.contacts.get(name).is_some_and(|c| c.established)
    }

    pub(crate) fn next_deadline(&self, configs: &BTreeMap<Name, Input>) -> Option<Millis> {
        let follow = self
            .contacts
            .iter()
            .filter_map(|(name, contact)| contact.follows_at(configs.get(name)?));
        let quiet = self
            .contacts
            .values()
            .filter(|c| c.chattering)
            .filter_map(|c| c.changes.back())
            .map(|at| at.plus(CHATTER_SPAN).plus(Millis::new(1)));
        follow.chain(quiet).min()
    }

    pub(crate) const fn under_voltage(&self) -> bool {
        self.under_voltage
    }

    /// Whether that is news.
    pub(crate) fn supply_seen(&mut self, low: bool) -> bool {
        std::mem::replace(&mut self.under_voltage, low) != low
    }
}

/// What an unsafe contact means, in words.
pub(crate) fn meaning(config: &Input) -> String {
    match &config.role {
        InputRole::ReservoirFloat(reservoir) => format!("reservoir {reservoir} is empty"),
        InputRole::ReturnPump => {
            "the return pump does not run, so the water stands still".to_owned()
        }
        InputRole::Leak => "water where none should be".to_owned(),
        InputRole::SumpHigh => "the sump is too full".to_owned(),
        InputRole::StopButton => "the stop button is pressed".to_owned(),
    }
}
