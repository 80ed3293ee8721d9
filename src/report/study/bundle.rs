//! Several files that belong together, put into a folder: all of them, or an error and none changed.

use std::fs;
use std::path::{Path, PathBuf};

use crate::report::ReportError;
use crate::report::folder::{File, aside_folder, at};

/// Files for one folder
pub struct Bundle {
    /// Names, which may hold one folder, and bytes; the one a reader opens first stands last
    pub files: Vec<(String, Vec<u8>)>,
    /// A file that shows whose folder it is, and what its start must contain to be ours
    pub mark: (String, &'static str),
}

/// Writes a bundle into a folder; what lies there under other names stays
///
/// # Errors
/// [`ReportError::Foreign`] where a file under our name is not ours, [`ReportError::Io`].
pub fn write_bundle(bundle: &Bundle, folder: &Path) -> Result<Vec<PathBuf>, ReportError> {
    let (name, mark) = &bundle.mark;
    if folder.exists() && !folder.is_dir() {
        return Err(ReportError::Foreign(folder.to_owned()));
    }
    let ours = fs::read(folder.join(name))
        .ok()
        .is_some_and(|bytes| String::from_utf8_lossy(&bytes[..bytes.len().min(4096)]).contains(mark));
    if !ours && let Some(foreign) = bundle.files.iter().map(|file| folder.join(&file.0)).find(|p| p.exists())
    {
        return Err(ReportError::Foreign(foreign));
    }
    fs::create_dir_all(folder).map_err(at("making the folder", folder))?;
    // Written inside the folder and then renamed, so that a full disk leaves the old files whole.
    let aside = aside_folder(folder).map_err(at("making a folder in", folder))?;
    write_all(aside.path(), &bundle.files)?;
    let mut written = Vec::new();
    for (name, _) in &bundle.files {
        let to = folder.join(name);
        if let Some(inside) = to.parent() {
            fs::create_dir_all(inside).map_err(at("making the folder", inside))?;
        }
        fs::rename(aside.path().join(name), &to).map_err(at("replacing", &to))?;
        written.push(to);
    }
    Ok(written)
}

fn write_all(folder: &Path, files: &[File]) -> Result<(), ReportError> {
    for (name, bytes) in files {
        let path = folder.join(name);
        if let Some(inside) = path.parent() {
            fs::create_dir_all(inside).map_err(at("making the folder", inside))?;
        }
        fs::write(&path, bytes).map_err(at("writing", &path))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bundle(text: &str) -> Bundle {
        let files = vec![
            ("figures/a.svg".to_owned(), b"<svg/>".to_vec()),
            ("doc.json".to_owned(), text.as_bytes().to_vec()),
        ];
        Bundle { files, mark: ("doc.json".into(), "narrows/x/1") }
    }

    #[test]
    fn our_folder_is_renewed_and_a_foreign_one_left_alone() {
        let temp = tempfile::tempdir().unwrap();
        let folder = temp.path().join("out/deep");
        write_bundle(&bundle("narrows/x/1 old"), &folder).unwrap();
        fs::write(folder.join("mine.txt"), "mine").unwrap();
        write_bundle(&bundle("narrows/x/1 new"), &folder).unwrap();
        assert_eq!(fs::read_to_string(folder.join("doc.json")).unwrap(), "narrows/x/1 new");
        assert_eq!(fs::read_dir(&folder).unwrap().count(), 3);
        fs::write(folder.join("doc.json"), "somebody's").unwrap();
        assert!(matches!(write_bundle(&bundle("narrows/x/1"), &folder), Err(ReportError::Foreign(_))));
        assert_eq!(fs::read_to_string(folder.join("doc.json")).unwrap(), "somebody's");
        assert!(write_bundle(&bundle("narrows/x/1"), &folder.join("mine.txt")).is_err());
    }
}
