//! From a parsed data set to a `Volume4`, step by step, telling what was seen on the way.
//!
//! One walk serves two callers: opening wants the volume or the first thing that stands against
//! it, inspecting wants all that was seen up to there. So the walk fills an [`Inspection`] as it
//! goes and returns the volume at its end.

use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};
use nalgebra::Vector3;

use super::coding::{Coding, FrameSize, Loss};
use super::file::{self, Parsed};
use super::groups::{Clock, Groups, Order, Position};
use super::mapping::{self, Item};
use super::parts::{self, Part};
use super::scales::{self, Doppler, VelocityFacts};
use super::tree::View;
use super::{ASSUMED_PREFIX, DicomError, FORMAT, checks, classes, groups, head, pixels};
use crate::format::{ABSURD, ChannelSeen, Inspection, Notes, OpenOptions, Present, SHORTEST_S};
use crate::space::{Grid, VolumePoint};
use crate::unit::{MetresPerSecond, Seconds};
use crate::volume::{
    Channel, ChannelKind, Cycle, PowerScale, Provenance, SharedBytes, Timeline, TimelineError, VelocityScale,
    Volume4,
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
        parsed.push(file::parse(bytes.clone()).map_err(|source| Fault { part, source })?);
    }
    let Some(first) = parsed.first() else { return Err(DicomError::NoFrames.into()) };
    seen.transfer_syntax.clone_from(&first.syntax_uid);
    let roots: Vec<View<'_>> =
        parsed.iter().map(|parsed| View::new((*parsed.bytes).as_ref(), &parsed.tree.root)).collect();
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
        .and_then(|groups| walk(&parsed, root, &groups, size, options, provenance, &mut notes, seen));
    seen.notes = notes;
    Ok(read?)
}

/// What stands once for the whole volume must be the same in all of its parts (PS3.3 C.7.6.16.2.2.4)
fn same_in_all(roots: &[View<'_>]) -> Result<(), DicomError> {
    const SAME: [(Tag, &str); 13] = [
        (tags::SOP_CLASS_UID, "the object class"),
        (tags::ROWS, "Rows"),
        (tags::COLUMNS, "Columns"),
        (tags::BITS_ALLOCATED, "Bits Allocated"),
        (tags::BITS_STORED, "Bits Stored"),
        (tags::PIXEL_REPRESENTATION, "Pixel Representation"),
        (tags::SAMPLES_PER_PIXEL, "Samples per Pixel"),
        (tags::PHOTOMETRIC_INTERPRETATION, "Photometric Interpretation"),
        (tags::SERIES_INSTANCE_UID, "the series"),
        (tags::VOLUME_FRAME_OF_REFERENCE_UID, "the frame of reference"),
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
        if let Some((_, what)) = SAME.iter().find(|(tag, _)| first.raw(*tag) != other.raw(*tag)) {
            return Err(DicomError::PartsDisagree { what });
        }
        if pointers(first) != pointers(other) {
            return Err(DicomError::PartsDisagree { what: "the dimensions" });
        }
        if scales::context(*first) != scales::context(*other) {
            return Err(DicomError::PartsDisagree { what: "the Acquisition Context" });
        }
    }
    Ok(())
}

#[allow(clippy::too_many_arguments)]
fn walk(
    parsed: &[Parsed],
    root: View<'_>,
    groups: &Groups<'_>,
    size: FrameSize,
    options: &OpenOptions,
    mut provenance: Provenance,
    notes: &mut Notes,
    seen: &mut Inspection,
) -> Result<Volume4, DicomError> {
    earlier_assumptions(root, notes);
    let lossy = |coding| matches!(coding, Coding::JpegLs(Loss::Possible) | Coding::Jpeg2000(Loss::Possible));
    if parsed.iter().any(|parsed| lossy(parsed.coding)) {
        notes.assume(
            "the pixels were stored by a method that may lose information; velocity codes were taken as they are",
        );
    }
    let order = groups::order(root, groups, notes)?;
    let (grid, slices) = grid(groups, &order, size, notes)?;
    seen.grid = Some(grid.shape());
    seen.voxel_mm = Some(grid.spacing_mm());
    seen.times_s.clone_from(&order.times_s);
    let timeline = timeline(root, groups, &order, notes)?;
    seen.rr_s = timeline.rr.map(Seconds::get);
    seen.gated_beats = timeline.gated_beats;
    let apex = apex(root, &order, notes)?;
    seen.apex_mm = apex.map(VolumePoint::to_array);

    let mut channels = Vec::new();
    for (kind, data_type) in order.kinds.iter().enumerate() {
        let known = channel_kind(data_type);
        let first = order.frame(kind, 0, 0);
        let items = mapping::items(groups.items(first, tags::REAL_WORLD_VALUE_MAPPING_SEQUENCE))?;
        let mapping = match known {
            Some(ChannelKind::Velocity) => {
                scales::velocity_mapping(&items, Doppler::of(root), size.bits, options.nyquist, notes)?
            }
            Some(ChannelKind::Power) => scales::power_mapping(&items, size.bits, notes)?,
            _ => None,
        };
        let data = groups.of(first, tags::IMAGE_DATA_TYPE_SEQUENCE);
        seen.channels.push(ChannelSeen {
            data_type: data_type.clone(),
            channel: known,
            bits: size.bits,
            units: mapping.as_ref().map(|m| {
                if known == Some(ChannelKind::Velocity) { "m/s".to_owned() } else { m.units.clone() }
            }),
            slope: mapping.as_ref().map(|m| m.slope),
            intercept: mapping.as_ref().map(|m| m.intercept),
            cyclic: data.and_then(|data| data.text(tags::ALIASED_DATA_TYPE)).map(|text| text == "YES"),
            zero_code: data.and_then(|data| data.whole(tags::ZERO_VELOCITY_PIXEL_VALUE)),
        });
        match known {
            Some(channel) => channels.push((channel, kind, mapping, items)),
            None => notes.observed.push(format!("frames of data type {data_type} were left aside")),
        }
    }
    if channels.is_empty() {
        return Err(DicomError::NoChannels { found: order.kinds.join(", ") });
    }
    let context = scales::context(root);
    seen.stated_nyquist_m_s = context.nyquist.map(MetresPerSecond::get);
    let find = |wanted| channels.iter().find(|(kind, ..)| *kind == wanted);
    let power_scale = match find(ChannelKind::Power) {
        Some((_, kind, mapping, items)) => {
            same_mapping(groups, &order, *kind, items)?;
            scales::power(mapping.as_ref(), notes)
        }
        None => PowerScale::default(),
    };
    let velocity_scale = if let Some((_, kind, mapping, items)) = find(ChannelKind::Velocity) {
        same_mapping(groups, &order, *kind, items)?;
        let (zero, aliased) = velocity_codes(groups, &order, *kind)?;
        let facts = VelocityFacts {
            bits: size.bits,
            mapping: mapping.clone(),
            zero,
            aliased,
            context: context.nyquist,
            given: options.nyquist,
        };
        let scale = scales::velocity(&facts, notes)?;
        seen.nyquist_m_s = Some(scale.nyquist().get());
        let (low, high) = scale.limits();
        seen.velocity_limits_m_s = Some([low.get(), high.get()]);
        scale
    } else {
        notes.missing.push("a velocity channel: nothing can be measured without it".to_owned());
        notes.assume("there is no velocity channel; the velocity scale is a placeholder and means nothing");
        let middle = if size.bits == 8 { 1 << 7 } else { 1 << 15 };
        VelocityScale::full_cycle(size.bits, middle, MetresPerSecond::new(1.0))
            .map_err(|source| DicomError::Scale { source })?
    };
    let mut sources = Vec::with_capacity(parsed.len());
    for (part, parsed) in parsed.iter().enumerate() {
        let place = parsed.tree.pixels.as_ref();
        let place = place.ok_or(DicomError::Missing { name: "Pixel Data", tag: tags::PIXEL_DATA })?;
        let frames = groups.of_part(part);
        sources.push(pixels::Source { bytes: &parsed.bytes, place, coding: parsed.coding, frames });
    }
    let wanted: Vec<usize> = channels.iter().map(|(_, kind, ..)| *kind).collect();
    let samples = pixels::samples(&sources, size, &order, &wanted, &slices)?;
    let channels =
        channels.iter().zip(samples).map(|((kind, ..), samples)| Channel::new(*kind, samples)).collect();
    FORMAT.clone_into(&mut provenance.format);
    provenance.assumed.clone_from(&notes.assumed);
    Volume4::new(grid, timeline, apex, velocity_scale, power_scale, provenance, channels)
        .map_err(|source| DicomError::Volume { source })
}

/// The channel of a data type (PS3.3 C.8.24.5.2.1), where it is one of ours
fn channel_kind(data_type: &str) -> Option<ChannelKind> {
    match data_type {
        "TISSUE_INTENSITY" => Some(ChannelKind::Tissue),
        "FLOW_VELOCITY" => Some(ChannelKind::Velocity),
        "FLOW_POWER" => Some(ChannelKind::Power),
        "FLOW_VARIANCE" => Some(ChannelKind::Variance),
        _ => None,
    }
}

/// The grid, and the slices in the order that makes it right-handed
fn grid(
    groups: &Groups<'_>,
    order: &Order,
    size: FrameSize,
    notes: &mut Notes,
) -> Result<(Grid, Vec<usize>), DicomError> {
    let (sequence, attribute, name) = match order.position {
        Position::Volume => (
            tags::PLANE_ORIENTATION_VOLUME_SEQUENCE,
            tags::IMAGE_ORIENTATION_VOLUME,
            "Image Orientation (Volume)",
        ),
        Position::Patient => {
            notes.assume(
                "positions in the volume's own frame of reference are missing; those in the patient's were used",
            );
            (tags::PLANE_ORIENTATION_SEQUENCE, tags::IMAGE_ORIENTATION_PATIENT, "Image Orientation (Patient)")
        }
    };
    let read = |group: Option<View<'_>>| group.and_then(|group| group.array::<6>(attribute));
    let orientation = read(groups.of(0, sequence)).ok_or(DicomError::Missing { name, tag: attribute })?;
    let spacing = groups
        .of(0, tags::PIXEL_MEASURES_SEQUENCE)
        .and_then(|group| group.array::<2>(tags::PIXEL_SPACING))
        .ok_or(DicomError::Missing { name: "Pixel Spacing", tag: tags::PIXEL_SPACING })?;
    for frame in 1..groups.len() {
        let other =
            groups.of(frame, tags::PIXEL_MEASURES_SEQUENCE).and_then(|g| g.array::<2>(tags::PIXEL_SPACING));
        if groups.shared(sequence).is_none() && read(groups.of(frame, sequence)) != Some(orientation) {
            return Err(DicomError::Varies { name, frame: frame + 1 });
        }
        // Not a number differs from itself; the grid refuses it below.
        if groups.shared(tags::PIXEL_MEASURES_SEQUENCE).is_none()
            && other.map(|s| s.map(f64::to_bits)) != Some(spacing.map(f64::to_bits))
        {
            return Err(DicomError::Varies { name: "Pixel Spacing", frame: frame + 1 });
        }
    }
    let x = Vector3::new(orientation[0], orientation[1], orientation[2]);
    let y = Vector3::new(orientation[3], orientation[4], orientation[5]);
    if [x, y].iter().any(|axis| (axis.norm() - 1.0).abs() > 1e-3) {
        return Err(DicomError::Value { name, found: format!("{orientation:?}, not unit vectors") });
    }
    let normal = x.cross(&y);
    let columns = usize::from(size.columns);
    let places = &order.places_mm;
    let shape = [columns, usize::from(size.rows), places.len()];
    let make = |step: f64, origin: [f64; 3]| {
        checks::sane("the voxel spacing", [spacing[1], spacing[0], step])?;
        let origin = VolumePoint::new(origin[0], origin[1], origin[2]);
        Grid::new(shape, [spacing[1], spacing[0], step], origin, [x, y, normal])
            .map_err(|source| DicomError::Grid { source })
    };
    // Squareness first: slices are measured along the normal.
    make(1.0, places[0])?;
    let normal = normal / normal.norm();
    let measures = groups.of(0, tags::PIXEL_MEASURES_SEQUENCE);
    let between = measures.and_then(|group| group.number(tags::SPACING_BETWEEN_SLICES));
    let Some(steps) = checks::steps(places, normal)? else {
        let thickness = measures.and_then(|group| group.number(tags::SLICE_THICKNESS));
        let step = between
            .or(thickness)
            .ok_or(DicomError::Missing { name: "Slice Thickness", tag: tags::SLICE_THICKNESS })?;
        notes.assume("there is a single slice; its thickness was taken as the slice spacing");
        return Ok((make(step, places[0])?, vec![0]));
    };
    if let Some(between) = between
        && (between.abs() - steps.step_mm.abs()).abs() > 0.01 * steps.step_mm.abs()
    {
        notes.assume(format!(
            "Spacing Between Slices ({between} mm) disagrees with the slice positions; their step, {:.4} mm, was used",
            steps.step_mm.abs()
        ));
    }
    let slices: Vec<usize> = if steps.step_mm > 0.0 {
        (0..places.len()).collect()
    } else {
        notes.observed.push(
            "slices run against the normal of their planes; they are numbered from the last".to_owned(),
        );
        (0..places.len()).rev().collect()
    };
    Ok((make(steps.step_mm.abs(), places[slices[0]])?, slices))
}

/// Times of the frames, and how the beat was gathered
fn timeline(
    root: View<'_>,
    groups: &Groups<'_>,
    order: &Order,
    notes: &mut Notes,
) -> Result<Timeline, DicomError> {
    match order.clock {
        Clock::RWave => {}
        Clock::Start => notes.assume(
            "times count from the first frame, not from an R wave; the R wave was taken to be at time zero",
        ),
        Clock::None if order.times_s.len() == 1 => {
            notes.assume("the file states no time; its single frame was put at the R wave");
        }
        Clock::None => {
            return Err(DicomError::Missing {
                name: "a time of the frames (trigger delay or temporal offset)",
                tag: tags::NOMINAL_CARDIAC_TRIGGER_DELAY_TIME,
            });
        }
    }
    for time in &order.times_s {
        checks::sane("the time of a frame", [*time])?;
    }
    if let Some(at) = order.times_s.windows(2).position(|pair| pair[1] - pair[0] < SHORTEST_S) {
        return Err(DicomError::Timeline { source: TimelineError::NotRising(at + 1) });
    }
    let times = order.times_s.iter().map(|time| Seconds::new(*time)).collect();
    let mut timeline = Timeline::new(times).map_err(|source| DicomError::Timeline { source })?;
    let cardiac = groups.of(order.frame(0, 0, 0), tags::CARDIAC_SYNCHRONIZATION_SEQUENCE);
    let positive = |ms: &f64| *ms > 0.0 && *ms <= ABSURD;
    timeline.rr = cardiac
        .and_then(|group| group.number(tags::RR_INTERVAL_TIME_NOMINAL))
        .filter(positive)
        .map(|ms| Seconds::new(ms / 1000.0));
    timeline.beats_rr = scales::context(root).beats_rr_s.into_iter().map(Seconds::new).collect();
    timeline.gated_beats = root.whole(tags::INTERVALS_ACQUIRED).filter(|count| *count > 0);
    if timeline.gated_beats.is_some() {
        notes.assume("the number of gated beats was taken from Intervals Acquired");
    } else if !timeline.beats_rr.is_empty() {
        timeline.gated_beats = u32::try_from(timeline.beats_rr.len()).ok();
        notes.assume("the number of gated beats was taken from the R-R intervals listed");
    }
    if timeline.rr.is_none() {
        notes.missing.push("the R-R interval".to_owned());
    }
    if timeline.gated_beats.is_none() {
        notes.missing.push("the number of gated beats".to_owned());
    }
    Ok(timeline)
}

/// Where the beams start: Apex Position, else the face of the transducer
fn apex(root: View<'_>, order: &Order, notes: &mut Notes) -> Result<Option<VolumePoint>, DicomError> {
    let matrix_tag = tags::VOLUME_TO_TRANSDUCER_MAPPING_MATRIX;
    let face = if root.has(matrix_tag) {
        let matrix: [f64; 16] =
            root.numbers(matrix_tag).try_into().map_err(|numbers: Vec<f64>| DicomError::Value {
                name: "Volume to Transducer Mapping Matrix",
                found: format!("{} numbers instead of 16", numbers.len()),
            })?;
        let (turn, shift) = checks::rigid(matrix)?;
        let face = -(turn.transpose() * shift);
        Some(VolumePoint::new(face.x, face.y, face.z))
    } else {
        None
    };
    if order.position == Position::Patient {
        notes.missing.push("an apex in the frame of reference of the positions".to_owned());
        return Ok(None);
    }
    if let Some(apex) = root.array::<3>(tags::APEX_POSITION) {
        checks::sane("Apex Position", apex)?;
        return Ok(Some(VolumePoint::new(apex[0], apex[1], apex[2])));
    }
    notes.missing.push("Apex Position: the beam direction is not known exactly".to_owned());
    if root.text(tags::ULTRASOUND_ACQUISITION_GEOMETRY) == Some("APEX")
        && let Some(face) = face
    {
        notes.assume(
            "Apex Position is missing; beams were taken to start at the centre of the transducer face",
        );
        return Ok(Some(face));
    }
    Ok(None)
}

/// Zero Velocity Pixel Value and Aliased Data Type of a velocity channel, the same in every frame
fn velocity_codes(
    groups: &Groups<'_>,
    order: &Order,
    kind: usize,
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
    let first = of(order.frame(kind, 0, 0));
    for_each_frame(order, kind, |frame| {
        if of(frame) == first {
            Ok(())
        } else {
            Err(DicomError::Varies {
                name: "Zero Velocity Pixel Value or Aliased Data Type",
                frame: frame + 1,
            })
        }
    })?;
    Ok(first)
}

/// A mapping that changes from frame to frame cannot be one scale
fn same_mapping(groups: &Groups<'_>, order: &Order, kind: usize, first: &[Item]) -> Result<(), DicomError> {
    if groups.shared(tags::REAL_WORLD_VALUE_MAPPING_SEQUENCE).is_some() {
        return Ok(());
    }
    for_each_frame(order, kind, |frame| {
        if mapping::items(groups.items(frame, tags::REAL_WORLD_VALUE_MAPPING_SEQUENCE))? == first {
            Ok(())
        } else {
            Err(DicomError::Varies { name: "Real World Value Mapping", frame: frame + 1 })
        }
    })
}

fn for_each_frame(
    order: &Order,
    kind: usize,
    mut check: impl FnMut(usize) -> Result<(), DicomError>,
) -> Result<(), DicomError> {
    for time in 0..order.times_s.len() {
        for place in 0..order.places_mm.len() {
            check(order.frame(kind, time, place))?;
        }
    }
    Ok(())
}

/// Assumptions an earlier conversion wrote into Image Comments
fn earlier_assumptions(root: View<'_>, notes: &mut Notes) {
    let Some(listed) = root.text(tags::IMAGE_COMMENTS).and_then(|text| text.strip_prefix(ASSUMED_PREFIX))
    else {
        return;
    };
    for line in listed.lines().map(str::trim).filter(|line| !line.is_empty()) {
        notes.assume(line);
    }
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
