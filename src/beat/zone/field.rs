//! The velocity along the beam upstream of a neck, its whole cycles restored.

use std::f32::consts::TAU;

use crate::jet::Signal;
use crate::numeric::Extent;
use crate::numeric::blur::{Edge, gaussian_3d};
use crate::numeric::unwrap::{Order, Unwrapped, residues, unwrap};
use crate::space::{Direction, Grid, VolumePoint, VoxelPoint};
use crate::volume::Volume4;

use super::ZoneError;
use super::blocks::Blocks;

/// How far from the neck the zone may reach, mm
pub(super) const REACH_MM: f64 = 26.0;
/// Speeds along the beam above so many times the Nyquist velocity are not trusted to be restored
const CYCLES: f64 = 3.0;
/// Standard deviation of the smoothing after the cycles were restored, mm
const SMOOTH_MM: f64 = 0.7;
/// Less calm blood than this is no zone, mm3
const SMALLEST_MM3: f64 = 300.0;

/// How far the restored cycles can be relied on
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dealiasing {
    /// Closed loops of four neighbours
    pub loops: usize,
    /// Share of loops that hold an inconsistency, 0 to 1
    pub broken: f64,
    /// Share of blocks to which another path gives the same cycles, 0 to 1
    pub agreed: f64,
    /// Share of blocks whose displayed velocity had wrapped, 0 to 1
    pub wrapped: f64,
}

/// A box of blocks upstream of a neck
#[derive(Clone, Debug)]
pub(super) struct Upstream {
    pub(super) grid: Grid,
    /// Velocity along the beam, positive toward the probe, m/s, cycles restored, smoothed
    velocity: Vec<f32>,
    /// Where it is known
    pub(super) known: Vec<bool>,
    pub(super) dealiasing: Dealiasing,
}

impl Upstream {
    /// The calm blood of the half ball upstream of a neck; others' necks are nearer to their own zones
    pub(super) fn new(
        volume: &Volume4,
        frame: usize,
        signal: &Signal,
        neck: VolumePoint,
        axis: Direction,
        others: &[VolumePoint],
    ) -> Result<Self, ZoneError> {
        let scale = volume.velocity_scale;
        let blocks = Blocks::new(volume, frame, signal.haste_field()).ok_or(ZoneError::NoVelocity)?;
        let all = blocks.grid([0; 3], blocks.shape()).ok_or(ZoneError::NoFlow)?;
        let upstream = |[x, y, z]: [usize; 3]| {
            let point = all.volume_from_voxel(VoxelPoint::new(x as f64, y as f64, z as f64));
            let offset = point.from(neck);
            let far = offset.norm();
            far <= REACH_MM
                && axis.dot(&offset) < -0.5
                && others.iter().all(|other| point.from(*other).norm() >= far)
        };
        let ball = half_ball(&all, neck, axis);
        let mut found = Vec::new();
        let mut part = Extent { low: ball.low, side: [0; 3] };
        for z in (0..ball.side[2]).map(|z| ball.low[2] + z) {
            for y in (0..ball.side[1]).map(|y| ball.low[1] + y) {
                for x in (0..ball.side[0]).map(|x| ball.low[0] + x) {
                    let Some(calm) = upstream([x, y, z]).then(|| blocks.calm([x, y, z])).flatten() else {
                        continue;
                    };
                    part = part.with(Extent { low: [x, y, z], side: [1; 3] });
                    found.push(([x, y, z], calm));
                }
            }
        }
        if part.is_empty() {
            return Err(ZoneError::NoFlow);
        }
        // Only the part of the half ball that holds calm blood is kept.
        let shape = part.side;
        let count = part.count();
        let grid = blocks.grid(part.low, shape).ok_or(ZoneError::NoFlow)?;
        let (mut phase, mut quality) = (vec![0.0f32; count], vec![0.0f32; count]);
        let mut calm = vec![false; count];
        for (block, here) in found {
            let i = part.place(block).expect("the part was grown to hold every block found");
            (phase[i], quality[i], calm[i]) = (here.phase, here.quality, true);
        }
        let mut this = Self {
            grid,
            velocity: Vec::new(),
            known: Vec::new(),
            dealiasing: Dealiasing { loops: 0, broken: 0.0, agreed: 0.0, wrapped: 0.0 },
        };
        let unwrapped = unwrap(&phase, &quality, &calm, shape, Order::Quality).ok_or(ZoneError::NoFlow)?;
        let kept = largest_part(&unwrapped);
        let total = kept.iter().filter(|k| **k).count();
        if (total as f64) * grid.voxel_mm3() < SMALLEST_MM3 {
            return Err(ZoneError::NoFlow);
        }
        let base = quiet_cycles(&phase, &unwrapped, &kept, |i| this.point(i).from(neck).norm());
        this.dealiasing = {
            let (loops, broken) = residues(&phase, &kept, shape);
            let other = unwrap(&phase, &quality, &calm, shape, Order::Step).ok_or(ZoneError::NoFlow)?;
            let wrapped = (0..count).filter(|i| kept[*i] && unwrapped.cycles[*i] != base).count();
            Dealiasing {
                loops,
                broken: broken as f64 / loops.max(1) as f64,
                agreed: agreement(&unwrapped, &other, &kept),
                wrapped: wrapped as f64 / total as f64,
            }
        };
        // What is no longer needed goes before the smoothing, which needs room of its own.
        drop((quality, calm));
        let cycles = unwrapped.cycles;
        drop(unwrapped.part);
        let nyquist = scale.nyquist().get();
        let speed = |i: usize| {
            let whole = f64::from(phase[i]) + f64::from(TAU) * f64::from(cycles[i] - base);
            whole / std::f64::consts::PI * nyquist
        };
        this.known = (0..count).map(|i| kept[i] && speed(i).abs() <= CYCLES * nyquist).collect();
        let plain = (0..count).map(|i| if this.known[i] { speed(i) as f32 } else { 0.0 }).collect();
        drop((phase, cycles, kept));
        let sigma = grid.spacing_mm().map(|side| SMOOTH_MM / side);
        let mut velocity = gaussian_3d(plain, shape, sigma, Edge::Zero).ok_or(ZoneError::NoFlow)?;
        let weight = this.known.iter().map(|known| f32::from(u8::from(*known))).collect();
        let weight = gaussian_3d(weight, shape, sigma, Edge::Zero).ok_or(ZoneError::NoFlow)?;
        for (sum, weight) in velocity.iter_mut().zip(&weight) {
            *sum = if *weight > 1e-6 { *sum / weight } else { 0.0 };
        }
        this.velocity = velocity;
        Ok(this)
    }

    /// Velocity along the beam at an index of the box, m/s
    pub(super) fn velocity(&self, i: usize) -> f64 {
        f64::from(self.velocity[i])
    }

    /// Blocks along each side of the box
    pub(super) fn shape(&self) -> [usize; 3] {
        self.grid.shape()
    }

    /// Where an index of the box lies
    pub(super) fn point(&self, i: usize) -> VolumePoint {
        let [nx, ny, _] = self.shape();
        let [x, y, z] = [i % nx, i / nx % ny, i / (nx * ny)].map(|n| n as f64);
        self.grid.volume_from_voxel(VoxelPoint::new(x, y, z))
    }

    /// Velocity along the beam at a point, m/s, between the blocks about it that are known; `None` where those
    /// weigh less than half
    pub(super) fn velocity_at(&self, point: VolumePoint) -> Option<f64> {
        let at = self.grid.voxel_from_volume(point).0;
        let shape = self.shape();
        let (mut sum, mut weight) = (0.0, 0.0);
        for corner in 0..8 {
            let (mut i, mut share, mut stride) = (0, 1.0, 1);
            for a in 0..3 {
                let low = at[a].floor();
                let upper = corner >> a & 1 == 1;
                let place = if upper { low + 1.0 } else { low };
                share *= if upper { at[a] - low } else { 1.0 - (at[a] - low) };
                if share == 0.0 || !(place >= 0.0 && place < shape[a] as f64) {
                    share = 0.0;
                    break;
                }
                i += stride * place as usize;
                stride *= shape[a];
            }
            if share > 0.0 && self.known[i] {
                sum += share * self.velocity(i);
                weight += share;
            }
        }
        (weight >= 0.5).then(|| sum / weight)
    }
}

/// The box about the half of the ball that lies upstream of a neck
fn half_ball(grid: &Grid, neck: VolumePoint, axis: Direction) -> Extent {
    let middle = grid.voxel_from_volume(neck).0;
    let mut ball = Extent { low: [0; 3], side: [0; 3] };
    for a in 0..3 {
        let lean = axis.dot(&grid.axes()[a]);
        let toward = |sense: f64| {
            let flat = if sense * lean > 0.0 { (1.0 - lean * lean).max(0.0).sqrt() } else { 1.0 };
            REACH_MM * flat / grid.spacing_mm()[a]
        };
        let last = grid.shape()[a] as f64 - 1.0;
        let from = (middle[a] - toward(-1.0)).floor().clamp(0.0, last);
        let to = (middle[a] + toward(1.0)).ceil().clamp(from, last);
        ball.low[a] = from as usize;
        ball.side[a] = (to - from) as usize + 1;
    }
    ball
}

/// The blocks of the largest joined part
fn largest_part(unwrapped: &Unwrapped) -> Vec<bool> {
    let mut sizes = vec![0u32; unwrapped.part.len()];
    for part in unwrapped.part.iter().filter(|p| **p != u32::MAX) {
        sizes[*part as usize] += 1;
    }
    let best = (0..sizes.len()).max_by_key(|i| (sizes[*i], usize::MAX - i)).filter(|i| sizes[*i] > 0);
    unwrapped.part.iter().map(|part| best.is_some_and(|b| *part as usize == b)).collect()
}

/// The cycles at which the outer third of a part is slowest: far from the neck nothing has wrapped
fn quiet_cycles(phase: &[f32], unwrapped: &Unwrapped, kept: &[bool], far: impl Fn(usize) -> f64) -> i32 {
    let inside = || (0..kept.len()).filter(|i| kept[*i]);
    let outer = crate::numeric::stats::quantile(&inside().map(&far).collect::<Vec<_>>(), 0.67);
    let turns: Vec<f64> = inside()
        .filter(|i| far(*i) >= outer)
        .map(|i| f64::from(phase[i] / TAU) + f64::from(unwrapped.cycles[i]))
        .collect();
    crate::numeric::stats::median(&turns).round() as i32
}

/// Share of kept blocks to which two answers give the same cycles, up to one constant
fn agreement(a: &Unwrapped, b: &Unwrapped, kept: &[bool]) -> f64 {
    let mut counts = std::collections::BTreeMap::new();
    for i in (0..kept.len()).filter(|i| kept[*i]) {
        *counts.entry((a.cycles[i] - b.cycles[i], b.part[i])).or_insert(0usize) += 1;
    }
    let total: usize = counts.values().sum();
    counts.values().max().map_or(0.0, |most| *most as f64 / total as f64)
}
