//! Steps at the borders of gated sub-volumes.
//!
//! A gated volume is put together from sub-volumes of different beats. Where the heart was not in
//! the same place, the picture steps across a plane. The step is looked for in the data: the tissue
//! channel's mean absolute difference between neighbouring planes along each grid axis is compared
//! with that of the planes around it; a plane that stands out is a step. No beat count is needed.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::job::CancelToken;
use crate::volume::{ChannelKind, Codes, Volume4};

/// Score above which a border counts as a step (our own choice, on simulated volumes: still ones stay
/// below 1.8; a shift of a voxel along the slabs or across them gives 2.4 and more)
pub const STEP: f64 = 2.2;

/// How the picture changes from plane to plane along the grid axis that steps most
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Stitch {
    /// Grid axis across which it steps: 0, 1, 2 for x, y, z
    pub axis: usize,
    /// The largest step lies between this plane and the next
    pub plane: usize,
    /// Difference across it over the typical difference nearby; 1 is no step
    pub score: f64,
    /// Score above which a border counts as a step
    pub limit: f64,
    /// The score between every plane along that axis and the next; `null` where nothing can be said
    pub scores: Vec<Option<f64>>,
}

impl Stitch {
    /// The planes after which the picture steps
    pub fn steps(&self) -> Vec<usize> {
        let above = |score: &Option<f64>| score.is_some_and(|score| score > self.limit);
        (0..self.scores.len()).filter(|plane| above(&self.scores[*plane])).collect()
    }
}

/// Planes on each side that tell what is typical
const AROUND: usize = 6;

/// The largest step of the tissue channel over all frames; `None` without tissue or on small grids
///
/// It ends early where it is cancelled, with what it has read so far: whoever cancelled asks for nothing.
pub fn stitch(volume: &Volume4, cancel: &CancelToken) -> Option<Stitch> {
    let tissue = volume.channel(ChannelKind::Tissue)?;
    let shape = volume.grid.shape();
    let mut differences = shape.map(|side| vec![0.0; side.saturating_sub(1)]);
    // Every other frame is enough: a border stays where it is.
    for frame in (0..volume.frames()).step_by(2).take_while(|_| !cancel.is_cancelled()) {
        add_differences(&tissue.samples().frame(frame), shape, &mut differences);
    }
    let mut worst: Option<Stitch> = None;
    let depth = depth_axis(volume);
    for (axis, line) in differences.iter().enumerate().filter(|(axis, _)| Some(*axis) != depth) {
        let scores: Vec<Option<f64>> = (0..line.len()).map(|plane| score(line, plane)).collect();
        for (plane, found) in scores.iter().enumerate() {
            let Some(found) = *found else { continue };
            if worst.as_ref().is_none_or(|known| found > known.score) {
                worst = Some(Stitch { axis, plane, score: found, limit: STEP, scores: scores.clone() });
            }
        }
    }
    worst
}

/// The grid axis along which the beams run; `None` where the probe is unknown or none is near them
///
/// A beat gives whole beams, so no border between beats lies across them; a leaflet that faces the probe
/// does, and would look like one.
fn depth_axis(volume: &Volume4) -> Option<usize> {
    let beam = volume.beam_at(volume.grid.middle())?;
    (0..3).find(|axis| volume.grid.axes()[*axis].dot(&beam).abs() > 0.8)
}

/// The difference after one plane over the median of those around it, or over the mean of the two beside
/// it where that is more: a step stands alone, a soft edge of tissue does not. `None` near the ends and
/// where nothing changes
fn score(line: &[f64], plane: usize) -> Option<f64> {
    let from = plane.saturating_sub(AROUND);
    let to = (plane + AROUND + 1).min(line.len());
    if to - from < AROUND + 2 {
        return None;
    }
    let mut around: Vec<f64> = (from..to).filter(|p| *p != plane).map(|p| line[p]).collect();
    around.sort_by(f64::total_cmp);
    let beside = [plane.checked_sub(1), Some(plane + 1)];
    let beside: Vec<f64> = beside.into_iter().flatten().filter_map(|p| line.get(p).copied()).collect();
    let typical = around[around.len() / 2].max(beside.iter().sum::<f64>() / beside.len().max(1) as f64);
    (typical > 0.0).then(|| line[plane] / typical)
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
