//! `narrows` alone: the viewer on its start screen; without a display, the default sample volume,
//! measured.
//!
//! Where the program was carried away from its sample volumes, the sample is simulated afresh from
//! its recipe and its flow, which travel inside the program: the first command always does the main job.

use std::path::{Path, PathBuf};

use super::progress::Progress;
use super::{Exit, Failure, input, measure, output, text, view};
use crate::format::OpenOptions;
use crate::measure::Options;
use crate::phantom::flow::SolvedFlow;
use crate::phantom::{self, PhantomError, ReadyFlow, Recipe};
use crate::volume::Volume4;

const SAMPLE: &str = "sample-volumes/crescent.dcm";
const RECIPE: &str = include_str!("../../sample-volumes/crescent.toml");
/// The flow of that recipe
const FLOW: &[u8] = include_bytes!("../../sample-volumes/flows/crescent-120-thick.flow");
const REPORT: &str = "narrows-report";

pub(super) fn run() -> Result<Exit, Failure> {
    match view::open(Vec::new(), OpenOptions::default(), view::Opening::Open) {
        Ok(()) => return Ok(Exit::Done),
        Err(failure) => output::say(&format!("no viewer: {}", failure.error)),
    }
    let progress = Progress::start();
    let volume = volume(&progress)?;
    let results = crate::measure::measure(&volume, &Options::default(), progress.watch())?;
    let paths = measure::write(&results, &volume, Path::new(REPORT), &progress)?;
    drop(progress);
    let report = format!("The report is in {}: open {}.\n", paths.folder.display(), paths.page.display());
    output::print(&(text::one_line(&results) + &report))?;
    Ok(measure::verdict(&results))
}

fn volume(progress: &Progress) -> Result<Volume4, Failure> {
    let help = "(`narrows --help` shows the commands)";
    if let Some(path) = sample() {
        output::say(&format!("no file was given: measuring the sample volume {} {help}", path.display()));
        return input::open(&[path], &input::Known::default());
    }
    output::say(&format!("no file was given, and no sample volume is here: simulating one {help}"));
    let flow = ReadyFlow::new(&SolvedFlow::read(FLOW).map_err(PhantomError::from)?);
    let (mut volume, _) = phantom::simulate_flow(&Recipe::from_toml(RECIPE)?, &flow, progress.watch())?;
    if volume.provenance.file.is_empty() {
        volume.provenance.file = "crescent (simulated)".into();
    }
    Ok(volume)
}

/// The default sample: in the repository this was built from, or beside the program, or here
fn sample() -> Option<PathBuf> {
    let built_from = Path::new(env!("CARGO_MANIFEST_DIR")).to_owned();
    let program = std::env::current_exe().ok();
    let around = program.iter().flat_map(|path| path.ancestors().skip(1).map(Path::to_owned));
    std::iter::once(built_from)
        .chain(around)
        .chain(std::iter::once(PathBuf::from(".")))
        .map(|folder| folder.join(SAMPLE))
        .find(|path| path.is_file())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_flow_inside_is_that_of_the_recipe_inside() {
        let flow = SolvedFlow::read(FLOW).unwrap();
        assert_eq!(Recipe::from_toml(RECIPE).unwrap().flow.solved, Some(flow.header.name));
    }
}
