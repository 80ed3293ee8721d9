//! Opening, measuring, reporting: one thread a piece of work, each with a name and a progress.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use rayon::ThreadPool;

use crate::format::{self, FormatError, Gathered, HashWhen, OpenOptions, Parts};
use crate::job::{CancelToken, Watch};
use crate::measure::{self, Measurement, Results};
use crate::report::{COMPARISON_FOLDER, ReportOptions, write_comparison};
use crate::review::{self, Different, OtherVolume, Review, Source};
use crate::space::Direction;
use crate::ui::Progress;
use crate::unit::MetresPerSecond;
use crate::volume::Volume4;

use super::failure::{Failure, ReviewOrigin, Waiting};
use super::names;
use super::pages::{Draft, LOOK, Made};
use super::worker::Notify;

/// What of a review its measured beat depends on
#[derive(Clone, Debug, PartialEq)]
pub(super) struct MeasuredWith {
    anterior_posterior: Option<Direction>,
    cw_peak: Option<MetresPerSecond>,
}

impl MeasuredWith {
    pub(super) fn of(options: &measure::Options) -> Self {
        Self { anterior_posterior: options.anterior_posterior, cw_peak: options.continuous_wave.peak }
    }
}

/// What a thread has to tell
pub(super) enum News {
    /// A volume is there, with the review it was opened for or an empty one
    Opened(Box<Opened>),
    /// The hash of a volume's file
    Hashed(PathBuf, String),
    /// The measurement of a volume is done
    Measured(Arc<Volume4>, MeasuredWith, Arc<Measurement>, Box<Results>),
    /// The report is written, its page is here
    Reported(PathBuf),
    /// A page is ready
    Page(Arc<Volume4>, Box<Draft>),
    /// The reader chose files or a folder
    Chosen(Choice, Vec<PathBuf>),
    /// Several files or a folder hold these volumes
    Found(Vec<Gathered>),
    /// The dialog was closed without a file
    NotChosen {
        /// What it was for
        choice: Choice,
        /// Whether it closed faster than a hand could
        at_once: bool,
    },
    /// Something did not work
    Failed(Failure),
}

/// What a file was chosen for
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Choice {
    /// To open it
    Open,
    /// To open what is in it
    Folder,
    /// To save the review to it
    Save,
    /// To compare with it
    Other,
}

/// A volume that was opened
pub(super) struct Opened {
    pub(super) volume: Arc<Volume4>,
    pub(super) path: PathBuf,
    pub(super) review: Review,
    pub(super) review_file: Option<PathBuf>,
    pub(super) origin: ReviewOrigin,
}

/// Threads at work, and what they have to tell
pub(super) struct Jobs {
    notify: Notify,
    news: Arc<Mutex<Vec<News>>>,
    progress: Arc<Mutex<Option<Progress>>>,
    cancel: CancelToken,
    threads: Arc<ThreadPool>,
}

impl Jobs {
    /// No work yet; what measures does so on `threads`
    pub(super) fn new(notify: Notify, threads: Arc<ThreadPool>) -> Self {
        Self { notify, news: Arc::default(), progress: Arc::default(), cancel: CancelToken::new(), threads }
    }

    /// What was told since the last time
    pub(super) fn take(&self) -> Vec<News> {
        std::mem::take(&mut *self.news.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// How far the work is
    pub(super) fn progress(&self) -> Option<Progress> {
        self.progress.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Asks all work to stop
    pub(super) fn cancel(&mut self) {
        self.cancel.cancel();
        self.cancel = CancelToken::new();
        // An open dialog is no work of ours; its answer still counts.
        let mut news = self.news.lock().unwrap_or_else(PoisonError::into_inner);
        news.retain(|piece| matches!(piece, News::Chosen(..) | News::NotChosen { .. }));
        drop(news);
        *self.progress.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }

    fn start(&self, name: &str, stage: &str, work: impl FnOnce(&Watch, &dyn Fn(News)) + Send + 'static) {
        let (news, progress, notify) = (self.news.clone(), self.progress.clone(), self.notify.clone());
        let shown = Some(Progress { stage: stage.to_owned(), share: 0.0 });
        *progress.lock().unwrap_or_else(PoisonError::into_inner) = shown;
        let token = self.cancel.clone();
        let watch = {
            let (progress, notify, token) = (progress.clone(), notify.clone(), token.clone());
            Watch::new(token.clone(), move |stage, done, total| {
                let share = done as f32 / total.max(1) as f32;
                let told = Progress { stage: stage.to_owned(), share };
                if !token.is_cancelled() {
                    *progress.lock().unwrap_or_else(PoisonError::into_inner) = Some(told);
                    notify();
                }
            })
        };
        let failed = self.news.clone();
        let body = move || {
            let tell = |piece: News| {
                // What was stopped has nothing more to say.
                if !token.is_cancelled() {
                    news.lock().unwrap_or_else(PoisonError::into_inner).push(piece);
                    notify();
                }
            };
            work(&watch, &tell);
            if !token.is_cancelled() {
                *progress.lock().unwrap_or_else(PoisonError::into_inner) = None;
            }
            notify();
        };
        if let Err(error) = std::thread::Builder::new().name(name.to_owned()).spawn(body) {
            *self.progress.lock().unwrap_or_else(PoisonError::into_inner) = None;
            failed.lock().unwrap_or_else(PoisonError::into_inner).push(News::Failed(Failure {
                text: format!("the system gave no thread to work on: {error}"),
                hint: "close other programs and try again".into(),
                waiting: None,
                different: None,
            }));
        }
    }

    /// Opens a volume, or a review and its volume
    pub(super) fn open(&self, path: PathBuf, known: OpenOptions) {
        self.start("open", "opening", move |_, tell| {
            if names::is_review(&path) {
                open_review(&path, known, tell);
            } else {
                open_volume(&path, known, tell);
            }
        });
    }

    /// Looks which volumes several files or folders hold
    pub(super) fn gather(&self, paths: Vec<PathBuf>) {
        self.start("gather", "looking for volumes", move |_, tell| match format::volumes(&paths) {
            Ok(found) if found.is_empty() => {
                let error = FormatError::NoVolume { path: paths.into_iter().next().unwrap_or_default() };
                tell(failed(&error, &error.hint()));
            }
            Ok(found) => tell(News::Found(found)),
            Err(error) => tell(failed(&error, &error.hint())),
        });
    }

    /// Opens a volume for a review that waits for it
    pub(super) fn open_for(&self, waiting: Waiting, path: PathBuf, different: Different) {
        self.start("open", "opening", move |_, tell| open_waiting(waiting, &path, different, tell));
    }

    /// Measures a volume
    pub(super) fn measure(&self, volume: Arc<Volume4>, options: measure::Options) {
        let threads = self.threads.clone();
        self.start("measure", "finding the jets", move |watch, tell| {
            match threads.install(|| Measurement::of(&volume, &options, watch)) {
                Ok(measured) => {
                    let results =
                        measured.beat.results(&volume, measured.trust.clone(), &options, Vec::new());
                    let with = MeasuredWith::of(&options);
                    tell(News::Measured(volume.clone(), with, Arc::new(measured), Box::new(results)));
                }
                Err(measure::MeasureError::Cancelled(_)) => {}
                Err(error) => tell(failed(&error, LOOK)),
            }
        });
    }

    /// Takes the hash of a file
    pub(super) fn hash(&self, path: PathBuf) {
        let (news, notify, token) = (self.news.clone(), self.notify.clone(), self.cancel.clone());
        let body = move || {
            let told = match format::hash(&path) {
                Ok(hash) => News::Hashed(path.clone(), hash),
                Err(error) => failed(&error, &error.hint()),
            };
            if !token.is_cancelled() {
                news.lock().unwrap_or_else(PoisonError::into_inner).push(told);
                notify();
            }
        };
        // Without a thread the hash is taken here: a review without one could not be reopened.
        let spawned = std::thread::Builder::new().name("hash".to_owned()).spawn(body.clone());
        if spawned.is_err() {
            body();
        }
    }

    /// Writes the report of a review, with the reader's own tracings, into a folder
    pub(super) fn report(&self, read: Box<Review>, volume: Arc<Volume4>, folder: PathBuf) {
        let threads = self.threads.clone();
        self.start("report", "writing the report", move |watch, tell| {
            let results = match threads.install(|| crate::review::numbers(&read, &volume, watch)) {
                Ok(results) => results,
                Err(measure::MeasureError::Cancelled(_)) => return,
                Err(error) => {
                    tell(failed(&error, LOOK));
                    return;
                }
            };
            let options = crate::report::ReportOptions {
                watch: watch.clone(),
                ..crate::report::ReportOptions::default()
            };
            match crate::report::write_folder(&results, &volume, &folder, &options) {
                Ok(paths) => tell(News::Reported(paths.page)),
                Err(error) => return tell(failed(&error, error.hint().unwrap_or_default())),
            }
            if let Some(other) = &read.work.other
                && let Err(failure) = report_beside(results, &read, &volume, other, &folder, &options)
            {
                tell(News::Failed(failure));
            }
        });
    }

    /// Makes a page of the open volume
    pub(super) fn page(
        &self,
        volume: Arc<Volume4>,
        make: impl FnOnce(&Arc<Volume4>, &Watch) -> Result<Option<Draft>, Failure> + Send + 'static,
    ) {
        let threads = self.threads.clone();
        self.start("page", "measuring", move |watch, tell| match threads.install(|| make(&volume, watch)) {
            Ok(Some(draft)) => tell(News::Page(volume.clone(), Box::new(draft))),
            Ok(None) => {}
            Err(failure) => tell(News::Failed(failure)),
        });
    }

    /// Writes what a page is of into a folder
    pub(super) fn write(&self, made: Made, folder: PathBuf) {
        self.start("write", "writing", move |watch, tell| match made.write(&folder, watch) {
            Ok(first) => tell(News::Reported(first)),
            Err(error) => tell(failed(&error, error.hint().unwrap_or_default())),
        });
    }

    /// Asks for a file with the system's dialog
    pub(super) fn choose(&self, choice: Choice, folder: Option<PathBuf>, name: String) {
        let (news, notify) = (self.news.clone(), self.notify.clone());
        let body = move || {
            let asked = std::time::Instant::now();
            let mut dialog = rfd::FileDialog::new();
            if let Some(folder) = folder {
                dialog = dialog.set_directory(folder);
            }
            if matches!(choice, Choice::Open | Choice::Other) {
                let endings = ["dcm", "dicom", "nii", "gz", "nrrd", "nhdr", "mha", "mhd", "json"];
                dialog = dialog.add_filter("Volumes and reviews", &endings).add_filter("All files", &["*"]);
            }
            let chosen = match choice {
                Choice::Open => dialog.pick_files(),
                Choice::Folder => dialog.pick_folder().map(|path| vec![path]),
                Choice::Other => dialog.pick_file().map(|path| vec![path]),
                Choice::Save => dialog.set_file_name(name).save_file().map(|path| vec![path]),
            };
            let told = match chosen.filter(|chosen| !chosen.is_empty()) {
                Some(paths) => News::Chosen(choice, paths),
                // No dialog at all and a closed dialog both give nothing; the time tells them apart.
                None => News::NotChosen { choice, at_once: asked.elapsed().as_millis() < 300 },
            };
            news.lock().unwrap_or_else(PoisonError::into_inner).push(told);
            notify();
        };
        if std::thread::Builder::new().name("dialog".to_owned()).spawn(body).is_err() {
            self.news
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .push(News::NotChosen { choice, at_once: true });
        }
    }
}

fn failed(error: &dyn std::error::Error, hint: &str) -> News {
    News::Failed(Failure::of(error, hint))
}

fn open_volume(path: &Path, known: OpenOptions, tell: &dyn Fn(News)) {
    // The hash reads the whole file; the first picture does not wait for it.
    let options = OpenOptions { hash: HashWhen::Later, parts: Parts::Beside, ..known };
    match format::open(path, &options) {
        Ok(volume) => {
            let review = Review::new(Source::of(&volume, ""));
            tell(News::Opened(Box::new(Opened {
                volume: Arc::new(volume),
                path: path.to_owned(),
                review,
                review_file: None,
                origin: ReviewOrigin::New,
            })));
        }
        Err(error) => tell(failed(&error, &error.hint())),
    }
}

fn open_review(path: &Path, known: OpenOptions, tell: &dyn Fn(News)) {
    let review = match review::load(path) {
        Ok(review) => review,
        Err(error) => return tell(failed(&error, error.hint())),
    };
    let located = review::locate(&review, path);
    let file = review.source.file.clone();
    let waiting = Waiting { review, review_file: Some(path.to_owned()), origin: ReviewOrigin::File, known };
    match located {
        review::Located::Found(volume) => open_waiting(waiting, &volume, Different::Refuse, tell),
        review::Located::Moved { .. } => tell(News::Failed(Failure {
            text: format!("the volume of this review, {file}, is not where it was"),
            hint: "open the volume, drop it here or type its path; the review waits for it".into(),
            waiting: Some(Box::new(waiting)),
            different: None,
        })),
    }
}

fn open_waiting(waiting: Waiting, path: &Path, different: Different, tell: &dyn Fn(News)) {
    let known = OpenOptions { parts: Parts::Beside, ..waiting.known.clone() };
    let opened = format::open(path, &review::as_read(&waiting.review, known));
    let volume = match opened {
        Ok(volume) => volume,
        Err(error) => {
            return tell(News::Failed(Failure {
                text: error.to_string(),
                hint: error.hint(),
                waiting: Some(Box::new(waiting)),
                different: None,
            }));
        }
    };
    let hash = volume.provenance.blake3.clone();
    if let Err(error) = review::accept(&waiting.review, &volume, &hash, different) {
        let insist = matches!(error, review::ReviewError::DifferentVolume { .. });
        return tell(News::Failed(Failure {
            text: error.to_string(),
            hint: error.hint().into(),
            waiting: Some(Box::new(waiting)),
            different: insist.then(|| path.to_owned()),
        }));
    }
    let (source, known) = (&waiting.review.source, &waiting.known);
    let another = source.blake3 != hash;
    let named = !source.blake3.is_empty();
    let told = (source.nyquist_given_m_s.is_some() && known.nyquist.is_none())
        || (source.baseline_given_m_s.is_some() && known.baseline_shift.is_none());
    if another && named && told {
        // What was given for the one volume says nothing about the other.
        let mut waiting = waiting;
        waiting.review.source.nyquist_given_m_s = None;
        waiting.review.source.baseline_given_m_s = None;
        return open_waiting(waiting, path, different, tell);
    }
    let Waiting { mut review, review_file, origin, .. } = waiting;
    if origin == ReviewOrigin::Again {
        // Measured with another scale, it is something else.
        review.results = None;
    }
    if different == Different::Accept && another {
        // What was found belongs to the other volume; what the reader drew is kept.
        let source = Source::of(&volume, &hash);
        review.source = Source { start: review.source.start, ..source };
        review.results = None;
    }
    review.source.nyquist_given_m_s = volume.provenance.nyquist_given.map(MetresPerSecond::get);
    review.source.baseline_given_m_s = volume.provenance.baseline_given.map(MetresPerSecond::get);
    tell(News::Opened(Box::new(Opened {
        volume: Arc::new(volume),
        path: path.to_owned(),
        review,
        review_file,
        origin,
    })));
}

/// The comparison with the other volume of a review, in a folder of its own in that of the report
fn report_beside(
    results: Results,
    read: &Review,
    volume: &Volume4,
    other: &OtherVolume,
    folder: &Path,
    options: &ReportOptions,
) -> Result<(), Failure> {
    let opened = other.open().map_err(|error| Failure::of(&error, &error.hint()))?;
    let comparison = match review::against(results, read, &opened, other.when, &options.watch) {
        Ok(comparison) => comparison,
        Err(measure::MeasureError::Cancelled(_)) => return Ok(()),
        Err(error) => return Err(Failure::of(&error, LOOK)),
    };
    let folder = folder.join(COMPARISON_FOLDER);
    write_comparison(&comparison, other.in_order([volume, &opened]), &folder, options)
        .map_err(|error| Failure::of(&error, error.hint().unwrap_or_default()))?;
    Ok(())
}
