//! Whole acquisitions: what a scanner stores of a known flow.

use std::ops::Range;

use nalgebra::Vector3;

use super::acquire::FULL_SHARE;
use super::*;
use crate::job::{CancelToken, Watch};
use crate::space::VolumePoint;
use crate::volume::{ChannelKind, Volume4};

/// A small acquisition of one frame at mid-systole
fn small() -> Recipe {
    let mut recipe = Recipe::default();
    recipe.grid.shape = [24, 20, 26];
    recipe.grid.voxel_mm = [1.0, 1.1, 0.9];
    recipe.beat.frames = 1;
    recipe.beat.first_s = recipe.beat.systole_onset_s + recipe.beat.systole_duration_s / 2.0;
    recipe
}

/// Chamber blood at rest
fn still() -> BloodRecipe {
    BloodRecipe { speed_m_s: 0.0, width_m_s: 0.0, inflow_m_s: 0.0, ..BloodRecipe::default() }
}

fn made(recipe: &Recipe) -> (Volume4, Truth) {
    simulate(recipe, &Watch::silent()).unwrap()
}

fn codes(volume: &Volume4, kind: ChannelKind) -> Vec<u16> {
    let samples = volume.channel(kind).unwrap().samples();
    (0..volume.frames())
        .flat_map(|frame| {
            let codes = samples.frame(frame);
            (0..codes.len()).map(|i| codes.at(i)).collect::<Vec<_>>()
        })
        .collect()
}

fn all_codes(volume: &Volume4) -> Vec<Vec<u16>> {
    volume.channels().iter().map(|channel| codes(volume, channel.kind())).collect()
}

#[test]
fn a_thresholded_round_jet_shows_the_area_of_a_blurred_disc() {
    // A disc of radius 3.57 mm under a Gaussian of 1 mm: the contour at 50 % encloses 8.0 % less
    // than the disc, at 30 % 23.0 % more, at 20 % 43.9 % more (closed form of the blurred disc,
    // by quadrature).
    let mut recipe = small();
    recipe.grid.shape = [50, 50, 4];
    recipe.grid.voxel_mm = [0.35, 0.35, 0.5];
    // A window on a jet that neither contracts nor spreads, seen end on.
    recipe.grid.offset_mm = [0.07, -0.11, -14.0];
    recipe.scan.beam_angle_deg = 0.0;
    recipe.flow.spread_rate = 0.0;
    recipe.blood = still();
    recipe.flow.turbulence_core = 0.5;
    recipe.orifice = vec![OrificeRecipe {
        shape: OrificeShape::Round { diameter_mm: 7.14 },
        contraction: 1.0,
        ..OrificeRecipe::default()
    }];
    let doppler = &mut recipe.doppler;
    (doppler.lateral_mm, doppler.elevational_mm, doppler.axial_mm) = (1.0, 1.0, 1.0);
    (doppler.growth, doppler.noise_db, doppler.looks, doppler.rest_m_s) = (0.0, 200.0, 0.0, 0.0);
    (doppler.beam_deg, doppler.plane_deg, doppler.range_mm) = (0.4, 0.4, 0.3);
    recipe.store.power_bits = 16;
    recipe.store.power_extent = PowerExtent::Full;
    let (volume, truth) = made(&recipe);
    let disc = truth.jets[0].frames[0].effective_area_mm2;
    assert!((disc - 40.04).abs() < 0.01);
    let power = codes(&volume, ChannelKind::Power);
    let slice: Vec<f64> =
        power[2500..5000].iter().map(|code| f64::from(*code) / 65535.0 / FULL_SHARE).collect();
    for (level, change) in [(0.5, -0.080), (0.3, 0.230), (0.2, 0.439)] {
        let fine = 10;
        let mut inside = 0;
        for j in 0..49 * fine {
            for i in 0..49 * fine {
                let (x, fx) = (i / fine, (i % fine) as f64 / fine as f64);
                let (y, fy) = (j / fine, (j % fine) as f64 / fine as f64);
                let line = |at: usize| slice[at] + fx * (slice[at + 1] - slice[at]);
                let (a, b) = (line(y * 50 + x), line((y + 1) * 50 + x));
                inside += usize::from(a + fy * (b - a) > level);
            }
        }
        let area = inside as f64 * (0.35 / fine as f64) * (0.35 / fine as f64);
        let found = area / disc - 1.0;
        assert!((found - change).abs() < 0.012, "{found} instead of {change} at {level}");
    }
}

#[test]
fn the_bytes_do_not_depend_on_the_number_of_threads() {
    let mut recipe = small();
    recipe.beat.frames = 2;
    recipe.beat.gated_beats = 3;
    recipe.beat.shift_std_mm = 0.5;
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| made(&recipe))
    };
    let (one, truth_of_one) = with(1);
    for threads in [2, 5] {
        let (more, truth) = with(threads);
        assert_eq!(all_codes(&one), all_codes(&more));
        assert_eq!(truth_of_one, truth);
    }
}

#[test]
fn another_seed_is_another_noise_on_the_same_truth() {
    let recipe = small();
    let other = Recipe { seed: 2, ..recipe.clone() };
    let ((a, truth_a), (b, truth_b)) = (made(&recipe), made(&other));
    assert_ne!(codes(&a, ChannelKind::Velocity), codes(&b, ChannelKind::Velocity));
    assert_eq!(truth_a.jets, truth_b.jets);
}

#[test]
fn far_upstream_the_colour_is_the_speed_of_the_hemisphere() {
    // Q / (2 pi r^2) toward the orifice: positive toward a probe on the receiving side, negative
    // toward one on the other.
    for (view, sign) in [(View::Transoesophageal, 1.0), (View::Transthoracic, -1.0)] {
        let mut recipe = small();
        recipe.scan.view = view;
        recipe.scan.beam_angle_deg = 0.0;
        recipe.doppler.wall_filter = WallFilter::None;
        recipe.doppler.nyquist_m_s = 1.2;
        recipe.doppler.baseline_shift_m_s = 0.2;
        (recipe.doppler.noise_db, recipe.doppler.looks) = (200.0, 0.0);
        recipe.blood = still();
        recipe.store.velocity_bits = 16;
        recipe.orifice[0].effective_area_mm2 = Some(40.0);
        // Twelve millimetres upstream of the middle of the upstream face.
        let face = recipe.plate.thickness_mm / 2.0;
        recipe.grid.shape = [9, 9, 9];
        recipe.grid.voxel_mm = [0.5; 3];
        recipe.grid.offset_mm = [0.0, 0.0, sign * (12.0 + face)];
        let (volume, truth) = made(&recipe);
        let velocity = codes(&volume, ChannelKind::Velocity);
        let middle = volume.velocity_scale().unwrap().velocity(velocity[4 * 81 + 4 * 9 + 4]).get();
        let flow = truth.jets[0].frames[0].flow_ml_s;
        assert!((flow - 200.0).abs() < 1e-9);
        // On the axis of the hole's even sheet, in closed form; ml/s over mm2 is m/s.
        let hole = truth.jets[0].frames[0].anatomic_area_mm2;
        let radius2 = hole / std::f64::consts::PI;
        let expected = flow / hole * (1.0 - 12.0 / (144.0 + radius2).sqrt());
        assert!((middle / (sign * expected) - 1.0).abs() < 0.02, "{middle} {expected}");
        // The hemisphere is 9 % more, for the hole is not a point.
        let hemisphere = flow / (2.0 * std::f64::consts::PI * 144.0);
        assert!((middle / (sign * hemisphere) - 0.91).abs() < 0.02, "{middle} {hemisphere}");
        let shift = volume.velocity_scale().unwrap().baseline_shift().get();
        assert!((shift - 0.2).abs() < 1e-3);
    }
}

#[test]
fn a_gated_slab_is_its_own_beat() {
    let mut recipe = small();
    // Noise is drawn beam by beam of a slab.
    (recipe.doppler.noise_db, recipe.doppler.looks) = (200.0, 0.0);
    let (still, _) = made(&recipe);
    recipe.beat.gated_beats = 2;
    recipe.beat.shift_mm = vec![[0.0; 3], [0.0, 2.2, 0.0]];
    let (gated, truth) = made(&recipe);
    let (a, b) = (codes(&still, ChannelKind::Velocity), codes(&gated, ChannelKind::Velocity));
    let differ = |columns: Range<usize>| {
        a.iter().zip(&b).enumerate().filter(|(i, (a, b))| columns.contains(&(i % 24)) && a != b).count()
    };
    assert_eq!(differ(0..12), 0);
    assert!(differ(12..24) > 50);
    assert_eq!(truth.beat_shift_mm[1], [0.0, 2.2, 0.0]);
    assert_eq!(gated.timeline.gated_beats, Some(2));
}

#[test]
fn colour_and_power_stand_in_the_same_voxels() {
    let (volume, _) = made(&small());
    let zero = volume.velocity_scale().unwrap().zero_code();
    let velocity = codes(&volume, ChannelKind::Velocity);
    let power = codes(&volume, ChannelKind::Power);
    assert!(velocity.iter().zip(&power).all(|(v, p)| (*v == zero) == (*p == 0)));
    let coloured = velocity.iter().filter(|v| **v != zero).count();
    assert!(coloured > 200 && coloured < velocity.len() / 2, "{coloured}");
}

#[test]
fn in_diastole_nothing_is_coloured() {
    let mut recipe = small();
    recipe.beat.first_s = 0.6;
    recipe.blood = still();
    let (volume, truth) = made(&recipe);
    let zero = volume.velocity_scale().unwrap().zero_code();
    assert!(codes(&volume, ChannelKind::Velocity).iter().all(|code| *code == zero));
    assert!(!truth.jets[0].frames[0].present);
    assert_eq!(truth.jets[0].peak_frame, None);
}

#[test]
fn only_the_asked_channels_are_stored_as_asked() {
    let mut recipe = small();
    recipe.store.channels = vec![ChannelKind::Power, ChannelKind::Velocity];
    recipe.store.power_bits = 16;
    recipe.store.velocity_bits = 16;
    let (linear, _) = made(&recipe);
    assert_eq!(linear.channels().len(), 2);
    assert_eq!(linear.channel(ChannelKind::Power).unwrap().samples().bits(), 16);
    recipe.store.power_law = PowerLaw::Decibel;
    let (decibel, _) = made(&recipe);
    let pairs = codes(&linear, ChannelKind::Power).into_iter().zip(codes(&decibel, ChannelKind::Power));
    let mut compared = 0;
    for (a, b) in pairs.filter(|(a, _)| *a > 1000) {
        // The two laws say the same power, relative to the top of the range.
        let (a, b) = (f64::from(a) / 65535.0, decibel.power().unwrap().1.linear(f64::from(b)));
        assert!((a / b - 1.0).abs() < 2e-3 || a > 0.999);
        compared += 1;
    }
    assert!(compared > 100);
}

#[test]
fn the_truth_lies_in_the_volume_and_follows_the_pose() {
    let mut recipe = small();
    recipe.orifice[0].wave.kind = WaveKind::Late;
    recipe.beat.frames = 12;
    recipe.beat.first_s = 0.02;
    recipe.scan.beam_angle_deg = 30.0;
    recipe.grid.turn_deg = [0.0, 0.0, 90.0];
    recipe.grid.apex_mm = [100.0, 0.0, 0.0];
    let (turned, truth) = made(&recipe);
    recipe.grid.turn_deg = [0.0; 3];
    recipe.grid.apex_mm = [0.0; 3];
    let (plain, plain_truth) = made(&recipe);
    assert_eq!(all_codes(&turned), all_codes(&plain));
    let jet = &truth.jets[0];
    let frame = &jet.frames[jet.peak_frame.unwrap()];
    let [x, y, z] = plain_truth.jets[0].frames[frame.frame].neck_mm;
    for (found, expected) in frame.neck_mm.into_iter().zip([100.0 - y, x, z]) {
        assert!((found - expected).abs() < 1e-9);
    }
    let [x, y, z] = frame.neck_mm;
    assert!(turned.grid.contains(VolumePoint::new(x, y, z)));
    let beam = (Vector3::from(frame.neck_mm) - Vector3::from(truth.apex_mm)).normalize();
    let cosine = beam.dot(&Vector3::from(jet.axis)).abs();
    assert!((libm::cos(frame.beam_angle_deg.to_radians()) - cosine).abs() < 1e-12);
    assert!((frame.beam_angle_deg - 30.0).abs() < 5.0);
    assert!((frame.effective_area_mm2 / frame.anatomic_area_mm2 - 0.75).abs() < 1e-12);
    assert!((frame.flow_ml_s - frame.core_speed_m_s * frame.effective_area_mm2).abs() < 1e-9);
    // The outline in space has the effective area, counter-clockwise against the flow.
    let normal = Vector3::from(jet.axis);
    let points: Vec<_> = frame.outline_mm.iter().map(|p| Vector3::from(*p)).collect();
    let twice: Vector3<f64> =
        (0..points.len()).map(|i| points[i].cross(&points[(i + 1) % points.len()])).sum();
    assert!((twice.dot(&normal) / 2.0 / frame.effective_area_mm2 - 1.0).abs() < 1e-9);
    // A late orifice is shut in the first half.
    assert!(jet.frames.iter().filter(|f| f.time_s < 0.19).all(|f| !f.present));
}

#[test]
fn a_cancelled_watch_stops_it() {
    let token = CancelToken::new();
    token.cancel();
    let made = simulate(&small(), &Watch::new(token, |_, _, _| {}));
    assert!(matches!(made, Err(PhantomError::Cancelled(_))));
}

#[test]
fn reject_takes_slow_colour_alone_and_tissue_priority_what_is_bright() {
    let mut recipe = small();
    recipe.blood.speed_m_s = 0.2;
    let (plain, _) = made(&recipe);
    recipe.doppler.reject_m_s = 0.15;
    let (rejected, _) = made(&recipe);
    let zero = plain.velocity_scale().unwrap().zero_code();
    let step = 2.0 * recipe.doppler.nyquist_m_s / 256.0;
    let (mut taken, mut kept) = (0, 0);
    let pairs = codes(&plain, ChannelKind::Velocity).into_iter().zip(codes(&rejected, ChannelKind::Velocity));
    for (all, left) in pairs.filter(|(all, _)| *all != zero) {
        let speed = plain.velocity_scale().unwrap().velocity(all).get().abs();
        // Codes are rounded; what lies within a step of the limit may go either way.
        if (speed - 0.15).abs() > step {
            assert_eq!(left, if speed < 0.15 { zero } else { all }, "{speed}");
        }
        (taken, kept) = if left == zero { (taken + 1, kept) } else { (taken, kept + 1) };
    }
    assert!(taken > 100 && kept > 200, "{taken} {kept}");

    recipe.doppler.reject_m_s = 0.0;
    recipe.doppler.tissue_priority = TissuePriority::Off;
    let (open, _) = made(&recipe);
    let tissue = codes(&open, ChannelKind::Tissue);
    let mut hidden = 0;
    for (i, (on, off)) in
        codes(&plain, ChannelKind::Velocity).into_iter().zip(codes(&open, ChannelKind::Velocity)).enumerate()
    {
        assert!(on == off || on == zero, "{on} {off}");
        // The limit lies at code 116; grain of one step of 6 codes in four deviations.
        if on != off {
            assert!(tissue[i] > 90, "{}", tissue[i]);
            hidden += 1;
        }
    }
    assert!(hidden > 20, "{hidden}");
}
