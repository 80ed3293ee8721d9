//! `narrows` alone: the default sample volume, measured.

use std::path::{Path, PathBuf};

use super::progress::Progress;
use super::{Exit, Failure, input, measure, output, text};
use crate::measure::Options;

const SAMPLE: &str = "sample-volumes/crescent.dcm";
const REPORT: &str = "narrows-report";

pub(super) fn run() -> Result<Exit, Failure> {
    let sample = sample()?;
    output::say(&format!(
        "no file was given: measuring the sample volume {} (`narrows --help` shows the commands)",
        sample.display()
    ));
    let progress = Progress::start();
    let volume = input::open(&sample, None)?;
    let results = crate::measure::measure(&volume, &Options::default(), progress.watch())?;
    let paths = measure::write(&results, &volume, Path::new(REPORT), &progress)?;
    drop(progress);
    let report = format!("The report is in {}: open {}.\n", paths.folder.display(), paths.page.display());
    output::print(&(text::one_line(&results) + &report))?;
    Ok(measure::verdict(&results))
}

/// The default sample: in the repository this was built from, or beside the program, or here
fn sample() -> Result<PathBuf, Failure> {
    let built_from = Path::new(env!("CARGO_MANIFEST_DIR")).to_owned();
    let program = std::env::current_exe().ok();
    let around = program.iter().flat_map(|path| path.ancestors().skip(1).map(Path::to_owned));
    std::iter::once(built_from)
        .chain(around)
        .chain(std::iter::once(PathBuf::from(".")))
        .map(|folder| folder.join(SAMPLE))
        .find(|path| path.is_file())
        .ok_or_else(|| {
            Failure::usage(
                format!("the default sample volume is not where it was: {SAMPLE}"),
                "run in the project's folder, or measure a file of your own: narrows measure FILE",
            )
        })
}
