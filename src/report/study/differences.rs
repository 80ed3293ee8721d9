//! Differences against means: the plot of Bland and Altman.

use crate::report::chart::{Axis, Chart};
use crate::report::colour;
use crate::report::figure::heading;
use crate::report::svg::{Anchor, Dash, Face, Stroke, Svg};
use crate::report::words::{fixed, signed};
use crate::study::agree::BlandAltman;

/// Draws the difference of each volume against its mean, with bias, limits and their intervals
///
/// `what` names the measurement, `unit` its unit; both may be empty. The band of a limit is its exact
/// interval where there is one, else the approximate.
pub fn differences_figure(pair: &BlandAltman, what: &str, unit: &str) -> Svg {
    let title = format!("{} − {}", pair.first, pair.second);
    let mut svg = Svg::new(1000.0, 560.0, &title);
    let with_unit = |text: String| if unit.is_empty() { text } else { format!("{text} {unit}") };
    let under = match pair.standard_deviation {
        Some(sd) => with_unit(format!(
            "{} volumes; bias {}, SD of single readings {}",
            pair.volumes,
            signed(pair.bias, decimals(pair)),
            fixed(sd, decimals(pair))
        )),
        None => format!("{} volume", pair.volumes),
    };
    heading(&mut svg, &title, &under);
    let (mut low, mut high) = (f64::MAX, f64::MIN);
    let (mut bottom, mut top) = (pair.bias.min(0.0), pair.bias.max(0.0));
    for point in &pair.points {
        (low, high) = (low.min(point.mean), high.max(point.mean));
        (bottom, top) = (bottom.min(point.difference), top.max(point.difference));
    }
    for limit in [pair.lower, pair.upper].into_iter().flatten() {
        let [a, b] = limit.exact.unwrap_or(limit.approximate);
        (bottom, top) = (bottom.min(a), top.max(b));
    }
    let margin = 0.04 * (high - low).abs().max(1e-9);
    let spread = (top - bottom).max(1e-9);
    let chart = Chart::new(
        (92.0, 86.0),
        (720.0, 400.0),
        Axis::within(low - margin, high + margin, 8.0),
        Axis::covering(bottom - 0.04 * spread, top + 0.04 * spread, 6.0),
    );
    let (left, right) = (92.0, 812.0);
    let height = |value: f64| chart.at(0.0, value).1;
    let band = |svg: &mut Svg, [a, b]: [f64; 2], colour: &str| {
        svg.rect((left, height(b)), (right - left, height(a) - height(b)), colour, 0.13);
    };
    for limit in [pair.lower, pair.upper].into_iter().flatten() {
        band(&mut svg, limit.exact.unwrap_or(limit.approximate), colour::TRACING);
    }
    if let Some(ends) = pair.bias_interval {
        band(&mut svg, ends, colour::CURVE);
    }
    let axis = |name: &str| {
        let named = if what.is_empty() { name.to_owned() } else { format!("{name} of {what}") };
        if unit.is_empty() { named } else { format!("{named}, {unit}") }
    };
    chart.draw_axes(&mut svg, &axis("mean"), &axis("difference"));
    let rule = |svg: &mut Svg, value: f64, stroke: Stroke, words: &str| {
        svg.line((left, height(value)), (right, height(value)), stroke);
        svg.text((right + 10.0, height(value) - 3.0), Face::new(14.0, colour::INK), words);
        let number = signed(value, decimals(pair));
        svg.text((right + 10.0, height(value) + 14.0), Face::new(14.0, colour::QUIET), &number);
    };
    svg.line(
        (left, height(0.0)),
        (right, height(0.0)),
        Stroke::solid(colour::QUIET, 1.0).dashed(Dash::Dotted),
    );
    rule(&mut svg, pair.bias, Stroke::solid(colour::CURVE, 2.2), "bias");
    for (limit, words) in [(pair.upper, "upper limit (+1.96 SD)"), (pair.lower, "lower limit (−1.96 SD)")] {
        if let Some(limit) = limit {
            rule(&mut svg, limit.value, Stroke::solid(colour::TRACING, 2.2).dashed(Dash::Dashed), words);
        }
    }
    for point in &pair.points {
        svg.dot(chart.at(point.mean, point.difference), 4.5, "#ffffff", colour::INK);
    }
    svg.text(
        (left + 360.0, 553.0),
        Face::new(13.0, colour::QUIET).anchored(Anchor::Middle),
        "bands: 95 % intervals of the bias and of each limit",
    );
    svg
}

/// Decimals that show three digits of the scatter
pub(super) fn decimals(pair: &BlandAltman) -> usize {
    decimals_for(pair.standard_deviation.unwrap_or(pair.bias.abs()))
}

/// Decimals that show three digits of a number of this size
pub(super) fn decimals_for(size: f64) -> usize {
    if !size.is_finite() || size <= 0.0 {
        return 2;
    }
    (2.0 - libm::floor(libm::log10(size))).clamp(0.0, 6.0) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_digits() {
        for (size, expected) in [(38.7, 1), (387.0, 0), (3.87, 2), (0.0387, 4), (0.0, 2), (1e9, 0)] {
            assert_eq!(decimals_for(size), expected, "{size}");
        }
    }
}
