//! Whole cuts against the plain reading, point by point.

use nalgebra::{Rotation3, Vector3};
use proptest::prelude::*;
use rand_core::Rng;

use super::*;
use crate::space::{Grid, VolumePoint};
use crate::unit::{MetresPerSecond, Mm, Seconds};
use crate::volume::{
    Channel, ChannelKind, Cycle, PowerScale, Provenance, Samples, Scale, Timeline, VelocityScale, Volume4,
};

/// A volume of random codes with patches without colour
fn noise(shape: [usize; 3], scale: VelocityScale, seed: u64) -> Volume4 {
    let turn = Rotation3::from_euler_angles(0.4, -0.2, 0.9);
    let axes = [turn * Vector3::x(), turn * Vector3::y(), turn * Vector3::z()];
    let grid = Grid::new(shape, [0.5, 0.7, 0.4], VolumePoint::new(3.0, -1.0, 8.0), axes).unwrap();
    let voxels = grid.voxels();
    let mut random = rand_pcg::Pcg64::new(u128::from(seed), 7);
    let mut codes = |keep: u32| -> Vec<u16> {
        let mut row = Vec::with_capacity(voxels);
        for _ in 0..voxels {
            let draw = random.next_u32();
            let code = (draw >> 16) as u16 >> (16 - scale.bits());
            row.push(if draw % 10 < keep { code } else { scale.zero_code() });
        }
        row
    };
    let samples = |codes: Vec<u16>| match scale.bits() {
        8 => Samples::from_u8(codes.into_iter().map(|c| c as u8).collect(), 1, voxels).unwrap(),
        _ => Samples::from_u16(&codes, 1, voxels).unwrap(),
    };
    let channels = vec![
        Channel::new(Scale::Tissue, samples(codes(10))),
        Channel::new(Scale::Velocity(scale), samples(codes(6))),
        Channel::new(Scale::Power(PowerScale::default()), samples(codes(5))),
    ];
    let timeline = Timeline::regular(1, Seconds::new(0.04)).unwrap();
    Volume4::new(grid, timeline, None, Provenance::default(), channels).unwrap()
}

fn full(bits: u32, zero: u16) -> VelocityScale {
    VelocityScale::full_cycle(bits, zero, MetresPerSecond::new(0.6)).unwrap()
}

fn some_cut(volume: &Volume4, angles: [f64; 3], offset: [f64; 3]) -> Cut {
    let turn = Rotation3::from_euler_angles(angles[0], angles[1], angles[2]);
    let normal = nalgebra::Unit::new_normalize(turn * Vector3::z());
    Cut::new(volume.grid.middle().moved(Vector3::from(offset)), normal, turn * Vector3::x())
}

/// Largest difference of a cut from the plain reading, pixel by pixel
fn compare(volume: &Volume4, cut: &Cut, raster: &Raster) {
    let flow = FlowSampler::new(volume, 0).unwrap();
    let tissue = FrameSampler::new(volume, ChannelKind::Tissue, 0).unwrap();
    let shown = flow_cut(&flow, cut, raster);
    let alone = velocity_cut(&flow, cut, raster);
    let grey = scalar_cut(&tissue, cut, raster);
    let cycle = 2.0 * volume.velocity_scale().unwrap().nyquist().get();
    let top = f64::from(1u32 << volume.velocity_scale().unwrap().bits());
    let mut inside = 0;
    for y in 0..raster.height {
        for x in 0..raster.width {
            let point = cut.at(raster.cut_from_pixel(x as f64, y as f64));
            let Some(expected) = tissue.scalar(point) else {
                for image in [&grey, &alone, &shown.velocity, &shown.coherence, &shown.coloured] {
                    assert!(image.at(x, y).is_nan(), "{x} {y}");
                }
                continue;
            };
            inside += 1;
            assert!((grey.at(x, y) - expected).abs() < 1e-10 * top, "{x} {y}");
            let expected = flow.flow(point).unwrap();
            let velocity = shown.velocity.at(x, y);
            assert_eq!(velocity.to_bits(), alone.at(x, y).to_bits());
            assert!((shown.coloured.at(x, y) - expected.coloured).abs() < 1e-11);
            let weight = expected.coherence * expected.coloured;
            assert!((shown.coherence.at(x, y) - expected.coherence).abs() * expected.coloured < 1e-10);
            if weight > 1e-6 {
                let apart = (velocity - expected.velocity.get()).rem_euclid(cycle);
                assert!(apart.min(cycle - apart) * weight < 1e-10, "{x} {y} {apart}");
                let low = volume.velocity_scale().unwrap().limits().0.get();
                assert!(velocity >= low - 1e-12 && velocity <= low + cycle + 1e-12);
            }
        }
    }
    assert!(inside > 0 || raster.width < 4, "the cut missed the volume");
}

#[test]
fn cuts_agree_with_the_plain_reading() {
    let raster = Raster { width: 150, height: 41, pixel: Mm::new(0.11) };
    for scale in [
        full(8, 128),
        full(8, 90),
        full(16, 32768),
        full(16, 50000),
        // Codes of another step than the cycle, rising away from the probe.
        VelocityScale::new(8, 40, MetresPerSecond::new(-0.003), MetresPerSecond::new(0.25), Cycle::Open)
            .unwrap(),
        VelocityScale::new(8, 250, MetresPerSecond::new(0.01), MetresPerSecond::new(0.3), Cycle::Open)
            .unwrap(),
    ] {
        let volume = noise([19, 14, 23], scale, 3);
        compare(&volume, &some_cut(&volume, [0.3, 0.8, -0.5], [0.0; 3]), &raster);
    }
}

#[test]
fn flat_and_thin_volumes_are_read_too() {
    let raster = Raster { width: 70, height: 31, pixel: Mm::new(0.1) };
    for shape in [[1, 9, 9], [9, 1, 9], [9, 9, 1], [2, 2, 2], [1, 1, 9], [9, 1, 1]] {
        let volume = noise(shape, full(8, 128), 4);
        // A cut in the plane of the two first voxel axes that are longer than one.
        let axes = volume.grid.axes();
        let long: Vec<usize> = (0..3).filter(|a| shape[*a] > 1).collect();
        let (u, other) = (axes[long[0]], axes[(long[0] + 1) % 3]);
        let v = long.get(1).map_or(other, |a| axes[*a]);
        let normal = nalgebra::Unit::new_normalize(u.cross(&v));
        compare(&volume, &Cut::new(volume.grid.middle(), normal, u.into_inner()), &raster);
    }
}

#[test]
fn whole_voxel_positions_give_the_codes_themselves() {
    let volume = noise([16, 11, 5], full(8, 128), 9);
    let axes = volume.grid.axes();
    // In the plane of x and z: pixels of 0.5 mm match x; row by row z has 0.4.
    let cut =
        Cut::new(volume.grid.origin().moved(axes[0].into_inner() * 3.75), -axes[1], axes[0].into_inner());
    let raster = Raster { width: 16, height: 1, pixel: Mm::new(0.5) };
    let sampler = FrameSampler::new(&volume, ChannelKind::Tissue, 0).unwrap();
    let image = scalar_cut(&sampler, &cut, &raster);
    for x in 0..16 {
        assert!((image.at(x, 0) - f64::from(sampler.codes().at(x))).abs() < 1e-9);
    }
}

#[test]
fn several_channels_share_a_cut() {
    let volume = noise([19, 14, 23], full(8, 128), 5);
    let cut = some_cut(&volume, [0.1, -0.4, 0.2], [0.5, 0.0, -0.3]);
    let raster = Raster { width: 90, height: 40, pixel: Mm::new(0.13) };
    let tissue = FrameSampler::new(&volume, ChannelKind::Tissue, 0).unwrap();
    let power = FrameSampler::new(&volume, ChannelKind::Power, 0).unwrap();
    let both = scalar_cuts(&[&tissue, &power], &cut, &raster);
    let bits = |image: &Image<f64>| image.data().iter().map(|v| v.to_bits()).collect::<Vec<_>>();
    assert_eq!(bits(&both[0]), bits(&scalar_cut(&tissue, &cut, &raster)));
    assert_eq!(bits(&both[1]), bits(&scalar_cut(&power, &cut, &raster)));
    assert_ne!(bits(&both[0]), bits(&both[1]));
}

#[test]
fn threads_do_not_change_a_byte() {
    let volume = noise([40, 30, 20], full(8, 128), 6);
    let cut = some_cut(&volume, [0.7, -0.4, 0.2], [0.0; 3]);
    let raster = Raster { width: 120, height: 120, pixel: Mm::new(0.15) };
    let sampler = FlowSampler::new(&volume, 0).unwrap();
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let flow = pool.install(|| flow_cut(&sampler, &cut, &raster));
        [flow.velocity, flow.coherence, flow.coloured]
            .map(|image| image.data().iter().map(|v| v.to_bits()).collect::<Vec<_>>())
    };
    assert_eq!(with(1), with(5));
}

#[test]
fn useless_rasters_give_no_numbers() {
    let volume = noise([8, 8, 8], full(8, 128), 1);
    let cut = some_cut(&volume, [0.0; 3], [0.0; 3]);
    let sampler = FlowSampler::new(&volume, 0).unwrap();
    let tissue = FrameSampler::new(&volume, ChannelKind::Tissue, 0).unwrap();
    for pixel in [f64::NAN, f64::INFINITY] {
        let raster = Raster { width: 5, height: 4, pixel: Mm::new(pixel) };
        assert!(velocity_cut(&sampler, &cut, &raster).data().iter().all(|v| v.is_nan()));
        assert!(scalar_cut(&tissue, &cut, &raster).data().iter().all(|v| v.is_nan()));
    }
    let nothing = Raster { width: 0, height: 3, pixel: Mm::new(1.0) };
    assert!(flow_cut(&sampler, &cut, &nothing).velocity.data().is_empty());
    let far = some_cut(&volume, [0.0; 3], [900.0, 0.0, 0.0]);
    let raster = Raster { width: 5, height: 4, pixel: Mm::new(0.2) };
    assert!(scalar_cut(&tissue, &far, &raster).data().iter().all(|v| v.is_nan()));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn any_pose_agrees_with_the_plain_reading(
        angles in prop::array::uniform3(-3.2..3.2f64),
        offset in prop::array::uniform3(-1.0..1.0f64),
        pixel in 0.05..0.6f64,
        bits in prop::sample::select(vec![8u32, 16]),
    ) {
        let volume = noise([12, 9, 15], full(bits, if bits == 8 { 120 } else { 30000 }), 2);
        let raster = Raster { width: 67, height: 9, pixel: Mm::new(pixel) };
        compare(&volume, &some_cut(&volume, angles, offset), &raster);
    }
}
