//! The desk: what is open, the threads that work on it, and what becomes of the reader's wishes.
//!
//! It needs a toolkit's context but no window, so the tests work at the same desk as the reader.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use crate::format::{Gathered, OpenOptions};
use crate::gpu::Device;
use crate::measure::{ENGINE, MeasureError, Measurement, Results};
use crate::review::{
    self, Command, Different, JetId, Left, Orphan, Review, Session, SignOff, orphans, state_folder,
};
use crate::study::sweep::Over;
use crate::ui::{
    Action, Card, Facts, Found, Leftover, Notice, Opening, PathPurpose, Pictures, Reading, Scene, TiltMap,
    ViewState, Weight, screen_ui,
};
use crate::unit::MetresPerSecond;
use crate::volume::Volume4;

use super::autosave::Autosave;
use super::context_pictures::ContextPictures;
use super::dates;
use super::failure::{Failure, ReviewOrigin, Waiting};
use super::gpu_pictures::GpuPictures;
use super::names;
use super::notices::Notices;
use super::open::{Choice, Jobs, MeasuredWith, News, Opened};
use super::pages::{self, Screen, Shown};
use super::pictures::{DrawWhen, PlainPictures};
use super::practised;
use super::reading;
use super::samples;
use super::signals::Signals;
use super::tilts::{TiltJob, TiltKey, tilts};
use super::worker::{Notify, Worker, step_back};

/// Whether the system's file dialogs may be used
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Dialogs {
    /// They may
    #[default]
    System,
    /// They may not: a test, or a machine without
    None,
}

/// So many volumes opened last are offered
const RECENT: usize = 6;

/// How a desk is set up
#[derive(Clone, Debug)]
pub struct DeskOptions {
    /// Where recovery files lie
    pub state_folder: PathBuf,
    /// Where the sample volumes lie
    pub samples: Option<PathBuf>,
    /// When plain pictures are drawn
    pub draw: DrawWhen,
    /// Whether dialogs may be used
    pub dialogs: Dialogs,
}

impl Default for DeskOptions {
    fn default() -> Self {
        Self {
            state_folder: state_folder(),
            samples: samples::folder(),
            draw: DrawWhen::Behind,
            dialogs: Dialogs::System,
        }
    }
}

type ReadJob = (Arc<Volume4>, Review, u64);
type NumbersJob = (Arc<Volume4>, Review, Arc<Measurement>, u64);
type NumbersSaid = (Arc<Volume4>, u64, Result<Results, MeasureError>);

/// How far a volume that was opened has come on the screen
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Dawn {
    /// Its first cuts are being drawn: nothing else may take the processor from them
    Dark,
    /// They were handed to the screen in this pass
    Seen,
    /// What needs the whole volume has begun
    Bright,
}

/// What is open
struct Open {
    volume: Arc<Volume4>,
    path: PathBuf,
    session: Session,
    facts: Facts,
    review_file: Option<PathBuf>,
    reading: Option<Reading>,
    asked_reading: Option<u64>,
    /// The revision of the last pass
    passed: u64,
    read_at: Option<u64>,
    tilt: Option<(TiltKey, TiltMap)>,
    asked_tilt: Option<TiltKey>,
    /// The measured beat, in which a review puts the reader's frames
    measured: Option<(MeasuredWith, Arc<Measurement>)>,
    asked_measured: Option<MeasuredWith>,
    asked_numbers: Option<u64>,
    /// The edition of which the numbers were made last, or said to be impossible
    told_numbers: Option<u64>,
    autosave: Option<Autosave>,
    dawn: Dawn,
}

/// The desk
pub struct Desk {
    ctx: egui::Context,
    options: DeskOptions,
    view: ViewState,
    open: Option<Open>,
    waiting: Option<Waiting>,
    /// The files that were named at the start, and what is known better than they say
    given: Option<(Vec<PathBuf>, OpenOptions)>,
    /// The volumes of several files or a folder, of which one is to be chosen
    found: Vec<Found>,
    save_when_known: bool,
    /// What the file dialog that is open is for
    choosing: Option<Choice>,
    notices: Notices,
    cards: Vec<Card>,
    card_textures: Vec<egui::TextureHandle>,
    card_worker: Option<Worker<Vec<PathBuf>, (PathBuf, egui::ColorImage)>>,
    cards_drawn: bool,
    orphans: Vec<Orphan>,
    leftovers: Vec<Leftover>,
    /// The volumes opened last that are still there, the latest first
    recent: Vec<PathBuf>,
    page: Option<Shown>,
    taken: Option<Orphan>,
    jobs: Jobs,
    reader: Worker<ReadJob, (Arc<Volume4>, u64, Reading)>,
    numbers: Worker<NumbersJob, NumbersSaid>,
    tilter: Worker<TiltJob, (Arc<Volume4>, TiltKey, TiltMap)>,
    plain: PlainPictures,
    gpu: Option<GpuPictures>,
    adapter: String,
    notify: Notify,
    ended: bool,
}

impl Desk {
    /// A desk with nothing on it
    ///
    /// # Errors
    /// Where the system gives no threads.
    pub fn new(ctx: &egui::Context, options: DeskOptions) -> std::io::Result<Self> {
        crate::ui::apply_theme(ctx);
        let notify: Notify = {
            let ctx = ctx.clone();
            Arc::new(move || ctx.request_repaint())
        };
        let signals = Arc::new(Signals::default());
        let reader = {
            let signals = signals.clone();
            Worker::start("reading", notify.clone(), move |(volume, review, revision): ReadJob, turn| {
                step_back();
                let reading = reading::read(&volume, &review, &signals);
                turn.give((volume, revision, reading));
            })?
        };
        // Pictures are drawn on the threads that all share; what takes longer has its own and holds none up.
        let processors = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
        let measuring = Arc::new(threads("measuring", processors)?);
        let pool = threads("tilt map", processors.saturating_sub(1).max(1))?;
        let numbers = {
            let measuring = measuring.clone();
            Worker::start("numbers", notify.clone(), move |job: NumbersJob, turn| {
                let (volume, review, measured, edition) = job;
                let numbers = measuring.install(|| review::reread(&review, &volume, &measured));
                turn.give((volume, edition, numbers));
            })?
        };
        let tilter = Worker::start("tilt map", notify.clone(), move |job: TiltJob, turn| {
            let Some(signal) = signals.of(&job.volume, job.frame()) else { return };
            let stale = || turn.is_stale();
            tilts(&job, &signal, &pool, stale, |map| turn.give((job.volume.clone(), job.key.clone(), map)));
        })?;
        let plain = PlainPictures::new(ctx, options.draw, notify.clone())?;
        let cards = options.samples.as_deref().map(samples::cards).unwrap_or_default();
        let mut desk = Self {
            ctx: ctx.clone(),
            view: ViewState::default(),
            open: None,
            waiting: None,
            given: None,
            found: Vec::new(),
            save_when_known: false,
            choosing: None,
            notices: Notices::default(),
            cards,
            card_textures: Vec::new(),
            card_worker: None,
            cards_drawn: false,
            orphans: Vec::new(),
            leftovers: Vec::new(),
            recent: Vec::new(),
            page: None,
            taken: None,
            jobs: Jobs::new(notify.clone(), measuring),
            reader,
            numbers,
            tilter,
            plain,
            gpu: None,
            adapter: "the processor".into(),
            notify,
            ended: false,
            options,
        };
        desk.look_for_leftovers();
        Ok(desk)
    }

    /// Draws with a graphics device from now on; where it refuses, the processor goes on drawing
    pub fn use_device(&mut self, device: Arc<Device>, format: crate::gpu::wgpu::TextureFormat) {
        let words = device.words();
        match GpuPictures::new(device, format) {
            Ok(pictures) => {
                self.adapter = words;
                self.gpu = Some(pictures);
                let volume = self.open.as_ref().map(|open| open.volume.clone());
                self.show_volume(volume);
            }
            Err(error) => self.trouble(&error, "the processor draws instead"),
        }
    }

    /// Draws with the processor from now on
    pub fn use_processor(&mut self) {
        self.gpu = None;
        self.adapter = "the processor".into();
    }

    /// Draws the cuts with the processor and only the context with a device: for an adapter that is
    /// a program on the processor, and slower at cuts than the sampler is
    pub fn use_device_for_context(&mut self, device: Arc<Device>) {
        self.use_processor();
        self.adapter = format!("the processor; context: {}", device.words());
        // Without a thread the context stays a wire model.
        if let Ok(context) = ContextPictures::new(&self.ctx, device, self.notify.clone()) {
            self.plain.use_context(context);
        }
    }

    /// Lets go of every device: a driver must not be at work on a thread when the program ends
    pub fn let_go_of_devices(&mut self) {
        self.use_processor();
        self.plain.finish_context();
    }

    /// Opens what several files or folders hold: a review, the one volume, or of several that which the reader chooses
    pub fn open_all(&mut self, mut paths: Vec<PathBuf>) {
        let review = paths.iter().position(|path| names::is_review(path));
        match (review, paths.len()) {
            (_, 0) => {}
            (Some(at), _) => self.open(paths.swap_remove(at)),
            (None, 1) => self.open(paths.remove(0)),
            _ => self.jobs.gather(paths),
        }
    }

    /// Opens a volume, a review, or what is in a folder
    pub fn open(&mut self, path: PathBuf) {
        if path.is_dir() {
            return self.jobs.gather(vec![path]);
        }
        self.found.clear();
        match self.waiting.take() {
            // A review waits for its volume, and this may be it.
            Some(waiting) if !names::is_review(&path) => {
                self.jobs.open_for(waiting, path, Different::Refuse);
            }
            _ => {
                let known = self.known_of(&path);
                self.jobs.open(path, known);
            }
        }
    }

    /// Opens files or folders of which something is known better than they say, now and whenever they are opened again
    pub fn open_knowing(&mut self, paths: Vec<PathBuf>, known: OpenOptions) {
        self.given = Some((paths.clone(), known));
        self.open_all(paths);
    }

    /// Reads the open volume again with another Nyquist velocity or baseline; what the reader did is kept
    fn read_with(&mut self, nyquist: Option<MetresPerSecond>, baseline_shift: Option<MetresPerSecond>) {
        let Some(open) = &self.open else { return };
        if let Some(error) = open.session.lock() {
            return self.trouble(&error, error.hint());
        }
        let before = self.known_of(&open.path);
        let known = OpenOptions {
            nyquist: nyquist.or(before.nyquist),
            baseline_shift: baseline_shift.or(before.baseline_shift),
            ..before
        };
        let waiting = Waiting {
            review: open.session.review().clone(),
            review_file: open.review_file.clone(),
            origin: ReviewOrigin::Again,
            known: known.clone(),
        };
        self.given = Some((vec![open.path.clone()], known));
        let different = different(&waiting.review);
        self.jobs.open_for(waiting, open.path.clone(), different);
    }

    fn known_of(&self, path: &Path) -> OpenOptions {
        let given =
            self.given.as_ref().filter(|(given, _)| given.iter().any(|given| path.starts_with(given)));
        given.map(|(_, known)| known.clone()).unwrap_or_default()
    }

    /// Opens volumes so that what the program finds stays hidden until the reader has read
    pub fn read_blind(&mut self) {
        self.view.opening = Opening::Blind;
    }

    /// Whether the reader is done
    pub fn has_ended(&self) -> bool {
        self.ended
    }

    /// The name for the window
    pub fn title(&self) -> String {
        let file = self.open.as_ref().map(|open| open.facts.file.as_str());
        let stage = self.jobs.progress().map(|progress| progress.stage);
        // What is being worked on is told in the name, for a window that is not looked at.
        let parts = [file, stage.as_deref(), Some("narrows")];
        parts.into_iter().flatten().collect::<Vec<_>>().join(" - ")
    }

    /// The session, where something is open
    pub fn session(&self) -> Option<&Session> {
        self.open.as_ref().map(|open| &open.session)
    }

    /// The numbers on the screen, where there are any
    pub fn reading(&self) -> Option<&Reading> {
        self.open.as_ref()?.reading.as_ref()
    }

    /// Whether nothing is being worked on and the numbers belong to what is shown
    pub fn is_settled(&self) -> bool {
        self.jobs.progress().is_none()
            && self.open.as_ref().is_none_or(|open| {
                (open.session.review().results.is_some() || open.session.review().is_blind())
                    && !open.session.review().source.blake3.is_empty()
                    && open.read_at == Some(open.session.revision())
                    && (open.session.is_current()
                        || open.session.review().is_blind()
                        || open.told_numbers == Some(open.session.edition()))
            })
    }

    /// Whether nothing will change on the screen by itself any more: settled, and the tilt map is fine
    pub fn is_at_rest(&self) -> bool {
        let fine = |open: &Open| open.tilt.as_ref().is_some_and(|(_, map)| map.done >= 1.0);
        self.is_settled() && self.open.as_ref().is_none_or(fine)
    }

    /// Whether the cuts of what is open are on the screen, with the pass that was drawn last
    pub fn is_seen(&self) -> bool {
        self.open.as_ref().is_some_and(|open| open.dawn != Dawn::Dark)
    }

    /// The screen, for one pass
    pub fn ui(&mut self, ui: &mut egui::Ui) {
        self.catch_up();
        self.fade_notices();
        let progress = self.jobs.progress();
        if self.open.is_none() && progress.is_none() {
            self.draw_cards();
        }
        let actions = {
            let open = self.open.as_ref();
            let pictures: &dyn Pictures = match &self.gpu {
                Some(gpu) => gpu,
                None => &self.plain,
            };
            let scene = Scene {
                session: open.map(|open| &open.session),
                facts: open.map(|open| &open.facts),
                reading: open.and_then(|open| open.reading.as_ref()),
                tilt: open.and_then(|open| open.tilt.as_ref().map(|(_, map)| map)),
                pictures,
                progress: progress.as_ref(),
                notices: self.notices.shown(),
                cards: &self.cards,
                leftovers: &self.leftovers,
                recent: &self.recent,
                review_file: open.and_then(|open| open.review_file.as_ref()),
                found: &self.found,
                page: self.page.as_ref().map(|shown| &shown.page),
                adapter: &self.adapter,
            };
            screen_ui(ui, &scene, &mut self.view)
        };
        for action in actions {
            self.act(action);
        }
        let dropped =
            ui.input(|input| input.raw.dropped_files.iter().map(|file| file.path().to_owned()).collect());
        self.open_all(dropped);
        self.ask();
    }

    /// Puts unsaved work away for the next start, or clears up after saved work
    pub fn end(&mut self) {
        self.put_away();
        self.ended = true;
    }

    // What the threads have to tell.

    fn catch_up(&mut self) {
        for news in self.jobs.take() {
            self.hear(news);
        }
        let drawn = self.card_worker.as_ref().map(Worker::take).unwrap_or_default();
        for (path, image) in drawn {
            self.put_card(&path, image);
        }
        if let Some(open) = &mut self.open {
            for (volume, revision, reading) in self.reader.take() {
                if Arc::ptr_eq(&open.volume, &volume) {
                    open.reading = Some(reading);
                    open.read_at = Some(revision);
                }
            }
            for (volume, edition, numbers) in self.numbers.take() {
                if !Arc::ptr_eq(&open.volume, &volume) {
                    continue;
                }
                open.told_numbers = Some(edition);
                match numbers {
                    Ok(numbers) => open.session.take_numbers(edition, numbers),
                    Err(error) => self.notices.say(Weight::Trouble, error.to_string(), pages::LOOK),
                }
            }
            for (volume, key, map) in self.tilter.take() {
                if Arc::ptr_eq(&open.volume, &volume) {
                    open.tilt = Some((key, map));
                }
            }
            let place = open.session.review().place;
            if open.tilt.as_ref().is_some_and(|(key, _)| !key.is_of(place)) {
                open.tilt = None;
            }
        }
        let trouble = self.open.as_ref().and_then(|open| open.autosave.as_ref()?.trouble());
        if let Some(error) = trouble {
            self.trouble(&error, error.hint());
        }
        if let Some(text) = self.gpu.as_ref().and_then(GpuPictures::trouble) {
            self.say(Weight::Trouble, format!("drawing failed: {text}"), "the processor draws instead");
            self.use_processor();
        }
    }

    fn hear(&mut self, news: News) {
        if matches!(news, News::Chosen(..) | News::NotChosen { .. }) {
            self.choosing = None;
        }
        match news {
            News::Opened(opened) => self.lay_out(*opened),
            News::Hashed(path, hash) => {
                if let Some(open) = self.open.as_mut().filter(|open| open.path == path) {
                    open.session.identify(&hash);
                    if std::mem::take(&mut self.save_when_known) {
                        self.save();
                    }
                }
            }
            News::Measured(volume, with, measured, results) => {
                // What was measured may have been closed meanwhile.
                if let Some(open) = self.open.as_mut().filter(|open| Arc::ptr_eq(&open.volume, &volume)) {
                    open.measured = Some((with, measured));
                    open.session.learn(*results);
                    open.tilt = None;
                    open.asked_tilt = None;
                }
            }
            News::Reported(page) => {
                let html = page.extension().is_some_and(|ending| ending == "html");
                let what = if html { "The report is written" } else { "Written, with what belongs to it" };
                let text = format!("{what}: {}", page.display());
                let copy = Action::Copy(page.display().to_string());
                self.notices.put(Notice {
                    weight: Weight::Plain,
                    text,
                    hint: String::new(),
                    choices: vec![("Open it".into(), Action::Show(page)), ("Copy the path".into(), copy)],
                    until: None,
                });
            }
            News::Chosen(Choice::Open | Choice::Folder, paths) => self.open_all(paths),
            News::Chosen(Choice::Save, paths) => paths.into_iter().for_each(|path| self.save_as_chosen(path)),
            News::Chosen(Choice::Other, paths) => {
                self.view.other = paths.first().map(|path| path.display().to_string()).unwrap_or_default();
            }
            News::Found(mut found) => match &mut found[..] {
                [one] => self.open(one.files.swap_remove(0)),
                _ => self.found = found.iter().filter_map(found_volume).collect(),
            },
            News::Page(volume, draft) => {
                if self.open.as_ref().is_some_and(|open| Arc::ptr_eq(&open.volume, &volume)) {
                    if let Some(other) = draft.made.other() {
                        self.command(Command::CompareWith(Some(other.clone())));
                    }
                    self.page = Some(draft.show(&self.ctx));
                }
            }
            News::NotChosen { choice, at_once: true } => self.ask_for_path(choice),
            News::NotChosen { at_once: false, .. } => {}
            News::Failed(failure) => self.fail(failure),
        }
    }

    fn fail(&mut self, failure: Failure) {
        let mut choices = Vec::new();
        if let Some(waiting) = failure.waiting {
            if let Some(path) = failure.different {
                choices.push(("Use it all the same".into(), Action::OpenDifferent(path)));
            }
            choices.push(("Choose the volume …".into(), Action::AskOpen));
            self.waiting = Some(*waiting);
        }
        self.notices.put(Notice {
            weight: Weight::Trouble,
            text: failure.text,
            hint: failure.hint,
            choices,
            until: None,
        });
    }

    fn lay_out(&mut self, opened: Opened) {
        // Whatever is still being done belongs to what lay here before.
        self.jobs.cancel();
        let Opened { volume, path, review, review_file, origin } = opened;
        let again = self.open.as_mut().filter(|_| origin == ReviewOrigin::Again).map(|open| {
            // Its work goes on below, and is nothing left behind.
            let history = open.session.history();
            open.session.mark_saved();
            history
        });
        self.put_away();
        self.notices.clear();
        let taken = self.taken.take().filter(|_| origin == ReviewOrigin::Leftover);
        let left = taken.as_ref().and_then(|orphan| Some(orphan.recovery.as_ref().ok()?.history.clone()));
        let session = match again.or(left) {
            Some(history) => Session::resume(review, history),
            None => Session::new(review),
        };
        self.remember(&path);
        let autosave = match Autosave::start(&self.options.state_folder, &path, self.notify.clone()) {
            Ok(autosave) => Some(autosave),
            Err(error) => {
                self.say(Weight::Trouble, format!("no autosave: {error}"), "save the review yourself");
                None
            }
        };
        let mut open = Open {
            facts: facts(&volume, &path),
            volume: volume.clone(),
            path: path.clone(),
            session,
            review_file,
            reading: None,
            asked_reading: None,
            passed: 0,
            read_at: None,
            tilt: None,
            asked_tilt: None,
            measured: None,
            asked_measured: None,
            asked_numbers: None,
            told_numbers: None,
            autosave,
            dawn: Dawn::Dark,
        };
        let blind = self.view.opening == Opening::Blind || review::is_of_set(&path);
        if blind && origin == ReviewOrigin::New {
            // Nothing was done to a review that is new: it cannot be refused.
            let _ = open.session.apply(Command::ReadBlind);
        }
        if let Some(autosave) = &mut open.autosave {
            autosave.keep(&open.session, open.review_file.as_ref());
        }
        if let Some(orphan) = taken {
            // Its work is in this run's own recovery file now.
            orphan.discard();
            self.look_for_leftovers();
        }
        self.page = None;
        self.view = ViewState {
            step: self.view.step,
            opening: self.view.opening,
            later: self.view.later,
            reader: std::mem::take(&mut self.view.reader),
            ..ViewState::default()
        };
        self.open = Some(open);
        self.show_volume(Some(volume));
    }

    /// Begins what needs the whole volume, once its first pictures are there
    fn begin(&mut self) {
        let Some(open) = &mut self.open else { return };
        open.dawn = Dawn::Bright;
        let review = open.session.review();
        let source = &review.source;
        let measured = review.results.as_ref().is_some_and(|results| {
            results.tool.engine == ENGINE
                && results.given.nyquist_m_s == source.nyquist_given_m_s
                && results.given.baseline_shift_m_s == source.baseline_given_m_s
        });
        if review.source.blake3.is_empty() {
            self.jobs.hash(open.path.clone());
        }
        if (!measured || !open.session.is_current()) && !review.is_blind() {
            self.measure();
        }
    }

    /// Whether the cuts of the open volume are on the screen
    fn is_shown(&self) -> bool {
        self.gpu.as_ref().map_or_else(|| self.plain.is_shown(), GpuPictures::is_shown)
    }

    fn show_volume(&mut self, volume: Option<Arc<Volume4>>) {
        self.plain.set_volume(volume.clone());
        let refused = self.gpu.as_ref().and_then(|gpu| gpu.set_volume(volume).err());
        if let Some(error) = refused {
            self.trouble(&error, "the processor draws instead");
            self.use_processor();
        }
    }

    fn measure(&mut self) {
        let Some(open) = &mut self.open else { return };
        let options = review::options(open.session.review());
        open.asked_measured = Some(MeasuredWith::of(&options));
        self.jobs.measure(open.volume.clone(), options);
    }

    // What the reader wants.

    fn act(&mut self, action: Action) {
        let shows = matches!(
            action,
            Action::Measure
                | Action::Sweep(_)
                | Action::Compare(..)
                | Action::CompareAgain
                | Action::Practise
        );
        if shows && self.open.as_ref().is_some_and(|open| open.session.review().is_blind()) {
            let text = "You read blind: what the program finds is hidden.".to_owned();
            return self.say(Weight::Plain, text, "end it at the step Jet, once you have read");
        }
        match action {
            Action::Do(command) => self.command(command),
            Action::Open(path) => self.open_all(vec![path]),
            Action::AskOpen => self.choose(Choice::Open),
            Action::AskFolder => self.choose(Choice::Folder),
            Action::CloseFound => self.found.clear(),
            Action::Save => self.save(),
            Action::AskSave => self.choose(Choice::Save),
            Action::SaveAs(path) => self.save_as_typed(&path),
            Action::Report => self.report(),
            Action::AskOther => self.choose(Choice::Other),
            Action::Compare(when, path) => self.compare(pages::Other::Chosen(when, path)),
            Action::CompareAgain => self.compare_again(),
            Action::Practise => self.practise(),
            Action::WritePage => self.write_page(),
            Action::Sweep(over) => self.sweep(over),
            Action::ClosePage => self.page = None,
            Action::Measure => self.measure(),
            Action::Cancel => self.jobs.cancel(),
            Action::Close => self.close(),
            Action::Quit => self.end(),
            Action::Sign { reader, study } => {
                let date = dates::spoken(std::time::SystemTime::now());
                self.command(Command::Sign(SignOff { reader, study, date }));
                // What was signed must be on the disk before anything can follow it.
                self.save();
            }
            Action::NewVersion if self.open.as_ref().is_some_and(|open| open.session.is_unsaved()) => {
                let text = "The version that was signed is not saved yet.".to_owned();
                self.say(Weight::Trouble, text, "save it first; the new version gets a file of its own");
            }
            Action::NewVersion => {
                self.command(Command::NewVersion);
                // What was signed stays in its file: the new version gets a name of its own.
                if let Some(open) = &mut self.open {
                    open.review_file = None;
                }
            }
            Action::Scale { nyquist, baseline } => self.read_with(nyquist, baseline),
            Action::Show(path) => self.show_file(&path),
            Action::Copy(text) => self.ctx.copy_text(text),
            Action::Recover(index) => self.recover(index),
            Action::Discard(index) => {
                if index < self.orphans.len() {
                    self.orphans.remove(index).discard();
                    self.tell_leftovers();
                }
            }
            Action::OpenDifferent(path) => {
                if let Some(waiting) = self.waiting.take() {
                    self.jobs.open_for(waiting, path, Different::Accept);
                }
            }
            Action::Dismiss(index) => self.notices.close(index),
        }
    }

    fn command(&mut self, command: Command) {
        let Some(open) = &mut self.open else { return };
        let was_blind = open.session.review().is_blind();
        let done = open.session.apply(command);
        let shown = was_blind && !open.session.review().is_blind();
        if let Err(error) = done {
            let hint = error.hint();
            self.trouble(&error, hint);
        }
        if shown {
            self.measure();
        }
    }

    fn choose(&mut self, choice: Choice) {
        if self.options.dialogs == Dialogs::None {
            return self.ask_for_path(choice);
        }
        if self.choosing.is_some() {
            return;
        }
        self.choosing = Some(choice);
        let folder = self.open.as_ref().and_then(|open| open.path.parent().map(Path::to_owned));
        let name = self.open.as_ref().map(|open| names::beside(&open.path)).unwrap_or_default();
        self.jobs.choose(choice, folder, name);
    }

    /// Without a dialog of the system's, the path is typed
    fn ask_for_path(&mut self, choice: Choice) {
        let (purpose, path) = match (choice, &self.open) {
            (Choice::Open | Choice::Folder, _) => (PathPurpose::Open, self.view.path.clone()),
            (Choice::Other, _) => (PathPurpose::Other, self.view.other.clone()),
            (Choice::Save, Some(open)) => (PathPurpose::Save, names::free(&open.path).display().to_string()),
            (Choice::Save, None) => return,
        };
        self.view.asked = Some((purpose, path));
    }

    fn save(&mut self) {
        let Some(open) = &self.open else { return };
        let path = match &open.review_file {
            Some(path) => path.clone(),
            None => names::free(&open.path),
        };
        self.save_as(path);
    }

    /// Saves under a name from the dialog, which a review is known by only where it ends as one
    fn save_as_chosen(&mut self, path: PathBuf) {
        let chosen = path;
        let path = names::ended(&chosen);
        if path != chosen && path.exists() {
            // The dialog asked about another name.
            let text = format!("there is a file of that name already: {}", path.display());
            return self.say(Weight::Trouble, text, "nothing was saved; choose another name");
        }
        self.save_as(path);
    }

    /// Saves under a name that was typed: nobody asked whether a file of that name may go
    fn save_as_typed(&mut self, path: &Path) {
        let path = names::ended(path);
        let own = self.open.as_ref().is_some_and(|open| open.review_file.as_ref() == Some(&path));
        if path.exists() && !own {
            let text = format!("there is a file of that name already: {}", path.display());
            return self.say(Weight::Trouble, text, "nothing was saved; choose another name");
        }
        self.save_as(path);
    }

    /// Shows a file with the program that the system has for it
    fn show_file(&mut self, path: &Path) {
        let program = if cfg!(target_os = "macos") {
            "open"
        } else if cfg!(windows) {
            "explorer"
        } else {
            "xdg-open"
        };
        if let Err(error) = std::process::Command::new(program).arg(path).spawn() {
            let text = format!("{program} could not be started: {error}");
            self.say(Weight::Trouble, text, "copy the path and open the file yourself");
        }
    }

    fn save_as(&mut self, path: PathBuf) {
        let Some(open) = &mut self.open else { return };
        if open.session.review().source.blake3.is_empty() {
            // Without the hash the review could not tell its volume from another.
            self.save_when_known = true;
            open.review_file = Some(path);
            return;
        }
        let mut review = open.session.review().clone();
        review.remember_volume(&open.path, &path);
        match review::save(&review, &path) {
            Ok(()) => {
                open.session.place_source(review.source.path);
                open.session.mark_saved();
                open.review_file = Some(path.clone());
                self.say(Weight::Plain, format!("Saved: {}", path.display()), "");
            }
            Err(error) => {
                let hint = error.hint();
                self.trouble(&error, hint);
            }
        }
    }

    fn report(&mut self) {
        let Some(open) = &self.open else { return };
        let review = open.session.review();
        if review.results.is_none() && !review.is_blind() {
            return;
        }
        let stem = open.path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
        let folder = open.path.with_file_name(format!("{stem}-report"));
        self.jobs.report(Box::new(open.session.review().clone()), open.volume.clone(), folder);
    }

    fn compare(&mut self, other: pages::Other) {
        let Some(open) = &self.open else { return };
        let (review, screen) = (open.session.review().clone(), self.screen());
        self.jobs.page(open.volume.clone(), move |volume, watch| {
            pages::compare(&review, volume, &other, screen, watch)
        });
    }

    fn compare_again(&mut self) {
        let other = self.open.as_ref().and_then(|open| open.session.review().work.other.clone());
        if let Some(other) = other {
            self.compare(pages::Other::Known(other));
        }
    }

    fn sweep(&mut self, over: Over) {
        let Some(open) = &self.open else { return };
        let (review, file) = (open.session.review().clone(), open.path.clone());
        let with = MeasuredWith::of(&review::options(&review));
        let measured =
            open.measured.clone().filter(|(known, _)| *known == with).map(|(_, measured)| measured);
        let screen = self.screen();
        self.jobs.page(open.volume.clone(), move |volume, watch| {
            pages::swept(&review, volume, measured, &file, over, screen, watch)
        });
    }

    /// What the pictures of a page are painted for
    fn screen(&self) -> Screen {
        Screen { width: self.ctx.content_rect().width(), density: self.ctx.pixels_per_point() }
    }

    fn practise(&mut self) {
        let Some(open) = &self.open else { return };
        let saved = !open.session.is_unsaved();
        let reading = practised::Reading {
            review: open.session.review().clone(),
            file: open.review_file.clone().filter(|_| saved),
            volume: open.path.clone(),
        };
        let screen = self.screen();
        self.jobs.page(open.volume.clone(), move |volume, watch| {
            practised::practised(reading, volume, screen, watch)
        });
    }

    /// Writes what the page shows beside the volume
    fn write_page(&mut self) {
        let (Some(open), Some(shown)) = (&self.open, &self.page) else { return };
        let made = shown.made.clone();
        let stem = open.path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
        let folder = open.path.with_file_name(made.folder(&stem));
        self.jobs.write(made, folder);
    }

    fn close(&mut self) {
        self.page = None;
        self.put_away();
        self.notices.clear();
        self.waiting = None;
        self.show_volume(None);
        self.look_for_leftovers();
    }

    /// Nothing goes on; unsaved work stays behind in its recovery file, saved work leaves none
    fn put_away(&mut self) {
        self.jobs.cancel();
        self.save_when_known = false;
        if let Some(mut open) = self.open.take()
            && let Some(autosave) = open.autosave.take()
        {
            autosave.finish(&open.session, open.review_file.as_ref());
        }
    }

    fn recover(&mut self, index: usize) {
        if index >= self.orphans.len() {
            return;
        }
        let orphan = self.orphans.remove(index);
        self.tell_leftovers();
        match &orphan.recovery {
            Ok(recovery) => {
                let waiting = Waiting {
                    review: recovery.review.clone(),
                    review_file: recovery.review_file.clone(),
                    origin: ReviewOrigin::Leftover,
                    known: self.known_of(&recovery.volume),
                };
                let different = different(&waiting.review);
                self.jobs.open_for(waiting, recovery.volume.clone(), different);
                self.taken = Some(orphan);
            }
            Err(error) => {
                let text = format!("{error}: {}", orphan.file().display());
                self.say(Weight::Trouble, text, "the file is kept as it is");
            }
        }
    }

    /// The file of the volumes opened last
    fn recent_file(&self) -> PathBuf {
        self.options.state_folder.join("recent.json")
    }

    /// Keeps a volume among those opened last
    fn remember(&mut self, path: &Path) {
        let path = std::path::absolute(path).unwrap_or(path.to_owned());
        self.recent.retain(|known| *known != path);
        self.recent.insert(0, path);
        self.recent.truncate(RECENT);
        // A list that cannot be kept is not worth a word.
        if let Ok(text) = serde_json::to_string(&self.recent) {
            let _ = std::fs::write(self.recent_file(), text);
        }
    }

    fn look_for_leftovers(&mut self) {
        self.orphans.clear();
        self.orphans = orphans(&self.options.state_folder);
        let text = std::fs::read_to_string(self.recent_file()).unwrap_or_default();
        self.recent = serde_json::from_str(&text).unwrap_or_default();
        self.recent.retain(|path| path.exists());
        self.recent.truncate(RECENT);
        self.tell_leftovers();
    }

    fn tell_leftovers(&mut self) {
        self.leftovers = self.orphans.iter().map(leftover).collect();
    }

    // What the threads should do next.

    fn ask(&mut self) {
        // Heavy work waits until the hand rests: while it moves, the pictures need the processor.
        let resting = self.view.playing.is_none() && self.ctx.input(|input| !input.pointer.any_down());
        let dawn = self.open.as_ref().map_or(Dawn::Bright, |open| open.dawn);
        self.plain.turn_over(resting && dawn == Dawn::Bright);
        match dawn {
            Dawn::Dark => {
                if self.is_shown()
                    && let Some(open) = &mut self.open
                {
                    open.dawn = Dawn::Seen;
                }
                if self.is_seen() || self.gpu.is_some() {
                    // The rest begins after this pass; and what a device drew is known only then.
                    self.ctx.request_repaint();
                }
                return;
            }
            Dawn::Seen => self.begin(),
            Dawn::Bright => {}
        }
        let Some(open) = &mut self.open else { return };
        let revision = open.session.revision();
        let review = open.session.review();
        // Where the pictures too are the processor's, a plane is traced as soon as the hand holds still, not at every place
        // on the way.
        let moves = !resting && self.gpu.is_none() && open.passed != revision;
        open.passed = revision;
        if moves {
            self.ctx.request_repaint();
        } else if open.asked_reading != Some(revision) {
            open.asked_reading = Some(revision);
            self.reader.ask((open.volume.clone(), review.clone(), revision));
        }
        let edition = open.session.edition();
        if resting && !open.session.is_current() && !review.is_blind() {
            let with = MeasuredWith::of(&review::options(review));
            match &open.measured {
                Some((known, _)) if *known == with && open.asked_numbers == Some(edition) => {}
                Some((known, measured)) if *known == with => {
                    open.asked_numbers = Some(edition);
                    let job = (open.volume.clone(), review.clone(), measured.clone(), edition);
                    self.numbers.ask(job);
                }
                // Widths along other directions, or another velocity of the core: the beat is measured anew.
                _ if open.asked_measured.as_ref() != Some(&with) && self.jobs.progress().is_none() => {
                    return self.measure();
                }
                _ => {}
            }
        }
        if resting && review.place.jet != JetId::Free && !review.is_blind() {
            let job = TiltJob::new(&open.volume, review);
            if open.asked_tilt.as_ref() != Some(&job.key) {
                open.asked_tilt = Some(job.key.clone());
                self.tilter.ask(job);
            }
        }
        if let Some(autosave) = &mut open.autosave
            && let Some(wait) = autosave.keep(&open.session, open.review_file.as_ref())
        {
            self.ctx.request_repaint_after(wait);
        }
    }

    /// Draws the pictures of the samples, once: when nothing else is looked at
    fn draw_cards(&mut self) {
        let paths: Vec<PathBuf> = self.cards.iter().map(|card| card.path.clone()).collect();
        if paths.is_empty() || std::mem::replace(&mut self.cards_drawn, true) {
            return;
        }
        if self.options.draw == DrawWhen::AtOnce {
            for path in paths {
                if let Some(image) = samples::picture(&path) {
                    self.put_card(&path, image);
                }
            }
            return;
        }
        let worker = Worker::start("samples", self.notify.clone(), |paths: Vec<PathBuf>, turn| {
            for path in paths {
                if let Some(image) = samples::picture(&path) {
                    turn.give((path, image));
                }
            }
        });
        // Without a thread the cards stay without pictures.
        if let Ok(worker) = worker {
            worker.ask(paths);
            self.card_worker = Some(worker);
        }
    }

    fn put_card(&mut self, path: &Path, image: egui::ColorImage) {
        let texture = self.ctx.load_texture("sample", image, egui::TextureOptions::LINEAR);
        for card in self.cards.iter_mut().filter(|card| card.path == path) {
            card.picture = Some(texture.id());
        }
        self.card_textures.push(texture);
    }

    // What the reader should know.

    fn trouble(&mut self, error: &dyn std::error::Error, hint: &str) {
        self.say(Weight::Trouble, error.to_string(), hint);
    }

    fn say(&mut self, weight: Weight, text: String, hint: &str) {
        self.notices.say(weight, text, hint);
    }

    /// Takes away notices whose time is over, and comes again for those whose time will be
    fn fade_notices(&mut self) {
        if let Some(next) = self.notices.fade(Instant::now()) {
            self.ctx.request_repaint_after(next);
        }
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        self.put_away();
    }
}

/// So many threads with a name, behind the drawing
fn threads(name: &'static str, count: usize) -> std::io::Result<rayon::ThreadPool> {
    let named = rayon::ThreadPoolBuilder::new().thread_name(move |number| format!("{name} {number}"));
    named.start_handler(|_| step_back()).num_threads(count).build().map_err(std::io::Error::other)
}

/// Before the hash of a volume was taken there is none to compare
fn different(review: &Review) -> Different {
    if review.source.blake3.is_empty() { Different::Accept } else { Different::Refuse }
}

fn leftover(orphan: &Orphan) -> Leftover {
    match &orphan.recovery {
        Ok(recovery) => {
            let work = &recovery.review.work;
            let counted = [
                (work.tracings.len(), "tracing", "tracings"),
                (work.turns.len(), "turned plane", "turned planes"),
                (work.evidence.iter().count(), "entry", "entries"),
            ];
            let parts = counted.into_iter().filter(|(count, _, _)| *count > 0);
            let parts: Vec<String> = parts
                .map(|(count, one, many)| format!("{count} {}", if count == 1 { one } else { many }))
                .collect();
            let file = &recovery.review.source.file;
            let head = match recovery.left {
                Left::Closed => format!("Unsaved work on {file}"),
                Left::Running => format!("The program ended with unsaved work on {file}"),
            };
            let folder = recovery.volume.parent().unwrap_or(Path::new("")).display();
            Leftover {
                head,
                place: format!("{}, in {folder}", dates::spoken(orphan.written)),
                text: if parts.is_empty() { "settings and notes".to_owned() } else { parts.join(", ") },
            }
        }
        Err(error) => Leftover {
            head: "Unsaved work that cannot be read".into(),
            place: format!("{}, {}", dates::spoken(orphan.written), orphan.file().display()),
            text: error.to_string(),
        },
    }
}

fn found_volume(volume: &Gathered) -> Option<Found> {
    let path = volume.files.first()?.clone();
    let bytes: u64 =
        volume.files.iter().filter_map(|file| std::fs::metadata(file).ok()).map(|file| file.len()).sum();
    let series = match (volume.series_name.as_str(), volume.series.as_str()) {
        ("", "") => "Without a series".to_owned(),
        ("", uid) => format!("Series {uid}"),
        (name, _) => format!("Series {name}"),
    };
    let text = format!("{}, {:.1} MB", crate::format::name(&volume.files), bytes as f64 / 1e6);
    Some(Found { uid: volume.series.clone(), series, text, path })
}

fn facts(volume: &Volume4, path: &Path) -> Facts {
    let shape = volume.grid.shape();
    let spacing = volume.grid.spacing_mm();
    let channels: Vec<String> = volume.channels().iter().map(|channel| channel.kind().to_string()).collect();
    Facts {
        file: volume.provenance.file.clone(),
        times_s: volume.timeline.times().iter().map(|time| time.get()).collect(),
        scale: volume.velocity_scale,
        channels: channels.join(", "),
        grid: format!(
            "{} × {} × {} voxels of {:.2} × {:.2} × {:.2} mm, {} frames",
            shape[0],
            shape[1],
            shape[2],
            spacing[0],
            spacing[1],
            spacing[2],
            volume.frames()
        ),
        voxels: volume.grid,
        extent_mm: (0..3).map(|i| shape[i] as f64 * spacing[i]).fold(0.0, f64::max),
        gated_beats: volume.timeline.gated_beats,
        practice: review::is_practice(path),
    }
}
