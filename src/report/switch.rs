//! A folder of ours put in its place in whole.
//!
//! The new folder is written and flushed beside the old one, with a list of what in it is ours
//! ([`MANIFEST`]); then both change places in one step, so that whoever looks, or pulls the plug, finds all of
//! the old folder or all of the new one. What lies in the old folder and is not on its list is not ours: it is
//! kept, under a second name in the new folder (a hard link, never a copy). Where one of our names is
//! taken by such a file, or one of our own was changed since, nothing is written at all.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::comparison::COMPARISON_FOLDER;
use super::folder::{File, ReportError, ReportPaths, at};
use crate::format::atomic;
use crate::job::Watch;

/// The list of our own files in a folder of ours
pub(super) const MANIFEST: &str = "manifest.json";
/// Name and version of the list
const SCHEMA: &str = "narrows/folder/1";
/// Files of others that are kept beside a report; a folder that holds more is not the report's own (our own
/// choice)
const MOST_KEPT: usize = 1000;

#[derive(Serialize, Deserialize)]
struct Manifest {
    schema: String,
    files: Vec<Listed>,
}

#[derive(Clone, Serialize, Deserialize)]
struct Listed {
    /// Path in the folder, parted by `/`
    name: String,
    blake3: String,
}

impl Manifest {
    fn of(files: &[File]) -> Self {
        let mut files: Vec<Listed> = files
            .iter()
            .map(|(name, bytes)| Listed {
                name: name.clone(),
                blake3: blake3::hash(bytes).to_hex().to_string(),
            })
            .collect();
        files.sort_by(|a, b| a.name.cmp(&b.name));
        Self { schema: SCHEMA.to_owned(), files }
    }

    /// Name and hash of what is ours in a folder and in that of its comparison; nothing where it has no list
    fn read(folder: &Path) -> Result<BTreeMap<String, String>, ReportError> {
        let mut ours = Self::read_one(folder)?;
        if !ours.is_empty() {
            let beside = Self::read_one(&folder.join(COMPARISON_FOLDER))?;
            ours.extend(beside.into_iter().map(|(name, hash)| (format!("{COMPARISON_FOLDER}/{name}"), hash)));
        }
        Ok(ours)
    }

    fn read_one(folder: &Path) -> Result<BTreeMap<String, String>, ReportError> {
        Ok(Self::listed(folder, MANIFEST)?.into_iter().collect())
    }

    /// Name and hash of all that a list names, and of the list; a name may stand there twice
    fn listed(folder: &Path, list: &str) -> Result<Vec<(String, String)>, ReportError> {
        let path = folder.join(list);
        let bytes = match fs::read(&path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(error) => return Err(at("reading", &path)(error)),
        };
        let list = serde_json::from_slice::<Self>(&bytes).ok().filter(|list| list.schema == SCHEMA);
        let list = list.ok_or(ReportError::Foreign(path))?;
        let own = [(MANIFEST.to_owned(), blake3::hash(&bytes).to_hex().to_string())];
        Ok(list.files.into_iter().map(|file| (file.name, file.blake3)).chain(own).collect())
    }

    fn text(&self) -> Result<Vec<u8>, ReportError> {
        let mut list = serde_json::to_string_pretty(self)?;
        list.push('\n');
        Ok(list.into_bytes())
    }
}

/// What lies in an existing folder
struct Present {
    /// Ours, as the list says
    ours: BTreeSet<String>,
    /// Not ours: files and the like
    others: Vec<String>,
    /// Folders, each after the one that holds it
    folders: Vec<String>,
}

/// Looks through a folder; [`ReportError::Foreign`] where a file of ours is no longer as it was written
fn present(folder: &Path) -> Result<Present, ReportError> {
    let listed = Manifest::read(folder)?;
    let mut found = Present { ours: BTreeSet::new(), others: Vec::new(), folders: Vec::new() };
    let mut open = vec![String::new()];
    while let Some(inside) = open.pop() {
        let place = folder.join(&inside);
        for entry in fs::read_dir(&place).map_err(at("reading the folder", &place))? {
            let entry = entry.map_err(at("reading the folder", &place))?;
            let name = entry.file_name();
            let path = entry.path();
            // A name that is no text cannot be kept track of.
            let name = name.to_str().map(|name| format!("{inside}{name}"));
            let name = name.ok_or_else(|| ReportError::Shared(folder.to_owned()))?;
            if entry.file_type().map_err(at("reading", &path))?.is_dir() {
                open.push(format!("{name}/"));
                found.folders.push(name);
                continue;
            }
            match listed.get(&name) {
                Some(hash) => {
                    let bytes = fs::read(&path).map_err(at("reading", &path))?;
                    if blake3::hash(&bytes).to_hex().as_str() != hash {
                        return Err(ReportError::Foreign(path));
                    }
                    found.ours.insert(name);
                }
                None => found.others.push(name),
            }
            if found.others.len() + found.folders.len() > MOST_KEPT {
                return Err(ReportError::Shared(folder.to_owned()));
            }
        }
    }
    found.folders.sort();
    Ok(found)
}

/// Refuses a place that cannot become, or stay, a folder with files of these names in it
///
/// # Errors
/// [`ReportError::Foreign`], [`ReportError::Shared`], [`ReportError::Io`].
pub(super) fn refuse(folder: &Path, names: &[&str]) -> Result<(), ReportError> {
    if fs::symlink_metadata(folder).is_err() {
        return Ok(());
    }
    if !folder.is_dir() {
        return Err(ReportError::Foreign(folder.to_owned()));
    }
    let real = fs::canonicalize(folder).map_err(at("reading the folder", folder))?;
    // Whoever stands in a folder would be left standing in the old one.
    let here = std::env::current_dir().and_then(fs::canonicalize);
    if real.parent().is_none() || here.is_ok_and(|here| here.starts_with(&real)) {
        return Err(ReportError::Shared(folder.to_owned()));
    }
    let found = present(&real)?;
    for name in names.iter().copied().chain([MANIFEST]) {
        let taken = found.others.iter().chain(&found.folders).any(|other| other == name)
            || found.others.iter().any(|other| name.starts_with(&format!("{other}/")));
        if taken {
            return Err(ReportError::Foreign(folder.join(name)));
        }
    }
    Ok(())
}

/// Puts files into a folder of their own: all of them at once, or an error and none; `main` is the document
/// among them
///
/// # Errors
/// As [`refuse`], and [`ReportError::Cancelled`].
pub(super) fn put(
    mut files: Vec<File>,
    folder: &Path,
    main: &str,
    watch: &Watch,
) -> Result<ReportPaths, ReportError> {
    let parent = atomic::folder_of(folder);
    fs::create_dir_all(parent).map_err(at("making the folder", parent))?;
    recover(folder)?;
    let list = Manifest::of(&files).text()?;
    files.push((MANIFEST.to_owned(), list));
    let names: Vec<&str> = files.iter().map(|(name, _)| name.as_str()).collect();
    refuse(folder, &names)?;
    // A link is followed: the folder it leads to changes, not the link.
    let place = fs::canonicalize(folder).unwrap_or_else(|_| folder.to_owned());
    let aside = atomic::aside(&place).map_err(at("making a folder in", parent))?;
    let fresh = aside.folder.path();
    fill(fresh, &files)?;
    watch.step("writing", 1, 1)?;
    if place.exists() {
        let found = present(&place)?;
        keep(&place, fresh, &found)?;
        sync_all(fresh);
        exchange(fresh, &place).map_err(at("putting in place", folder))?;
        sync_all(atomic::folder_of(&place));
        // The old folder now stands aside.
        retire(fresh, &place, &found);
    } else {
        sync_all(fresh);
        fs::rename(fresh, &place).map_err(at("moving the report to", folder))?;
        sync_all(atomic::folder_of(&place));
    }
    // What is left aside, if anything, goes with it.
    drop(aside);
    let mut names: Vec<PathBuf> = files.into_iter().map(|(name, _)| PathBuf::from(name)).collect();
    names.sort();
    Ok(ReportPaths {
        folder: folder.to_owned(),
        page: folder.join("index.html"),
        results: folder.join(main),
        files: names,
    })
}

/// The list of our own files among those of others
fn list_of(stem: &str) -> String {
    format!("{stem}.{MANIFEST}")
}

/// Refuses a folder in which a file of one of these names is not ours, or no longer as we wrote it
///
/// # Errors
/// [`ReportError::Foreign`], [`ReportError::Io`].
pub fn refuse_among<'a>(
    folder: &Path,
    stem: &str,
    names: impl IntoIterator<Item = &'a str>,
) -> Result<(), ReportError> {
    if folder.exists() && !folder.is_dir() {
        return Err(ReportError::Foreign(folder.to_owned()));
    }
    let ours = Manifest::listed(folder, &list_of(stem))?;
    for name in names {
        let path = folder.join(name);
        match fs::read(&path) {
            Ok(bytes) => {
                let here = (name.to_owned(), blake3::hash(&bytes).to_hex().to_string());
                if !ours.contains(&here) {
                    return Err(ReportError::Foreign(path));
                }
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => return Err(at("reading", &path)(error)),
        }
    }
    Ok(())
}

/// Puts files among those of others, one by one: on any error before the first none is changed
///
/// # Errors
/// As [`refuse_among`].
pub fn put_among(files: &[File], folder: &Path, stem: &str) -> Result<(), ReportError> {
    refuse_among(folder, stem, files.iter().map(|(name, _)| name.as_str()))?;
    fs::create_dir_all(folder).map_err(at("making the folder", folder))?;
    // All are on the disk before the first is replaced, so that a full disk leaves the old files whole.
    let prepare = |name: &str, bytes: &[u8]| {
        let path = folder.join(name);
        atomic::prepare(&path, |out| out.write_all(bytes)).map_err(at("writing", &path))
    };
    let ready = files.iter().map(|(name, bytes)| prepare(name, bytes)).collect::<Result<Vec<_>, _>>()?;
    // Until all are in place the list names old and new, so that the next run knows what a killed one left; names
    // that are not among these files it keeps.
    let old = Manifest::listed(folder, &list_of(stem))?.into_iter().filter(|(name, _)| name != MANIFEST);
    let old: Vec<Listed> = old.map(|(name, blake3)| Listed { name, blake3 }).collect();
    let list = |old: Vec<Listed>| {
        let mut list = Manifest::of(files);
        list.files.extend(old);
        prepare(&list_of(stem), &list.text()?)
    };
    let (replaced, kept): (Vec<Listed>, Vec<Listed>) =
        old.into_iter().partition(|old| files.iter().any(|(name, _)| *name == old.name));
    let last = list(kept.clone())?;
    let first = list(kept.into_iter().chain(replaced).collect())?;
    [first]
        .into_iter()
        .chain(ready)
        .chain([last])
        .try_for_each(|file| file.put().map_err(at("replacing in", folder)))
}

/// Writes files into a new folder and flushes each
fn fill(fresh: &Path, files: &[File]) -> Result<(), ReportError> {
    for (name, bytes) in files {
        let path = fresh.join(name);
        if let Some(inside) = path.parent() {
            fs::create_dir_all(inside).map_err(at("making the folder", inside))?;
        }
        let write = || {
            let mut file = fs::File::create(&path)?;
            file.write_all(bytes)?;
            file.sync_all()
        };
        write().map_err(at("writing", &path))?;
    }
    Ok(())
}

/// Gives what is not ours in the old folder its place in the new one too
fn keep(old: &Path, fresh: &Path, found: &Present) -> Result<(), ReportError> {
    let rights = |from: &Path, to: &Path| {
        let rights = fs::metadata(from).map(|told| told.permissions());
        rights.and_then(|rights| fs::set_permissions(to, rights)).map_err(at("making the folder", to))
    };
    for name in &found.folders {
        let to = fresh.join(name);
        // A folder that only held files of ours is needed no more.
        let needed = found.others.iter().any(|other| other.starts_with(&format!("{name}/")))
            || !found.ours.iter().any(|own| own.starts_with(&format!("{name}/")));
        if needed {
            fs::create_dir_all(&to).map_err(at("making the folder", &to))?;
        }
        if to.is_dir() {
            rights(&old.join(name), &to)?;
        }
    }
    for name in &found.others {
        let from = old.join(name);
        fs::hard_link(&from, fresh.join(name)).map_err(at("keeping in the new folder", &from))?;
    }
    rights(old, fresh)
}

/// Flushes a folder and those in it
fn sync_all(folder: &Path) {
    atomic::sync_folder(folder);
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        if entry.file_type().is_ok_and(|kind| kind.is_dir())
            && !entry.file_name().to_string_lossy().starts_with('.')
        {
            atomic::sync_folder(&entry.path());
        }
    }
}

/// Lets two folders change places in one step
#[cfg(target_os = "linux")]
fn exchange(fresh: &Path, place: &Path) -> io::Result<()> {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    use rustix::io::Errno;
    match renameat_with(CWD, fresh, CWD, place, RenameFlags::EXCHANGE) {
        Err(Errno::INVAL | Errno::NOSYS | Errno::NOTSUP) => in_two_steps(fresh, place),
        done => Ok(done?),
    }
}

#[cfg(not(target_os = "linux"))]
fn exchange(fresh: &Path, place: &Path) -> io::Result<()> {
    in_two_steps(fresh, place)
}

/// The same where the system cannot: between the steps there is no folder, and the next run brings it back
fn in_two_steps(fresh: &Path, place: &Path) -> io::Result<()> {
    let old = old_of(place);
    fs::rename(place, &old)?;
    if let Err(error) = fs::rename(fresh, place) {
        fs::rename(&old, place)?;
        return Err(error);
    }
    fs::rename(&old, fresh)
}

/// Where the old folder stands between the two steps
fn old_of(place: &Path) -> PathBuf {
    let name = place.file_name().unwrap_or_default().to_string_lossy();
    place.with_file_name(format!(".narrows-old-{name}"))
}

/// Brings back a folder that a killed run had moved away and not replaced; takes away one that it had replaced
fn recover(folder: &Path) -> Result<(), ReportError> {
    let old = old_of(folder);
    if !old.is_dir() {
        return Ok(());
    }
    if fs::symlink_metadata(folder).is_err() {
        return fs::rename(&old, folder).map_err(at("bringing back", folder));
    }
    // Nothing of it goes while one of its files is no longer as it was written.
    present(&old)?;
    retire(&old, folder, &present(folder)?);
    fs::remove_dir_all(&old).map_err(at("taking away", &old))
}

/// Takes the old folder away; what came into it, or was replaced in it, at the last moment is moved on
fn retire(old: &Path, place: &Path, found: &Present) {
    let Ok(now) = present(old) else { return };
    for name in &now.others {
        let (from, mut to) = (old.join(name), place.join(name));
        let known = found.others.contains(name);
        if known && same(&from, &to) {
            continue;
        }
        if !known && fs::symlink_metadata(&to).is_ok() {
            to = place.join(format!("{name} (kept)"));
        }
        // The new report is in place whatever becomes of this.
        let _ = fs::rename(&from, &to);
    }
}

/// Whether two names are of one file
#[cfg(unix)]
fn same(a: &Path, b: &Path) -> bool {
    use std::os::unix::fs::MetadataExt as _;
    let of = |path: &Path| fs::symlink_metadata(path).map(|told| (told.dev(), told.ino())).ok();
    of(a).is_some() && of(a) == of(b)
}

#[cfg(not(unix))]
fn same(_: &Path, _: &Path) -> bool {
    true
}
