//! Intraclass correlations of a complete table, volumes by readers.
//!
//! Six forms (Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-8): single and averaged, with readers
//! as a random part of the error (1), as a random sample of readers (2), or as the only readers of
//! interest (3). Intervals after McGraw KO, Wong SP. Psychol Methods 1996;1:30-46 (from memory; the
//! formulas give the published interval of Shrout and Fleiss's own table).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::measure::results::Interval;
use crate::numeric::distribution::f_quantile;

/// Mean squares of a table of volumes by readers
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MeanSquares {
    /// Volumes
    pub volumes: usize,
    /// Readings of each
    pub readings: usize,
    /// Between volumes
    pub between_volumes: f64,
    /// Within volumes
    pub within_volumes: f64,
    /// Between readers
    pub between_readers: f64,
    /// What is left
    pub residual: f64,
}

/// One intraclass correlation
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Icc {
    /// `ICC(1,1)` and so on; the second number is how many readings are averaged
    pub name: String,
    /// What it answers, in words
    pub meaning: String,
    /// The coefficient; `null` where all readings are equal
    pub value: Option<f64>,
    /// 95 % interval; `null` where it cannot be had
    pub interval: Option<[f64; 2]>,
}

/// The analysis of variance of rows (volumes) by columns (readings); `None` for fewer than two of either
/// or rows of different length
pub(super) fn mean_squares(rows: &[Vec<f64>]) -> Option<MeanSquares> {
    let (n, k) = (rows.len(), rows.first()?.len());
    if n < 2 || k < 2 || rows.iter().any(|row| row.len() != k) {
        return None;
    }
    let (count, width) = (n as f64, k as f64);
    let grand = rows.iter().flatten().sum::<f64>() / (count * width);
    let row_means: Vec<f64> = rows.iter().map(|row| row.iter().sum::<f64>() / width).collect();
    let column_means: Vec<f64> = (0..k).map(|j| rows.iter().map(|row| row[j]).sum::<f64>() / count).collect();
    let square = |x: f64| x * x;
    let volumes = width * row_means.iter().map(|m| square(m - grand)).sum::<f64>();
    let readers = count * column_means.iter().map(|m| square(m - grand)).sum::<f64>();
    let each = |f: &dyn Fn(usize, usize) -> f64| {
        (0..n).flat_map(|i| (0..k).map(move |j| (i, j))).map(|(i, j)| square(f(i, j))).sum::<f64>()
    };
    let within = each(&|i, j| rows[i][j] - row_means[i]);
    // Summed as such and not by subtraction, so that perfect agreement gives a plain zero.
    let residual = each(&|i, j| rows[i][j] - row_means[i] - column_means[j] + grand);
    Some(MeanSquares {
        volumes: n,
        readings: k,
        between_volumes: volumes / (count - 1.0),
        within_volumes: within / (count * (width - 1.0)),
        between_readers: readers / (width - 1.0),
        residual: residual / ((count - 1.0) * (width - 1.0)),
    })
}

/// The six coefficients with 95 % intervals
pub(super) fn all(ms: &MeanSquares) -> Vec<Icc> {
    let k = ms.readings;
    let [one, two, three] = [one_way(ms), agreement(ms), consistency(ms)];
    let icc = |form: usize, averaged: usize, meaning: String, found: Found| Icc {
        name: format!("ICC({form},{averaged})"),
        meaning,
        value: found.value.is_finite().then_some(found.value),
        interval: found.interval.filter(|ends| ends.iter().all(|end| end.is_finite())),
    };
    let single = |what: &str| format!("one reading, {what}");
    let mean = |what: &str| format!("the mean of {k} readings, {what}");
    let (a, b, c) = (
        "each volume read by readers of its own",
        "readers as a sample of all readers, their offsets counted as error",
        "these readers only, their offsets not counted",
    );
    vec![
        icc(1, 1, single(a), one.0),
        icc(2, 1, single(b), two.0),
        icc(3, 1, single(c), three.0),
        icc(1, k, mean(a), one.1),
        icc(2, k, mean(b), two.1),
        icc(3, k, mean(c), three.1),
    ]
}

/// The one-way form alone: single readings of one kind, such as the repeats of a reader
pub(super) fn single_one_way(ms: &MeanSquares) -> Option<Interval> {
    let found = one_way(ms).0;
    let [low, high] = found.interval?;
    found.value.is_finite().then_some(Interval { value: found.value, low, high })
}

#[derive(Clone, Copy)]
struct Found {
    value: f64,
    interval: Option<[f64; 2]>,
}

/// Forms 1 and 3 share their interval, each with its own error
fn by_ratio(ms: &MeanSquares, error: f64, df_error: f64) -> (Found, Found) {
    let k = ms.readings as f64;
    let df = ms.volumes as f64 - 1.0;
    let between = ms.between_volumes;
    let ends = (error > 0.0).then(|| {
        let ratio = between / error;
        [ratio / f_quantile(0.975, df, df_error), ratio * f_quantile(0.975, df_error, df)]
    });
    let single = Found {
        value: (between - error) / (between + (k - 1.0) * error),
        interval: ends.map(|ends| ends.map(|f| (f - 1.0) / (f + k - 1.0))),
    };
    let mean =
        Found { value: (between - error) / between, interval: ends.map(|ends| ends.map(|f| 1.0 - 1.0 / f)) };
    (single, mean)
}

fn one_way(ms: &MeanSquares) -> (Found, Found) {
    by_ratio(ms, ms.within_volumes, ms.volumes as f64 * (ms.readings as f64 - 1.0))
}

fn consistency(ms: &MeanSquares) -> (Found, Found) {
    by_ratio(ms, ms.residual, (ms.volumes as f64 - 1.0) * (ms.readings as f64 - 1.0))
}

/// Form 2, its degrees of freedom after Satterthwaite
fn agreement(ms: &MeanSquares) -> (Found, Found) {
    let (n, k) = (ms.volumes as f64, ms.readings as f64);
    let (b, j, e) = (ms.between_volumes, ms.between_readers, ms.residual);
    let single = (b - e) / (b + (k - 1.0) * e + k * (j - e) / n);
    let mean = (b - e) / (b + (j - e) / n);
    let ends = (e > 0.0 && single.is_finite()).then(|| {
        let ratio = j / e;
        let rest = n * (1.0 + (k - 1.0) * single) - k * single;
        let top = k * single * ratio + rest;
        let bottom = k * k * single * single * ratio * ratio + rest * rest / (n - 1.0);
        // Both written over (k - 1), which cancels in part.
        let df = (k - 1.0) * top * top / bottom.max(f64::MIN_POSITIVE);
        let df = df.max(1e-3);
        let upper = f_quantile(0.975, n - 1.0, df);
        let lower = f_quantile(0.975, df, n - 1.0);
        let spread = k * j + (k * n - k - n) * e;
        [n * (b - upper * e) / (upper * spread + n * b), n * (lower * b - e) / (spread + n * lower * b)]
    });
    let averaged = ends.map(|ends| ends.map(|end| end * k / (1.0 + end * (k - 1.0))));
    (Found { value: single, interval: ends }, Found { value: mean, interval: averaged })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Shrout & Fleiss 1979, table 2: six targets, four judges
    pub(crate) const TABLE_2: [[f64; 4]; 6] = [
        [9.0, 2.0, 5.0, 8.0],
        [6.0, 1.0, 3.0, 2.0],
        [8.0, 4.0, 6.0, 8.0],
        [7.0, 1.0, 2.0, 6.0],
        [10.0, 5.0, 6.0, 9.0],
        [6.0, 2.0, 4.0, 7.0],
    ];

    #[test]
    fn the_table_of_shrout_and_fleiss() {
        let rows: Vec<Vec<f64>> = TABLE_2.iter().map(|row| row.to_vec()).collect();
        let ms = mean_squares(&rows).unwrap();
        for (found, expected) in [
            (ms.between_volumes, 11.2417),
            (ms.within_volumes, 6.2639),
            (ms.between_readers, 32.4861),
            (ms.residual, 1.0194),
        ] {
            assert!((found - expected).abs() < 5e-5, "{found} {expected}");
        }
        let found = all(&ms);
        // Published to two decimals: .17 .29 .71 .44 .62 .91.
        for (icc, (name, expected)) in found.iter().zip([
            ("ICC(1,1)", 0.165_742),
            ("ICC(2,1)", 0.289_764),
            ("ICC(3,1)", 0.714_841),
            ("ICC(1,4)", 0.442_797),
            ("ICC(2,4)", 0.620_051),
            ("ICC(3,4)", 0.909_316),
        ]) {
            assert_eq!(icc.name, name);
            assert!((icc.value.unwrap() - expected).abs() < 1e-6, "{icc:?}");
            let [low, high] = icc.interval.unwrap();
            assert!(low < expected && expected < high && high < 1.0);
        }
        let [low, high] = found[1].interval.unwrap();
        assert!((low - 0.0188).abs() < 5e-5 && (high - 0.7611).abs() < 5e-5, "{low} {high}");
    }

    #[test]
    fn perfect_agreement_has_no_interval() {
        let ms = mean_squares(&[vec![1.0, 1.0], vec![3.0, 3.0], vec![4.0, 4.0]]).unwrap();
        assert!(all(&ms).iter().all(|icc| icc.value == Some(1.0) && icc.interval.is_none()));
        let flat = mean_squares(&[vec![2.0, 2.0], vec![2.0, 2.0]]).unwrap();
        assert!(all(&flat).iter().all(|icc| icc.value.is_none()));
        assert_eq!(mean_squares(&[vec![1.0, 2.0]]), None);
        assert_eq!(mean_squares(&[vec![1.0, 2.0], vec![1.0]]), None);
    }
}
