//! `narrows measure`: the whole job on one file.

use std::borrow::Cow;
use std::path::{Path, PathBuf};

use clap::Args;

use super::progress::Progress;
use super::report_options::ReportArguments;
use super::{Exit, Failure, input, output, text};
use crate::measure::results::Verdict;
use crate::measure::{self, Results, Told};
use crate::report::{self, ReportOptions, ReportPaths};
use crate::severity::Evidence;
use crate::space::Direction;
use crate::unit::Seconds;
use crate::volume::Volume4;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The volume, with colour Doppler velocity: DICOM Enhanced US Volume, NIfTI-1, NRRD or MetaImage; of a
    /// volume in several files all of them, or their folder
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// A later volume of the same valve: both are measured, side by side and on one scale
    #[arg(long, value_name = "AFTER")]
    compare: Option<PathBuf>,
    /// Folder for the report [default: NAME-report here, or LABEL-report; none when --json, --pdf or --sr is given]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Write results.json here; `-` prints it, and nothing else, on stdout
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    #[command(flatten)]
    known: input::Known,
    /// Anterior-posterior direction in the volume's frame of reference, for the long-axis width
    #[arg(long, value_name = "X,Y,Z", value_parser = input::along, allow_hyphen_values = true)]
    ap: Option<Direction>,
    /// Peak velocity of the regurgitant jet on continuous-wave Doppler, m/s: gives the regurgitant volume, and
    /// the effective orifice from the flow convergence
    #[arg(long, value_name = "M/S", value_parser = input::cw_peak)]
    cw_peak: Option<f64>,
    /// Velocity-time integral of the jet on continuous-wave Doppler, cm; overrules the peak
    #[arg(long, value_name = "CM", value_parser = input::cw_vti)]
    cw_vti: Option<f64>,
    /// Length of the continuous-wave envelope, ms [default: the length of systole]
    #[arg(long, value_name = "MS", value_parser = input::positive)]
    cw_duration: Option<f64>,
    /// First and last moment of systole, ms after the R wave [default: from the R-R interval and the jets]
    #[arg(long, value_name = "START,END", value_parser = input::systole, allow_hyphen_values = true)]
    systole: Option<[Seconds; 2]>,
    /// What else is known, to be graded with the volume: a TOML or JSON file (`narrows schema evidence`)
    #[arg(long, value_name = "FILE")]
    evidence: Option<PathBuf>,
    /// The table of cut points: ase-2017 (the default), esc-2025, esc-2021, eacvi-2013, acc-aha-2020, mitra-pro, or a
    /// file
    #[arg(long, value_name = "NAME|FILE")]
    criteria: Option<String>,
    #[command(flatten)]
    report: ReportArguments,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    arguments.report.refuse_in(arguments.out.as_deref(), arguments.json.as_deref())?;
    if let Some(after) = &arguments.compare {
        return compare(arguments, after);
    }
    let progress = Progress::start();
    // The short files first: a slip in them should not wait for the volume.
    let evidence = arguments.evidence.as_deref().map(input::evidence).transpose()?.unwrap_or_default();
    let criteria = arguments.criteria.as_deref().map(input::criteria).transpose()?.unwrap_or_default();
    let mut volume = input::open(&arguments.files, &arguments.known)?;
    if let Some(label) = &arguments.report.label {
        ReportArguments::relabel(&mut volume, label.clone());
    }
    if let Some(json) = arguments.json.as_deref().filter(|json| *json != Path::new("-")) {
        let criteria = arguments.criteria.as_deref().map(Path::new);
        let files = arguments.files.iter().map(PathBuf::as_path);
        for input in files.chain(arguments.evidence.as_deref()).chain(criteria) {
            output::refuse_input(input, json)?;
        }
    }
    arguments.files.iter().try_for_each(|file| arguments.report.refuse(file))?;
    let told = told(arguments);
    let options = told.options(criteria, evidence);
    let results = measure::measure(&volume, &options, progress.watch())?;
    let mut report = arguments.report.options(&arguments.files, progress.watch())?;
    report.paper.settings = told.settings();
    let files = &arguments.report;
    let folder = match &arguments.out {
        Some(folder) => Some(folder.clone()),
        None if arguments.json.is_some() || files.single_files() => None,
        None => Some(files.default_folder(&stem(&arguments.files[0]), "report")),
    };
    let written =
        folder.map(|folder| report::write_folder(&results, &volume, &folder, &report)).transpose()?;
    files.write_single(&results, &volume, &report)?;
    drop(progress);
    if let Some(json) = &arguments.json {
        output::deliver(json, &report::results_json(&results)?, &arguments.files)?;
    }
    if arguments.json.as_deref() == Some(Path::new("-")) {
        if let Some(paths) = &written {
            output::say(&format!("report: {}", paths.page.display()));
        }
    } else {
        let mut summary = text::summary(&results);
        if let Some(paths) = &written {
            summary.push_str(&text::where_the_report_is(paths));
        }
        output::print(&summary)?;
    }
    Ok(verdict(&results))
}

fn told(arguments: &Arguments) -> Told {
    Told {
        nyquist: arguments.known.nyquist(),
        baseline_shift: arguments.known.baseline(),
        anterior_posterior: arguments.ap,
        cw_peak_m_s: arguments.cw_peak,
        cw_vti_cm: arguments.cw_vti,
        cw_duration_ms: arguments.cw_duration,
        systole: arguments.systole,
    }
}

/// Measures two volumes and writes what lies between them
fn compare(arguments: &Arguments, after: &Path) -> Result<Exit, Failure> {
    let progress = Progress::start();
    let files = &arguments.report;
    for read in arguments.files.iter().map(PathBuf::as_path).chain([after]) {
        files.refuse(read)?;
        if let Some(json) = arguments.json.as_deref().filter(|json| *json != Path::new("-")) {
            output::refuse_input(read, json)?;
        }
    }
    if let Some(path) = files.structured_report() {
        return Err(Failure::usage(
            format!("a comparison has no structured report: {}", path.display()),
            "measure each volume with --sr",
        ));
    }
    let criteria = arguments.criteria.as_deref().map(input::criteria).transpose()?.unwrap_or_default();
    // What was entered belongs to one examination: it is weighed with neither.
    if let Some(path) = &arguments.evidence {
        return Err(Failure::usage(
            format!("a comparison takes no evidence: {}", path.display()),
            "measure each volume with its own --evidence",
        ));
    }
    let told = told(arguments);
    let options = told.options(criteria, Evidence::default());
    let mut volumes =
        [input::open(&arguments.files, &arguments.known)?, input::open(&[after], &arguments.known)?];
    if let Some(label) = &files.label {
        for (volume, when) in volumes.iter_mut().zip(["before", "after"]) {
            ReportArguments::relabel(volume, format!("{label}, {when}"));
        }
    }
    let before = measure::measure(&volumes[0], &options, progress.watch())?;
    let later = measure::measure(&volumes[1], &options, progress.watch())?;
    let compared = measure::compare(before, later);
    let mut report = files.options::<&Path>(&[], progress.watch())?;
    report.paper.settings = told.settings();
    let folder = match &arguments.out {
        Some(folder) => Some(folder.clone()),
        None if arguments.json.is_some() || files.single_files() => None,
        None => Some(files.default_folder(&stem(after), "comparison")),
    };
    let both = [&volumes[0], &volumes[1]];
    let written =
        folder.map(|folder| report::write_comparison(&compared, both, &folder, &report)).transpose()?;
    if let Some(path) = files.paper() {
        output::write(path, &report::comparison_pdf(&compared, both, &report)?)?;
        output::say(&format!("wrote {}", path.display()));
    }
    drop(progress);
    if let Some(json) = &arguments.json {
        output::deliver(json, &report::comparison_json(&compared)?, &arguments.files)?;
    }
    if arguments.json.as_deref() != Some(Path::new("-")) {
        let mut summary = text::comparison(&compared);
        if let Some(paths) = &written {
            summary.push_str(&text::where_the_report_is(paths));
        }
        output::print(&summary)?;
    }
    let unfit =
        [&compared.before, &compared.after].iter().any(|results| results.trust.verdict == Verdict::Unfit);
    Ok(if unfit { verdict_of(Verdict::Unfit) } else { Exit::Done })
}

/// Writes the report folder
pub(super) fn write(
    results: &Results,
    volume: &Volume4,
    folder: &Path,
    progress: &Progress,
) -> Result<ReportPaths, Failure> {
    let options = ReportOptions { watch: progress.watch().clone(), ..ReportOptions::default() };
    Ok(report::write_folder(results, volume, folder, &options)?)
}

/// The status that a measurement ends with
pub(super) fn verdict(results: &Results) -> Exit {
    verdict_of(results.trust.verdict)
}

fn verdict_of(verdict: Verdict) -> Exit {
    if verdict == Verdict::Unfit {
        output::say("warning: the acquisition is unfit for this measurement: see the findings");
        Exit::Unfit
    } else {
        Exit::Done
    }
}

fn stem(file: &Path) -> Cow<'_, str> {
    file.file_stem().map_or("volume".into(), |stem| stem.to_string_lossy())
}
