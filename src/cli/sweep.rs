//! `narrows sweep`: one parameter varied, the rest held.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::progress::Progress;
use super::{Exit, Failure, input, output};
use crate::phantom::{TruthError, truth_beside};
use crate::report::study::{Look, sweep_csv, sweep_files, write_bundle};
use crate::space::Direction;
use crate::study::sweep::{self, Over, Remake, SweepError, SweepOptions};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The volume; where FILE.truth.json lies beside it, the error against the truth is given
    file: PathBuf,
    /// What is varied
    #[arg(long, value_enum)]
    over: Parameter,
    /// Values to visit, separated by commas [default: the usual ones]
    #[arg(long, value_name = "LIST", value_delimiter = ',', allow_hyphen_values = true, value_parser = input::number)]
    values: Vec<f64>,
    /// Folder for sweep.csv, sweep.json and the figure as SVG and PNG
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Draw the figure for a slide: wide, in large type
    #[arg(long)]
    wide: bool,
    /// Which jet, 1 for the largest
    #[arg(long, value_name = "NUMBER", default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..))]
    jet: u8,
    /// Do not simulate again, even where the recipe is known
    #[arg(long)]
    stored: bool,
    #[command(flatten)]
    known: input::Known,
    /// Anterior-posterior direction in the volume's frame of reference, for the long-axis width
    #[arg(long, value_name = "X,Y,Z", value_parser = input::along, allow_hyphen_values = true)]
    ap: Option<Direction>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Parameter {
    /// Angle between the plane's normal and the jet axis, degrees
    Tilt,
    /// Turn of the plane about its own normal, degrees
    Roll,
    /// Position along the jet, mm
    Level,
    /// Colour gain, as a factor on the stored
    Gain,
    /// Frame, counted from 1
    Frame,
    /// Nyquist velocity, m/s
    Nyquist,
    /// Baseline shift, m/s
    Baseline,
}

impl From<Parameter> for Over {
    fn from(parameter: Parameter) -> Self {
        match parameter {
            Parameter::Tilt => Self::Tilt,
            Parameter::Roll => Self::Roll,
            Parameter::Level => Self::Level,
            Parameter::Gain => Self::Gain,
            Parameter::Frame => Self::Frame,
            Parameter::Nyquist => Self::Nyquist,
            Parameter::Baseline => Self::Baseline,
        }
    }
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let volume = input::open(&[&arguments.file], &arguments.known)?;
    let truth = truth_beside(&arguments.file)?;
    let progress = Progress::start();
    let options = SweepOptions {
        values: arguments.values.clone(),
        jet: usize::from(arguments.jet),
        remake: if arguments.stored { Remake::Never } else { Remake::Allowed },
        anterior_posterior: arguments.ap,
    };
    let found = sweep::sweep(&volume, truth.as_ref(), arguments.over.into(), &options, progress.watch())?;
    drop(progress);
    for note in &found.notes {
        output::say(&format!("note: {note}"));
    }
    output::print(&sweep_csv(&found))?;
    if let Some(folder) = &arguments.out {
        let look = if arguments.wide { Look::Wide } else { Look::Page };
        write_bundle(sweep_files(&found, look, 1.6)?, folder)?;
        output::say(&format!("wrote {}", folder.join("sweep.svg").display()));
    }
    Ok(Exit::Done)
}

impl From<TruthError> for Failure {
    fn from(error: TruthError) -> Self {
        Self::usage(
            error.to_string(),
            "simulate the volume again, or move that file away to go without a truth",
        )
    }
}

impl From<SweepError> for Failure {
    fn from(error: SweepError) -> Self {
        match error {
            SweepError::Measure(error) => error.into(),
            SweepError::Phantom { value, source } => {
                let failure = Self::from(source);
                Self { error: format!("simulating again at {value}: {}", failure.error), ..failure }
            }
            SweepError::NoJet { .. } => {
                Self::usage(error.to_string(), "`narrows measure` shows the jets; choose one with --jet")
            }
            SweepError::Scale { .. } => Self::usage(error.to_string(), "give other --values"),
            SweepError::Volume(_) => Self::internal(error.to_string()),
        }
    }
}
