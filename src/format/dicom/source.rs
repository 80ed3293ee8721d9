//! What an object derived from a volume must say about its source, and whose it says it is.
//!
//! A derived object stays in the study of its source and names the instances it came from, so that an
//! archive can put both side by side. It bears a name only where that is asked for. Otherwise patient and
//! study attributes stay empty, no date is told, and every identifier of the source is replaced: by one made
//! from it, so that all objects of one study still belong together, and nobody who lacks the source's
//! identifiers can tell which it was. Of free text only the maker's name and the model's stay then, and of codes
//! those of the standard. A source that this program relieved of its identity keeps the identifiers it was given;
//! what another program left there may lead to somebody. A source that is no DICOM file gets identifiers made from
//! its bytes.

use std::path::{Path, PathBuf};

use dicom_core::{Tag, VR};
use dicom_dictionary_std::{tags, uids};

use super::groups::{self, Groups, channel_kind};
use super::header::seal;
use super::identity::Content;
use super::set::{Set, code};
use super::tree::View;
use super::write::NO_DATE;
use super::{characters, checks, file, head, terms};
use crate::format::{FormatError, Inspection, Notes, Parts, gather, hash_of, map};
use crate::volume::ChannelKind;

/// Whether a derived object names the patient
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Identity {
    /// Patient and study attributes are left empty, identifiers replaced
    #[default]
    Removed,
    /// They are those of the source
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

/// Whether an attribute must be there, empty if need be
#[derive(Clone, Copy, PartialEq, Eq)]
enum Need {
    Always,
    IfKnown,
}

/// Attributes of patient and study that are copied where the identity is kept
const COPIED: [(Tag, VR, Need); 14] = [
    (tags::PATIENT_NAME, VR::PN, Need::Always),
    (tags::PATIENT_ID, VR::LO, Need::Always),
    (tags::ISSUER_OF_PATIENT_ID, VR::LO, Need::IfKnown),
    (tags::PATIENT_BIRTH_DATE, VR::DA, Need::Always),
    (tags::PATIENT_SEX, VR::CS, Need::Always),
    (tags::PATIENT_AGE, VR::AS, Need::IfKnown),
    (tags::PATIENT_SIZE, VR::DS, Need::IfKnown),
    (tags::PATIENT_WEIGHT, VR::DS, Need::IfKnown),
    (tags::STUDY_DATE, VR::DA, Need::Always),
    (tags::STUDY_TIME, VR::TM, Need::Always),
    (tags::REFERRING_PHYSICIAN_NAME, VR::PN, Need::Always),
    (tags::STUDY_ID, VR::SH, Need::Always),
    (tags::ACCESSION_NUMBER, VR::SH, Need::Always),
    (tags::STUDY_DESCRIPTION, VR::LO, Need::IfKnown),
];

/// The device that acquired the volume: its maker, model, serial number and software
const EQUIPMENT: [(Tag, VR); 4] = [
    (tags::MANUFACTURER, VR::LO),
    (tags::MANUFACTURER_MODEL_NAME, VR::LO),
    (tags::DEVICE_SERIAL_NUMBER, VR::LO),
    (tags::SOFTWARE_VERSIONS, VR::LO),
];

/// How it was acquired, in numbers and terms
const ACQUISITION: [(Tag, VR); 7] = [
    (tags::MECHANICAL_INDEX, VR::DS),
    (tags::BONE_THERMAL_INDEX, VR::DS),
    (tags::CRANIAL_THERMAL_INDEX, VR::DS),
    (tags::SOFT_TISSUE_THERMAL_INDEX, VR::DS),
    (tags::DEPTH_OF_SCAN_FIELD, VR::IS),
    (tags::POSITION_MEASURING_DEVICE_USED, VR::CS),
    (tags::TRANSDUCER_TYPE, VR::CS),
];

/// The same in doubles
const ACQUISITION_NUMBERS: [Tag; 2] = [tags::DEPTHS_OF_FOCUS, tags::ACQUISITION_DURATION];

/// The same in codes
const ACQUISITION_CODES: [Tag; 6] = [
    tags::TRANSDUCER_SCAN_PATTERN_CODE_SEQUENCE,
    tags::TRANSDUCER_GEOMETRY_CODE_SEQUENCE,
    tags::TRANSDUCER_BEAM_STEERING_CODE_SEQUENCE,
    tags::TRANSDUCER_APPLICATION_CODE_SEQUENCE,
    tags::ANATOMIC_REGION_SEQUENCE,
    tags::VIEW_CODE_SEQUENCE,
];

/// Warnings of names and faces in the pixels, which are not looked for
const WARNINGS: [Tag; 2] = [tags::BURNED_IN_ANNOTATION, tags::RECOGNIZABLE_VISUAL_FEATURES];

/// What was done to an object that names nobody: words, and a seal on its study, by which it is known again
fn method(study: &str) -> String {
    format!("Patient, study and dates left empty, UIDs replaced\\narrows {}", seal(&[study]))
}

/// Whose the identifiers of a source are
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Identifiers {
    /// They may lead to the patient
    Telling,
    /// This program put them there for others
    Replaced,
}

/// One instance of a source
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Instance {
    /// SOP instance
    pub uid: String,
    /// Its frames
    pub frames: usize,
}

/// The source of a derived object
#[derive(Clone, Debug, PartialEq)]
pub struct SourceInstance {
    /// SOP class
    pub class: String,
    /// SOP instances: one, or the parts of a concatenation in their order
    pub instances: Vec<Instance>,
    /// Their study
    pub study: String,
    /// Their series
    pub series: String,
    /// The frame of reference in which the volume's positions count
    pub reference: String,
    /// Whether there are such instances
    pub known: Known,
    /// Frame of Reference UID, where it is another
    frame_reference: String,
    identifiers: Identifiers,
    /// What the source says of having been relieved of its identity
    relieved: Set,
    /// Values of `COPIED`, of content date and time, and of `EQUIPMENT`
    copied: Vec<String>,
    content: [String; 2],
    equipment: Vec<String>,
    /// Acquisition DateTime; empty where it is not told
    acquired: String,
    /// How the volume was acquired, for an object that names the patient and for one that names nobody
    acquisition: [Set; 2],
    /// Frames of the velocity at each time, counted from 0 through all instances
    velocity_frames: Vec<Vec<usize>>,
}

impl SourceInstance {
    /// Reads the identifiers of the files, or the folder, that a volume was read from
    ///
    /// # Errors
    /// [`FormatError::Read`] and its like, [`FormatError::Dicom`].
    pub fn of_files<P: AsRef<Path>>(paths: &[P]) -> Result<Self, FormatError> {
        let files = gather::one(paths, Parts::Beside)?;
        let Some(first) = files.first() else { return Err(FormatError::NoVolume { path: PathBuf::new() }) };
        let bytes = map::map(first)?;
        if !file::is_dicom((*bytes).as_ref()) {
            return Ok(Self::made_up(&hash_of([&bytes])));
        }
        let parse = |path: &PathBuf| {
            file::parse(map::map(path)?, file::Unpack::Header)
                .map_err(|source| FormatError::Dicom { path: path.clone(), source: Box::new(source) })
        };
        let parsed = files.iter().map(parse).collect::<Result<Vec<_>, _>>()?;
        let roots: Vec<View<'_>> = parsed.iter().map(file::Parsed::root).collect();
        Ok(Self::of_headers(&roots))
    }

    /// Identifiers for a source that has none, made from words that identify it, such as its hash
    pub fn made_up(words: &str) -> Self {
        let content = Content::of_words("source", words);
        Self {
            class: uids::ENHANCED_US_VOLUME_STORAGE.to_owned(),
            instances: vec![Instance { uid: content.uid("instance"), frames: 0 }],
            study: content.uid("study"),
            series: content.uid("series"),
            reference: content.uid("volume frame of reference"),
            known: Known::MadeUp,
            frame_reference: content.uid("frame of reference"),
            identifiers: Identifiers::Telling,
            relieved: Set::default(),
            copied: vec![String::new(); COPIED.len()],
            content: Default::default(),
            equipment: vec![String::new(); EQUIPMENT.len()],
            acquired: String::new(),
            acquisition: Default::default(),
            velocity_frames: Vec::new(),
        }
    }

    fn of_headers(roots: &[View<'_>]) -> Self {
        let root = roots[0];
        let uid = |tag| root.text(tag).map(|uid| uid.chars().take(64).collect::<String>());
        let made = Self::made_up(root.text(tags::SOP_INSTANCE_UID).unwrap_or_default());
        let known = root.text(tags::SOP_INSTANCE_UID).map_or(Known::MadeUp, |_| Known::Instance);
        let instance = |root: &View<'_>| Instance {
            uid: root
                .text(tags::SOP_INSTANCE_UID)
                .map_or_else(|| made.instances[0].uid.clone(), |uid| uid.chars().take(64).collect()),
            frames: root.items(tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE).len(),
        };
        // Positions count in the volume's own frame of reference where frames have them there.
        let frame = root.items(tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE).next();
        let own = frame.is_some_and(|frame| frame.has(tags::PLANE_POSITION_VOLUME_SEQUENCE));
        let frame_reference = uid(tags::FRAME_OF_REFERENCE_UID);
        let reference = if own { uid(tags::VOLUME_FRAME_OF_REFERENCE_UID) } else { frame_reference.clone() };
        let study = uid(tags::STUDY_INSTANCE_UID).unwrap_or(made.study);
        let copied: Vec<String> = COPIED.map(|(tag, ..)| words(root, tag)).into();
        let replaced = root.text(tags::PATIENT_IDENTITY_REMOVED) == Some("YES")
            && words(root, tags::DEIDENTIFICATION_METHOD) == method(&study)
            && copied.iter().all(String::is_empty);
        Self {
            class: uid(tags::SOP_CLASS_UID).unwrap_or(made.class),
            known,
            instances: roots.iter().map(instance).collect(),
            study,
            series: uid(tags::SERIES_INSTANCE_UID).unwrap_or(made.series),
            reference: reference.unwrap_or(made.reference),
            frame_reference: frame_reference.unwrap_or(made.frame_reference),
            identifiers: if replaced { Identifiers::Replaced } else { Identifiers::Telling },
            relieved: relieved(root),
            copied,
            content: [tags::CONTENT_DATE, tags::CONTENT_TIME].map(|tag| words(root, tag)),
            equipment: EQUIPMENT.map(|(tag, _)| words(root, tag)).into(),
            acquired: acquired(root),
            acquisition: [Identity::Kept, Identity::Removed]
                .map(|identity| acquisition(root, own, identity).and(warnings(roots))),
            velocity_frames: velocity_frames(roots).unwrap_or_default(),
        }
    }

    /// An identifier of the source as an object with this identity says it
    fn uid(&self, uid: &str, identity: Identity) -> String {
        let telling = self.identifiers == Identifiers::Telling && self.known == Known::Instance;
        if identity == Identity::Removed && telling {
            Content::of_words("replaced identifier", uid).uid("uid")
        } else {
            uid.to_owned()
        }
    }

    /// Each identifier of the source with the one that stands for it in an object with this identity
    pub fn identifiers(&self, identity: Identity) -> Vec<[String; 2]> {
        let all = [&self.study, &self.series, &self.reference, &self.frame_reference];
        let all = all.into_iter().chain(self.instances.iter().map(|instance| &instance.uid));
        all.map(|uid| [uid.clone(), self.uid(uid, identity)]).collect()
    }

    /// Words that identify the source, to make identifiers from
    pub(crate) fn words(&self) -> &str {
        self.instances.first().map_or("", |instance| &instance.uid)
    }

    /// The study, as an object with this identity says it
    pub(crate) fn study(&self, identity: Identity) -> String {
        self.uid(&self.study, identity)
    }

    /// The series, likewise
    pub(crate) fn series(&self, identity: Identity) -> String {
        self.uid(&self.series, identity)
    }

    /// The frame of reference of the volume's positions, likewise
    pub(crate) fn reference(&self, identity: Identity) -> String {
        self.uid(&self.reference, identity)
    }

    /// Frame of Reference UID, likewise
    pub(crate) fn frame_reference(&self, identity: Identity) -> String {
        self.uid(&self.frame_reference, identity)
    }

    /// Acquisition DateTime, where it is told to an object with this identity
    pub(crate) fn acquired(&self, identity: Identity) -> Option<&str> {
        Some(self.acquired.as_str()).filter(|told| identity == Identity::Kept && !told.is_empty())
    }

    /// Date and time of the content, likewise
    pub(crate) fn content(&self, identity: Identity) -> Option<[&str; 2]> {
        let [date, time] = &self.content;
        Some([date.as_str(), time.as_str()])
            .filter(|told| identity == Identity::Kept && told.iter().all(|told| !told.is_empty()))
    }

    /// How the volume was acquired, as an object with this identity says it
    pub(super) fn acquisition(&self, identity: Identity) -> Set {
        let [kept, removed] = &self.acquisition;
        if identity == Identity::Kept { kept.clone() } else { removed.clone() }
    }

    /// Whether patient or study are named, for formats that have no place for them
    pub fn names_somebody(&self) -> bool {
        self.copied.iter().any(|value| !value.is_empty())
    }

    /// Patient and study of an object derived from this source
    pub(super) fn patient_and_study(&self, identity: Identity) -> Set {
        let mut set = Set::default().text(tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 192");
        for ((tag, vr, need), value) in COPIED.iter().zip(&self.copied) {
            if identity == Identity::Kept && !value.is_empty() {
                set = set.text(*tag, *vr, value);
            } else if *need == Need::Always {
                set = set.empty(*tag, *vr);
            }
        }
        let study = self.study(identity);
        set = match identity {
            Identity::Kept => set.and(self.relieved.clone()),
            Identity::Removed => set.text(tags::PATIENT_IDENTITY_REMOVED, VR::CS, "YES").text(
                tags::DEIDENTIFICATION_METHOD,
                VR::LO,
                &method(&study),
            ),
        };
        set.text(tags::STUDY_INSTANCE_UID, VR::UI, &study)
    }

    /// The device that acquired the volume, where the source names one; its serial number names the place, and what
    /// stands for its software may be any text
    pub(crate) fn equipment(&self, identity: Identity) -> Option<Set> {
        if self.equipment[0].is_empty() {
            return None;
        }
        let one = |set: Set, ((tag, vr), value): (&(Tag, VR), &String)| {
            let telling = [tags::DEVICE_SERIAL_NUMBER, tags::SOFTWARE_VERSIONS].contains(tag);
            let hidden = telling && identity == Identity::Removed;
            let told = if hidden || value.is_empty() { "0" } else { value };
            set.text(*tag, *vr, told)
        };
        Some(EQUIPMENT.iter().zip(&self.equipment).fold(Set::default(), one))
    }

    /// Patient, study, equipment and dates of a report or picture derived from this source
    pub(crate) fn modules(&self, identity: Identity) -> Set {
        let [date, time] = self.content(identity).unwrap_or([&NO_DATE[..8], &NO_DATE[8..]]);
        own_equipment(self.patient_and_study(identity)).text(tags::CONTENT_DATE, VR::DA, date).text(
            tags::CONTENT_TIME,
            VR::TM,
            time,
        )
    }

    /// Class and instance of each part, as every reference names them
    pub(crate) fn reference_items(&self, identity: Identity) -> Vec<Set> {
        self.instances.iter().map(|instance| self.reference_item(instance, identity)).collect()
    }

    fn reference_item(&self, instance: &Instance, identity: Identity) -> Set {
        Set::default().text(tags::REFERENCED_SOP_CLASS_UID, VR::UI, &self.class).text(
            tags::REFERENCED_SOP_INSTANCE_UID,
            VR::UI,
            &self.uid(&instance.uid, identity),
        )
    }

    /// The same with the frames of the velocity at these times, in instances that have any; all instances as a
    /// whole where the frames are not known
    pub(crate) fn frame_items(&self, times: &[usize], identity: Identity) -> Vec<Set> {
        let wanted: Vec<usize> =
            times.iter().filter_map(|time| self.velocity_frames.get(*time)).flatten().copied().collect();
        if wanted.is_empty() {
            return self.reference_items(identity);
        }
        let mut begin = 0;
        let mut items = Vec::new();
        for instance in &self.instances {
            let own = begin..begin + instance.frames;
            begin = own.end;
            let mut frames: Vec<usize> = wanted
                .iter()
                .filter(|frame| own.contains(frame))
                .map(|frame| frame - own.start + 1)
                .collect();
            frames.sort_unstable();
            frames.dedup();
            if !frames.is_empty() {
                let list: Vec<String> = frames.iter().map(usize::to_string).collect();
                let item = self.reference_item(instance, identity);
                items.push(item.text(tags::REFERENCED_FRAME_NUMBER, VR::IS, &list.join("\\")));
            }
        }
        items
    }
}

/// The program as the equipment that made an object
pub(super) fn own_equipment(set: Set) -> Set {
    set.text(tags::MANUFACTURER, VR::LO, "narrows")
        .text(tags::MANUFACTURER_MODEL_NAME, VR::LO, "narrows")
        .text(tags::DEVICE_SERIAL_NUMBER, VR::LO, "0")
        .text(tags::SOFTWARE_VERSIONS, VR::LO, env!("CARGO_PKG_VERSION"))
}

/// A value in Unicode, without what no value may hold
fn words(root: View<'_>, tag: Tag) -> String {
    /// More than any of the attributes may have
    const LONGEST: usize = 400;
    let sets = root.text(tags::SPECIFIC_CHARACTER_SET).unwrap_or_default();
    let decoded = characters::decode(root.raw(tag).unwrap_or_default(), sets);
    let kept = decoded.chars().filter(|c| !c.is_control()).take(LONGEST).collect::<String>();
    kept.trim_matches(' ').to_owned()
}

/// Acquisition DateTime, or what Acquisition Date and Time say, as a DT value
fn acquired(root: View<'_>) -> String {
    let whole = words(root, tags::ACQUISITION_DATE_TIME);
    let told = if whole.is_empty() {
        words(root, tags::ACQUISITION_DATE) + &words(root, tags::ACQUISITION_TIME)
    } else {
        whole
    };
    let plain = |c: char| c.is_ascii_digit() || matches!(c, '.' | '+' | '-');
    let dated = told.len() >= 8 && told.len() <= 26 && told.chars().all(plain);
    if dated && told.as_bytes()[..8].iter().all(u8::is_ascii_digit) { told } else { String::new() }
}

/// Whether text that is copied goes beyond ASCII while no character set is named
pub(super) fn is_text_unnamed(root: View<'_>) -> bool {
    let mut copied = COPIED.iter().map(|(tag, ..)| tag).chain(EQUIPMENT.iter().map(|(tag, _)| tag));
    root.text(tags::SPECIFIC_CHARACTER_SET).is_none()
        && copied.any(|tag| root.raw(*tag).is_some_and(|raw| !raw.is_ascii()))
}

/// What the source says of having been relieved of its identity, by whomever
fn relieved(root: View<'_>) -> Set {
    let mut set = Set::default();
    for (tag, vr) in [(tags::PATIENT_IDENTITY_REMOVED, VR::CS), (tags::DEIDENTIFICATION_METHOD, VR::LO)] {
        let value = words(root, tag);
        if !value.is_empty() {
            set = set.text(tag, vr, &value);
        }
    }
    with_codes(set, root, tags::DEIDENTIFICATION_METHOD_CODE_SEQUENCE, Identity::Kept)
}

/// The warnings of a source: one in any part holds for all
fn warnings(roots: &[View<'_>]) -> Set {
    WARNINGS.into_iter().fold(Set::default(), |set, tag| {
        let said: Vec<&str> = roots.iter().filter_map(|root| root.text(tag)).collect();
        match ["YES", "NO"].into_iter().find(|value| said.contains(value)) {
            Some(value) => set.text(tag, VR::CS, value),
            None => set,
        }
    })
}

/// What the source says of how it was acquired, as far as an object with this identity tells it
fn acquisition(root: View<'_>, own_reference: bool, identity: Identity) -> Set {
    let mut set = Set::default();
    for (tag, vr) in ACQUISITION {
        let value = words(root, tag);
        let usable = match vr {
            VR::DS | VR::IS => value.len() <= 16 && value.parse::<f64>().is_ok_and(f64::is_finite),
            _ => value.len() <= 16 && (identity == Identity::Kept || terms::is_defined(tag, &value)),
        };
        if usable && !value.is_empty() {
            set = set.text(tag, vr, &value);
        }
    }
    let matrix = tags::VOLUME_TO_TRANSDUCER_MAPPING_MATRIX;
    for tag in ACQUISITION_NUMBERS.into_iter().chain(own_reference.then_some(matrix)) {
        let numbers = root.numbers(tag);
        let whole = tag != matrix || numbers.len() == 16;
        if whole
            && !numbers.is_empty()
            && numbers.len() <= 64
            && numbers.iter().all(|n| checks::sane("", [*n]).is_ok())
        {
            set = set.fd(tag, &numbers);
        }
    }
    ACQUISITION_CODES.into_iter().fold(set, |set, tag| with_codes(set, root, tag, identity))
}

/// Adds the codes of a sequence; for an object that names nobody those of the standard, in its words
fn with_codes(set: Set, root: View<'_>, sequence: Tag, identity: Identity) -> Set {
    let codes: Vec<Set> = root
        .items(sequence)
        .take(8)
        .filter_map(|item| {
            let text = |tag| Some(words(item, tag)).filter(|text| !text.is_empty() && text.is_ascii());
            let value = text(tags::CODE_VALUE)?;
            let scheme = text(tags::CODING_SCHEME_DESIGNATOR)?;
            let meaning = match identity {
                Identity::Kept => text(tags::CODE_MEANING)?,
                Identity::Removed => terms::meaning(&value, &scheme)?.to_owned(),
            };
            Some(code(&value, &scheme, &meaning))
        })
        .collect();
    if codes.is_empty() { set } else { set.items(sequence, codes) }
}

/// Frames of the velocity at each time, counted from 0 through all parts; `None` where they cannot be told
fn velocity_frames(roots: &[View<'_>]) -> Option<Vec<Vec<usize>>> {
    let heads: Vec<u32> = roots
        .iter()
        .map(|root| head::head(*root, &mut Inspection::default()).map(|(_, frames)| frames))
        .collect::<Result<_, _>>()
        .ok()?;
    let groups = Groups::new(roots.iter().copied().zip(heads)).ok().filter(|groups| groups.len() > 0)?;
    let order = groups::order(roots[0], &groups, &mut Notes::default()).ok()?;
    let velocity = order.kinds.iter().position(|kind| channel_kind(kind) == Some(ChannelKind::Velocity))?;
    let places = 0..order.places_mm.len();
    let at = |time| places.clone().filter_map(|place| order.frame(velocity, time, place)).collect();
    Some((0..order.times_s.len()).map(at).collect())
}
