//! `narrows cohort`: many volumes, two tables.
//!
//! How they are measured stands in [`crate::cohort`]; here are the journal beside the table, and the tables.

use std::ffi::OsString;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use clap::Args;

use super::progress::Progress;
use super::{Exit, Failure, input, output};
use crate::cohort::{self, CohortError, CohortOptions, Entry, Measured};
use crate::format::atomic;
use crate::report::study::{Journal, JournalError, dictionary_csv, table_csv, table_parquet};
use crate::report::{put_among, refuse_among};
use crate::space::Direction;
use crate::study::cohort::{Cohort, Outcome, assemble};
use crate::unit::MetresPerSecond;

/// The verb that starts a worker; it stands in no listing
pub(super) const WORKER: &str = "cohort-worker";

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// A folder, searched to its bottom; a text file with one path a line; or one volume. The parts of a
    /// volume in several files are brought together
    source: PathBuf,
    /// The table of jets, .csv or .parquet; NAME.volumes.*, NAME.dictionary.csv, NAME.manifest.json (the list of
    /// them) and the journal go beside it
    #[arg(long, value_name = "TABLE")]
    out: PathBuf,
    /// How many volumes are measured side by side; each already uses all cores for most of its work
    #[arg(long, value_name = "NUMBER", default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=i64::from(cohort::MOST_WORKERS)))]
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

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Csv,
    Parquet,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let kind = kind(&arguments.out)?;
    let entries = listed(&arguments.source)?;
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
    let place = Place::of(&arguments.out, kind)?;
    refuse_among(&place.folder, &place.stem, place.names.iter().map(String::as_str))?;
    let (journal, mut known) = Journal::open(&beside)?;
    for other in others(&arguments.with)? {
        known.add_file(&other)?;
    }
    if known.damaged > 0 {
        output::say(&format!("note: {} damaged lines of the journal are passed over", known.damaged));
    }
    let progress = Progress::with_time_left();
    let options = CohortOptions {
        nyquist: arguments.nyquist,
        anterior_posterior: arguments.ap,
        workers: usize::from(arguments.workers),
    };
    let began = Instant::now();
    let Measured { outcomes, fresh } =
        cohort::measure_all(&entries, &options, &worker, Some(journal), known, progress.watch())?;
    drop(progress);
    let cohort = assemble(
        entries
            .iter()
            .zip(&outcomes)
            .map(|(entry, (hash, outcome))| (entry.name.as_str(), hash.as_str(), outcome)),
    );
    write(&cohort, &place, kind)?;
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

/// Where the tables go: those of the volumes, the dictionary, those of the jets
struct Place {
    folder: PathBuf,
    stem: String,
    names: [String; 3],
}

impl Place {
    fn of(out: &Path, kind: Kind) -> Result<Self, Failure> {
        let name = out.file_name().and_then(|name| name.to_str());
        let stem = out.file_stem().and_then(|stem| stem.to_str());
        let (Some(name), Some(stem)) = (name, stem) else {
            return Err(Failure::usage(
                format!("this is no name for a table: {}", out.display()),
                "give one like cohort.csv",
            ));
        };
        let ending = if kind == Kind::Csv { "csv" } else { "parquet" };
        Ok(Self {
            folder: atomic::folder_of(out).to_owned(),
            stem: stem.to_owned(),
            names: [format!("{stem}.volumes.{ending}"), format!("{stem}.dictionary.csv"), name.to_owned()],
        })
    }
}

/// Writes both tables and the dictionary
fn write(cohort: &Cohort, place: &Place, kind: Kind) -> Result<(), Failure> {
    let bytes = |table| match kind {
        Kind::Csv => Ok(table_csv(table).into_bytes()),
        Kind::Parquet => table_parquet(table).map_err(|error| Failure::internal(error.to_string())),
    };
    let contents = [bytes(&cohort.volumes)?, dictionary_csv(cohort).into_bytes(), bytes(&cohort.jets)?];
    let files: Vec<_> = place.names.iter().cloned().zip(contents).collect();
    Ok(put_among(&files, &place.folder, &place.stem)?)
}

/// The volumes that a folder, a list or a single file stands for, in order
pub(super) fn listed(source: &Path) -> Result<Vec<Entry>, Failure> {
    let found = cohort::entries(source)?;
    if found.others > 0 {
        output::say(&format!("note: {} files of other kinds are passed over", found.others));
    }
    Ok(found.entries)
}

/// The command of a worker: the program again
#[cfg_attr(target_os = "linux", allow(clippy::unnecessary_wraps))]
fn worker() -> io::Result<Command> {
    // The very program that runs, even where its file was replaced meanwhile.
    #[cfg(target_os = "linux")]
    let program = PathBuf::from("/proc/self/exe");
    #[cfg(not(target_os = "linux"))]
    let program = std::env::current_exe()?;
    let mut command = Command::new(program);
    #[cfg(unix)]
    {
        use std::os::unix::process::CommandExt as _;
        command.arg0("narrows");
    }
    command.arg(WORKER);
    Ok(command)
}

/// Works for a cohort
pub(super) fn serve() -> Result<Exit, Failure> {
    cohort::serve().map_err(|error| Failure::internal(error.to_string()))?;
    Ok(Exit::Done)
}

impl From<CohortError> for Failure {
    fn from(error: CohortError) -> Self {
        let hint = error.hint();
        match error {
            CohortError::Stopped { .. } => {
                Self { exit: Exit::Cancelled, error: error.to_string(), hint: Some(hint) }
            }
            CohortError::Lost(what) => Self::internal(what),
            error => Self::usage(error.to_string(), hint),
        }
    }
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
    fn the_name_tells_the_kind() {
        assert!(kind(Path::new("a.CSV")).is_ok() && kind(Path::new("a.parquet")).is_ok());
        assert!(kind(Path::new("a")).is_err());
        assert_eq!(beside(Path::new("x/a.csv"), "journal"), Path::new("x/a.csv.journal"));
    }
}
