//! The `narrows` program: everything it does is in the library's [`narrows::cli`].

use std::process::ExitCode;

/// The viewer stays open for hours: what a measurement took must go back
#[cfg(feature = "gui")]
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    narrows::cli::run()
}
