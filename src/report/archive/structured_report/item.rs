//! Content items of a structured report (PS3.3 section C.17.3), one function a value type.

use dicom_core::VR;
use dicom_core::value::PrimitiveValue;
use dicom_dictionary_std::tags;

use super::codes::Code;
use crate::format::dicom::set::Set;

/// How an item relates to the one above it
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Relation {
    /// Part of a container
    Contains,
    /// Who observed and what
    Context,
    /// Narrows the meaning of the concept above
    Modifier,
    /// A property of the number above
    Property,
}

impl Relation {
    fn word(self) -> &'static str {
        match self {
            Self::Contains => "CONTAINS",
            Self::Context => "HAS OBS CONTEXT",
            Self::Modifier => "HAS CONCEPT MOD",
            Self::Property => "HAS PROPERTIES",
        }
    }
}

fn item(relation: Relation, kind: &str, concept: Option<Code>) -> Set {
    let set = Set::default().text(tags::RELATIONSHIP_TYPE, VR::CS, relation.word()).text(
        tags::VALUE_TYPE,
        VR::CS,
        kind,
    );
    match concept {
        Some(concept) => set.item(tags::CONCEPT_NAME_CODE_SEQUENCE, concept.set()),
        None => set,
    }
}

/// Puts items below another
pub(super) fn with(set: Set, below: Vec<Set>) -> Set {
    if below.is_empty() { set } else { set.items(tags::CONTENT_SEQUENCE, below) }
}

/// A container made by a template (PS3.16)
pub(super) fn container(concept: Code, template: Option<&str>, below: Vec<Set>) -> Set {
    let set = item(Relation::Contains, "CONTAINER", Some(concept)).text(
        tags::CONTINUITY_OF_CONTENT,
        VR::CS,
        "SEPARATE",
    );
    with(
        match template {
            Some(template) => from_template(set, template),
            None => set,
        },
        below,
    )
}

/// Says which template made a container
pub(super) fn from_template(set: Set, template: &str) -> Set {
    set.item(
        tags::CONTENT_TEMPLATE_SEQUENCE,
        Set::default().text(tags::MAPPING_RESOURCE, VR::CS, "DCMR").text(
            tags::TEMPLATE_IDENTIFIER,
            VR::CS,
            template,
        ),
    )
}

/// A coded value
pub(super) fn code(relation: Relation, concept: Code, value: Code) -> Set {
    item(relation, "CODE", Some(concept)).item(tags::CONCEPT_CODE_SEQUENCE, value.set())
}

/// Words
pub(super) fn text(relation: Relation, concept: Code, words: &str) -> Set {
    item(relation, "TEXT", Some(concept)).text(tags::TEXT_VALUE, VR::UT, words)
}

/// A unique identifier
pub(super) fn uid(relation: Relation, concept: Code, uid: &str) -> Set {
    item(relation, "UIDREF", Some(concept)).text(tags::UID, VR::UI, uid)
}

/// A person's name, in the form `Family^Given`
pub(super) fn person(relation: Relation, concept: Code, name: &str) -> Set {
    item(relation, "PNAME", Some(concept)).text(tags::PERSON_NAME, VR::PN, name)
}

/// A number with its unit; the decimal string is as near as its 16 characters allow, the double exact
pub(super) fn number(relation: Relation, concept: Code, value: f64, unit: Code) -> Set {
    item(relation, "NUM", Some(concept)).item(
        tags::MEASURED_VALUE_SEQUENCE,
        Set::default()
            .ds(tags::NUMERIC_VALUE, &[value])
            .fd(tags::FLOATING_POINT_VALUE, &[value])
            .item(tags::MEASUREMENT_UNITS_CODE_SEQUENCE, unit.set()),
    )
}

/// An image the report rests on
pub(super) fn image(concept: Code, reference: Set) -> Set {
    item(Relation::Contains, "IMAGE", Some(concept)).item(tags::REFERENCED_SOP_SEQUENCE, reference)
}

/// A closed planar polygon in a frame of reference, mm; the first point is repeated at its end
pub(super) fn polygon(concept: Code, points_mm: &[[f64; 3]], reference: &str) -> Set {
    let numbers: Vec<f32> =
        points_mm.iter().chain(points_mm.first()).flat_map(|point| point.map(|mm| mm as f32)).collect();
    item(Relation::Contains, "SCOORD3D", Some(concept))
        .put(tags::GRAPHIC_DATA, VR::FL, PrimitiveValue::F32(numbers.as_slice().into()))
        .text(tags::GRAPHIC_TYPE, VR::CS, "POLYGON")
        .text(tags::REFERENCED_FRAME_OF_REFERENCE_UID, VR::UI, reference)
}
