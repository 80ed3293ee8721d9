//! The journal of a cohort: what has been measured, one line each, only ever appended to.
//!
//! A line is written and flushed to the disk as soon as its volume is done. A line that a kill cut
//! short has no end and is taken off when the journal is opened again; that volume is measured anew.
//! Lines are found by a key made of the volume's bytes, the engine and the options, so a journal
//! stays right when files are added, renamed, changed, or the options differ.

use std::collections::HashMap;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read as _, Seek as _, Write as _};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::measure::ENGINE;
use crate::study::cohort::Outcome;

const SCHEMA: &str = "narrows/cohort-journal/1";

/// Why a journal could not be used
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// A file refused
    #[error("{action} the journal: {source}: {}", path.display())]
    Io {
        /// What was attempted
        action: &'static str,
        /// On what
        path: PathBuf,
        /// What the system said
        source: io::Error,
    },
    /// Another run is at work
    #[error("another run is writing this table: {}", .0.display())]
    Busy(PathBuf),
    /// Not a journal
    #[error("this file is in the way of the journal and is none: {}", .0.display())]
    Foreign(PathBuf),
}

impl JournalError {
    /// What the user can do about it
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Io { .. } => "check the folder, your right to write there and the free space",
            Self::Busy(_) => "wait for it, or give another name with --out",
            Self::Foreign(_) => "move that file away, or give another name with --out",
        }
    }
}

#[derive(Serialize, Deserialize)]
struct Start {
    schema: String,
}

#[derive(Serialize, Deserialize)]
struct Line {
    key: String,
    outcome: Outcome,
}

/// The key of a volume: its bytes, the engine, the options in words
pub fn journal_key(blake3: &str, options: &str) -> String {
    blake3::hash(format!("{blake3}\n{ENGINE}\n{options}").as_bytes()).to_hex().to_string()
}

/// What is known already
#[derive(Debug, Default)]
pub struct Known {
    outcomes: HashMap<String, Outcome>,
    /// Lines that could not be understood
    pub damaged: usize,
}

impl Known {
    /// What became of a volume
    pub fn get(&self, key: &str) -> Option<&Outcome> {
        self.outcomes.get(key)
    }

    /// Takes note of what became of a volume
    pub fn insert(&mut self, key: String, outcome: Outcome) {
        self.outcomes.insert(key, outcome);
    }

    /// Adds the whole lines of a journal's text; false where it is no journal
    fn add(&mut self, text: &str) -> bool {
        let mut lines = text.lines();
        let started = lines.next().and_then(|line| serde_json::from_str::<Start>(line).ok());
        if started.is_none_or(|start| start.schema != SCHEMA) {
            return false;
        }
        for line in lines {
            match serde_json::from_str::<Line>(line) {
                // A version with other columns measures anew.
                Ok(line) if line.outcome.fits() => self.insert(line.key, line.outcome),
                Ok(_) => {}
                Err(_) => self.damaged += 1,
            }
        }
        true
    }

    /// Adds what another journal knows, without touching it
    ///
    /// # Errors
    /// [`JournalError`].
    pub fn add_file(&mut self, path: &Path) -> Result<(), JournalError> {
        let bytes = std::fs::read(path).map_err(io_at("reading", path))?;
        let whole = bytes.iter().rposition(|byte| *byte == b'\n').map_or(0, |end| end + 1);
        if self.add(&String::from_utf8_lossy(&bytes[..whole])) {
            Ok(())
        } else {
            Err(JournalError::Foreign(path.to_owned()))
        }
    }
}

/// An open journal; nobody else can open it while it lives
#[derive(Debug)]
pub struct Journal {
    file: File,
    path: PathBuf,
}

impl Journal {
    /// Opens or begins a journal; a last line without an end is taken off
    ///
    /// # Errors
    /// [`JournalError`].
    pub fn open(path: &Path) -> Result<(Self, Known), JournalError> {
        let mut file = OpenOptions::new()
            .read(true)
            .append(true)
            .create(true)
            .open(path)
            .map_err(io_at("opening", path))?;
        match file.try_lock() {
            Err(TryLockError::WouldBlock) => return Err(JournalError::Busy(path.to_owned())),
            // Some network folders know no locks; then the user sees to it that one run is at work.
            Ok(()) | Err(TryLockError::Error(_)) => {}
        }
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).map_err(io_at("reading", path))?;
        let whole = bytes.iter().rposition(|byte| *byte == b'\n').map_or(0, |end| end + 1);
        let mut known = Known::default();
        let start = format!("{{\"schema\":\"{SCHEMA}\"}}\n");
        if whole == 0 {
            // Empty, or our own first line cut short; anything else is somebody's file.
            if !start.as_bytes().starts_with(&bytes) {
                return Err(JournalError::Foreign(path.to_owned()));
            }
        } else if !known.add(&String::from_utf8_lossy(&bytes[..whole])) {
            return Err(JournalError::Foreign(path.to_owned()));
        }
        if whole < bytes.len() {
            file.set_len(whole as u64).map_err(io_at("mending", path))?;
            file.seek(io::SeekFrom::End(0)).map_err(io_at("mending", path))?;
        }
        let mut journal = Self { file, path: path.to_owned() };
        if whole == 0 {
            journal.put(&start)?;
        }
        Ok((journal, known))
    }

    /// Appends what became of a volume and flushes it to the disk
    ///
    /// # Errors
    /// [`JournalError::Io`].
    pub fn append(&mut self, key: &str, outcome: &Outcome) -> Result<(), JournalError> {
        let line = Line { key: key.to_owned(), outcome: outcome.clone() };
        let mut text = serde_json::to_string(&line)
            .map_err(|error| io_at("writing", &self.path)(io::Error::other(error)))?;
        text.push('\n');
        self.put(&text)
    }

    fn put(&mut self, text: &str) -> Result<(), JournalError> {
        let wrote = self.file.write_all(text.as_bytes()).and_then(|()| self.file.sync_data());
        wrote.map_err(io_at("writing", &self.path))
    }
}

fn io_at(action: &'static str, path: &Path) -> impl FnOnce(io::Error) -> JournalError {
    let path = path.to_owned();
    move |source| JournalError::Io { action, path, source }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_cut_short_is_measured_again() {
        let temp = tempfile::tempdir().unwrap();
        let path = temp.path().join("t.csv.journal");
        let (first, second) = (Outcome::failed("one"), Outcome::failed("two"));
        let (mut journal, known) = Journal::open(&path).unwrap();
        assert!(known.get("a").is_none());
        journal.append("a", &first).unwrap();
        journal.append("b", &second).unwrap();
        assert!(matches!(Journal::open(&path), Err(JournalError::Busy(_))));
        drop(journal);
        let whole = std::fs::read(&path).unwrap();
        for cut in 0..whole.len() {
            std::fs::write(&path, &whole[..cut]).unwrap();
            let (mut journal, known) = Journal::open(&path).unwrap();
            assert_eq!(known.damaged, 0, "{cut}");
            for (key, outcome) in [("a", &first), ("b", &second)] {
                if known.get(key).is_none() {
                    journal.append(key, outcome).unwrap();
                }
            }
            drop(journal);
            assert_eq!(std::fs::read(&path).unwrap(), whole, "{cut}");
        }
    }

    #[test]
    fn other_files_are_left_alone() {
        let temp = tempfile::tempdir().unwrap();
        let path = temp.path().join("x");
        for other in ["hello", "hello\n", "{\"schema\":\"narrows/cohort-journal/2\"}\n"] {
            std::fs::write(&path, other).unwrap();
            assert!(matches!(Journal::open(&path), Err(JournalError::Foreign(_))), "{other}");
            assert_eq!(std::fs::read_to_string(&path).unwrap(), other);
        }
        let damaged = format!("{{\"schema\":\"{SCHEMA}\"}}\nrubbish\n");
        std::fs::write(&path, damaged).unwrap();
        assert_eq!(Journal::open(&path).unwrap().1.damaged, 1);
        let mut known = Known::default();
        known.add_file(&path).unwrap();
        assert_eq!(known.damaged, 1);
    }

    #[test]
    fn keys_differ_with_bytes_and_options() {
        assert_ne!(journal_key("a", "x"), journal_key("a", "y"));
        assert_ne!(journal_key("a", "x"), journal_key("b", "x"));
    }
}
