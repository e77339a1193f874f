//! Placeholder while the parts are being written.
