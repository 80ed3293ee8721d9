//! The header of a DICOM data set as a tree of windows on the file's bytes.
//!
//! Values are not read but remembered as ranges. So a header costs memory in proportion to its own
//! bytes, whatever lengths a damaged file declares: a declared length is first compared with the
//! bytes that are there, and nesting and number of elements are bounded. Parsing stops at the Pixel Data of the outer data
//! set. The general reader of dicom-rs is not used here: it keeps values, and on some damaged
//! sequences it panics.

use std::ops::Range;

use dicom_core::dictionary::{DataDictionary as _, DataDictionaryEntry as _};
use dicom_core::{Tag, VR};
use dicom_dictionary_std::{StandardDataDictionary, tags};

use super::DicomError;

/// Sequences inside sequences beyond this depth are refused; the standard's object needs four
const DEEPEST: usize = 16;

/// Elements and items beyond this many are refused: the largest volumes have half as many (60 times of 256
/// slices of 3 data types, some 45 elements and items each)
const MOST: usize = 1 << 22;

/// The length that says "until a delimiter"
const UNDEFINED: u32 = u32::MAX;

const ITEM: Tag = Tag(0xFFFE, 0xE000);
const ITEM_END: Tag = Tag(0xFFFE, 0xE00D);
const SEQUENCE_END: Tag = Tag(0xFFFE, 0xE0DD);

/// Whether elements say their value representation
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Encoding {
    /// They do
    Explicit,
    /// The dictionary knows it
    Implicit,
}

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

/// Parses the data set that starts at byte `start`, little-endian, up to its Pixel Data
///
/// # Errors
/// [`DicomError::Truncated`], [`DicomError::Syntax`], [`DicomError::TooDeep`].
pub(super) fn parse(bytes: &[u8], start: usize, encoding: Encoding) -> Result<Tree, DicomError> {
    parse_to(bytes, start, encoding, tags::PIXEL_DATA)
}

/// The same up to the first outer element that is `end` or comes after it; what follows is not looked at
///
/// # Errors
/// As [`parse`].
pub(super) fn parse_to(bytes: &[u8], start: usize, encoding: Encoding, end: Tag) -> Result<Tree, DicomError> {
    let mut walk = Walk { bytes, at: start, end, count: 0, pixels: None };
    let root = walk.data_set(encoding, Some(bytes.len().max(start)), 0)?;
    Ok(Tree { root, pixels: walk.pixels })
}

/// The header of an element or item
struct Head {
    tag: Tag,
    vr: VR,
    length: u32,
}

/// A place in the bytes that moves on
struct Walk<'a> {
    bytes: &'a [u8],
    at: usize,
    /// Where to stop in the outer data set
    end: Tag,
    /// Elements and items so far
    count: usize,
    pixels: Option<PixelPlace>,
}

impl Walk<'_> {
    fn take<const N: usize>(&mut self, what: &str) -> Result<[u8; N], DicomError> {
        let taken = self.bytes.get(self.at..).and_then(<[u8]>::first_chunk::<N>);
        let taken = taken.copied().ok_or_else(|| self.truncated(what, N))?;
        self.at += N;
        Ok(taken)
    }

    fn truncated(&self, what: &str, needed: usize) -> DicomError {
        let available = self.bytes.len().saturating_sub(self.at);
        DicomError::Truncated { what: what.to_owned(), at: self.at, needed, available }
    }

    fn syntax(&self, message: String) -> DicomError {
        DicomError::Syntax { at: self.at, message }
    }

    /// Where a value of this length ends, if the bytes reach so far
    fn end_of(&self, tag: Tag, length: u32) -> Result<usize, DicomError> {
        let end = self.at.checked_add(length as usize).filter(|end| *end <= self.bytes.len());
        end.ok_or_else(|| self.truncated(&format!("element {tag}"), length as usize))
    }

    fn head(&mut self, encoding: Encoding) -> Result<Head, DicomError> {
        self.count += 1;
        if self.count > MOST {
            return Err(DicomError::TooMany { at: self.at, most: MOST });
        }
        let [a, b, c, d] = self.take("an element")?;
        let tag = Tag(u16::from_le_bytes([a, b]), u16::from_le_bytes([c, d]));
        if tag.group() == 0xFFFE {
            let length = u32::from_le_bytes(self.take("an item")?);
            return Ok(Head { tag, vr: VR::UN, length });
        }
        if encoding == Encoding::Implicit {
            let length = u32::from_le_bytes(self.take("an element")?);
            let vr = StandardDataDictionary.by_tag(tag).map_or(VR::UN, |entry| entry.vr().relaxed());
            return Ok(Head { tag, vr, length });
        }
        let [first, second, low, high] = self.take("an element")?;
        let Some(vr) = VR::from_binary([first, second]) else {
            let letters: String =
                [first, second].iter().map(|byte| byte.escape_ascii().to_string()).collect();
            return Err(self.syntax(format!("element {tag} has the unknown value representation {letters}")));
        };
        let long = matches!(
            vr,
            VR::OB
                | VR::OD
                | VR::OF
                | VR::OL
                | VR::OV
                | VR::OW
                | VR::SQ
                | VR::SV
                | VR::UC
                | VR::UN
                | VR::UR
                | VR::UT
                | VR::UV
        );
        let length = if long {
            u32::from_le_bytes(self.take("an element")?)
        } else {
            u32::from(u16::from_le_bytes([low, high]))
        };
        Ok(Head { tag, vr, length })
    }

    /// Elements up to `end`, or up to the item's delimiter where there is none
    fn data_set(
        &mut self,
        encoding: Encoding,
        end: Option<usize>,
        depth: usize,
    ) -> Result<DataSet, DicomError> {
        let mut set = DataSet::default();
        self.fill(&mut set, encoding, end, depth)?;
        // There are many small ones: room to grow would cost more than they do.
        set.elements.shrink_to_fit();
        Ok(set)
    }

    fn fill(
        &mut self,
        set: &mut DataSet,
        encoding: Encoding,
        end: Option<usize>,
        depth: usize,
    ) -> Result<(), DicomError> {
        loop {
            match end {
                Some(end) if self.at == end => return Ok(()),
                Some(end) if self.at > end => {
                    return Err(self.syntax(format!("an element reaches past the end of its item at {end}")));
                }
                _ => {}
            }
            let Head { tag, vr, length } = self.head(encoding)?;
            if tag == ITEM_END && end.is_none() {
                return Ok(());
            }
            if tag.group() == 0xFFFE {
                return Err(self.syntax(format!("the delimiter {tag} stands where an element should")));
            }
            if tag == tags::PIXEL_DATA && depth == 0 {
                self.pixels = Some(if length == UNDEFINED {
                    PixelPlace::Encapsulated(self.at)
                } else {
                    PixelPlace::Native(self.at..self.at.saturating_add(length as usize))
                });
                return Ok(());
            }
            if depth == 0 && tag >= self.end && self.end != tags::PIXEL_DATA {
                return Ok(());
            }
            let value = if vr == VR::SQ || length == UNDEFINED {
                if depth >= DEEPEST {
                    return Err(DicomError::TooDeep { at: self.at, deepest: DEEPEST });
                }
                // An unknown element of undefined length is a sequence in implicit encoding (PS3.5 6.2.2).
                let inner = if vr == VR::UN { Encoding::Implicit } else { encoding };
                let end = if length == UNDEFINED { None } else { Some(self.end_of(tag, length)?) };
                match vr {
                    VR::OB | VR::OW => self.fragments()?,
                    _ => Value::Items(self.items(inner, end, depth + 1)?),
                }
            } else {
                let end = self.end_of(tag, length)?;
                let range = self.at..end;
                self.at = end;
                Value::Bytes(range)
            };
            set.elements.push(Element { tag, vr, value });
        }
    }

    /// Items up to `end`, or up to the sequence's delimiter where there is none
    fn items(
        &mut self,
        encoding: Encoding,
        end: Option<usize>,
        depth: usize,
    ) -> Result<Vec<DataSet>, DicomError> {
        let mut items = Vec::new();
        loop {
            match end {
                Some(end) if self.at == end => break,
                Some(end) if self.at > end => {
                    return Err(self.syntax(format!("an item reaches past the end of its sequence at {end}")));
                }
                _ => {}
            }
            let head = self.head(encoding)?;
            match head.tag {
                ITEM => {
                    let end =
                        if head.length == UNDEFINED { None } else { Some(self.end_of(ITEM, head.length)?) };
                    items.push(self.data_set(encoding, end, depth)?);
                }
                SEQUENCE_END if end.is_none() => break,
                tag => return Err(self.syntax(format!("{tag} stands where an item should"))),
            }
        }
        items.shrink_to_fit();
        Ok(items)
    }

    /// Passes over the fragments of encapsulated data inside a sequence, such as an icon's
    fn fragments(&mut self) -> Result<Value, DicomError> {
        let start = self.at;
        loop {
            let head = self.head(Encoding::Implicit)?;
            match head.tag {
                ITEM => self.at = self.end_of(ITEM, head.length)?,
                SEQUENCE_END => return Ok(Value::Bytes(start..self.at)),
                tag => return Err(self.syntax(format!("{tag} stands where a fragment should"))),
            }
        }
    }
}

/// Numbers of `N` bytes each
fn fixed<const N: usize>(raw: &[u8], read: impl Fn([u8; N]) -> f64) -> Vec<f64> {
    let (chunks, _) = raw.as_chunks::<N>();
    chunks.iter().map(|chunk| read(*chunk)).collect()
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
