//! Parses the command line and hands over.

fn main() {}
