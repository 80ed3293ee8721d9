//! What is opened, and how it is laid on the desk.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::app::autosave::Autosave;
use crate::app::failure::{ReviewOrigin, Waiting};
use crate::app::gpu_pictures::GpuPictures;
use crate::app::open::{Choice, Opened};
use crate::app::pictures::DrawWhen;
use crate::app::worker::Worker;
use crate::app::{names, samples};
use crate::format::{Gathered, OpenOptions};
use crate::measure::ENGINE;
use crate::review::{self, Command, Different, Session};
use crate::ui::{Facts, Found, Opening, PathPurpose, ViewState, Weight};
use crate::unit::MetresPerSecond;
use crate::volume::Volume4;

use super::keeping::different;
use super::{Dawn, Desk, Dialogs, Open, RECENT};

impl Desk {
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
    pub(super) fn read_with(
        &mut self,
        nyquist: Option<MetresPerSecond>,
        baseline_shift: Option<MetresPerSecond>,
    ) {
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

    pub(super) fn known_of(&self, path: &Path) -> OpenOptions {
        let given =
            self.given.as_ref().filter(|(given, _)| given.iter().any(|given| path.starts_with(given)));
        given.map(|(_, known)| known.clone()).unwrap_or_default()
    }

    /// Opens volumes so that what the program finds stays hidden until the reader has read
    pub fn read_blind(&mut self) {
        self.view.opening = Opening::Blind;
    }

    pub(super) fn lay_out(&mut self, opened: Opened) {
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
    pub(super) fn begin(&mut self) {
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
    pub(super) fn is_shown(&self) -> bool {
        self.gpu.as_ref().map_or_else(|| self.plain.is_shown(), GpuPictures::is_shown)
    }

    pub(super) fn show_volume(&mut self, volume: Option<Arc<Volume4>>) {
        self.plain.set_volume(volume.clone());
        let refused = self.gpu.as_ref().and_then(|gpu| gpu.set_volume(volume).err());
        if let Some(error) = refused {
            self.trouble(&error, "the processor draws instead");
            self.use_processor();
        }
    }

    pub(super) fn choose(&mut self, choice: Choice) {
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
    pub(super) fn ask_for_path(&mut self, choice: Choice) {
        let (purpose, path) = match (choice, &self.open) {
            (Choice::Open | Choice::Folder, _) => (PathPurpose::Open, self.view.path.clone()),
            (Choice::Other, _) => (PathPurpose::Other, self.view.other.clone()),
            (Choice::Save, Some(open)) => (PathPurpose::Save, names::free(&open.path).display().to_string()),
            (Choice::Save, None) => return,
        };
        self.view.asked = Some((purpose, path));
    }

    /// The file of the volumes opened last
    pub(super) fn recent_file(&self) -> PathBuf {
        self.options.state_folder.join("recent.json")
    }

    /// Keeps a volume among those opened last
    pub(super) fn remember(&mut self, path: &Path) {
        let path = std::path::absolute(path).unwrap_or(path.to_owned());
        self.recent.retain(|known| *known != path);
        self.recent.insert(0, path);
        self.recent.truncate(RECENT);
        // A list that cannot be kept is not worth a word.
        if let Ok(text) = serde_json::to_string(&self.recent) {
            let _ = std::fs::write(self.recent_file(), text);
        }
    }

    /// Draws the pictures of the samples, once: when nothing else is looked at
    pub(super) fn draw_cards(&mut self) {
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

    pub(super) fn put_card(&mut self, path: &Path, image: egui::ColorImage) {
        let texture = self.ctx.load_texture("sample", image, egui::TextureOptions::LINEAR);
        for card in self.cards.iter_mut().filter(|card| card.path == path) {
            card.picture = Some(texture.id());
        }
        self.card_textures.push(texture);
    }
}

pub(super) fn found_volume(volume: &Gathered) -> Option<Found> {
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

pub(super) fn facts(volume: &Volume4, path: &Path) -> Facts {
    let shape = volume.grid.shape();
    let spacing = volume.grid.spacing_mm();
    let channels: Vec<String> = volume.channels().iter().map(|channel| channel.kind().to_string()).collect();
    Facts {
        file: volume.provenance.file.clone(),
        times_s: volume.timeline.times().iter().map(|time| time.get()).collect(),
        scale: volume.velocity_scale(),
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
