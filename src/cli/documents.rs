//! JSON documents that one verb writes and another reads.

use std::fs;
use std::path::Path;

use super::Failure;
use crate::study::document::{self, DocumentError};

/// A JSON document of a schema; `maker` is the command that writes such
pub(super) fn document<T: serde::de::DeserializeOwned>(
    path: &Path,
    schema: &str,
    maker: &str,
) -> Result<T, Failure> {
    let text = fs::read_to_string(path).map_err(|error| cannot("read", path, &error))?;
    document::parse(&text, schema).map_err(|error| {
        let hint = match error {
            DocumentError::Kind(_) => format!("give the files that `{maker}` wrote"),
            DocumentError::Damaged(_) => "give the file as it was written".to_owned(),
        };
        Failure::usage(format!("{error}: {}", path.display()), hint)
    })
}

/// The failure of something done to a file or folder
pub(super) fn cannot(action: &str, path: &Path, error: &std::io::Error) -> Failure {
    Failure::usage(
        format!("cannot {action}: {error}: {}", path.display()),
        "check the folder, your rights there and the free space",
    )
}
