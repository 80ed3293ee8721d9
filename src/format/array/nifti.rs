//! NIfTI-1: a header of 348 bytes, then the samples (nifti1.h, R. W. Cox and others, NIMH 2003).
//!
//! Dimension 4 is time, dimension 5 the channels. Positions are right-anterior-superior and are
//! turned to left-posterior-superior. The header's reals have 32 bits, so that the grid in full
//! precision goes to the sidecar. A gzip stream is unpacked at once.

use nalgebra::{Matrix3, Rotation3, UnitQuaternion, Vector3};

use super::layout::{Axis, ByteOrder, Clock, Element, Header, Packing, Place, Pose, Role};
use super::{ArrayError, bytes};
use crate::format::Notes;
use crate::volume::Volume4;

/// Name of the format
pub(super) const FORMAT: &str = "NIfTI-1";

/// Bytes of the header, and of the header with the flag that no extension follows
const HEADER: usize = 348;
const HEADER_AND_FLAG: usize = 352;

/// Intent of a dimension 5 that holds several values a voxel: NIFTI_INTENT_VECTOR
const INTENT_VECTOR: i16 = 1007;

/// Whether the bytes, or what they unpack to, begin with a NIfTI-1 or related header
pub(super) fn is_nifti(all: &[u8]) -> bool {
    if all.starts_with(&[0x1F, 0x8B]) { sized(&bytes::peek(all, HEADER)) } else { sized(all) }
}

/// Whether the first word is the size of a header of the family
fn sized(all: &[u8]) -> bool {
    let Some(size) = all.first_chunk::<4>() else { return false };
    let known = |size: i32| size == 348 || size == 540;
    all.len() >= HEADER && (known(i32::from_le_bytes(*size)) || known(i32::from_be_bytes(*size)))
}

/// The header's fields by their place
struct Fields<'a> {
    head: &'a [u8; HEADER],
    order: ByteOrder,
}

impl Fields<'_> {
    fn short(&self, at: usize) -> i16 {
        let pair = [self.head[at], self.head[at + 1]];
        if self.order == ByteOrder::Little { i16::from_le_bytes(pair) } else { i16::from_be_bytes(pair) }
    }
    fn real(&self, at: usize) -> f64 {
        let four = [self.head[at], self.head[at + 1], self.head[at + 2], self.head[at + 3]];
        f64::from(if self.order == ByteOrder::Little {
            f32::from_le_bytes(four)
        } else {
            f32::from_be_bytes(four)
        })
    }
    fn reals<const N: usize>(&self, at: usize) -> [f64; N] {
        std::array::from_fn(|i| self.real(at + 4 * i))
    }
}

/// Reads the header
///
/// # Errors
/// See [`ArrayError`].
pub(super) fn parse(all: &[u8], notes: &mut Notes) -> Result<Header, ArrayError> {
    let packing = if all.starts_with(&[0x1F, 0x8B]) { Packing::Gzip } else { Packing::Raw };
    let first;
    let head: &[u8] = if packing == Packing::Gzip {
        first = bytes::peek(all, HEADER);
        &first
    } else {
        all
    };
    let head: &[u8; HEADER] =
        head.first_chunk().ok_or(ArrayError::Short { needed: HEADER, available: head.len() })?;
    let size = [head[0], head[1], head[2], head[3]];
    let order = match (i32::from_le_bytes(size), i32::from_be_bytes(size)) {
        (348, _) => ByteOrder::Little,
        (_, 348) => ByteOrder::Big,
        _ => return Err(ArrayError::Unsupported { what: "the second version of NIfTI".to_owned() }),
    };
    match &head[344..348] {
        b"n+1\0" => {}
        b"ni1\0" => {
            return Err(ArrayError::Unsupported { what: "a NIfTI pair of .hdr and .img".to_owned() });
        }
        _ => return Err(ArrayError::Unsupported { what: "a header older than NIfTI".to_owned() }),
    }
    let fields = Fields { head, order };
    let ndim = fields.short(40);
    if !(3..=7).contains(&ndim) {
        return Err(ArrayError::Value { name: "dim[0]", found: ndim.to_string() });
    }
    let mut sizes = Vec::new();
    for dim in 1..=ndim as usize {
        let size = fields.short(40 + 2 * dim);
        sizes.push(
            usize::try_from(size)
                .map_err(|_| ArrayError::Value { name: "a size in dim", found: size.to_string() })?,
        );
    }
    if sizes.iter().skip(5).any(|size| *size > 1) {
        return Err(ArrayError::Axes { message: format!("it has more than 5 dimensions: {sizes:?}") });
    }
    let (element, colours) = element(fields.short(70))?;
    let bits = element.bytes() as i16 * 8 * colours.max(1) as i16;
    if fields.short(72) != bits {
        return Err(ArrayError::Value {
            name: "bitpix",
            found: format!("{}, but its data type has {bits}", fields.short(72)),
        });
    }
    let mut axes = Vec::new();
    if colours > 0 {
        axes.push(Axis { size: colours, role: Role::Colour });
    }
    for (at, size) in sizes.iter().enumerate() {
        let role = match at {
            0..3 => Role::Space,
            3 => Role::Time,
            _ => Role::Channel,
        };
        axes.push(Axis { size: *size, role });
    }
    let offset = fields.real(108);
    // Every whole number up to 2^24 is exact in 32 bits; beyond, nobody puts a header.
    if !(offset >= HEADER_AND_FLAG as f64 && offset <= 16_777_216.0 && offset.fract() == 0.0) {
        return Err(ArrayError::Value { name: "vox_offset", found: offset.to_string() });
    }
    let units = i16::from(fields.head[123]);
    let pixdim: [f64; 8] = fields.reals(76);
    let (pose, millimetres) = (pose(&fields, &pixdim, notes)?, length(units, notes)?);
    let pose = Pose { origin: pose.origin * millimetres, steps: pose.steps.map(|step| step * millimetres) };
    notes.assume(
        "positions were turned from right-anterior-superior to left-posterior-superior: x and y changed their sign",
    );
    let slope = fields.real(112);
    let scaling = (slope.is_finite() && slope != 0.0).then(|| (slope, fields.real(116)));
    Ok(Header {
        element,
        order,
        packing,
        axes,
        pose: pose.ras_to_lps(),
        clock: clock(&fields, units, pixdim[4], sizes.get(3).copied().unwrap_or(1), notes),
        scaling: scaling.filter(|scaling| *scaling != (1.0, 0.0)),
        place: if packing == Packing::Gzip {
            Place::Inside(offset as usize)
        } else {
            Place::Here(offset as usize)
        },
    })
}

/// Type of the samples, and how many colours one has (0: none)
fn element(code: i16) -> Result<(Element, usize), ArrayError> {
    let name = match code {
        2 => return Ok((Element::U8, 0)),
        256 => return Ok((Element::I8, 0)),
        512 => return Ok((Element::U16, 0)),
        4 => return Ok((Element::I16, 0)),
        16 => return Ok((Element::F32, 0)),
        64 => return Ok((Element::F64, 0)),
        128 => return Ok((Element::U8, 3)),
        2304 => return Ok((Element::U8, 4)),
        8 => "signed 32-bit",
        768 => "unsigned 32-bit",
        1024 | 1280 => "64-bit integer",
        32 | 1792 | 2048 => "complex",
        1536 => "real 128-bit",
        1 => "single-bit",
        _ => return Err(ArrayError::Element { found: format!("of the data type {code}") }),
    };
    Err(ArrayError::Element { found: name.to_owned() })
}

/// The grid in the header's own unit, right-anterior-superior
fn pose(fields: &Fields<'_>, pixdim: &[f64; 8], notes: &mut Notes) -> Result<Pose, ArrayError> {
    let sform = (fields.short(254) > 0).then(|| {
        let rows: [[f64; 4]; 3] = [fields.reals(280), fields.reals(296), fields.reals(312)];
        let column = |j: usize| Vector3::new(rows[0][j], rows[1][j], rows[2][j]);
        Pose { origin: column(3), steps: [column(0), column(1), column(2)] }
    });
    let spacing = [pixdim[1], pixdim[2], pixdim[3]];
    let qform = if fields.short(252) > 0 {
        if !spacing.iter().all(|step| *step > 0.0) {
            return Err(ArrayError::Value { name: "pixdim", found: format!("{spacing:?}") });
        }
        let turn = turn(fields.reals(256))?;
        // The third axis is turned over where pixdim[0] is negative.
        let hand = if pixdim[0] < 0.0 { -1.0 } else { 1.0 };
        let sides = [spacing[0], spacing[1], spacing[2] * hand];
        let step = |j: usize| turn.column(j) * sides[j];
        Some(Pose { origin: Vector3::from(fields.reals::<3>(268)), steps: [step(0), step(1), step(2)] })
    } else {
        None
    };
    match (sform, qform) {
        (Some(sform), Some(qform)) => {
            let apart = (0..3).map(|i| (sform.steps[i] - qform.steps[i]).norm() / spacing[i].abs());
            let far = apart.fold((sform.origin - qform.origin).norm() / spacing[0].abs(), f64::max);
            if far.is_nan() || far > 0.01 {
                notes.assume("sform and qform of the header differ; the sform was used");
            }
            Ok(sform)
        }
        (Some(sform), None) => Ok(sform),
        (None, Some(qform)) => Ok(qform),
        (None, None) => {
            notes.assume(
                "the header has neither sform nor qform; voxels were laid out from its voxel sides alone, the first \
                 one at the origin",
            );
            let side = |i: usize| Vector3::from_fn(|row, _| if row == i { spacing[i] } else { 0.0 });
            if !spacing.iter().all(|step| *step > 0.0) {
                return Err(ArrayError::Value { name: "pixdim", found: format!("{spacing:?}") });
            }
            Ok(Pose { origin: Vector3::zeros(), steps: [side(0), side(1), side(2)] })
        }
    }
}

/// The rotation of the quaternion whose last three parts are given
fn turn([b, c, d]: [f64; 3]) -> Result<Matrix3<f64>, ArrayError> {
    let squares = b * b + c * c + d * d;
    // Rounding to 32 bits may leave a little more than one.
    if squares.is_nan() || squares > 1.0 + 1e-4 {
        return Err(ArrayError::Value { name: "the quaternion", found: format!("{b}, {c}, {d}") });
    }
    let a = (1.0 - squares).max(0.0).sqrt();
    let quaternion = UnitQuaternion::from_quaternion(nalgebra::Quaternion::new(a, b, c, d));
    Ok(quaternion.to_rotation_matrix().into_inner())
}

/// Millimetres of the header's unit of length
fn length(units: i16, notes: &mut Notes) -> Result<f64, ArrayError> {
    match units & 7 {
        0 => {
            notes.assume("the header names no unit of length; millimetres were taken");
            Ok(1.0)
        }
        1 => Ok(1000.0),
        2 => Ok(1.0),
        3 => Ok(0.001),
        other => Err(ArrayError::Value { name: "xyzt_units", found: other.to_string() }),
    }
}

/// Times of the frames; `None` where the header says nothing that is one
fn clock(fields: &Fields<'_>, units: i16, step: f64, frames: usize, notes: &mut Notes) -> Option<Clock> {
    let seconds = match units & 0x38 {
        0 | 8 => 1.0,
        16 => 1e-3,
        24 => 1e-6,
        _ => return None,
    };
    if !(step.is_finite() && step > 0.0) {
        return None;
    }
    if units & 0x38 == 0 && frames > 1 {
        notes.assume("the header names no unit of time; seconds were taken");
    }
    let first = fields.real(136);
    Some(Clock { first_s: if first.is_finite() { first * seconds } else { 0.0 }, step_s: step * seconds })
}

/// The header of a volume, ready to be followed by its samples
///
/// # Errors
/// [`ArrayError::TooLarge`] where a side does not fit the header.
pub(super) fn header(volume: &Volume4, bits: u32) -> Result<Vec<u8>, ArrayError> {
    let mut head = vec![0u8; HEADER_AND_FLAG];
    let mut put = |at: usize, bytes: &[u8]| head[at..at + bytes.len()].copy_from_slice(bytes);
    let [x, y, z] = volume.grid.shape();
    let (frames, channels) = (volume.frames(), volume.channels().len());
    let ndim: i16 = match (frames, channels) {
        (_, 2..) => 5,
        (2.., _) => 4,
        _ => 3,
    };
    put(0, &348i32.to_le_bytes());
    put(38, b"r");
    put(40, &ndim.to_le_bytes());
    for (at, size) in [x, y, z, frames, channels, 1, 1].into_iter().enumerate() {
        let size = i16::try_from(size)
            .map_err(|_| ArrayError::TooLarge { what: "a side of the array", value: size.to_string() })?;
        put(42 + 2 * at, &size.to_le_bytes());
    }
    if channels > 1 {
        put(68, &INTENT_VECTOR.to_le_bytes());
    }
    put(70, &(if bits == 8 { 2i16 } else { 512 }).to_le_bytes());
    put(72, &(bits as i16).to_le_bytes());
    let spacing = volume.grid.spacing_mm();
    let interval = volume.timeline.interval().map_or(1.0, crate::unit::Seconds::get);
    let pixdim = [1.0, spacing[0], spacing[1], spacing[2], interval, 1.0, 1.0, 1.0];
    let real = |value: f64| (value as f32).to_le_bytes();
    for (at, value) in pixdim.into_iter().enumerate() {
        put(76 + 4 * at, &real(value));
    }
    put(108, &real(HEADER_AND_FLAG as f64));
    put(112, &real(1.0));
    put(123, &[2 | 8]);
    put(136, &real(volume.timeline.times()[0].get()));
    put(148, b"narrows: the sidecar says what codes mean");
    // Left-posterior-superior to right-anterior-superior: x and y change their sign.
    let ras = Matrix3::from_diagonal(&Vector3::new(-1.0, -1.0, 1.0));
    let turn = ras * volume.grid.rotation();
    let origin = ras * volume.grid.origin().0.coords;
    let mut quaternion = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(turn));
    if quaternion.w < 0.0 {
        quaternion = UnitQuaternion::new_unchecked(-quaternion.into_inner());
    }
    put(252, &1i16.to_le_bytes());
    put(254, &1i16.to_le_bytes());
    for (at, value) in [quaternion.i, quaternion.j, quaternion.k].into_iter().enumerate() {
        put(256 + 4 * at, &real(value));
    }
    for row in 0..3 {
        put(268 + 4 * row, &real(origin[row]));
        for column in 0..3 {
            put(280 + 16 * row + 4 * column, &real(turn[(row, column)] * spacing[column]));
        }
        put(292 + 16 * row, &real(origin[row]));
    }
    put(344, b"n+1\0");
    Ok(head)
}
