//! The command line: one file a verb.

use std::process::ExitCode;

/// Runs the program with the process's arguments
pub fn run() -> ExitCode {
    ExitCode::from(3)
}
