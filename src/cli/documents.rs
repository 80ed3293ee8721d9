//! JSON documents that one verb writes and another reads.

use std::fs;
use std::path::Path;

use super::Failure;

/// A JSON document of a schema; `maker` is the command that writes such
pub(super) fn document<T: serde::de::DeserializeOwned>(
    path: &Path,
    schema: &str,
    maker: &str,
) -> Result<T, Failure> {
    let text = fs::read_to_string(path).map_err(|error| cannot("read", path, &error))?;
    let head: Option<serde_json::Value> = serde_json::from_str(&text).ok();
    let named = head.as_ref().and_then(|head| head.get("schema")).and_then(|name| name.as_str());
    if named != Some(schema) {
        return Err(Failure::usage(
            format!("this is no document of the kind {schema}: {}", path.display()),
            format!("give the files that `{maker}` wrote"),
        ));
    }
    serde_json::from_str(&text).map_err(|error| {
        Failure::usage(
            format!("cannot read the document: {error}: {}", path.display()),
            "give the file as it was written",
        )
    })
}

/// The failure of something done to a file or folder
pub(super) fn cannot(action: &str, path: &Path, error: &std::io::Error) -> Failure {
    Failure::usage(
        format!("cannot {action}: {error}: {}", path.display()),
        "check the folder, your rights there and the free space",
    )
}
