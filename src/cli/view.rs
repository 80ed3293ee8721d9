//! `narrows view`: the viewer, on a volume, on a review, or on its start screen.

use std::path::PathBuf;

use super::{Exit, Failure};

/// What can be typed after `view`
#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// A volume or a NAME.review.json; without it the viewer offers the sample volumes
    file: Option<PathBuf>,
}

/// Opens the viewer and stays until it is closed
pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    if let Some(file) = arguments.file.as_ref().filter(|file| !file.exists()) {
        let error = format!("there is no such file: {}", file.display());
        return Err(Failure::usage(error, "check the name and the folder"));
    }
    open(arguments.file.clone())?;
    Ok(Exit::Done)
}

/// Opens the viewer; the failure says what is missing
#[cfg(feature = "gui")]
pub(super) fn open(file: Option<PathBuf>) -> Result<(), Failure> {
    crate::app::run(file).map_err(|error| Failure::usage(error.to_string(), error.hint()))
}

/// Opens the viewer; the failure says what is missing
#[cfg(not(feature = "gui"))]
pub(super) fn open(_: Option<PathBuf>) -> Result<(), Failure> {
    Err(Failure::usage("this program was built without the viewer", "build it with its default features"))
}
