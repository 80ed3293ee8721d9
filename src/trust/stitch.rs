//! Steps at the borders of gated sub-volumes.
//!
//! A gated volume is put together from sub-volumes of different beats. Where the heart was not in
//! the same place, the picture steps across a plane. The step is looked for in the data: the tissue
//! channel's mean absolute difference between neighbouring planes along each grid axis is compared
//! with that of the planes around it; a plane that stands out is a step. No beat count is needed.

use crate::volume::{ChannelKind, Codes, Volume4};

/// The most suspicious border of a volume
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stitch {
    /// Grid axis across which it steps: 0, 1, 2 for x, y, z
    pub axis: usize,
    /// The step lies between this plane and the next
    pub plane: usize,
    /// Difference across it over the typical difference nearby; 1 is no step
    pub score: f64,
}

/// Planes on each side that tell what is typical
const AROUND: usize = 6;

/// The largest step of the tissue channel over all frames; `None` without tissue or on small grids
pub fn stitch(volume: &Volume4) -> Option<Stitch> {
    let tissue = volume.channel(ChannelKind::Tissue)?;
    let shape = volume.grid.shape();
    let mut differences = shape.map(|side| vec![0.0; side.saturating_sub(1)]);
    // Every other frame is enough: a border stays where it is.
    for frame in (0..volume.frames()).step_by(2) {
        add_differences(&tissue.samples().frame(frame), shape, &mut differences);
    }
    let mut worst: Option<Stitch> = None;
    for (axis, line) in differences.iter().enumerate() {
        for plane in 0..line.len() {
            let from = plane.saturating_sub(AROUND);
            let to = (plane + AROUND + 1).min(line.len());
            if to - from < AROUND + 2 {
                continue;
            }
            let mut around: Vec<f64> = (from..to).filter(|p| *p != plane).map(|p| line[p]).collect();
            around.sort_by(f64::total_cmp);
            let typical = around[around.len() / 2];
            if typical <= 0.0 {
                continue;
            }
            let score = line[plane] / typical;
            if worst.is_none_or(|known| score > known.score) {
                worst = Some(Stitch { axis, plane, score });
            }
        }
    }
    worst
}

/// Adds the mean absolute differences between neighbouring planes along each axis
fn add_differences(codes: &Codes<'_>, shape: [usize; 3], sums: &mut [Vec<f64>; 3]) {
    let [nx, ny, nz] = shape;
    let strides = [1, nx, nx * ny];
    let total = (nx * ny * nz) as f64;
    for (axis, sum) in sums.iter_mut().enumerate() {
        let stride = strides[axis];
        let share = shape[axis] as f64 / total;
        let mut totals = vec![0u64; sum.len()];
        for z in 0..if axis == 2 { nz - 1 } else { nz } {
            for y in 0..if axis == 1 { ny - 1 } else { ny } {
                for x in 0..if axis == 0 { nx - 1 } else { nx } {
                    let i = x + nx * (y + ny * z);
                    let step = u64::from(codes.at(i).abs_diff(codes.at(i + stride)));
                    totals[[x, y, z][axis]] += step;
                }
            }
        }
        for (s, t) in sum.iter_mut().zip(totals) {
            *s += t as f64 * share;
        }
    }
}
