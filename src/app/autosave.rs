//! The thread that keeps the recovery file at most two seconds behind the work.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::review::{Journal, Left, Recovery, ReviewError, Session};

use super::worker::{Notify, Worker};

/// Least time between two writes; with the write itself the file is less than two seconds behind
const EVERY: Duration = Duration::from_secs(1);

enum Job {
    Write(Box<Recovery>),
    Clear,
}

/// The recovery file of one open volume
pub(super) struct Autosave {
    worker: Worker<Job, ReviewError>,
    volume: PathBuf,
    revision: Option<u64>,
    written: Option<Instant>,
}

impl Autosave {
    /// Starts the thread and its journal in a folder
    ///
    /// # Errors
    /// Where the folder cannot be written or the system gives no thread.
    pub(super) fn start(folder: &Path, volume: &Path, notify: Notify) -> Result<Self, ReviewError> {
        let journal = Arc::new(Journal::start(folder)?);
        let worker = Worker::start("autosave", notify, move |job: Job, turn| {
            let done = match job {
                Job::Write(recovery) => journal.write(&recovery),
                Job::Clear => journal.clear(),
            };
            if let Err(error) = done {
                turn.give(error);
            }
        })
        .map_err(|source| ReviewError::Write { source, path: folder.to_owned() })?;
        Ok(Self { worker, volume: volume.to_owned(), revision: None, written: None })
    }

    /// Writes what is new; says after which time to be called again, where something must wait
    pub(super) fn keep(&mut self, session: &Session, review_file: Option<&PathBuf>) -> Option<Duration> {
        if !session.is_unsaved() {
            if self.revision.take().is_some() {
                self.worker.ask(Job::Clear);
            }
            return None;
        }
        if self.revision == Some(session.revision()) {
            return None;
        }
        if let Some(wait) = self.written.and_then(|then| EVERY.checked_sub(then.elapsed())) {
            return Some(wait);
        }
        self.write(session, review_file, Left::Running);
        None
    }

    fn write(&mut self, session: &Session, review_file: Option<&PathBuf>, left: Left) {
        self.worker.ask(Job::Write(Box::new(Recovery {
            volume: self.volume.clone(),
            review_file: review_file.cloned(),
            review: session.review().clone(),
            history: session.history(),
            left,
        })));
        self.revision = Some(session.revision());
        self.written = Some(Instant::now());
    }

    /// What could not be written since the last time
    pub(super) fn trouble(&self) -> Option<ReviewError> {
        self.worker.take().pop()
    }

    /// Writes what is unsaved, or clears the file, and waits until that is done
    pub(super) fn finish(mut self, session: &Session, review_file: Option<&PathBuf>) {
        if session.is_unsaved() {
            self.write(session, review_file, Left::Closed);
        } else {
            self.worker.ask(Job::Clear);
        }
        self.worker.finish();
    }
}
