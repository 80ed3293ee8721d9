//! A bar on the terminal, and Ctrl-C.
//!
//! The bar shows only where stderr is a terminal. The first Ctrl-C asks the work to stop at its
//! next step, so that nothing is left half written; a second one ends the program at once.

use std::sync::Mutex;

use indicatif::{ProgressBar, ProgressStyle};

use super::Exit;
use crate::job::{CancelToken, Watch};

/// A watch that draws a bar and stops at Ctrl-C
pub(super) struct Progress {
    bar: ProgressBar,
    watch: Watch,
}

impl Progress {
    /// Starts watching; once in a run
    pub(super) fn start() -> Self {
        Self::with_template("{msg:26} {bar:32} {pos}/{len}")
    }

    /// The same, for work of many like units: the time left stands behind the bar
    pub(super) fn with_time_left() -> Self {
        Self::with_template("{msg:26} {bar:32} {pos}/{len}, about {eta} left")
    }

    fn with_template(template: &str) -> Self {
        let bar = ProgressBar::new(0);
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style);
        }
        let token = CancelToken::new();
        let heard = token.clone();
        // Without a handler Ctrl-C just ends the program, as it does anywhere.
        let _ = ctrlc::set_handler(move || {
            if heard.is_cancelled() {
                std::process::exit(Exit::Cancelled as i32);
            }
            heard.cancel();
        });
        let drawn = bar.clone();
        let stage_now = Mutex::new(String::new());
        let watch = Watch::new(token, move |stage, done, total| {
            let Ok(mut now) = stage_now.lock() else { return };
            if *now != stage {
                stage.clone_into(&mut now);
                drawn.set_message(stage.to_owned());
                drawn.set_position(0);
            }
            drawn.set_length(total as u64);
            drawn.set_position(drawn.position().max(done as u64));
        });
        Self { bar, watch }
    }

    /// What the work is given
    pub(super) fn watch(&self) -> &Watch {
        &self.watch
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
