//! Two measurements side by side: before and after a repair, or two visits.
//!
//! A change is the later value less the earlier one. Its interval takes the errors of the two as
//! independent: the distances from a value to the ends of its interval add as squares, each end of
//! the change with the two ends that make it. Part of what both share (the same scanner, the same
//! point spread, the same gain) cancels in truth, so that the interval is rather too wide than too
//! narrow, as long as both were acquired alike; where they were not, that is said.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::results::{Interval, Results, Tool, Verdict};

/// The name of this version of the document
pub const COMPARISON_SCHEMA: &str = "narrows/comparison/1";

/// Two measurements and what lies between them
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Comparison {
    /// Always `narrows/comparison/1`
    pub schema: String,
    /// What made the document
    pub tool: Tool,
    /// The earlier measurement
    pub before: Results,
    /// The later one
    pub after: Results,
    /// What lies between them
    pub change: Change,
    /// What the intervals of the changes rest on
    pub assumption: String,
    /// What stands against comparing the two, a sentence each
    pub cautions: Vec<String>,
}

/// What lies between two measurements
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Change {
    /// Sum of the jets' areas, mm2
    pub vca_mm2: Difference,
    /// Regurgitant volume, ml; `null` where one of the two has none
    pub regurgitant_volume_ml: Option<Difference>,
    /// Number of jets, before and after
    pub jets: [usize; 2],
    /// What the grading concluded, before and after; `null` where one of the two was not graded
    pub severity: Option<[String; 2]>,
}

/// A change of one quantity
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Difference {
    /// After less before, with its interval; in the unit of the quantity
    pub difference: Interval,
    /// The difference as percent of the value before; `null` from zero
    pub percent: Option<f64>,
    /// Whether the change is more than the uncertainty
    pub direction: ChangeDirection,
}

/// Whether a change is more than the uncertainty
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ChangeDirection {
    /// The whole interval lies below zero
    Smaller,
    /// The interval holds zero: no change can be claimed
    NotTold,
    /// The whole interval lies above zero
    Larger,
}

/// What the intervals rest on
const ASSUMPTION: &str =
    "The intervals of the changes take the errors of the two measurements as independent.";

/// The change from one value to another
pub fn difference(before: &Interval, after: &Interval) -> Difference {
    let value = after.value - before.value;
    let below = libm::hypot(after.value - after.low, before.high - before.value);
    let above = libm::hypot(after.high - after.value, before.value - before.low);
    let difference = Interval { value, low: value - below, high: value + above };
    let direction = if difference.high < 0.0 {
        ChangeDirection::Smaller
    } else if difference.low > 0.0 {
        ChangeDirection::Larger
    } else {
        ChangeDirection::NotTold
    };
    let percent = (before.value > 0.0).then(|| 100.0 * value / before.value);
    Difference { difference, percent, direction }
}

/// Compares two measurements
pub fn compare(before: Results, after: Results) -> Comparison {
    let volume = before.total.regurgitant_volume_ml.zip(after.total.regurgitant_volume_ml);
    let outcome = |results: &Results| Some(results.severity.as_ref()?.conclusion.outcome.words().to_owned());
    let severity = outcome(&before).zip(outcome(&after)).map(|(before, after)| [before, after]);
    Comparison {
        schema: COMPARISON_SCHEMA.to_owned(),
        tool: after.tool.clone(),
        change: Change {
            vca_mm2: difference(&before.total.vca_mm2, &after.total.vca_mm2),
            regurgitant_volume_ml: volume.map(|(before, after)| difference(&before, &after)),
            jets: [before.jets.len(), after.jets.len()],
            severity,
        },
        assumption: ASSUMPTION.to_owned(),
        cautions: cautions(&before, &after),
        before,
        after,
    }
}

/// What stands against comparing two acquisitions
fn cautions(before: &Results, after: &Results) -> Vec<String> {
    let mut said = Vec::new();
    let (a, b) = (&before.source, &after.source);
    if !a.blake3.is_empty() && a.blake3 == b.blake3 {
        said.push("Both are the same file.".to_owned());
    }
    let apart = |x: f64, y: f64, share: f64| (x - y).abs() > share * x.abs().max(y.abs());
    // A tenth is our own choice: smaller steps of the controls hardly move an edge.
    if apart(a.nyquist_m_s, b.nyquist_m_s, 0.1) {
        said.push(format!(
            "The Nyquist limits differ: {:.2} and {:.2} m/s. Areas are best compared at the same limit.",
            a.nyquist_m_s, b.nyquist_m_s
        ));
    }
    let (coarse_a, coarse_b) = (
        a.voxel_mm.iter().fold(0.0, |m: f64, v| m.max(*v)),
        b.voxel_mm.iter().fold(0.0, |m: f64, v| m.max(*v)),
    );
    if apart(coarse_a, coarse_b, 0.25) {
        said.push(format!("The voxels differ in size: up to {coarse_a:.2} and {coarse_b:.2} mm."));
    }
    if a.channels != b.channels {
        said.push(
            "The two hold different channels, so the blooming correction rests on different grounds."
                .to_owned(),
        );
    }
    for (when, results) in [("earlier", before), ("later", after)] {
        if results.trust.verdict == Verdict::Unfit {
            said.push(format!(
                "The {when} acquisition is unfit for this measurement: the change must not be relied on."
            ));
        }
    }
    if before.jets.is_empty() != after.jets.is_empty() {
        said.push("One of the two shows no jet. That is no proof of a closed orifice: a small or poorly aligned jet can be missed, and no interval covers that.".to_owned());
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn independent_errors_add_as_squares() {
        let before = Interval { value: 40.0, low: 37.0, high: 44.0 };
        let after = Interval { value: 20.0, low: 16.0, high: 23.0 };
        let change = difference(&before, &after);
        // 3-4-5 triangles: below sqrt(4^2 + 4^2), above sqrt(3^2 + 3^2).
        assert!((change.difference.low - (-20.0 - 32f64.sqrt())).abs() < 1e-12);
        assert!((change.difference.high - (-20.0 + 18f64.sqrt())).abs() < 1e-12);
        assert_eq!((change.percent, change.direction), (Some(-50.0), ChangeDirection::Smaller));
        let same = difference(&before, &before);
        assert_eq!((same.difference.value, same.direction), (0.0, ChangeDirection::NotTold));
        assert_eq!((same.difference.low, same.difference.high), (-5.0, 5.0));
        let none = Interval { value: 0.0, low: 0.0, high: 0.0 };
        let grown = difference(&none, &before);
        assert_eq!((grown.percent, grown.direction), (None, ChangeDirection::Larger));
    }

    #[test]
    fn an_outcome_is_named_as_the_results_name_it() {
        use crate::severity::Outcome::{Indeterminate, Mild, Moderate, NotEnough, NotSevere, Severe};
        // Two that differ must not read as the same.
        for outcome in [Mild, Moderate, Severe, NotSevere, NotEnough, Indeterminate] {
            let key = serde_json::to_value(outcome).unwrap();
            assert_eq!(outcome.words(), key.as_str().unwrap().replace('_', " "));
        }
    }
}
