//! A file is written whole or not at all: beside its place, then renamed into it.
//!
//! A device or a pipe is written to as it stands: renamed over, it would be a file from then on.
//!
//! What is beside its place is held with a lock as long as its process lives. So what a killed run has left
//! behind is told from what another run is writing now, and is cleared up by the next run that writes there.

use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// How names of what is not yet in place begin and end
const PREFIX: &str = ".narrows-";
const SUFFIX: &str = ".part";

/// A file ready beside its place; it vanishes unless put there
pub(crate) struct Ready {
    file: tempfile::NamedTempFile,
    place: Place,
}

/// Where a file is to be
enum Place {
    /// A name that it takes
    Name(PathBuf),
    /// Something that takes its bytes: a device, a pipe
    Sink(File),
}

impl Ready {
    /// Renames it into its place
    ///
    /// # Errors
    /// What the system said; then nothing is left.
    pub(crate) fn put(self) -> std::io::Result<()> {
        match self.place {
            Place::Name(path) => {
                self.file.persist(&path).map_err(|error| error.error)?;
                sync_folder(folder_of(&path));
            }
            Place::Sink(mut sink) => {
                std::io::copy(&mut self.file.reopen()?, &mut sink)?;
            }
        }
        Ok(())
    }
}

/// A new folder beside the place of another; it vanishes unless kept
pub(crate) struct Aside {
    /// The folder
    pub(crate) folder: tempfile::TempDir,
    _lock: Lock,
}

/// The folder that a file lies in
pub(crate) fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Asks that names in a folder are on the disk; not every system lets a folder be asked
pub(crate) fn sync_folder(folder: &Path) {
    if let Ok(folder) = File::open(folder) {
        let _ = folder.sync_all();
    }
}

/// Takes away what killed runs left unfinished in a folder
pub(crate) fn clear(folder: &Path) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        let name = entry.file_name();
        let ours = name.to_str().is_some_and(|name| name.starts_with(PREFIX) && name.ends_with(SUFFIX));
        let Some(kind) = entry.file_type().ok().filter(|kind| ours && (kind.is_file() || kind.is_dir()))
        else {
            continue;
        };
        let path = entry.path();
        // Whoever still writes holds the lock; a place without locks is left as it is.
        let Some(held) = File::open(&path).ok().filter(|file| file.try_lock().is_ok()) else { continue };
        // What cannot be taken away now is met again by the next run.
        let _ = if kind.is_dir() { std::fs::remove_dir_all(&path) } else { std::fs::remove_file(&path) };
        drop(held);
    }
}

/// The lock of what is being written; none where the place knows no locks
struct Lock(#[expect(dead_code, reason = "held until it is dropped")] Option<File>);

/// Holds a new file or folder; `None` where another run cleared it up before it was held
fn hold(path: &Path, open: std::io::Result<File>) -> Option<Lock> {
    let lock = open.ok().filter(|file| file.lock().is_ok());
    path.exists().then_some(Lock(lock))
}

fn builder() -> tempfile::Builder<'static, 'static> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(PREFIX).suffix(SUFFIX);
    builder
}

/// A folder beside `place`, with the rights of any new folder
///
/// # Errors
/// What the system said.
pub(crate) fn aside(place: &Path) -> std::io::Result<Aside> {
    let parent = folder_of(place);
    clear(parent);
    let mut builder = builder();
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        builder.permissions(std::fs::Permissions::from_mode(0o777));
    }
    loop {
        let folder = builder.tempdir_in(parent)?;
        if let Some(lock) = hold(folder.path(), File::open(folder.path())) {
            return Ok(Aside { folder, _lock: lock });
        }
    }
}

/// Writes through `fill` into a temporary file in the same folder and flushes it to the disk
///
/// # Errors
/// What `fill` or the system said; then nothing is left.
pub(crate) fn prepare<E: From<std::io::Error>>(
    path: &Path,
    fill: impl FnOnce(&mut dyn std::io::Write) -> Result<(), E>,
) -> Result<Ready, E> {
    let (folder, place) = if path.metadata().is_ok_and(|there| !there.is_file() && !there.is_dir()) {
        (std::env::temp_dir(), Place::Sink(File::options().write(true).open(path)?))
    } else {
        (folder_of(path).to_owned(), Place::Name(path.to_owned()))
    };
    clear(&folder);
    let mut builder = builder();
    #[cfg(unix)]
    {
        // An ordinary file, not a private one: the user's mask decides.
        use std::os::unix::fs::PermissionsExt as _;
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    let temporary = loop {
        let file = builder.tempfile_in(&folder)?;
        let held = file.as_file().try_clone();
        if hold(file.path(), held).is_some() {
            break file;
        }
    };
    let mut buffered = std::io::BufWriter::with_capacity(1 << 20, temporary);
    fill(&mut buffered)?;
    buffered.flush()?;
    let file = buffered.into_inner().map_err(std::io::IntoInnerError::into_error)?;
    file.as_file().sync_all()?;
    Ok(Ready { file, place })
}

/// Writes through `fill` into a temporary file in the same folder, flushes it to the disk and
/// renames it to `path`; on any error nothing is left
///
/// # Errors
/// What `fill` or the system said.
pub(crate) fn write<E: From<std::io::Error>>(
    path: &Path,
    fill: impl FnOnce(&mut dyn std::io::Write) -> Result<(), E>,
) -> Result<(), E> {
    Ok(prepare(path, fill)?.put()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = std::fs::read_dir(folder)
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn what_a_killed_run_left_is_cleared_and_what_is_being_written_is_not() {
        let temp = tempfile::tempdir().unwrap();
        let at = |name: &str| temp.path().join(name);
        std::fs::write(at(".narrows-dead.part"), "half").unwrap();
        std::fs::create_dir_all(at(".narrows-gone.part/figures")).unwrap();
        std::fs::write(at(".narrows-gone.part/figures/a.svg"), "half").unwrap();
        for other in [".narrows-mine", "narrows-x.part", ".hidden.part"] {
            std::fs::write(at(other), "mine").unwrap();
        }
        let say = |out: &mut dyn std::io::Write| out.write_all(b"whole");
        let first = prepare(&at("a"), say).unwrap();
        let folder = aside(&at("b")).unwrap();
        std::fs::write(folder.folder.path().join("x"), "1").unwrap();
        // Another writer in the same place clears up, and leaves these two alone.
        write(&at("c"), say).unwrap();
        assert_eq!(names(temp.path()).len(), 3 + 3);
        assert!(folder.folder.path().join("x").exists());
        first.put().unwrap();
        drop(folder);
        assert_eq!(names(temp.path()), [".hidden.part", ".narrows-mine", "a", "c", "narrows-x.part"]);
        assert_eq!(std::fs::read(at("a")).unwrap(), b"whole");
    }
    #[cfg(unix)]
    #[test]
    fn a_pipe_gets_the_bytes_and_stays_a_pipe() {
        use std::io::Read as _;
        use std::os::unix::fs::FileTypeExt as _;
        let temp = tempfile::tempdir().unwrap();
        let pipe = temp.path().join("pipe");
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
        let read = || {
            let mut got = String::new();
            File::open(&pipe).unwrap().read_to_string(&mut got).unwrap();
            got
        };
        std::thread::scope(|scope| {
            let reader = scope.spawn(read);
            write(&pipe, |out| out.write_all(b"whole")).unwrap();
            assert_eq!(reader.join().unwrap(), "whole");
        });
        assert!(pipe.metadata().unwrap().file_type().is_fifo());
        assert_eq!(names(temp.path()), ["pipe"]);
    }
}
