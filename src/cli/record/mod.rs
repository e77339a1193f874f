//! The record.

pub(in crate::cli) mod ledger;
