//! Where the voxels are, when the frames were acquired, where the beams start.

use dicom_dictionary_std::tags;
use nalgebra::Vector3;

use super::coding::FrameSize;
use super::groups::{Clock, Groups, Order, Position};
use super::tree::View;
use super::{DicomError, checks, scales};
use crate::format::{ABSURD, Notes, SHORTEST_S};
use crate::space::{Grid, VolumePoint};
use crate::unit::Seconds;
use crate::volume::{Timeline, TimelineError};

/// The grid, and the slices in the order that makes it right-handed
///
/// # Errors
/// [`DicomError::Missing`], [`DicomError::Varies`], [`DicomError::Grid`], [`DicomError::UnevenSlices`] and
/// its like.
pub(super) fn grid(
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
///
/// # Errors
/// [`DicomError::Missing`], [`DicomError::Timeline`], [`DicomError::Value`].
pub(super) fn timeline(
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
    let cardiac = groups.of(order.first[order.base], tags::CARDIAC_SYNCHRONIZATION_SEQUENCE);
    let positive = |ms: &f64| *ms > 0.0 && *ms <= ABSURD;
    timeline.rr = cardiac
        .and_then(|group| group.number(tags::RR_INTERVAL_TIME_NOMINAL))
        .filter(positive)
        .map(|ms| Seconds::new(ms / 1000.0));
    let context = scales::context(root);
    timeline.beats_rr = context.beats_rr_s.into_iter().map(Seconds::new).collect();
    timeline.gated_beats = root.whole(tags::INTERVALS_ACQUIRED).filter(|count| *count > 0);
    if timeline.gated_beats.is_some() {
        notes.assume("the number of gated beats was taken from Intervals Acquired");
    } else if context.gated_beats.is_some() {
        timeline.gated_beats = context.gated_beats;
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
///
/// # Errors
/// [`DicomError::NotRigid`], [`DicomError::Value`].
pub(super) fn apex(
    root: View<'_>,
    order: &Order,
    notes: &mut Notes,
) -> Result<Option<VolumePoint>, DicomError> {
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
