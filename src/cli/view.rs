//! `narrows view`: the viewer, on a volume, on a review, or on its start screen.

use std::path::PathBuf;

use super::{Exit, Failure, input};
use crate::format::OpenOptions;

/// What can be typed after `view`
#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// A volume or a NAME.review.json; of a volume in several files all of them, or their folder; of several volumes the
    /// viewer asks which; without it the viewer offers the sample volumes
    files: Vec<PathBuf>,
    /// Hide what the program finds until you have read; the review keeps it
    #[arg(long)]
    blind: bool,
    #[command(flatten)]
    known: input::Known,
}

/// Opens the viewer and stays until it is closed
pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let Arguments { files, blind, known } = arguments;
    if let Some(file) = files.iter().find(|file| !file.exists()) {
        let error = format!("there is no such file: {}", file.display());
        return Err(Failure::usage(error, "check the name and the folder"));
    }
    if files.is_empty() && known.is_given() {
        let error = "--nyquist, --baseline and --velocity-bar tell of one file, and none was named";
        return Err(Failure::usage(error, "name the volume: `narrows view FILE --nyquist M/S`"));
    }
    let opening = if *blind { Opening::Blind } else { Opening::Open };
    open(files.clone(), known.options()?, opening)?;
    Ok(Exit::Done)
}

/// Whether what the program finds is shown from the start
#[cfg(not(feature = "gui"))]
pub(super) enum Opening {
    /// It is
    Open,
    /// It stays hidden until the reader has read
    Blind,
}

#[cfg(feature = "gui")]
pub(super) use crate::app::Opening;

/// Opens the viewer; the failure says what is missing
#[cfg(feature = "gui")]
pub(super) fn open(files: Vec<PathBuf>, known: OpenOptions, opening: Opening) -> Result<(), Failure> {
    crate::app::run(files, known, opening).map_err(|error| Failure::usage(error.to_string(), error.hint()))
}

/// Opens the viewer; the failure says what is missing
#[cfg(not(feature = "gui"))]
pub(super) fn open(_: Vec<PathBuf>, _: OpenOptions, _: Opening) -> Result<(), Failure> {
    Err(Failure::usage("this program was built without the viewer", "build it with its default features"))
}
