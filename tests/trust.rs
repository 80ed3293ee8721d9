//! The trust check on simulated acquisitions: the weak are caught, the clean are not accused.
//!
//! `examples/trust.rs` does the same over more recipes and prints rates.

#![allow(clippy::unwrap_used, reason = "a test may fail where it stands")]

use narrows::job::{CancelToken, Watch};
use narrows::measure::{Options, measure};
use narrows::phantom::{Recipe, simulate};
use narrows::trust::{Finding, Verdict, acquisition, stitch};
use narrows::volume::{ChannelKind, Volume4};

fn made(recipe: &Recipe) -> Volume4 {
    simulate(recipe, &Watch::silent()).unwrap().0
}

fn shifted(recipe: &mut Recipe, mm: f64) {
    recipe.beat.gated_beats = 3;
    recipe.beat.shift_mm = vec![[0.0; 3], [0.3 * mm, 0.7 * mm, 0.7 * mm], [0.0; 3]];
}

/// One frame of a drawn jet, seen from another side each time
fn drawn(seed: u64) -> Recipe {
    let mut recipe = Recipe { seed, ..Recipe::default() };
    recipe.scan.beam_angle_deg = 5.0 + seed as f64 % 5.0 * 5.0;
    recipe.scan.beam_azimuth_deg = 77.0 * (seed % 4) as f64;
    recipe.single_frame()
}

/// What is worse than adequate, apart from there being one frame only
fn accused(findings: Vec<Finding>) -> Vec<Finding> {
    findings.into_iter().filter(|f| f.verdict != Verdict::Adequate && f.code != "volume-rate").collect()
}

fn codes(findings: &[Finding]) -> Vec<&str> {
    findings.iter().map(|f| f.code.as_str()).collect()
}

#[test]
fn clean_acquisitions_are_not_accused_and_shifted_beats_are_caught() {
    for seed in [201, 202, 203] {
        let mut recipe = drawn(seed);
        let clean = accused(acquisition(&made(&recipe)));
        assert!(clean.is_empty(), "seed {seed}: {clean:?}");
        shifted(&mut recipe, 1.5);
        let volume = made(&recipe);
        let found = stitch(&volume, &CancelToken::new()).unwrap();
        assert_eq!(codes(&accused(acquisition(&volume))), ["stitch"], "seed {seed}: {found:?}");
        // Slabs lie along x, their borders after 24 and 48 of 72 planes.
        assert_eq!(found.axis, 0);
        assert!([23, 47].contains(&found.plane), "{}", found.plane);
        assert!(found.steps().iter().all(|plane| [23, 47].contains(plane)), "{:?}", found.steps());
    }
}

#[test]
fn extremes_of_the_gain_are_caught_with_and_without_power() {
    let clean = drawn(204);
    for (gain, word) in [(0.02, "saturated"), (0.9, "starved")] {
        let mut recipe = clean.clone();
        recipe.doppler.gain = gain;
        let found = accused(acquisition(&made(&recipe)));
        assert_eq!(codes(&found), ["colour-gain"], "{gain}");
        assert!(found[0].message.contains(word), "{}", found[0].message);
        // Without power a starved gain looks like a small jet; filled with noise it cannot hide.
        if gain < 0.1 {
            recipe.store.channels.retain(|kind| *kind != ChannelKind::Power);
            let found = accused(acquisition(&made(&recipe)));
            assert!(codes(&found).contains(&"colour-gain"), "{found:?}");
        }
    }
}

#[test]
fn a_clean_acquisition_stays_clean_when_its_jets_are_asked() {
    let recipe = drawn(205);
    let results = measure(&made(&recipe), &Options::default(), &Watch::silent()).unwrap();
    assert!(!results.jets.is_empty());
    let codes: Vec<String> = results.trust.findings.iter().map(|f| f.code.clone()).collect();
    for code in ["colour-gain", "baseline", "beam-angle", "resolution", "stitch", "rhythm"] {
        assert!(codes.iter().any(|c| c == code) || recipe.beat.gated_beats < 2, "{code} of {codes:?}");
    }
    let scores = &results.trust.stitch.as_ref().unwrap().scores;
    assert_eq!(scores.len(), 71);
    let found = accused(results.trust.findings);
    assert!(found.is_empty(), "{found:?}");
}

#[test]
fn the_room_upstream_the_beam_and_the_rhythm_are_judged() {
    let mut recipe = Recipe::default();
    recipe.beat.frames = 1;
    recipe.beat.first_s = 0.2;
    recipe.beat.gated_beats = 3;
    recipe.beat.beats_rr_s = vec![0.70, 0.95, 0.85];
    recipe.beat.rr_s = 0.85;
    // Toward the probe the jet runs up; the volume ends 8 mm below the plate.
    recipe.grid.shape = [64, 64, 52];
    recipe.grid.offset_mm = [0.0, 0.0, -8.0];
    let results = measure(&made(&recipe), &Options::default(), &Watch::silent()).unwrap();
    let found = accused(results.trust.findings);
    let rhythm = found.iter().find(|f| f.code == "rhythm").unwrap();
    // (0.95 - 0.70) / 0.8333 = 30 %.
    assert!((rhythm.value.unwrap() - 30.0).abs() < 1e-9);
}
