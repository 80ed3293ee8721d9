//! The page of practice: this reading against the truth, and those saved before it.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};

use crate::format::{self, OpenOptions};
use crate::job::Watch;
use crate::measure::MeasureError;
use crate::report::AreaUnit;
use crate::report::study::{practice_figure, practice_jet};
use crate::report::words::{fixed, signed};
use crate::review::{self, AttemptError, Review, SavedReview};
use crate::study::practice::{Attempt, Cause, KeyCase, PracticeError, STANDING, Scores};
use crate::volume::Volume4;

use super::failure::Failure;
use super::pages::{BESIDE, Draft, LOOK, Made, Screen};

/// The reading on the screen
pub(super) struct Reading {
    pub(super) review: Review,
    /// Its file, where the file holds all of it
    pub(super) file: Option<PathBuf>,
    /// The file of its volume
    pub(super) volume: PathBuf,
}

/// How the reading on the screen is called among those in files
const NOW: &str = "on the screen";

/// The reading on the screen and the reviews beside it against the truth; `Ok(None)` where it was stopped
pub(super) fn practised(
    reading: Reading,
    volume: &Arc<Volume4>,
    screen: Screen,
    watch: &Watch,
) -> Result<Option<Draft>, Failure> {
    let mut review = reading.review;
    if review.source.blake3.is_empty() {
        review.source.blake3 =
            format::hash(&reading.volume).map_err(|error| Failure::of(&error, &error.hint()))?;
    }
    let own = review.source.blake3.clone();
    let key = review::key_of(&reading.volume, &own).map_err(|error| Failure::of(&error, error.hint()))?;
    let beside = reading.file.as_deref().unwrap_or(&reading.volume).parent().unwrap_or(Path::new(""));
    let beside = if beside.as_os_str().is_empty() { Path::new(".") } else { beside };
    // The reading itself counts though nothing beside it can be read.
    let (found, mut notes) = review::saved_in(beside).unwrap_or_default();
    let file =
        reading.file.as_deref().and_then(Path::file_name).map(|name| name.to_string_lossy().into_owned());
    let mut found: Vec<SavedReview> =
        found.into_iter().filter(|saved| Some(&saved.name) != file.as_ref()).collect();
    found.push(SavedReview {
        learner: String::new(),
        name: NOW.to_owned(),
        saved_s: SystemTime::now().duration_since(UNIX_EPOCH).ok().map(|since| since.as_secs()),
        review,
    });
    let quiet = Watch::new(watch.token().clone(), |_, _, _| {});
    let mut opened: Option<(String, Arc<Volume4>)> = None;
    let mut attempts = Vec::new();
    let all = found.len();
    for (done, mut saved) in found.into_iter().enumerate() {
        if watch.step("scoring", done, all).is_err() {
            return Ok(None);
        }
        let Some(case) = key.cases.iter().find(|case| case.blake3 == saved.review.source.blake3) else {
            continue;
        };
        "your readings".clone_into(&mut saved.learner);
        let name = saved.name.clone();
        let of_case = match volume_of(case, &own, volume, &reading.volume, &mut opened) {
            Ok(of_case) => of_case,
            Err(why) => {
                notes.push(format!("{name} is passed over: {why}"));
                continue;
            }
        };
        match review::scored(saved, case, &of_case, &quiet) {
            Ok(attempt) => attempts.push(attempt),
            Err(
                AttemptError::Measure(MeasureError::Cancelled(_))
                | AttemptError::Score(PracticeError::Cancelled(_)),
            ) => return Ok(None),
            Err(error) if name == NOW => return Err(Failure::of(&error, LOOK)),
            Err(error) => notes.push(format!("{name} is passed over: {error}")),
        }
    }
    let scores = Scores::of(attempts, notes);
    let Some(now) = scores.attempts.iter().find(|attempt| attempt.review == NOW) else { return Ok(None) };
    let figure = screen.paint(&practice_figure(&scores).finish(), BESIDE)?;
    Ok(Some(Draft {
        title: format!("Practice: {}", now.title),
        headline: headline(now),
        sentence: sentence(now, &scores),
        cautions: now.score.remarks.clone(),
        notes: notes_of(now, &scores),
        table: table(now),
        pictures: vec![("Error by attempt".to_owned(), figure)],
        beside: BESIDE,
        made: Made::Practised(Arc::new(scores)),
    }))
}

/// The volume of a case: the open one, or one beside it; the last one opened is kept
fn volume_of(
    case: &KeyCase,
    own: &str,
    open: &Arc<Volume4>,
    path: &Path,
    opened: &mut Option<(String, Arc<Volume4>)>,
) -> Result<Arc<Volume4>, String> {
    if case.blake3 == own {
        return Ok(open.clone());
    }
    if let Some((_, volume)) = opened.as_ref().filter(|(blake3, _)| *blake3 == case.blake3) {
        return Ok(volume.clone());
    }
    let volume = format::open(&path.with_file_name(&case.file), &OpenOptions::default())
        .map_err(|error| error.to_string())?;
    if volume.provenance.blake3 != case.blake3 {
        return Err(format!("{} is not the volume that the key is for", case.file));
    }
    let volume = Arc::new(volume);
    *opened = Some((case.blake3.clone(), volume.clone()));
    Ok(volume)
}

fn headline(now: &Attempt) -> String {
    let score = &now.score;
    let percent =
        score.error_percent.map_or_else(String::new, |percent| format!("  ({} %)", signed(percent, 0)));
    format!("{}{percent}", error(score.error_mm2))
}

/// An area too much or too little
fn error(mm2: f64) -> String {
    let unit = AreaUnit::default();
    format!("{} {}", signed(unit.of(mm2), 2), unit.sign())
}

fn sentence(now: &Attempt, scores: &Scores) -> String {
    let score = &now.score;
    let unit = AreaUnit::default();
    let [reported, truth] = [score.reported_mm2, score.truth_mm2].map(|mm2| fixed(unit.of(mm2), 2));
    let mut words = format!("Your reading is {reported} cm², the true effective area {truth} cm².");
    if !now.blind {
        words.push_str(
            " It was made with what the program finds in view, and counts apart from blind readings.",
        );
    }
    let own = scores.learners.iter().find(|own| own.blind == now.blind);
    if let Some((cause, share)) =
        own.and_then(|own| own.most_to_gain.map(|cause| (cause, own.part_size_percent.of(cause))))
    {
        let share = fixed(share, 0);
        let _ =
            write!(words, " Over all such readings most is to gain from the {} ({share} %).", cause.word());
    }
    if let Some((first, last)) = own.and_then(|own| own.first_percent.zip(own.last_percent)) {
        let (first, last) = (fixed(first, 0), fixed(last, 0));
        let _ = write!(words, " Cases read again went from {first} % to {last} %.");
    }
    words
}

fn table(now: &Attempt) -> Vec<Vec<String>> {
    let parts = &now.score.parts_mm2;
    let row = |name: &str, value: f64, meaning: &str| vec![name.to_owned(), error(value), meaning.to_owned()];
    let mut table = vec![["part", "error", "what it is"].map(str::to_owned).to_vec()];
    table.extend(Cause::ALL.iter().map(|cause| row(cause.word(), parts.of(*cause), cause.meaning())));
    table.push(row("together", now.score.error_mm2, "your reading less the truth"));
    table
}

fn notes_of(now: &Attempt, scores: &Scores) -> Vec<String> {
    let jets = now.score.jets.iter().map(practice_jet);
    let teaches = Some(now.teaches.clone()).filter(|words| !words.is_empty());
    jets.chain(teaches).chain(scores.notes.iter().cloned()).chain([STANDING.to_owned()]).collect()
}
