//! Tests of single interlocks.
