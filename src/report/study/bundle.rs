//! Several files that belong together, put into a folder: all of them, or an error and none changed.

use std::fs;
use std::path::{Path, PathBuf};

use crate::format::atomic;
use crate::job::Watch;
use crate::report::ReportError;
use crate::report::folder::at;
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
    /// Others lie there too: files are replaced one by one
    Shared {
        /// A file that shows whose the names are, and what its start must contain to be ours
        mark: (String, &'static str),
    },
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
        Home::Shared { mark } => one_by_one(&bundle.files, &mark, folder)?,
    }
    Ok(written)
}

fn one_by_one(
    files: &[(String, Vec<u8>)],
    (name, mark): &(String, &'static str),
    folder: &Path,
) -> Result<(), ReportError> {
    if folder.exists() && !folder.is_dir() {
        return Err(ReportError::Foreign(folder.to_owned()));
    }
    let ours = fs::read(folder.join(name))
        .ok()
        .is_some_and(|bytes| String::from_utf8_lossy(&bytes[..bytes.len().min(4096)]).contains(mark));
    if !ours && let Some(foreign) = files.iter().map(|file| folder.join(&file.0)).find(|p| p.exists()) {
        return Err(ReportError::Foreign(foreign));
    }
    fs::create_dir_all(folder).map_err(at("making the folder", folder))?;
    // All are on the disk before the first is replaced, so that a full disk leaves the old files whole.
    let ready = files
        .iter()
        .map(|(name, bytes)| {
            let path = folder.join(name);
            atomic::prepare(&path, |out| out.write_all(bytes)).map_err(at("writing", &path))
        })
        .collect::<Result<Vec<_>, _>>()?;
    ready.into_iter().try_for_each(|file| file.put().map_err(at("replacing in", folder)))
}

#[cfg(test)]
mod tests {
    use super::*;

    const MARK: &str = "narrows/x/1";

    fn bundle(text: &str, home: Home) -> Bundle {
        let files =
            vec![("a.svg".to_owned(), b"<svg/>".to_vec()), ("doc.json".to_owned(), text.as_bytes().to_vec())];
        Bundle { files, home }
    }

    #[test]
    fn our_folder_is_renewed_and_a_foreign_one_left_alone() {
        let shared = || Home::Shared { mark: ("doc.json".into(), MARK) };
        for (own, count) in [(true, 4), (false, 3)] {
            let home = || if own { Home::Own } else { shared() };
            let temp = tempfile::tempdir().unwrap();
            let folder = temp.path().join("out/deep");
            write_bundle(bundle("narrows/x/1 old", home()), &folder).unwrap();
            fs::write(folder.join("mine.txt"), "mine").unwrap();
            write_bundle(bundle("narrows/x/1 new", home()), &folder).unwrap();
            assert_eq!(fs::read_to_string(folder.join("doc.json")).unwrap(), "narrows/x/1 new");
            assert_eq!(fs::read_dir(&folder).unwrap().count(), count);
            fs::write(folder.join("doc.json"), "somebody's").unwrap();
            assert!(matches!(write_bundle(bundle(MARK, home()), &folder), Err(ReportError::Foreign(_))));
            assert_eq!(fs::read_to_string(folder.join("doc.json")).unwrap(), "somebody's");
            assert!(write_bundle(bundle(MARK, home()), &folder.join("mine.txt")).is_err());
        }
    }
}
