//! An oblique cut of 512 x 512 through 256^3, on one core: nanoseconds a sample.
//!
//! `benches/run.sh` runs this and the same work in other libraries, and prints one table.

use std::hint::black_box;

use criterion::{Criterion, Throughput};
use nalgebra::{Unit, Vector3};
use narrows::sample::{
    FlowSampler, FrameSampler, Raster, flow_cut, flow_cut_into, scalar_cut, scalar_cut_into,
    velocity_cut_into,
};
use narrows::space::{Cut, Grid};
use narrows::unit::{MetresPerSecond, Mm, Seconds};
use narrows::volume::{Channel, ChannelKind, Provenance, Samples, Scale, Timeline, VelocityScale, Volume4};

const SIDE: usize = 256;
const PIXELS: usize = 512;

/// A ramp of velocity with noise, and noise of tissue
fn volume(bits: u32) -> Option<Volume4> {
    let voxels = SIDE * SIDE * SIDE;
    let mut state = 1u64;
    let mut random = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 48) as u16
    };
    let spread = 1u16 << (bits - 4);
    let codes: Vec<u16> = (0..voxels)
        .map(|i| {
            let (x, y, z) = (i % SIDE, i / SIDE % SIDE, i / SIDE / SIDE);
            ((3 * x + 2 * y + z) as u16).wrapping_mul(spread / 16).wrapping_add(random() % spread)
        })
        .collect();
    let tissue: Vec<u16> = (0..voxels).map(|_| random() >> (16 - bits)).collect();
    let samples = |codes: &[u16]| match bits {
        8 => Samples::from_u8(codes.iter().map(|c| *c as u8).collect(), 1, voxels),
        _ => Samples::from_u16(codes, 1, voxels),
    };
    let scale = VelocityScale::full_cycle(bits, 1 << (bits - 1), MetresPerSecond::new(0.6)).ok()?;
    let channels = vec![
        Channel::new(Scale::Tissue, samples(&tissue).ok()?),
        Channel::new(Scale::Velocity(scale), samples(&codes).ok()?),
    ];
    Volume4::new(
        Grid::axis_aligned([SIDE; 3], [0.3; 3], [0.0; 3]).ok()?,
        Timeline::regular(1, Seconds::new(0.04)).ok()?,
        None,
        Provenance::default(),
        channels,
    )
    .ok()
}

fn main() {
    let mut criterion = Criterion::default().configure_from_args();
    rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .thread_name(|_| "bench".into())
        .build_global()
        .expect("nothing has started the threads yet");
    for bits in [8, 16] {
        let volume = volume(bits).expect("the volume is consistent");
        let normal = Unit::new_normalize(Vector3::new(0.35, -0.5, 0.79));
        let cut = Cut::new(volume.grid.middle(), normal, Vector3::new(1.0, 0.2, 0.1));
        // 170 voxels across: every pixel lies inside.
        let raster = Raster { width: PIXELS, height: PIXELS, pixel: Mm::new(0.3 * 170.0 / PIXELS as f64) };
        let tissue = FrameSampler::new(&volume, ChannelKind::Tissue, 0).expect("the volume has tissue");
        let flow = FlowSampler::new(&volume, 0).expect("the volume has velocity");
        let mut group = criterion.benchmark_group(format!("cut{bits}"));
        group.throughput(Throughput::Elements((PIXELS * PIXELS) as u64));
        let image = scalar_cut(&tissue, &cut, &raster);
        assert!(image.data().iter().all(|v| v.is_finite()), "every pixel lies inside");
        let mut kept = image;
        group.bench_function("tissue", |b| {
            b.iter(|| scalar_cut_into(&tissue, &cut, &raster, black_box(&mut kept)));
        });
        group.bench_function("velocity", |b| {
            b.iter(|| velocity_cut_into(&flow, &cut, &raster, black_box(&mut kept)));
        });
        let mut kept = flow_cut(&flow, &cut, &raster);
        group.bench_function("flow", |b| {
            b.iter(|| flow_cut_into(&flow, &cut, &raster, black_box(&mut kept)));
        });
        // In new memory each time: what the system takes to hand it out comes on top.
        group.bench_function("tissue_anew", |b| {
            b.iter(|| black_box(scalar_cut(&tissue, &cut, &raster)));
        });
        group.finish();
    }
    criterion.final_summary();
}
