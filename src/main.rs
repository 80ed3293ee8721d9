//! The `narrows` program: everything it does is in the library's [`narrows::cli`].

use std::process::ExitCode;

fn main() -> ExitCode {
    narrows::cli::run()
}
