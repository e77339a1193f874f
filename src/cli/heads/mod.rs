//! The heads: calibration and checks.

mod accuracy;
pub(crate) mod bench;
pub(crate) mod bench_args;
pub(crate) mod calibrate;
pub(crate) mod certificate;
pub(crate) mod creep;
pub(crate) mod guided;
pub(crate) mod keys;
pub(crate) mod measured;
pub(crate) mod session;
pub(crate) mod verify;
pub(crate) mod words;
