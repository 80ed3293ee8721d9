//! The desk: what is open, the threads that work on it, and what becomes of the reader's wishes.
//!
//! It needs a toolkit's context but no window, so the tests work at the same desk as the reader.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

use crate::format::OpenOptions;
use crate::gpu::Device;
use crate::measure::{MeasureError, Measurement, Results};
use crate::review::{self, Command, JetId, Orphan, Review, Session, state_folder};
use crate::ui::{
    Action, Card, Facts, Found, Leftover, Notice, Pictures, Reading, Scene, TiltMap, ViewState, Weight,
    screen_ui,
};
use crate::volume::Volume4;

use super::autosave::Autosave;
use super::context_pictures::ContextPictures;
use super::failure::{Failure, Waiting};
use super::gpu_pictures::GpuPictures;
use super::layer::Layer;
use super::notices::Notices;
use super::open::{Choice, Jobs, MeasuredWith, News};
use super::pages::{self, Shown};
use super::pictures::{DrawWhen, PlainPictures};
use super::signals::Signals;
use super::tilts::{TiltJob, TiltKey, tilts};
use super::worker::{Notify, Worker, step_back};
use super::{reading, samples};

use opening::found_volume;

mod keeping;
mod opening;
mod wishes;

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
    ///
    /// What is drawn is laid into the window, of this format, by a pass on that device.
    pub fn use_device_for_context(&mut self, device: Arc<Device>, format: crate::gpu::wgpu::TextureFormat) {
        self.use_processor();
        self.adapter = format!("the processor; context: {}", device.words());
        let layer = Layer::of_copies(&self.ctx, device.clone(), format);
        self.plain.use_layer(layer.clone());
        // Without a thread the context stays a wire model.
        if let Ok(context) = ContextPictures::new(layer, device, self.notify.clone()) {
            self.plain.use_context(context);
        }
    }

    /// Lets go of every device: a driver must not be at work on a thread when the program ends
    pub fn let_go_of_devices(&mut self) {
        self.use_processor();
        self.plain.finish_context(&self.ctx);
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

    /// Makes what the screen is drawn with cheaper, where the graphics adapter is a program
    pub fn lighten(&self, shapes: &mut [egui::epaint::ClippedShape]) {
        self.plain.lighten(shapes);
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

    fn measure(&mut self) {
        let Some(open) = &mut self.open else { return };
        let options = review::options(open.session.review());
        open.asked_measured = Some(MeasuredWith::of(&options));
        self.jobs.measure(open.volume.clone(), options);
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
