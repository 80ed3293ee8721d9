//! Several jets, or volumes, of one patient are not independent: limits of agreement over clusters, and how
//! many are needed for limits of a planned width.
//!
//! Bland JM, Altman DG. J Biopharm Stat 2007;17:571-82 (from memory), "several measurements per individual, the true
//! value varying": the variance of a difference is that between patients plus that within, from a one-way
//! analysis of variance of the differences. Ignoring it counts one patient several times and makes every
//! interval too narrow.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::numeric::distribution::t_quantile;

const NORMAL: f64 = 1.959_963_984_540_054;

/// Differences of two readers over clusters
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Clustered {
    /// The first reader
    pub first: String,
    /// The second reader
    pub second: String,
    /// Patients
    pub patients: usize,
    /// Volumes
    pub volumes: usize,
    /// Mean difference over the volumes
    pub bias: f64,
    /// Its 95 % interval, over patients
    pub bias_interval: [f64; 2],
    /// Variance of the differences between patients (0 where its estimate is negative)
    pub between: f64,
    /// Variance within patients
    pub within: f64,
    /// Limits of agreement for one volume of one patient
    pub limits: [f64; 2],
}

/// Of differences by patient; `None` below two patients, or where no patient has two
pub(super) fn clustered([first, second]: [&str; 2], groups: &[Vec<f64>]) -> Option<Clustered> {
    let groups: Vec<&Vec<f64>> = groups.iter().filter(|group| !group.is_empty()).collect();
    let (k, n) = (groups.len() as f64, groups.iter().map(|group| group.len()).sum::<usize>() as f64);
    if k < 2.0 || n <= k {
        return None;
    }
    let mean = |group: &[f64]| group.iter().sum::<f64>() / group.len() as f64;
    let bias = groups.iter().flat_map(|group| group.iter()).sum::<f64>() / n;
    let square = |x: f64| x * x;
    let between = groups.iter().map(|g| g.len() as f64 * square(mean(g) - bias)).sum::<f64>() / (k - 1.0);
    let within =
        groups.iter().flat_map(|g| g.iter().map(move |x| square(x - mean(g)))).sum::<f64>() / (n - k);
    let usual = (n - groups.iter().map(|g| square(g.len() as f64)).sum::<f64>() / n) / (k - 1.0);
    let of_patients = ((between - within) / usual).max(0.0);
    let sd = (of_patients + within).sqrt();
    // The mean's variance: every patient adds that of his own mean, by how much he weighs.
    let error = groups
        .iter()
        .map(|g| square(g.len() as f64 / n) * (of_patients + within / g.len() as f64))
        .sum::<f64>()
        .sqrt();
    let half = t_quantile(0.975, k - 1.0) * error;
    Some(Clustered {
        first: first.to_owned(),
        second: second.to_owned(),
        patients: groups.len(),
        volumes: n as usize,
        bias,
        bias_interval: [bias - half, bias + half],
        between: of_patients,
        within,
        limits: [bias - NORMAL * sd, bias + NORMAL * sd],
    })
}

/// How many volumes a study needs
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Plan {
    /// Standard deviation of the differences that it is planned with: the largest of the pairs here
    pub standard_deviation: f64,
    /// Half width of the 95 % interval of a limit of agreement that is wanted
    pub half_width: f64,
    /// Volumes needed, each of another patient
    pub volumes: usize,
}

/// The least number of volumes for which `t sqrt(3 / n) SD` is no more than the half width (the standard
/// error of a limit of Bland and Altman 1986); `None` above a million
pub(super) fn plan(standard_deviation: f64, half_width: f64) -> Option<Plan> {
    let enough = |n: f64| t_quantile(0.975, n - 1.0) * (3.0 / n).sqrt() * standard_deviation <= half_width;
    if !(standard_deviation > 0.0 && half_width > 0.0 && enough(1e6)) {
        return None;
    }
    let (mut few, mut many) = (1.0, 1e6);
    while many - few > 1.0 {
        let middle = f64::midpoint(few, many).floor();
        if enough(middle) { many = middle } else { few = middle }
    }
    Some(Plan { standard_deviation, half_width, volumes: many as usize })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Both meters of Bland and Altman 1986, first and second reading as two volumes of one patient
    fn differences() -> Vec<Vec<f64>> {
        super::super::bland::tests::FLOW.iter().map(|r| vec![r[0] - r[2], r[1] - r[3]]).collect()
    }

    #[test]
    fn patients_are_counted_once() {
        // Variance components by numpy, balanced; the published bias of the means is -6.03.
        let found = clustered(["a", "b"], &differences()).unwrap();
        assert!((found.bias + 6.0294).abs() < 1e-4 && (found.within - 626.7353).abs() < 1e-3);
        assert!((found.between - 789.1471).abs() < 1e-3);
        assert!((found.limits[1] - found.bias - 1.959_964 * 37.628_212).abs() < 1e-4);
        // The interval of the bias is that of the 17 means: t sqrt(MSB / 34).
        let half = (found.bias_interval[1] - found.bias_interval[0]) / 2.0;
        assert!((half - 2.119_905 * (2205.0294_f64 / 34.0).sqrt()).abs() < 1e-3, "{half}");
        // Unbalanced: five patients with one volume (numpy).
        let mut some = differences();
        some.iter_mut().take(5).for_each(|group| group.truncate(1));
        let found = clustered(["a", "b"], &some).unwrap();
        assert!((found.between - 785.7644).abs() < 1e-3 && (found.within - 759.5833).abs() < 1e-3);
        assert_eq!(clustered(["a", "b"], &[vec![1.0], vec![2.0]]), None);
    }

    #[test]
    fn a_hundred_volumes_know_a_limit_to_a_third_of_a_standard_deviation() {
        // Bland's rule: with 100 subjects the limits are known to ± 0.34 standard deviations (from memory).
        let found = plan(1.0, 0.345).unwrap();
        assert!((99..=102).contains(&found.volumes), "{found:?}");
        assert!(plan(1.0, 0.1).unwrap().volumes > 1100);
        assert_eq!((plan(0.0, 0.1), plan(1.0, 0.0), plan(1.0, f64::NAN)), (None, None, None));
    }
}
