//! Differences of two series of readings: bias, limits of agreement, percent error.
//!
//! Bland JM, Altman DG. Lancet 1986;i:307-10; with the mean of repeats, Stat Methods Med Res
//! 1999;8:135-60. The limits are `bias ± 1.96 SD`. Two intervals stand beside each limit: the
//! approximate one of 1986 and the exact one from the noncentral t distribution (Carkeet A. Optom
//! Vis Sci 2015;92:e71-80, from memory; it follows from the definition of that distribution).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::numeric::distribution::{noncentral_t_quantile, t_quantile};
use crate::numeric::stats::{line_fit, mean, standard_deviation};

/// How many standard deviations from the bias the limits lie: the normal quantile of 97.5 %
const LIMIT: f64 = 1.959_963_984_540_054;

/// Name of a series of logarithms
const LOGARITHM: &str = "\u{0}log";

/// One limit of agreement
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Limit {
    /// Where it lies
    pub value: f64,
    /// 95 % interval, approximate (1986; with means of repeats, 1999)
    pub approximate: [f64; 2],
    /// 95 % interval, exact for normal differences; `null` where repeats were averaged
    pub exact: Option<[f64; 2]>,
}

/// One volume in a comparison
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Point {
    /// Its name
    pub volume: String,
    /// Mean of the two readings
    pub mean: f64,
    /// First minus second
    pub difference: f64,
}

/// Percent error, in the three ways the field reports it (common practice, no source)
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PercentError {
    /// Volumes used: those whose mean is not zero
    pub volumes: usize,
    /// Mean of the absolute difference over the mean of the two, percent
    pub mean: f64,
    /// Its standard deviation; `null` for one volume
    pub standard_deviation: Option<f64>,
    /// Coefficient of variation of one reading: root mean square of `difference / (sqrt 2 mean)`, percent
    pub coefficient_of_variation: f64,
    /// 1.96 SD of the differences over the mean of all readings, percent; `null` where that mean is zero
    pub limits_over_mean: Option<f64>,
}

/// Limits of agreement as ratios: where scatter grows with size, this is what stays the same
///
/// Bias and limits of the differences of logarithms, taken back (Bland and Altman 1999, section 3).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Ratio {
    /// Geometric mean of first over second
    pub value: f64,
    /// Its 95 % interval: that of the bias of the logarithms, taken back
    #[serde(default)]
    pub interval: Option<[f64; 2]>,
    /// Lower limit with its exact 95 % interval
    pub lower: [f64; 3],
    /// Upper limit with its exact 95 % interval
    pub upper: [f64; 3],
}

/// Two series of readings compared
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BlandAltman {
    /// The first series
    pub first: String,
    /// The second series
    pub second: String,
    /// Volumes that both have
    pub volumes: usize,
    /// Volumes that one of them lacks
    pub left_out: Vec<String>,
    /// Mean difference, first minus second
    pub bias: f64,
    /// Its 95 % interval; `null` for one volume
    pub bias_interval: Option<[f64; 2]>,
    /// Standard deviation of the differences of single readings; `null` for one volume
    pub standard_deviation: Option<f64>,
    /// Standard deviation of the differences as they are plotted; the same unless repeats were averaged
    pub plotted_standard_deviation: Option<f64>,
    /// Lower limit of agreement
    pub lower: Option<Limit>,
    /// Upper limit of agreement
    pub upper: Option<Limit>,
    /// Change of the difference for a unit of the mean, with its 95 % interval: where it excludes
    /// zero, one bias and two limits do not describe the readers. `null` below three volumes
    pub slope: Option<[f64; 3]>,
    /// Limits as ratios, first over second, from the logarithms; `null` where a value is not positive
    #[serde(default)]
    pub ratio: Option<Ratio>,
    /// Percent error; `null` where no volume has a mean other than zero
    pub percent_error: Option<PercentError>,
    /// The volumes
    pub points: Vec<Point>,
}

/// The scatter of one reader's repeats, for comparisons of their means
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Repeated {
    /// Within-reader variance
    pub(super) variance: f64,
    /// Mean of one over the number of repeats, over the volumes
    pub(super) share: f64,
    /// Its degrees of freedom
    pub(super) df: f64,
}

/// What is compared
pub(super) struct Series<'a> {
    /// Name of the first
    pub(super) first: &'a str,
    /// Name of the second
    pub(super) second: &'a str,
    /// Volume with both readings, or with at most one
    pub(super) pairs: Vec<(&'a str, Option<f64>, Option<f64>)>,
    /// Where the readings are means of repeats: what is known of each series' scatter
    pub(super) averaged: Option<[Repeated; 2]>,
}

/// Compares two series; `None` where no volume has both
pub(super) fn compare(series: &Series<'_>) -> Option<BlandAltman> {
    let mut points = Vec::new();
    let mut left_out = Vec::new();
    for (volume, a, b) in &series.pairs {
        match (a, b) {
            (Some(a), Some(b)) => points.push(Point {
                volume: (*volume).to_owned(),
                mean: f64::midpoint(*a, *b),
                difference: a - b,
            }),
            _ => left_out.push((*volume).to_owned()),
        }
    }
    if points.is_empty() {
        return None;
    }
    let differences: Vec<f64> = points.iter().map(|point| point.difference).collect();
    let n = points.len() as f64;
    let bias = mean(&differences);
    let plotted = Some(standard_deviation(&differences)).filter(|sd| sd.is_finite());
    let t = t_quantile(0.975, n - 1.0);
    let single = plotted.map(|sd| corrected(sd, series.averaged));
    // How many standard deviations from the bias the exact interval of a limit begins and ends.
    let factors = (series.averaged.is_none() && plotted.is_some()).then(|| {
        let root = n.sqrt();
        [0.025, 0.975].map(|p| noncentral_t_quantile(p, n - 1.0, LIMIT * root) / root)
    });
    let limit = |side: f64| {
        let (plotted, single) = (plotted?, single?);
        let value = bias + side * LIMIT * single;
        let half = match series.averaged {
            // 1986: the standard error of a limit is about sqrt(3 SD^2 / n).
            None => t * (3.0 / n).sqrt() * single,
            Some(scatter) => LIMIT * limit_error(plotted, single, n, scatter),
        };
        let exact = factors.map(|[near, far]| {
            let (near, far) = (near * single, far * single);
            if side > 0.0 { [bias + near, bias + far] } else { [bias - far, bias - near] }
        });
        Some(Limit { value, approximate: [value - half, value + half], exact })
    };
    let slope = line_fit(&points.iter().map(|p| (p.mean, p.difference, 1.0)).collect::<Vec<_>>())
        .filter(|line| line.slope_deviation.is_finite())
        .map(|line| {
            let half = t_quantile(0.975, n - 2.0) * line.slope_deviation;
            [line.slope, line.slope - half, line.slope + half]
        });
    Some(BlandAltman {
        first: series.first.to_owned(),
        second: series.second.to_owned(),
        volumes: points.len(),
        left_out,
        bias,
        bias_interval: plotted.map(|sd| {
            let half = t * sd / n.sqrt();
            [bias - half, bias + half]
        }),
        standard_deviation: single,
        plotted_standard_deviation: plotted,
        lower: limit(-1.0),
        upper: limit(1.0),
        slope,
        ratio: ratio(series),
        percent_error: percent_error(&points, single),
        points,
    })
}

/// The same comparison of logarithms, taken back; not where repeats were averaged, whose scatter is not that
/// of logarithms
fn ratio(series: &Series<'_>) -> Option<Ratio> {
    let is_log = series.first == LOGARITHM;
    let positive = series.pairs.iter().all(|(_, a, b)| a.unwrap_or(1.0) > 0.0 && b.unwrap_or(1.0) > 0.0);
    if is_log || !positive || series.averaged.is_some() {
        return None;
    }
    let pairs = series.pairs.iter().map(|(name, a, b)| (*name, a.map(libm::log), b.map(libm::log))).collect();
    let logs = compare(&Series { first: LOGARITHM, second: "", pairs, averaged: None })?;
    let limit = |limit: Option<Limit>| {
        let limit = limit?;
        let [low, high] = limit.exact?;
        Some([limit.value, low, high].map(libm::exp)).filter(|ends| ends.iter().all(|end| end.is_finite()))
    };
    Some(Ratio {
        value: libm::exp(logs.bias),
        interval: logs.bias_interval.map(|ends| ends.map(libm::exp)),
        lower: limit(logs.lower)?,
        upper: limit(logs.upper)?,
    })
}

/// The standard deviation of differences of single readings, from that of means of repeats
/// (Bland & Altman 1999, section 5.1): each series adds its within variance times `1 - mean(1/m)`
fn corrected(plotted: f64, averaged: Option<[Repeated; 2]>) -> f64 {
    let more: f64 = averaged.iter().flatten().map(|one| (1.0 - one.share) * one.variance).sum();
    (plotted * plotted + more).sqrt()
}

/// The standard error of a limit with averaged repeats: by the variance of each variance,
/// `2 s^4 / df` (Bland & Altman 1999, section 5.1)
fn limit_error(plotted: f64, single: f64, n: f64, scatter: [Repeated; 2]) -> f64 {
    let of_variance = 2.0 * plotted.powi(4) / (n - 1.0)
        + scatter
            .iter()
            .filter(|one| one.df > 0.0)
            .map(|one| 2.0 * ((1.0 - one.share) * one.variance).powi(2) / one.df)
            .sum::<f64>();
    let of_deviation = if single > 0.0 { of_variance / (4.0 * single * single) } else { 0.0 };
    (plotted * plotted / n + LIMIT * LIMIT * of_deviation).sqrt()
}

fn percent_error(points: &[Point], single: Option<f64>) -> Option<PercentError> {
    let usable: Vec<&Point> = points.iter().filter(|point| point.mean != 0.0).collect();
    if usable.is_empty() {
        return None;
    }
    let shares: Vec<f64> = usable.iter().map(|p| 100.0 * (p.difference / p.mean).abs()).collect();
    let squares: Vec<f64> = shares.iter().map(|share| share * share / 2.0).collect();
    let middle = mean(&points.iter().map(|point| point.mean).collect::<Vec<_>>());
    Some(PercentError {
        volumes: usable.len(),
        mean: mean(&shares),
        standard_deviation: Some(standard_deviation(&shares)).filter(|sd| sd.is_finite()),
        coefficient_of_variation: mean(&squares).sqrt(),
        limits_over_mean: single
            .map(|sd| 100.0 * LIMIT * sd / middle.abs())
            .filter(|share| share.is_finite()),
    })
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Ends of the interval of the geometric mean
    const RATIO_ENDS: [f64; 2] = [0.928_250_561_3, 1.052_201_358_4];

    /// Bland & Altman 1986, table 1: peak expiratory flow, l/min, by two meters, twice each:
    /// first and second of the first meter, first and second of the other
    pub(crate) const FLOW: [[f64; 4]; 17] = [
        [494.0, 490.0, 512.0, 525.0],
        [395.0, 397.0, 430.0, 415.0],
        [516.0, 512.0, 520.0, 508.0],
        [434.0, 401.0, 428.0, 444.0],
        [476.0, 470.0, 500.0, 500.0],
        [557.0, 611.0, 600.0, 625.0],
        [413.0, 415.0, 364.0, 460.0],
        [442.0, 431.0, 380.0, 390.0],
        [650.0, 638.0, 658.0, 642.0],
        [433.0, 429.0, 445.0, 432.0],
        [417.0, 420.0, 432.0, 420.0],
        [656.0, 633.0, 626.0, 605.0],
        [267.0, 275.0, 260.0, 227.0],
        [478.0, 492.0, 477.0, 467.0],
        [178.0, 165.0, 259.0, 268.0],
        [423.0, 372.0, 350.0, 370.0],
        [427.0, 421.0, 451.0, 443.0],
    ];

    fn close(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() < within, "{found} instead of {expected}");
    }

    #[test]
    fn limits_as_ratios() {
        // Logarithms of the first readings by numpy: geometric mean 0.9883, limits 0.7783 and 1.2550.
        let names: Vec<String> = (1..=17).map(|n| n.to_string()).collect();
        let pairs =
            FLOW.iter().zip(&names).map(|(r, name)| (name.as_str(), Some(r[0]), Some(r[2]))).collect();
        let found =
            compare(&Series { first: "a", second: "b", pairs, averaged: None }).unwrap().ratio.unwrap();
        assert!((found.value - 0.988_284_6).abs() < 1e-6);
        // The t interval of their mean, by numpy.
        let [low, high] = found.interval.unwrap();
        assert!((low - RATIO_ENDS[0]).abs() < 1e-6 && (high - RATIO_ENDS[1]).abs() < 1e-6, "{low} {high}");
        assert!((found.lower[0] - 0.778_270_8).abs() < 1e-6 && (found.upper[0] - 1.254_969_9).abs() < 1e-6);
        assert!(found.lower[1] < found.lower[0] && found.lower[0] < found.lower[2]);
        let pairs = vec![("1", Some(0.0), Some(1.0)), ("2", Some(2.0), Some(1.0))];
        assert_eq!(compare(&Series { first: "a", second: "b", pairs, averaged: None }).unwrap().ratio, None);
    }

    #[test]
    fn the_peak_flow_meters() {
        let pairs = FLOW.iter().map(|row| ("v", Some(row[0]), Some(row[2]))).collect();
        let found = compare(&Series { first: "a", second: "b", pairs, averaged: None }).unwrap();
        close(found.bias, -2.1176, 1e-4);
        close(found.standard_deviation.unwrap(), 38.7651, 1e-4);
        let (lower, upper) = (found.lower.unwrap(), found.upper.unwrap());
        // The paper takes 2 SD; this is 1.96 SD of the same numbers.
        close(lower.value, -78.097, 2e-3);
        close(upper.value, 73.862, 2e-3);
        let [low, high] = found.bias_interval.unwrap();
        close(low, -22.05, 0.01);
        close(high, 17.81, 0.01);
        // The paper's half width, t times sqrt(3 s^2 / n) = 2.12 x 16.285, around our limits.
        close(upper.value - upper.approximate[0], 2.1199 * 16.285, 0.02);
        // The exact interval leans outward.
        let exact = upper.exact.unwrap();
        assert!(exact[1] - upper.value > upper.value - exact[0]);
        let slope = found.slope.unwrap();
        assert!(slope[1] < slope[0] && slope[0] < slope[2]);
    }

    #[test]
    fn what_one_lacks_is_said() {
        let pairs = vec![("x", Some(1.0), None), ("y", Some(3.0), Some(5.0))];
        let found = compare(&Series { first: "a", second: "b", pairs, averaged: None }).unwrap();
        assert_eq!((found.volumes, found.bias, found.left_out), (1, -2.0, vec!["x".to_owned()]));
        assert_eq!((found.standard_deviation, found.lower, found.slope), (None, None, None));
        let error = found.percent_error.unwrap();
        assert_eq!((error.mean, error.standard_deviation), (50.0, None));
        close(error.coefficient_of_variation, 50.0 / 2f64.sqrt(), 1e-12);
        let none = Series { first: "a", second: "b", pairs: vec![("x", None, Some(2.0))], averaged: None };
        assert!(compare(&none).is_none());
    }

    #[test]
    fn equal_readings_have_limits_at_the_bias() {
        let pairs = (0..4).map(|i| ("v", Some(f64::from(i)), Some(f64::from(i)))).collect();
        let found = compare(&Series { first: "a", second: "b", pairs, averaged: None }).unwrap();
        assert_eq!((found.bias, found.upper.unwrap().value, found.standard_deviation), (0.0, 0.0, Some(0.0)));
    }
}
