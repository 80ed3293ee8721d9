//! Small volumes for the tests of the pictures.

#[cfg(feature = "gui")]
use nalgebra::Rotation3;
use nalgebra::Vector3;
#[cfg(feature = "gui")]
use rand_core::{Rng as _, SeedableRng as _};
#[cfg(feature = "gui")]
use rand_pcg::Pcg64;

use crate::space::{Cut, Grid, VolumePoint, direction};
use crate::unit::{MetresPerSecond, Seconds};
use crate::volume::{
    Channel, ChannelKind, PowerScale, Provenance, Samples, Scale, Timeline, VelocityScale, Volume4,
};

fn build(grid: Grid, frames: usize, scale: VelocityScale, channels: Vec<(ChannelKind, Vec<u8>)>) -> Volume4 {
    let voxels = grid.voxels();
    let channels = channels
        .into_iter()
        .map(|(kind, codes)| (Scale::of(kind, scale, PowerScale::default()), codes))
        .map(|(scale, codes)| Channel::new(scale, Samples::from_u8(codes, frames, voxels).unwrap()))
        .collect();
    let timeline = Timeline::regular(frames, Seconds::new(0.04)).unwrap();
    Volume4::new(grid, timeline, None, Provenance::default(), channels).unwrap()
}

/// A straight oblique tube of `radius` mm through the middle, and the cut perpendicular to it there
///
/// The power falls linearly from 1 to 0 over 4 mm, one half at the radius; it is coloured within.
pub(super) fn tube(radius: f64) -> (Volume4, Cut) {
    let grid = Grid::axis_aligned([48; 3], [0.6; 3], [-3.0, 1.0, 2.0]).unwrap();
    let axis = direction(Vector3::new(0.2, -0.3, 0.9)).unwrap();
    let scale = VelocityScale::full_cycle(8, 128, MetresPerSecond::new(0.6)).unwrap();
    let (mut power, mut velocity) = (Vec::new(), Vec::new());
    for (_, point) in points(&grid) {
        let from = point.from(grid.middle());
        let distance = (from - axis.into_inner() * axis.dot(&from)).norm();
        power.push((255.0 * (0.5 - (distance - radius) / 4.0).clamp(0.0, 1.0)).round() as u8);
        velocity.push(if distance <= radius { 180 } else { 128 });
    }
    let volume = build(grid, 1, scale, vec![(ChannelKind::Power, power), (ChannelKind::Velocity, velocity)]);
    (volume, Cut::perpendicular_to(grid.middle(), axis))
}

/// Two frames of all four channels on an oblique grid of unequal sides, with a baseline shift; the
/// velocity rises to several wraps, speckle everywhere
#[cfg(feature = "gui")]
pub(super) fn full() -> Volume4 {
    let turn = Rotation3::from_euler_angles(0.4, -0.2, 0.9);
    let axes = [turn * Vector3::x(), turn * Vector3::y(), turn * Vector3::z()];
    let grid = Grid::new([40, 36, 30], [0.5, 0.6, 0.7], VolumePoint::new(4.0, -7.0, 20.0), axes).unwrap();
    let scale = VelocityScale::full_cycle(8, 100, MetresPerSecond::new(0.55)).unwrap();
    let mut random = Pcg64::seed_from_u64(5);
    let mut speckle = move || f64::from(random.next_u32()) / f64::from(u32::MAX) - 0.5;
    let frames = 2;
    let mut codes = [const { Vec::new() }; 4];
    for frame in 0..frames {
        for (index, point) in points(&grid) {
            let from = turn.inverse() * point.from(grid.middle());
            let distance = libm::hypot(from.x, from.y);
            let inside = distance < 5.0 - 2.0 * frame as f64;
            let speed = 2.2 * libm::exp(-distance * distance / 12.0) + 0.1 * speckle();
            codes[0].push((90.0 + 6.0 * from.z + 60.0 * speckle()).clamp(0.0, 255.0) as u8);
            codes[1].push(if inside { scale.code(MetresPerSecond::new(speed)) as u8 } else { 100 });
            codes[2].push((255.0 - 38.0 * distance + 40.0 * speckle()).clamp(0.0, 255.0) as u8);
            codes[3].push((index % 251) as u8);
        }
    }
    let kinds = [ChannelKind::Tissue, ChannelKind::Velocity, ChannelKind::Power, ChannelKind::Variance];
    build(grid, frames, scale, kinds.into_iter().zip(codes).collect())
}

fn points(grid: &Grid) -> impl Iterator<Item = (usize, VolumePoint)> + '_ {
    let [x, y, _] = grid.shape();
    (0..grid.voxels()).map(move |i| {
        let index = [i % x, i / x % y, i / x / y].map(|at| at as f64);
        (i, grid.volume_from_voxel(crate::space::VoxelPoint::new(index[0], index[1], index[2])))
    })
}
