//! Agreement with a reference: the line of Deming, and the ROC curve with the interval of DeLong.
//!
//! Where both methods err, an ordinary regression is flattened by the error of the one on the x axis. Deming's
//! line (Deming WE, Statistical Adjustment of Data, 1943; from memory) shares the error by the ratio of both
//! variances, here 1, since how well the reference measures is seldom known. Intervals by the jackknife (Linnet K,
//! Clin Chem 1990;36:1478-82, from memory).
//!
//! The area under the ROC curve and its variance by placements: DeLong ER, DeLong DM, Clarke-Pearson DL,
//! Biometrics 1988;44:837-45 (from memory; the tests hold them against direct sums over pairs).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::numeric::distribution::t_quantile;
use crate::numeric::stats::mean;

const NORMAL: f64 = 1.959_963_984_540_054;

/// A value with its 95 % interval, where there is one
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Estimate {
    /// The value
    pub value: f64,
    /// 95 % interval
    pub interval: Option<[f64; 2]>,
}

/// How one reader agrees with the reference
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AgainstReference {
    /// The reader
    pub reader: String,
    /// The reference
    pub reference: String,
    /// Volumes that both have
    pub volumes: usize,
    /// Slope of Deming's line, reader against reference; `null` where the values do not vary together
    pub slope: Option<Estimate>,
    /// Its intercept
    pub intercept: Option<Estimate>,
    /// The reader's values against the reference called severe; `null` without a threshold or one of the classes
    pub roc: Option<Roc>,
}

/// How well values tell severe from not severe
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Roc {
    /// The reference is severe from here on
    pub threshold: f64,
    /// Volumes that are severe
    pub severe: usize,
    /// Volumes that are not
    pub not_severe: usize,
    /// Area under the curve with DeLong's interval; `null` at 0 and 1, where its variance is 0 and says nothing
    pub area: Estimate,
    /// The reader's value with the largest sensitivity plus specificity (Youden), the smallest of equals
    pub best_cut: f64,
    /// Sensitivity from that value on
    pub sensitivity: f64,
    /// Specificity below it
    pub specificity: f64,
}

/// Deming's line with a ratio of 1: slope and intercept; `None` without common variation
fn line(pairs: &[(f64, f64)]) -> Option<[f64; 2]> {
    let n = pairs.len() as f64;
    let (x, y) = (pairs.iter().map(|p| p.0).sum::<f64>() / n, pairs.iter().map(|p| p.1).sum::<f64>() / n);
    let sum = |f: &dyn Fn(f64, f64) -> f64| pairs.iter().map(|p| f(p.0 - x, p.1 - y)).sum::<f64>();
    let (xx, yy, xy) = (sum(&|a, _| a * a), sum(&|_, b| b * b), sum(&|a, b| a * b));
    let slope = (yy - xx + libm::hypot(yy - xx, 2.0 * xy)) / (2.0 * xy);
    (xy != 0.0 && slope.is_finite()).then_some([slope, y - slope * x])
}

/// Deming's line with its jackknife intervals; from three volumes on
fn deming(pairs: &[(f64, f64)]) -> Option<[Estimate; 2]> {
    let all = line(pairs).filter(|_| pairs.len() > 2)?;
    let n = pairs.len() as f64;
    let without: Option<Vec<[f64; 2]>> = (0..pairs.len())
        .map(|left| {
            let rest: Vec<(f64, f64)> =
                pairs.iter().enumerate().filter(|(at, _)| *at != left).map(|(_, pair)| *pair).collect();
            line(&rest)
        })
        .collect();
    let t = t_quantile(0.975, n - 2.0);
    Some([0, 1].map(|which| {
        let interval = without.as_ref().map(|without| {
            let pseudo: Vec<f64> =
                without.iter().map(|line| n * all[which] - (n - 1.0) * line[which]).collect();
            let middle = mean(&pseudo);
            let variance = pseudo.iter().map(|p| (p - middle) * (p - middle)).sum::<f64>() / (n * (n - 1.0));
            let half = t * variance.sqrt();
            [all[which] - half, all[which] + half]
        });
        Estimate {
            value: all[which],
            interval: interval.filter(|ends| ends[0].is_finite() && ends[1].is_finite()),
        }
    }))
}

/// Of pairs of reference and reader
fn roc(pairs: &[(f64, f64)], threshold: f64) -> Option<Roc> {
    let of = |severe: bool| -> Vec<f64> {
        pairs.iter().filter(|(truth, _)| (*truth >= threshold) == severe).map(|(_, value)| *value).collect()
    };
    let (cases, controls) = (of(true), of(false));
    if cases.is_empty() || controls.is_empty() {
        return None;
    }
    let wins = |case: f64, control: f64| match case.partial_cmp(&control) {
        Some(std::cmp::Ordering::Greater) => 1.0,
        Some(std::cmp::Ordering::Equal) => 0.5,
        _ => 0.0,
    };
    let by_case: Vec<f64> =
        cases.iter().map(|x| mean(&controls.iter().map(|y| wins(*x, *y)).collect::<Vec<_>>())).collect();
    let by_control: Vec<f64> =
        controls.iter().map(|y| mean(&cases.iter().map(|x| wins(*x, *y)).collect::<Vec<_>>())).collect();
    let area = mean(&by_case);
    let share = |placements: &[f64]| {
        let n = placements.len() as f64;
        placements.iter().map(|p| (p - area) * (p - area)).sum::<f64>() / ((n - 1.0) * n)
    };
    // At perfect separation the estimated variance is 0, which is no certainty.
    let estimable = cases.len() > 1 && controls.len() > 1 && area > 0.0 && area < 1.0;
    let interval = estimable.then(|| {
        let half = NORMAL * (share(&by_case) + share(&by_control)).sqrt();
        [(area - half).max(0.0), (area + half).min(1.0)]
    });
    let rates = |cut: f64| {
        let part = |list: &[f64]| list.iter().filter(|v| **v >= cut).count() as f64 / list.len() as f64;
        [part(&cases), 1.0 - part(&controls)]
    };
    let mut cuts: Vec<f64> = pairs.iter().map(|(_, value)| *value).collect();
    cuts.sort_by(f64::total_cmp);
    let best = cuts.into_iter().fold((f64::NAN, f64::NEG_INFINITY), |best, cut| {
        let sum = rates(cut)[0] + rates(cut)[1];
        if sum > best.1 { (cut, sum) } else { best }
    });
    let [sensitivity, specificity] = rates(best.0);
    Some(Roc {
        threshold,
        severe: cases.len(),
        not_severe: controls.len(),
        area: Estimate { value: area, interval },
        best_cut: best.0,
        sensitivity,
        specificity,
    })
}

/// Compares pairs of reference and reader; `None` where there is none
pub(super) fn against(
    [reader, reference]: [&str; 2],
    pairs: &[(f64, f64)],
    threshold: Option<f64>,
) -> Option<AgainstReference> {
    (!pairs.is_empty()).then(|| {
        let [slope, intercept] = deming(pairs).map_or([None, None], |found| found.map(Some));
        AgainstReference {
            reader: reader.to_owned(),
            reference: reference.to_owned(),
            volumes: pairs.len(),
            slope,
            intercept,
            roc: threshold.and_then(|threshold| roc(pairs, threshold)),
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn deming_is_the_principal_axis() {
        // With equal variances the line is the first eigenvector of the covariance: for (1,1), (2,3), (3,2), (4,4) the
        // matrix has equal diagonals, so the slope is 1 through the mean (closed form).
        let [slope, intercept] = line(&[(1.0, 1.0), (2.0, 3.0), (3.0, 2.0), (4.0, 4.0)]).unwrap();
        assert!((slope - 1.0).abs() < 1e-12 && intercept.abs() < 1e-12);
        // Peak flow of Bland and Altman 1986, first readings by both meters: numpy.linalg.eigh of the covariance.
        let flow: Vec<(f64, f64)> =
            super::super::bland::tests::FLOW.iter().map(|row| (row[0], row[2])).collect();
        let [slope, intercept] = deming(&flow).unwrap();
        assert!((slope.value - DEMING[0]).abs() < 1e-6 && (intercept.value - DEMING[1]).abs() < 1e-3);
        let [low, high] = slope.interval.unwrap();
        assert!((low - DEMING[2]).abs() < 1e-6 && (high - DEMING[3]).abs() < 1e-6, "{low} {high}");
        assert_eq!(line(&[(1.0, 1.0), (1.0, 2.0)]), None);
    }

    #[test]
    fn the_roc_area_and_its_interval_are_sums_over_pairs() {
        let flow: Vec<(f64, f64)> =
            super::super::bland::tests::FLOW.iter().map(|row| (row[0], row[2])).collect();
        let found = roc(&flow, 440.0).unwrap();
        // scipy.stats.mannwhitneyu over the number of pairs; variance by numpy from the placements.
        assert!((found.area.value - ROC[0]).abs() < 1e-9, "{}", found.area.value);
        let [low, high] = found.area.interval.unwrap();
        assert!((low - ROC[1]).abs() < 1e-9 && (high - ROC[2]).abs() < 1e-9, "{low} {high}");
        let apart = roc(&[(1.0, 1.0), (2.0, 2.0), (3.0, 3.0), (4.0, 4.0)], 3.0).unwrap();
        assert_eq!(
            (apart.area.value, apart.best_cut, apart.sensitivity, apart.specificity),
            (1.0, 3.0, 1.0, 1.0)
        );
        assert_eq!(apart.area.interval, None, "no interval where all are told apart");
        let turned = roc(&[(1.0, 4.0), (2.0, 3.0), (3.0, 2.0), (4.0, 1.0)], 3.0).unwrap();
        assert_eq!((turned.area.value, turned.area.interval), (0.0, None));
        assert!(roc(&flow, 9000.0).is_none());
    }

    /// Slope, intercept, ends of the slope
    const DEMING: [f64; 4] = [0.970_880_819_7, 15.231_555_5, 0.674_572_896_7, 1.267_188_742_8];
    /// Area and its ends
    const ROC: [f64; 3] = [0.930_555_555_556, 0.787_803_641_036, 1.0];
}
