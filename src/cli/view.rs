//! `narrows view`: the viewer, on a volume, on a review, or on its start screen.

use std::path::PathBuf;

use super::{Exit, Failure, input};
use crate::format::OpenOptions;

/// What can be typed after `view`
#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// A volume or a NAME.review.json; without it the viewer offers the sample volumes
    file: Option<PathBuf>,
    #[command(flatten)]
    known: input::Known,
}

/// Opens the viewer and stays until it is closed
pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    if let Some(file) = arguments.file.as_ref().filter(|file| !file.exists()) {
        let error = format!("there is no such file: {}", file.display());
        return Err(Failure::usage(error, "check the name and the folder"));
    }
    if arguments.file.is_none() && arguments.known.is_given() {
        let error = "--nyquist and --velocity-bar tell of one file, and none was named";
        return Err(Failure::usage(error, "name the volume: `narrows view FILE --nyquist M/S`"));
    }
    open(arguments.file.clone(), arguments.known.options()?)?;
    Ok(Exit::Done)
}

/// Opens the viewer; the failure says what is missing
#[cfg(feature = "gui")]
pub(super) fn open(file: Option<PathBuf>, known: OpenOptions) -> Result<(), Failure> {
    crate::app::run(file, known).map_err(|error| Failure::usage(error.to_string(), error.hint()))
}

/// Opens the viewer; the failure says what is missing
#[cfg(not(feature = "gui"))]
pub(super) fn open(_: Option<PathBuf>, _: OpenOptions) -> Result<(), Failure> {
    Err(Failure::usage("this program was built without the viewer", "build it with its default features"))
}
