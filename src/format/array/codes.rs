//! From samples as a file has them to the codes of a channel.
//!
//! Unsigned little-endian samples whose frames lie together stay where they are, perhaps in a mapped
//! file. All others are gathered into a copy: signed ones are moved up by half their range (or not
//! at all where none is negative), reals become 16-bit codes on a stated line.

use std::sync::Arc;

use super::layout::{ByteOrder, Element, Header, Layout};
use crate::volume::{Samples, SamplesError, SharedBytes};

/// One component of the samples of a file
#[derive(Clone, Copy)]
pub(super) struct Component<'a> {
    pub(super) bytes: &'a SharedBytes,
    /// First byte of the samples
    pub(super) start: usize,
    pub(super) element: Element,
    pub(super) order: ByteOrder,
    pub(super) layout: Layout,
    /// Which component
    pub(super) index: usize,
    /// How slices are numbered
    pub(super) slices: Slices,
}

/// How slices are numbered
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Slices {
    /// From the first
    Rising,
    /// From the last, so that the grid is right-handed
    Falling,
}

/// How real numbers become codes: `code = round((value - origin) / step + shift)`, into 0 to 65535
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Line {
    pub(super) step: f64,
    pub(super) origin: f64,
    pub(super) shift: f64,
    /// Whether codes wrap at the ends of their range
    pub(super) ends: Ends,
    /// The code of what is not a number
    pub(super) nothing: u16,
}

/// What happens at the ends of the range of codes
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ends {
    /// Codes stop there
    Clamp,
    /// Codes go on at the other end; the code of nothing is kept for values of `origin`
    Wrap,
}

/// What real numbers span
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Span {
    pub(super) low: f64,
    pub(super) high: f64,
    /// How many are no numbers
    pub(super) nothing: usize,
}

impl<'a> Component<'a> {
    /// A component of a file's samples
    pub(super) fn new(
        bytes: &'a SharedBytes,
        start: usize,
        header: &Header,
        layout: Layout,
        index: usize,
        slices: Slices,
    ) -> Self {
        Self { bytes, start, element: header.element, order: header.order, layout, index, slices }
    }

    /// Colours beside each other, x fastest, then y, z, frame
    pub(super) fn of_colours(bytes: &'a SharedBytes, shape: [usize; 3], frames: usize) -> Self {
        let [nx, ny, nz] = shape;
        let layout = Layout {
            shape,
            frames,
            components: 3,
            step: [3, 3 * nx, 3 * nx * ny],
            frame_step: 3 * nx * ny * nz,
            component_step: 1,
            colour: true,
        };
        let (element, order) = (Element::U8, ByteOrder::Little);
        Self { bytes, start: 0, element, order, layout, index: 0, slices: Slices::Rising }
    }

    /// First byte of a row
    fn row(&self, frame: usize, z: usize, y: usize) -> usize {
        let layout = &self.layout;
        let z = match self.slices {
            Slices::Rising => z,
            Slices::Falling => layout.shape[2] - 1 - z,
        };
        let sample = frame * layout.frame_step
            + self.index * layout.component_step
            + z * layout.step[2]
            + y * layout.step[1];
        self.start + sample * self.element.bytes()
    }

    /// Calls `each` with the bytes of every sample, x fastest, then y, z, frame
    fn for_each(&self, mut each: impl FnMut(&[u8])) {
        let [nx, ny, nz] = self.layout.shape;
        let size = self.element.bytes();
        let step = self.layout.step[0] * size;
        let all = (**self.bytes).as_ref();
        for frame in 0..self.layout.frames {
            for z in 0..nz {
                for y in 0..ny {
                    let row = self.row(frame, z, y);
                    for x in 0..nx {
                        let at = row + x * step;
                        each(&all[at..at + size]);
                    }
                }
            }
        }
    }

    /// Whether a sample is negative; nothing else than signed integers is looked at
    pub(super) fn any_negative(&self) -> bool {
        if self.element.code_of_zero() == 0 {
            return false;
        }
        let top = if self.order == ByteOrder::Little { self.element.bytes() - 1 } else { 0 };
        let mut negative = false;
        self.for_each(|sample| negative |= sample[top] & 0x80 != 0);
        negative
    }

    /// Codes of integers, each `offset` above its stored value
    ///
    /// # Errors
    /// See [`SamplesError`].
    pub(super) fn whole(&self, offset: u32) -> Result<Samples, SamplesError> {
        let layout = &self.layout;
        let [nx, ny, nz] = layout.shape;
        let size = self.element.bytes();
        let bits = self.element.code_bits();
        let slice_together = layout.step[0] == 1 && (layout.step[1] == nx || ny == 1);
        let lent = slice_together
            && offset == 0
            && (size == 1 || (self.order == ByteOrder::Little && self.start.is_multiple_of(2)));
        if lent {
            let planes = |frame| (0..nz).map(|z| self.row(frame, z, 0)).collect();
            // One window a frame where its slices follow each other.
            let together = self.slices == Slices::Rising && (layout.step[2] == nx * ny || nz == 1);
            let windows = |frame| if together { vec![self.row(frame, 0, 0)] } else { planes(frame) };
            let windows = (0..layout.frames).map(windows).collect();
            return Samples::from_shared(self.bytes.clone(), bits, layout.voxels(), windows);
        }
        let mut codes = Vec::with_capacity(layout.voxels() * layout.frames * size);
        let flip = if offset == 0 { 0 } else { 0x80 };
        // Half the range more is the highest bit turned over.
        self.for_each(|sample| match (sample, self.order) {
            ([one], _) => codes.push(one ^ flip),
            ([low, high], ByteOrder::Little) | ([high, low], ByteOrder::Big) => {
                codes.extend([*low, high ^ flip]);
            }
            _ => {}
        });
        self.owned(codes, bits)
    }

    /// The span of real numbers; infinite ones count as no numbers
    pub(super) fn span(&self) -> Span {
        let mut span = Span { low: f64::INFINITY, high: f64::NEG_INFINITY, nothing: 0 };
        self.for_each(|sample| match self.real(sample) {
            value if value.is_finite() => {
                span.low = span.low.min(value);
                span.high = span.high.max(value);
            }
            _ => span.nothing += 1,
        });
        span
    }

    /// 16-bit codes of real numbers
    ///
    /// # Errors
    /// See [`SamplesError`].
    pub(super) fn reals(&self, line: Line) -> Result<Samples, SamplesError> {
        let mut codes = Vec::with_capacity(self.layout.voxels() * self.layout.frames * 2);
        self.for_each(|sample| {
            let value = self.real(sample);
            let code = ((value - line.origin) / line.step + line.shift).round();
            let code = match (value.is_finite(), line.ends) {
                (false, _) => line.nothing,
                (true, Ends::Clamp) => code.clamp(0.0, 65535.0) as u16,
                // Slow flow never takes the code of no colour.
                (true, Ends::Wrap) => match code.rem_euclid(65536.0) as u16 {
                    code if code == line.nothing && value != line.origin => code.wrapping_add(1),
                    code => code,
                },
            };
            codes.extend(code.to_le_bytes());
        });
        self.owned(codes, 16)
    }

    fn owned(&self, codes: Vec<u8>, bits: u32) -> Result<Samples, SamplesError> {
        let voxels = self.layout.voxels();
        let length = voxels * (bits as usize / 8);
        let planes = (0..self.layout.frames).map(|frame| vec![frame * length]).collect();
        Samples::from_shared(Arc::new(codes), bits, voxels, planes)
    }

    fn real(&self, sample: &[u8]) -> f64 {
        let little = self.order == ByteOrder::Little;
        if let Some(bytes) = sample.first_chunk::<8>() {
            if little { f64::from_le_bytes(*bytes) } else { f64::from_be_bytes(*bytes) }
        } else if let Some(bytes) = sample.first_chunk::<4>() {
            f64::from(if little { f32::from_le_bytes(*bytes) } else { f32::from_be_bytes(*bytes) })
        } else {
            f64::NAN
        }
    }

    /// The colour of every voxel: red, green, blue
    pub(super) fn for_each_colour(&self, mut each: impl FnMut([u8; 3])) {
        let [nx, ny, nz] = self.layout.shape;
        let (step, apart) = (self.layout.step[0], self.layout.component_step);
        let all = (**self.bytes).as_ref();
        for frame in 0..self.layout.frames {
            for z in 0..nz {
                for y in 0..ny {
                    let row = self.row(frame, z, y);
                    for x in 0..nx {
                        let at = row + x * step;
                        each([all[at], all[at + apart], all[at + 2 * apart]]);
                    }
                }
            }
        }
    }
}
