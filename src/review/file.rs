//! A review on disk: one JSON file, versioned, written whole or not at all.
//!
//! Writing goes to a temporary file in the same folder, is flushed to the disk, and then takes the
//! final name in one step; whoever reads the name sees the old document or the new one. Reading
//! looks at the schema before anything else, so that a document of a later version is refused as
//! such and not as damage.

use std::fs::File;
use std::io::Read;
use std::path::{Component, Path, PathBuf};

use crate::format::{OpenOptions, atomic};
use crate::unit::MetresPerSecond;
use crate::volume::Volume4;

use super::{Review, ReviewError, migrate};

/// Longest review that is read, bytes
pub(super) const MOST_BYTES: u64 = 256 << 20;

/// Reads a review's text, of this version or an earlier one
///
/// # Errors
/// [`ReviewError::Damaged`], [`ReviewError::NotAReview`], [`ReviewError::Future`],
/// [`ReviewError::Inconsistent`].
pub fn parse(text: &str) -> Result<Review, ReviewError> {
    let (document, version) = head(text)?;
    let current = migrate::up(document.clone(), version);
    let review: Review = if current == document {
        // From the text itself, so that damage is told with its line and column.
        serde_json::from_str(text).map_err(|error| damaged(&error))?
    } else {
        serde_json::from_value(current).map_err(|error| damaged(&error))?
    };
    review.check()?;
    Ok(review)
}

/// The document as plain JSON, known to be a review, and the version of its schema
pub(super) fn head(text: &str) -> Result<(serde_json::Value, usize), ReviewError> {
    let document: serde_json::Value = serde_json::from_str(text).map_err(|error| damaged(&error))?;
    match document.get("schema") {
        Some(serde_json::Value::String(schema)) => {
            let version = schema.strip_prefix("narrows/review/").and_then(|text| text.parse::<usize>().ok());
            match version {
                Some(version @ 1..=migrate::CURRENT) => Ok((document, version)),
                Some(version) if version > migrate::CURRENT => {
                    Err(ReviewError::Future { found: schema.clone() })
                }
                _ => Err(ReviewError::NotAReview(schema.clone())),
            }
        }
        other => {
            Err(ReviewError::NotAReview(other.map_or_else(|| "missing".to_owned(), ToString::to_string)))
        }
    }
}

fn damaged(error: &serde_json::Error) -> ReviewError {
    ReviewError::Damaged { line: error.line(), column: error.column(), message: error.to_string() }
}

/// Reads a review from a file
///
/// # Errors
/// As [`parse`], and [`ReviewError::Read`], [`ReviewError::TooLarge`].
pub fn load(path: &Path) -> Result<Review, ReviewError> {
    let mut review = parse(&read_text(path)?)?;
    review.work.other = review.work.other.map(|other| other.found(folder_of(path)));
    Ok(review)
}

/// The folder that a file lies in
fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

pub(super) fn read_text(path: &Path) -> Result<String, ReviewError> {
    let read = |source| ReviewError::Read { source, path: path.to_owned() };
    let file = File::open(path).map_err(read)?;
    let bytes = file.metadata().map_err(read)?.len();
    if bytes > MOST_BYTES {
        return Err(ReviewError::TooLarge { bytes });
    }
    let mut raw = Vec::new();
    file.take(MOST_BYTES).read_to_end(&mut raw).map_err(read)?;
    String::from_utf8(raw).map_err(|error| {
        let upto = error.utf8_error().valid_up_to();
        let line = error.as_bytes()[..upto].split(|&byte| byte == b'\n').count();
        ReviewError::Damaged { line, column: 0, message: "the text is not UTF-8".into() }
    })
}

/// Writes a review to a file, whole or not at all
///
/// # Errors
/// [`ReviewError::Write`]; a file that was there before is then untouched.
pub fn save(review: &Review, path: &Path) -> Result<(), ReviewError> {
    let mut review = review.clone();
    review.work.other = review.work.other.map(|other| other.written(folder_of(path)));
    let mut text = serde_json::to_string_pretty(&review).map_err(|error| ReviewError::Write {
        source: std::io::Error::other(error),
        path: path.to_owned(),
    })?;
    text.push('\n');
    write_text(&text, path)
}

/// Writes a text to a file, whole or not at all
///
/// # Errors
/// [`ReviewError::Write`]; a file that was there before is then untouched.
pub fn write_text(text: &str, path: &Path) -> Result<(), ReviewError> {
    atomic::write(path, |out| out.write_all(text.as_bytes()))
        .map_err(|source| ReviewError::Write { source, path: path.to_owned() })
}

/// Where the volume of a review is
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Located {
    /// A file of that name is there; its hash is still to be compared
    Found(PathBuf),
    /// It was moved: the reader must say where to
    Moved {
        /// The places that were tried
        tried: Vec<PathBuf>,
    },
}

/// Looks for the volume of a review: where it was, then beside the review
pub fn locate(review: &Review, review_path: &Path) -> Located {
    let folder = review_path.parent().unwrap_or(Path::new("."));
    let mut tried = Vec::new();
    for candidate in [&review.source.path, &review.source.file] {
        if candidate.is_empty() {
            continue;
        }
        let path = folder.join(candidate);
        if path.is_file() {
            return Located::Found(path);
        }
        if !tried.contains(&path) {
            tried.push(path);
        }
    }
    Located::Moved { tried }
}

/// How the volume of a review is opened: with the Nyquist velocity and the baseline that it was read with, where they
/// were given and no others are given now
pub fn as_read(review: &Review, known: OpenOptions) -> OpenOptions {
    let given = |number: Option<f64>| number.map(MetresPerSecond::new);
    OpenOptions {
        nyquist: known.nyquist.or(given(review.source.nyquist_given_m_s)),
        baseline_shift: known.baseline_shift.or(given(review.source.baseline_given_m_s)),
        ..known
    }
}

/// The path of a volume as a review in `folder` remembers it: relative where both are absolute and
/// share a root
pub(super) fn relative(volume: &Path, folder: &Path) -> String {
    let absolute = |path: &Path| std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let (volume, folder) = (absolute(volume), absolute(folder));
    let (to, from): (Vec<Component<'_>>, Vec<Component<'_>>) =
        (volume.components().collect(), folder.components().collect());
    let shared = to.iter().zip(&from).take_while(|(a, b)| a == b).count();
    if shared == 0 {
        return volume.to_string_lossy().into_owned();
    }
    let mut path = PathBuf::new();
    for _ in shared..from.len() {
        path.push("..");
    }
    for part in &to[shared..] {
        path.push(part);
    }
    path.to_string_lossy().into_owned()
}

impl Review {
    /// Remembers where the volume lies, for a review saved at `review_path`
    pub fn remember_volume(&mut self, volume: &Path, review_path: &Path) {
        self.source.path = relative(volume, review_path.parent().unwrap_or(Path::new(".")));
    }
}

/// Whether a volume other than the one read may be taken
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Different {
    /// Refused
    Refuse,
    /// Taken: the reader said so
    Accept,
}

/// Whether a volume is the one that was read
///
/// # Errors
/// [`ReviewError::DifferentVolume`] by hash, unless a different one is accepted;
/// [`ReviewError::DoesNotFit`] where the tracings could not lie in it at all.
pub fn accept(
    review: &Review,
    volume: &Volume4,
    blake3: &str,
    different: Different,
) -> Result<(), ReviewError> {
    if review.source.frames != volume.frames() {
        return Err(ReviewError::DoesNotFit(format!(
            "it has {} frames, the review {}",
            volume.frames(),
            review.source.frames
        )));
    }
    if different == Different::Refuse && review.source.blake3 != blake3 {
        return Err(ReviewError::DifferentVolume {
            expected: review.source.blake3.clone(),
            found: blake3.to_owned(),
        });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::review::{Command, Session, Source};

    fn review() -> Review {
        let source = Source { file: "x.dcm".into(), blake3: "00ff".into(), frames: 3, ..Source::default() };
        let mut session = Session::new(Review::new(source));
        let ring = vec![[0.0, 0.0], [4.0, 0.1], [3.9, 1.0 / 3.0], [0.0, 3.0]];
        session
            .apply(Command::AddTracing {
                points: ring,
                drawn: crate::review::Drawn::ByHand,
                threshold: Some(0.5),
            })
            .unwrap();
        session.review().clone()
    }

    #[test]
    fn a_saved_review_is_read_back_and_written_whole() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.review.json");
        save(&review(), &path).unwrap();
        assert_eq!(load(&path).unwrap(), review());
        let names: Vec<_> =
            std::fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert_eq!(names, ["x.review.json"], "no temporary file is left");
    }

    #[test]
    fn a_failed_save_leaves_the_old_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("old").join("x.review.json");
        assert!(matches!(save(&review(), &path), Err(ReviewError::Write { .. })));
        // A folder of that name cannot be replaced by a file.
        std::fs::create_dir_all(&path).unwrap();
        std::fs::write(path.join("inside"), "kept").unwrap();
        // What a killed run left beside it goes with the next save.
        std::fs::write(path.with_file_name(".narrows-dead.part"), "half").unwrap();
        assert!(matches!(save(&review(), &path), Err(ReviewError::Write { .. })));
        assert!(!path.with_file_name(".narrows-dead.part").exists());
        assert_eq!(std::fs::read_to_string(path.join("inside")).unwrap(), "kept");
    }

    #[test]
    fn later_versions_other_kinds_and_damage_are_told_apart() {
        let text = serde_json::to_string(&review()).unwrap();
        let later = text.replace("narrows/review/1", "narrows/review/2");
        assert!(matches!(parse(&later), Err(ReviewError::Future { .. })));
        let other = text.replace("narrows/review/1", "narrows/results/1");
        assert!(matches!(parse(&other), Err(ReviewError::NotAReview(_))));
        assert!(matches!(parse("{}"), Err(ReviewError::NotAReview(_))));
        assert!(matches!(parse("[1, 2]"), Err(ReviewError::NotAReview(_))));
        assert!(matches!(parse(""), Err(ReviewError::Damaged { .. })));
        let half = &text[..text.len() / 2];
        assert!(matches!(parse(half), Err(ReviewError::Damaged { .. })));
        let frame = text.replace("\"frame\":0", "\"frame\":7");
        assert!(matches!(parse(&frame), Err(ReviewError::Inconsistent(_))));
        let unknown = text.replacen('{', "{\"added_later\": 1, ", 1);
        assert_eq!(parse(&unknown).unwrap(), review(), "keys may be added within version 1");
    }

    #[test]
    fn every_truncation_and_ten_thousand_changed_bytes_are_an_error_or_a_sound_review() {
        use rand_core::Rng as _;
        let text = serde_json::to_string_pretty(&review()).unwrap();
        for end in 0..text.trim_end().len() {
            if text.is_char_boundary(end) {
                assert!(parse(&text[..end]).is_err(), "cut at byte {end}");
            }
        }
        let mut random = rand_pcg::Pcg64::new(7, 11);
        for _ in 0..10_000 {
            let mut bytes = text.clone().into_bytes();
            for _ in 0..=random.next_u32() % 3 {
                let at = random.next_u32() as usize % bytes.len();
                bytes[at] = random.next_u32() as u8;
            }
            let Ok(changed) = String::from_utf8(bytes) else { continue };
            if let Ok(read) = parse(&changed) {
                read.check().unwrap();
                // Whatever was read can be shown, saved and read again.
                let again = parse(&serde_json::to_string(&read).unwrap()).unwrap();
                assert_eq!(again, read);
                let _ = read.base(read.place.jet, read.place.frame);
            }
        }
    }

    #[test]
    fn the_volume_is_found_where_it_was_or_beside_the_review() {
        let folder = tempfile::tempdir().unwrap();
        let (volumes, reviews) = (folder.path().join("volumes"), folder.path().join("reviews"));
        std::fs::create_dir_all(&volumes).unwrap();
        std::fs::create_dir_all(&reviews).unwrap();
        std::fs::write(volumes.join("x.dcm"), "x").unwrap();
        let path = reviews.join("x.review.json");
        let mut review = review();
        review.remember_volume(&volumes.join("x.dcm"), &path);
        assert_eq!(review.source.path, "../volumes/x.dcm");
        assert!(matches!(locate(&review, &path), Located::Found(_)));
        std::fs::rename(volumes.join("x.dcm"), folder.path().join("y.dcm")).unwrap();
        let Located::Moved { tried } = locate(&review, &path) else { panic!("it moved") };
        assert_eq!(tried.len(), 2);
        std::fs::rename(folder.path().join("y.dcm"), reviews.join("x.dcm")).unwrap();
        assert_eq!(locate(&review, &path), Located::Found(reviews.join("x.dcm")));
    }
}
