//! The beat as a whole: frames whose neck is not displayed, and the volume that a typed envelope gives.

#![allow(clippy::unwrap_used, reason = "a test may fail where it stands")]

use narrows::beat::ContinuousWave;
use narrows::job::Watch;
use narrows::measure::results::Results;
use narrows::measure::{Options, measure};
use narrows::phantom::{OrificeShape, Recipe, Truth, WaveKind, simulate};
use narrows::trust::Verdict;
use narrows::unit::{MetresPerSecond, Seconds};

fn measured(recipe: &Recipe, peak_m_s: f64) -> (Results, Truth) {
    let (volume, truth) = simulate(recipe, &Watch::silent()).unwrap();
    let continuous_wave = ContinuousWave {
        peak: Some(MetresPerSecond::new(peak_m_s)),
        duration: Some(Seconds::new(recipe.beat.systole_duration_s)),
        vti_m: None,
    };
    let options = Options { continuous_wave, ..Options::default() };
    (measure(&volume, &options, &Watch::silent()).unwrap(), truth)
}

#[test]
fn a_neck_that_the_gain_hides_is_no_closed_orifice() {
    // A crescent that dips to 15 mm2 in mid-systole, at a gain that shows no neck of it in some frames.
    let mut recipe = Recipe::default();
    recipe.orifice[0].shape = OrificeShape::Crescent { inner_mm: 4.5, outer_mm: 6.8, angle_deg: 120.0 };
    recipe.orifice[0].effective_area_mm2 = Some(38.0);
    recipe.orifice[0].wave.kind = WaveKind::Biphasic;
    recipe.doppler.gain = 0.6;
    let (results, truth) = measured(&recipe, recipe.orifice[0].wave.peak_m_s);
    assert_eq!((results.jets.len(), truth.jets.len()), (1, 1));
    let frames = &results.jets[0].frames;
    let hides = frames.iter().filter(|frame| frame.hidden).count();
    assert!(hides >= 1, "{hides} frames hide their neck");
    for (found, put_in) in frames.iter().zip(&truth.jets[0].frames) {
        // Nothing is made up where the orifice is shut.
        assert!(put_in.present || found.vca_mm2.is_none(), "frame {}", found.frame);
        if found.hidden {
            let (area, true_area) = (found.vca_mm2.unwrap(), put_in.effective_area_mm2);
            // The shape beside it is the network's reading of a drawn jet: within a half.
            assert!(area.low == 0.0 && area.high >= 0.5 * true_area, "frame {}: {area:?}", found.frame);
            assert!(found.neck_mm.is_some() && found.traced_at_mm.is_none());
        }
    }
    let finding = results.trust.findings.iter().find(|finding| finding.code == "hidden-neck").unwrap();
    assert_eq!((finding.verdict, finding.value), (Verdict::Limited, Some(hides as f64)));
    let (volume, put_in) = (results.total.regurgitant_volume_ml.unwrap(), truth.regurgitant_volume_ml);
    assert!(volume.value > 0.4 * put_in && volume.high > 0.8 * put_in, "{volume:?} of {put_in}");
}

#[test]
fn a_typed_peak_gives_the_volume_of_a_full_envelope() {
    // The waves of simulated jets are the root of a half-sine: by a half-sine the volume reads 17 % too little.
    let recipe = "name = \"full\"\n[grid]\nshape = [56, 56, 56]\n[beat]\nframes = 8\n\
                  [flow]\nsolved = \"ellipse-12-6\"\n";
    let recipe = Recipe::from_toml(recipe).unwrap();
    let (results, truth) = measured(&recipe, recipe.flow.wave.peak_m_s);
    let envelope = results.total.cw_envelope.unwrap();
    assert!(envelope.frames >= 3, "{envelope:?}");
    assert!(
        (envelope.power - recipe.flow.wave.roundness).abs() < 1.96 * envelope.power_error,
        "{envelope:?}"
    );
    let (volume, put_in) = (results.total.regurgitant_volume_ml.unwrap(), truth.regurgitant_volume_ml);
    // How long systole lasts is known to a frame of eight.
    assert!((volume.value / put_in - 1.0).abs() < 0.2, "{volume:?} of {put_in}");
    assert!(volume.low <= put_in && put_in <= volume.high, "{volume:?} of {put_in}");
}
