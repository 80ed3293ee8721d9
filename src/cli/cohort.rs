//! `narrows cohort`: many volumes, two tables.
//!
//! What is done goes to a journal beside the table at once; the tables are put together from it at
//! the end, in the order of the list. A run that was killed goes on where it stopped. Volumes are read and
//! measured by a process of their own ([`super::cohort_worker`]); one that dies is one failed row.

use std::collections::{HashMap, HashSet};
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

use clap::Args;

use super::cohort_worker::{Answer, Settings, Worker};
use super::progress::Progress;
use super::{Exit, Failure, input, output};
use crate::format::{self, Gathered};
use crate::job::{CancelToken, Watch};
use crate::report::study::{
    Journal, JournalError, Known, dictionary_csv, journal_key, table_csv, table_parquet,
};
use crate::space::Direction;
use crate::study::cohort::{Cohort, Outcome, assemble};
use crate::unit::MetresPerSecond;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// A folder, searched to its bottom; a text file with one path a line; or one volume. The parts of a
    /// volume in several files are brought together
    source: PathBuf,
    /// The table of jets, .csv or .parquet; NAME.volumes.*, NAME.dictionary.csv and the journal go
    /// beside it
    #[arg(long, value_name = "TABLE")]
    out: PathBuf,
    /// How many volumes are measured side by side; each already uses all cores for most of its work
    #[arg(long, value_name = "NUMBER", default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=2))]
    workers: u8,
    /// Journals of other runs whose measurements are taken over; of a folder, all it holds
    #[arg(long, value_name = "JOURNAL", num_args = 1..)]
    with: Vec<PathBuf>,
    /// Nyquist velocity in m/s, where the files do not state it or state it wrongly
    #[arg(long, value_name = "M/S", value_parser = input::nyquist)]
    nyquist: Option<MetresPerSecond>,
    /// Anterior-posterior direction in the volumes' frame of reference, for the long-axis width
    #[arg(long, value_name = "X,Y,Z", value_parser = input::along, allow_hyphen_values = true)]
    ap: Option<Direction>,
}

/// A volume of the list: its name in the tables, and its files in the order of its frames
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Entry {
    pub(super) name: String,
    pub(super) files: Vec<PathBuf>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Csv,
    Parquet,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let kind = kind(&arguments.out)?;
    let entries = entries(&arguments.source)?;
    if entries.is_empty() {
        return Err(Failure::usage(
            format!("no volume was found in {}", arguments.source.display()),
            "give a folder with volumes, or a list of paths",
        ));
    }
    for file in entries.iter().flat_map(|entry| &entry.files) {
        output::refuse_input(file, &arguments.out)?;
    }
    let beside = beside(&arguments.out, "journal");
    let taken = tables(&arguments.out, kind).into_iter().find(|table| table.exists());
    if let Some(table) = taken.filter(|_| !beside.exists()) {
        return Err(Failure::usage(
            format!("no run of a cohort wrote this, and it would be lost: {}", table.display()),
            "move it away, or give another name with --out",
        ));
    }
    let (journal, mut known) = Journal::open(&beside)?;
    for other in others(&arguments.with)? {
        known.add_file(&other)?;
    }
    if known.damaged > 0 {
        output::say(&format!("note: {} damaged lines of the journal are passed over", known.damaged));
    }
    let progress = Progress::with_time_left();
    let bench = Bench {
        settings: Settings::new(arguments.nyquist, arguments.ap),
        words: words(arguments),
        journal: Mutex::new(journal),
        known: Mutex::new(known),
        progress: progress.watch().clone(),
        token: progress.watch().token().clone(),
        next: AtomicUsize::new(0),
        done: AtomicUsize::new(0),
        fresh: AtomicUsize::new(0),
    };
    let began = Instant::now();
    let outcomes = bench.run(&entries, usize::from(arguments.workers))?;
    drop(progress);
    let cohort = assemble(
        entries
            .iter()
            .zip(&outcomes)
            .map(|(entry, (hash, outcome))| (entry.name.as_str(), hash.as_str(), outcome)),
    );
    write(&cohort, &arguments.out, kind)?;
    let failed: Vec<(&Entry, &str)> = entries
        .iter()
        .zip(&outcomes)
        .filter_map(|(entry, (_, outcome))| match outcome {
            Outcome::Failed { reason } => Some((entry, reason.as_str())),
            Outcome::Measured { .. } => None,
        })
        .collect();
    for (entry, reason) in &failed {
        output::say(&format!("not measured: {}: {reason}", entry.name));
    }
    let fresh = bench.fresh.load(Ordering::Relaxed);
    let seconds = began.elapsed().as_secs_f64();
    output::say(&format!(
        "{} volumes, {} jets, {} not measured; {fresh} worked on now in {seconds:.1} s{}",
        entries.len(),
        cohort.jets.rows.len(),
        failed.len(),
        if fresh > 0 {
            format!(" ({:.1} a minute)", 60.0 * fresh as f64 / seconds.max(1e-3))
        } else {
            String::new()
        },
    ));
    output::say(&format!("wrote {} and its companions", arguments.out.display()));
    if failed.len() == entries.len() {
        return Err(Failure::usage(
            "none of the volumes could be measured",
            "the reasons stand above and in the table of volumes",
        ));
    }
    Ok(Exit::Done)
}

/// The journals that paths stand for: files, and what folders hold, in order of name
fn others(paths: &[PathBuf]) -> Result<Vec<PathBuf>, Failure> {
    let mut found = Vec::new();
    for path in paths {
        if !path.is_dir() {
            found.push(path.clone());
            continue;
        }
        let inside =
            fs::read_dir(path).and_then(Iterator::collect::<Result<Vec<_>, _>>).map_err(|error| {
                Failure::usage(
                    format!("cannot read the folder of journals: {error}: {}", path.display()),
                    "check its name and your right to read it",
                )
            })?;
        let mut journals: Vec<PathBuf> = inside
            .into_iter()
            .map(|entry| entry.path())
            // An empty one belongs to a job that died before its first line.
            .filter(|path| path.extension().is_some_and(|e| e == "journal"))
            .filter(|path| fs::metadata(path).is_ok_and(|m| m.len() > 0))
            .collect();
        journals.sort();
        found.append(&mut journals);
    }
    Ok(found)
}

struct Bench {
    settings: Settings,
    words: String,
    journal: Mutex<Journal>,
    known: Mutex<Known>,
    progress: Watch,
    token: CancelToken,
    next: AtomicUsize,
    done: AtomicUsize,
    fresh: AtomicUsize,
}

type Done = (String, Outcome);

impl Bench {
    /// Measures all entries; the answer is in their order
    fn run(&self, entries: &[Entry], workers: usize) -> Result<Vec<Done>, Failure> {
        let slots: Mutex<Vec<Option<Done>>> = Mutex::new(vec![None; entries.len()]);
        let first_failure: Mutex<Option<Failure>> = Mutex::new(None);
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
        let slots = slots.into_inner().map_err(|_| Failure::internal("a worker was lost"))?;
        slots.into_iter().collect::<Option<Vec<_>>>().ok_or_else(|| Failure::internal("a volume was lost"))
    }

    fn take(&self, count: usize) -> Option<usize> {
        let at = self.next.fetch_add(1, Ordering::Relaxed);
        (at < count).then_some(at)
    }

    fn one(&self, entry: &Entry, worker: &mut Option<Worker>, count: usize) -> Result<Done, Failure> {
        let done = match with(worker, |worker| worker.hash(&entry.files, &self.token))? {
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
    ) -> Result<Outcome, Failure> {
        let measured = with(worker, |worker| worker.measure(&entry.files, hash, self.settings, &self.token))?;
        self.fresh.fetch_add(1, Ordering::Relaxed);
        let outcome = match measured {
            Answer::Told(outcome) => outcome,
            // Not kept: with more memory it may go well.
            Answer::Died(how) => return Ok(died(&how)),
            Answer::Stopped => return Err(self.stopped(count)),
        };
        let mut journal = self.journal.lock().map_err(|_| Failure::internal("the journal was lost"))?;
        journal.append(key, &outcome)?;
        if let Ok(mut known) = self.known.lock() {
            known.insert(key.to_owned(), outcome.clone());
        }
        Ok(outcome)
    }

    fn stopped(&self, count: usize) -> Failure {
        Failure {
            exit: Exit::Cancelled,
            error: format!("cancelled; {} of {count} volumes are done", self.done.load(Ordering::Relaxed)),
            hint: Some("the same command goes on from there".into()),
        }
    }
}

/// Asks a worker, which is started where there is none; one that died is not asked again
fn with<T>(
    worker: &mut Option<Worker>,
    ask: impl FnOnce(&mut Worker) -> Answer<T>,
) -> Result<Answer<T>, Failure> {
    let mut one = match worker.take() {
        Some(one) => one,
        None => Worker::start().map_err(|error| {
            Failure::usage(
                format!("cannot start a process to measure in: {error}"),
                "close other programs and try again; what is done stays done",
            )
        })?,
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

/// What settles a measurement besides its bytes, in words: part of the journal's keys
fn words(arguments: &Arguments) -> String {
    format!(
        "nyquist {:?}; ap {:?}",
        arguments.nyquist.map(MetresPerSecond::get),
        arguments.ap.map(|ap| [ap.x, ap.y, ap.z])
    )
}

fn kind(path: &Path) -> Result<Kind, Failure> {
    match path.extension().map(|e| e.to_string_lossy().to_lowercase()).as_deref() {
        Some("csv") => Ok(Kind::Csv),
        Some("parquet") => Ok(Kind::Parquet),
        _ => Err(Failure::usage(
            format!("the kind of table is not clear from its name: {}", path.display()),
            "end the name in .csv or .parquet",
        )),
    }
}

/// `TABLE.csv.journal`
fn beside(table: &Path, ending: &str) -> PathBuf {
    let mut name = OsString::from(table);
    name.push(".");
    name.push(ending);
    PathBuf::from(name)
}

/// The table of volumes, the dictionary, and the table of jets, which was named
fn tables(out: &Path, kind: Kind) -> [PathBuf; 3] {
    let ending = if kind == Kind::Csv { "volumes.csv" } else { "volumes.parquet" };
    [out.with_extension(ending), out.with_extension("dictionary.csv"), out.to_owned()]
}

/// Writes both tables and the dictionary: prepared beside their places, then moved there
fn write(cohort: &Cohort, out: &Path, kind: Kind) -> Result<(), Failure> {
    let bytes = |table| match kind {
        Kind::Csv => Ok(table_csv(table).into_bytes()),
        Kind::Parquet => table_parquet(table).map_err(|error| Failure::internal(error.to_string())),
    };
    let contents = [bytes(&cohort.volumes)?, dictionary_csv(cohort).into_bytes(), bytes(&cohort.jets)?];
    let files = tables(out, kind).into_iter().zip(contents);
    let ready: Vec<output::Ready> =
        files.map(|(path, bytes)| output::prepare(&path, &bytes)).collect::<Result<_, _>>()?;
    ready.into_iter().try_for_each(output::Ready::put)
}

/// Endings of volumes, some of which begin with a text: never taken for a list
const VOLUMES: [&str; 8] = ["dcm", "nii", "gz", "hdr", "nrrd", "nhdr", "mha", "mhd"];

/// The volumes that a folder, a list or a single file stands for, in order
pub(super) fn entries(source: &Path) -> Result<Vec<Entry>, Failure> {
    let refused = |error: std::io::Error| {
        Failure::usage(
            format!("cannot read the list of volumes: {error}: {}", source.display()),
            "give a folder, a text file with one path a line, or one volume",
        )
    };
    let metadata = fs::metadata(source).map_err(refused)?;
    if metadata.is_dir() {
        let found = format::search(source)?;
        if found.others > 0 {
            output::say(&format!("note: {} files of other kinds are passed over", found.others));
        }
        let inside = |path: &Path| {
            let inside = path.strip_prefix(source).unwrap_or(path);
            let parts: Vec<_> = inside.components().map(|c| c.as_os_str().to_string_lossy()).collect();
            parts.join("/")
        };
        let mut entries = grouped(found.files.into_iter().map(|path| (inside(&path), path)));
        entries.sort_by(|a, b| a.name.cmp(&b.name));
        return Ok(entries);
    }
    let ending = source.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    let text = if VOLUMES.contains(&ending.as_str()) { None } else { list_text(source).map_err(refused)? };
    let Some(text) = text else {
        return Ok(vec![Entry { name: format::name(&[source.to_owned()]), files: vec![source.to_owned()] }]);
    };
    let folder = source.parent().unwrap_or(Path::new(""));
    let mut seen = HashSet::new();
    let lines = text.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with('#'));
    Ok(grouped(
        lines
            .filter(|line| seen.insert((*line).to_owned()))
            // A path is meant from where the list lies, so that list and volumes can move together.
            .map(|line| (line.to_owned(), folder.join(line))),
    ))
}

/// Files with their names as volumes, the parts of one brought together
fn grouped(files: impl Iterator<Item = (String, PathBuf)>) -> Vec<Entry> {
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

impl From<JournalError> for Failure {
    fn from(error: JournalError) -> Self {
        Self::usage(error.to_string(), error.hint())
    }
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
        let names = |source: &Path| entries(source).unwrap().into_iter().map(|e| e.name).collect::<Vec<_>>();
        assert_eq!(names(temp.path()), ["b.dcm", "deep/a.dcm", "plain"]);
        fs::write(at("list.txt"), "# ours\nplain\n\n deep/a.dcm \nplain\nmissing.dcm\n").unwrap();
        assert_eq!(names(&at("list.txt")), ["plain", "deep/a.dcm", "missing.dcm"]);
        assert_eq!(entries(&at("list.txt")).unwrap()[0].files, [at("plain")]);
        assert_eq!(names(&at("b.dcm")), ["b.dcm"]);
        fs::write(at("text.dcm"), "no volume").unwrap();
        assert_eq!(names(&at("text.dcm")), ["text.dcm"]);
        assert!(entries(&at("nowhere")).is_err());
    }

    #[test]
    fn the_name_tells_the_kind() {
        assert!(kind(Path::new("a.CSV")).is_ok() && kind(Path::new("a.parquet")).is_ok());
        assert!(kind(Path::new("a")).is_err());
        assert_eq!(beside(Path::new("x/a.csv"), "journal"), Path::new("x/a.csv.journal"));
    }
}
