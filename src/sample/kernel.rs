//! What is read at the located pixels: codes, or phasors of codes.
//!
//! The two neighbours in x lie next to each other, so they come with one load of twice the width;
//! four such pairs make a sample. The four starts lie at fixed distances from the lower corner,
//! so four windows of one length, shifted by those distances, need one bounds check a pixel.

use super::angle::angle;
use super::rows::{BLOCK, Block};

/// A coloured share at or below this is none
pub(super) const NOTHING: f64 = 1e-12;

/// Four windows on one frame, shifted to the neighbours in y and z
pub(super) struct Windows<'a, T> {
    lower: &'a [T],
    y: &'a [T],
    z: &'a [T],
    yz: &'a [T],
    pair: usize,
}

impl<'a, T: Copy> Windows<'a, T> {
    /// Windows on the codes of a frame of `shape` voxels; an axis with a single voxel is its own
    /// neighbour
    pub(super) fn new(codes: &'a [T], shape: [usize; 3]) -> Self {
        let step_y = if shape[1] > 1 { shape[0] } else { 0 };
        let step_z = if shape[2] > 1 { shape[0] * shape[1] } else { 0 };
        let length = codes.len().saturating_sub(step_y + step_z);
        let window = |by: usize| codes.get(by..by + length).unwrap_or(&[]);
        Self {
            lower: window(0),
            y: window(step_y),
            z: window(step_z),
            yz: window(step_y + step_z),
            pair: usize::from(shape[0] > 1),
        }
    }
}

/// A stored code, 8 or 16 bits
pub(super) trait Code: Copy {
    /// Two codes in one number
    fn pack(left: Self, right: Self) -> u32;
    /// The two codes of one number
    fn unpack(pair: u32) -> [i32; 2];
}

impl Code for u8 {
    #[inline(always)]
    fn pack(left: Self, right: Self) -> u32 {
        u32::from(u16::from_le_bytes([left, right]))
    }
    #[inline(always)]
    fn unpack(pair: u32) -> [i32; 2] {
        [(pair & 0xff) as i32, (pair >> 8) as i32]
    }
}

impl Code for u16 {
    #[inline(always)]
    fn pack(left: Self, right: Self) -> u32 {
        u32::from(left) | (u32::from(right) << 16)
    }
    #[inline(always)]
    fn unpack(pair: u32) -> [i32; 2] {
        [(pair & 0xffff) as i32, (pair >> 16) as i32]
    }
}

/// The value a fraction of the way from `a` to `b`, with one rounding at the end
#[inline(always)]
fn between(a: f64, b: f64, fraction: f64) -> f64 {
    fraction.mul_add(b - a, a)
}

/// Trilinear values of a block
#[inline(always)]
pub(super) fn scalars<T: Code>(windows: &Windows<'_, T>, block: &Block, out: &mut [f64; BLOCK]) {
    let length = windows.lower.len();
    let (lower, y, z, yz) =
        (windows.lower, &windows.y[..length], &windows.z[..length], &windows.yz[..length]);
    let mut pairs = [[0u32; BLOCK]; 4];
    if windows.pair == 1 {
        for i in 0..BLOCK {
            let a = block.index[i];
            let b = a + 1;
            assert!(b < length, "a located pixel has its neighbours in the frame");
            pairs[0][i] = T::pack(lower[a], lower[b]);
            pairs[1][i] = T::pack(y[a], y[b]);
            pairs[2][i] = T::pack(z[a], z[b]);
            pairs[3][i] = T::pack(yz[a], yz[b]);
        }
    } else {
        for i in 0..BLOCK {
            let a = block.index[i];
            for (pairs, window) in pairs.iter_mut().zip([lower, y, z, yz]) {
                pairs[i] = T::pack(window[a], window[a]);
            }
        }
    }
    let [fx, fy, fz] = &block.fraction;
    for i in 0..BLOCK {
        let along = |k: usize| {
            let [a, b] = T::unpack(pairs[k][i]).map(f64::from);
            between(a, b, fx[i])
        };
        let (p, q, r, s) = (along(0), along(1), along(2), along(3));
        let (near, far) = (between(p, q, fy[i]), between(r, s, fy[i]));
        out[i] = between(near, far, fz[i]);
    }
}

/// The phasor of a code, and whether it is coloured: `[cos, sin, 1, 0]`, or zeros
pub(super) type Phasor = [f64; 4];

/// Where the phasors of codes come from
pub(super) trait Phasors {
    fn of(&self, code: u16) -> Phasor;
}

/// The sums of the phasors of a block: real part, imaginary part, coloured share
pub(super) struct Sums {
    /// As they are summed, one four-lane vector a pixel
    packed: [Phasor; BLOCK],
    pub(super) re: [f64; BLOCK],
    pub(super) im: [f64; BLOCK],
    pub(super) coloured: [f64; BLOCK],
}

impl Sums {
    pub(super) const fn new() -> Self {
        Self { packed: [[0.0; 4]; BLOCK], re: [0.0; BLOCK], im: [0.0; BLOCK], coloured: [0.0; BLOCK] }
    }
}

/// Four lanes at once: all four are written, so that the compiler keeps them in one register
#[inline(always)]
fn lanes(f: impl Fn(usize) -> f64) -> Phasor {
    [f(0), f(1), f(2), f(3)]
}

/// Weighted sums of the phasors around each pixel of a block
#[inline(always)]
pub(super) fn phasors<T: Code, P: Phasors>(
    windows: &Windows<'_, T>,
    table: &P,
    block: &Block,
    sums: &mut Sums,
) {
    // The distance to the neighbour in x is a constant in each, so that a pair is one load.
    if windows.pair == 1 {
        add_up::<1, T, P>(windows, table, block, sums);
    } else {
        add_up::<0, T, P>(windows, table, block, sums);
    }
    for i in 0..BLOCK {
        [sums.re[i], sums.im[i], sums.coloured[i], _] = sums.packed[i];
    }
}

/// [`phasors`], with the neighbour in x so many codes away
#[inline(always)]
fn add_up<const PAIR: usize, T: Code, P: Phasors>(
    windows: &Windows<'_, T>,
    table: &P,
    block: &Block,
    sums: &mut Sums,
) {
    let length = windows.lower.len();
    let (lower, y, z, yz) =
        (windows.lower, &windows.y[..length], &windows.z[..length], &windows.yz[..length]);
    for i in 0..BLOCK {
        let a = block.index[i];
        let b = a + PAIR;
        assert!(b < length, "a located pixel has its neighbours in the frame");
        let [fx, fy, fz] = [block.fraction[0][i], block.fraction[1][i], block.fraction[2][i]];
        let along = |window: &[T]| {
            let [p, q] = T::unpack(T::pack(window[a], window[b])).map(|code| table.of(code as u16));
            lanes(|k| between(p[k], q[k], fx))
        };
        let (p, q, r, s) = (along(lower), along(y), along(z), along(yz));
        let near = lanes(|k| between(p[k], q[k], fy));
        let far = lanes(|k| between(r[k], s[k], fy));
        sums.packed[i] = lanes(|k| between(near[k], far[k], fz));
    }
}

/// From phase to displayed velocity
#[derive(Clone, Copy)]
pub(super) struct Display {
    /// m/s a radian
    pub(super) per_radian: f64,
    /// Whole cycles between the middle cycle and the displayed one, m/s
    pub(super) shift: f64,
    /// Lowest displayed velocity, m/s
    pub(super) low: f64,
    /// One cycle, m/s
    pub(super) cycle: f64,
}

/// Displayed velocities of a block, 0 where nothing is coloured
#[inline(always)]
pub(super) fn velocities(sums: &Sums, display: &Display, out: &mut [f64; BLOCK]) {
    let (low, high) = (display.low, display.low + display.cycle);
    for i in 0..BLOCK {
        let v = angle(sums.re[i], sums.im[i]).mul_add(display.per_radian, display.shift);
        let v = v + if v < low { display.cycle } else { 0.0 };
        let v = v - if v >= high { display.cycle } else { 0.0 };
        out[i] = if sums.coloured[i] > NOTHING { v } else { 0.0 };
    }
}

/// Length of the mean phasor of the coloured neighbours, 1 where nothing is coloured
#[inline(always)]
pub(super) fn coherences(sums: &Sums, out: &mut [f64; BLOCK]) {
    for i in 0..BLOCK {
        let (re, im, coloured) = (sums.re[i], sums.im[i], sums.coloured[i]);
        let some = coloured > NOTHING;
        let share = (re * re + im * im).sqrt() / if some { coloured } else { 1.0 };
        out[i] = if some && share < 1.0 { share } else { 1.0 };
    }
}
