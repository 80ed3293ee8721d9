//! Agreement of grades beyond chance.
//!
//! Kappa of two readers (Cohen J. Educ Psychol Meas 1960;20:37-46) and weighted kappa (Cohen J.
//! Psychol Bull 1968;70:213-20), with the large-sample standard error of Fleiss JL, Cohen J, Everitt
//! BS. Psychol Bull 1969;72:323-7; kappa of several readers (Fleiss JL. Psychol Bull
//! 1971;76:378-82) with a percentile bootstrap over volumes (Efron B, Tibshirani RJ. An Introduction
//! to the Bootstrap, 1993). Where nearly all volumes are of one grade kappa falls to zero although readers agree
//! (Feinstein AR, Cicchetti DV. J Clin Epidemiol 1990;43:543-9); AC1 does not (Gwet KL. Br J Math Stat Psychol
//! 2008;61:29-48). References from memory; the numbers are held against another
//! implementation in the tests.

use rand_pcg::Pcg64;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::reference::Estimate;
use crate::numeric::stats::quantile;
use crate::study::resample::{generator, pick};

/// How much a disagreement weighs
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Weights {
    /// All disagreements alike
    None,
    /// By the number of grades between
    Linear,
    /// By the square of that number
    Quadratic,
}

/// Kappa of two readers
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Kappa {
    /// The first reader
    pub first: String,
    /// The second reader
    pub second: String,
    /// How a disagreement weighs
    pub weights: Weights,
    /// Volumes that both graded
    pub volumes: usize,
    /// Share of volumes with the same grade
    pub observed: f64,
    /// Kappa; `null` where chance alone would agree always
    pub value: Option<f64>,
    /// 95 % interval
    pub interval: Option<[f64; 2]>,
    /// Gwet's AC1, which does not fall where nearly all volumes are of one grade; `null` with weights
    #[serde(default)]
    pub ac1: Option<Estimate>,
    /// Volumes by grades: rows the first reader, columns the second
    pub table: Vec<Vec<usize>>,
}

/// Kappa of all readers together
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FleissKappa {
    /// Volumes graded by all
    pub volumes: usize,
    /// Readers
    pub readers: usize,
    /// Kappa; `null` where chance alone would agree always
    pub value: Option<f64>,
    /// 95 % interval by bootstrap; `null` where too many resamples have no kappa
    pub interval: Option<[f64; 2]>,
    /// Resamples drawn
    pub resamples: usize,
}

/// Kappa of pairs of grades, numbered from 0 below `grades`
pub(super) fn cohen(names: [&str; 2], pairs: &[(usize, usize)], grades: usize, weights: Weights) -> Kappa {
    let mut table = vec![vec![0usize; grades]; grades];
    for &(a, b) in pairs {
        table[a][b] += 1;
    }
    let n = pairs.len() as f64;
    let weight = |i: usize, j: usize| {
        let apart = i.abs_diff(j) as f64 / (grades as f64 - 1.0).max(1.0);
        match weights {
            Weights::None => f64::from(u8::from(i == j)),
            Weights::Linear => 1.0 - apart,
            Weights::Quadratic => 1.0 - apart * apart,
        }
    };
    let share = |i: usize, j: usize| table[i][j] as f64 / n;
    let row: Vec<f64> = (0..grades).map(|i| (0..grades).map(|j| share(i, j)).sum()).collect();
    let column: Vec<f64> = (0..grades).map(|j| (0..grades).map(|i| share(i, j)).sum()).collect();
    let over_table = |f: &dyn Fn(usize, usize) -> f64| {
        (0..grades).flat_map(|i| (0..grades).map(move |j| (i, j))).map(|(i, j)| f(i, j)).sum::<f64>()
    };
    let observed = over_table(&|i, j| weight(i, j) * share(i, j));
    let expected = over_table(&|i, j| weight(i, j) * row[i] * column[j]);
    let value = (n > 0.0 && 1.0 - expected > 1e-12).then(|| (observed - expected) / (1.0 - expected));
    let interval = value.map(|kappa| {
        let of_row: Vec<f64> =
            (0..grades).map(|i| (0..grades).map(|j| column[j] * weight(i, j)).sum()).collect();
        let of_column: Vec<f64> =
            (0..grades).map(|j| (0..grades).map(|i| row[i] * weight(i, j)).sum()).collect();
        let spread = over_table(&|i, j| {
            let term = weight(i, j) - (of_row[i] + of_column[j]) * (1.0 - kappa);
            share(i, j) * term * term
        });
        let centre = kappa - expected * (1.0 - kappa);
        let error = ((spread - centre * centre).max(0.0) / n).sqrt() / (1.0 - expected);
        let half = 1.959_963_984_540_054 * error;
        [(kappa - half).max(-1.0), (kappa + half).min(1.0)]
    });
    let ac1 = (weights == Weights::None && n > 0.0 && grades > 1).then(|| {
        let share_of: Vec<f64> = row.iter().zip(&column).map(|(a, b)| f64::midpoint(*a, *b)).collect();
        let others = grades as f64 - 1.0;
        let chance = share_of.iter().map(|p| p * (1.0 - p)).sum::<f64>() / others;
        let value = (observed - chance) / (1.0 - chance);
        let spread = over_table(&|i, j| {
            let term =
                weight(i, j) - 2.0 * (1.0 - value) * (1.0 - f64::midpoint(share_of[i], share_of[j])) / others;
            share(i, j) * term * term
        });
        let centre = observed - 2.0 * (1.0 - value) * chance;
        let half = 1.959_963_984_540_054 * ((spread - centre * centre).max(0.0) / n).sqrt() / (1.0 - chance);
        Estimate { value, interval: Some([(value - half).max(-1.0), (value + half).min(1.0)]) }
    });
    let same: usize = (0..grades).map(|i| table[i][i]).sum();
    Kappa {
        first: names[0].to_owned(),
        second: names[1].to_owned(),
        weights,
        volumes: pairs.len(),
        observed: same as f64 / n.max(1.0),
        value,
        interval,
        ac1,
        table,
    }
}

/// Kappa of several readers; `rows` holds each volume's grades, one a reader, all rows equally long
///
/// `None` for no volume or fewer than two readers.
pub(super) fn fleiss(rows: &[Vec<usize>], grades: usize, resamples: usize, seed: u64) -> Option<FleissKappa> {
    let readers = rows.first()?.len();
    if readers < 2 || rows.iter().any(|row| row.len() != readers) {
        return None;
    }
    let counts: Vec<Vec<f64>> = rows
        .iter()
        .map(|row| {
            let mut counts = vec![0.0; grades];
            for &grade in row {
                counts[grade] += 1.0;
            }
            counts
        })
        .collect();
    let of = |chosen: &mut dyn Iterator<Item = usize>| {
        let m = readers as f64;
        let (mut totals, mut agreed, mut n) = (vec![0.0; grades], 0.0, 0.0);
        for at in chosen {
            let row = &counts[at];
            agreed += (row.iter().map(|c| c * c).sum::<f64>() - m) / (m * (m - 1.0));
            for (total, count) in totals.iter_mut().zip(row) {
                *total += count;
            }
            n += 1.0;
        }
        let observed = agreed / n;
        let expected: f64 = totals.iter().map(|total| (total / (n * m)).powi(2)).sum();
        (1.0 - expected > 1e-12).then(|| (observed - expected) / (1.0 - expected))
    };
    let value = of(&mut (0..rows.len()));
    let mut random: Pcg64 = generator(seed);
    let drawn: Vec<f64> = (0..resamples)
        .filter_map(|_| {
            of(&mut (0..rows.len()).map(|_| pick(&mut random, rows.len())).collect::<Vec<_>>().into_iter())
        })
        .collect();
    // A resample with one grade only has no kappa; where that is common no interval is honest.
    let enough = rows.len() > 1 && drawn.len() * 20 >= resamples * 19;
    let interval = (value.is_some() && enough && !drawn.is_empty())
        .then(|| [quantile(&drawn, 0.025), quantile(&drawn, 0.975)]);
    Some(FleissKappa { volumes: rows.len(), readers, value, interval, resamples })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pairs(table: &[&[usize]]) -> Vec<(usize, usize)> {
        let mut pairs = Vec::new();
        for (i, row) in table.iter().enumerate() {
            for (j, &count) in row.iter().enumerate() {
                pairs.extend(std::iter::repeat_n((i, j), count));
            }
        }
        pairs
    }

    #[test]
    fn two_readers_two_grades() {
        // 20, 5, 10, 15: observed 0.7, expected 0.5, kappa 0.4 (by hand).
        let found = cohen(["a", "b"], &pairs(&[&[20, 5], &[10, 15]]), 2, Weights::None);
        assert!((found.value.unwrap() - 0.4).abs() < 1e-12);
        assert_eq!((found.volumes, found.observed), (50, 0.7));
        // With two grades weights change nothing.
        let squared = cohen(["a", "b"], &pairs(&[&[20, 5], &[10, 15]]), 2, Weights::Quadratic);
        assert!((squared.value.unwrap() - 0.4).abs() < 1e-12);
    }

    #[test]
    fn ac1_stands_where_nearly_all_are_of_one_grade() {
        // 118, 5, 2, 0: 94 % agree, kappa -0.023, AC1 0.941 (Gwet's example, from memory; both by hand). The
        // standard error of 0.0230 is that of 4000 multinomial resamples by numpy, 0.0229.
        let found = cohen(["a", "b"], &pairs(&[&[118, 5], &[2, 0]]), 2, Weights::None);
        let ac1 = found.ac1.unwrap();
        assert!((found.value.unwrap() + 0.0234).abs() < 1e-4 && (ac1.value - 0.9408).abs() < 1e-4);
        let [low, high] = ac1.interval.unwrap();
        assert!((low - 0.8958).abs() < 1e-3 && (high - 0.9858).abs() < 1e-3);
        let same = cohen(["a", "b"], &pairs(&[&[4, 0], &[0, 0]]), 2, Weights::None);
        assert_eq!(same.ac1.unwrap().value, 1.0);
    }

    #[test]
    fn weights_forgive_near_misses() {
        let near = pairs(&[&[8, 3, 0], &[2, 9, 3], &[0, 2, 7]]);
        let by = |weights| cohen(["a", "b"], &near, 3, weights).value.unwrap();
        assert!(by(Weights::None) < by(Weights::Linear) && by(Weights::Linear) < by(Weights::Quadratic));
        let same = cohen(["a", "b"], &pairs(&[&[4, 0], &[0, 5]]), 2, Weights::None);
        assert_eq!((same.value, same.interval), (Some(1.0), Some([1.0, 1.0])));
        let one = cohen(["a", "b"], &pairs(&[&[4, 0], &[0, 0]]), 2, Weights::None);
        assert_eq!((one.value, one.interval), (None, None));
        assert_eq!(cohen(["a", "b"], &[], 3, Weights::None).value, None);
    }

    #[test]
    fn several_readers() {
        // A widely used worked example of Fleiss's kappa, fourteen readers, ten subjects, five
        // grades: 0.210 (from memory).
        let counts: [[usize; 5]; 10] = [
            [0, 0, 0, 0, 14],
            [0, 2, 6, 4, 2],
            [0, 0, 3, 5, 6],
            [0, 3, 9, 2, 0],
            [2, 2, 8, 1, 1],
            [7, 7, 0, 0, 0],
            [3, 2, 6, 3, 0],
            [2, 5, 3, 2, 2],
            [6, 5, 2, 1, 0],
            [0, 2, 2, 3, 7],
        ];
        let rows: Vec<Vec<usize>> = counts
            .iter()
            .map(|row| row.iter().enumerate().flat_map(|(g, &c)| std::iter::repeat_n(g, c)).collect())
            .collect();
        let found = fleiss(&rows, 5, 400, 1).unwrap();
        assert!((found.value.unwrap() - 0.2099).abs() < 5e-4, "{found:?}");
        let [low, high] = found.interval.unwrap();
        assert!(low < 0.2099 && high > 0.15);
        assert_eq!(fleiss(&rows, 5, 400, 1), fleiss(&rows, 5, 400, 1));
        assert_eq!(fleiss(&[], 5, 10, 1), None);
        let same = fleiss(&[vec![1, 1], vec![1, 1]], 3, 50, 1).unwrap();
        assert_eq!((same.value, same.interval), (None, None));
    }
}
