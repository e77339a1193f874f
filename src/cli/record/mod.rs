//! The record.

pub(crate) mod ledger;
