//! What is kept: reviews, reports and pages in files, and unsaved work that was left behind.

use std::path::{Path, PathBuf};

use crate::app::failure::{ReviewOrigin, Waiting};
use crate::app::{dates, names};
use crate::review::{self, Different, Left, Orphan, Review, orphans};
use crate::ui::{Leftover, Weight};

use super::{Desk, RECENT};

impl Desk {
    pub(super) fn save(&mut self) {
        let Some(open) = &self.open else { return };
        let path = match &open.review_file {
            Some(path) => path.clone(),
            None => names::free(&open.path),
        };
        self.save_as(path);
    }

    /// Saves under a name from the dialog, which a review is known by only where it ends as one
    pub(super) fn save_as_chosen(&mut self, path: PathBuf) {
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
    pub(super) fn save_as_typed(&mut self, path: &Path) {
        let path = names::ended(path);
        let own = self.open.as_ref().is_some_and(|open| open.review_file.as_ref() == Some(&path));
        if path.exists() && !own {
            let text = format!("there is a file of that name already: {}", path.display());
            return self.say(Weight::Trouble, text, "nothing was saved; choose another name");
        }
        self.save_as(path);
    }

    /// Shows a file with the program that the system has for it
    pub(super) fn show_file(&mut self, path: &Path) {
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

    pub(super) fn save_as(&mut self, path: PathBuf) {
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

    pub(super) fn report(&mut self) {
        let Some(open) = &self.open else { return };
        let review = open.session.review();
        if review.results.is_none() && !review.is_blind() {
            return;
        }
        let stem = open.path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
        let folder = open.path.with_file_name(format!("{stem}-report"));
        self.jobs.report(Box::new(open.session.review().clone()), open.volume.clone(), folder);
    }

    /// Writes what the page shows beside the volume
    pub(super) fn write_page(&mut self) {
        let (Some(open), Some(shown)) = (&self.open, &self.page) else { return };
        let made = shown.made.clone();
        let stem = open.path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
        let folder = open.path.with_file_name(made.folder(&stem));
        self.jobs.write(made, folder);
    }

    pub(super) fn close(&mut self) {
        self.page = None;
        self.put_away();
        self.notices.clear();
        self.waiting = None;
        self.show_volume(None);
        self.look_for_leftovers();
    }

    /// Nothing goes on; unsaved work stays behind in its recovery file, saved work leaves none
    pub(super) fn put_away(&mut self) {
        self.jobs.cancel();
        self.save_when_known = false;
        if let Some(mut open) = self.open.take()
            && let Some(autosave) = open.autosave.take()
        {
            autosave.finish(&open.session, open.review_file.as_ref());
        }
    }

    pub(super) fn recover(&mut self, index: usize) {
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

    pub(super) fn look_for_leftovers(&mut self) {
        self.orphans.clear();
        self.orphans = orphans(&self.options.state_folder);
        let text = std::fs::read_to_string(self.recent_file()).unwrap_or_default();
        self.recent = serde_json::from_str(&text).unwrap_or_default();
        self.recent.retain(|path| path.exists());
        self.recent.truncate(RECENT);
        self.tell_leftovers();
    }

    pub(super) fn tell_leftovers(&mut self) {
        self.leftovers = self.orphans.iter().map(leftover).collect();
    }
}

/// Before the hash of a volume was taken there is none to compare
pub(super) fn different(review: &Review) -> Different {
    if review.source.blake3.is_empty() { Different::Accept } else { Different::Refuse }
}

pub(super) fn leftover(orphan: &Orphan) -> Leftover {
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
