//! The header of a DICOM data set as a tree of windows on the file's bytes.
//!
//! The tokens come from dicom-rs, lazily; values are not read but remembered as ranges. So a
//! header costs memory in proportion to its own bytes, whatever lengths a damaged file declares:
//! a declared length is first compared with the bytes that are there. Parsing stops at the Pixel
//! Data of the outer data set.

use std::io::{Cursor, Seek as _, SeekFrom};
use std::ops::Range;

use dicom_core::{Tag, VR};
use dicom_dictionary_std::tags;
use dicom_encoding::TransferSyntax;
use dicom_encoding::text::SpecificCharacterSet;
use dicom_parser::dataset::LazyDataToken;
use dicom_parser::dataset::lazy_read::LazyDataSetReader;
use dicom_parser::stateful::decode::StatefulDecode as _;

use super::DicomError;

/// Sequences inside sequences beyond this depth are refused; the standard's object needs four
const DEEPEST: usize = 16;

/// One data set: its elements as they stand in the file
#[derive(Debug, Default)]
pub(super) struct DataSet {
    elements: Vec<Element>,
}

#[derive(Debug)]
struct Element {
    tag: Tag,
    vr: VR,
    value: Value,
}

#[derive(Debug)]
enum Value {
    Bytes(Range<usize>),
    Items(Vec<DataSet>),
}

/// Where the pixels are
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum PixelPlace {
    /// Native samples in this byte range
    Native(Range<usize>),
    /// Fragments, the first item (the offset table) starting at this byte
    Encapsulated(usize),
}

/// The outer data set and the place of its Pixel Data
#[derive(Debug)]
pub(super) struct Tree {
    /// The outer data set
    pub(super) root: DataSet,
    /// Its Pixel Data, where the file has one
    pub(super) pixels: Option<PixelPlace>,
}

/// Parses the data set that starts at byte `start`
///
/// # Errors
/// [`DicomError::Truncated`], [`DicomError::Syntax`], [`DicomError::TooDeep`].
pub(super) fn parse(bytes: &[u8], start: usize, syntax: &TransferSyntax) -> Result<Tree, DicomError> {
    let mut source = Cursor::new(bytes);
    source
        .seek(SeekFrom::Start(start as u64))
        .map_err(|error| DicomError::Syntax { at: start, message: error.to_string() })?;
    let mut reader = LazyDataSetReader::new_with_ts_cs(source, syntax, SpecificCharacterSet::default())
        .map_err(|error| DicomError::Syntax { at: start, message: error.to_string() })?;
    // The open sequences, each with the data set it belongs to; the last is being filled.
    let mut open: Vec<(DataSet, Tag, Vec<DataSet>)> = Vec::new();
    let mut current = DataSet::default();
    let mut at = start;
    while let Some(token) = reader.advance() {
        let token = token.map_err(|error| syntax_error(&error, at, bytes.len()))?;
        match token {
            LazyDataToken::ElementHeader(header) => {
                if header.tag == tags::PIXEL_DATA && open.is_empty() {
                    let length = header.len.0 as usize;
                    let begin = reader.into_decoder().position() as usize;
                    let pixels = Some(PixelPlace::Native(begin..begin.saturating_add(length)));
                    return Ok(Tree { root: current, pixels });
                }
            }
            LazyDataToken::LazyValue { header, decoder } => {
                let begin = decoder.position() as usize;
                let length = header.len.0;
                let end = begin.saturating_add(length as usize);
                if end > bytes.len() {
                    return Err(DicomError::Truncated {
                        what: format!("element {}", header.tag),
                        at: begin,
                        needed: length as usize,
                        available: bytes.len().saturating_sub(begin),
                    });
                }
                decoder.skip_bytes(length).map_err(|error| syntax_error(&error, begin, bytes.len()))?;
                at = end;
                let value = Value::Bytes(begin..end);
                current.elements.push(Element { tag: header.tag, vr: header.vr, value });
            }
            LazyDataToken::LazyItemValue { len, decoder } => {
                at = decoder.position() as usize;
                decoder.skip_bytes(len).map_err(|error| syntax_error(&error, at, bytes.len()))?;
            }
            LazyDataToken::SequenceStart { tag, .. } => {
                if open.len() >= DEEPEST {
                    return Err(DicomError::TooDeep { at, deepest: DEEPEST });
                }
                open.push((std::mem::take(&mut current), tag, Vec::new()));
            }
            LazyDataToken::PixelSequenceStart => {
                if open.is_empty() {
                    let begin = reader.into_decoder().position() as usize;
                    return Ok(Tree { root: current, pixels: Some(PixelPlace::Encapsulated(begin)) });
                }
                if open.len() >= DEEPEST {
                    return Err(DicomError::TooDeep { at, deepest: DEEPEST });
                }
                open.push((std::mem::take(&mut current), tags::PIXEL_DATA, Vec::new()));
            }
            LazyDataToken::ItemStart { .. } => current = DataSet::default(),
            LazyDataToken::ItemEnd => {
                if let Some((_, _, items)) = open.last_mut() {
                    items.push(std::mem::take(&mut current));
                }
            }
            LazyDataToken::SequenceEnd => {
                if let Some((outer, tag, items)) = open.pop() {
                    current = outer;
                    current.elements.push(Element { tag, vr: VR::SQ, value: Value::Items(items) });
                }
            }
            _ => {}
        }
    }
    if !open.is_empty() {
        return Err(DicomError::Truncated {
            what: "a sequence".to_owned(),
            at,
            needed: 8,
            available: bytes.len().saturating_sub(at),
        });
    }
    Ok(Tree { root: current, pixels: None })
}

/// What dicom-rs said, without its backtrace; an end of file is told as such
fn syntax_error(error: &(dyn std::error::Error + 'static), at: usize, length: usize) -> DicomError {
    let mut message = error.to_string();
    let mut source = error.source();
    while let Some(inner) = source {
        if let Some(io) = inner.downcast_ref::<std::io::Error>()
            && io.kind() == std::io::ErrorKind::UnexpectedEof
        {
            let available = length.saturating_sub(at);
            return DicomError::Truncated {
                what: "the header".to_owned(),
                at,
                needed: available + 1,
                available,
            };
        }
        message = inner.to_string();
        source = inner.source();
    }
    DicomError::Syntax { at, message }
}

/// A data set together with the bytes its values lie in
#[derive(Clone, Copy, Debug)]
pub(super) struct View<'a> {
    bytes: &'a [u8],
    set: &'a DataSet,
}

impl<'a> View<'a> {
    /// A data set over its bytes
    pub(super) fn new(bytes: &'a [u8], set: &'a DataSet) -> Self {
        Self { bytes, set }
    }

    fn element(&self, tag: Tag) -> Option<&'a Element> {
        self.set.elements.iter().find(|element| element.tag == tag)
    }

    /// Whether the element is there, even if empty
    pub(super) fn has(&self, tag: Tag) -> bool {
        self.element(tag).is_some()
    }

    /// The value's bytes as they stand
    pub(super) fn raw(&self, tag: Tag) -> Option<&'a [u8]> {
        match &self.element(tag)?.value {
            Value::Bytes(range) => self.bytes.get(range.clone()),
            Value::Items(_) => None,
        }
    }

    /// The items of a sequence; none where it is missing
    pub(super) fn items(&self, tag: Tag) -> impl ExactSizeIterator<Item = View<'a>> + use<'a> {
        let items = match self.element(tag).map(|element| &element.value) {
            Some(Value::Items(items)) => items.as_slice(),
            _ => &[],
        };
        let bytes = self.bytes;
        items.iter().map(move |set| View { bytes, set })
    }

    /// The first item of a sequence
    pub(super) fn first(&self, tag: Tag) -> Option<View<'a>> {
        self.items(tag).next()
    }

    /// Text without its padding; `None` where missing, empty or not UTF-8
    pub(super) fn text(&self, tag: Tag) -> Option<&'a str> {
        let text = std::str::from_utf8(self.raw(tag)?).ok()?;
        let text = text.trim_matches(|c: char| c == '\0' || c == ' ');
        (!text.is_empty()).then_some(text)
    }

    /// All numbers of an element, whatever numeric representation it has
    pub(super) fn numbers(&self, tag: Tag) -> Vec<f64> {
        let Some(element) = self.element(tag) else { return Vec::new() };
        let Some(raw) = self.raw(tag) else { return Vec::new() };
        fn fixed<const N: usize>(raw: &[u8], read: impl Fn([u8; N]) -> f64) -> Vec<f64> {
            let (chunks, _) = raw.as_chunks::<N>();
            chunks.iter().map(|chunk| read(*chunk)).collect()
        }
        match element.vr {
            VR::FD | VR::OD => fixed(raw, f64::from_le_bytes),
            VR::FL | VR::OF => fixed(raw, |b| f64::from(f32::from_le_bytes(b))),
            VR::US | VR::OW => fixed(raw, |b| f64::from(u16::from_le_bytes(b))),
            VR::SS => fixed(raw, |b| f64::from(i16::from_le_bytes(b))),
            VR::UL | VR::OL => fixed(raw, |b| f64::from(u32::from_le_bytes(b))),
            VR::SL => fixed(raw, |b| f64::from(i32::from_le_bytes(b))),
            VR::DS | VR::IS => {
                let Some(text) = self.text(tag) else { return Vec::new() };
                // A part that is not a number stays visible as one that is not finite.
                text.split('\\').map(|part| part.trim().parse().unwrap_or(f64::NAN)).collect()
            }
            _ => Vec::new(),
        }
    }

    /// The first number of an element
    pub(super) fn number(&self, tag: Tag) -> Option<f64> {
        self.numbers(tag).first().copied()
    }

    /// The first number, where it is a whole one of at most 32 bits
    pub(super) fn whole(&self, tag: Tag) -> Option<u32> {
        let value = self.number(tag)?;
        (value.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&value)).then_some(value as u32)
    }

    /// Exactly `N` numbers
    pub(super) fn array<const N: usize>(&self, tag: Tag) -> Option<[f64; N]> {
        self.numbers(tag).try_into().ok()
    }

    /// A tag given as a value (VR AT)
    pub(super) fn tag(&self, tag: Tag) -> Option<Tag> {
        let raw = self.raw(tag)?.first_chunk::<4>()?;
        Some(Tag(u16::from_le_bytes([raw[0], raw[1]]), u16::from_le_bytes([raw[2], raw[3]])))
    }
}
