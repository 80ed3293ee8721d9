//! The weights file: half-precision numbers in the order of the layers.
//!
//! ```text
//! 8 bytes            magic, "VCNET001"
//! 4 x f32            calibration: predicted spread to the 95 % half-width of the log area
//!                    (power calm, power busy, no power calm, no power busy)
//! f16 ...            layer by layer: weights [output][input][y][x], then biases
//! ```
//!
//! All little endian. The shapes are part of the program; a file of any other length is refused.

use std::sync::OnceLock;

use super::convolution::Convolution;
use super::patch::{KINDS, PowerUse, SLICES, Surround};

/// Identifies the file and its layout
const MAGIC: &[u8; 8] = b"VCNET001";
/// Planes beside the slices: beam u, v, w; Nyquist; power; pitch; u; v
pub(super) const PLANES: usize = 8;
/// Channels at full and at half resolution
pub(super) const FINE: usize = 48;
/// See [`FINE`]
pub(super) const COARSE: usize = 64;
/// Numbers beside the pooled features in the head
pub(super) const EXTRAS: usize = 8;
/// Hidden numbers of the head
pub(super) const HIDDEN: usize = 64;
/// What the head gives
pub(super) const OUTPUTS: usize = 8;

/// Shapes of the convolutions: inputs, outputs, taps, dilation, in the order of the file
const CONVOLUTIONS: [[usize; 4]; 10] = [
    [KINDS * SLICES + PLANES, FINE, 3, 1],
    [FINE, FINE, 3, 1],
    [FINE, COARSE, 3, 1],
    [COARSE, COARSE, 3, 1],
    [COARSE, COARSE, 3, 2],
    [COARSE, COARSE, 3, 4],
    [COARSE, COARSE, 3, 1],
    [COARSE, FINE, 1, 1],
    [FINE, FINE, 3, 1],
    [FINE, 1, 1, 1],
];
/// Shapes of the head's two layers: inputs, outputs
const LINEARS: [[usize; 2]; 2] = [[COARSE + FINE + EXTRAS, HIDDEN], [HIDDEN, OUTPUTS]];

/// Why weights cannot be used
#[derive(Debug, thiserror::Error, PartialEq)]
pub enum WeightsError {
    /// The file does not begin as it should
    #[error("these are no network weights: the first bytes are not {:?}", String::from_utf8_lossy(MAGIC))]
    Magic,
    /// The file is longer or shorter than the layers call for
    #[error("network weights of {found} bytes, expected {expected}")]
    Length {
        /// Bytes there are
        found: usize,
        /// Bytes the layers call for
        expected: usize,
    },
    /// A number is not finite
    #[error("network weight {0} is not a finite number")]
    NotFinite(usize),
}

/// A layer without a place: `[output][input]`, then bias
#[derive(Clone, Debug)]
pub(super) struct Linear {
    pub(super) weights: Vec<f32>,
    pub(super) bias: Vec<f32>,
}

/// All weights
#[derive(Clone, Debug)]
pub(super) struct Weights {
    pub(super) convolutions: Vec<Convolution>,
    pub(super) linears: Vec<Linear>,
    /// See the file's layout
    calibration: [f32; 4],
}

impl Weights {
    /// The weights that come with the program: two trainings, each with its card
    pub(super) fn shipped() -> &'static [Self; 2] {
        static SHIPPED: OnceLock<[Weights; 2]> = OnceLock::new();
        SHIPPED.get_or_init(|| {
            [&include_bytes!("plain.bin")[..], &include_bytes!("stretched.bin")[..]].map(|bytes| {
                Self::parse(bytes).expect("the weights in the program are whole: a test reads them")
            })
        })
    }

    /// Reads a weights file
    pub(super) fn parse(bytes: &[u8]) -> Result<Self, WeightsError> {
        let Some(rest) = bytes.strip_prefix(MAGIC) else { return Err(WeightsError::Magic) };
        let count = CONVOLUTIONS.iter().map(|[i, o, t, _]| (i * t * t + 1) * o).sum::<usize>()
            + LINEARS.iter().map(|[i, o]| (i + 1) * o).sum::<usize>();
        let expected = MAGIC.len() + 16 + 2 * count;
        if bytes.len() != expected {
            return Err(WeightsError::Length { found: bytes.len(), expected });
        }
        let (factors, halves) = rest.split_at(16);
        let mut calibration = [0.0; 4];
        for (factor, bytes) in calibration.iter_mut().zip(factors.as_chunks::<4>().0) {
            *factor = f32::from_le_bytes(*bytes);
        }
        let numbers: Vec<f32> =
            halves.as_chunks::<2>().0.iter().map(|bytes| from_half(u16::from_le_bytes(*bytes))).collect();
        if let Some(bad) = calibration.iter().chain(&numbers).position(|number| !number.is_finite()) {
            return Err(WeightsError::NotFinite(bad));
        }
        let mut at = 0;
        let mut take = |count: usize| {
            at += count;
            numbers[at - count..at].to_vec()
        };
        let convolutions = CONVOLUTIONS
            .iter()
            .map(|shape| {
                let [inputs, outputs, taps, _] = *shape;
                let plain = take(inputs * outputs * taps * taps);
                Convolution::new(*shape, &plain, take(outputs))
            })
            .collect();
        let linears = LINEARS
            .iter()
            .map(|[inputs, outputs]| Linear { weights: take(inputs * outputs), bias: take(*outputs) })
            .collect();
        Ok(Self { convolutions, linears, calibration })
    }

    /// The factor from the predicted spread to the half-width of the 95 % interval of the log area,
    /// from geometries left out of training
    pub(super) fn calibration(&self, power: PowerUse, surround: Surround) -> f64 {
        let row = match power {
            PowerUse::Present => 0,
            PowerUse::Absent => 2,
        };
        let column = match surround {
            Surround::Calm => 0,
            Surround::Busy => 1,
        };
        f64::from(self.calibration[row + column])
    }
}

/// A half-precision number (IEEE 754 binary16), exactly
fn from_half(bits: u16) -> f32 {
    let sign = if bits & 0x8000 == 0 { 1.0 } else { -1.0 };
    let exponent = (bits >> 10) & 0x1f;
    let fraction = f32::from(bits & 0x3ff);
    let two_to = |power: i32| f32::from_bits(((power + 127) as u32) << 23);
    match exponent {
        0 => sign * fraction * two_to(-24),
        31 if fraction == 0.0 => sign * f32::INFINITY,
        31 => f32::NAN,
        exponent => sign * (1024.0 + fraction) * two_to(i32::from(exponent) - 25),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_precision_numbers_are_read_exactly() {
        // IEEE 754-2019 binary16: one, minus two, largest, smallest normal, smallest subnormal, a third.
        let cases = [
            (0x3c00, 1.0),
            (0xc000, -2.0),
            (0x7bff, 65504.0),
            (0x0400, 2f32.powi(-14)),
            (0x0001, 2f32.powi(-24)),
            (0x3555, 0.333_251_95),
        ];
        for (bits, value) in cases {
            assert_eq!(from_half(bits), value, "{bits:#06x}");
        }
        assert!(from_half(0x7c00).is_infinite() && from_half(0x7e00).is_nan());
    }

    #[test]
    fn the_weights_in_the_program_are_whole() {
        let bytes = include_bytes!("plain.bin");
        assert!(bytes.len() <= 1 << 20, "{} bytes", bytes.len());
        Weights::parse(bytes).unwrap();
    }

    #[test]
    fn damaged_weights_are_refused() {
        let bytes = include_bytes!("plain.bin");
        assert_eq!(Weights::parse(b"VCNET000").unwrap_err(), WeightsError::Magic);
        let cut = Weights::parse(&bytes[..bytes.len() - 2]).unwrap_err();
        assert_eq!(cut, WeightsError::Length { found: bytes.len() - 2, expected: bytes.len() });
        let mut infinite = bytes.to_vec();
        infinite[24..26].copy_from_slice(&0x7c00u16.to_le_bytes());
        assert_eq!(Weights::parse(&infinite).unwrap_err(), WeightsError::NotFinite(4));
    }
}
