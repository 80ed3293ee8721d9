//! Several files that belong together, put into a folder: all of them, or an error and none changed.

use std::path::{Path, PathBuf};

use crate::job::Watch;
use crate::report::ReportError;
use crate::report::switch;

/// Files for one folder
pub struct Bundle {
    /// Names, which may hold one folder, and bytes; the one a reader opens first stands last
    pub files: Vec<(String, Vec<u8>)>,
    /// Whose the folder is
    pub home: Home,
}

/// Whose a folder is
pub enum Home {
    /// The bundle's alone: it is put in place in whole
    Own,
    /// Others lie there too: files are replaced one by one; a list of this stem says which are ours
    Shared(String),
}

/// Writes a bundle into a folder; what lies there under other names stays
///
/// # Errors
/// [`ReportError::Foreign`] where a file under our name is not ours, [`ReportError::Shared`],
/// [`ReportError::Io`].
pub fn write_bundle(bundle: Bundle, folder: &Path) -> Result<Vec<PathBuf>, ReportError> {
    let written: Vec<PathBuf> = bundle.files.iter().map(|(name, _)| folder.join(name)).collect();
    match bundle.home {
        Home::Own => {
            let main = bundle.files.last().map(|(name, _)| name.clone()).unwrap_or_default();
            switch::put(bundle.files, folder, &main, &Watch::silent())?;
        }
        Home::Shared(stem) => switch::put_among(&bundle.files, folder, &stem)?,
    }
    Ok(written)
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn our_folder_is_renewed_and_a_foreign_one_left_alone() {
        let bundle = |text: &str, own: bool| {
            let files =
                vec![("a.svg".into(), b"<svg/>".to_vec()), ("a.json".into(), text.as_bytes().to_vec())];
            Bundle { files, home: if own { Home::Own } else { Home::Shared("a".into()) } }
        };
        for own in [true, false] {
            let temp = tempfile::tempdir().unwrap();
            let folder = temp.path().join("out/deep");
            write_bundle(bundle("old", own), &folder).unwrap();
            fs::write(folder.join("mine.txt"), "mine").unwrap();
            write_bundle(bundle("new", own), &folder).unwrap();
            assert_eq!(fs::read_to_string(folder.join("a.json")).unwrap(), "new");
            // Both, mine, and the list.
            assert_eq!(fs::read_dir(&folder).unwrap().count(), 4);
            // Whatever it says of itself, and whichever of them it is.
            for (name, text) in [("a.json", "{\"schema\": \"narrows/x/1\"}"), ("a.svg", "<svg>mine</svg>")] {
                let before = fs::read(folder.join(name)).unwrap();
                fs::write(folder.join(name), text).unwrap();
                assert!(matches!(write_bundle(bundle("newer", own), &folder), Err(ReportError::Foreign(_))));
                assert_eq!(fs::read_to_string(folder.join(name)).unwrap(), text);
                fs::write(folder.join(name), before).unwrap();
            }
            assert!(write_bundle(bundle("new", own), &folder.join("mine.txt")).is_err());
            write_bundle(bundle("newest", own), &folder).unwrap();
        }
    }
}
