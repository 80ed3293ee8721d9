//! The solved flows of the repository, by name.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use super::{FlowError, FlowHeader, FlowUse, SolvedFlow};

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

/// The headers of the library's flows for one use, sorted by name
///
/// # Errors
/// [`FlowError`] where a flow of the library cannot be read, or none is for this use.
pub fn flows_for(purpose: FlowUse) -> Result<Vec<&'static FlowHeader>, FlowError> {
    static HEADERS: OnceLock<Vec<FlowHeader>> = OnceLock::new();
    let headers = if let Some(headers) = HEADERS.get() {
        headers
    } else {
        let read = |name: &String| FlowHeader::read(&bytes(name)?);
        let all = flow_names().iter().map(read).collect::<Result<_, _>>()?;
        HEADERS.get_or_init(|| all)
    };
    let some: Vec<_> = headers.iter().filter(|header| header.purpose == purpose).collect();
    if some.is_empty() { Err(FlowError::Missing(purpose)) } else { Ok(some) }
}

/// A flow of the library
///
/// # Errors
/// [`FlowError`] where there is none of this name, or it cannot be read.
pub fn library_flow(name: &str) -> Result<SolvedFlow, FlowError> {
    SolvedFlow::read(&bytes(name)?)
}

/// A flow of the library that is for the asked use; no other is handed out
///
/// # Errors
/// [`FlowError`], of which [`FlowError::Use`] where it is for the other use.
pub fn library_flow_for(name: &str, asked: FlowUse) -> Result<SolvedFlow, FlowError> {
    let flow = library_flow(name)?;
    let purpose = flow.header.purpose;
    if purpose == asked {
        return Ok(flow);
    }
    Err(FlowError::Use { name: name.to_owned(), purpose, asked })
}

fn bytes(name: &str) -> Result<Vec<u8>, FlowError> {
    let plain = name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
    let path = folder()
        .filter(|_| plain)
        .map(|folder| folder.join(format!("{name}.flow")))
        .filter(|path| path.is_file())
        .ok_or_else(|| FlowError::Unknown(name.to_owned()))?;
    std::fs::read(&path).map_err(|source| FlowError::File { source, path: path.display().to_string() })
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
