//! The truth of a simulated volume, from the file beside it.

use std::ffi::OsString;
use std::io;
use std::path::{Path, PathBuf};

use super::Truth;

/// Why a truth could not be read
#[derive(Debug, thiserror::Error)]
pub enum TruthError {
    /// The file is there and cannot be read
    #[error("cannot read the truth: {source}: {}", path.display())]
    Read {
        /// What the system said
        source: io::Error,
        /// The file
        path: PathBuf,
    },
    /// It is not a truth
    #[error("cannot read the truth: {source}: {}", path.display())]
    Damaged {
        /// What is wrong with it
        source: serde_json::Error,
        /// The file
        path: PathBuf,
    },
}

/// The truth in `FILE.truth.json`; `None` where there is no such file
///
/// # Errors
/// [`TruthError`] where the file is there and cannot be read as a truth.
pub fn truth_beside(volume: &Path) -> Result<Option<Truth>, TruthError> {
    let mut name = OsString::from(volume);
    name.push(".truth.json");
    let path = PathBuf::from(name);
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(source) if source.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(source) => return Err(TruthError::Read { source, path }),
    };
    serde_json::from_str(&text).map(Some).map_err(|source| TruthError::Damaged { source, path })
}
