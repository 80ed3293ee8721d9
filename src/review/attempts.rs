//! Saved reviews of a practice set, found and scored.

use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use super::{Review, ReviewError, load, practised};
use crate::job::Watch;
use crate::measure::MeasureError;
use crate::study::practice::{self, Attempt, KeyCase, PracticeError};
use crate::volume::Volume4;

/// How the name of a review ends
const REVIEW: &str = ".review.json";

/// One review that was found
#[derive(Clone, Debug)]
pub struct SavedReview {
    /// The first folder below the one searched, or the folder that holds the reviews
    pub learner: String,
    /// Its path from the folder searched, with slashes
    pub name: String,
    /// When it was saved, seconds since 1970 (UTC)
    pub saved_s: Option<u64>,
    /// The review
    pub review: Review,
}

/// Why a saved review could not be scored
#[derive(Debug, thiserror::Error)]
pub enum AttemptError {
    /// Its numbers could not be made
    #[error(transparent)]
    Measure(#[from] MeasureError),
    /// They could not be held against the truth
    #[error(transparent)]
    Score(#[from] PracticeError),
}

/// The reviews in a file or below a folder, in the order of their paths, and a note for each that is
/// passed over because it cannot be read
///
/// # Errors
/// Where the folder cannot be read; where the file itself cannot be read as a review.
pub fn saved_below(source: &Path) -> Result<(Vec<SavedReview>, Vec<String>), ReviewError> {
    if source.is_dir() {
        let mut paths = Vec::new();
        search(source, Depth::All, &mut paths)?;
        return Ok(read(source, paths));
    }
    // Alone a file that cannot be read is an error; among others it must not stop them.
    let review = load(source)?;
    let folder = source.parent().unwrap_or(Path::new(""));
    Ok((vec![named(folder, source, review)], Vec::new()))
}

/// The reviews that lie in a folder, without those in folders below it, as [`saved_below`]
///
/// # Errors
/// Where the folder cannot be read.
pub fn saved_in(folder: &Path) -> Result<(Vec<SavedReview>, Vec<String>), ReviewError> {
    let mut paths = Vec::new();
    search(folder, Depth::One, &mut paths)?;
    Ok(read(folder, paths))
}

fn read(folder: &Path, mut paths: Vec<PathBuf>) -> (Vec<SavedReview>, Vec<String>) {
    paths.sort();
    let (mut found, mut notes) = (Vec::new(), Vec::new());
    for path in paths {
        match load(&path) {
            Ok(review) => found.push(named(folder, &path, review)),
            Err(error) => notes.push(format!("{} is passed over: {error}", below(folder, &path))),
        }
    }
    (found, notes)
}

fn named(base: &Path, path: &Path, review: Review) -> SavedReview {
    let whole = std::path::absolute(base).unwrap_or_else(|_| base.to_owned());
    let own = whole.file_name().map_or_else(|| "learner".into(), |name| name.to_string_lossy().into_owned());
    let name = below(base, path);
    let learner = name.split_once('/').map_or(own, |(first, _)| first.to_owned());
    let saved = std::fs::metadata(path).and_then(|metadata| metadata.modified()).ok();
    let saved_s = saved.and_then(|time| Some(time.duration_since(UNIX_EPOCH).ok()?.as_secs()));
    SavedReview { learner, name, saved_s, review }
}

/// A path from a folder, with slashes
fn below(base: &Path, path: &Path) -> String {
    let below = path.strip_prefix(base).unwrap_or(path);
    below.components().map(|part| part.as_os_str().to_string_lossy()).collect::<Vec<_>>().join("/")
}

/// How far down a search goes
#[derive(Clone, Copy, PartialEq, Eq)]
enum Depth {
    /// The folder alone
    One,
    /// All below it
    All,
}

fn search(folder: &Path, depth: Depth, paths: &mut Vec<PathBuf>) -> Result<(), ReviewError> {
    let failed = |source| ReviewError::Read { source, path: folder.to_owned() };
    for entry in std::fs::read_dir(folder).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        let name = entry.file_name().to_string_lossy().into_owned();
        if name.starts_with('.') {
            continue;
        }
        // A link to a folder is not followed: it may lead in circles.
        if entry.file_type().is_ok_and(|kind| kind.is_dir()) {
            if depth == Depth::All {
                search(&entry.path(), depth, paths)?;
            }
        } else if name.ends_with(REVIEW) {
            paths.push(entry.path());
        }
    }
    Ok(())
}

/// A saved review of a case as a scored attempt; `volume` is the case's
///
/// # Errors
/// See [`AttemptError`].
pub fn scored(
    saved: SavedReview,
    case: &KeyCase,
    volume: &Volume4,
    watch: &Watch,
) -> Result<Attempt, AttemptError> {
    let read = practised(&saved.review, volume, watch)?;
    let score = practice::score(volume, &case.truth, &read, watch)?;
    Ok(Attempt {
        learner: saved.learner,
        case: case.id.clone(),
        title: case.case.title.clone(),
        grade: case.case.grade,
        teaches: case.case.teaches.clone(),
        attempt: 0,
        saved_s: saved.saved_s,
        review: saved.name,
        blind: saved.review.is_read_blind(),
        score,
    })
}
