//! The heads: calibration and checks.

pub(in crate::cli) mod bench;
pub(in crate::cli) mod bench_args;
pub(in crate::cli) mod calibrate;
pub(in crate::cli) mod certificate;
pub(in crate::cli) mod creep;
pub(in crate::cli) mod guided;
pub(in crate::cli) mod keys;
pub(in crate::cli) mod measured;
pub(in crate::cli) mod session;
pub(in crate::cli) mod verify;
pub(in crate::cli) mod words;
