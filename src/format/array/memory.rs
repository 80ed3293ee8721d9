//! Arrays in memory as a volume: what holds for an array in a file holds for them.
//!
//! The samples stand in rows of x, then y, z and frames; what they mean stands in a [`Sidecar`]. Codes of 8 and 16
//! bits stay where they lie, reals become 16-bit codes, as from a file.

use nalgebra::Vector3;

use super::channels::channel;
use super::codes::{Component, Slices};
use super::layout::{ByteOrder, Element, Layout, Pose};
use super::read;
use super::scales::{self, Facts};
use super::sidecar::Sidecar;
use super::{ArrayError, ArrayUnit};
use crate::format::Notes;
use crate::space::{GridError, VolumePoint, direction};
use crate::volume::{ChannelKind, Provenance, SharedBytes, Volume4};

/// What the provenance calls the format
const FORMAT: &str = "arrays";
/// The longest side of a volume of a heart, mm, and the shortest: beyond them another unit was meant (our own choice)
const SIDE_MM: std::ops::RangeInclusive<f64> = 0.1..=1000.0;
/// The longest beat, s: beyond it times were in ms (our own choice)
const LONGEST_S: f64 = 10.0;
/// The highest Nyquist velocity, m/s: beyond it cm/s was meant (common practice, no source)
const FASTEST_M_S: f64 = 10.0;

/// The samples of one channel
pub struct ArrayChannel {
    /// What they measure
    pub kind: ChannelKind,
    /// Their bytes, little-endian, without a gap
    pub bytes: SharedBytes,
    /// Their type
    pub element: Element,
    /// Frames, then voxels along z, y, x
    pub shape: [usize; 4],
}

/// What a real number that is none means
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Gaps {
    /// A mistake
    #[default]
    Refused,
    /// No colour there
    NoColour,
}

/// The volume that arrays make, with what `said` says of them; its grid must be said
///
/// # Errors
/// See [`ArrayError`].
pub fn from_arrays(
    arrays: &[ArrayChannel],
    said: &Sidecar,
    name: &str,
    gaps: Gaps,
) -> Result<Volume4, ArrayError> {
    let [frames, nz, ny, nx] = one_shape(arrays)?;
    let mut notes = Notes::default();
    for line in &said.assumed {
        notes.tell(line);
    }
    let shape = [nx, ny, nz];
    let (grid, slices) = grid(said, shape, &mut notes)?;
    let layout = Layout {
        shape,
        frames,
        components: 1,
        step: [1, nx, nx * ny],
        frame_step: nx * ny * nz,
        component_step: 0,
        colour: false,
    };
    let words = said.velocity.clone().unwrap_or_default();
    if let Some(nyquist) = words.nyquist_m_s.filter(|nyquist| *nyquist > FASTEST_M_S) {
        return Err(ArrayError::Unit {
            what: "the Nyquist velocity",
            found: nyquist,
            unit: ArrayUnit::MetresPerSecond,
        });
    }
    let facts = Facts { words: &words, scaling: None, given: None };
    let velocity = arrays.iter().find(|array| array.kind == ChannelKind::Velocity);
    let mut missing = Vec::new();
    if velocity.is_some_and(|array| !facts.has_nyquist(array.element)) {
        missing.push(scales::NYQUIST);
    }
    if frames > 1 && said.times_s.is_empty() {
        missing.push("the times of the frames");
    }
    if !missing.is_empty() {
        return Err(ArrayError::Missing { missing, sidecar: String::new() });
    }
    let timeline = read::timeline(None, frames, said, &mut notes)?;
    let times = timeline.times();
    let lasts = times[times.len() - 1].get() - times[0].get();
    if lasts > LONGEST_S {
        return Err(ArrayError::Unit {
            what: "the time from first to last frame",
            found: lasts,
            unit: ArrayUnit::Seconds,
        });
    }

    let mut channels = Vec::new();
    for array in arrays {
        let component = Component {
            bytes: &array.bytes,
            start: 0,
            element: array.element,
            order: ByteOrder::Little,
            layout,
            index: 0,
            slices,
        };
        if gaps == Gaps::Refused && array.element.is_real() {
            let count = component.span().nothing;
            if count > 0 {
                return Err(ArrayError::NotNumbers { kind: array.kind, count });
            }
        }
        channels.push(channel(array.kind, &component, &facts, said.power, &mut notes)?);
    }
    let hashed = arrays.iter().map(|array| &array.bytes);
    let provenance = Provenance {
        file: name.to_owned(),
        blake3: crate::format::hash_of(hashed),
        format: FORMAT.to_owned(),
        assumed: notes.assumed,
        told: notes.told,
        lossy: said.lossy(),
        ..Provenance::default()
    };
    let apex = said.apex_mm.map(|[x, y, z]| VolumePoint::new(x, y, z));
    Ok(Volume4::new(grid, timeline, apex, provenance, channels)?)
}

/// The shape of all arrays: the same, with voxels, and as many bytes as it needs
fn one_shape(arrays: &[ArrayChannel]) -> Result<[usize; 4], ArrayError> {
    let Some(first) = arrays.first() else { return Err(ArrayError::NoChannels) };
    if first.shape.contains(&0) {
        return Err(ArrayError::NoVoxels { sizes: first.shape.to_vec() });
    }
    for array in arrays {
        let needed = array.shape.iter().try_fold(array.element.bytes(), |all, size| all.checked_mul(*size));
        if array.shape != first.shape || needed != Some((*array.bytes).as_ref().len()) {
            return Err(ArrayError::Axes {
                message: format!(
                    "the {} channel has the shape {:?}, the {} channel {:?}",
                    array.kind, array.shape, first.kind, first.shape
                ),
            });
        }
    }
    Ok(first.shape)
}

/// The grid that was said, right-handed
fn grid(
    said: &Sidecar,
    shape: [usize; 3],
    notes: &mut Notes,
) -> Result<(crate::space::Grid, Slices), ArrayError> {
    let Some(words) = said.grid else {
        return Err(ArrayError::Missing { missing: vec!["the voxel spacing"], sidecar: String::new() });
    };
    // A spacing that is none is told as such.
    if !words.spacing_mm.iter().all(|step| *step > 0.0) {
        return Err(GridError::Spacing(words.spacing_mm).into());
    }
    let sides: Vec<f64> = (0..3).map(|axis| words.spacing_mm[axis] * shape[axis] as f64).collect();
    let longest = sides.iter().copied().fold(0.0, f64::max);
    if !SIDE_MM.contains(&longest) {
        return Err(ArrayError::Unit {
            what: "the longest side of the volume",
            found: longest,
            unit: ArrayUnit::Millimetres,
        });
    }
    let mut steps = words.axes.map(Vector3::from);
    for (step, spacing) in steps.iter_mut().zip(words.spacing_mm) {
        *step = direction(*step).ok_or(GridError::Position)?.into_inner() * spacing;
    }
    let pose = Pose { origin: Vector3::from(words.origin_mm), steps };
    // As it was said to the last digit, where slices need not be counted the other way.
    let exact = steps[0].cross(&steps[1]).dot(&steps[2]) >= 0.0;
    read::grid(&pose, shape, exact.then_some(said), notes)
}

#[cfg(test)]
mod tests {
    use super::super::sidecar::{GridWords, SCHEMA, VelocityWords};
    use super::*;
    use std::sync::Arc;

    fn said(times_s: Vec<f64>) -> Sidecar {
        Sidecar {
            schema: SCHEMA.to_owned(),
            velocity: Some(VelocityWords { nyquist_m_s: Some(0.6), ..VelocityWords::default() }),
            times_s,
            grid: Some(GridWords {
                spacing_mm: [0.5, 0.6, 0.7],
                origin_mm: [1.0, 2.0, 3.0],
                axes: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            }),
            ..Sidecar::default()
        }
    }

    fn channel(kind: ChannelKind, shape: [usize; 4], bytes: Vec<u8>, element: Element) -> ArrayChannel {
        ArrayChannel { kind, bytes: Arc::new(bytes), element, shape }
    }

    #[test]
    fn codes_stay_where_they_lie_and_slices_are_counted_right_handed() {
        let codes: Vec<u8> = (0..48).collect();
        let array = channel(ChannelKind::Velocity, [2, 2, 3, 4], codes.clone(), Element::U8);
        let bytes = array.bytes.clone();
        let volume = from_arrays(&[array], &said(vec![0.0, 0.04]), "a", Gaps::Refused).unwrap();
        assert_eq!(volume.grid.shape(), [4, 3, 2]);
        assert_eq!(volume.grid.spacing_mm(), [0.5, 0.6, 0.7]);
        let frame = volume.channels()[0].samples().frame(1);
        assert_eq!(&*frame.le_bytes(), &codes[24..]);
        // Lent, not copied.
        assert_eq!(frame.le_bytes().as_ptr(), (*bytes).as_ref()[24..].as_ptr());
        let mut left = said(vec![0.0, 0.04]);
        left.grid.as_mut().unwrap().axes[2] = [0.0, 0.0, -1.0];
        let array = channel(ChannelKind::Velocity, [2, 2, 3, 4], codes.clone(), Element::U8);
        let volume = from_arrays(&[array], &left, "a", Gaps::Refused).unwrap();
        assert_eq!(volume.grid.origin().to_array()[2], 3.0 - 0.7);
        assert_eq!(&volume.channels()[0].samples().frame(0).le_bytes()[..12], &codes[12..24]);
    }

    #[test]
    fn what_cannot_be_meant_is_told() {
        let one = |bytes, element| [channel(ChannelKind::Velocity, [1, 2, 2, 2], bytes, element)];
        let reals = |values: &[f32]| values.iter().flat_map(|v| v.to_le_bytes()).collect::<Vec<u8>>();
        let made = from_arrays(&one(reals(&[f32::NAN; 8]), Element::F32), &said(vec![]), "a", Gaps::Refused);
        assert!(matches!(made.unwrap_err(), ArrayError::NotNumbers { count: 8, .. }));
        assert!(
            from_arrays(&one(reals(&[f32::NAN; 8]), Element::F32), &said(vec![]), "a", Gaps::NoColour)
                .is_ok()
        );
        let mut wrong = said(vec![]);
        wrong.velocity.as_mut().unwrap().nyquist_m_s = Some(60.0);
        let made = from_arrays(&one(vec![0; 8], Element::U8), &wrong, "a", Gaps::Refused);
        assert!(matches!(made.unwrap_err(), ArrayError::Unit { unit: ArrayUnit::MetresPerSecond, .. }));
        let mut wrong = said(vec![]);
        wrong.grid.as_mut().unwrap().spacing_mm = [5e-4; 3];
        let made = from_arrays(&one(vec![0; 8], Element::U8), &wrong, "a", Gaps::Refused);
        assert!(matches!(made.unwrap_err(), ArrayError::Unit { unit: ArrayUnit::Millimetres, .. }));
        assert!(matches!(
            from_arrays(&[], &said(vec![]), "a", Gaps::Refused).unwrap_err(),
            ArrayError::NoChannels
        ));
        let made = from_arrays(&one(vec![0; 7], Element::U8), &said(vec![]), "a", Gaps::Refused);
        assert!(matches!(made.unwrap_err(), ArrayError::Axes { .. }));
    }
}
