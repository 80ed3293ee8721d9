//! `narrows inspect`: what a file holds, and the trust check.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use super::{Exit, Failure, input, output};
use crate::format::{self, HashWhen, Inspection, OpenOptions};
use crate::job::CancelToken;
use crate::measure::results::{Trust, Verdict};
use crate::report::words;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The file; of a volume in several files all of them, or their folder
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Write what was found as JSON here; `-` prints it, and nothing else, on stdout
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    #[command(flatten)]
    known: input::Known,
}

/// What `inspect --json` writes
#[derive(Debug, Serialize)]
struct Inspected {
    /// What the file holds
    #[serde(flatten)]
    inspection: Inspection,
    /// What can be said of the acquisition before a jet is looked for; `null` where it cannot be read
    trust: Option<Trust>,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let options = arguments.known.options()?;
    let inspection = format::inspect(&arguments.files, &options)?;
    let trust = if inspection.problem.is_some() {
        None
    } else {
        let volume = format::open_all(&arguments.files, &OpenOptions { hash: HashWhen::Later, ..options })?;
        Some(Trust::of_acquisition(&volume, &CancelToken::new()))
    };
    let inspected = Inspected { inspection, trust };
    if let Some(json) = &arguments.json {
        let mut text = serde_json::to_string_pretty(&inspected)?;
        text.push('\n');
        output::deliver(json, &text, &arguments.files)?;
    } else {
        output::print(&text(&inspected))?;
    }
    let fit = inspected.trust.is_some_and(|trust| trust.verdict != Verdict::Unfit);
    Ok(if fit { Exit::Done } else { Exit::Unfit })
}

fn text(inspected: &Inspected) -> String {
    let mut out = inspected.inspection.to_string();
    if let Some(trust) = &inspected.trust {
        let meaning = words::verdict_meaning(trust.verdict);
        let _ = writeln!(out, "\ntrust check {}: {meaning}", words::verdict(trust.verdict));
        for finding in &trust.findings {
            let _ = writeln!(out, "{:<11} {}", words::verdict(finding.verdict), finding.message);
        }
    }
    out
}
