//! Which files make which volume: a folder searched, the parts of a concatenation brought together.
//!
//! A volume is mostly one file. A DICOM object may be cut into several ([`super::dicom`] calls them
//! parts); they are known by the Concatenation UID that they share, else by their series, wherever they lie and
//! whatever they are called. Only the first elements of a file are looked at here.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use super::array::Format;
use super::{FormatError, Parts, dicom, map};

/// The files of one volume
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Gathered {
    /// The files, in the order of the volume's frames
    pub files: Vec<PathBuf>,
    /// Series Instance UID; empty in formats other than DICOM
    pub series: String,
    /// Series Description, else its number; empty where the file says neither
    pub series_name: String,
    /// Whether the content is that of a volume
    pub looks: Looks,
}

/// What the first bytes of a file say
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Looks {
    /// An Enhanced US Volume, or one of the open formats
    LikeAVolume,
    /// Anything else, or unreadable
    Otherwise,
}

/// What a folder holds, to its bottom
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Searched {
    /// Files that may be volumes, by name
    pub files: Vec<PathBuf>,
    /// How many files of other kinds there are, by their endings
    pub others: usize,
}

/// Endings of files that lie among volumes and are none
const OTHERS: [&str; 24] = [
    "raw", "zraw", "json", "toml", "md", "txt", "list", "csv", "tsv", "xlsx", "parquet", "journal", "html",
    "htm", "png", "svg", "jpg", "jpeg", "pdf", "xml", "yaml", "yml", "log", "tmp",
];

/// The files in a folder that may be volumes; hidden files, and links to folders, are passed over
///
/// # Errors
/// [`FormatError::Read`] where a folder cannot be listed.
pub fn search(folder: &Path) -> Result<Searched, FormatError> {
    let mut found = Searched::default();
    descend(folder, &mut found).map_err(|source| FormatError::Read { path: folder.to_owned(), source })?;
    found.files.sort();
    Ok(found)
}

fn descend(folder: &Path, found: &mut Searched) -> std::io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let path = entry.path();
        if entry.file_name().to_string_lossy().starts_with('.') {
            continue;
        }
        // A link to a folder is not followed: it may lead in circles.
        if entry.file_type()?.is_dir() {
            descend(&path, found)?;
        } else if std::fs::metadata(&path).map_or(true, |m| m.is_file()) {
            let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
            if OTHERS.contains(&ending.as_str()) {
                found.others += 1;
            } else {
                found.files.push(path);
            }
        }
    }
    Ok(())
}

/// Brings the parts of volumes together; the rest stays as it is, each file by itself
///
/// A volume stands where its first part, in the order given, stood.
pub fn group(files: impl IntoIterator<Item = PathBuf>) -> Vec<Gathered> {
    let mut volumes: Vec<(Gathered, Vec<u32>)> = Vec::new();
    let mut known: HashMap<String, usize> = HashMap::new();
    for path in files {
        let (looks, peek) = look(&path);
        let (series, series_name, part) =
            peek.map(|peek| (peek.series, peek.series_name, peek.part)).unwrap_or_default();
        let number = part.as_ref().map_or(1, |part| part.number);
        // Parts without a name of their own are those of one series, if they are of one volume.
        let name = part.map(|part| if part.uid.is_empty() { series.clone() } else { part.uid });
        if let Some(at) = name.as_ref().and_then(|name| known.get(name)) {
            let (volume, numbers) = &mut volumes[*at];
            let place = numbers.partition_point(|other| *other <= number);
            numbers.insert(place, number);
            volume.files.insert(place, path);
            continue;
        }
        if let Some(name) = name {
            known.insert(name, volumes.len());
        }
        volumes.push((Gathered { files: vec![path], series, series_name, looks }, vec![number]));
    }
    volumes.into_iter().map(|(volume, _)| volume).collect()
}

fn look(path: &Path) -> (Looks, Option<dicom::Peek>) {
    let Ok(bytes) = map::map(path) else { return (Looks::Otherwise, None) };
    let all = (*bytes).as_ref();
    if dicom::is_dicom(all) {
        let peek = dicom::peek(all);
        let volume = peek.as_ref().is_some_and(dicom::Peek::is_volume);
        return (if volume { Looks::LikeAVolume } else { Looks::Otherwise }, peek.filter(|_| volume));
    }
    (if Format::of(all).is_some() { Looks::LikeAVolume } else { Looks::Otherwise }, None)
}

/// The files of the one volume that these paths, files or folders, stand for
///
/// # Errors
/// [`FormatError::NoVolume`], [`FormatError::Several`], [`FormatError::Read`].
pub(super) fn one<P: AsRef<Path>>(paths: &[P], parts: Parts) -> Result<Vec<PathBuf>, FormatError> {
    if let [path] = paths
        && !path.as_ref().is_dir()
    {
        let path = path.as_ref();
        return Ok(match parts {
            Parts::Given => vec![path.to_owned()],
            Parts::Beside => beside(path),
        });
    }
    let path = paths.first().map(|path| path.as_ref().to_owned()).unwrap_or_default();
    let mut volumes = volumes(paths)?;
    match volumes.len() {
        0 => Err(FormatError::NoVolume { path }),
        1 => Ok(volumes.remove(0).files),
        count => Err(FormatError::Several { count, listed: listed(&volumes), path }),
    }
}

/// The volumes that these paths, files or folders, hold, by series in the order in which they come
///
/// # Errors
/// [`FormatError::Read`] where a folder cannot be listed.
pub fn volumes<P: AsRef<Path>>(paths: &[P]) -> Result<Vec<Gathered>, FormatError> {
    let mut files = Vec::new();
    let mut named = 0;
    for path in paths.iter().map(AsRef::as_ref) {
        if path.is_dir() {
            files.extend(search(path)?.files);
        } else {
            named += 1;
            files.push(path.to_owned());
        }
    }
    // Twice the same file is once.
    let mut seen = std::collections::HashSet::new();
    files.retain(|file| seen.insert(std::fs::canonicalize(file).unwrap_or_else(|_| file.clone())));
    let mut volumes = group(files);
    if named == 0 {
        volumes.retain(|volume| volume.looks == Looks::LikeAVolume);
    }
    let mut series: Vec<String> = Vec::new();
    for volume in &volumes {
        if !series.contains(&volume.series) {
            series.push(volume.series.clone());
        }
    }
    volumes.sort_by_key(|volume| series.iter().position(|known| *known == volume.series));
    Ok(volumes)
}

/// A file, and where it is a part the others that lie in its folder
fn beside(path: &Path) -> Vec<PathBuf> {
    let alone = || vec![path.to_owned()];
    if look(path).1.is_none_or(|peek| peek.part.is_none()) {
        return alone();
    }
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let Ok(entries) = std::fs::read_dir(folder) else { return alone() };
    let mut others: Vec<PathBuf> = entries
        .flatten()
        .map(|entry| folder.join(entry.file_name()))
        .filter(|other| other.is_file() && other.file_name() != path.file_name())
        .collect();
    others.sort();
    // The named one first, so that its volume is the first.
    let first = group(std::iter::once(path.to_owned()).chain(others)).into_iter().next();
    first.map_or_else(alone, |volume| volume.files)
}

/// Volumes in words, by series, for a message
fn listed(volumes: &[Gathered]) -> String {
    const MOST: usize = 6;
    let mut series: Vec<(&str, Vec<String>)> = Vec::new();
    for volume in volumes.iter().take(MOST) {
        let name = name(&volume.files);
        match series.iter_mut().find(|(uid, _)| *uid == volume.series) {
            Some((_, names)) => names.push(name),
            None => series.push((&volume.series, vec![name])),
        }
    }
    let mut words: Vec<String> = series
        .into_iter()
        .map(|(uid, names)| {
            if uid.is_empty() {
                names.join(", ")
            } else {
                format!("series {}: {}", uid.chars().take(64).collect::<String>(), names.join(", "))
            }
        })
        .collect();
    if volumes.len() > MOST {
        words.push("and others".to_owned());
    }
    words.join("; ")
}

/// What a volume of these files is called: its first file, and how many more there are
pub fn name(files: &[PathBuf]) -> String {
    counted(&files.first().map(|path| super::file_name(path)).unwrap_or_default(), files.len())
}

/// The name of a volume of so many files whose first is called so
pub fn counted(first: &str, files: usize) -> String {
    match files {
        0 | 1 => first.to_owned(),
        2 => format!("{first} and 1 more part"),
        files => format!("{first} and {} more parts", files - 1),
    }
}
