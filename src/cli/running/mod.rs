//! Running the daemon and looking at it: start, stop, doses by hand, arming.

pub(in crate::cli) mod arm;
pub(in crate::cli) mod check;
pub(in crate::cli) mod daemon;
pub(in crate::cli) mod dose;
pub(in crate::cli) mod mqtt;
pub(in crate::cli) mod outputs_off;
pub(in crate::cli) mod status;
