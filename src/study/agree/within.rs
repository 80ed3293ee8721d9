//! How far one reader's repeats of the same volume scatter.
//!
//! The within-reader standard deviation from a one-way analysis of variance, and the repeatability
//! coefficient `1.96 sqrt(2) s_w`: two readings of one volume differ by less in 95 % of cases
//! (Bland JM, Altman DG. Lancet 1986;i:307-10; Stat Methods Med Res 1999;8:135-60). The interval of a
//! standard deviation is that of chi-squared.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::icc;
use crate::measure::results::Interval;
use crate::numeric::distribution::chi_squared_quantile;
use crate::numeric::stats::mean;

/// `1.96 sqrt(2)`
pub(super) const REPEATABILITY: f64 = 2.771_807_648_699_343;

/// The repeats of one reader, or of all
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Within {
    /// Whose; `all readers` for the pooled one
    pub reader: String,
    /// Volumes read more than once
    pub volumes: usize,
    /// Readings of these
    pub readings: usize,
    /// Degrees of freedom
    pub degrees_of_freedom: usize,
    /// Within-reader standard deviation with its 95 % interval
    pub standard_deviation: Interval,
    /// Repeatability coefficient with its 95 % interval
    pub repeatability: Interval,
    /// Standard deviation over the mean of these readings, percent; `null` where that is zero
    pub coefficient_of_variation: Option<f64>,
    /// Correlation of the reader's repeats, ICC(1,1); `null` for fewer than two volumes, unequal numbers
    /// of repeats, or the pooled row
    pub correlation: Option<Interval>,
}

/// The scatter within groups: `groups` are the readings of each volume (and reader); those with fewer than
/// two do not count. `None` where none counts.
pub(super) fn within(reader: &str, groups: &[Vec<f64>], correlate: Correlate) -> Option<Within> {
    let used: Vec<&Vec<f64>> = groups.iter().filter(|group| group.len() > 1).collect();
    let df: usize = used.iter().map(|group| group.len() - 1).sum();
    if df == 0 {
        return None;
    }
    let squares: f64 = used
        .iter()
        .map(|group| {
            let middle = mean(group);
            group.iter().map(|value| (value - middle) * (value - middle)).sum::<f64>()
        })
        .sum();
    let all: Vec<f64> = used.iter().flat_map(|group| group.iter().copied()).collect();
    let deviation = Interval {
        value: (squares / df as f64).sqrt(),
        low: (squares / chi_squared_quantile(0.975, df as f64)).sqrt(),
        high: (squares / chi_squared_quantile(0.025, df as f64)).sqrt(),
    };
    let width = used[0].len();
    let rows: Vec<Vec<f64>> =
        used.iter().filter(|group| group.len() == width).map(|g| (*g).clone()).collect();
    let correlation = (correlate == Correlate::Repeats && rows.len() == used.len())
        .then(|| icc::mean_squares(&rows).and_then(|ms| icc::single_one_way(&ms)))
        .flatten();
    Some(Within {
        reader: reader.to_owned(),
        volumes: used.len(),
        readings: all.len(),
        degrees_of_freedom: df,
        standard_deviation: deviation,
        repeatability: deviation.scaled(REPEATABILITY),
        coefficient_of_variation: Some(100.0 * deviation.value / mean(&all).abs())
            .filter(|cv| cv.is_finite()),
        correlation,
    })
}

/// Whether groups are the repeats of one reader, so that their correlation means something
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Correlate {
    /// Volumes of one reader
    Repeats,
    /// Volumes of several readers, pooled
    Pooled,
}

#[cfg(test)]
mod tests {
    use super::super::bland::tests::FLOW;
    use super::*;

    #[test]
    fn the_peak_flow_meters() {
        // Bland & Altman 1986: within-subject SD 15.31 and 19.91 l/min, and 2 sqrt(2) of these,
        // 43.29 and 56.32 (they take 2 for 1.96).
        for (first, expected, coefficient) in [(0, 15.31, 43.29), (2, 19.91, 56.32)] {
            let groups: Vec<Vec<f64>> = FLOW.iter().map(|row| vec![row[first], row[first + 1]]).collect();
            let found = within("m", &groups, Correlate::Repeats).unwrap();
            assert!((found.standard_deviation.value - expected).abs() < 0.005, "{found:?}");
            assert!((found.repeatability.value * 2.0 / 1.959_964 - coefficient).abs() < 0.01, "{found:?}");
            assert_eq!((found.volumes, found.degrees_of_freedom), (17, 17));
            assert!(found.correlation.unwrap().value > 0.9);
            let sd = found.standard_deviation;
            assert!(sd.low < sd.value && sd.value < sd.high);
        }
    }

    #[test]
    fn single_readings_say_nothing() {
        assert!(within("a", &[vec![1.0], vec![2.0]], Correlate::Repeats).is_none());
        let found =
            within("a", &[vec![1.0], vec![2.0, 4.0], vec![3.0, 3.0, 3.0]], Correlate::Repeats).unwrap();
        assert_eq!((found.volumes, found.degrees_of_freedom, found.correlation), (2, 3, None));
        assert!((found.standard_deviation.value - (2.0f64 / 3.0).sqrt()).abs() < 1e-12);
    }
}
