//! What is read at the located pixels: codes, or phasors of codes.
//!
//! The two neighbours in x lie next to each other, so they come with one load of twice the width;
//! four such pairs make a sample. The four starts lie at fixed distances from the lower corner,
//! so four windows of one length, shifted by those distances, need one bounds check a pixel.

use super::angle::angle;
use super::rows::{BLOCK, Block};

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

/// Trilinear values of a block
#[inline(always)]
pub(super) fn scalars<T: Copy + Into<u32>>(windows: &Windows<'_, T>, block: &Block, out: &mut [f64; BLOCK]) {
    let length = windows.lower.len();
    let (lower, y, z, yz) =
        (windows.lower, &windows.y[..length], &windows.z[..length], &windows.yz[..length]);
    let mut left = [[0u32; BLOCK]; 4];
    let mut right = [[0u32; BLOCK]; 4];
    if windows.pair == 1 {
        for i in 0..BLOCK {
            let a = block.index[i];
            let b = a + 1;
            assert!(b < length, "a located pixel has its neighbours in the frame");
            (left[0][i], right[0][i]) = (lower[a].into(), lower[b].into());
            (left[1][i], right[1][i]) = (y[a].into(), y[b].into());
            (left[2][i], right[2][i]) = (z[a].into(), z[b].into());
            (left[3][i], right[3][i]) = (yz[a].into(), yz[b].into());
        }
    } else {
        for i in 0..BLOCK {
            let a = block.index[i];
            (left[0][i], left[1][i]) = (lower[a].into(), y[a].into());
            (left[2][i], left[3][i]) = (z[a].into(), yz[a].into());
        }
        right = left;
    }
    let [fx, fy, fz] = &block.fraction;
    for i in 0..BLOCK {
        let along = |k: usize| {
            let a = f64::from(left[k][i] as i32);
            a + fx[i] * (f64::from(right[k][i] as i32) - a)
        };
        let (p, q, r, s) = (along(0), along(1), along(2), along(3));
        let (near, far) = (p + fy[i] * (q - p), r + fy[i] * (s - r));
        out[i] = near + fz[i] * (far - near);
    }
}

/// The phasor of a code, and whether it is coloured: `[cos, sin, 1, 0]`, or zeros
pub(super) type Phasor = [f64; 4];

/// Where the phasors of codes come from
pub(super) trait Phasors<T> {
    fn of(&self, code: T) -> Phasor;
}

/// The sums of the phasors of a block: real part, imaginary part, coloured share
pub(super) struct Sums {
    pub(super) re: [f64; BLOCK],
    pub(super) im: [f64; BLOCK],
    pub(super) coloured: [f64; BLOCK],
}

impl Sums {
    pub(super) const fn new() -> Self {
        Self { re: [0.0; BLOCK], im: [0.0; BLOCK], coloured: [0.0; BLOCK] }
    }
}

/// Weighted sums of the phasors around each pixel of a block
#[inline(always)]
pub(super) fn phasors<T: Copy, P: Phasors<T>>(
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
        let b = a + windows.pair;
        assert!(b < length, "a located pixel has its neighbours in the frame");
        let [fx, fy, fz] = [block.fraction[0][i], block.fraction[1][i], block.fraction[2][i]];
        let (gy, gz) = (1.0 - fy, 1.0 - fz);
        let weights = [gy * gz, fy * gz, gy * fz, fy * fz];
        let mut left = [0.0; 4];
        let mut right = [0.0; 4];
        for (window, weight) in [lower, y, z, yz].into_iter().zip(weights) {
            let (p, q) = (table.of(window[a]), table.of(window[b]));
            for k in 0..4 {
                left[k] += weight * p[k];
                right[k] += weight * q[k];
            }
        }
        let mut sum = [0.0; 4];
        for k in 0..4 {
            sum[k] = left[k] + fx * (right[k] - left[k]);
        }
        (sums.re[i], sums.im[i], sums.coloured[i]) = (sum[0], sum[1], sum[2]);
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
        let v = angle(sums.re[i], sums.im[i]) * display.per_radian + display.shift;
        let v = v + if v < low { display.cycle } else { 0.0 };
        let v = v - if v >= high { display.cycle } else { 0.0 };
        out[i] = if sums.coloured[i] > super::probe::NOTHING { v } else { 0.0 };
    }
}

/// Length of the mean phasor of the coloured neighbours, 1 where nothing is coloured
#[inline(always)]
pub(super) fn coherences(sums: &Sums, out: &mut [f64; BLOCK]) {
    for i in 0..BLOCK {
        let (re, im, coloured) = (sums.re[i], sums.im[i], sums.coloured[i]);
        let some = coloured > super::probe::NOTHING;
        let share = (re * re + im * im).sqrt() / if some { coloured } else { 1.0 };
        out[i] = if some && share < 1.0 { share } else { 1.0 };
    }
}
