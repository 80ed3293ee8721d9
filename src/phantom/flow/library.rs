//! The solved flows of the repository, by name.

use std::path::{Path, PathBuf};

use super::{FlowError, SolvedFlow};

const FOLDER: &str = "sample-volumes/flows";

/// The library's folder: in the repository this was built from, or around the program, or here
fn folder() -> Option<PathBuf> {
    let program = std::env::current_exe().ok();
    let around = program.iter().flat_map(|path| path.ancestors().skip(1).map(Path::to_owned));
    std::iter::once(PathBuf::from(env!("CARGO_MANIFEST_DIR")))
        .chain(around)
        .chain(std::iter::once(PathBuf::from(".")))
        .map(|place| place.join(FOLDER))
        .find(|path| path.is_dir())
}

/// The names of the flows in the library, sorted
pub fn flow_names() -> Vec<String> {
    let Some(entries) = folder().and_then(|folder| std::fs::read_dir(folder).ok()) else { return Vec::new() };
    let mut names: Vec<String> = entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|end| end == "flow"))
        .filter_map(|path| Some(path.file_stem()?.to_str()?.to_owned()))
        .collect();
    names.sort();
    names
}

/// A flow of the library
///
/// # Errors
/// [`FlowError`] where there is none of this name, or it cannot be read.
pub fn library_flow(name: &str) -> Result<SolvedFlow, FlowError> {
    let plain = name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
    let path = folder()
        .filter(|_| plain)
        .map(|folder| folder.join(format!("{name}.flow")))
        .filter(|path| path.is_file())
        .ok_or_else(|| FlowError::Unknown(name.to_owned()))?;
    let bytes = std::fs::read(&path)
        .map_err(|source| FlowError::File { source, path: path.display().to_string() })?;
    SolvedFlow::read(&bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_that_is_not_there_or_is_a_path_is_told() {
        for name in ["no-such-flow", "../flows/round", "", "a/b"] {
            assert!(matches!(library_flow(name), Err(FlowError::Unknown(_))), "{name}");
        }
    }
}
