//! What the reader wants.

use crate::app::open::{Choice, MeasuredWith};
use crate::app::pages::{self, Screen};
use crate::app::{dates, practised};
use crate::review::{self, Command, Different, SignOff};
use crate::study::sweep::Over;
use crate::ui::{Action, Weight};

use super::Desk;

impl Desk {
    pub(super) fn act(&mut self, action: Action) {
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

    pub(super) fn command(&mut self, command: Command) {
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

    pub(super) fn compare(&mut self, other: pages::Other) {
        let Some(open) = &self.open else { return };
        let (review, screen) = (open.session.review().clone(), self.screen());
        self.jobs.page(open.volume.clone(), move |volume, watch| {
            pages::compare(&review, volume, &other, screen, watch)
        });
    }

    pub(super) fn compare_again(&mut self) {
        let other = self.open.as_ref().and_then(|open| open.session.review().work.other.clone());
        if let Some(other) = other {
            self.compare(pages::Other::Known(other));
        }
    }

    pub(super) fn sweep(&mut self, over: Over) {
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
    pub(super) fn screen(&self) -> Screen {
        Screen { width: self.ctx.content_rect().width(), density: self.ctx.pixels_per_point() }
    }

    pub(super) fn practise(&mut self) {
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
}
