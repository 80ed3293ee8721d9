//! How a review's file is named.

use std::path::{Path, PathBuf};

/// How the name of a review ends
const ENDING: &str = ".review.json";

/// The name of a review beside its volume
pub(super) fn beside(volume: &Path) -> String {
    let stem = volume.file_stem().map(|stem| stem.to_string_lossy().into_owned());
    format!("{}{ENDING}", stem.unwrap_or_else(|| "volume".into()))
}

/// A name beside the volume that is not taken
pub(super) fn free(volume: &Path) -> PathBuf {
    let name = beside(volume);
    let first = volume.with_file_name(&name);
    if !first.exists() {
        return first;
    }
    let stem = name.trim_end_matches(ENDING).to_owned();
    (2u32..10_000)
        .map(|number| volume.with_file_name(format!("{stem}-{number}{ENDING}")))
        .find(|path| !path.exists())
        .unwrap_or(first)
}

/// Whether a path is that of a review
pub(super) fn is_review(path: &Path) -> bool {
    path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("json"))
}

/// A name that was chosen for a review, with the ending by which it is known as one
pub(super) fn ended(path: &Path) -> PathBuf {
    if is_review(path) {
        return path.to_owned();
    }
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(ENDING);
    path.with_file_name(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_free_and_ends_as_a_review() {
        let folder = tempfile::tempdir().unwrap();
        let volume = folder.path().join("a.b.dcm");
        assert_eq!(free(&volume), folder.path().join("a.b.review.json"));
        std::fs::write(free(&volume), "").unwrap();
        assert_eq!(free(&volume), folder.path().join("a.b-2.review.json"));
        assert_eq!(ended(Path::new("x/second look")), Path::new("x/second look.review.json"));
        for kept in ["x/y.review.json", "x/y.JSON"] {
            assert_eq!(ended(Path::new(kept)), Path::new(kept));
        }
    }
}
