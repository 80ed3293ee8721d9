//! `narrows recheck`: every number of a saved review, measured anew and compared.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;
use serde_json::Value;

use super::progress::Progress;
use super::report::VolumeArguments;
use super::{Exit, Failure, output};
use crate::measure;
use crate::review::{self, Recheck};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The review: NAME.review.json
    review: PathBuf,
    /// Write the comparison as JSON here; `-` prints it instead of the table
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    #[command(flatten)]
    source: VolumeArguments,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let progress = Progress::start();
    let saved = review::saved_results(&arguments.review)?;
    let read = review::load(&arguments.review)?;
    let (volume, file) = arguments.source.open(&read, &arguments.review)?;
    // The saved results are those of the measurement alone, with what it was told at the time.
    let options = review::told(&saved);
    let fresh = measure::measure(&volume, &options, progress.watch())?;
    drop(progress);
    // Written and read once, as the saved numbers were.
    let fresh: Value = serde_json::from_str(&serde_json::to_string(&fresh)?)?;
    let name =
        arguments.review.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let recheck = review::compare(&name, &saved, &fresh);
    let mut json = serde_json::to_string_pretty(&recheck)?;
    json.push('\n');
    match &arguments.json {
        Some(target) if target.as_os_str() == "-" => output::print(&json)?,
        Some(target) => {
            output::refuse_input(&arguments.review, target)?;
            output::deliver(target, &json, &[&file])?;
            output::print(&table(&recheck))?;
        }
        None => output::print(&table(&recheck))?,
    }
    Ok(if recheck.is_same() { Exit::Done } else { Exit::Unfit })
}

fn table(recheck: &Recheck) -> String {
    let mut out = String::new();
    let [then, now] =
        [&recheck.then, &recheck.now].map(|[version, engine]| format!("version {version}, method {engine}"));
    let _ = writeln!(out, "saved by   {then}\nmeasured   {now}");
    if recheck.is_same() {
        let _ = writeln!(out, "all {} values are the same", recheck.compared);
    } else {
        let _ = writeln!(out, "{} of {} values differ", recheck.changes.len(), recheck.compared);
        let wide = recheck.changes.iter().map(|change| change.path.len()).max().unwrap_or(0).min(60);
        for change in &recheck.changes {
            let by = change.percent.map_or(String::new(), |percent| format!("  ({percent:+.3} %)"));
            let _ = writeln!(
                out,
                "{:wide$}  {}  ->  {}{by}",
                change.path,
                short(&change.then),
                short(&change.now)
            );
        }
    }
    if !recheck.added.is_empty() {
        let _ = writeln!(out, "not in the saved results: {}", recheck.added.join(", "));
    }
    out
}

fn short(value: &Value) -> String {
    let text = value.to_string();
    if text.chars().count() <= 60 { text } else { text.chars().take(59).chain(['…']).collect() }
}
