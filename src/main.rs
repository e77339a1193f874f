//! Parses the command line and hands over.

use std::process::ExitCode;

fn main() -> ExitCode {
    dosewright::cli::main()
}
