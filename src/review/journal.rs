//! The autosave: what survives when the program does not.
//!
//! A running viewer keeps one recovery file in the user's state folder, rewritten (atomically)
//! within two seconds of a change, and holds a lock beside it. The system lets go of the lock when
//! the process ends, however it ends; a recovery file whose lock is free is therefore work that
//! was left behind, and the next start offers it back. A clean end removes both.

use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use serde::{Deserialize, Serialize};

use super::file::{read_text, write_text};
use super::{History, Review, ReviewError};

/// What a recovery file holds
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Recovery {
    /// Where the volume lay
    pub volume: PathBuf,
    /// The review's file, where it had one
    pub review_file: Option<PathBuf>,
    /// The document, in the state it was in
    pub review: Review,
    /// The steps that can be taken back and done again
    #[serde(default)]
    pub history: History,
    /// How it was left
    #[serde(default)]
    pub left: Left,
}

/// How unsaved work was left
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Left {
    /// It was being worked on: what is found so was left by a crash
    #[default]
    Running,
    /// The reader went elsewhere without saving it
    Closed,
}

/// The recovery file of this run
#[derive(Debug)]
pub struct Journal {
    file: PathBuf,
    lock_file: PathBuf,
    _lock: File,
}

/// Work that an earlier run left behind
#[derive(Debug)]
pub struct Orphan {
    /// The work, or why it cannot be read; the file is kept in that case
    pub recovery: Result<Recovery, ReviewError>,
    /// When it was written last
    pub written: SystemTime,
    file: PathBuf,
    lock_file: PathBuf,
    _lock: File,
}

/// The folder for recovery files: `narrows` in the user's state folder
///
/// `XDG_STATE_HOME`, `LOCALAPPDATA`, or `.local/state` in the home folder; the system's temporary
/// folder where none is set.
pub fn state_folder() -> PathBuf {
    let set = |name| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    set("XDG_STATE_HOME")
        .or_else(|| set("LOCALAPPDATA"))
        .or_else(|| set("HOME").map(|home| home.join(".local").join("state")))
        .unwrap_or_else(std::env::temp_dir)
        .join("narrows")
}

impl Journal {
    /// Starts the journal of this run in a folder, which is made where it is missing
    ///
    /// # Errors
    /// [`ReviewError::Write`] where the folder cannot be written.
    pub fn start(folder: &Path) -> Result<Self, ReviewError> {
        let failed = |source| ReviewError::Write { source, path: folder.to_owned() };
        std::fs::create_dir_all(folder).map_err(failed)?;
        for number in 0.. {
            let name = format!("{}-{number}", std::process::id());
            let lock_file = folder.join(format!("{name}.lock"));
            let lock = match File::create_new(&lock_file) {
                Ok(lock) => lock,
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => continue,
                Err(error) => return Err(failed(error)),
            };
            lock.lock().map_err(failed)?;
            return Ok(Self { file: folder.join(format!("{name}.recovery.json")), lock_file, _lock: lock });
        }
        unreachable!("the numbers do not run out")
    }

    /// Writes the state of the work, whole or not at all
    ///
    /// # Errors
    /// [`ReviewError::Write`].
    pub fn write(&self, recovery: &Recovery) -> Result<(), ReviewError> {
        let text = serde_json::to_string(recovery).map_err(|error| ReviewError::Write {
            source: std::io::Error::other(error),
            path: self.file.clone(),
        })?;
        write_text(&text, &self.file)
    }

    /// Removes the recovery file: the work is saved, or there is none
    ///
    /// # Errors
    /// [`ReviewError::Write`] where it is there and cannot be removed.
    pub fn clear(&self) -> Result<(), ReviewError> {
        match std::fs::remove_file(&self.file) {
            Err(source) if source.kind() != std::io::ErrorKind::NotFound => {
                Err(ReviewError::Write { source, path: self.file.clone() })
            }
            _ => Ok(()),
        }
    }
}

impl Drop for Journal {
    /// Lets go of the lock and removes it; a recovery file that is still there stays
    fn drop(&mut self) {
        if !self.file.exists() {
            let _ = std::fs::remove_file(&self.lock_file);
        }
    }
}

/// The work that earlier runs left behind in a folder, the latest first
pub fn orphans(folder: &Path) -> Vec<Orphan> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut found = Vec::new();
    for lock_file in entries.flatten().map(|entry| entry.path()) {
        if lock_file.extension().is_none_or(|extension| extension != "lock") {
            continue;
        }
        let Ok(lock) = File::options().read(true).write(true).open(&lock_file) else { continue };
        match lock.try_lock() {
            Ok(()) => {}
            // A running viewer, or a folder that cannot lock: not ours to judge.
            Err(TryLockError::WouldBlock | TryLockError::Error(_)) => continue,
        }
        let file = lock_file.with_extension("recovery.json");
        let Ok(written) = file.metadata().and_then(|meta| meta.modified()) else {
            // The run ended before it wrote anything.
            let _ = std::fs::remove_file(&lock_file);
            continue;
        };
        let recovery = read(&file);
        found.push(Orphan { recovery, written, file, lock_file, _lock: lock });
    }
    found.sort_by(|a, b| b.written.cmp(&a.written).then_with(|| b.file.cmp(&a.file)));
    found
}

fn read(file: &Path) -> Result<Recovery, ReviewError> {
    let text = read_text(file)?;
    let recovery: Recovery = serde_json::from_str(&text).map_err(|error| ReviewError::Damaged {
        line: error.line(),
        column: error.column(),
        message: error.to_string(),
    })?;
    recovery.review.check()?;
    Ok(recovery)
}

impl Orphan {
    /// Removes the recovery file: the work was taken over, or the reader does not want it
    pub fn discard(self) {
        let _ = std::fs::remove_file(&self.file);
        let _ = std::fs::remove_file(&self.lock_file);
    }

    /// Where the recovery file is
    pub fn file(&self) -> &Path {
        &self.file
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::review::Source;

    fn recovery() -> Recovery {
        let mut review = Review::new(Source { frames: 2, ..Source::default() });
        review.work.notes = "kept".into();
        Recovery {
            volume: "/tmp/x.dcm".into(),
            review_file: None,
            review,
            history: History::default(),
            left: Left::Closed,
        }
    }

    #[test]
    fn a_running_journal_is_not_an_orphan_and_a_dead_one_is() {
        let folder = tempfile::tempdir().unwrap();
        let journal = Journal::start(folder.path()).unwrap();
        journal.write(&recovery()).unwrap();
        assert!(orphans(folder.path()).is_empty(), "the run is alive");
        drop(journal);
        let mut left = orphans(folder.path());
        assert_eq!(left.len(), 1);
        let orphan = left.remove(0);
        assert_eq!(orphan.recovery.as_ref().unwrap(), &recovery());
        assert!(orphans(folder.path()).is_empty(), "one start at a time is offered the work");
        orphan.discard();
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }

    #[test]
    fn a_clean_end_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let journal = Journal::start(folder.path()).unwrap();
        journal.write(&recovery()).unwrap();
        journal.clear().unwrap();
        drop(journal);
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }

    #[test]
    fn a_damaged_recovery_is_reported_and_kept() {
        let folder = tempfile::tempdir().unwrap();
        let journal = Journal::start(folder.path()).unwrap();
        journal.write(&recovery()).unwrap();
        let file = journal.file.clone();
        drop(journal);
        std::fs::write(&file, "{\"volume\": ").unwrap();
        let left = orphans(folder.path());
        assert!(matches!(left[0].recovery, Err(ReviewError::Damaged { .. })));
        drop(left);
        assert!(file.exists());
    }
}
