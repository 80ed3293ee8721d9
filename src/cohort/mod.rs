//! Many volumes measured, each by a process of its own (`worker`); one that dies is one failed row.
//!
//! What is done goes to a journal at once, where there is one: a run that was killed goes on where it stopped.
//! The tables are put together at the end, in the order of the list.

mod entries;
mod worker;

use std::io;
use std::path::PathBuf;
use std::process::Command;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

pub use entries::{Entry, Listed, all_entries, entries, grouped};
pub use worker::serve;

use crate::format::FormatError;
use crate::job::{CancelToken, Watch};
use crate::report::study::{Journal, JournalError, Known, journal_key};
use crate::space::Direction;
use crate::study::cohort::Outcome;
use crate::unit::MetresPerSecond;
use worker::{Answer, Settings, Worker};

/// Why a cohort was not measured
#[derive(Debug, thiserror::Error)]
pub enum CohortError {
    /// The list of volumes cannot be read
    #[error("cannot read the list of volumes: {source}: {}", path.display())]
    List {
        /// Where it lies
        path: PathBuf,
        /// What the system said
        source: io::Error,
    },
    /// A folder cannot be listed
    #[error(transparent)]
    Format(#[from] FormatError),
    /// The journal cannot be used
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// No process can be had
    #[error("cannot start a process to measure in: {0}")]
    Start(io::Error),
    /// A fault of ours
    #[error("{0}")]
    Lost(&'static str),
    /// Stopped
    #[error("cancelled; {done} of {count} volumes are done")]
    Stopped {
        /// Volumes that are done
        done: usize,
        /// All volumes
        count: usize,
    },
}

impl CohortError {
    /// What the user can do about it
    pub fn hint(&self) -> String {
        match self {
            Self::List { .. } => "give a folder, a text file with one path a line, or one volume".to_owned(),
            Self::Format(error) => error.hint(),
            Self::Journal(error) => error.hint().to_owned(),
            Self::Start(_) => "close other programs and try again; what is done stays done".to_owned(),
            Self::Lost(_) => "this is a fault of the program: please report it".to_owned(),
            Self::Stopped { .. } => "the same command goes on from there".to_owned(),
        }
    }
}

/// Most volumes that are measured side by side: more would wait for each other's memory and cores
pub const MOST_WORKERS: u8 = 2;

/// What is the same for all volumes of a cohort
#[derive(Clone, Copy, Debug, Default)]
pub struct CohortOptions {
    /// Nyquist velocity, where the files do not state it or state it wrongly
    pub nyquist: Option<MetresPerSecond>,
    /// Anterior-posterior direction in the volumes' frame of reference
    pub anterior_posterior: Option<Direction>,
    /// How many volumes are measured side by side; each already uses all cores for most of its work
    pub workers: usize,
}

impl CohortOptions {
    /// What settles a measurement besides its bytes, in words: part of the journal's keys
    fn words(&self) -> String {
        format!(
            "nyquist {:?}; ap {:?}",
            self.nyquist.map(MetresPerSecond::get),
            self.anterior_posterior.map(|ap| [ap.x, ap.y, ap.z])
        )
    }
}

/// How a worker is started: the command of a process that calls [`serve`]
pub type Start = dyn Fn() -> io::Result<Command> + Sync;

/// What became of the volumes
#[derive(Clone, Debug)]
pub struct Measured {
    /// Hash and outcome of each, in the order of the list
    pub outcomes: Vec<(String, Outcome)>,
    /// How many were worked on now, the others being known
    pub fresh: usize,
}

/// Measures all volumes of a list
///
/// What is in `known` is not measured again; what is measured goes to the journal, where there is one.
///
/// # Errors
/// See [`CohortError`]. A volume that cannot be measured is an outcome, not an error.
pub fn measure_all(
    entries: &[Entry],
    options: &CohortOptions,
    start: &Start,
    journal: Option<Journal>,
    known: Known,
    watch: &Watch,
) -> Result<Measured, CohortError> {
    let bench = Bench {
        start,
        settings: Settings::new(options.nyquist, options.anterior_posterior),
        words: options.words(),
        journal: Mutex::new(journal),
        known: Mutex::new(known),
        progress: watch.clone(),
        token: watch.token().clone(),
        next: AtomicUsize::new(0),
        done: AtomicUsize::new(0),
        fresh: AtomicUsize::new(0),
    };
    let outcomes = bench.run(entries, options.workers.max(1))?;
    Ok(Measured { outcomes, fresh: bench.fresh.load(Ordering::Relaxed) })
}

struct Bench<'a> {
    start: &'a Start,
    settings: Settings,
    words: String,
    journal: Mutex<Option<Journal>>,
    known: Mutex<Known>,
    progress: Watch,
    token: CancelToken,
    next: AtomicUsize,
    done: AtomicUsize,
    fresh: AtomicUsize,
}

type Done = (String, Outcome);

impl Bench<'_> {
    /// Measures all entries; the answer is in their order
    fn run(&self, entries: &[Entry], workers: usize) -> Result<Vec<Done>, CohortError> {
        let slots: Mutex<Vec<Option<Done>>> = Mutex::new(vec![None; entries.len()]);
        let first_failure: Mutex<Option<CohortError>> = Mutex::new(None);
        let work = || {
            let mut worker = None;
            while let Some(at) = self.take(entries.len()) {
                match self.one(&entries[at], &mut worker, entries.len()) {
                    Ok(done) => {
                        if let Ok(mut slots) = slots.lock() {
                            slots[at] = Some(done);
                        }
                    }
                    Err(failure) => {
                        if let Ok(mut first) = first_failure.lock() {
                            first.get_or_insert(failure);
                        }
                        // The others end at their next step.
                        self.token.cancel();
                        return;
                    }
                }
            }
        };
        std::thread::scope(|scope| {
            for number in 1..workers {
                let named = std::thread::Builder::new().name(format!("cohort-{number}"));
                // Where no thread can be had, the work is done by those there are.
                let _ = named.spawn_scoped(scope, work);
            }
            work();
        });
        if let Some(failure) = first_failure.into_inner().ok().flatten() {
            return Err(failure);
        }
        let slots = slots.into_inner().map_err(|_| CohortError::Lost("a worker was lost"))?;
        slots.into_iter().collect::<Option<Vec<_>>>().ok_or(CohortError::Lost("a volume was lost"))
    }

    fn take(&self, count: usize) -> Option<usize> {
        let at = self.next.fetch_add(1, Ordering::Relaxed);
        (at < count).then_some(at)
    }

    fn one(&self, entry: &Entry, worker: &mut Option<Worker>, count: usize) -> Result<Done, CohortError> {
        let done = match with(self.start, worker, |worker| worker.hash(&entry.files, &self.token))? {
            Answer::Told(Ok(hash)) => {
                let key = journal_key(&hash, &self.words);
                let seen = self.known.lock().ok().and_then(|known| known.get(&key).cloned());
                let outcome = match seen {
                    Some(outcome) => outcome,
                    None => self.fresh(entry, worker, &hash, &key, count)?,
                };
                (hash, outcome)
            }
            // Not kept: the file may be there tomorrow.
            Answer::Told(Err(reason)) => (String::new(), Outcome::failed(&reason)),
            Answer::Died(how) => (String::new(), died(&how)),
            Answer::Stopped => return Err(self.stopped(count)),
        };
        let finished = self.done.fetch_add(1, Ordering::Relaxed) + 1;
        self.progress.step("measuring volumes", finished, count).map_err(|_| self.stopped(count))?;
        Ok(done)
    }

    fn fresh(
        &self,
        entry: &Entry,
        worker: &mut Option<Worker>,
        hash: &str,
        key: &str,
        count: usize,
    ) -> Result<Outcome, CohortError> {
        let measured = with(self.start, worker, |worker| {
            worker.measure(&entry.files, hash, self.settings, &self.token)
        })?;
        self.fresh.fetch_add(1, Ordering::Relaxed);
        let outcome = match measured {
            Answer::Told(outcome) => outcome,
            // Not kept: with more memory it may go well.
            Answer::Died(how) => return Ok(died(&how)),
            Answer::Stopped => return Err(self.stopped(count)),
        };
        let mut journal = self.journal.lock().map_err(|_| CohortError::Lost("the journal was lost"))?;
        if let Some(journal) = journal.as_mut() {
            journal.append(key, &outcome)?;
        }
        if let Ok(mut known) = self.known.lock() {
            known.insert(key.to_owned(), outcome.clone());
        }
        Ok(outcome)
    }

    fn stopped(&self, count: usize) -> CohortError {
        CohortError::Stopped { done: self.done.load(Ordering::Relaxed), count }
    }
}

/// Asks a worker, which is started where there is none; one that died is not asked again
fn with<T>(
    start: &Start,
    worker: &mut Option<Worker>,
    ask: impl FnOnce(&mut Worker) -> Answer<T>,
) -> Result<Answer<T>, CohortError> {
    let mut one = match worker.take() {
        Some(one) => one,
        None => start().and_then(Worker::start).map_err(CohortError::Start)?,
    };
    let answer = ask(&mut one);
    if matches!(answer, Answer::Told(_)) {
        *worker = Some(one);
    }
    Ok(answer)
}

fn died(how: &str) -> Outcome {
    Outcome::failed(&format!(
        "the process that measured it ended early ({how}): perhaps it needs more memory"
    ))
}
