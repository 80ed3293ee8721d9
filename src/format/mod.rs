//! Files in and out: bytes to [`Volume4`] and back.
//!
//! DICOM stands in [`dicom`], the open formats (NIfTI-1, NRRD, MetaImage) in [`mod@array`]. When reading, the
//! format is told by the content, never by the name; when writing, by the name. A file is mapped, not
//! read: native samples stay where they lie and the operating system fetches what is looked at. The
//! price is that the file must not be shortened while it is open. Whatever a file left open and was
//! filled in is listed in the volume's provenance; what cannot be filled in is an error with a hint.

pub mod array;
pub(crate) mod atomic;
pub mod dicom;
mod gather;
mod inspection;
mod limits;
mod map;
mod save;

use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use array::{BarError, VelocityBar};
pub use gather::{Gathered, Looks, Searched, counted, group, name, search, volumes};
pub use inspection::{ChannelSeen, Inspection, Notes, Present, Problem};
pub use save::{files_written, keeps_identity, save};

use array::{ArrayError, Format};

use crate::unit::MetresPerSecond;
use crate::volume::{Provenance, ScaleError, SharedBytes, Volume4};

/// Lengths in mm, times in s or ms and the like beyond this are no measurement
const ABSURD: f64 = 1e6;

/// Nyquist velocities in m/s outside of these are no measurement: far beyond what an echo can show
const NYQUIST_M_S: std::ops::RangeInclusive<f64> = 1e-3..=100.0;

/// Frames closer than this in time are not told apart: a microsecond
const SHORTEST_S: f64 = 1e-6;

/// What the user knows better than the file, and how to open it
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OpenOptions {
    /// Nyquist velocity: overrides the file, and is needed where the file does not imply it
    pub nyquist: Option<MetresPerSecond>,
    /// Baseline shift, how far the middle of the displayed range lies from zero: overrides the file
    pub baseline_shift: Option<MetresPerSecond>,
    /// The bar that coloured a colour-coded volume; refused where voxels are no colours
    pub velocity_bar: Option<Arc<VelocityBar>>,
    /// When the file's hash is taken
    pub hash: HashWhen,
    /// Where the other parts of a volume in several files are looked for
    pub parts: Parts,
}

/// Where the other parts of a volume in several files are looked for
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Parts {
    /// Only what is given counts; a part alone is refused
    #[default]
    Given,
    /// In the folder of the file given
    Beside,
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
    /// A device or the like
    #[error("this is not a file: {}", path.display())]
    NotAFile {
        /// What it is called
        path: PathBuf,
    },
    /// A folder without a volume
    #[error("no volume was found: {}", path.display())]
    NoVolume {
        /// Where it was looked for
        path: PathBuf,
    },
    /// Several volumes where one was asked for
    #[error("there are {count} volumes ({listed}), and one was asked for: {}", path.display())]
    Several {
        /// How many
        count: usize,
        /// Their names, by series
        listed: String,
        /// Where they were found; the first of several paths
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
    /// A file of one of the open formats that cannot be used
    #[error("cannot use the {format} file: {source}: {}", path.display())]
    Array {
        /// Which file
        path: PathBuf,
        /// Name of the format
        format: &'static str,
        /// Why
        source: Box<ArrayError>,
    },
    /// What was given of the velocity scale cannot be
    #[error("{source}: {}", path.display())]
    Scale {
        /// Which file
        path: PathBuf,
        /// Why
        source: ScaleError,
    },
    /// The volume cannot be expressed in the open format
    #[error("cannot write the volume: {source}: {}", path.display())]
    WriteArray {
        /// Which file
        path: PathBuf,
        /// Why
        source: Box<ArrayError>,
    },
    /// The name does not say a format, or not one that is written so
    #[error("{message}: {}", path.display())]
    Name {
        /// What is wrong
        message: &'static str,
        /// Which file
        path: PathBuf,
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
            Self::NotAFile { .. } => "give a file, or a folder with the parts of a volume".to_owned(),
            Self::NoVolume { .. } => {
                "a volume is a DICOM Enhanced US Volume, or a NIfTI-1, NRRD or MetaImage file".to_owned()
            }
            Self::Several { .. } => "name one of them, or measure all with `narrows cohort`".to_owned(),
            Self::Empty { .. } => "the export or copy did not finish: make it again".to_owned(),
            Self::Unknown { .. } => {
                "a volume is a DICOM file of the class Enhanced US Volume, with its file header, or a NIfTI-1, NRRD or \
                 MetaImage file"
                    .to_owned()
            }
            Self::Dicom { source, .. } => source.hint().to_owned(),
            Self::Array { source, .. } | Self::WriteArray { source, .. } => source.hint(),
            Self::Scale { .. } => "a baseline shift is smaller than the Nyquist velocity, in m/s".to_owned(),
            Self::Name { .. } => {
                "names end in .dcm, .nii, .nii.gz, .nrrd, .nhdr, .mha or .mhd; rle and jpeg-ls are for DICOM, deflated \
                 for all but .nii"
                    .to_owned()
            }
            Self::Write { source, .. } => source.hint().to_owned(),
            Self::Save { .. } => "check the folder, your right to write there and the free space".to_owned(),
        }
    }
}

/// Opens a volume: a file, or a folder with the parts of one
///
/// # Errors
/// See [`FormatError`]; [`FormatError::hint`] says what to do.
pub fn open(path: &Path, options: &OpenOptions) -> Result<Volume4, FormatError> {
    open_all(&[path], options)
}

/// Opens the one volume that several files or folders make
///
/// # Errors
/// See [`FormatError`]; [`FormatError::Several`] where they make more than one.
pub fn open_all<P: AsRef<Path>>(paths: &[P], options: &OpenOptions) -> Result<Volume4, FormatError> {
    let files = mapped(gather::one(paths, options.parts)?)?;
    read(&files, Folder::Beside, options, &mut Inspection::default())
}

/// Reads a volume from bytes in memory; `name` stands for the file in messages and provenance
///
/// No other file is looked for: neither a sidecar nor samples beside a header.
///
/// # Errors
/// See [`FormatError`].
pub fn read_bytes(bytes: &SharedBytes, name: &str, options: &OpenOptions) -> Result<Volume4, FormatError> {
    let file = Opened { path: PathBuf::from(name), bytes: bytes.clone() };
    read(&[file], Folder::None, options, &mut Inspection::default())
}

/// Tells what the files or folders of one volume hold, also where it cannot be measured
///
/// # Errors
/// See [`FormatError`]: where there is nothing to tell. A volume that has something against it is
/// told, with [`Inspection::problem`] set.
pub fn inspect<P: AsRef<Path>>(paths: &[P], options: &OpenOptions) -> Result<Inspection, FormatError> {
    let files = mapped(gather::one(paths, options.parts)?)?;
    let names: Vec<PathBuf> = files.iter().map(|file| file.path.clone()).collect();
    let bytes = files.iter().map(|file| (*file.bytes).as_ref().len() as u64).sum();
    let mut seen = Inspection { file: name(&names), bytes, ..Inspection::default() };
    let error = match read(&files, Folder::Beside, options, &mut seen) {
        Ok(volume) => {
            seen.blake3 = volume.provenance.blake3;
            return Ok(seen);
        }
        Err(error) => error,
    };
    let problem = match &error {
        FormatError::Dicom { source, .. } if !seen.object_class.is_empty() => source.to_string(),
        // Once the grid is known there is something to tell.
        FormatError::Array { source, .. } if seen.grid.is_some() => source.to_string(),
        _ => return Err(error),
    };
    seen.problem = Some(Problem { error: problem, hint: error.hint() });
    Ok(seen)
}

/// BLAKE3 of the bytes that a volume's numbers depend on, in hexadecimal
///
/// Of a single file it is the hash of that file. Of a file with others that belong to it
/// ([`files_read`]) it is the hash of all of them, one after the other. A part of a volume stands for
/// all parts in its folder.
///
/// # Errors
/// [`FormatError::Read`] and its like.
pub fn hash(path: &Path) -> Result<String, FormatError> {
    hash_files(&gather::one(&[path], Parts::Beside)?)
}

/// The same of the parts of a volume, in the order of its frames
///
/// # Errors
/// [`FormatError::Read`] and its like.
pub fn hash_files(parts: &[PathBuf]) -> Result<String, FormatError> {
    let files = mapped(with_companions(parts)?)?;
    Ok(hash_of(files.iter().map(|file| &file.bytes)))
}

/// All files that a volume of these files or folders is read from: its parts, samples kept apart from
/// their header, a sidecar
///
/// # Errors
/// [`FormatError::Read`] and its like, for the files themselves.
pub fn files_read<P: AsRef<Path>>(paths: &[P]) -> Result<Vec<PathBuf>, FormatError> {
    with_companions(&gather::one(paths, Parts::Given)?)
}

fn with_companions(parts: &[PathBuf]) -> Result<Vec<PathBuf>, FormatError> {
    let mut files = parts.to_vec();
    for path in parts {
        let bytes = map::map(path)?;
        let all = (*bytes).as_ref();
        if !dicom::is_dicom(all)
            && let Some(format) = Format::of(all)
        {
            files.extend(array::read::companions(all, path, format));
        }
    }
    Ok(files)
}

/// A file with its bytes
struct Opened {
    path: PathBuf,
    bytes: SharedBytes,
}

fn mapped(paths: Vec<PathBuf>) -> Result<Vec<Opened>, FormatError> {
    paths.into_iter().map(|path| Ok(Opened { bytes: map::map(&path)?, path })).collect()
}

/// BLAKE3 in hexadecimal, on all threads
fn hash_of<'a>(parts: impl IntoIterator<Item = &'a SharedBytes>) -> String {
    let mut hasher = blake3::Hasher::new();
    for part in parts {
        hasher.update_rayon((**part).as_ref());
    }
    hasher.finalize().to_hex().to_string()
}

fn file_name(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Whether files beside a file may be looked at
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Folder {
    /// They may
    Beside,
    /// There is no folder
    None,
}

/// Reads the files of one volume, in the order of its frames
fn read(
    files: &[Opened],
    folder: Folder,
    options: &OpenOptions,
    seen: &mut Inspection,
) -> Result<Volume4, FormatError> {
    let Some(Opened { path, bytes }) = files.first() else {
        return Err(FormatError::NoVolume { path: PathBuf::new() });
    };
    let all = (**bytes).as_ref();
    if all.is_empty() {
        return Err(FormatError::Empty { path: path.to_owned() });
    }
    let names: Vec<PathBuf> = files.iter().map(|file| file.path.clone()).collect();
    let provenance = Provenance {
        file: name(&names),
        nyquist_given: options.nyquist,
        baseline_given: options.baseline_shift,
        ..Provenance::default()
    };
    let mut hashed: Vec<&SharedBytes> = files.iter().map(|file| &file.bytes).collect();
    let companions;
    let mut volume = if dicom::is_dicom(all) {
        let parts: Vec<SharedBytes> = files.iter().map(|file| file.bytes.clone()).collect();
        dicom::read::read(&parts, options, provenance, seen).map_err(|fault| FormatError::Dicom {
            path: files.get(fault.part).map_or(path, |file| &file.path).to_owned(),
            source: Box::new(fault.source),
        })?
    } else if let Some(format) = Format::of(all) {
        let beside = (folder == Folder::Beside).then_some(path.as_path());
        let read = array::read::read(bytes, beside, format, options, provenance, seen).map_err(|source| {
            FormatError::Array { path: path.to_owned(), format: format.name(), source: Box::new(source) }
        })?;
        companions = read.companions;
        hashed.extend(&companions);
        read.volume
    } else {
        return Err(FormatError::Unknown { looks_like: looks_like(all), path: path.to_owned() });
    };
    if volume.velocity().is_none() {
        seen.notes.missing.push("a velocity channel: nothing can be measured without it".to_owned());
    } else if let Some(shift) = options.baseline_shift {
        volume = volume
            .with_baseline_shift(shift)
            .map_err(|source| FormatError::Scale { path: path.to_owned(), source })?;
        let said = format!("the baseline shift {:.4} m/s was given by the user", shift.get());
        volume.provenance.assumed.push(said.clone());
        seen.notes.assume(said);
    }
    if let Some(scale) = volume.velocity_scale() {
        let (low, high) = scale.limits();
        seen.nyquist_m_s = Some(scale.nyquist().get());
        seen.velocity_limits_m_s = Some([low.get(), high.get()]);
    }
    if options.hash == HashWhen::AtOnce {
        volume.provenance.blake3 = hash_of(hashed);
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
