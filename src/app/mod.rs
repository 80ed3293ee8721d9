//! The shell of the viewer: a window, a desk, and threads with names.
//!
//! | file | holds |
//! |---|---|
//! | `window` | the event loop, the surface, a lost device brought back |
//! | `mirror` | what lay in the textures of the device that was lost |
//! | `desk` | what is open, what becomes of the reader's wishes |
//! | `failure` | what a piece of work says when it did not work |
//! | `notices` | what the reader should know, for as long as it is needed |
//! | `names` | how a review's file is named |
//! | `open` | opening, hashing, measuring, reporting, each on its thread |
//! | `pages` | a comparison or a sweep made ready for the screen |
//! | `practised` | a reading held against the truth, for the screen |
//! | `reading`, `signals` | the numbers of the cut on the screen |
//! | `tilts` | the tilt map |
//! | `pictures`, `gpu_pictures` | the two ways to draw a cut |
//! | `context_pictures` | the context where the adapter is a program |
//! | `autosave` | the recovery file |
//! | `worker` | a thread that does the newest job |
//!
//! The thread of the window never waits for another: it leaves jobs and takes results.

mod autosave;
mod context_pictures;
mod dates;
mod desk;
mod failure;
mod gpu_pictures;
mod layer;
mod mirror;
mod names;
mod notices;
mod open;
mod pages;
mod pictures;
mod practised;
mod reading;
mod samples;
mod signals;
mod tilts;
mod window;
mod worker;

use std::path::PathBuf;

pub use desk::{Desk, DeskOptions, Dialogs};
pub use pictures::DrawWhen;

use crate::format::OpenOptions;
use crate::gpu::GpuError;
pub use crate::ui::Opening;

/// Why the viewer could not start or go on
#[derive(Debug, thiserror::Error)]
pub enum AppError {
    /// There is no display, or it cannot show a window
    #[error("no window can be opened: {0}")]
    NoDisplay(String),
    /// There is no graphics adapter, not even one in software
    #[error(transparent)]
    Graphics(#[from] GpuError),
    /// The system gave no threads
    #[error("the system gave no thread to work on: {0}")]
    Threads(std::io::Error),
}

impl AppError {
    /// What the user can do about it
    pub fn hint(&self) -> &'static str {
        match self {
            Self::NoDisplay(_) => {
                "start it on a desktop (DISPLAY or WAYLAND_DISPLAY set; on Debian libx11-6 libx11-xcb1 \
                 libxcursor1 libxi6 libxkbcommon-x11-0), or use `narrows measure FILE`, which needs none"
            }
            Self::Graphics(_) => "`narrows measure FILE` needs no graphics adapter",
            Self::Threads(_) => "close other programs and try again",
        }
    }
}

/// Opens the viewer, on a volume or a review or on the start screen, and stays until it is closed
///
/// Of several files, or of a folder, the one volume is opened, or the reader chooses one. `known` is what the user knows
/// better than what is given; other files opened later are read as they
/// are. `opening` says whether what the program finds is hidden at first.
///
/// # Errors
/// See [`AppError`].
pub fn run(paths: Vec<PathBuf>, known: OpenOptions, opening: Opening) -> Result<(), AppError> {
    window::run(paths, known, opening)
}
