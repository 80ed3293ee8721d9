//! A data set written element by element.
//!
//! Elements may be put in any order: the data set sorts them by tag when it is built.

use dicom_core::value::{DataSetSequence, PrimitiveValue};
use dicom_core::{DataElement, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;

/// A data set under construction
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Set(Vec<DataElement<InMemDicomObject>>);

impl Set {
    /// An element of any kind
    pub(crate) fn put(mut self, tag: Tag, vr: VR, value: impl Into<PrimitiveValue>) -> Self {
        self.0.push(DataElement::new(tag, vr, value.into()));
        self
    }
    /// Characters
    pub(crate) fn text(self, tag: Tag, vr: VR, text: &str) -> Self {
        self.put(tag, vr, PrimitiveValue::from(text))
    }
    /// An element without a value
    pub(crate) fn empty(self, tag: Tag, vr: VR) -> Self {
        self.put(tag, vr, PrimitiveValue::Empty)
    }
    /// Unsigned 16-bit
    pub(crate) fn us(self, tag: Tag, value: u16) -> Self {
        self.put(tag, VR::US, PrimitiveValue::from(value))
    }
    /// Doubles
    pub(crate) fn fd(self, tag: Tag, values: &[f64]) -> Self {
        self.put(tag, VR::FD, PrimitiveValue::F64(values.into()))
    }
    /// Decimal strings
    pub(crate) fn ds(self, tag: Tag, values: &[f64]) -> Self {
        let text: Vec<String> = values.iter().map(|value| decimal(*value)).collect();
        self.text(tag, VR::DS, &text.join("\\"))
    }
    /// A tag
    pub(crate) fn at(self, tag: Tag, value: Tag) -> Self {
        self.put(tag, VR::AT, PrimitiveValue::Tags([value].as_slice().into()))
    }
    /// A sequence
    pub(crate) fn items(mut self, tag: Tag, items: Vec<Set>) -> Self {
        let items: Vec<InMemDicomObject> = items.into_iter().map(Set::build).collect();
        self.0.push(DataElement::new(tag, VR::SQ, DataSetSequence::from(items)));
        self
    }
    /// A sequence of one item
    pub(crate) fn item(self, tag: Tag, item: Set) -> Self {
        self.items(tag, vec![item])
    }
    /// A coded concept
    pub(crate) fn code(self, tag: Tag, value: &str, scheme: &str, meaning: &str) -> Self {
        self.item(tag, code(value, scheme, meaning))
    }
    /// All elements of another set; where both have one, that of the other
    pub(crate) fn and(mut self, other: Set) -> Self {
        self.0.extend(other.0);
        self
    }
    /// The finished data set
    pub(crate) fn build(self) -> InMemDicomObject {
        InMemDicomObject::from_element_iter(self.0)
    }
}

/// A coded concept
pub(crate) fn code(value: &str, scheme: &str, meaning: &str) -> Set {
    Set::default()
        .text(tags::CODE_VALUE, VR::SH, value)
        .text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, scheme)
        .text(tags::CODE_MEANING, VR::LO, meaning)
}

/// A decimal string: the closest number that 16 characters can say
fn decimal(value: f64) -> String {
    let plain = format!("{value}");
    if plain.len() <= 16 {
        return plain;
    }
    let mut best = format!("{value:.8e}");
    for digits in 0..=14 {
        for text in [format!("{value:.digits$}"), format!("{value:.digits$e}")] {
            let off = |text: &str| text.parse().map_or(f64::INFINITY, |back: f64| (back - value).abs());
            if text.len() <= 16 && (best.len() > 16 || off(&text) < off(&best)) {
                best = text;
            }
        }
    }
    best
}
