//! What an object derived from a volume must say about its source, and whose it says it is.
//!
//! A derived object stays in the study of its source and names the instance it came from, so that
//! an archive can put both side by side. It bears a name only where that is asked for: by default
//! patient and study attributes stay empty and no date is told, and only the identifiers of the
//! source link the two. A source that is no DICOM file gets identifiers made from its bytes.

use std::path::{Path, PathBuf};

use dicom_core::VR;
use dicom_dictionary_std::{tags, uids};

use super::file;
use super::identity::Content;
use super::set::Set;
use super::tree::View;
use super::write::NO_DATE;
use crate::format::{FormatError, Parts, gather, hash_of, map};

/// Whether a derived object names the patient
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Identity {
    /// Patient and study attributes are left empty
    #[default]
    Removed,
    /// They are copied from the source
    Kept,
}

/// Whether the source is an instance that can be referred to
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Known {
    /// A DICOM instance
    Instance,
    /// Something else: its identifiers were made from its bytes
    MadeUp,
}

/// Attributes copied where the identity is kept, with their representation
const COPIED: [(dicom_core::Tag, VR); 11] = [
    (tags::PATIENT_NAME, VR::PN),
    (tags::PATIENT_ID, VR::LO),
    (tags::PATIENT_BIRTH_DATE, VR::DA),
    (tags::PATIENT_SEX, VR::CS),
    (tags::STUDY_DATE, VR::DA),
    (tags::STUDY_TIME, VR::TM),
    (tags::REFERRING_PHYSICIAN_NAME, VR::PN),
    (tags::STUDY_ID, VR::SH),
    (tags::ACCESSION_NUMBER, VR::SH),
    (tags::CONTENT_DATE, VR::DA),
    (tags::CONTENT_TIME, VR::TM),
];

/// The source of a derived object
#[derive(Clone, Debug, PartialEq)]
pub struct SourceInstance {
    /// SOP class
    pub class: String,
    /// SOP instance
    pub instance: String,
    /// Its study
    pub study: String,
    /// Its series
    pub series: String,
    /// The frame of reference in which the volume's positions count
    pub reference: String,
    /// Whether there is such an instance
    pub known: Known,
    /// Values of `COPIED`, and the character set they are in
    copied: Vec<String>,
}

impl SourceInstance {
    /// Reads the identifiers of the files, or the folder, that a volume was read from
    ///
    /// # Errors
    /// [`FormatError::Read`] and its like, [`FormatError::Dicom`].
    pub fn of_files<P: AsRef<Path>>(paths: &[P]) -> Result<Self, FormatError> {
        let files = gather::one(paths, Parts::Beside)?;
        let Some(path) = files.first() else { return Err(FormatError::NoVolume { path: PathBuf::new() }) };
        let bytes = map::map(path)?;
        if !file::is_dicom((*bytes).as_ref()) {
            return Ok(Self::made_up(&hash_of([&bytes])));
        }
        let parsed = file::parse(bytes)
            .map_err(|source| FormatError::Dicom { path: path.clone(), source: Box::new(source) })?;
        Ok(Self::of_header(View::new((*parsed.bytes).as_ref(), &parsed.tree.root)))
    }

    /// Identifiers for a source that has none, made from words that identify it, such as its hash
    pub fn made_up(words: &str) -> Self {
        let content = Content::of_words("source", words);
        Self {
            class: uids::ENHANCED_US_VOLUME_STORAGE.to_owned(),
            instance: content.uid("instance"),
            study: content.uid("study"),
            series: content.uid("series"),
            reference: content.uid("volume frame of reference"),
            known: Known::MadeUp,
            copied: vec![String::new(); COPIED.len()],
        }
    }

    fn of_header(root: View<'_>) -> Self {
        let text = |tag| root.text(tag).filter(|text| !text.is_empty()).map(str::to_owned);
        let instance = text(tags::SOP_INSTANCE_UID);
        let made = Self::made_up(instance.as_deref().unwrap_or_default());
        // Positions count in the volume's own frame of reference where frames have them there.
        let frame = root.items(tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE).next();
        let own = frame.is_some_and(|frame| frame.has(tags::PLANE_POSITION_VOLUME_SEQUENCE));
        let reference =
            text(if own { tags::VOLUME_FRAME_OF_REFERENCE_UID } else { tags::FRAME_OF_REFERENCE_UID });
        let latin = root.text(tags::SPECIFIC_CHARACTER_SET).is_none_or(|set| {
            // Other sets are not decoded here; what cannot be read is left out, never garbled.
            matches!(set.trim(), "" | "ISO_IR 6" | "ISO_IR 192")
        });
        let copied = COPIED.map(|(tag, _)| {
            let value = text(tag).unwrap_or_default();
            if latin || value.is_ascii() { value } else { String::new() }
        });
        Self {
            class: text(tags::SOP_CLASS_UID).unwrap_or(made.class),
            known: if instance.is_some() { Known::Instance } else { Known::MadeUp },
            instance: instance.unwrap_or(made.instance),
            study: text(tags::STUDY_INSTANCE_UID).unwrap_or(made.study),
            series: text(tags::SERIES_INSTANCE_UID).unwrap_or(made.series),
            reference: reference.unwrap_or(made.reference),
            copied: copied.into(),
        }
    }

    /// Patient, study, equipment and dates of an object derived from this source
    pub(super) fn modules(&self, identity: Identity) -> Set {
        let mut set = Set::default().text(tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 192");
        for ((tag, vr), value) in COPIED.iter().zip(&self.copied) {
            let required = match *tag {
                tags::CONTENT_DATE => &NO_DATE[..8],
                tags::CONTENT_TIME => &NO_DATE[8..],
                _ => "",
            };
            let told = if identity == Identity::Kept && !value.is_empty() { value } else { required };
            set = if told.is_empty() { set.empty(*tag, *vr) } else { set.text(*tag, *vr, told) };
        }
        if identity == Identity::Removed {
            set = set.text(tags::PATIENT_IDENTITY_REMOVED, VR::CS, "YES").text(
                tags::DEIDENTIFICATION_METHOD,
                VR::LO,
                "Patient and study attributes left empty, UIDs kept",
            );
        }
        set.text(tags::STUDY_INSTANCE_UID, VR::UI, &self.study)
            .text(tags::MANUFACTURER, VR::LO, "narrows")
            .text(tags::MANUFACTURER_MODEL_NAME, VR::LO, "narrows")
            .text(tags::DEVICE_SERIAL_NUMBER, VR::LO, "0")
            .text(tags::SOFTWARE_VERSIONS, VR::LO, env!("CARGO_PKG_VERSION"))
    }

    /// Class and instance, as every reference names them
    pub(super) fn reference_item(&self) -> Set {
        Set::default().text(tags::REFERENCED_SOP_CLASS_UID, VR::UI, &self.class).text(
            tags::REFERENCED_SOP_INSTANCE_UID,
            VR::UI,
            &self.instance,
        )
    }
}
