//! `narrows measure`: the whole job on one file.

use std::path::{Path, PathBuf};

use clap::Args;

use super::progress::Progress;
use super::{Exit, Failure, input, output, text};
use crate::beat::ContinuousWave;
use crate::measure::results::Verdict;
use crate::measure::{self, Options, Results};
use crate::report::{self, ReportOptions, ReportPaths};
use crate::severity::Item;
use crate::space::Direction;
use crate::unit::{MetresPerSecond, Seconds};
use crate::volume::Volume4;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The volume, with colour Doppler velocity: DICOM Enhanced US Volume, NIfTI-1, NRRD or MetaImage
    file: PathBuf,
    /// Folder for the report [default: NAME-report here; none when --json is given]
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
    #[arg(long, value_name = "M/S", value_parser = input::positive)]
    cw_peak: Option<f64>,
    /// Velocity-time integral of the jet on continuous-wave Doppler, cm; overrules the peak
    #[arg(long, value_name = "CM", value_parser = input::positive)]
    cw_vti: Option<f64>,
    /// Length of the continuous-wave envelope, ms [default: the length of systole]
    #[arg(long, value_name = "MS", value_parser = input::positive)]
    cw_duration: Option<f64>,
    /// First and last moment of systole, ms after the R wave [default: from the R-R interval and the jets]
    #[arg(long, value_name = "START,END", value_parser = input::systole, allow_hyphen_values = true)]
    systole: Option<[Seconds; 2]>,
    /// What else is known, to be weighed with the volume: a TOML or JSON file (`narrows schema evidence`)
    #[arg(long, value_name = "FILE")]
    evidence: Option<PathBuf>,
    /// What it is weighed against: ase-2017 (the default), esc-2021, eacvi-2013, acc-aha-2020, or a file
    #[arg(long, value_name = "NAME|FILE")]
    criteria: Option<String>,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let progress = Progress::start();
    // The short files first: a slip in them should not wait for the volume.
    let evidence = arguments.evidence.as_deref().map(input::evidence).transpose()?.unwrap_or_default();
    let criteria = arguments.criteria.as_deref().map(input::criteria).transpose()?.unwrap_or_default();
    let volume = input::open(&arguments.file, &arguments.known)?;
    if let Some(json) = arguments.json.as_deref().filter(|json| *json != Path::new("-")) {
        let criteria = arguments.criteria.as_deref().map(Path::new);
        for input in
            std::iter::once(arguments.file.as_path()).chain(arguments.evidence.as_deref()).chain(criteria)
        {
            output::refuse_input(input, json)?;
        }
    }
    let entered = |item: Item| evidence.number(item).map(|number| number.value);
    let options = Options {
        anterior_posterior: arguments.ap,
        continuous_wave: ContinuousWave {
            peak: arguments.cw_peak.or(entered(Item::CwPeakMS)).map(MetresPerSecond::new),
            vti_m: arguments.cw_vti.or(entered(Item::CwVtiCm)).map(|cm| cm / 100.0),
            duration: arguments.cw_duration.map(|ms| Seconds::new(ms / 1000.0)),
        },
        systole: arguments.systole,
        criteria,
        evidence,
        ..Options::default()
    };
    let results = measure::measure(&volume, &options, progress.watch())?;
    let folder = match (&arguments.out, &arguments.json) {
        (Some(folder), _) => Some(folder.clone()),
        (None, Some(_)) => None,
        (None, None) => Some(default_folder(&arguments.file)),
    };
    let written = folder.map(|folder| write(&results, &volume, &folder, &progress)).transpose()?;
    drop(progress);
    if let Some(json) = &arguments.json {
        output::deliver(json, &report::results_json(&results)?, &arguments.file)?;
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
    if results.trust.verdict == Verdict::Unfit {
        output::say("warning: the acquisition is unfit for this measurement: see the findings");
        Exit::Unfit
    } else {
        Exit::Done
    }
}

fn default_folder(file: &Path) -> PathBuf {
    let stem = file.file_stem().map_or_else(|| "volume".into(), |stem| stem.to_string_lossy());
    PathBuf::from(format!("{stem}-report"))
}
