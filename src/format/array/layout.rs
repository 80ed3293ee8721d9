//! What the header of an array file says, before anybody asks what it means.
//!
//! Each of the three formats fills a [`Header`]: samples of one type on axes, the fastest first, each
//! axis with the role its format gives it. [`resolve`] turns the axes into the five that a volume
//! has. One axis may be left open by its format (a "list" can be frames or channels); the sidecar
//! decides, and without one it is frames.

use nalgebra::Vector3;

use super::ArrayError;
use super::sidecar::Sidecar;
use crate::format::{Notes, limits};

/// More frames are no beat: at a thousand a second it would last more than a minute
const MOST_FRAMES: usize = 1 << 16;

/// Type of a sample
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Element {
    /// Unsigned, 8 bits
    U8,
    /// Signed, 8 bits
    I8,
    /// Unsigned, 16 bits
    U16,
    /// Signed, 16 bits
    I16,
    /// Real, 32 bits
    F32,
    /// Real, 64 bits
    F64,
}

impl Element {
    /// Bytes of a sample
    pub fn bytes(self) -> usize {
        match self {
            Self::U8 | Self::I8 => 1,
            Self::U16 | Self::I16 => 2,
            Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    /// Bits of the codes made of it: reals become 16-bit codes
    pub(super) fn code_bits(self) -> u32 {
        match self {
            Self::U8 | Self::I8 => 8,
            _ => 16,
        }
    }

    /// Whether it is a real number
    pub(super) fn is_real(self) -> bool {
        matches!(self, Self::F32 | Self::F64)
    }

    /// What is added to a stored value to make a code of it: half the range for signed samples
    pub(super) fn code_of_zero(self) -> u32 {
        match self {
            Self::I8 => 1 << 7,
            Self::I16 => 1 << 15,
            _ => 0,
        }
    }

    /// Its name for people
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::U8 => "unsigned 8-bit",
            Self::I8 => "signed 8-bit",
            Self::U16 => "unsigned 16-bit",
            Self::I16 => "signed 16-bit",
            Self::F32 => "real 32-bit",
            Self::F64 => "real 64-bit",
        }
    }
}

/// Which byte of a sample comes first
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ByteOrder {
    /// The least significant
    Little,
    /// The most significant
    Big,
}

/// How the samples are packed
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Packing {
    /// As they are
    Raw,
    /// A gzip stream (RFC 1952)
    Gzip,
    /// A zlib stream (RFC 1950)
    Zlib,
}

/// What an axis counts, as far as its format says
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Role {
    /// A direction in space; the first is x
    Space,
    /// Frames
    Time,
    /// Channels, or components of no stated meaning
    Channel,
    /// Red, green, blue and perhaps opacity
    Colour,
    /// Frames or channels: the format does not say
    Open,
}

/// One axis
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Axis {
    pub(super) size: usize,
    pub(super) role: Role,
}

/// Where the voxels are, in millimetres, x to the left, y to the back, z to the head
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pose {
    /// Centre of voxel (0, 0, 0)
    pub(super) origin: Vector3<f64>,
    /// The step from a voxel to the next along x, y, z
    pub(super) steps: [Vector3<f64>; 3],
}

impl Pose {
    /// The same place for a frame with x to the right and y to the front
    pub(super) fn ras_to_lps(self) -> Self {
        let turn = |v: Vector3<f64>| Vector3::new(-v.x, -v.y, v.z);
        Self { origin: turn(self.origin), steps: self.steps.map(turn) }
    }

    /// The same place for a frame with x to the left and y to the front
    pub(super) fn las_to_lps(self) -> Self {
        let turn = |v: Vector3<f64>| Vector3::new(v.x, -v.y, v.z);
        Self { origin: turn(self.origin), steps: self.steps.map(turn) }
    }
}

/// Evenly spaced times
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Clock {
    /// Time of the first frame, s
    pub(super) first_s: f64,
    /// Seconds from frame to frame
    pub(super) step_s: f64,
}

/// Where the samples are
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Place {
    /// In the file itself, from this byte on
    Here(usize),
    /// In what the whole file unpacks to, from this byte on
    Inside(usize),
    /// At the end of the file, behind a header of so many bytes
    AtTheEnd {
        /// Bytes that are no samples
        header: usize,
    },
    /// In the file of this name beside the header
    Beside {
        /// Name without a folder
        name: String,
        /// Bytes before the samples; `None`: they are the last of the file
        skip: Option<usize>,
    },
}

/// A parsed header
#[derive(Clone, Debug)]
pub(super) struct Header {
    pub(super) element: Element,
    pub(super) order: ByteOrder,
    pub(super) packing: Packing,
    /// Axes, the fastest first
    pub(super) axes: Vec<Axis>,
    pub(super) pose: Pose,
    pub(super) clock: Option<Clock>,
    /// `value = slope * stored + intercept`, where the header says so
    pub(super) scaling: Option<(f64, f64)>,
    pub(super) place: Place,
}

/// Samples on the five axes of a volume
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Layout {
    /// Voxels along x, y, z
    pub(super) shape: [usize; 3],
    pub(super) frames: usize,
    pub(super) components: usize,
    /// Samples from one voxel to the next along x, y, z
    pub(super) step: [usize; 3],
    /// Samples from frame to frame
    pub(super) frame_step: usize,
    /// Samples from component to component
    pub(super) component_step: usize,
    /// Whether components are colours by the format's own word
    pub(super) colour: bool,
}

impl Layout {
    /// Voxels of a frame
    pub(super) fn voxels(&self) -> usize {
        self.shape.iter().product()
    }

    /// All samples
    pub(super) fn samples(&self) -> usize {
        self.voxels() * self.frames * self.components
    }
}

/// The five axes of a volume out of those of a file
///
/// # Errors
/// [`ArrayError::Axes`], [`ArrayError::NoVoxels`], [`ArrayError::TooLarge`].
pub(super) fn resolve(
    header: &Header,
    sidecar: Option<&Sidecar>,
    notes: &mut Notes,
) -> Result<Layout, ArrayError> {
    let axes = &header.axes;
    if axes.iter().any(|axis| axis.size == 0) {
        return Err(ArrayError::NoVoxels { sizes: axes.iter().map(|axis| axis.size).collect() });
    }
    let mut strides = Vec::with_capacity(axes.len());
    let mut total = 1usize;
    for axis in axes {
        strides.push(total);
        total =
            total.checked_mul(axis.size).filter(|n| *n <= limits::LARGEST).ok_or(ArrayError::TooLarge {
                what: "the number of samples",
                value: axes.iter().map(|axis| axis.size.to_string()).collect::<Vec<_>>().join(" x "),
            })?;
    }
    let of = |role: Role| -> Vec<usize> { (0..axes.len()).filter(|i| axes[*i].role == role).collect() };
    let refuse = |message: String| Err(ArrayError::Axes { message });
    let [x, y, z] = of(Role::Space)[..] else {
        return refuse(format!(
            "{} of its axes are directions in space, 3 are needed",
            of(Role::Space).len()
        ));
    };
    let mut time = of(Role::Time);
    let colours = of(Role::Colour);
    let mut channels = [of(Role::Channel), colours.clone()].concat();
    for axis in of(Role::Open) {
        let size = axes[axis].size;
        let named = sidecar.map_or(0, |sidecar| sidecar.channels.len());
        if size == 1 {
            continue;
        }
        if named > 1 && channels.is_empty() && size == named {
            channels.push(axis);
        } else if time.is_empty() {
            if sidecar.is_none_or(|sidecar| sidecar.times_s.len() != size) {
                notes.assume(format!(
                    "the file does not say what its axis of {size} counts; it was taken as frames in time"
                ));
            }
            time.push(axis);
        } else if channels.is_empty() {
            // Frames have their axis already.
            channels.push(axis);
        } else {
            return refuse(format!("nothing says what its axis of {size} counts"));
        }
    }
    // Axes of one entry say nothing.
    time.retain(|axis| axes[*axis].size > 1);
    channels.retain(|axis| axes[*axis].size > 1);
    if time.len() > 1 || channels.len() > 1 {
        return refuse(format!("{} axes count frames and {} count channels", time.len(), channels.len()));
    }
    let size = |list: &[usize]| list.first().map_or((1, 0), |axis| (axes[*axis].size, strides[*axis]));
    let (frames, frame_step) = size(&time);
    if frames > MOST_FRAMES {
        return Err(ArrayError::TooLarge { what: "the number of frames", value: frames.to_string() });
    }
    let (components, component_step) = size(&channels);
    Ok(Layout {
        shape: [x, y, z].map(|axis| axes[axis].size),
        frames,
        components,
        step: [x, y, z].map(|axis| strides[axis]),
        frame_step,
        component_step,
        colour: !colours.is_empty() && components > 1,
    })
}
