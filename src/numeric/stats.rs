//! Averages, spreads, quantiles, and a straight line through points.

/// The mean; NaN of nothing
pub fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// The standard deviation with `n - 1` in the denominator; NaN of fewer than two
pub fn standard_deviation(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return f64::NAN;
    }
    let middle = mean(values);
    let squares: f64 = values.iter().map(|v| (v - middle) * (v - middle)).sum();
    (squares / (values.len() - 1) as f64).sqrt()
}

/// The quantile `p` of 0 to 1 of values in any order, interpolated between the two nearest ranks
/// (type 7 of Hyndman & Fan, Am Stat 1996;50:361-5); NaN of nothing or where any value is NaN
pub fn quantile(values: &[f64], p: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    quantile_of_sorted(&sorted, p)
}

/// As [`quantile`], for values that already rise
pub fn quantile_of_sorted(sorted: &[f64], p: f64) -> f64 {
    if sorted.is_empty() || p.is_nan() || sorted.iter().any(|v| v.is_nan()) {
        return f64::NAN;
    }
    let last = sorted.len() - 1;
    let rank = p.clamp(0.0, 1.0) * last as f64;
    let low = (rank as usize).min(last);
    let high = (low + 1).min(last);
    let share = rank - low as f64;
    if share == 0.0 { sorted[low] } else { sorted[low] + share * (sorted[high] - sorted[low]) }
}

/// The median; NaN of nothing
pub fn median(values: &[f64]) -> f64 {
    quantile(values, 0.5)
}

/// The median distance from the median (multiply by 1.4826 for the standard deviation of a normal
/// distribution)
pub fn median_deviation(values: &[f64]) -> f64 {
    let middle = median(values);
    let distances: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
    median(&distances)
}

/// A straight line `y = intercept + slope x`
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Value at zero
    pub intercept: f64,
    /// Rise per unit
    pub slope: f64,
    /// Standard deviation of the slope, from the scatter of the points; NaN for two points
    pub slope_deviation: f64,
    /// Weighted root mean square distance of the points, `n - 2` in the denominator; NaN for two
    pub scatter: f64,
}

impl Line {
    /// The value at `x`
    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }
}

/// The weighted least-squares line through `(x, y, weight)`
///
/// Points of weight zero do not count. `None` with fewer than two different `x`, or where a number
/// is not finite or a weight negative.
pub fn line_fit(points: &[(f64, f64, f64)]) -> Option<Line> {
    let usable = |&(x, y, w): &(f64, f64, f64)| x.is_finite() && y.is_finite() && w.is_finite() && w >= 0.0;
    if !points.iter().all(usable) {
        return None;
    }
    let total: f64 = points.iter().map(|p| p.2).sum();
    let count = points.iter().filter(|p| p.2 > 0.0).count();
    if count < 2 {
        return None;
    }
    let mean_x = points.iter().map(|(x, _, w)| w * x).sum::<f64>() / total;
    let mean_y = points.iter().map(|(_, y, w)| w * y).sum::<f64>() / total;
    let xx: f64 = points.iter().map(|(x, _, w)| w * (x - mean_x) * (x - mean_x)).sum();
    let xy: f64 = points.iter().map(|(x, y, w)| w * (x - mean_x) * (y - mean_y)).sum();
    let reach = points.iter().map(|(x, _, w)| w * x * x).sum::<f64>();
    if xx <= 1e-28 * reach || xx <= 0.0 {
        return None;
    }
    let slope = xy / xx;
    let intercept = mean_y - slope * mean_x;
    let left: f64 = points
        .iter()
        .map(|(x, y, w)| {
            let distance = y - intercept - slope * x;
            w * distance * distance
        })
        .sum();
    let variance = if count > 2 { left / (count - 2) as f64 } else { f64::NAN };
    let mean_weight = total / count as f64;
    Some(Line {
        intercept,
        slope,
        slope_deviation: (variance / xx).sqrt(),
        scatter: (variance / mean_weight).sqrt(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn averages_of_a_known_row() {
        let row = [2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0];
        assert_eq!(mean(&row), 5.0);
        assert!((standard_deviation(&row) - (32.0f64 / 7.0).sqrt()).abs() < 1e-15);
        assert_eq!(median(&row), 4.5);
        assert_eq!(median_deviation(&row), 0.5);
        // Type 7: rank 7 p. At p = 0.9 rank 6.3: 7 + 0.3 * 2.
        assert!((quantile(&row, 0.9) - 7.6).abs() < 1e-12);
        assert_eq!((quantile(&row, 0.0), quantile(&row, 1.0)), (2.0, 9.0));
        assert!(mean(&[]).is_nan() && median(&[]).is_nan() && standard_deviation(&[1.0]).is_nan());
        assert!(quantile(&[1.0, f64::NAN], 0.5).is_nan());
    }

    #[test]
    fn a_line_is_found_and_its_uncertainty() {
        let exact: Vec<_> =
            (0..9).map(|i| (f64::from(i), 3.0 - 0.5 * f64::from(i), 1.0 + f64::from(i))).collect();
        let line = line_fit(&exact).unwrap();
        assert!((line.slope + 0.5).abs() < 1e-14 && (line.at(10.0) + 2.0).abs() < 1e-13);
        // y = 0, 1, 1 at x = 0, 1, 2: slope 1/2, intercept 1/6, residuals -1/6, 1/3, -1/6.
        let line = line_fit(&[(0.0, 0.0, 1.0), (1.0, 1.0, 1.0), (2.0, 1.0, 1.0)]).unwrap();
        assert!((line.slope - 0.5).abs() < 1e-15 && (line.intercept - 1.0 / 6.0).abs() < 1e-15);
        assert!((line.scatter - (1.0f64 / 6.0).sqrt()).abs() < 1e-14);
        assert!((line.slope_deviation - (1.0f64 / 12.0).sqrt()).abs() < 1e-14);
        assert_eq!(line_fit(&[(1.0, 0.0, 1.0), (1.0, 2.0, 1.0)]), None);
        assert_eq!(line_fit(&[(1.0, 0.0, 1.0), (f64::NAN, 2.0, 1.0)]), None);
        // A point of weight zero does not count.
        let pulled = line_fit(&[(0.0, 0.0, 1.0), (1.0, 1.0, 1.0), (2.0, 90.0, 0.0)]).unwrap();
        assert!((pulled.slope - 1.0).abs() < 1e-12);
    }
}
