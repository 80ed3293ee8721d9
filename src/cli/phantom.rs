//! `narrows phantom`: a simulated acquisition with known truth.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use clap::Args;

use super::convert::Storage;
use super::progress::Progress;
use super::{Exit, Failure, output};
use crate::format;
use crate::format::dicom::WriteOptions;
use crate::phantom::{self, Recipe};

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The recipe, a TOML file; an empty one is a round orifice
    recipe: PathBuf,
    /// The volume to write, its name says the format as in `convert`; the truth goes to FILE.truth.json
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// How pixels are stored
    #[arg(long, value_enum, default_value_t)]
    syntax: Storage,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let Arguments { recipe: from, output: to, syntax } = arguments;
    let options = WriteOptions { syntax: (*syntax).into(), ..WriteOptions::default() };
    for file in format::files_written(to, &options)? {
        output::refuse_input(from, &file)?;
    }
    let beside = truth_path(to);
    output::refuse_input(from, &beside)?;
    let text = std::fs::read_to_string(from).map_err(|error| {
        Failure::usage(
            format!("cannot read the recipe: {error}: {}", from.display()),
            "give a recipe in TOML, as text",
        )
    })?;
    let recipe = Recipe::from_toml(&text)?;
    let progress = Progress::start();
    let (volume, truth) = phantom::simulate(&recipe, progress.watch())?;
    let mut text = serde_json::to_string_pretty(&truth)?;
    text.push('\n');
    let ready = output::prepare(&beside, text.as_bytes())?;
    format::save(&volume, to, &options)?;
    ready.put()?;
    drop(progress);
    output::say(&format!("wrote {} and {}", to.display(), beside.display()));
    Ok(Exit::Done)
}

/// `FILE.truth.json`
fn truth_path(volume: &Path) -> PathBuf {
    let mut name = OsString::from(volume);
    name.push(".truth.json");
    PathBuf::from(name)
}
