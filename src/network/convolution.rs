//! A convolution over pictures in f32, in one fixed order.
//!
//! Each output pixel is the bias plus, channel by channel and tap by tap, product after product: never fused,
//! never summed in another order, so every kernel gives the same bits. A tile of eight output channels
//! by two runs of eight pixels stays in registers while the inputs stream past.

/// Output channels of a tile
pub(super) const TILE: usize = 8;
/// Pixels of a run, of which a tile has two; the side of every picture is a multiple of it
const RUN: usize = 8;

/// A stack of square pictures, `[channel][y][x]`
#[derive(Clone, Debug)]
pub(super) struct Stack {
    pub(super) side: usize,
    pub(super) channels: usize,
    pub(super) data: Vec<f32>,
}

/// Weights of one convolution, in tiles
#[derive(Clone, Debug)]
pub(super) struct Convolution {
    pub(super) inputs: usize,
    pub(super) outputs: usize,
    /// Taps along a side: 1 or 3
    pub(super) taps: usize,
    /// Pixels from tap to tap
    pub(super) dilation: usize,
    /// `[tile][input][tap][output in the tile]`
    pub(super) weights: Vec<[f32; TILE]>,
    /// One an output
    pub(super) bias: Vec<f32>,
}

/// What follows the sum
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Activation {
    /// Negative values become 0
    Rectified,
    /// Nothing
    Linear,
}

impl Stack {
    pub(super) fn zeros(channels: usize, side: usize) -> Self {
        Self { side, channels, data: vec![0.0; channels * side * side] }
    }

    /// With a hem of zeros
    fn padded(&self, hem: usize) -> Self {
        let side = self.side + 2 * hem;
        let mut out = Self::zeros(self.channels, side);
        for (row, line) in self.data.chunks_exact(self.side).enumerate() {
            let (channel, y) = (row / self.side, row % self.side);
            let at = (channel * side + y + hem) * side + hem;
            out.data[at..at + self.side].copy_from_slice(line);
        }
        out
    }

    /// The mean of each two by two pixels
    pub(super) fn halved(&self) -> Self {
        let side = self.side / 2;
        let mut out = Self::zeros(self.channels, side);
        for (row, line) in out.data.chunks_exact_mut(side).enumerate() {
            let (channel, y) = (row / side, row % side);
            let upper = (channel * self.side + 2 * y) * self.side;
            let (a, b) = self.data[upper..upper + 2 * self.side].split_at(self.side);
            for (x, value) in line.iter_mut().enumerate() {
                *value = ((a[2 * x] + a[2 * x + 1]) + (b[2 * x] + b[2 * x + 1])) * 0.25;
            }
        }
        out
    }

    /// Adds a stack of half the side, each pixel to two by two, and drops what is negative
    pub(super) fn join(&mut self, half: &Self) {
        for (row, line) in self.data.chunks_exact_mut(self.side).enumerate() {
            let (channel, y) = (row / self.side, row % self.side);
            let at = (channel * half.side + y / 2) * half.side;
            for (x, value) in line.iter_mut().enumerate() {
                *value = (*value + half.data[at + x / 2]).max(0.0);
            }
        }
    }

    /// Adds another stack
    pub(super) fn add(&mut self, other: &Self) {
        for (value, other) in self.data.iter_mut().zip(&other.data) {
            *value += other;
        }
    }
}

impl Convolution {
    /// Takes weights in the order `[output][input][y][x]`
    pub(super) fn new(shape: [usize; 4], plain: &[f32], bias: Vec<f32>) -> Self {
        let [inputs, outputs, taps, dilation] = shape;
        let per = inputs * taps * taps;
        let weight = |output: usize, k: usize| plain.get(output * per + k).copied().unwrap_or(0.0);
        let weights = (0..outputs.div_ceil(TILE) * per)
            .map(|i| {
                std::array::from_fn(|o| {
                    if i / per * TILE + o < outputs { weight(i / per * TILE + o, i % per) } else { 0.0 }
                })
            })
            .collect();
        Self { inputs, outputs, taps, dilation, weights, bias }
    }

    /// The convolved stack, of the same side; outside the pictures are zeros
    pub(super) fn over(&self, input: &Stack, activation: Activation) -> Stack {
        let reach = self.taps / 2;
        let padded = input.padded(reach * self.dilation);
        let mut out = Stack::zeros(self.outputs, input.side);
        Kernel::best().fill(self, &padded, &mut out);
        if activation == Activation::Rectified {
            for value in &mut out.data {
                *value = value.max(0.0);
            }
        }
        out
    }

    /// Fills `out` tile by tile; `run` gives the sums of one
    #[inline(always)]
    #[allow(clippy::inline_always)] // Compiled once for each kernel.
    fn fill(
        &self,
        padded: &Stack,
        out: &mut Stack,
        run: impl Fn(&Inputs, &[[f32; TILE]], [f32; TILE]) -> Sums,
    ) {
        let (side, stride) = (out.side, padded.side);
        let plane = stride * stride;
        let offsets: Vec<usize> = (0..self.taps * self.taps)
            .map(|tap| (tap / self.taps * stride + tap % self.taps) * self.dilation)
            .collect();
        let per = self.inputs * offsets.len();
        for (tile, weights) in self.weights.chunks_exact(per).enumerate() {
            let first = tile * TILE;
            let bias: [f32; TILE] = std::array::from_fn(|o| self.bias.get(first + o).copied().unwrap_or(0.0));
            for pair in (0..side * side / RUN).step_by(2) {
                let places = [pair, pair + 1].map(|run| (run * RUN / side, run * RUN % side));
                let starts = places.map(|(y, x)| y * stride + x);
                let sums =
                    run(&Inputs { data: &padded.data, plane, starts, offsets: &offsets }, weights, bias);
                for (o, sums) in sums.iter().enumerate().take(self.outputs - first) {
                    for ((y, x), sums) in places.iter().zip(sums) {
                        let at = ((first + o) * side + y) * side + x;
                        out.data[at..at + RUN].copy_from_slice(sums);
                    }
                }
            }
        }
    }
}

/// The sums of one tile, `[output][run][pixel]`
type Sums = [[[f32; RUN]; 2]; TILE];

/// What one tile is summed over
struct Inputs<'a> {
    data: &'a [f32],
    /// Pixels from channel to channel
    plane: usize,
    /// First pixel of each run, in its channel
    starts: [usize; 2],
    /// Of each tap from the first pixel
    offsets: &'a [usize],
}

impl Inputs<'_> {
    /// A run of pixels under a tap of a channel
    #[inline(always)]
    #[allow(clippy::inline_always)] // Part of a kernel.
    fn line(&self, run: usize, channel: usize, offset: usize) -> [f32; RUN] {
        let at = channel * self.plane + self.starts[run] + offset;
        let mut line = [0.0; RUN];
        line.copy_from_slice(&self.data[at..at + RUN]);
        line
    }
}

/// The definition, for any machine
#[allow(clippy::needless_range_loop)] // Plain loops become vectors.
fn plain(inputs: &Inputs, weights: &[[f32; TILE]], bias: [f32; TILE]) -> Sums {
    let mut sums = bias.map(|bias| [[bias; RUN]; 2]);
    for run in 0..2 {
        for (channel, weights) in weights.chunks_exact(inputs.offsets.len()).enumerate() {
            for (offset, weight) in inputs.offsets.iter().zip(weights) {
                let line = inputs.line(run, channel, *offset);
                for o in 0..TILE {
                    for i in 0..RUN {
                        sums[o][run][i] += line[i] * weight[o];
                    }
                }
            }
        }
    }
    sums
}

/// [`plain`] with a vector an output and run, one run after the other. Written out: what the compiler makes of the
/// loops depends on whether it optimises across units, by a factor of five.
#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
#[inline]
#[allow(clippy::needless_range_loop)] // As above.
fn vectors_of_8(inputs: &Inputs, weights: &[[f32; TILE]], bias: [f32; TILE]) -> Sums {
    use std::arch::x86_64::{_mm256_add_ps, _mm256_mul_ps, _mm256_set1_ps};
    let mut both = [[[0.0; RUN]; 2]; TILE];
    for run in 0..2 {
        let mut sums = [_mm256_set1_ps(0.0); TILE];
        for o in 0..TILE {
            sums[o] = _mm256_set1_ps(bias[o]);
        }
        for (channel, weights) in weights.chunks_exact(inputs.offsets.len()).enumerate() {
            for (offset, weight) in inputs.offsets.iter().zip(weights) {
                let line = bytemuck::cast(inputs.line(run, channel, *offset));
                for o in 0..TILE {
                    sums[o] = _mm256_add_ps(sums[o], _mm256_mul_ps(line, _mm256_set1_ps(weight[o])));
                }
            }
        }
        for o in 0..TILE {
            both[o][run] = bytemuck::cast(sums[o]);
        }
    }
    both
}

/// [`plain`] with a vector an output, both runs in it
#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx512f")]
#[inline]
#[allow(clippy::needless_range_loop)] // As above.
fn vectors_of_16(inputs: &Inputs, weights: &[[f32; TILE]], bias: [f32; TILE]) -> Sums {
    use std::arch::x86_64::{_mm512_add_ps, _mm512_mul_ps, _mm512_set1_ps};
    let mut sums = [_mm512_set1_ps(0.0); TILE];
    for o in 0..TILE {
        sums[o] = _mm512_set1_ps(bias[o]);
    }
    for (channel, weights) in weights.chunks_exact(inputs.offsets.len()).enumerate() {
        for (offset, weight) in inputs.offsets.iter().zip(weights) {
            let lines = [inputs.line(0, channel, *offset), inputs.line(1, channel, *offset)];
            let line = bytemuck::cast(lines);
            for o in 0..TILE {
                sums[o] = _mm512_add_ps(sums[o], _mm512_mul_ps(line, _mm512_set1_ps(weight[o])));
            }
        }
    }
    bytemuck::cast(sums)
}

/// What a machine can run
#[derive(Clone, Copy, Debug)]
enum Kernel {
    Plain,
    #[cfg(target_arch = "x86_64")]
    Of8,
    #[cfg(target_arch = "x86_64")]
    Of16,
}

impl Kernel {
    /// All that this machine can run, the fastest last
    fn all() -> impl Iterator<Item = Self> {
        let plain = std::iter::once(Self::Plain);
        #[cfg(target_arch = "x86_64")]
        let vectors = [
            std::arch::is_x86_feature_detected!("avx2").then_some(Self::Of8),
            std::arch::is_x86_feature_detected!("avx512f").then_some(Self::Of16),
        ];
        #[cfg(not(target_arch = "x86_64"))]
        let vectors: [Option<Self>; 0] = [];
        plain.chain(vectors.into_iter().flatten())
    }

    fn best() -> Self {
        Self::all().last().unwrap_or(Self::Plain)
    }

    /// [`Convolution::fill`] with this kernel
    fn fill(self, convolution: &Convolution, padded: &Stack, out: &mut Stack) {
        #[cfg(target_arch = "x86_64")]
        #[target_feature(enable = "avx2")]
        fn of_8(convolution: &Convolution, padded: &Stack, out: &mut Stack) {
            convolution.fill(padded, out, |inputs, weights, bias| vectors_of_8(inputs, weights, bias));
        }
        #[cfg(target_arch = "x86_64")]
        #[target_feature(enable = "avx512f")]
        fn of_16(convolution: &Convolution, padded: &Stack, out: &mut Stack) {
            convolution.fill(padded, out, |inputs, weights, bias| vectors_of_16(inputs, weights, bias));
        }
        match self {
            Self::Plain => convolution.fill(padded, out, plain),
            // SAFETY: both are safe code that must not run where its instructions are missing, and [`Kernel::all`]
            // has asked the machine.
            #[cfg(target_arch = "x86_64")]
            #[allow(unsafe_code)]
            Self::Of8 => unsafe { of_8(convolution, padded, out) },
            #[cfg(target_arch = "x86_64")]
            #[allow(unsafe_code)]
            Self::Of16 => unsafe { of_16(convolution, padded, out) },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stack(channels: usize, side: usize) -> Stack {
        let data = (0..channels * side * side).map(|i| (i * 37 % 101) as f32 / 50.0 - 1.0).collect();
        Stack { side, channels, data }
    }

    /// The definition, pixel by pixel, in the same order of sums
    fn plainly(plain: &[f32], shape: [usize; 4], bias: &[f32], input: &Stack) -> Vec<f32> {
        let [inputs, outputs, taps, dilation] = shape;
        let side = input.side as i64;
        let mut out = Vec::new();
        for o in 0..outputs {
            for pixel in 0..side * side {
                let mut sum = bias[o];
                for c in 0..inputs {
                    for tap in 0..taps * taps {
                        let by = |k: usize| (k as i64 - taps as i64 / 2) * dilation as i64;
                        let (y, x) = (pixel / side + by(tap / taps), pixel % side + by(tap % taps));
                        let inside = (0..side).contains(&x) && (0..side).contains(&y);
                        let value = if inside {
                            input.data[((c as i64 * side + y) * side + x) as usize]
                        } else {
                            0.0
                        };
                        sum += value * plain[(o * inputs + c) * taps * taps + tap];
                    }
                }
                out.push(sum);
            }
        }
        out
    }

    #[test]
    fn tiles_give_the_bits_of_the_definition() {
        // Outputs that fill no tile, every dilation in use, one tap and nine.
        for shape in [[3, 5, 3, 1], [2, 4, 3, 4], [5, 1, 1, 1], [4, 8, 3, 2]] {
            let [inputs, outputs, taps, _] = shape;
            let plain: Vec<f32> =
                (0..inputs * outputs * taps * taps).map(|i| (i * 53 % 97) as f32 / 97.0 - 0.4).collect();
            let bias: Vec<f32> = (0..outputs).map(|o| o as f32 / 7.0 - 0.3).collect();
            for side in [24, 48] {
                let input = stack(inputs, side);
                let convolution = Convolution::new(shape, &plain, bias.clone());
                let defined = plainly(&plain, shape, &bias, &input);
                assert_eq!(convolution.over(&input, Activation::Linear).data, defined, "{shape:?} {side}");
                let padded = input.padded(convolution.taps / 2 * convolution.dilation);
                for kernel in Kernel::all() {
                    let mut out = Stack::zeros(convolution.outputs, side);
                    kernel.fill(&convolution, &padded, &mut out);
                    assert_eq!(out.data, defined, "{kernel:?} {shape:?} {side}");
                }
            }
        }
    }

    #[test]
    fn halving_and_joining_are_means_and_copies() {
        let stack = Stack { side: 24, channels: 1, data: (0..576).map(|i| i as f32).collect() };
        let half = stack.halved();
        assert_eq!(half.data[0], (0.0 + 1.0 + 24.0 + 25.0) / 4.0);
        let mut whole = Stack::zeros(1, 24);
        whole.join(&half);
        assert_eq!([whole.data[0], whole.data[1], whole.data[24], whole.data[25]], [12.5; 4]);
    }
}
