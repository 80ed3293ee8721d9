//! A `Volume4` as a DICOM Enhanced US Volume object.
//!
//! Frames lie time, then data type, then slice. The bytes depend on the volume and the options
//! alone: identifiers come from the content, no clock is read. A volume that is made names no patient; one
//! that is written again names that of its source, unless it shall not ([`super::header`]).

use std::io::{self, Write};
use std::path::Path;

use dicom_dictionary_std::uids;
use dicom_object::{FileMetaTableBuilder, InMemDicomObject};
use dicom_transfer_syntax_registry::entries;
use rayon::prelude::*;

use super::coding::FrameSize;
use super::file::syntax_uid;
use super::identity::Content;
use super::source::{Identity, SourceInstance};
use super::{Syntax, codec, header};
use crate::format::{FormatError, atomic};
use crate::volume::{ChannelKind, Volume4};

/// Identifies this writer in a file's meta information; a constant of our own
const IMPLEMENTATION_UID: &str = "2.25.151706934561407224817021318527105731621";
const IMPLEMENTATION_VERSION: &str = "NARROWS_0_1";

/// The date of a volume whose date is not given: plainly not one of an acquisition
pub(super) const NO_DATE: &str = "19000101000000";

/// How a volume is written
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WriteOptions {
    /// How pixels are stored
    pub syntax: Syntax,
    /// When it was acquired, `YYYYMMDDHHMMSS` with an optional fraction; where not given it is that of the
    /// origin, or plainly none
    pub acquired: Option<String>,
    /// What the volume was read from; `None` for one that is made
    pub origin: Option<Origin>,
}

impl WriteOptions {
    /// Whether nobody is to be named
    pub(in crate::format) fn identity_removed(&self) -> bool {
        self.origin.as_ref().is_some_and(|origin| origin.identity == Identity::Removed)
    }
}

/// The object that a volume was read from, and whose it says it is
#[derive(Clone, Debug, PartialEq)]
pub struct Origin {
    /// The object
    pub source: SourceInstance,
    /// Whether the volume names the patient
    pub identity: Identity,
}

/// Why a volume cannot be written
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WriteError {
    /// Channels of different widths in one object
    #[error("the {kind} channel has {found} bits, the others {expected}: one object holds one width")]
    MixedBits {
        /// The channel that differs
        kind: ChannelKind,
        /// Its bits
        found: u32,
        /// Bits of the first channel
        expected: u32,
    },
    /// Nothing to write
    #[error("the volume has no channels")]
    NoChannels,
    /// More than the format can address
    #[error("{what} is too large for the format: {value}")]
    TooLarge {
        /// What
        what: &'static str,
        /// How much it is
        value: u64,
    },
    /// A picture whose pixels are not as many as its sides say
    #[error("a picture of {columns} by {rows} pixels cannot be made of {bytes} bytes")]
    Pixels {
        /// Pixels in a row
        columns: usize,
        /// Rows
        rows: usize,
        /// Bytes given
        bytes: usize,
    },
    /// A date that is none
    #[error("the acquisition date \"{0}\" is not of the form YYYYMMDDHHMMSS")]
    Date(String),
    /// The header cannot be encoded
    #[error("the header cannot be encoded: {0}")]
    Header(String),
    /// The system refused
    #[error("{0}")]
    Io(#[from] io::Error),
}

impl WriteError {
    /// What the user may do about it
    pub fn hint(&self) -> &'static str {
        match self {
            Self::MixedBits { .. } => "bring the channels to one width first",
            Self::NoChannels => "nothing to write: open a volume with channels",
            Self::TooLarge { .. } => "crop the volume, or choose a compressed syntax such as jpeg-ls",
            Self::Pixels { .. } => "give three bytes a pixel, and at least one pixel",
            Self::Date(_) => "give it as, for example, 20260131093000",
            Self::Header(_) => "choose another syntax, and report this",
            Self::Io(_) => "check the folder, your right to write there and the free space",
        }
    }
}

/// Writes a volume: all of the file or nothing
///
/// # Errors
/// [`FormatError::Write`], [`FormatError::Save`].
pub fn write(volume: &Volume4, path: &Path, options: &WriteOptions) -> Result<(), FormatError> {
    atomic::write(path, |out| write_to(volume, out, options)).map_err(|error: WriteError| match error {
        WriteError::Io(source) => FormatError::Save { path: path.to_owned(), source },
        error => FormatError::Write { path: path.to_owned(), source: Box::new(error) },
    })
}

/// The bytes of the file that [`write()`] makes
///
/// # Errors
/// See [`WriteError`].
pub fn write_bytes(volume: &Volume4, options: &WriteOptions) -> Result<Vec<u8>, WriteError> {
    let mut bytes = Vec::new();
    write_to(volume, &mut bytes, options)?;
    Ok(bytes)
}

fn write_to(volume: &Volume4, out: &mut dyn Write, options: &WriteOptions) -> Result<(), WriteError> {
    let size = frame_size(volume)?;
    let content = Content::of(volume);
    let header = header::header(volume, size, &content, options)?;
    preamble_and_meta(
        uids::ENHANCED_US_VOLUME_STORAGE,
        &content.uid("instance"),
        syntax_uid(options.syntax),
        out,
    )?;
    let elements = encoded(&header)?;
    match options.syntax {
        Syntax::ExplicitLittle => {
            out.write_all(&elements)?;
            native(volume, size, out)
        }
        Syntax::Deflated => {
            let mut counted = Counted { out, written: 0 };
            let mut deflate =
                flate2::write::DeflateEncoder::new(&mut counted, flate2::Compression::default());
            deflate.write_all(&elements)?;
            native(volume, size, &mut deflate)?;
            deflate.finish()?;
            if counted.written % 2 == 1 {
                counted.write_all(&[0])?;
            }
            Ok(())
        }
        Syntax::Rle | Syntax::JpegLs => {
            out.write_all(&elements)?;
            encapsulated(volume, size, options.syntax, out)
        }
    }
}

/// The start of every file: preamble, signature, file meta information
fn preamble_and_meta(
    class: &str,
    instance: &str,
    syntax: &str,
    out: &mut dyn Write,
) -> Result<(), WriteError> {
    out.write_all(&[0; 128])?;
    out.write_all(b"DICM")?;
    let meta = FileMetaTableBuilder::new()
        .media_storage_sop_class_uid(class)
        .media_storage_sop_instance_uid(instance)
        .transfer_syntax(syntax)
        .implementation_class_uid(IMPLEMENTATION_UID)
        .implementation_version_name(IMPLEMENTATION_VERSION)
        .build()
        .map_err(|error| WriteError::Header(error.to_string()))?;
    meta.write(&mut *out).map_err(|error| WriteError::Header(error.to_string()))
}

/// A data set in explicit little-endian; characters as the data set's own character set says
fn encoded(set: &InMemDicomObject) -> Result<Vec<u8>, WriteError> {
    let mut elements = Vec::new();
    set.write_dataset_with_ts(&mut elements, &entries::EXPLICIT_VR_LITTLE_ENDIAN.erased())
        .map_err(|error| WriteError::Header(error.to_string()))?;
    Ok(elements)
}

/// The start of a file up to its pixels, whose syntax is explicit little-endian outside of them
pub(crate) fn meta_and_header(
    set: &InMemDicomObject,
    class: &str,
    instance: &str,
    syntax: &str,
    out: &mut Vec<u8>,
) -> Result<(), WriteError> {
    preamble_and_meta(class, instance, syntax, out)?;
    out.extend(encoded(set)?);
    Ok(())
}

/// A whole file that has no pixels
pub(crate) fn part10(set: &InMemDicomObject, class: &str, instance: &str) -> Result<Vec<u8>, WriteError> {
    let mut out = Vec::new();
    meta_and_header(set, class, instance, syntax_uid(Syntax::ExplicitLittle), &mut out)?;
    Ok(out)
}

/// Counts the bytes that pass
struct Counted<'a> {
    out: &'a mut dyn Write,
    written: u64,
}

impl Write for Counted<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.out.write(bytes)?;
        self.written += written as u64;
        Ok(written)
    }
    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

/// Size and width of all frames
fn frame_size(volume: &Volume4) -> Result<FrameSize, WriteError> {
    let [columns, rows, slices] = volume.grid.shape();
    let first = volume.channels().first().ok_or(WriteError::NoChannels)?;
    let bits = first.samples().bits();
    for channel in volume.channels() {
        let found = channel.samples().bits();
        if found != bits {
            return Err(WriteError::MixedBits { kind: channel.kind(), found, expected: bits });
        }
    }
    let side = |what, side: usize| {
        u16::try_from(side).map_err(|_| WriteError::TooLarge { what, value: side as u64 })
    };
    let frames = slices.saturating_mul(volume.frames()).saturating_mul(volume.channels().len());
    if i32::try_from(frames).is_err() {
        return Err(WriteError::TooLarge { what: "the number of frames", value: frames as u64 });
    }
    Ok(FrameSize {
        rows: side("a column", rows)?,
        columns: side("a row", columns)?,
        bits,
        ..FrameSize::default()
    })
}

/// Native Pixel Data: the element's header, then every frame
fn native(volume: &Volume4, size: FrameSize, out: &mut dyn Write) -> Result<(), WriteError> {
    let total = volume.stored_bytes() as u64;
    let length = u32::try_from(total + total % 2)
        .ok()
        .filter(|length| *length < u32::MAX - 1)
        .ok_or(WriteError::TooLarge { what: "uncompressed pixel data", value: total })?;
    out.write_all(&[0xE0, 0x7F, 0x10, 0x00])?;
    out.write_all(if size.bits == 8 { b"OB\0\0" } else { b"OW\0\0" })?;
    out.write_all(&length.to_le_bytes())?;
    for time in 0..volume.frames() {
        for channel in volume.channels() {
            out.write_all(&channel.samples().frame(time).le_bytes())?;
        }
    }
    if total % 2 == 1 {
        out.write_all(&[0])?;
    }
    Ok(())
}

/// Encapsulated Pixel Data: an offset table where its 32 bits reach, then a fragment a frame
fn encapsulated(
    volume: &Volume4,
    size: FrameSize,
    syntax: Syntax,
    out: &mut dyn Write,
) -> Result<(), WriteError> {
    let mut coded: Vec<Vec<u8>> = Vec::new();
    for time in 0..volume.frames() {
        for channel in volume.channels() {
            let codes = channel.samples().frame(time);
            let bytes = codes.le_bytes();
            let batch: Vec<Vec<u8>> = bytes
                .par_chunks_exact(size.bytes())
                .map(|pixels| match syntax {
                    Syntax::Rle => codec::rle_encode(pixels, size),
                    _ => codec::jpeg_ls_encode(pixels, size),
                })
                .collect();
            coded.extend(batch);
        }
    }
    for frame in &mut coded {
        if frame.len() % 2 == 1 {
            frame.push(0);
        }
    }
    let mut offsets = Vec::with_capacity(coded.len() * 4);
    let mut at = 0u64;
    let mut reaches = true;
    for frame in &coded {
        match u32::try_from(at) {
            Ok(offset) => offsets.extend(offset.to_le_bytes()),
            Err(_) => reaches = false,
        }
        at += 8 + frame.len() as u64;
    }
    if !reaches {
        offsets.clear();
    }
    out.write_all(&[0xE0, 0x7F, 0x10, 0x00])?;
    out.write_all(b"OB\0\0\xFF\xFF\xFF\xFF")?;
    for item in std::iter::once(&offsets).chain(&coded) {
        out.write_all(&[0xFE, 0xFF, 0x00, 0xE0])?;
        let length = u32::try_from(item.len())
            .map_err(|_| WriteError::TooLarge { what: "a compressed frame", value: item.len() as u64 })?;
        out.write_all(&length.to_le_bytes())?;
        out.write_all(item)?;
    }
    out.write_all(&[0xFE, 0xFF, 0xDD, 0xE0, 0, 0, 0, 0])?;
    Ok(())
}
