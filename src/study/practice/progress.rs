//! Many scored readings: attempts in the order of their time, and what a learner's error is made of.

use std::collections::{BTreeMap, BTreeSet};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Cause, Parts, STANDING, Scored};
use crate::measure;
use crate::measure::results::Tool;

/// The name of this version of the document
pub const SCORES_SCHEMA: &str = "narrows/practice-scores/1";

/// One reading of one case by one learner
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Attempt {
    /// Name of the learner
    pub learner: String,
    /// The case, as in the list
    pub case: String,
    /// What it was
    pub title: String,
    /// How hard, 1 to 8
    pub grade: u8,
    /// What there was to learn
    pub teaches: String,
    /// Which reading of this case by this learner, from 1
    pub attempt: usize,
    /// When the review was saved, seconds since 1970 (UTC); `null` where that is not known
    pub saved_s: Option<u64>,
    /// The review, as a path from where the reviews lie
    pub review: String,
    /// Whether it was read blind: before the reader saw what the program finds
    #[serde(default)]
    pub blind: bool,
    /// What was found
    pub score: Scored,
}

/// What a learner's errors are made of
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LearnerSummary {
    /// Name of the learner
    pub learner: String,
    /// Whether these are the blind readings, or those made with what the program finds in view
    #[serde(default)]
    pub blind: bool,
    /// Readings
    pub readings: usize,
    /// Different cases among them
    pub cases: usize,
    /// Mean size of the error, percent of the truth
    pub error_size_percent: Option<f64>,
    /// Mean error with its sign, percent of the truth
    pub bias_percent: Option<f64>,
    /// Mean size of each part, percent of the truth; these do not add up
    pub part_size_percent: Parts,
    /// The cause with the largest mean size among those that a learner can change; `null` where all are 0
    pub most_to_gain: Option<Cause>,
    /// True jets that were not read
    pub missed: usize,
    /// Readings of no jet
    pub none: usize,
    /// Cases read more than once
    pub repeated: usize,
    /// Mean size of the error at the first attempts of those, percent
    pub first_percent: Option<f64>,
    /// Mean size of the error at the last attempts of those, percent
    pub last_percent: Option<f64>,
}

/// A class's readings
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Scores {
    /// Always `narrows/practice-scores/1`
    pub schema: String,
    /// What made the document
    pub tool: Tool,
    /// What practice is and is not
    pub about: String,
    /// The readings: by learner, then in the order of their time
    pub attempts: Vec<Attempt>,
    /// One entry a learner, by name; blind and open readings apart, the blind ones first
    pub learners: Vec<LearnerSummary>,
    /// What a reader must bear in mind
    pub notes: Vec<String>,
}

impl Scores {
    /// Puts readings in order, counts the attempts and sums up each learner
    ///
    /// Readings of the same second stand in the order of their names.
    pub fn of(mut attempts: Vec<Attempt>, notes: Vec<String>) -> Self {
        attempts.sort_by(|a, b| {
            (&a.learner, a.saved_s, natural(&a.review)).cmp(&(&b.learner, b.saved_s, natural(&b.review)))
        });
        let mut counts: BTreeMap<(String, String), usize> = BTreeMap::new();
        for attempt in &mut attempts {
            let count = counts.entry((attempt.learner.clone(), attempt.case.clone())).or_default();
            *count += 1;
            attempt.attempt = *count;
        }
        let learners = attempts
            .chunk_by(|a, b| a.learner == b.learner)
            .flat_map(|own| [true, false].map(|blind| own.iter().filter(|a| a.blind == blind).collect()))
            .filter(|own: &Vec<&Attempt>| !own.is_empty())
            .map(|own| summary(&own))
            .collect();
        Self {
            schema: SCORES_SCHEMA.to_owned(),
            tool: Tool { version: env!("CARGO_PKG_VERSION").to_owned(), engine: measure::ENGINE.to_owned() },
            about: STANDING.to_owned(),
            attempts,
            learners,
            notes,
        }
    }
}

/// A name in pieces, so that `case-10` comes after `case-2`
fn natural(name: &str) -> Vec<(u64, String)> {
    let mut pieces = vec![(0, String::new())];
    let mut digits = String::new();
    for c in name.chars().chain(std::iter::once('\0')) {
        if c.is_ascii_digit() {
            digits.push(c);
            continue;
        }
        if !digits.is_empty() {
            // A number too long for 64 bits sorts last among numbers.
            pieces.push((digits.parse().unwrap_or(u64::MAX), String::new()));
            digits.clear();
        }
        if let Some((_, text)) = pieces.last_mut() {
            text.push(c);
        }
    }
    pieces
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    (count > 0.0).then(|| sum / count)
}

/// Of the blind or of the open readings of one learner
fn summary(own: &[&Attempt]) -> LearnerSummary {
    let error = |attempt: &Attempt| attempt.score.error_percent;
    let size = |attempt: &&Attempt| error(attempt).map(f64::abs);
    let cases: BTreeSet<&String> = own.iter().map(|attempt| &attempt.case).collect();
    let part_size_percent = Parts::each(|cause| {
        let sizes = own.iter().filter(|attempt| attempt.score.truth_mm2 > 0.0);
        mean(sizes.map(|a| 100.0 * a.score.parts_mm2.of(cause).abs() / a.score.truth_mm2)).unwrap_or(0.0)
    });
    // Blooming is the program's.
    let most = Parts { blooming: 0.0, ..part_size_percent }.largest();
    let of = |case: &String| own.iter().copied().filter(|a| a.case == *case).collect::<Vec<_>>();
    let again: Vec<Vec<&Attempt>> = cases.iter().map(|case| of(case)).filter(|all| all.len() > 1).collect();
    let jets = || own.iter().flat_map(|attempt| &attempt.score.jets);
    LearnerSummary {
        learner: own.first().map(|attempt| attempt.learner.clone()).unwrap_or_default(),
        blind: own.first().is_some_and(|attempt| attempt.blind),
        readings: own.len(),
        cases: cases.len(),
        error_size_percent: mean(own.iter().filter_map(size)),
        bias_percent: mean(own.iter().filter_map(|attempt| error(attempt))),
        part_size_percent,
        most_to_gain: (part_size_percent.of(most) > 0.0 && most != Cause::Blooming).then_some(most),
        missed: jets().filter(|jet| jet.read_as.is_none()).count(),
        none: jets().filter(|jet| jet.jet.is_none()).count(),
        repeated: again.len(),
        first_percent: mean(again.iter().filter_map(|all| size(all.first()?))),
        last_percent: mean(again.iter().filter_map(|all| size(all.last()?))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn attempt(learner: &str, case: &str, saved: u64, tilt: f64, outline: f64) -> Attempt {
        let parts = Parts { blooming: 1.0, tilt, outline, ..Parts::default() };
        Attempt {
            learner: learner.into(),
            case: case.into(),
            title: String::new(),
            grade: 1,
            teaches: String::new(),
            attempt: 0,
            saved_s: Some(saved),
            review: format!("{learner}/{case}.{saved}.review.json"),
            blind: true,
            score: Scored {
                truth_mm2: 50.0,
                reported_mm2: 50.0 + parts.sum(),
                error_mm2: parts.sum(),
                error_percent: Some(2.0 * parts.sum()),
                parts_mm2: parts,
                jets: Vec::new(),
                remarks: Vec::new(),
            },
        }
    }

    #[test]
    fn attempts_are_counted_in_the_order_of_their_time() {
        let scores = Scores::of(
            vec![
                attempt("bo", "case-2", 40, 0.0, 0.0),
                attempt("ann", "case-10", 30, 1.0, 0.0),
                attempt("ann", "case-2", 30, -4.0, 0.0),
                attempt("ann", "case-2", 20, 9.0, 2.0),
            ],
            Vec::new(),
        );
        let seen: Vec<(&str, &str, usize)> =
            scores.attempts.iter().map(|a| (a.learner.as_str(), a.case.as_str(), a.attempt)).collect();
        assert_eq!(
            seen,
            [("ann", "case-2", 1), ("ann", "case-2", 2), ("ann", "case-10", 1), ("bo", "case-2", 1)]
        );
        let ann = &scores.learners[0];
        assert_eq!((ann.readings, ann.cases, ann.repeated), (3, 2, 1));
        // First 12 mm2 of 50, then -3 of 50.
        assert_eq!((ann.first_percent, ann.last_percent), (Some(24.0), Some(6.0)));
        assert_eq!(ann.bias_percent, Some((24.0 - 6.0 + 4.0) / 3.0));
        assert_eq!(ann.error_size_percent, Some((24.0 + 6.0 + 4.0) / 3.0));
        assert_eq!(ann.most_to_gain, Some(Cause::Tilt));
        let bo = &scores.learners[1];
        assert_eq!((bo.first_percent, bo.most_to_gain), (None, None));
    }

    #[test]
    fn open_readings_count_apart() {
        let open = Attempt { blind: false, ..attempt("ann", "case-1", 10, 0.0, 0.0) };
        let scores = Scores::of(vec![open, attempt("ann", "case-1", 20, 9.0, 0.0)], Vec::new());
        let seen: Vec<(bool, usize, Option<f64>)> =
            scores.learners.iter().map(|own| (own.blind, own.readings, own.error_size_percent)).collect();
        assert_eq!(seen, [(true, 1, Some(20.0)), (false, 1, Some(2.0))]);
        // No learning from an open reading to a blind one.
        assert!(scores.learners.iter().all(|own| own.repeated == 0));
    }
}
