//! Files in and out: bytes to [`Volume4`] and back.
//!
//! The format is told by the content, never by the name. A file is mapped, not read: native
//! samples stay where they lie and the operating system fetches what is looked at. The price is
//! that the file must not be shortened while it is open. Whatever a file left open and was filled
//! in is listed in the volume's provenance; what cannot be filled in is an error with a hint.

mod atomic;
pub mod dicom;
mod inspection;
mod map;

use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use inspection::{ChannelSeen, Inspection, Notes, Present, Problem};

use crate::unit::MetresPerSecond;
use crate::volume::{Provenance, SharedBytes, Volume4};

/// What the user knows better than the file, and how to open it
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct OpenOptions {
    /// Nyquist velocity: overrides the file, and is needed where the file does not imply it
    pub nyquist: Option<MetresPerSecond>,
    /// When the file's hash is taken
    pub hash: HashWhen,
}

/// When the hash of a file is taken
///
/// Hashing reads every byte, while a mapped volume needs only those looked at. A viewer that wants
/// its first picture at once hashes later, with [`hash`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum HashWhen {
    /// On opening; `Provenance::blake3` is filled
    #[default]
    AtOnce,
    /// Not on opening; `Provenance::blake3` stays empty
    Later,
}

/// Why a file could not be opened or written
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FormatError {
    /// The file cannot be opened or read
    #[error("cannot read the file: {source}: {}", path.display())]
    Read {
        /// Which file
        path: PathBuf,
        /// What the system said
        source: std::io::Error,
    },
    /// A folder or a device
    #[error("this is not a file: {}", path.display())]
    NotAFile {
        /// What it is called
        path: PathBuf,
    },
    /// No bytes
    #[error("the file is empty: {}", path.display())]
    Empty {
        /// Which file
        path: PathBuf,
    },
    /// None of the formats
    #[error("the file {looks_like}, not a volume: {}", path.display())]
    Unknown {
        /// What it seems to be
        looks_like: &'static str,
        /// Which file
        path: PathBuf,
    },
    /// A DICOM file that cannot be used
    #[error("cannot use the DICOM file: {source}: {}", path.display())]
    Dicom {
        /// Which file
        path: PathBuf,
        /// Why
        source: Box<dicom::DicomError>,
    },
    /// The volume cannot be expressed in the format
    #[error("cannot write the volume: {source}: {}", path.display())]
    Write {
        /// Which file
        path: PathBuf,
        /// Why
        source: Box<dicom::WriteError>,
    },
    /// The file cannot be written
    #[error("cannot write the file: {source}: {}", path.display())]
    Save {
        /// Which file
        path: PathBuf,
        /// What the system said
        source: std::io::Error,
    },
}

impl FormatError {
    /// What the user may do about it
    pub fn hint(&self) -> String {
        match self {
            Self::Read { .. } => "check the name, the folder and your right to read it".to_owned(),
            Self::NotAFile { .. } => {
                "give a single file: a volume is one file with all of its frames".to_owned()
            }
            Self::Empty { .. } => "the export or copy did not finish: make it again".to_owned(),
            Self::Unknown { .. } => {
                "a volume is a DICOM file of the class Enhanced US Volume, with its file header".to_owned()
            }
            Self::Dicom { source, .. } => source.hint().to_owned(),
            Self::Write { source, .. } => source.hint().to_owned(),
            Self::Save { .. } => "check the folder, your right to write there and the free space".to_owned(),
        }
    }
}

/// Opens a volume
///
/// # Errors
/// See [`FormatError`]; [`FormatError::hint`] says what to do.
pub fn open(path: &Path, options: &OpenOptions) -> Result<Volume4, FormatError> {
    let bytes = map::map(path)?;
    read(&bytes, path, options, &mut Inspection::default())
}

/// Reads a volume from bytes in memory; `name` stands for the file in messages and provenance
///
/// # Errors
/// See [`FormatError`].
pub fn read_bytes(bytes: &SharedBytes, name: &str, options: &OpenOptions) -> Result<Volume4, FormatError> {
    read(bytes, Path::new(name), options, &mut Inspection::default())
}

/// Tells what a file holds, also where it cannot be measured
///
/// # Errors
/// See [`FormatError`]: where there is nothing to tell. A volume that has something against it is
/// told, with [`Inspection::problem`] set.
pub fn inspect(path: &Path, options: &OpenOptions) -> Result<Inspection, FormatError> {
    let bytes = map::map(path)?;
    let mut seen =
        Inspection { file: file_name(path), bytes: (*bytes).as_ref().len() as u64, ..Inspection::default() };
    match read(&bytes, path, options, &mut seen) {
        Ok(volume) => {
            seen.blake3 = volume.provenance.blake3;
            Ok(seen)
        }
        Err(error @ FormatError::Dicom { .. }) if !seen.object_class.is_empty() => {
            let hint = error.hint();
            let FormatError::Dicom { source, .. } = error else { return Err(error) };
            seen.problem = Some(Problem { error: source.to_string(), hint });
            Ok(seen)
        }
        Err(error) => Err(error),
    }
}

/// BLAKE3 of a file's bytes, in hexadecimal
///
/// # Errors
/// [`FormatError::Read`] and its like.
pub fn hash(path: &Path) -> Result<String, FormatError> {
    let bytes = map::map(path)?;
    Ok(hash_of((*bytes).as_ref()))
}

/// BLAKE3 in hexadecimal, on all threads
fn hash_of(bytes: &[u8]) -> String {
    blake3::Hasher::new().update_rayon(bytes).finalize().to_hex().to_string()
}

fn file_name(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

fn read(
    bytes: &SharedBytes,
    path: &Path,
    options: &OpenOptions,
    seen: &mut Inspection,
) -> Result<Volume4, FormatError> {
    let all = (**bytes).as_ref();
    if all.is_empty() {
        return Err(FormatError::Empty { path: path.to_owned() });
    }
    if !dicom::is_dicom(all) {
        return Err(FormatError::Unknown { looks_like: looks_like(all), path: path.to_owned() });
    }
    let provenance = Provenance { file: file_name(path), ..Provenance::default() };
    let mut volume = dicom::read::read(bytes.clone(), options, provenance, seen)
        .map_err(|source| FormatError::Dicom { path: path.to_owned(), source: Box::new(source) })?;
    if options.hash == HashWhen::AtOnce {
        volume.provenance.blake3 = hash_of((**bytes).as_ref());
    }
    Ok(volume)
}

/// What bytes that are no volume seem to be
fn looks_like(bytes: &[u8]) -> &'static str {
    let starts = |magic: &[u8]| bytes.starts_with(magic);
    if starts(b"\x89PNG") || starts(b"\xFF\xD8\xFF") || starts(b"GIF8") || starts(b"BM") {
        return "is a picture";
    }
    if starts(b"%PDF") {
        return "is a PDF document";
    }
    if starts(b"PK\x03\x04") || starts(b"\x1F\x8B") || starts(b"7z\xBC\xAF") {
        return "is an archive";
    }
    if matches!(bytes.get(..8), Some([8, 0, _, 0, ..])) {
        return "is perhaps a DICOM data set without its file header";
    }
    let head = &bytes[..bytes.len().min(512)];
    if std::str::from_utf8(head).is_ok() && !head.contains(&0) {
        return "is a text";
    }
    "is of an unknown kind"
}

/// Bytes in memory as the reader takes them
pub fn shared(bytes: Vec<u8>) -> SharedBytes {
    Arc::new(bytes)
}
