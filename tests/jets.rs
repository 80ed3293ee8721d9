//! Several jets: told apart, each with its own neck, area, moment and pattern.
//!
//! Areas add at one moment; widths do not, and the results say so.

#![allow(clippy::unwrap_used, reason = "a test may fail where it stands")]

use narrows::beat::Pattern;
use narrows::job::Watch;
use narrows::measure::results::{Interval, JetResult, Results};
use narrows::measure::{Options, measure};
use narrows::phantom::{
    JetTruth, JetTruthFrame, OrificeRecipe, OrificeShape, Recipe, Truth, WaveKind, WaveRecipe, simulate,
};

/// A round orifice of so many mm2 at a place of the plate
fn hole(area_mm2: f64, position_mm: [f64; 2]) -> OrificeRecipe {
    OrificeRecipe {
        shape: OrificeShape::Round { diameter_mm: 5.0 },
        effective_area_mm2: Some(area_mm2),
        position_mm,
        ..OrificeRecipe::default()
    }
}

/// One frame at mid-systole
fn at_mid_systole() -> Recipe {
    let mut recipe = Recipe::default();
    recipe.beat.frames = 1;
    recipe.beat.first_s = recipe.beat.systole_onset_s + recipe.beat.systole_duration_s / 2.0;
    recipe
}

fn measured(recipe: &Recipe) -> (Results, Truth) {
    let (volume, truth) = simulate(recipe, &Watch::silent()).unwrap();
    (measure(&volume, &Options::default(), &Watch::silent()).unwrap(), truth)
}

fn apart(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt()
}

/// Each orifice with the jet that was found at its neck, at the jet's peak frame; fails where one has none
/// or two have the same
fn paired<'a>(results: &'a Results, truth: &'a Truth) -> Vec<(&'a JetResult, &'a JetTruth, &'a JetTruthFrame)> {
    let pairs: Vec<_> = truth
        .jets
        .iter()
        .map(|jet| {
            let far = |found: &JetResult| apart(found.neck_mm, jet.frames[found.peak_frame].neck_mm);
            let found = results.jets.iter().min_by(|a, b| far(a).total_cmp(&far(b))).unwrap();
            assert!(far(found) < 1.5, "orifice {}: nearest neck is {:.1} mm off", jet.id, far(found));
            (found, jet, &jet.frames[found.peak_frame])
        })
        .collect();
    let mut ids: Vec<usize> = pairs.iter().map(|(found, ..)| found.id).collect();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), truth.jets.len(), "two orifices share a jet");
    pairs
}

fn holds(area: &Interval, truth: f64) -> bool {
    area.low <= truth && truth <= area.high
}

#[test]
fn five_jets_are_counted_five_and_their_areas_add_but_not_their_widths() {
    let mut recipe = at_mid_systole();
    recipe.grid.shape = [84, 84, 60];
    recipe.plate.annulus_radius_mm = 24.0;
    recipe.orifice = vec![
        hole(24.0, [0.0, 0.0]),
        hole(20.0, [13.0, 0.0]),
        hole(16.0, [-13.0, 0.0]),
        hole(18.0, [0.0, 13.0]),
        hole(14.0, [0.0, -13.0]),
    ];
    let (results, truth) = measured(&recipe);
    assert_eq!(results.jets.len(), 5);
    for (found, _, now) in paired(&results, &truth) {
        let area = &found.vca_mm2;
        let error = area.value / now.effective_area_mm2 - 1.0;
        assert!(error.abs() < 0.15 && holds(area, now.effective_area_mm2), "{area:?} {}", now.effective_area_mm2);
    }
    // Numbered from the largest down.
    assert!(results.jets.iter().enumerate().all(|(i, jet)| jet.id == i + 1));
    assert!(results.jets.windows(2).all(|pair| pair[0].vca_mm2.value >= pair[1].vca_mm2.value));
    // The total is the sum of what the same frame shows, ends and all.
    let sum = |pick: fn(&Interval) -> f64| results.jets.iter().map(|jet| pick(&jet.vca_mm2)).sum::<f64>();
    let total = &results.total.vca_mm2;
    for (whole, parts) in
        [(total.value, sum(|a| a.value)), (total.low, sum(|a| a.low)), (total.high, sum(|a| a.high))]
    {
        assert!((whole - parts).abs() < 1e-9, "{whole} {parts}");
    }
    assert!(holds(total, 92.0), "{total:?}");
    // Widths stand with each jet, none with the total, and that is said.
    let document = serde_json::to_value(&results).unwrap();
    let keys: Vec<&String> = document["total"].as_object().unwrap().keys().collect();
    assert!(keys.iter().all(|key| !key.contains("width")), "{keys:?}");
    assert!(results.cautions.iter().any(|c| c.contains("areas add") && c.contains("widths do not")));
}
