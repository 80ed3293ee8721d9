use super::*;
use crate::gpu::{DeviceOptions, Tier, TissueWindow, VolumeTextures, cut_picture, test_volume};
use crate::sample::{FlowSampler, FrameSampler, Raster, flow_cut, scalar_cut};
use crate::space::{Cut, CutPoint};
use crate::unit::Mm;

fn device(tier: Tier) -> Device {
    Device::headless(DeviceOptions { at_most: Some(tier) })
        .expect("tests need a graphics adapter, a software one will do")
}

fn oblique(volume: &Volume4) -> Cut {
    let cut = Cut::perpendicular_to(volume.grid.middle(), volume.grid.axes()[2]);
    cut.tilted(0.5, 1.2).rolled(0.7)
}

fn view(volume: &Volume4) -> CutView {
    // Wider than the volume, so that its border is in the picture; odd sizes for the row padding.
    CutView::new(oblique(volume), [157, 131], Mm::new(0.17))
}

/// Largest error of a sampled component, in shares: nothing but f32 where the shader weighs, steps of
/// about 1/256 where the sampler does (a software adapter's, too, for components of eight bits)
fn sampler_error(gpu: &Device) -> f32 {
    if gpu.tier() == Tier::Plain { 1e-4 } else { 2.0 / 255.0 }
}

#[test]
fn the_device_samples_what_the_processor_samples() {
    let volume = test_volume::full();
    for tier in [Tier::Filtered, Tier::Plain] {
        let gpu = device(tier);
        let mut textures = VolumeTextures::new(&gpu, &volume, 1).unwrap();
        let mut pass = CutPass::new(&gpu, Target::COLOURS).unwrap();
        let view = view(&volume);
        for frame in [0, 1] {
            let shown = textures.show(&gpu, &volume, frame).unwrap();
            let numbers = pass.numbers(&gpu, &volume, shown, &view).unwrap();

            let raster = Raster { width: 157, height: 131, pixel: view.pixel };
            let tissue = FrameSampler::new(&volume, ChannelKind::Tissue, frame).unwrap();
            let tissue = scalar_cut(&tissue, &view.cut, &raster);
            let velocity = FlowSampler::new(&volume, frame).unwrap();
            let flow = flow_cut(&velocity, &view.cut, &raster);
            let (low, cycle) = (volume.velocity_scale().unwrap().limits().0.get(), 2.0 * 0.55);
            let e = sampler_error(&gpu);
            // The phasor is stored in steps of 1/127, rounded, and decoded by that factor.
            let phasor_error = 0.5 / 127.0 + e * 255.0 / 127.0;
            let (mut inside, mut coloured, mut border) = (0, 0, 0);
            for (x, y) in (0..131).flat_map(|y| (0..157).map(move |x| (x, y))) {
                let [share, coherence, presence, echo] = numbers.at(x, y);
                let up = 130 - y;
                if tissue.at(x, up).is_nan() != (share < 0.0) {
                    border += 1;
                    continue;
                }
                if share < 0.0 {
                    continue;
                }
                inside += 1;
                assert!((echo - tissue.at(x, up) as f32 / 255.0).abs() < e);
                let expected = flow.coloured.at(x, up) as f32;
                assert!((presence - expected).abs() < 1e-3 + e);
                let length = expected * flow.coherence.at(x, up) as f32;
                if length < 0.2 {
                    continue;
                }
                coloured += 1;
                // Both components off by a step turn the phasor by at most 1.42 steps / length.
                let expected_share = ((flow.velocity.at(x, up) - low) / cycle) as f32;
                let off = (share - expected_share).rem_euclid(1.0);
                let off = off.min(1.0 - off) * std::f32::consts::TAU;
                assert!(
                    off < 1.42 * phasor_error / length + 1e-3,
                    "phase off by {off} at {x} {y}, length {length}"
                );
                let expected = flow.coherence.at(x, up) as f32;
                assert!((coherence - expected).abs() < (1.42 * phasor_error + e) / presence + 2e-3);
            }
            assert!(inside > 5000 && coloured > 1000, "{inside} inside, {coloured} coloured");
            assert!(border <= 4, "{border} pixels disagree on where the volume ends");
        }
        assert!(gpu.take_errors().is_empty());
    }
}

#[test]
fn the_picture_is_its_plain_twin() {
    let volume = test_volume::full();
    let mut view = view(&volume);
    view.tissue = TissueWindow { low: 0.1, high: 0.8, gamma: 0.7 };
    view.middle = CutPoint::new(1.5, -0.8);
    for tier in [Tier::Filtered, Tier::Plain] {
        let gpu = device(tier);
        let mut textures = VolumeTextures::new(&gpu, &volume, 2).unwrap();
        let mut pass = CutPass::new(&gpu, Target::COLOURS).unwrap();
        let mut pictures = Vec::new();
        for (map, gain, priority, incoherence, opacity) in
            [(ColourMap::TowardAway, 0.3, 0.6, 0.0, 1.0), (ColourMap::Ring, 0.0, 1.0, 0.8, 0.7)]
        {
            view.flow = crate::gpu::FlowLook { map, gain, priority, incoherence, opacity };
            let shown = textures.show(&gpu, &volume, 0).unwrap();
            let drawn = pass.picture(&gpu, &volume, shown, &view).unwrap();
            let plain = cut_picture(&volume, 0, &view);
            let far = |limit: u8| {
                let differs = |(a, b): (&[u8; 4], &[u8; 4])| (0..4).any(|i| a[i].abs_diff(b[i]) > limit);
                drawn.data().iter().zip(plain.data()).filter(|pair| differs(*pair)).count() as f64
                    / plain.data().len() as f64
            };
            // A pixel at a threshold or at a step of the velocity ring may fall on its other side.
            assert!(far(8) < 0.01, "{} of the pixels differ", far(8));
            assert!(far(2) < 0.15, "{} of the pixels differ a little", far(2));
            pictures.push(drawn);
        }
        assert_ne!(pictures[0], pictures[1]);
    }
}

#[test]
fn priority_and_gain_keep_colour_out() {
    let volume = test_volume::full();
    let gpu = device(Tier::Filtered);
    let mut textures = VolumeTextures::new(&gpu, &volume, 1).unwrap();
    let mut pass = CutPass::new(&gpu, Target::COLOURS).unwrap();
    let shown = textures.show(&gpu, &volume, 0).unwrap();
    let mut view = view(&volume);
    let mut coloured = |gain, priority| {
        (view.flow.gain, view.flow.priority) = (gain, priority);
        let picture = pass.picture(&gpu, &volume, shown, &view).unwrap();
        picture.data().iter().filter(|p| p[0].abs_diff(p[2]) > 12).count()
    };
    let all = coloured(0.0, 1.0);
    let loud = coloured(0.6, 1.0);
    let dark = coloured(0.0, 0.35);
    assert!(all > 1000 && loud > 100 && dark > 100);
    assert!(loud < all && dark < all);
    assert_eq!(coloured(1.1, 1.0), 0);
    assert_eq!(coloured(0.0, -0.1), 0);
}

#[test]
fn the_ring_keeps_few_frames_and_counts_its_bytes() {
    let volume = test_volume::full();
    let gpu = device(Tier::Filtered);
    let mut textures = VolumeTextures::new(&gpu, &volume, 1).unwrap();
    assert_eq!(textures.bytes(), 0);
    textures.show(&gpu, &volume, 0).unwrap();
    textures.show(&gpu, &volume, 1).unwrap();
    assert!(!textures.holds(0) && textures.holds(1));
    assert_eq!(textures.bytes(), 40 * 36 * 30 * 5 + 5 * 5 * 4);
    assert!(matches!(textures.show(&gpu, &volume, 2), Err(GpuError::NoFrame { frame: 2, frames: 2 })));
    // The reused textures hold the new frame: the same picture as from a fresh ring.
    let mut pass = CutPass::new(&gpu, Target::COLOURS).unwrap();
    let reused = pass.picture(&gpu, &volume, textures.shown().unwrap(), &view(&volume)).unwrap();
    let mut fresh = VolumeTextures::new(&gpu, &volume, 3).unwrap();
    fresh.show(&gpu, &volume, 0).unwrap();
    let shown = fresh.show(&gpu, &volume, 1).unwrap();
    assert_eq!(reused, pass.picture(&gpu, &volume, shown, &view(&volume)).unwrap());
}

#[test]
fn a_lost_device_is_noticed_and_replaced() {
    let volume = test_volume::full();
    let gpu = device(Tier::Filtered);
    let mut textures = VolumeTextures::new(&gpu, &volume, 2).unwrap();
    let mut pass = CutPass::new(&gpu, Target::COLOURS).unwrap();
    let shown = textures.show(&gpu, &volume, 1).unwrap();
    let before = pass.picture(&gpu, &volume, shown, &view(&volume)).unwrap();

    gpu.device.destroy();
    // Work on the dead device is an error, not a panic.
    assert!(pass.picture(&gpu, &volume, textures.shown().unwrap(), &view(&volume)).is_err());
    assert!(gpu.is_lost());
    assert!(textures.show(&gpu, &volume, 0).is_err());

    let gpu = device(Tier::Filtered);
    textures.rebuild(&gpu, &volume).unwrap();
    let mut pass = CutPass::new(&gpu, Target::COLOURS).unwrap();
    let after = pass.picture(&gpu, &volume, textures.shown().unwrap(), &view(&volume)).unwrap();
    assert_eq!(before, after);
}

#[test]
fn pictures_without_pixels_are_refused() {
    let gpu = device(Tier::Filtered);
    assert!(matches!(Target::new(&gpu, 0, 4), Err(GpuError::PictureSize { .. })));
    assert!(matches!(Target::new(&gpu, 4, 1 << 20), Err(GpuError::PictureSize { .. })));
}
