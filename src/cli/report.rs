//! `narrows report`: the report of a review, with the reader's own tracings.

use std::path::{Path, PathBuf};

use clap::Args;

use super::progress::Progress;
use super::report_options::ReportArguments;
use super::{Exit, Failure, input, measure, output, text};
use crate::format::{self, OpenOptions, Parts};
use crate::measure::Results;
use crate::report::{self, ReportOptions};
use crate::review::{self, Different, Located, OtherVolume, Review};
use crate::volume::Volume4;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The review: NAME.review.json
    review: PathBuf,
    /// Folder for the report [default: NAME-report here, or LABEL-report; none when --json, --pdf or --sr is given]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Write the results here, with the reader's own tracings; `-` prints them, and nothing else
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    #[command(flatten)]
    source: VolumeArguments,
    #[command(flatten)]
    report: ReportArguments,
}

/// Where the volume of a review is
#[derive(Debug, Args)]
pub(super) struct VolumeArguments {
    /// The volume, where it is no longer where the review was saved
    #[arg(long, value_name = "FILE")]
    volume: Option<PathBuf>,
    #[command(flatten)]
    known: input::Known,
}

impl VolumeArguments {
    /// The volume that was read, known by its hash, and its path
    pub(super) fn open(&self, read: &Review, path: &Path) -> Result<(Volume4, PathBuf), Failure> {
        let file = match &self.volume {
            Some(file) => file.clone(),
            None => match review::locate(read, path) {
                Located::Found(file) => file,
                Located::Moved { tried } => {
                    let tried: Vec<String> = tried.iter().map(|path| path.display().to_string()).collect();
                    return Err(Failure::usage(
                        format!("the volume of the review is not there: {}", tried.join(", ")),
                        "say where it is with --volume",
                    ));
                }
            },
        };
        // What was read is known by its hash, so that the other parts of it may be looked for.
        let known = OpenOptions { parts: Parts::Beside, ..self.known.options()? };
        let volume = format::open(&file, &review::as_read(read, known))?;
        review::accept(read, &volume, &volume.provenance.blake3, Different::Refuse)?;
        Ok((volume, file))
    }
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    arguments.report.refuse_in(arguments.out.as_deref(), arguments.json.as_deref())?;
    let progress = Progress::start();
    let read = review::load(&arguments.review)?;
    let (mut volume, file) = arguments.source.open(&read, &arguments.review)?;
    for output in arguments.json.iter().filter(|json| json.as_path() != Path::new("-")) {
        output::refuse_input(&file, output)?;
        output::refuse_input(&arguments.review, output)?;
    }
    arguments.report.refuse(&file)?;
    arguments.report.refuse(&arguments.review)?;
    let label = arguments.report.label.as_deref();
    if let Some(label) = label {
        ReportArguments::relabel(&mut volume, label.to_owned());
    }
    let mut results = review::numbers(&read, &volume, progress.watch())?;
    if label.is_some() {
        // A review knows the hash as well.
        results.source.blake3.clear();
    }
    let mut options = arguments.report.options(&[&file], progress.watch())?;
    let reading = label.map_or_else(|| name(&arguments.review), |_| "of this volume".into());
    options.paper.settings = vec![["Review".into(), reading]];
    let folder = match &arguments.out {
        Some(folder) => Some(folder.clone()),
        None if arguments.json.is_some() || arguments.report.single_files() => None,
        None => {
            let name = name(&arguments.review);
            let name = name.trim_end_matches(".json").trim_end_matches(".review");
            Some(arguments.report.default_folder(name, "report"))
        }
    };
    let written = folder
        .as_ref()
        .map(|folder| report::write_folder(&results, &volume, folder, &options))
        .transpose()?;
    arguments.report.write_single(&results, &volume, &options)?;
    if let Some(json) = &arguments.json {
        output::deliver(json, &report::results_json(&results)?, &[&file])?;
    }
    if arguments.json.as_deref() != Some(Path::new("-")) {
        let mut summary = text::summary(&results);
        if let Some(paths) = &written {
            summary.push_str(&text::where_the_report_is(paths));
        }
        output::print(&summary)?;
    }
    let verdict = measure::verdict(&results);
    // Last, so that a volume that is gone takes nothing else with it.
    if let Some((folder, other)) = folder.as_ref().zip(read.work.other.as_ref()) {
        let page = compare(&read, results, &volume, (other, &arguments.report), folder, &options)?;
        output::say(&format!("comparison: {}", page.display()));
    }
    drop(progress);
    Ok(verdict)
}

/// Writes the comparison with the other volume of a review, which a label names too; its page
fn compare(
    read: &Review,
    results: Results,
    volume: &Volume4,
    (other, report): (&OtherVolume, &ReportArguments),
    folder: &Path,
    options: &ReportOptions,
) -> Result<PathBuf, Failure> {
    let mut opened = other.open()?;
    if let Some(label) = &report.label {
        ReportArguments::relabel(&mut opened, format!("{label}, the other volume"));
    }
    let comparison = review::against(results, read, &opened, other.when, &options.watch)?;
    let folder = folder.join(report::COMPARISON_FOLDER);
    let written = report::write_comparison(&comparison, other.in_order([volume, &opened]), &folder, options)?;
    Ok(written.page)
}

fn name(path: &Path) -> String {
    path.file_name().map_or_else(|| "review".into(), |name| name.to_string_lossy().into_owned())
}
