//! Which volumes a cohort is made of.

use std::collections::{HashMap, HashSet};
use std::fs;
use std::path::{Path, PathBuf};

use super::CohortError;
use crate::format::{self, Gathered};

/// A volume of the list: its name in the tables, and its files in the order of its frames
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Name in the tables
    pub name: String,
    /// Its files
    pub files: Vec<PathBuf>,
}

/// What a path stands for
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// The volumes, in order
    pub entries: Vec<Entry>,
    /// Files of other kinds, passed over
    pub others: usize,
}

/// Endings of volumes, some of which begin with a text: never taken for a list
const VOLUMES: [&str; 8] = ["dcm", "nii", "gz", "hdr", "nrrd", "nhdr", "mha", "mhd"];

/// The volumes that a folder, a list or a single file stands for, in order
///
/// # Errors
/// [`CohortError::List`], [`CohortError::Format`].
pub fn entries(source: &Path) -> Result<Listed, CohortError> {
    let refused = |error| CohortError::List { path: source.to_owned(), source: error };
    let metadata = fs::metadata(source).map_err(refused)?;
    if metadata.is_dir() {
        let found = format::search(source)?;
        let inside = |path: &Path| {
            let inside = path.strip_prefix(source).unwrap_or(path);
            let parts: Vec<_> = inside.components().map(|c| c.as_os_str().to_string_lossy()).collect();
            parts.join("/")
        };
        let mut entries = grouped(found.files.into_iter().map(|path| (inside(&path), path)));
        entries.sort_by(|a, b| a.name.cmp(&b.name));
        return Ok(Listed { entries, others: found.others });
    }
    let ending = source.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    let text = if VOLUMES.contains(&ending.as_str()) { None } else { list_text(source).map_err(refused)? };
    let Some(text) = text else {
        let one = Entry { name: format::name(&[source.to_owned()]), files: vec![source.to_owned()] };
        return Ok(Listed { entries: vec![one], others: 0 });
    };
    let folder = source.parent().unwrap_or(Path::new(""));
    let mut seen = HashSet::new();
    let lines = text.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with('#'));
    let listed = lines
        .filter(|line| seen.insert((*line).to_owned()))
        // A path is meant from where the list lies, so that list and volumes can move together.
        .map(|line| (line.to_owned(), folder.join(line)));
    Ok(Listed { entries: grouped(listed), others: 0 })
}

/// The volumes of several paths: files that are named are grouped by volume, a folder or a list stands for its own
///
/// # Errors
/// As [`entries`].
pub fn all_entries(sources: &[PathBuf]) -> Result<Listed, CohortError> {
    if let [source] = sources {
        return entries(source);
    }
    let is_list = |path: &&PathBuf| path.is_dir() || path.extension().is_some_and(|ending| ending == "txt");
    let (lists, files): (Vec<_>, Vec<_>) = sources.iter().partition(is_list);
    let mut all = Listed { entries: Vec::new(), others: 0 };
    for list in lists {
        let listed = entries(list)?;
        all.others += listed.others;
        all.entries.extend(listed.entries);
    }
    all.entries.extend(grouped(files.into_iter().map(|path| (path.display().to_string(), path.clone()))));
    Ok(all)
}

/// Files with their names as volumes, the parts of one brought together
pub fn grouped(files: impl Iterator<Item = (String, PathBuf)>) -> Vec<Entry> {
    let files: Vec<(String, PathBuf)> = files.collect();
    let names: HashMap<&Path, &str> =
        files.iter().map(|(name, path)| (path.as_path(), name.as_str())).collect();
    let volumes = format::group(files.iter().map(|(_, path)| path.clone()));
    let entry = |volume: Gathered| {
        let first = volume.files.first().and_then(|path| names.get(path.as_path())).copied();
        Entry { name: format::counted(first.unwrap_or_default(), volume.files.len()), files: volume.files }
    };
    volumes.into_iter().map(entry).collect()
}

/// The text of a list; `None` where the file is a volume or another kind of binary
fn list_text(path: &Path) -> std::io::Result<Option<String>> {
    use std::io::Read as _;
    let mut start = vec![0; 1024];
    let mut file = fs::File::open(path)?;
    let read = file.read(&mut start)?;
    start.truncate(read);
    if start.contains(&0) {
        return Ok(None);
    }
    Ok(fs::read(path).ok().and_then(|bytes| String::from_utf8(bytes).ok()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_a_list_and_a_file_are_told_apart() {
        let temp = tempfile::tempdir().unwrap();
        let at = |name: &str| temp.path().join(name);
        fs::create_dir(at("deep")).unwrap();
        for name in ["b.dcm", "deep/a.dcm", "readme.md", ".hidden.dcm", "plain"] {
            fs::write(at(name), b"\0volume").unwrap();
        }
        let names =
            |source: &Path| entries(source).unwrap().entries.into_iter().map(|e| e.name).collect::<Vec<_>>();
        assert_eq!(names(temp.path()), ["b.dcm", "deep/a.dcm", "plain"]);
        fs::write(at("list.txt"), "# ours\nplain\n\n deep/a.dcm \nplain\nmissing.dcm\n").unwrap();
        assert_eq!(names(&at("list.txt")), ["plain", "deep/a.dcm", "missing.dcm"]);
        assert_eq!(entries(&at("list.txt")).unwrap().entries[0].files, [at("plain")]);
        assert_eq!(names(&at("b.dcm")), ["b.dcm"]);
        let several = all_entries(&[at("b.dcm"), at("list.txt"), at("plain")]).unwrap().entries;
        let listed = ["plain", "deep/a.dcm", "missing.dcm"].map(str::to_owned);
        assert_eq!(several.iter().map(|e| e.name.clone()).take(3).collect::<Vec<_>>(), listed);
        assert_eq!(several.len(), 5);
        fs::write(at("text.dcm"), "no volume").unwrap();
        assert_eq!(names(&at("text.dcm")), ["text.dcm"]);
        assert!(entries(&at("nowhere")).is_err());
    }
}
