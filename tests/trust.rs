//! The trust check on simulated acquisitions: the weak are caught, the clean are not accused.

#![allow(clippy::unwrap_used, reason = "a test may fail where it stands")]

use narrows::job::Watch;
use narrows::phantom::{Recipe, simulate};
use narrows::trust::{Verdict, acquisition, stitch};
use narrows::volume::Volume4;

fn gated(shift_mm: f64) -> Volume4 {
    let mut recipe = Recipe::default();
    recipe.beat.frames = 1;
    recipe.beat.first_s = 0.15;
    recipe.beat.gated_beats = 3;
    recipe.beat.shift_mm = vec![[0.0; 3], [0.3 * shift_mm, shift_mm, shift_mm], [0.0; 3]];
    simulate(&recipe, &Watch::silent()).unwrap().0
}

fn verdict(volume: &Volume4) -> Verdict {
    acquisition(volume).iter().find(|f| f.code == "stitch").unwrap().verdict
}

#[test]
fn shifted_beats_are_caught_and_still_ones_are_not_accused() {
    let still = gated(0.0);
    assert_eq!(verdict(&still), Verdict::Adequate, "{:?}", stitch(&still));
    let shifted = gated(2.0);
    assert_eq!(verdict(&shifted), Verdict::Limited, "{:?}", stitch(&shifted));
    assert_eq!(stitch(&shifted).unwrap().axis, 0);
}
