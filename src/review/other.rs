//! The other volume that a review is compared with: before or after a repair, or another visit.

use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::file::relative;
use super::{Review, options};
use crate::format::{self, FormatError, OpenOptions};
use crate::job::Watch;
use crate::measure::{self, Comparison, MeasureError, Options, Results};
use crate::volume::Volume4;

/// Which of two acquisitions another volume is
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum When {
    /// Acquired before the one that is read
    Earlier,
    /// Acquired after it
    Later,
}

/// Why the other volume cannot be had again
#[derive(Debug, thiserror::Error)]
pub enum OtherError {
    /// It cannot be opened
    #[error(transparent)]
    Open(#[from] FormatError),
    /// It is another one than it was
    #[error("this is no longer the volume that the review was compared with: {path}")]
    Different {
        /// Where it was
        path: String,
    },
}

impl OtherError {
    /// What to do about it
    pub fn hint(&self) -> String {
        match self {
            Self::Open(error) => error.hint(),
            Self::Different { .. } => "put it back, or compare the review with another volume".into(),
        }
    }
}

/// The other volume of a comparison
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct OtherVolume {
    /// File name without its folder
    pub file: String,
    /// Where it is; in a saved review relative to the review's folder where possible
    pub path: String,
    /// BLAKE3 of the file, hexadecimal
    pub blake3: String,
    /// Whether it is the earlier or the later one
    pub when: When,
}

impl OtherVolume {
    /// A volume that was opened with its hash
    pub fn of(volume: &Volume4, path: &Path, when: When) -> Self {
        let path = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
        Self {
            file: volume.provenance.file.clone(),
            path: path.to_string_lossy().into_owned(),
            blake3: volume.provenance.blake3.clone(),
            when,
        }
    }

    /// The volume, where it is still the one that was compared with
    ///
    /// # Errors
    /// See [`OtherError`].
    pub fn open(&self) -> Result<Volume4, OtherError> {
        let volume = format::open(Path::new(&self.path), &OpenOptions::default())?;
        if volume.provenance.blake3 == self.blake3 {
            return Ok(volume);
        }
        Err(OtherError::Different { path: self.path.clone() })
    }

    /// The volume that is read and this one, the earlier first
    pub fn in_order<T>(&self, [read, other]: [T; 2]) -> [T; 2] {
        match self.when {
            When::Earlier => [other, read],
            When::Later => [read, other],
        }
    }

    /// As it is written into a review in `folder`
    pub(super) fn written(&self, folder: &Path) -> Self {
        Self { path: relative(Path::new(&self.path), folder), ..self.clone() }
    }

    /// As it is known once read from a review in `folder`: where it was, or beside the review
    pub(super) fn found(&self, folder: &Path) -> Self {
        let was = folder.join(&self.path);
        let beside = folder.join(&self.file);
        let path = if !was.is_file() && beside.is_file() { beside } else { was };
        let path = std::path::absolute(&path).unwrap_or(path);
        Self { path: path.to_string_lossy().into_owned(), ..self.clone() }
    }
}

/// The numbers of a reading ([`super::numbers`]) against another volume
///
/// The other is measured as it is and weighed against the same table; what was entered belongs to the
/// review alone.
///
/// # Errors
/// See [`MeasureError`].
pub fn against(
    here: Results,
    read: &Review,
    other: &Volume4,
    when: When,
    watch: &Watch,
) -> Result<Comparison, MeasureError> {
    let options = Options { criteria: options(read).criteria, ..Options::default() };
    let there = measure::measure(other, &options, watch)?;
    Ok(match when {
        When::Earlier => measure::compare(there, here),
        When::Later => measure::compare(here, there),
    })
}
