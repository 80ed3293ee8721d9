//! One frame of one channel, read at any point.

use crate::space::{Grid, VolumePoint};
use crate::unit::MetresPerSecond;
use crate::volume::{ChannelKind, Codes, VelocityScale, Volume4};

use super::kernel::{Display, NOTHING};
use super::phasor::Phases;
use super::rows::ROUNDING;

/// The flow at one point
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlowSample {
    /// Displayed velocity, within the displayed limits; zero where nothing is coloured
    pub velocity: MetresPerSecond,
    /// Length of the mean phasor of the coloured neighbours over their weight, 0 to 1
    pub coherence: f64,
    /// Trilinear share of coloured voxels, 0 to 1
    pub coloured: f64,
}

/// One frame of one channel, ready to be read at any point of volume space
///
/// This is the plain reading, point by point; [`super::scalar_cut`] reads whole cuts many times faster
/// and agrees with it to rounding.
pub struct FrameSampler<'a> {
    grid: Grid,
    codes: Codes<'a>,
}

impl<'a> FrameSampler<'a> {
    /// A sampler over one frame; `None` where the volume lacks the channel or the frame
    pub fn new(volume: &'a Volume4, kind: ChannelKind, frame: usize) -> Option<Self> {
        let channel = volume.channel(kind)?;
        if frame >= volume.frames() {
            return None;
        }
        Some(Self { grid: volume.grid, codes: channel.samples().frame(frame) })
    }

    /// The grid the samples lie on
    pub fn grid(&self) -> &Grid {
        &self.grid
    }

    /// The codes of the frame
    pub fn codes(&self) -> &Codes<'a> {
        &self.codes
    }

    /// Trilinear value of the codes at a point; `None` outside the volume
    pub fn scalar(&self, point: VolumePoint) -> Option<f64> {
        let neighbours = neighbours(&self.grid, point)?;
        Some(neighbours.iter().map(|&(index, weight)| f64::from(self.codes.at(index)) * weight).sum())
    }
}

/// The velocities of one frame, ready to be read at any point of volume space
///
/// As [`FrameSampler`]; whole cuts are read by [`super::flow_cut`].
pub struct FlowSampler<'a> {
    grid: Grid,
    scale: VelocityScale,
    phases: Phases<'a>,
}

impl<'a> FlowSampler<'a> {
    /// A sampler over one frame; `None` where the volume lacks velocities or the frame
    pub fn new(volume: &'a Volume4, frame: usize) -> Option<Self> {
        let (velocity, scale) = volume.velocity()?;
        if frame >= volume.frames() {
            return None;
        }
        Some(Self { grid: volume.grid, scale, phases: Phases::new(velocity.frame(frame), scale) })
    }

    /// The grid the samples lie on
    pub fn grid(&self) -> &Grid {
        &self.grid
    }

    /// What the velocities mean
    pub fn scale(&self) -> VelocityScale {
        self.scale
    }

    /// The phases of the frame
    pub(super) fn phases(&self) -> &Phases<'a> {
        &self.phases
    }

    /// How a phase is displayed
    pub(super) fn display(&self) -> Display {
        let nyquist = self.scale.nyquist().get();
        let (low, cycle) = (self.scale.limits().0.get(), 2.0 * nyquist);
        let shift = ((low + nyquist) / cycle).floor() * cycle;
        Display { per_radian: nyquist / std::f64::consts::PI, shift, low, cycle }
    }

    /// Phase-safe flow at a point; `None` outside the volume
    pub fn flow(&self, point: VolumePoint) -> Option<FlowSample> {
        let neighbours = neighbours(&self.grid, point)?;
        let (mut re, mut im, mut coloured) = (0.0, 0.0, 0.0);
        for (index, weight) in neighbours {
            let [cos, sin, here, _] = self.phases.at(index);
            re += weight * cos;
            im += weight * sin;
            coloured += weight * here;
        }
        if coloured <= NOTHING {
            return Some(FlowSample { velocity: MetresPerSecond::ZERO, coherence: 1.0, coloured: 0.0 });
        }
        let phase = libm::atan2(im, re);
        let nyquist = self.scale.nyquist();
        let (low, _) = self.scale.limits();
        let full = 2.0 * nyquist.get();
        let velocity = phase / std::f64::consts::PI * nyquist.get();
        let velocity = (velocity - low.get()).rem_euclid(full) + low.get();
        Some(FlowSample {
            velocity: MetresPerSecond::new(velocity),
            coherence: (libm::hypot(re, im) / coloured).min(1.0),
            coloured: coloured.min(1.0),
        })
    }
}

/// Corner index, strides and fractions of a point; `None` outside the outermost voxel centres
fn locate(grid: &Grid, point: VolumePoint) -> Option<(usize, [usize; 3], [f64; 3])> {
    let shape = grid.shape();
    let index = grid.voxel_from_volume(point).0;
    let mut corner = [0; 3];
    let mut fraction = [0.0; 3];
    for axis in 0..3 {
        let last = (shape[axis] - 1) as f64;
        // A hair outside is rounding, not another place.
        let at = index[axis];
        if !(-ROUNDING..=last + ROUNDING).contains(&at) {
            return None;
        }
        let at = at.clamp(0.0, last);
        let low = (at as usize).min(shape[axis].saturating_sub(2));
        corner[axis] = low;
        fraction[axis] = at - low as f64;
    }
    let step = [
        usize::from(shape[0] > 1),
        if shape[1] > 1 { shape[0] } else { 0 },
        if shape[2] > 1 { shape[0] * shape[1] } else { 0 },
    ];
    let base = corner[0] + shape[0] * (corner[1] + shape[1] * corner[2]);
    Some((base, step, fraction))
}

/// The eight neighbours and their trilinear weights
fn neighbours(grid: &Grid, point: VolumePoint) -> Option<[(usize, f64); 8]> {
    let (base, step, [fx, fy, fz]) = locate(grid, point)?;
    Some(std::array::from_fn(|corner| {
        let (x, y, z) = (corner & 1, (corner >> 1) & 1, corner >> 2);
        let weight = (if x == 1 { fx } else { 1.0 - fx })
            * (if y == 1 { fy } else { 1.0 - fy })
            * (if z == 1 { fz } else { 1.0 - fz });
        (base + x * step[0] + y * step[1] + z * step[2], weight)
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::Seconds;
    use crate::volume::{Channel, Provenance, Samples, Scale, Timeline};

    fn pair(a: f64, b: f64) -> Volume4 {
        let scale = VelocityScale::full_cycle(16, 32768, MetresPerSecond::new(0.6)).unwrap();
        let codes = [a, b].map(|v| scale.code(MetresPerSecond::new(v)));
        Volume4::new(
            Grid::axis_aligned([2, 1, 1], [1.0; 3], [0.0; 3]).unwrap(),
            Timeline::regular(1, Seconds::new(0.04)).unwrap(),
            None,
            Provenance::default(),
            vec![Channel::new(Scale::Velocity(scale), Samples::from_u16(&codes, 1, 2).unwrap())],
        )
        .unwrap()
    }

    #[test]
    fn the_middle_of_a_wrap_is_the_wrap_not_zero() {
        // Truth 0.55 and 0.65 m/s at Nyquist 0.60: the middle is +-0.60; a plain mean of the
        // displayed +0.55 and -0.55 would be 0.00 (closed form).
        let volume = pair(0.55, 0.65);
        let sampler = FlowSampler::new(&volume, 0).unwrap();
        let middle = sampler.flow(VolumePoint::new(0.5, 0.0, 0.0)).unwrap();
        assert!((middle.velocity.get().abs() - 0.6).abs() < 1e-4);
        assert!(middle.coherence > 0.95);
        assert!(sampler.flow(VolumePoint::new(1.1, 0.0, 0.0)).is_none());
    }

    #[test]
    fn uncoloured_neighbours_dilute_presence_not_velocity() {
        let volume = pair(0.3, 0.0);
        let sampler = FlowSampler::new(&volume, 0).unwrap();
        let near = sampler.flow(VolumePoint::new(0.75, 0.0, 0.0)).unwrap();
        assert!((near.velocity.get() - 0.3).abs() < 1e-4);
        assert!((near.coloured - 0.25).abs() < 1e-12);
    }
}
