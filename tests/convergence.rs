//! The flow convergence of simulated acquisitions against the flow that was put into them.

#![allow(clippy::unwrap_used, reason = "a test may fail where it stands")]

use narrows::beat::ContinuousWave;
use narrows::job::Watch;
use narrows::measure::results::{Counted, JetResult};
use narrows::measure::{Options, measure};
use narrows::phantom::{OrificeShape, Recipe, SheetKind, Truth, simulate};
use narrows::unit::MetresPerSecond;
use narrows::volume::Volume4;

/// One frame at mid-systole of one orifice, 0.4 cm2, seen at 10 degrees
fn made(shape: OrificeShape, sheet: SheetKind) -> (Volume4, Truth) {
    let mut recipe = Recipe::default();
    recipe.orifice[0].shape = shape;
    recipe.orifice[0].effective_area_mm2 = Some(40.0);
    recipe.flow.sheet = sheet;
    recipe.beat.frames = 1;
    recipe.beat.first_s = recipe.beat.systole_onset_s + recipe.beat.systole_duration_s / 2.0;
    simulate(&recipe, &Watch::silent()).unwrap()
}

fn measured(volume: &Volume4, peak: Option<f64>) -> JetResult {
    let continuous_wave = ContinuousWave { peak: peak.map(MetresPerSecond::new), ..Default::default() };
    let options = Options { continuous_wave, ..Options::default() };
    let mut results = measure(volume, &options, &Watch::silent()).unwrap();
    assert_eq!(results.jets.len(), 1);
    results.jets.remove(0)
}

#[test]
fn a_round_aperture_gives_its_flow_and_the_hemisphere_loses_what_is_published() {
    let (volume, truth) = made(OrificeShape::Round { diameter_mm: 7.0 }, SheetKind::Aperture);
    let now = &truth.jets[0].frames[0];
    let jet = measured(&volume, Some(now.core_speed_m_s));
    let zone = &jet.convergence;
    let flow = zone.flow_ml_s.unwrap();
    assert!((flow.value / now.flow_ml_s - 1.0).abs() < 0.10, "{flow:?} {}", now.flow_ml_s);
    assert!(flow.low < now.flow_ml_s && now.flow_ml_s < flow.high);
    // Flow over the peak velocity is the effective orifice.
    let orifice = zone.eroa_mm2.unwrap();
    assert!((orifice.value / now.effective_area_mm2 - 1.0).abs() < 0.10, "{orifice:?}");
    // On the axis of a circular aperture the hemisphere tells Q (1 - v / v0), v0 the speed at its centre, Q
    // over 2 pi a^2 (Lamb, Hydrodynamics, section 108, from memory); the displayed velocity lacks the cosine
    // of the beam's angle besides, 1.5 % at 10 degrees.
    // The radius is taken from the upstream face of the plate, where the aperture is; the opening that was found
    // lies a little off it, and the formula goes with the square of the radius.
    let half = zone.hemisphere.unwrap();
    let centre = zone.centre_mm.unwrap();
    let beyond: f64 = (0..3).map(|i| (centre[i] - truth.plate_mm[i]) * truth.plate_normal[i]).sum();
    let off = beyond + truth.recipe.plate.thickness_mm / 2.0;
    assert!(off.abs() < 1.5, "{off}");
    let radius = half.radius_mm - off;
    let v0 = now.flow_ml_s / (2.0 * now.anatomic_area_mm2);
    let expected = now.flow_ml_s * (1.0 - half.speed_m_s / v0);
    let told = 2.0 * std::f64::consts::PI * radius * radius * half.speed_m_s;
    assert!((told / expected - 1.0).abs() < 0.12, "{half:?} {told} {expected}");
    assert!(half.error_percent < 0.0);
    assert!(zone.agreement_percent.unwrap() > 90.0, "{:?}", zone.agreement_percent);
    // The same flow passes the surfaces, whatever their speed and area.
    let counted: Vec<_> = zone.surfaces.iter().filter(|s| s.counted == Counted::Yes).collect();
    assert!(counted.len() >= 3);
    assert!(counted.windows(2).all(|pair| pair[0].area_mm2 > pair[1].area_mm2));
    assert!(zone.spread_percent.unwrap() < 10.0);
}

#[test]
fn an_elongated_orifice_is_underestimated_by_the_hemisphere_and_not_by_the_surfaces() {
    // Length to width 3.4, the mean of functional regurgitation (Berdejo and others, Echocardiography), where 2D
    // flow convergence read 29.1 % too little; 27 % by Zeng and others, Circ Cardiovasc Imaging 2011;4:506-13.
    // A band and no more: patients are not this phantom.
    let shape = OrificeShape::Elliptical { long_mm: 17.0, short_mm: 5.0 };
    let (mut volume, truth) = made(shape, SheetKind::Uniform);
    let now = &truth.jets[0].frames[0];
    let jet = measured(&volume, None);
    let zone = &jet.convergence;
    let flow = zone.flow_ml_s.unwrap();
    assert!((flow.value / now.flow_ml_s - 1.0).abs() < 0.12, "{flow:?} {}", now.flow_ml_s);
    assert!(zone.eroa_mm2.is_none());
    let error = zone.hemisphere.unwrap().error_percent;
    assert!((-50.0..-10.0).contains(&error), "{error}");

    // Without a probe there is no angle, and that is the reason given.
    volume.apex = None;
    let jet = measured(&volume, Some(5.0));
    assert!(jet.convergence.flow_ml_s.is_none() && jet.convergence.surfaces.is_empty());
    assert!(jet.convergence.reason.unwrap().contains("where the probe is"));
}

#[test]
fn fine_voxels_give_the_flow_that_coarse_ones_give() {
    let shape = OrificeShape::Elliptical { long_mm: 10.0, short_mm: 6.0 };
    let flow = |voxel: f64, side: usize| {
        let mut recipe = Recipe::default();
        recipe.orifice[0].shape = shape.clone();
        recipe.orifice[0].effective_area_mm2 = Some(40.0);
        recipe.grid.voxel_mm = [voxel; 3];
        recipe.grid.shape = [side; 3];
        recipe.beat.frames = 1;
        recipe.beat.first_s = recipe.beat.systole_onset_s + recipe.beat.systole_duration_s / 2.0;
        let (volume, truth) = simulate(&recipe, &Watch::silent()).unwrap();
        let flow = measured(&volume, None).convergence.flow_ml_s.unwrap();
        let put_in = truth.jets[0].frames[0].flow_ml_s;
        assert!(flow.low < put_in && put_in < flow.high, "{voxel} mm: {flow:?} {put_in}");
        flow.value / put_in
    };
    let (coarse, fine) = (flow(0.64, 56), flow(0.32, 112));
    assert!((coarse - 1.0).abs() < 0.1 && (fine - 1.0).abs() < 0.1, "{coarse} {fine}");
    assert!((fine / coarse - 1.0).abs() < 0.04, "{coarse} {fine}");
}
