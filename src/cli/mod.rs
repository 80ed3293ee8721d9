//! The command line: one file a verb.
//!
//! stdout carries the result and nothing else, stderr the talk. The exit status says what became
//! of it (see [`Exit`]). Errors read `error: ...` and, where something can be done, `hint: ...`.
//! Files appear under their final name only when they are whole, and a file that is being read is
//! never written over.

mod agree;
mod arguments;
mod cohort;
mod convert;
mod documents;
mod draw;
mod exit;
mod flow;
mod home;
mod input;
mod inspect;
mod measure;
mod output;
mod phantom;
mod practice;
mod progress;
mod readings;
mod recheck;
mod report;
mod report_options;
mod schema;
mod shapes;
mod sweep;
mod text;
mod view;

use std::borrow::Cow;
use std::io::{self, Write as _};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::process::ExitCode;

use clap::Parser;

pub use exit::{Exit, Failure};

/// Runs the program with the process's arguments
pub fn run() -> ExitCode {
    let arguments = match arguments::Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            // Help and version arrive here too; a closed pipe is no reason to fail.
            // What was typed, or came from a list of names, is shown as it is printed, and no more.
            let plain = error.render().to_string();
            let _ = match output::shown(&plain) {
                Cow::Borrowed(_) => error.print(),
                Cow::Owned(shown) => io::stderr().write_all(shown.as_bytes()),
            };
            return ExitCode::from(if error.use_stderr() { Exit::Usage } else { Exit::Done } as u8);
        }
    };
    let _ = tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_env_filter(
            tracing_subscriber::EnvFilter::try_from_env("NARROWS_LOG").unwrap_or_else(|_| "error".into()),
        )
        .try_init();
    // A bug must still end with the status that says so.
    let ended = catch_unwind(AssertUnwindSafe(|| arguments.run()));
    let exit = match ended {
        Ok(Ok(exit)) => exit,
        Ok(Err(failure)) => {
            failure.tell();
            failure.exit
        }
        Err(_) => {
            let failure = Failure::internal("the program failed in a way that it should not");
            failure.tell();
            failure.exit
        }
    };
    ExitCode::from(exit as u8)
}
