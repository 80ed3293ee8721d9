//! A review being worked on: commands in, history kept.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::measure::results::JetResult;
use crate::measure::{Results, own_evidence};
use crate::severity::{Evidence, Grading, Item, grade};
use crate::space::Cut;

use super::pose::Base;
use super::settings::within;
use super::tracing::Tracing;
use super::{
    Command, Effect, JetId, Key, Place, Review, ReviewError, Settings, Sight, SignOff, Turn, Work, beside,
};

mod edits;

/// The work as it was, and where the edit that followed was made
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Step {
    work: Work,
    place: Place,
}

/// Steps that can be taken back and done again, to be kept with work that is not saved
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct History {
    past: Vec<Step>,
    future: Vec<Step>,
}

/// Steps of each kind that are kept with unsaved work (our own choice: it is written every second)
const KEPT_STEPS: usize = 100;

/// Whether commands are being gathered into one step
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Burst {
    /// Each command is a step
    None,
    /// Begun, nothing changed yet
    Begun,
    /// Begun, and the step is on the pile
    Gathering,
}

/// A review being worked on
///
/// [`Session::apply`] is the only way in. Undo and redo have no limit but memory.
#[derive(Clone, Debug)]
pub struct Session {
    review: Review,
    past: Vec<Step>,
    future: Vec<Step>,
    burst: Burst,
    revision: u64,
    saved: u64,
    edition: u64,
    numbers: Option<(u64, Arc<Results>)>,
    grading: Option<Grading>,
}

/// What of the reader's work the grading depends on
fn graded_by(work: &Work) -> (&Evidence, &str) {
    (&work.evidence, &work.criteria)
}

impl Session {
    /// A session on a review that counts as saved
    pub fn new(review: Review) -> Self {
        let mut session = Self {
            review,
            past: Vec::new(),
            future: Vec::new(),
            burst: Burst::None,
            revision: 0,
            saved: 0,
            edition: 0,
            numbers: None,
            grading: None,
        };
        session.take_measured();
        session.grade();
        session
    }

    /// A session on a review that was left behind, with the steps that led there
    ///
    /// Steps that contradict the review are left out, all of them: a part of a history is none.
    pub fn resume(review: Review, history: History) -> Self {
        let sound = |step: &Step| {
            Review { work: step.work.clone(), place: step.place, ..review.clone() }.check().is_ok()
        };
        let whole = history.past.iter().chain(&history.future).all(sound);
        let History { past, future } = if whole { history } else { History::default() };
        let mut session = Self { past, future, ..Self::new(review) };
        session.mark_unsaved();
        session
    }

    /// The last steps that can be taken back and done again
    pub fn history(&self) -> History {
        let last = |steps: &[Step]| steps[steps.len().saturating_sub(KEPT_STEPS)..].to_vec();
        History { past: last(&self.past), future: last(&self.future) }
    }

    /// The document
    pub fn review(&self) -> &Review {
        &self.review
    }

    /// All measurements on one scale, with what the reader typed in; `None` before the measurement
    pub fn grading(&self) -> Option<&Grading> {
        self.grading.as_ref()
    }

    fn grade(&mut self) {
        let results = self.numbers.as_ref().map(|(_, numbers)| numbers);
        let work = &self.review.work;
        // A document that was read, and every command, was checked: the table is there.
        let criteria = beside::criteria(work).unwrap_or_default();
        self.grading = results.map(|results| grade(&criteria, &work.evidence, &own_evidence(results)));
    }

    /// The numbers as the reader left them: those of the report; `None` until they are known
    ///
    /// Whether they are those of the work as it is now, [`Session::is_current`] says.
    pub fn numbers(&self) -> Option<&Arc<Results>> {
        self.numbers.as_ref().map(|(_, numbers)| numbers)
    }

    /// Whether the numbers are those of the work as it is now
    pub fn is_current(&self) -> bool {
        self.numbers.as_ref().is_some_and(|(edition, _)| *edition == self.edition)
    }

    /// What the numbers say of a jet; `None` where it is not measured, excluded or nowhere traced
    pub fn jet(&self, jet: JetId) -> Option<&JetResult> {
        let (_, numbers) = self.numbers.as_ref()?;
        let name = jet.to_string();
        let of = |result: &&JetResult| match &result.reading.jet {
            Some(known) => *known == name,
            None => result.id.to_string() == name,
        };
        numbers.jets.iter().find(of)
    }

    /// A number that is different after every change that may change a reported number
    pub fn edition(&self) -> u64 {
        self.edition
    }

    /// Takes in the numbers of an edition, made by [`super::reread`]
    pub fn take_numbers(&mut self, edition: u64, mut numbers: Results) {
        self.review.source.blake3.clone_into(&mut numbers.source.blake3);
        self.numbers = Some((edition, Arc::new(numbers)));
        self.grade();
    }

    /// Where the reader did nothing, the numbers are the measurement's own
    fn take_measured(&mut self) {
        if self.review.work.is_untouched() && self.review.signed.is_none() {
            self.numbers = self.review.results.clone().map(|results| (self.edition, results));
        }
    }

    /// A number that is different after every change, of work, place or results
    pub fn revision(&self) -> u64 {
        self.revision
    }

    /// Whether there is work that was not saved
    pub fn is_unsaved(&self) -> bool {
        self.revision != self.saved
    }

    /// Says that the document as it is now was saved
    pub fn mark_saved(&mut self) {
        self.saved = self.revision;
    }

    /// Says that the document holds work that is not in its file
    fn mark_unsaved(&mut self) {
        self.revision += 1;
    }

    /// Says where the volume lies, as the document should remember it
    pub fn place_source(&mut self, path: String) {
        self.review.source.path = path;
    }

    /// Says what the hash of the volume's file is, once it was taken
    pub fn identify(&mut self, blake3: &str) {
        let saved = !self.is_unsaved();
        blake3.clone_into(&mut self.review.source.blake3);
        if let Some(results) = &mut self.review.results {
            blake3.clone_into(&mut Arc::make_mut(results).source.blake3);
        }
        if let Some((_, numbers)) = &mut self.numbers {
            blake3.clone_into(&mut Arc::make_mut(numbers).source.blake3);
        }
        self.revision += 1;
        if saved {
            self.mark_saved();
        }
    }

    /// Whether there is a step to take back
    pub fn can_undo(&self) -> bool {
        !self.past.is_empty()
    }

    /// Whether there is a step to do again
    pub fn can_redo(&self) -> bool {
        !self.future.is_empty()
    }

    /// Takes in what the measurement found; never undone
    ///
    /// A reader who has not chosen a jet yet is shown the first one at its peak frame.
    pub fn learn(&mut self, mut results: Results) {
        self.review.source.blake3.clone_into(&mut results.source.blake3);
        let first = results.jets.first().map(|jet| (JetId::Found(jet.id as u32), jet.peak_frame));
        let fresh = self.review.results.is_none();
        let saved = !self.is_unsaved();
        self.review.results = Some(Arc::new(results));
        self.revision += 1;
        self.edition += 1;
        if saved && self.review.work.is_untouched() {
            // Nothing of the reader's would be lost: the same volume gives the same results.
            self.mark_saved();
        }
        if let Some((jet, frame)) = first
            && fresh
            && self.review.place.jet == JetId::Free
            && self.review.work.is_untouched()
            && frame < self.review.source.frames
        {
            self.review.place = Place { frame, jet, ..self.review.place };
        }
        if !self.review.has(self.review.place.jet) {
            self.review.place.jet = JetId::Free;
        }
        self.take_measured();
        self.grade();
    }

    /// The base of the selected jet in the current frame
    pub fn base(&self) -> Base {
        self.review.base(self.review.place.jet, self.review.place.frame)
    }

    /// The turn of the selected jet
    pub fn turn(&self) -> Turn {
        self.review.turn(self.review.place.jet)
    }

    /// The en-face cut of the selected jet in the current frame
    pub fn en_face(&self) -> Cut {
        self.base().en_face(&self.turn())
    }

    /// Does a command
    ///
    /// # Errors
    /// See [`ReviewError`]; the review is then as it was before.
    pub fn apply(&mut self, command: Command) -> Result<Effect, ReviewError> {
        let threshold = self.review.work.settings.threshold;
        let only_looks = |settings: &Settings| settings.threshold == threshold;
        match &command {
            Command::Begin
            | Command::Commit
            | Command::NewVersion
            | Command::ReadBlind
            | Command::Frame(_)
            | Command::Select(_)
            | Command::Field(_) => {}
            Command::Set(settings) if only_looks(settings) => {}
            _ => self.lock().map_or(Ok(()), Err)?,
        }
        match command {
            Command::Begin => {
                self.burst = Burst::Begun;
                Ok(Effect::Unchanged)
            }
            Command::Commit => {
                self.burst = Burst::None;
                Ok(Effect::Unchanged)
            }
            Command::Undo => Ok(self.travel(Travel::Back)),
            Command::Redo => Ok(self.travel(Travel::Forward)),
            Command::Sign(sign_off) => Ok(self.sign(sign_off)),
            Command::NewVersion => Ok(self.new_version()),
            Command::Frame(frame) => {
                self.frame_exists(frame)?;
                Ok(self.go(Place { frame, ..self.review.place }))
            }
            Command::Select(jet) => {
                self.jet_exists(jet)?;
                Ok(self.go(Place { jet, ..self.review.place }))
            }
            Command::Field(field_mm) => {
                within("the field", field_mm, 0.0, 500.0)?;
                Ok(self.go(Place { field_mm, ..self.review.place }))
            }
            Command::ReadBlind => self.read_blind(),
            Command::Reveal => self.reveal(),
            Command::Set(settings) if only_looks(&settings) => {
                settings.check()?;
                Ok(self.look(settings))
            }
            edit => self.edit(edit),
        }
    }

    fn read_blind(&mut self) -> Result<Effect, ReviewError> {
        if self.review.results.is_some() || self.review.work != Work::default() {
            return Err(ReviewError::Seen);
        }
        let saved = !self.is_unsaved();
        self.review.sight = Sight::Blind;
        self.revision += 1;
        if saved {
            self.mark_saved();
        }
        Ok(Effect::Changed(Key::All))
    }

    fn reveal(&mut self) -> Result<Effect, ReviewError> {
        if !self.review.is_blind() {
            return Ok(Effect::Unchanged);
        }
        let work = &self.review.work;
        let blind: Vec<Arc<Tracing>> =
            work.tracings.iter().filter(|tracing| work.fault(tracing).is_none()).cloned().collect();
        let width = [Item::VcWidthMm, Item::VcWidthBiplaneMm].map(|item| work.evidence.number(item));
        if blind.is_empty() && width == [None; 2] && work.notes.trim().is_empty() {
            return Err(ReviewError::NothingRead);
        }
        self.review.sight = Sight::Revealed { blind };
        self.changed();
        Ok(Effect::Changed(Key::All))
    }

    /// Why nothing may be changed, where the review was signed off
    pub fn lock(&self) -> Option<ReviewError> {
        self.review.signed.as_ref().map(|signed| ReviewError::Signed(signed.reader.clone()))
    }

    fn sign(&mut self, sign_off: SignOff) -> Effect {
        self.burst = Burst::None;
        self.review.signed = Some(sign_off);
        self.changed();
        Effect::Changed(Key::Notes)
    }

    fn new_version(&mut self) -> Effect {
        if self.review.signed.take().is_none() {
            return Effect::Unchanged;
        }
        self.review.edition += 1;
        self.changed();
        Effect::Changed(Key::Notes)
    }

    /// Something is different that is saved and that the report says
    fn changed(&mut self) {
        self.revision += 1;
        self.edition += 1;
        self.take_measured();
    }

    fn frame_exists(&self, frame: usize) -> Result<(), ReviewError> {
        let frames = self.review.source.frames;
        if frame < frames.max(1) { Ok(()) } else { Err(ReviewError::Frame { frame, frames }) }
    }

    fn jet_exists(&self, jet: JetId) -> Result<(), ReviewError> {
        if self.review.has(jet) { Ok(()) } else { Err(ReviewError::Jet(jet)) }
    }

    fn go(&mut self, place: Place) -> Effect {
        if place == self.review.place {
            return Effect::Unchanged;
        }
        self.without_work(|review| review.place = place);
        Effect::Changed(Key::Place)
    }

    /// Shows the volume otherwise: no step of the history, since no number follows it
    fn look(&mut self, settings: Settings) -> Effect {
        if settings == self.review.work.settings {
            return Effect::Unchanged;
        }
        self.without_work(|review| review.work.settings = settings);
        Effect::Changed(Key::Settings)
    }

    /// A change that is kept when the review is saved, but is no work to lose
    fn without_work(&mut self, change: impl FnOnce(&mut Review)) {
        let saved = !self.is_unsaved();
        change(&mut self.review);
        self.revision += 1;
        if saved {
            self.mark_saved();
        }
    }

    fn travel(&mut self, travel: Travel) -> Effect {
        self.burst = Burst::None;
        let (from, to) = match travel {
            Travel::Back => (&mut self.past, &mut self.future),
            Travel::Forward => (&mut self.future, &mut self.past),
        };
        let Some(step) = from.pop() else { return Effect::Unchanged };
        let now = std::mem::replace(&mut self.review.work, step.work);
        // How the volume is shown is no part of any step.
        let threshold = self.review.work.settings.threshold;
        self.review.work.settings = Settings { threshold, ..now.settings };
        // The place of the edit belongs to the step in both directions.
        to.push(Step { work: now, place: step.place });
        // How near the reader looks is no part of any step.
        self.review.place = Place { field_mm: self.review.place.field_mm, ..step.place };
        if !self.review.has(step.place.jet) {
            self.review.place.jet = JetId::Free;
        }
        self.revision += 1;
        self.edition += 1;
        self.take_measured();
        self.grade();
        Effect::Changed(Key::All)
    }

    /// An edit of the work: done on a copy, which becomes the work when nothing went wrong
    fn edit(&mut self, command: Command) -> Result<Effect, ReviewError> {
        let place = self.review.place;
        let before = self.review.work.clone();
        let effect = match self.alter(command) {
            Ok(effect) => effect,
            Err(error) => {
                self.review.work = before;
                self.review.place = place;
                return Err(error);
            }
        };
        if self.review.work == before {
            self.review.place = place;
            return Ok(Effect::Unchanged);
        }
        if self.burst != Burst::Gathering {
            self.past.push(Step { work: before, place });
        }
        if self.burst == Burst::Begun {
            self.burst = Burst::Gathering;
        }
        self.future.clear();
        self.revision += 1;
        self.edition += 1;
        if self.past.last().is_none_or(|step| graded_by(&step.work) != graded_by(&self.review.work)) {
            self.grade();
        }
        Ok(effect)
    }
}

#[derive(Clone, Copy)]
enum Travel {
    Back,
    Forward,
}

#[cfg(test)]
mod tests;
