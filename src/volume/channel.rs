//! One channel's samples, as stored: owned, or a window on a mapped file.

use std::borrow::Cow;
use std::fmt;
use std::ops::Range;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::{PowerScale, VelocityScale};

/// What a channel measures
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum ChannelKind {
    /// Echo intensity
    Tissue,
    /// Mean velocity along the beam, cyclic
    Velocity,
    /// Power of the flow signal after the wall filter
    Power,
    /// Spread of the velocity estimate (loss of coherence)
    Variance,
}

impl fmt::Display for ChannelKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Tissue => "tissue",
            Self::Velocity => "velocity",
            Self::Power => "power",
            Self::Variance => "variance",
        })
    }
}

/// What the codes of a channel mean
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Scale {
    /// Echo intensity, in no unit
    Tissue,
    /// Mean velocity along the beam
    Velocity(VelocityScale),
    /// Power of the flow signal
    Power(PowerScale),
    /// Spread of the velocity estimate, in no unit
    Variance,
}

impl Scale {
    /// What codes of this kind mean where velocity and power have these scales
    pub fn of(kind: ChannelKind, velocity: VelocityScale, power: PowerScale) -> Self {
        match kind {
            ChannelKind::Tissue => Self::Tissue,
            ChannelKind::Velocity => Self::Velocity(velocity),
            ChannelKind::Power => Self::Power(power),
            ChannelKind::Variance => Self::Variance,
        }
    }

    /// What a channel of these codes measures
    pub fn kind(&self) -> ChannelKind {
        match self {
            Self::Tissue => ChannelKind::Tissue,
            Self::Velocity(_) => ChannelKind::Velocity,
            Self::Power(_) => ChannelKind::Power,
            Self::Variance => ChannelKind::Variance,
        }
    }
}

/// A channel: its samples, and what their codes mean
#[derive(Clone, Debug)]
pub struct Channel {
    scale: Scale,
    samples: Samples,
}

impl Channel {
    /// A channel of these samples
    pub fn new(scale: Scale, samples: Samples) -> Self {
        Self { scale, samples }
    }

    /// What it measures
    pub fn kind(&self) -> ChannelKind {
        self.scale.kind()
    }

    /// What its codes mean
    pub fn scale(&self) -> Scale {
        self.scale
    }

    /// Its samples
    pub fn samples(&self) -> &Samples {
        &self.samples
    }
}

/// The codes of one frame, `[z, y, x]` with x fastest
#[derive(Clone, Debug)]
pub enum Codes<'a> {
    /// 8-bit codes
    U8(Cow<'a, [u8]>),
    /// 16-bit codes
    U16(Cow<'a, [u16]>),
}

impl Codes<'_> {
    /// The code at a linear index
    ///
    /// # Panics
    /// Where the index is outside the frame.
    pub fn at(&self, index: usize) -> u16 {
        match self {
            Self::U8(codes) => u16::from(codes[index]),
            Self::U16(codes) => codes[index],
        }
    }

    /// Number of codes
    pub fn len(&self) -> usize {
        match self {
            Self::U8(codes) => codes.len(),
            Self::U16(codes) => codes.len(),
        }
    }

    /// How many codes are another than this one
    pub fn count_other(&self, code: u16) -> usize {
        match self {
            Self::U8(codes) => codes.iter().filter(|c| u16::from(**c) != code).count(),
            Self::U16(codes) => codes.iter().filter(|c| **c != code).count(),
        }
    }

    /// The first and the last place in a range of linear indices with another code than this one
    ///
    /// # Panics
    /// Where the range is not inside the frame.
    pub fn ends_other(&self, range: Range<usize>, code: u16) -> Option<[usize; 2]> {
        /// Codes that are compared at once
        const AT_ONCE: usize = 32;
        fn ends<T>(codes: &[T], other: impl Fn(&T) -> bool) -> Option<[usize; 2]> {
            let some = |codes: &[T]| codes.iter().fold(false, |some, code| some | other(code));
            let skipped = AT_ONCE * codes.chunks(AT_ONCE).take_while(|codes| !some(codes)).count();
            let rest = codes.get(skipped..)?;
            let first = skipped + rest.iter().position(&other)?;
            let kept = rest.len() - AT_ONCE * rest.rchunks(AT_ONCE).take_while(|codes| !some(codes)).count();
            Some([first, skipped + rest[..kept].iter().rposition(&other)?])
        }
        match self {
            Self::U8(codes) => ends(&codes[range], |c| u16::from(*c) != code),
            Self::U16(codes) => ends(&codes[range], |c| *c != code),
        }
    }

    /// Whether there are none
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The codes as bytes, 16-bit ones little-endian
    pub fn le_bytes(&self) -> Cow<'_, [u8]> {
        match self {
            Self::U8(codes) => Cow::Borrowed(codes),
            Self::U16(codes) if cfg!(target_endian = "little") => Cow::Borrowed(bytemuck::cast_slice(codes)),
            Self::U16(codes) => Cow::Owned(codes.iter().flat_map(|code| code.to_le_bytes()).collect()),
        }
    }
}

/// Shared bytes: a mapped file or a buffer
pub type SharedBytes = Arc<dyn AsRef<[u8]> + Send + Sync>;

/// Samples of one channel over all frames, in 8 or 16 bits
///
/// A frame is made of equal planes (one a slice) that may lie anywhere in the bytes. Where the
/// planes of a frame follow each other, [`Samples::frame`] lends them without copying.
#[derive(Clone)]
pub struct Samples {
    bytes: SharedBytes,
    bits: u32,
    voxels: usize,
    /// Byte offset of each plane, `[frame][plane]`
    planes: Vec<Vec<usize>>,
}

/// Why samples were refused
#[derive(Debug, thiserror::Error, PartialEq)]
pub enum SamplesError {
    /// A plane would reach past the end of the bytes
    #[error("a plane of {length} bytes at byte {offset} reaches past the end at {available}")]
    PastTheEnd {
        /// Where the plane starts
        offset: usize,
        /// How long it is
        length: usize,
        /// How many bytes there are
        available: usize,
    },
    /// Planes do not divide the frame evenly
    #[error("{planes} planes do not make a frame of {voxels} voxels")]
    Uneven {
        /// Planes in a frame
        planes: usize,
        /// Voxels in a frame
        voxels: usize,
    },
    /// Neither 8 nor 16 bits
    #[error("samples of {0} bits are not supported, only 8 and 16")]
    Bits(u32),
    /// No frames
    #[error("there are no frames")]
    NoFrames,
}

impl Samples {
    /// Samples inside shared bytes (16-bit ones little-endian), `planes[frame][plane]` byte offsets
    ///
    /// # Errors
    /// See [`SamplesError`].
    pub fn from_shared(
        bytes: SharedBytes,
        bits: u32,
        voxels: usize,
        planes: Vec<Vec<usize>>,
    ) -> Result<Self, SamplesError> {
        if bits != 8 && bits != 16 {
            return Err(SamplesError::Bits(bits));
        }
        if planes.is_empty() {
            return Err(SamplesError::NoFrames);
        }
        let available = (*bytes).as_ref().len();
        for frame in &planes {
            if frame.is_empty() || voxels == 0 || !voxels.is_multiple_of(frame.len()) {
                return Err(SamplesError::Uneven { planes: frame.len(), voxels });
            }
            let length = voxels / frame.len() * (bits as usize / 8);
            for &offset in frame {
                if offset.checked_add(length).is_none_or(|end| end > available) {
                    return Err(SamplesError::PastTheEnd { offset, length, available });
                }
            }
        }
        Ok(Self { bytes, bits, voxels, planes })
    }

    /// Owned 8-bit samples, `frames` frames of `voxels` each
    ///
    /// # Errors
    /// Where the lengths disagree.
    pub fn from_u8(codes: Vec<u8>, frames: usize, voxels: usize) -> Result<Self, SamplesError> {
        let planes = (0..frames).map(|frame| vec![frame * voxels]).collect();
        Self::from_shared(Arc::new(codes), 8, voxels, planes)
    }

    /// Owned 16-bit samples, `frames` frames of `voxels` each
    ///
    /// # Errors
    /// Where the lengths disagree.
    pub fn from_u16(codes: &[u16], frames: usize, voxels: usize) -> Result<Self, SamplesError> {
        let bytes: Vec<u8> = codes.iter().flat_map(|code| code.to_le_bytes()).collect();
        let planes = (0..frames).map(|frame| vec![frame * voxels * 2]).collect();
        Self::from_shared(Arc::new(bytes), 16, voxels, planes)
    }

    /// Each code by the one that a table of all codes has for it
    ///
    /// # Panics
    /// Where the table is shorter than there are codes.
    pub(crate) fn translated(&self, table: &[u16]) -> Self {
        let codes = (0..self.frames()).flat_map(|frame| {
            let stored = self.frame(frame);
            (0..stored.len()).map(move |at| table[usize::from(stored.at(at))])
        });
        let bytes: Vec<u8> = if self.bits == 8 {
            codes.map(|code| code as u8).collect()
        } else {
            codes.flat_map(u16::to_le_bytes).collect()
        };
        let size = self.voxels * self.bits as usize / 8;
        let planes = (0..self.frames()).map(|frame| vec![frame * size]).collect();
        Self { bytes: Arc::new(bytes), bits: self.bits, voxels: self.voxels, planes }
    }

    /// Bits of a sample: 8 or 16
    pub fn bits(&self) -> u32 {
        self.bits
    }

    /// Number of frames
    pub fn frames(&self) -> usize {
        self.planes.len()
    }

    /// Voxels in a frame
    pub fn voxels(&self) -> usize {
        self.voxels
    }

    /// The bytes of all frames, where they follow each other
    pub fn together(&self) -> Option<&[u8]> {
        let planes = self.planes.first()?.len();
        let length = self.voxels / planes * (self.bits as usize / 8);
        let first = *self.planes.first()?.first()?;
        let even = self.planes.iter().all(|frame| frame.len() == planes);
        let together =
            self.planes.iter().flatten().enumerate().all(|(at, start)| *start == first + at * length);
        let all = length * planes * self.planes.len();
        (even && together).then(|| (*self.bytes).as_ref().get(first..first + all)).flatten()
    }

    /// The codes of one frame: lent where they lie together (and are aligned), gathered otherwise
    ///
    /// # Panics
    /// Where `frame` is not below [`Samples::frames`].
    pub fn frame(&self, frame: usize) -> Codes<'_> {
        let all = (*self.bytes).as_ref();
        let planes = &self.planes[frame];
        let length = self.voxels / planes.len() * (self.bits as usize / 8);
        let together = planes.windows(2).all(|pair| pair[0] + length == pair[1]);
        let bytes: Cow<'_, [u8]> = if together {
            Cow::Borrowed(&all[planes[0]..planes[0] + length * planes.len()])
        } else {
            Cow::Owned(planes.iter().flat_map(|&at| &all[at..at + length]).copied().collect())
        };
        if self.bits == 8 {
            return Codes::U8(bytes);
        }
        if cfg!(target_endian = "little")
            && let Cow::Borrowed(lent) = bytes
            && let Ok(codes) = bytemuck::try_cast_slice(lent)
        {
            return Codes::U16(Cow::Borrowed(codes));
        }
        let codes = bytes.chunks_exact(2).map(|pair| u16::from_le_bytes([pair[0], pair[1]])).collect();
        Codes::U16(Cow::Owned(codes))
    }
}

impl fmt::Debug for Samples {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Samples({} frames of {} voxels, {} bits)", self.frames(), self.voxels, self.bits)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn planes_apart_are_gathered_in_order() {
        let bytes: SharedBytes = Arc::new(vec![5u8, 6, 1, 2, 7, 8, 3, 4]);
        let samples = Samples::from_shared(bytes, 8, 4, vec![vec![2, 6], vec![0, 4]]).unwrap();
        let Codes::U8(first) = samples.frame(0) else { panic!() };
        assert_eq!(&*first, &[1, 2, 3, 4]);
        let Codes::U8(second) = samples.frame(1) else { panic!() };
        assert_eq!(&*second, &[5, 6, 7, 8]);
        assert_eq!(samples.together(), None);
        let samples = Samples::from_u8((0..8).collect(), 2, 4).unwrap();
        assert_eq!(samples.together(), Some(&[0, 1, 2, 3, 4, 5, 6, 7][..]));
    }

    #[test]
    fn sixteen_bits_read_back_at_any_alignment() {
        let mut bytes = vec![9u8];
        bytes.extend([1u16, 500, 65535].iter().flat_map(|c| c.to_le_bytes()));
        let samples = Samples::from_shared(Arc::new(bytes), 16, 3, vec![vec![1]]).unwrap();
        assert_eq!((0..3).map(|i| samples.frame(0).at(i)).collect::<Vec<_>>(), [1, 500, 65535]);
    }

    #[test]
    fn a_plane_past_the_end_is_refused() {
        let made = Samples::from_shared(Arc::new(vec![0u8; 10]), 8, 8, vec![vec![4]]);
        assert!(matches!(made, Err(SamplesError::PastTheEnd { .. })));
    }
}
