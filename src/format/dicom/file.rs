//! The outer layer of a DICOM file: preamble, File Meta Information, transfer syntax.
//!
//! Native little-endian syntaxes are parsed where they lie. A deflated data set is inflated
//! first, in growing steps, so that what is allocated follows what the stream really holds and
//! not what it declares: a header that cannot be right stops the inflation.

use std::io::Read as _;
use std::sync::Arc;

use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};

use super::coding::{Coding, Loss};
use super::head;
use super::parts::Part;
use super::tree::{self, Encoding, PixelPlace, Tree, View};
use super::{DicomError, Syntax};
use crate::format::limits::{self, Held};
use crate::volume::SharedBytes;

/// A parsed file: the bytes its tree points into (those of the file, or inflated ones)
pub(super) struct Parsed {
    /// What the ranges of `tree` count in
    pub(super) bytes: SharedBytes,
    /// The header
    pub(super) tree: Tree,
    /// How the pixels are coded
    pub(super) coding: Coding,
    /// UID of the transfer syntax
    pub(super) syntax_uid: String,
    /// SOP class as the File Meta Information says it
    pub(super) meta_class: Option<String>,
}

impl Parsed {
    /// The data set
    pub(super) fn root(&self) -> View<'_> {
        View::new((*self.bytes).as_ref(), &self.tree.root)
    }
}

/// Whether the bytes bear the DICOM file signature
pub(crate) fn is_dicom(bytes: &[u8]) -> bool {
    bytes.get(128..132) == Some(b"DICM")
}

/// What of a deflated data set is unpacked
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Unpack {
    /// All of it
    Whole,
    /// What stands before its pixels
    Header,
}

/// Parses a file's bytes up to its Pixel Data
///
/// # Errors
/// See [`DicomError`].
pub(super) fn parse(bytes: SharedBytes, unpack: Unpack) -> Result<Parsed, DicomError> {
    let meta = meta((*bytes).as_ref())?;
    let syntax_uid = meta.syntax.ok_or(DicomError::NoTransferSyntax)?;
    let meta_class = meta.class;
    if syntax_uid == uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN {
        let (inflated, tree) = inflate((*bytes).as_ref().get(meta.end..).unwrap_or_default(), unpack)?;
        let bytes: SharedBytes = Arc::new(inflated);
        return Ok(Parsed { bytes, tree, coding: Coding::Native, syntax_uid, meta_class });
    }
    let (encoding, coding) = syntax(&syntax_uid)?;
    let tree = tree::parse((*bytes).as_ref(), meta.end, encoding)?;
    Ok(Parsed { bytes, tree, coding, syntax_uid, meta_class })
}

/// What the first elements of a file say: enough to tell which files belong together
pub(in crate::format) struct Peek {
    class: String,
    /// Series Instance UID
    pub(in crate::format) series: String,
    /// Series Description, else the number of the series
    pub(in crate::format) series_name: String,
    /// Which part of a volume it is; `None` where it is whole
    pub(in crate::format) part: Option<Part>,
}

impl Peek {
    /// Whether the object is of the class that is read
    pub(in crate::format) fn is_volume(&self) -> bool {
        self.class == uids::ENHANCED_US_VOLUME_STORAGE
    }
}

/// Elements up to here are looked at by [`peek`]: one past the last that tells of parts
const PEEKED: Tag = Tag(0x0020, 0x9229);
/// Bytes of a deflated data set that are inflated to be peeked at; what stands before the frames is short
const PEEKED_BYTES: u64 = 1 << 20;

/// Looks at the beginning of a file; `None` where it cannot be read so far
pub(in crate::format) fn peek(bytes: &[u8]) -> Option<Peek> {
    let meta = meta(bytes).ok()?;
    let uid = meta.syntax?;
    let mut inflated = Vec::new();
    let (all, start, encoding) = if uid == uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN {
        // What is cut off or damaged behind is no matter here.
        let _ = flate2::read::DeflateDecoder::new(bytes.get(meta.end..)?)
            .take(PEEKED_BYTES)
            .read_to_end(&mut inflated);
        (inflated.as_slice(), 0, Encoding::Explicit)
    } else {
        (bytes, meta.end, syntax(&uid).ok()?.0)
    };
    let tree = tree::parse_to(all, start, encoding, PEEKED).ok()?;
    let root = View::new(all, &tree.root);
    let text = |tag| root.text(tag).map(str::to_owned);
    Some(Peek {
        class: text(tags::SOP_CLASS_UID).or(meta.class).unwrap_or_default(),
        series: text(tags::SERIES_INSTANCE_UID).unwrap_or_default(),
        series_name: text(tags::SERIES_DESCRIPTION).or(text(tags::SERIES_NUMBER)).unwrap_or_default(),
        // A part that does not say which is told when it is read.
        part: Part::of(root).ok().flatten(),
    })
}

/// How the elements and how the pixels of a transfer syntax are coded
fn syntax(uid: &str) -> Result<(Encoding, Coding), DicomError> {
    let coding = match uid {
        uids::IMPLICIT_VR_LITTLE_ENDIAN => return Ok((Encoding::Implicit, Coding::Native)),
        uids::EXPLICIT_VR_LITTLE_ENDIAN => Coding::Native,
        uids::RLE_LOSSLESS => Coding::Rle,
        uids::JPEG_BASELINE8_BIT => Coding::Jpeg,
        uids::JPEGLS_LOSSLESS => Coding::JpegLs(Loss::None),
        uids::JPEGLS_NEAR_LOSSLESS => Coding::JpegLs(Loss::Possible),
        uids::JPEG2000_LOSSLESS => Coding::Jpeg2000(Loss::None),
        uids::JPEG2000 => Coding::Jpeg2000(Loss::Possible),
        _ => return Err(DicomError::TransferSyntax { uid: uid.chars().take(80).collect() }),
    };
    Ok((Encoding::Explicit, coding))
}

/// The UID of a syntax the writer knows
pub(super) fn syntax_uid(syntax: Syntax) -> &'static str {
    match syntax {
        Syntax::ExplicitLittle => uids::EXPLICIT_VR_LITTLE_ENDIAN,
        Syntax::Rle => uids::RLE_LOSSLESS,
        Syntax::JpegLs => uids::JPEGLS_LOSSLESS,
        Syntax::Deflated => uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN,
    }
}

/// What the File Meta Information says, and where it ends
struct Meta {
    syntax: Option<String>,
    class: Option<String>,
    end: usize,
}

/// Reads group 0002, which is always explicit VR little-endian (PS3.10 section 7.1)
fn meta(bytes: &[u8]) -> Result<Meta, DicomError> {
    let mut meta = Meta { syntax: None, class: None, end: 132 };
    loop {
        let at = meta.end;
        let Some(head) = bytes.get(at..).and_then(<[u8]>::first_chunk::<8>) else { break };
        if [head[0], head[1]] != [2, 0] {
            break;
        }
        let long = matches!(&head[4..6], b"OB" | b"OW" | b"OF" | b"SQ" | b"UT" | b"UN");
        let (length, begin) = if long {
            let Some(length) = bytes.get(at + 8..).and_then(<[u8]>::first_chunk::<4>) else { break };
            (u32::from_le_bytes(*length) as usize, at + 12)
        } else {
            (usize::from(u16::from_le_bytes([head[6], head[7]])), at + 8)
        };
        let Some(value) = begin.checked_add(length).and_then(|end| bytes.get(begin..end)) else {
            return Err(DicomError::Truncated {
                what: "the file meta information".to_owned(),
                at: begin,
                needed: length,
                available: bytes.len().saturating_sub(begin),
            });
        };
        let text = || {
            let text = String::from_utf8_lossy(value);
            text.trim_matches(|c: char| c == '\0' || c == ' ').to_owned()
        };
        match u16::from_le_bytes([head[2], head[3]]) {
            0x0002 => meta.class = Some(text()),
            0x0010 => meta.syntax = Some(text()),
            _ => {}
        }
        meta.end = begin + length;
    }
    Ok(meta)
}

/// The largest header that is inflated in search of its Pixel Data, in bytes; that of the largest volumes has
/// half as many (see the limit of elements in [`tree`])
const LARGEST_HEADER: usize = 128 << 20;

/// Inflates a data set: its header in growing steps, then, if asked, as many bytes as its pixels need
fn inflate(deflated: &[u8], unpack: Unpack) -> Result<(Vec<u8>, Tree), DicomError> {
    let limit = limits::most_unpacked(deflated.len());
    let mut decoder = flate2::read::DeflateDecoder::new(deflated);
    let fault = |error: std::io::Error| DicomError::Deflate { message: error.to_string() };
    let mut bytes = Vec::new();
    let mut upto = 1 << 16;
    loop {
        let held = limits::read_to(&mut decoder, &mut bytes, upto).map_err(fault)?;
        match tree::parse(&bytes, 0, Encoding::Explicit) {
            Ok(tree) if tree.pixels.is_some() => {
                let Some(PixelPlace::Native(range)) = &tree.pixels else {
                    return Err(DicomError::Layout {
                        what: "encapsulated pixel data in a deflated data set".to_owned(),
                    });
                };
                head::plausible(View::new(&bytes, &tree.root), range.len())?;
                if range.end > limit {
                    return Err(DicomError::TooLarge { what: "the data set", bytes: range.end, limit });
                }
                if unpack == Unpack::Whole {
                    limits::read_to(&mut decoder, &mut bytes, range.end).map_err(fault)?;
                }
                return Ok((bytes, tree));
            }
            // Without Pixel Data so far: the rest of the stream may hold it.
            Ok(tree) if held == Held::Less => return Ok((bytes, tree)),
            Err(error) if held == Held::Less => return Err(error),
            Ok(_) | Err(DicomError::Truncated { .. }) if upto < LARGEST_HEADER => {
                upto = LARGEST_HEADER.min(4 * upto);
            }
            Ok(_) | Err(DicomError::Truncated { .. }) => {
                return Err(DicomError::TooLarge {
                    what: "the header",
                    bytes: bytes.len(),
                    limit: LARGEST_HEADER,
                });
            }
            Err(error) => return Err(error),
        }
    }
}
