//! The record.

pub(crate) mod ledger;
pub(crate) mod report;
