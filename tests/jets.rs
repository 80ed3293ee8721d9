//! Several jets: told apart, each with its own neck, area, moment and pattern.
//!
//! Areas add at one moment; widths do not, and the results say so.

#![allow(clippy::unwrap_used, reason = "a test may fail where it stands")]

use narrows::beat::Pattern;
use narrows::job::Watch;
use narrows::measure::results::{Interval, JetResult, Results};
use narrows::measure::{Options, measure};
use narrows::phantom::flow::FlowUse;
use narrows::phantom::{
    JetTruth, JetTruthFrame, OrificeRecipe, OrificeShape, Recipe, Truth, WaveKind, WaveRecipe, random_recipe,
    simulate,
};
use narrows::trust::Verdict;

/// A round orifice of so many mm2 at a place of the plate
fn hole(area_mm2: f64, position_mm: [f64; 2]) -> OrificeRecipe {
    OrificeRecipe {
        shape: OrificeShape::Round { diameter_mm: 5.0 },
        effective_area_mm2: Some(area_mm2),
        position_mm,
        ..OrificeRecipe::default()
    }
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
fn paired<'a>(
    results: &'a Results,
    truth: &'a Truth,
) -> Vec<(&'a JetResult, &'a JetTruth, &'a JetTruthFrame)> {
    let pairs: Vec<_> = truth
        .jets
        .iter()
        .map(|jet| {
            let far = |found: &JetResult| apart(found.neck_mm, jet.frames[found.peak_frame].neck_mm);
            let found = results.jets.iter().min_by(|a, b| far(a).total_cmp(&far(b))).unwrap();
            assert!(far(found) < 2.0, "orifice {}: nearest neck is {:.1} mm off", jet.id, far(found));
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

/// Solved jets at mid-systole
fn solved(flow: &str) -> (Results, Truth) {
    let recipe = format!("seed = 11\n[beat]\nframes = 1\nfirst_s = 0.2\n[flow]\nsolved = \"{flow}\"\n");
    measured(&Recipe::from_toml(&recipe).unwrap())
}

#[test]
fn a_second_jet_is_found_beside_one_that_a_look_from_afar_leaves_it_for() {
    for seed in [331, 407, 475] {
        let recipe = random_recipe(seed, FlowUse::Tuning).unwrap().single_frame();
        let (results, truth) = measured(&recipe);
        assert_eq!(results.jets.len(), 2, "{seed}");
        paired(&results, &truth);
    }
}

#[test]
fn solved_jets_are_counted_told_apart_and_their_areas_add_but_not_their_widths() {
    // Round, oval and slit, 8 to 15 mm from middle to middle; the nearest merge downstream.
    for name in ["three-9", "two-8-lipped", "two-15"] {
        let (results, truth) = solved(name);
        assert_eq!(results.jets.len(), truth.jets.len(), "{name}");
        for (found, _, now) in paired(&results, &truth) {
            let (area, truth) = (&found.vca_mm2, now.effective_area_mm2);
            assert!((area.value / truth - 1.0).abs() < 0.3 && holds(area, truth), "{name}: {area:?} {truth}");
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
        let put_in: f64 = truth.jets.iter().map(|jet| jet.frames[0].effective_area_mm2).sum();
        assert!(holds(total, put_in), "{name}: {total:?} {put_in}");
        // Widths stand with each jet, none with the total, and that is said.
        let document = serde_json::to_value(&results).unwrap();
        let keys: Vec<&String> = document["total"].as_object().unwrap().keys().collect();
        assert!(keys.iter().all(|key| !key.contains("width")), "{keys:?}");
        assert!(results.cautions.iter().any(|c| c.contains("areas add") && c.contains("widths do not")));
        // Each draws on the blood of the other, and that is said.
        assert!(results.cautions.iter().any(|c| c.contains("draws on the same blood")));
    }
}

#[test]
fn jets_that_differ_in_time_are_told_each_in_its_own() {
    let wave = |kind| WaveRecipe { kind, share: 0.45, ..WaveRecipe::default() };
    let mut recipe = Recipe::default();
    recipe.beat.frames = 12;
    recipe.beat.interval_s = 0.033;
    recipe.grid.shape = [60, 52, 52];
    recipe.grid.voxel_mm = [0.65; 3];
    recipe.orifice = vec![
        OrificeRecipe { wave: wave(WaveKind::Early), ..hole(24.0, [-7.0, 0.0]) },
        OrificeRecipe { wave: wave(WaveKind::Late), ..hole(18.0, [7.0, 0.0]) },
    ];
    let (results, truth) = measured(&recipe);
    assert_eq!(results.jets.len(), 2);
    let pairs = paired(&results, &truth);
    for ((found, jet, now), pattern) in pairs.iter().zip([Pattern::Early, Pattern::Late]) {
        // (The network knows no drawn jets.)
        let area = found.vca_mm2.value / now.effective_area_mm2;
        assert!((area - 1.0).abs() < 0.3, "{area}");
        assert_eq!(found.systole.pattern, pattern);
        let open: Vec<usize> = jet.frames.iter().filter(|f| f.present).map(|f| f.frame).collect();
        assert!(open.contains(&found.peak_frame), "{} of {open:?}", found.peak_frame);
        // It is told where it is open and nowhere else; the ramp at its end may be missed.
        let told: Vec<usize> = found.frames.iter().filter(|f| f.vca_mm2.is_some()).map(|f| f.frame).collect();
        assert!(told.iter().all(|f| open.contains(f)) && told.len() + 1 >= open.len(), "{told:?} {open:?}");
    }
    // They are never open together, so the total is one of them, and it is said which.
    let total = &results.total;
    let largest = &results.jets[0];
    assert_eq!((total.frame, total.vca_mm2), (Some(largest.peak_frame), largest.vca_mm2));
    let said = format!(
        "The total is that of jet 1 in frame {}, where it is largest; jet 2 is not open then.",
        largest.peak_frame + 1
    );
    assert!(results.cautions.contains(&said), "{:?}", results.cautions);
}

#[test]
fn a_wide_opening_left_slantwise_to_the_beam_is_not_missed() {
    // A crescent of 0.87 cm2, 45 degrees off the beam: every plane across the beam that meets the opening also
    // meets the convergence beside it.
    let mut recipe = Recipe::default();
    recipe.scan.beam_angle_deg = 45.0;
    recipe.orifice[0].shape = OrificeShape::Crescent { inner_mm: 4.5, outer_mm: 6.8, angle_deg: 150.0 };
    recipe.orifice[0].effective_area_mm2 = Some(87.0);
    let (results, truth) = measured(&recipe.single_frame());
    let now = &truth.jets[0].frames[0];
    assert!(now.beam_angle_deg > 40.0 && now.effective_area_mm2 > 80.0);
    assert_eq!(results.jets.len(), 1);
    // (The network knows no drawn jets.)
    let found = results.total.vca_mm2.value / now.effective_area_mm2;
    assert!((found - 1.0).abs() < 0.2, "{found}");
    assert!(apart(results.jets[0].neck_mm, now.neck_mm) < 2.0);
}

#[test]
fn noise_that_is_drawn_as_colour_is_told() {
    // No orifice, and a gain so low that noise fills the picture. Jets may be made up of it, and never without the
    // finding that says so.
    for seed in 0..3 {
        let mut recipe = Recipe { seed: 7000 + seed, orifice: Vec::new(), ..Recipe::default() };
        recipe.doppler.gain = 0.02;
        recipe.doppler.noise_db = 12.0;
        recipe.beat.frames = 3;
        let (results, _) = measured(&recipe);
        let gain = results.trust.findings.iter().find(|finding| finding.code == "colour-gain").unwrap();
        assert!(gain.verdict == Verdict::Limited && gain.message.contains("saturated"), "{gain:?}");
        assert_ne!(results.trust.verdict, Verdict::Adequate);
    }
}
