//! From a parsed data set to a `Volume4`, step by step, telling what was seen on the way.
//!
//! One walk serves two callers: opening wants the volume or the first thing that stands against
//! it, inspecting wants all that was seen up to there. So the walk fills an [`Inspection`] as it
//! goes and returns the volume at its end.

use std::sync::Arc;

use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};

use super::coding::{FrameSize, Pixel};
use super::file::{self, Parsed, Unpack};
use super::groups::{Groups, Order, channel_kind};
use super::mapping::{self, Item, Mapping};
use super::parts::{self, Part};
use super::scales::{self, Doppler, VelocityFacts};
use super::tree::View;
use super::{
    ASSUMED_PREFIX, DicomError, FORMAT, TOLD_PREFIX, classes, geometry, groups, head, header, pixels, source,
};
use crate::format::array::read_colours;
use crate::format::{ABSURD, ChannelSeen, Inspection, Notes, OpenOptions, Present};
use crate::space::VolumePoint;
use crate::unit::{MetresPerSecond, Seconds};
use crate::volume::{
    Channel, ChannelKind, Cycle, Lossy, Provenance, Scale, SharedBytes, VelocityLoss, Volume4,
};

/// Why a volume could not be read, and in which of its files that was found
pub(in crate::format) struct Fault {
    /// Which file, from 0
    pub(in crate::format) part: usize,
    /// Why
    pub(in crate::format) source: DicomError,
}

impl From<DicomError> for Fault {
    fn from(source: DicomError) -> Self {
        Self { part: 0, source }
    }
}

/// Reads the bytes of the files of one volume, in the order of its frames
///
/// # Errors
/// See [`DicomError`]. `seen` holds what was found before.
pub(in crate::format) fn read(
    files: &[SharedBytes],
    options: &OpenOptions,
    provenance: Provenance,
    seen: &mut Inspection,
) -> Result<Volume4, Fault> {
    FORMAT.clone_into(&mut seen.format);
    let mut parsed = Vec::with_capacity(files.len());
    for (part, bytes) in files.iter().enumerate() {
        parsed.push(file::parse(bytes.clone(), Unpack::Whole).map_err(|source| Fault { part, source })?);
    }
    let Some(first) = parsed.first() else { return Err(DicomError::NoFrames.into()) };
    seen.transfer_syntax.clone_from(&first.syntax_uid);
    let roots: Vec<View<'_>> = parsed.iter().map(Parsed::root).collect();
    let root = roots[0];
    let class = root.text(tags::SOP_CLASS_UID).or(first.meta_class.as_deref()).unwrap_or_default();
    class.chars().take(80).collect::<String>().clone_into(&mut seen.object_class);
    seen.object_class_name = classes::name(class).map(str::to_owned);
    if class != uids::ENHANCED_US_VOLUME_STORAGE {
        return Err(
            DicomError::WrongClass { uid: seen.object_class.clone(), name: classes::name(class) }.into()
        );
    }
    presence(root, seen);
    let mut heads = Vec::with_capacity(roots.len());
    for (part, root) in roots.iter().enumerate() {
        heads.push(head::head(*root, seen).map_err(|source| Fault { part, source })?);
    }
    let (size, _) = heads[0];
    same_in_all(&roots)?;
    let frames: u32 = heads.iter().fold(0, |sum, (_, frames)| sum.saturating_add(*frames));
    seen.rows_columns_frames = Some([u32::from(size.rows), u32::from(size.columns), frames]);
    let mut numbered = Vec::with_capacity(roots.len());
    for (part, root) in roots.iter().enumerate() {
        numbered.push((Part::of(*root).map_err(|source| Fault { part, source })?, heads[part].1));
    }
    let mut notes = std::mem::take(&mut seen.notes);
    let read = parts::complete(&numbered, &mut notes)
        .and_then(|()| Groups::new(roots.iter().copied().zip(heads.iter().map(|(_, frames)| *frames))))
        .and_then(|groups| walk(&parsed, &groups, size, options, provenance, &mut notes, seen));
    seen.notes = notes;
    Ok(read?)
}

/// What stands once for the whole volume must be the same in all of its parts (PS3.3 C.7.6.16.2.2.4)
fn same_in_all(roots: &[View<'_>]) -> Result<(), DicomError> {
    const SAME: [(Tag, &str); 18] = [
        (tags::SOP_CLASS_UID, "the object class"),
        (tags::ROWS, "Rows"),
        (tags::COLUMNS, "Columns"),
        (tags::BITS_ALLOCATED, "Bits Allocated"),
        (tags::BITS_STORED, "Bits Stored"),
        (tags::PIXEL_REPRESENTATION, "Pixel Representation"),
        (tags::SAMPLES_PER_PIXEL, "Samples per Pixel"),
        (tags::PHOTOMETRIC_INTERPRETATION, "Photometric Interpretation"),
        (tags::PATIENT_ID, "the patient (Patient ID)"),
        (tags::PATIENT_NAME, "the patient (Patient's Name)"),
        (tags::STUDY_INSTANCE_UID, "the study"),
        (tags::SERIES_INSTANCE_UID, "the series"),
        (tags::FRAME_OF_REFERENCE_UID, "the patient's frame of reference"),
        (tags::VOLUME_FRAME_OF_REFERENCE_UID, "the frame of reference"),
        (tags::INTERVALS_ACQUIRED, "Intervals Acquired"),
        (tags::ULTRASOUND_ACQUISITION_GEOMETRY, "the geometry"),
        (tags::APEX_POSITION, "Apex Position"),
        (tags::VOLUME_TO_TRANSDUCER_MAPPING_MATRIX, "the Volume to Transducer Mapping Matrix"),
    ];
    let pointers = |root: &View<'_>| -> Vec<Option<Tag>> {
        let items = root.items(tags::DIMENSION_INDEX_SEQUENCE);
        items.map(|item| item.tag(tags::DIMENSION_INDEX_POINTER)).collect()
    };
    let Some((first, others)) = roots.split_first() else { return Ok(()) };
    for other in others {
        let [one, two] = [first, other].map(|root| move |tag| root.raw(tag).unwrap_or_default());
        if let Some((_, what)) = SAME.iter().find(|(tag, _)| one(*tag) != two(*tag)) {
            return Err(DicomError::PartsDisagree { what });
        }
        if pointers(first) != pointers(other) {
            return Err(DicomError::PartsDisagree { what: "the dimensions" });
        }
        if scales::context(*first) != scales::context(*other) {
            return Err(DicomError::PartsDisagree { what: "the Acquisition Context" });
        }
        if Doppler::of(*first) != Doppler::of(*other) {
            return Err(DicomError::PartsDisagree {
                what: "Transducer Frequency or Doppler Correction Angle",
            });
        }
    }
    Ok(())
}

fn walk(
    parsed: &[Parsed],
    groups: &Groups<'_>,
    size: FrameSize,
    options: &OpenOptions,
    mut provenance: Provenance,
    notes: &mut Notes,
    seen: &mut Inspection,
) -> Result<Volume4, DicomError> {
    let roots: Vec<View<'_>> = parsed.iter().map(Parsed::root).collect();
    let root = roots[0];
    earlier_assumptions(root, notes);
    if source::is_text_unnamed(root) {
        notes.assume(
            "the file names no character set; its text beyond ASCII was read as UTF-8 where it is that, else as \
             Latin-1",
        );
    }
    let order = groups::order(root, groups, notes)?;
    let (grid, slices) = geometry::grid(groups, &order, size, notes)?;
    seen.grid = Some(grid.shape());
    seen.voxel_mm = Some(grid.spacing_mm());
    seen.times_s.clone_from(&order.times_s);
    let timeline = geometry::timeline(root, groups, &order, notes)?;
    seen.rr_s = timeline.rr.map(Seconds::get);
    seen.gated_beats = timeline.gated_beats;
    let apex = geometry::apex(root, &order, notes)?;
    seen.apex_mm = apex.map(VolumePoint::to_array);
    let kinds = kinds(root, groups, &order, size, options, notes, seen)?;
    let context = scales::context(root);
    seen.stated_nyquist_m_s = context.nyquist.map(MetresPerSecond::get);
    let sources = sources(parsed, groups)?;
    let channels = match (size.pixel, options.velocity_bar.as_deref()) {
        (Pixel::Code, None) => {
            let scales = meanings(&kinds, groups, &order, size, context.nyquist, options, notes)?;
            let wanted: Vec<usize> = kinds.iter().map(|kind| kind.place).collect();
            let samples = pixels::samples(&sources, size, &order, &wanted, &slices)?;
            scales.into_iter().zip(samples).map(|(scale, samples)| Channel::new(scale, samples)).collect()
        }
        (Pixel::Code, Some(_)) => return Err(DicomError::BarUnused),
        (_, None) => return Err(DicomError::Colour),
        (_, Some(bar)) => {
            let [only] = &kinds[..] else {
                return Err(DicomError::Layout { what: "colours of several data types".to_owned() });
            };
            let bytes: SharedBytes = Arc::new(pixels::colours(&sources, size, &order, only.place, &slices)?);
            let nyquist = options.nyquist.or(context.nyquist);
            let read = read_colours(bar, &bytes, grid.shape(), order.times_s.len(), nyquist, notes)
                .map_err(|message| DicomError::Bar { message })?;
            provenance.colours_read = Some(read.colours_read);
            read.channels.into()
        }
    };
    provenance.lossy = lossy(parsed, &roots, &sources, size, &order, &kinds)?;
    if provenance.lossy.is_some() {
        notes.assume(
            "the pixels were stored by a method that may lose information; velocity codes were taken as they are",
        );
    }
    FORMAT.clone_into(&mut provenance.format);
    provenance.assumed.clone_from(&notes.assumed);
    provenance.told.clone_from(&notes.told);
    provenance.left_out.clone_from(&notes.left_out);
    Volume4::new(grid, timeline, apex, provenance, channels).map_err(|source| DicomError::Volume { source })
}

/// A data type that is one of our channels
struct Kind {
    channel: ChannelKind,
    /// Its place among the data types
    place: usize,
    /// Its mapping as it stands, and as one line
    items: Vec<Item>,
    mapping: Option<Mapping>,
}

/// The data types that are used; all of them are told
fn kinds(
    root: View<'_>,
    groups: &Groups<'_>,
    order: &Order,
    size: FrameSize,
    options: &OpenOptions,
    notes: &mut Notes,
    seen: &mut Inspection,
) -> Result<Vec<Kind>, DicomError> {
    let mut kinds = Vec::new();
    for (place, data_type) in order.kinds.iter().enumerate() {
        let known = channel_kind(data_type).filter(|_| order.is_used(place));
        let first = order.first[place];
        let items = mapping::items(groups.items(first, tags::REAL_WORLD_VALUE_MAPPING_SEQUENCE))?;
        let mapping = match known {
            Some(ChannelKind::Velocity) => {
                scales::velocity_mapping(&items, Doppler::of(root), size.bits, options.nyquist, notes)?
            }
            Some(ChannelKind::Power) => scales::power_mapping(&items, size.bits, notes)?,
            _ => None,
        };
        let data = groups.of(first, tags::IMAGE_DATA_TYPE_SEQUENCE);
        let units = |mapping: &Mapping| match known {
            Some(ChannelKind::Velocity) => "m/s".to_owned(),
            _ => mapping.units.clone(),
        };
        seen.channels.push(ChannelSeen {
            data_type: data_type.clone(),
            channel: known,
            bits: size.bits,
            units: mapping.as_ref().map(units),
            slope: mapping.as_ref().map(|m| m.slope),
            intercept: mapping.as_ref().map(|m| m.intercept),
            cyclic: data.and_then(|data| data.text(tags::ALIASED_DATA_TYPE)).map(|text| text == "YES"),
            zero_code: data.and_then(|data| data.whole(tags::ZERO_VELOCITY_PIXEL_VALUE)),
        });
        kinds.extend(known.map(|channel| Kind { channel, place, items, mapping }));
    }
    if kinds.is_empty() {
        return Err(DicomError::NoChannels { found: order.kinds.join(", ").chars().take(200).collect() });
    }
    Ok(kinds)
}

/// What the codes of each of these mean
fn meanings(
    kinds: &[Kind],
    groups: &Groups<'_>,
    order: &Order,
    size: FrameSize,
    context: Option<MetresPerSecond>,
    options: &OpenOptions,
    notes: &mut Notes,
) -> Result<Vec<Scale>, DicomError> {
    let one = |kind: &Kind| {
        Ok(match kind.channel {
            ChannelKind::Tissue => Scale::Tissue,
            ChannelKind::Variance => Scale::Variance,
            ChannelKind::Power => {
                same_mapping(groups, order, kind)?;
                Scale::Power(scales::power(kind.mapping.as_ref(), notes))
            }
            ChannelKind::Velocity => {
                same_mapping(groups, order, kind)?;
                let (zero, aliased) = velocity_codes(groups, order, kind)?;
                let mapping = kind.mapping.clone();
                let given = options.nyquist;
                let facts = VelocityFacts { bits: size.bits, mapping, zero, aliased, context, given };
                Scale::Velocity(scales::velocity(&facts, notes)?)
            }
        })
    };
    kinds.iter().map(one).collect()
}

/// The Pixel Data of each part
fn sources<'a>(parsed: &'a [Parsed], groups: &Groups<'_>) -> Result<Vec<pixels::Source<'a>>, DicomError> {
    let one = |(part, parsed): (usize, &'a Parsed)| {
        let place = parsed.tree.pixels.as_ref();
        let place = place.ok_or(DicomError::Missing { name: "Pixel Data", tag: tags::PIXEL_DATA })?;
        let frames = groups.of_part(part);
        Ok(pixels::Source { bytes: &parsed.bytes, place, coding: parsed.coding, frames })
    };
    parsed.iter().enumerate().map(one).collect()
}

/// What was lost in storage: by the way pixels are coded, or by what the file says of its past
fn lossy(
    parsed: &[Parsed],
    roots: &[View<'_>],
    sources: &[pixels::Source<'_>],
    size: FrameSize,
    order: &Order,
    kinds: &[Kind],
) -> Result<Option<Lossy>, DicomError> {
    let stated = roots.iter().find(|root| root.text(tags::LOSSY_IMAGE_COMPRESSION) == Some("01"));
    let coded = parsed.iter().find_map(|parsed| parsed.coding.lossy());
    let velocity = kinds.iter().find(|kind| kind.channel == ChannelKind::Velocity);
    let loss = match velocity {
        Some(velocity) => pixels::loss(sources, size, order, velocity.place)?,
        None => coded.map(|_| VelocityLoss::Unknown),
    };
    if stated.is_none() && loss.is_none() {
        return Ok(None);
    }
    let root = stated.copied().unwrap_or(roots[0]);
    let last = |text: Option<&str>| text.and_then(|text| text.rsplit('\\').next()).map(str::to_owned);
    let method = last(root.text(tags::LOSSY_IMAGE_COMPRESSION_METHOD)).or(coded.map(str::to_owned));
    let ratio = root.numbers(tags::LOSSY_IMAGE_COMPRESSION_RATIO).last().copied();
    Ok(Some(Lossy {
        method: Lossy::named(method.as_deref().unwrap_or_default()),
        ratio: ratio.filter(|ratio| *ratio >= 1.0 && *ratio <= ABSURD),
        velocity: loss.unwrap_or(VelocityLoss::Unknown),
    }))
}

/// Zero Velocity Pixel Value and Aliased Data Type of a velocity channel, the same in every frame
fn velocity_codes(
    groups: &Groups<'_>,
    order: &Order,
    velocity: &Kind,
) -> Result<(Option<u32>, Option<Cycle>), DicomError> {
    let of = |frame: usize| {
        let data = groups.of(frame, tags::IMAGE_DATA_TYPE_SEQUENCE);
        let zero = data.and_then(|data| data.whole(tags::ZERO_VELOCITY_PIXEL_VALUE));
        let cycle = data.and_then(|data| data.text(tags::ALIASED_DATA_TYPE)).and_then(|text| match text {
            "YES" => Some(Cycle::Full),
            "NO" => Some(Cycle::Open),
            _ => None,
        });
        (zero, cycle)
    };
    let first = of(order.first[velocity.place]);
    match order.frames(velocity.place).find(|frame| of(*frame) != first) {
        None => Ok(first),
        Some(frame) => Err(DicomError::Varies {
            name: "Zero Velocity Pixel Value or Aliased Data Type",
            frame: frame + 1,
        }),
    }
}

/// A mapping that changes from frame to frame cannot be one scale
fn same_mapping(groups: &Groups<'_>, order: &Order, kind: &Kind) -> Result<(), DicomError> {
    if groups.shared(tags::REAL_WORLD_VALUE_MAPPING_SEQUENCE).is_some() {
        return Ok(());
    }
    for frame in order.frames(kind.place) {
        if mapping::items(groups.items(frame, tags::REAL_WORLD_VALUE_MAPPING_SEQUENCE))? != kind.items {
            return Err(DicomError::Varies { name: "Real World Value Mapping", frame: frame + 1 });
        }
    }
    Ok(())
}

/// Assumptions an earlier conversion of ours wrote into Image Comments
///
/// Whoever types a comment may begin it as we do, and go on with a name: only what bears our seal is taken.
fn earlier_assumptions(root: View<'_>, notes: &mut Notes) {
    let comments = root.text(tags::IMAGE_COMMENTS).unwrap_or_default();
    let (own, told) = comments.split_once(TOLD_PREFIX).unwrap_or((comments, ""));
    for line in sealed(own.strip_prefix(ASSUMED_PREFIX).unwrap_or_default()) {
        notes.assume(line);
    }
    for line in sealed(told) {
        notes.tell(line);
    }
}

/// Lines behind their seal; none where it is not theirs
fn sealed(listed: &str) -> Vec<&str> {
    let mut lines = listed.lines().map(str::trim);
    let seal = lines.next().unwrap_or_default();
    let lines: Vec<&str> = lines.filter(|line| !line.is_empty()).collect();
    if header::seal(&lines) == seal { lines } else { Vec::new() }
}

/// Which modules of interest the file has
fn presence(root: View<'_>, seen: &mut Inspection) {
    let list: [(&str, Tag); 8] = [
        ("Frame of Reference", tags::FRAME_OF_REFERENCE_UID),
        ("Ultrasound Frame of Reference", tags::VOLUME_FRAME_OF_REFERENCE_UID),
        ("Multi-frame Functional Groups", tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE),
        ("Multi-frame Dimension", tags::DIMENSION_INDEX_SEQUENCE),
        ("Cardiac Synchronization", tags::CARDIAC_SYNCHRONIZATION_TECHNIQUE),
        ("Acquisition Context", tags::ACQUISITION_CONTEXT_SEQUENCE),
        ("Enhanced Palette Color", tags::DATA_FRAME_ASSIGNMENT_SEQUENCE),
        ("Enhanced Contrast/Bolus", tags::CONTRAST_BOLUS_AGENT_SEQUENCE),
    ];
    seen.modules = list
        .map(|(module, tag)| (module.to_owned(), if root.has(tag) { Present::Yes } else { Present::No }))
        .into();
    seen.dimensions = root
        .items(tags::DIMENSION_INDEX_SEQUENCE)
        .map(|item| item.tag(tags::DIMENSION_INDEX_POINTER).map_or("?".to_owned(), classes::attribute))
        .collect();
    let required = [
        ("Volume to Transducer Mapping Matrix", tags::VOLUME_TO_TRANSDUCER_MAPPING_MATRIX),
        ("Volume Frame of Reference UID", tags::VOLUME_FRAME_OF_REFERENCE_UID),
        ("Ultrasound Acquisition Geometry", tags::ULTRASOUND_ACQUISITION_GEOMETRY),
    ];
    for (name, tag) in required {
        if !root.has(tag) {
            seen.notes.missing.push(name.to_owned());
        }
    }
}
