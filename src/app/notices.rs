//! What the reader should know: a few notices, the newest last.

use std::time::{Duration, Instant};

use crate::ui::{Notice, Weight};

/// A notice that all went well is read within this time
const READ_WITHIN: Duration = Duration::from_secs(8);
/// More at once would hide the screen; the oldest goes
const MOST: usize = 3;

/// The notices on the screen
#[derive(Default)]
pub(super) struct Notices {
    shown: Vec<Notice>,
}

impl Notices {
    /// As they are shown
    pub(super) fn shown(&self) -> &[Notice] {
        &self.shown
    }

    /// Says something, once; what only says that all went well does not stay in the way
    pub(super) fn say(&mut self, weight: Weight, text: String, hint: &str) {
        if self.shown.last().is_some_and(|last| last.text == text) {
            self.shown.pop();
        }
        let until = (weight == Weight::Plain).then(|| Instant::now() + READ_WITHIN);
        self.put(Notice { weight, text, hint: hint.to_owned(), choices: Vec::new(), until });
    }

    /// Shows a notice
    pub(super) fn put(&mut self, notice: Notice) {
        self.shown.push(notice);
        let over = self.shown.len().saturating_sub(MOST);
        self.shown.drain(..over);
    }

    /// Closes one
    pub(super) fn close(&mut self, index: usize) {
        if index < self.shown.len() {
            self.shown.remove(index);
        }
    }

    /// Closes all
    pub(super) fn clear(&mut self) {
        self.shown.clear();
    }

    /// Takes away those whose time is over by `now`; how long until the next goes
    pub(super) fn fade(&mut self, now: Instant) -> Option<Duration> {
        self.shown.retain(|notice| notice.until.is_none_or(|until| until > now));
        self.shown.iter().filter_map(|notice| notice.until).min().map(|next| next - now)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn good_news_goes_by_itself_and_trouble_waits_for_the_reader() {
        let mut notices = Notices::default();
        notices.say(Weight::Trouble, "full".into(), "make room");
        notices.say(Weight::Plain, "saved".into(), "");
        notices.say(Weight::Plain, "saved".into(), "");
        assert_eq!(notices.shown().len(), 2, "the same is not said twice");
        let soon = notices.fade(Instant::now()).expect("one will go");
        assert!(soon <= READ_WITHIN && soon > READ_WITHIN / 2);
        assert_eq!(notices.fade(Instant::now() + READ_WITHIN), None);
        assert_eq!(notices.shown().iter().map(|notice| notice.text.as_str()).collect::<Vec<_>>(), ["full"]);
        for number in 0..5 {
            notices.say(Weight::Trouble, number.to_string(), "");
        }
        assert_eq!(notices.shown()[0].text, "2");
        notices.close(7);
        notices.close(0);
        assert_eq!(notices.shown().len(), MOST - 1);
    }
}
