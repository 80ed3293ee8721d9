//! The pixels of a cut as rows of voxel positions.
//!
//! Along a row the voxel position grows by equal steps, so the part of the row that lies in the
//! volume is one interval, found once. Within it no pixel needs asking whether it is inside. Each
//! row is worked off in blocks: first the corner indices and fractions of the whole block, then
//! whatever is read there. Both loops are plain arithmetic on arrays, which the compiler turns into
//! vector instructions.

use std::ops::Range;

use crate::space::{Cut, Grid};

use super::Raster;

/// Pixels in a block
pub(super) const BLOCK: usize = 64;

/// How far outside the outermost voxel centres is still rounding, in voxels
pub(super) const ROUNDING: f64 = 1e-9;

/// One and a half times 2^52: adding it rounds to a whole number and leaves that in the low bits of
/// the mantissa
const SHIFT: f64 = 6_755_399_441_055_744.0;

/// 0, 1, 2, ...: whole numbers of 64 bits have no vector conversion to reals
static RAMP: [f64; BLOCK] = {
    let mut ramp = [0.0; BLOCK];
    let mut i = 0;
    while i < BLOCK {
        ramp[i] = i as f64;
        i += 1;
    }
    ramp
};

/// A cut laid over a grid
pub(super) struct Rows {
    /// Voxel position of pixel (0, 0)
    start: [f64; 3],
    /// Voxels from one pixel to the next, along a row and from row to row
    across: [f64; 3],
    down: [f64; 3],
    /// Highest voxel index
    last: [f64; 3],
    /// Highest index of a lower corner
    top: [f64; 3],
    /// Codes from one voxel to the next in y and z
    stride: [f64; 2],
    width: usize,
}

/// One row's interval inside the volume
pub(super) struct Row<'a> {
    rows: &'a Rows,
    start: [f64; 3],
    /// The pixels inside
    pub(super) inside: Range<usize>,
}

/// Corner indices and fractions of up to [`BLOCK`] pixels
pub(super) struct Block {
    /// Linear index of the lower corner
    pub(super) index: [usize; BLOCK],
    /// Fractions along x, y, z
    pub(super) fraction: [[f64; BLOCK]; 3],
}

impl Block {
    pub(super) const fn new() -> Self {
        Self { index: [0; BLOCK], fraction: [[0.0; BLOCK]; 3] }
    }
}

impl Rows {
    pub(super) fn new(grid: &Grid, cut: &Cut, raster: &Raster) -> Self {
        let pixel = raster.pixel.get();
        let corner = raster.cut_from_pixel(0.0, 0.0);
        let start = grid.voxel_from_volume(cut.at(corner)).0;
        let across = grid.voxel_from_vector(cut.u().into_inner() * pixel);
        let down = grid.voxel_from_vector(cut.v().into_inner() * pixel);
        let shape = grid.shape();
        Self {
            start: [start.x, start.y, start.z],
            across: [across.x, across.y, across.z],
            down: [down.x, down.y, down.z],
            last: shape.map(|side| side as f64 - 1.0),
            top: shape.map(|side| (side as f64 - 2.0).max(0.0)),
            stride: [shape[0] as f64, (shape[0] * shape[1]) as f64],
            width: raster.width,
        }
    }

    /// The row `y` and its interval inside the volume
    pub(super) fn row(&self, y: usize) -> Row<'_> {
        let start: [f64; 3] = std::array::from_fn(|a| self.start[a] + y as f64 * self.down[a]);
        let mut row = Row { rows: self, start, inside: 0..0 };
        // The interval of real pixel numbers in which every axis is inside.
        let (mut low, mut high) = (0.0f64, self.width as f64 - 1.0);
        for axis in 0..3 {
            let (step, bound) = (self.across[axis], self.last[axis] + ROUNDING);
            let (a, b) = ((-ROUNDING - start[axis]) / step, (bound - start[axis]) / step);
            if step == 0.0 {
                if !(-ROUNDING..=bound).contains(&start[axis]) {
                    return row;
                }
            } else {
                low = low.max(a.min(b));
                high = high.min(a.max(b));
            }
        }
        // (Written so that NaN ends here.)
        if !(low <= high && high >= 0.0) {
            return row;
        }
        // The division may be off by a hair: the ends are decided by the positions themselves.
        let mut from = low.ceil() as usize;
        let mut to = (high.floor() as usize + 1).min(self.width);
        from = from.saturating_sub(1);
        to = (to + 1).min(self.width);
        to = to.max(from);
        while from < to && !row.is_inside(from) {
            from += 1;
        }
        while from < to && !row.is_inside(to - 1) {
            to -= 1;
        }
        row.inside = from..to;
        row
    }
}

impl Row<'_> {
    fn is_inside(&self, x: usize) -> bool {
        (0..3).all(|axis| {
            let at = (x as f64).mul_add(self.rows.across[axis], self.start[axis]);
            (-ROUNDING..=self.rows.last[axis] + ROUNDING).contains(&at)
        })
    }

    /// Writes NaN where a row of output lies outside the volume
    pub(super) fn blank_outside(&self, out: &mut [f64]) {
        let end = self.inside.end.min(out.len());
        let start = self.inside.start.min(end);
        out[..start].fill(f64::NAN);
        out[end..].fill(f64::NAN);
    }

    /// Corner indices and fractions of the pixels from `from` on
    ///
    /// All [`BLOCK`] places are filled, those beyond the interval with positions clamped into the
    /// volume: the loop has no remainder, and what is read there is not used.
    #[inline(always)]
    pub(super) fn locate(&self, from: usize, block: &mut Block) {
        let rows = self.rows;
        let first = from as f64;
        for i in 0..BLOCK {
            let x = first + RAMP[i];
            let mut low = [0.0; 3];
            for axis in 0..3 {
                let at = x.mul_add(rows.across[axis], self.start[axis]);
                let at = if at > 0.0 { at } else { 0.0 };
                let at = if at < rows.last[axis] { at } else { rows.last[axis] };
                // Rounding to the nearest of at - 1/2 is the lower corner; a whole number may go to
                // the cell below it with fraction one, which is the same place.
                let down = (at - 0.5 + SHIFT) - SHIFT;
                let down = if down < rows.top[axis] { down } else { rows.top[axis] };
                low[axis] = down;
                block.fraction[axis][i] = at - down;
            }
            let index = rows.stride[1].mul_add(low[2], rows.stride[0].mul_add(low[1], low[0]));
            block.index[i] = ((index + SHIFT).to_bits() & ((1 << 51) - 1)) as usize;
        }
    }
}
