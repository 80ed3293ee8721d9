//! Volumes of a cohort are measured by a process of their own: whatever a file does to it, it is one row.
//!
//! A file may ask for more memory than there is, or be cut short while it is read; the system then ends the
//! process, and nothing in it can answer for that. So a cohort starts a worker (the program, or Python with the
//! package, again), asks it for one volume after the other (a line of JSON each way), and starts another where
//! it died. A worker whose cohort is gone ends at once.

use std::ffi::OsString;
use std::io::{self, BufRead as _, BufReader, Write as _};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::Duration;

use nalgebra::{Unit, Vector3};
use serde::{Deserialize, Serialize};

use crate::format::{self, HashWhen, OpenOptions};
use crate::job::{CancelToken, Watch};
use crate::measure::{self, Options};
use crate::space::Direction;
use crate::study::cohort::Outcome;
use crate::unit::MetresPerSecond;

/// What is the same for all volumes of a cohort
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(super) struct Settings {
    nyquist_m_s: Option<f64>,
    anterior_posterior: Option<[f64; 3]>,
}

impl Settings {
    pub(super) fn new(nyquist: Option<MetresPerSecond>, ap: Option<Direction>) -> Self {
        Self {
            nyquist_m_s: nyquist.map(MetresPerSecond::get),
            anterior_posterior: ap.map(|ap| [ap.x, ap.y, ap.z]),
        }
    }
}

/// What a worker is asked
#[derive(Serialize, Deserialize)]
enum Asked {
    /// The hash of a volume's files
    Hash(Vec<OsString>),
    /// Its measurement
    Measure { files: Vec<OsString>, hash: String, settings: Settings },
}

/// What it answers
#[derive(Serialize, Deserialize)]
enum Told {
    /// The hash, or why there is none
    Hash(Result<String, String>),
    Measured(Outcome),
}

/// What came of a question
pub(super) enum Answer<T> {
    Told(T),
    /// The work was stopped
    Stopped,
    /// The worker died of it; how, in words
    Died(String),
}

/// A worker, seen from the cohort
pub(super) struct Worker {
    child: Child,
    asks: ChildStdin,
    tells: Receiver<String>,
}

impl Worker {
    /// Starts one by the command that ends in [`serve`]
    ///
    /// # Errors
    /// What the system said.
    pub(super) fn start(mut command: Command) -> io::Result<Self> {
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn()?;
        let (Some(asks), Some(answers)) = (child.stdin.take(), child.stdout.take()) else {
            return Err(io::Error::other("the worker cannot be spoken to"));
        };
        let (tell, tells) = sync_channel(1);
        let listen = move || {
            for line in BufReader::new(answers).lines() {
                let Ok(line) = line else { return };
                if tell.send(line).is_err() {
                    return;
                }
            }
        };
        std::thread::Builder::new().name("cohort-listener".to_owned()).spawn(listen)?;
        Ok(Self { child, asks, tells })
    }

    /// The hash of a volume's files, or why there is none
    pub(super) fn hash(&mut self, files: &[PathBuf], token: &CancelToken) -> Answer<Result<String, String>> {
        match self.ask(&Asked::Hash(files.iter().map(OsString::from).collect()), token) {
            Answer::Told(Told::Hash(hash)) => Answer::Told(hash),
            Answer::Told(Told::Measured(_)) => Answer::Died("it gave another answer".to_owned()),
            Answer::Stopped => Answer::Stopped,
            Answer::Died(how) => Answer::Died(how),
        }
    }

    /// The measurement of a volume whose hash is known
    pub(super) fn measure(
        &mut self,
        files: &[PathBuf],
        hash: &str,
        settings: Settings,
        token: &CancelToken,
    ) -> Answer<Outcome> {
        let files = files.iter().map(OsString::from).collect();
        match self.ask(&Asked::Measure { files, hash: hash.to_owned(), settings }, token) {
            Answer::Told(Told::Measured(outcome)) => Answer::Told(outcome),
            Answer::Told(Told::Hash(_)) => Answer::Died("it gave another answer".to_owned()),
            Answer::Stopped => Answer::Stopped,
            Answer::Died(how) => Answer::Died(how),
        }
    }

    fn ask(&mut self, asked: &Asked, token: &CancelToken) -> Answer<Told> {
        let asking = serde_json::to_string(asked)
            .map_err(io::Error::other)
            .and_then(|line| writeln!(self.asks, "{line}").and_then(|()| self.asks.flush()));
        if asking.is_err() {
            return self.died();
        }
        loop {
            if token.is_cancelled() {
                return Answer::Stopped;
            }
            match self.tells.recv_timeout(Duration::from_millis(50)) {
                Ok(line) => {
                    let told = serde_json::from_str(&line);
                    return told.map_or_else(|error| Answer::Died(error.to_string()), Answer::Told);
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return self.died(),
            }
        }
    }

    fn died<T>(&mut self) -> Answer<T> {
        let Ok(status) = self.child.wait() else { return Answer::Died("it is gone".to_owned()) };
        #[cfg(unix)]
        {
            use std::os::unix::process::ExitStatusExt as _;
            // Ctrl-C reaches the worker as well, perhaps before it reaches the cohort.
            const INTERRUPTED: i32 = 2;
            if status.signal() == Some(INTERRUPTED) {
                return Answer::Stopped;
            }
        }
        Answer::Died(status.to_string())
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        // It may be at work for a cohort that was stopped.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Answers on stdin and stdout until nobody asks any more; then the process ends
///
/// # Errors
/// What the system said where no thread can be had, or a question is none.
pub fn serve() -> io::Result<()> {
    let (ask, asks) = sync_channel(1);
    let hear = move || {
        for line in io::stdin().lock().lines() {
            let Ok(line) = line else { break };
            if ask.send(line).is_err() {
                break;
            }
        }
        // Whoever asked is gone, and what is being measured is for nobody.
        std::process::exit(0);
    };
    std::thread::Builder::new().name("cohort-asked".to_owned()).spawn(hear)?;
    while let Ok(line) = asks.recv() {
        let told = serde_json::to_string(&answer(&serde_json::from_str(&line)?))?;
        let mut out = io::stdout().lock();
        if writeln!(out, "{told}").and_then(|()| out.flush()).is_err() {
            break;
        }
    }
    Ok(())
}

fn answer(asked: &Asked) -> Told {
    let paths = |files: &[OsString]| files.iter().map(PathBuf::from).collect::<Vec<_>>();
    match asked {
        Asked::Hash(files) => {
            let files = paths(files);
            Told::Hash(format::hash_files(&files).map_err(|error| without_paths(&error.to_string(), &files)))
        }
        Asked::Measure { files, hash, settings } => {
            // A fault of ours in one file is told as such.
            let measured = catch_unwind(AssertUnwindSafe(|| measure(&paths(files), hash, *settings)));
            let failed = |_| Outcome::failed("the program failed on this file: please report it");
            Told::Measured(measured.unwrap_or_else(failed))
        }
    }
}

fn measure(files: &[PathBuf], hash: &str, settings: Settings) -> Outcome {
    let options = OpenOptions {
        nyquist: settings.nyquist_m_s.map(MetresPerSecond::new),
        hash: HashWhen::Later,
        ..OpenOptions::default()
    };
    let mut volume = match format::open_all(files, &options) {
        Ok(volume) => volume,
        Err(error) => return Outcome::failed(&without_paths(&error.to_string(), files)),
    };
    hash.clone_into(&mut volume.provenance.blake3);
    // Of length one already, to the last digit.
    let ap = settings.anterior_posterior.map(|ap| Unit::new_unchecked(Vector3::from(ap)));
    let options = Options { anterior_posterior: ap, ..Options::default() };
    match measure::measure(&volume, &options, &Watch::silent()) {
        Ok(results) => Outcome::of(&results),
        Err(error) => Outcome::failed(&error.to_string()),
    }
}

/// A reason without the folder it happened in, so that tables made elsewhere are the same
fn without_paths(reason: &str, files: &[PathBuf]) -> String {
    files.iter().fold(reason.to_owned(), |reason, path| reason.replace(&format!(": {}", path.display()), ""))
}
