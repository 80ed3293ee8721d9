//! What can go wrong with a review.

use std::io;
use std::path::PathBuf;

use crate::severity::SeverityError;

use super::{JetId, TracingId};

/// Why a command, a file or a journal was refused
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReviewError {
    /// The frame is not in the beat
    #[error("frame {} is not in a beat of {frames} frames", frame.saturating_add(1))]
    Frame {
        /// The frame asked for
        frame: usize,
        /// Frames of the source
        frames: usize,
    },
    /// There is no such jet
    #[error("there is no jet {0} in this review")]
    Jet(JetId),
    /// There is no such tracing
    #[error("there is no tracing {} in this review", .0.0)]
    Tracing(TracingId),
    /// The tracing has no such vertex
    #[error("tracing {} has no vertex {vertex}", tracing.0)]
    Vertex {
        /// The tracing
        tracing: TracingId,
        /// The vertex asked for
        vertex: usize,
    },
    /// The tracing is too large
    #[error("a tracing of {0} vertices is larger than the {max} that a review holds", max = super::tracing::MOST_VERTICES)]
    TooManyVertices(usize),
    /// A number that is not finite, or outside what the setting allows
    #[error("{what} of {value} is outside {low} to {high}")]
    Range {
        /// Which number
        what: &'static str,
        /// Its value
        value: f64,
        /// Least allowed
        low: f64,
        /// Most allowed
        high: f64,
    },
    /// The reading was signed off
    #[error("the review is signed off by {0}, and locked")]
    Signed(String),
    /// A tracing that cannot be smoothed, grown or counted as it is
    #[error("cannot change the whole tracing: {0}")]
    Outline(String),
    /// Systole that ends before it begins
    #[error("systole cannot end at {to} ms where it begins at {from} ms")]
    Systole {
        /// Where it begins, ms after the R wave
        from: f64,
        /// Where it ends
        to: f64,
    },
    /// Something entered for the weighing that cannot be meant
    #[error(transparent)]
    Severity(#[from] SeverityError),
    /// Reading a file failed
    #[error("cannot read the review: {source}: {}", path.display())]
    Read {
        /// What the system said
        source: io::Error,
        /// The file
        path: PathBuf,
    },
    /// Writing a file failed; the file that was there before is untouched
    #[error("cannot save the review, the old file is untouched: {source}: {}", path.display())]
    Write {
        /// What the system said
        source: io::Error,
        /// The file
        path: PathBuf,
    },
    /// The file is far larger than any review
    #[error("the file holds {bytes} bytes, more than the {max} of any review", max = super::file::MOST_BYTES)]
    TooLarge {
        /// Its length
        bytes: u64,
    },
    /// The file is not JSON, or breaks off
    #[error("the review is damaged at line {line}, column {column}: {message}")]
    Damaged {
        /// Line, from 1
        line: usize,
        /// Column, from 1
        column: usize,
        /// What is wrong there
        message: String,
    },
    /// The file is JSON of another kind
    #[error("this is not a review: its schema is {0}")]
    NotAReview(String),
    /// The file was written by a later version
    #[error("the review was written by a later version: schema {found}, this version reads up to {SCHEMA}", SCHEMA = super::SCHEMA)]
    Future {
        /// The schema it names
        found: String,
    },
    /// The document is readable but contradicts itself
    #[error("the review contradicts itself: {0}")]
    Inconsistent(String),
    /// The volume is not the one that was read
    #[error("this is a different volume: the review is of {expected}, the file is {found}")]
    DifferentVolume {
        /// BLAKE3 in the review
        expected: String,
        /// BLAKE3 of the file
        found: String,
    },
    /// The review was saved before anything was measured
    #[error("the review holds no results: it was saved before the volume was measured")]
    NoResults,
    /// A blind reading of what was seen
    #[error(
        "this volume can no longer be read blind: what the program finds was shown, or something was done"
    )]
    Seen,
    /// The end of a blind reading that holds nothing
    #[error("nothing was read yet")]
    NothingRead,
    /// The volume's grid or beat does not fit the review, whatever the hash says
    #[error("the volume does not fit the review: {0}")]
    DoesNotFit(String),
}

impl ReviewError {
    /// What the reader can do about it
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Read { .. } => "check the path and that you may read the file",
            Self::Write { .. } => "save to another folder; the work is kept in the autosave meanwhile",
            Self::TooLarge { .. } | Self::NotAReview(_) => "open a file named NAME.review.json",
            Self::Damaged { .. } | Self::Inconsistent(_) => {
                "the file is left as it is; if the viewer closed by itself, start it again to recover the work"
            }
            Self::Future { .. } => "use a newer version of narrows; the file is left as it is",
            Self::DifferentVolume { .. } => {
                "give the volume that was read, or say that a different one is meant"
            }
            Self::Signed(_) => {
                "begin a new version in the step Report; the one that was signed stays as it is"
            }
            Self::NoResults => "write its report instead: that measures the volume",
            Self::Seen => "open the volume again and choose to read it blind",
            Self::NothingRead => "trace the orifice, enter a width, or say in the notes that there is no jet",
            Self::DoesNotFit(_) => "give the volume that was read",
            _ => "undo the last step",
        }
    }
}
