//! What a piece of work says when it did not work, and the review that may wait for another file.

use std::path::PathBuf;

use crate::format::OpenOptions;
use crate::review::Review;

/// Where the review of an opened volume comes from
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ReviewOrigin {
    /// It is new
    New,
    /// A file
    File,
    /// Work left behind
    Leftover,
    /// What is open, read again with another scale
    Again,
}

/// Why something did not work
pub(super) struct Failure {
    pub(super) text: String,
    pub(super) hint: String,
    /// A review that still waits for its volume
    pub(super) waiting: Option<Box<Waiting>>,
    /// The volume that is not the one, where the reader may insist
    pub(super) different: Option<PathBuf>,
}

/// A review that waits for its volume
#[derive(Clone)]
pub(super) struct Waiting {
    pub(super) review: Review,
    pub(super) review_file: Option<PathBuf>,
    pub(super) origin: ReviewOrigin,
    /// What the user knows better than the volume's file
    pub(super) known: OpenOptions,
}

impl Failure {
    /// The failure that an error is
    pub(super) fn of(error: &dyn std::error::Error, hint: &str) -> Self {
        Self { text: error.to_string(), hint: hint.to_owned(), waiting: None, different: None }
    }
}
