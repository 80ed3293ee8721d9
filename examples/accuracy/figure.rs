//! Errors against the true area, and how often the interval held, as one picture.

use narrows::phantom::TruthShape;
use narrows::report::chart::{Axis, Chart};
use narrows::report::colour::{COMMISSURAL, CURVE, GOOD, INK, LONG_AXIS, QUIET, TRACING};
use narrows::report::svg::{Anchor, Dash, Face, Stroke, Svg};

use super::case::Case;
use super::tally::Tally;

/// The figure as SVG
pub(crate) fn draw(tally: &Tally, title: &str) -> String {
    let mut svg = Svg::new(1240.0, 560.0, "Errors and coverage on simulated acquisitions");
    svg.rect((0.0, 0.0), (1240.0, 560.0), "#FFFFFF", 1.0);
    svg.text((80.0, 36.0), Face::new(18.0, INK), &format!("Measured against truth, {title}"));
    errors(&mut svg, &tally.cases);
    coverage(&mut svg, tally);
    svg.finish()
}

/// Every jet: its error with its interval against its true area
fn errors(svg: &mut Svg, cases: &[Case]) {
    let top = 60.0;
    let chart = Chart::new(
        (80.0, 80.0),
        (620.0, 400.0),
        Axis::covering(0.0, 90.0, 9.0),
        Axis::covering(-top, top, 6.0),
    );
    chart.draw_axes(svg, "true vena contracta area, mm²", "error with its 95 % interval, %");
    let zero = [chart.at(0.0, 0.0), chart.at(90.0, 0.0)];
    svg.line(zero[0], zero[1], Stroke::solid(QUIET, 1.2));
    for case in cases {
        let percent = |area: f64| (100.0 * (area / case.truth_mm2 - 1.0)).clamp(-top, top);
        let (colour, radius) = look(case.shape);
        let fine = Stroke { opacity: 0.25, ..Stroke::solid(colour, 1.0) };
        svg.line(
            chart.at(case.truth_mm2, percent(case.low)),
            chart.at(case.truth_mm2, percent(case.high)),
            fine,
        );
        svg.dot(chart.at(case.truth_mm2, percent(case.found_mm2)), radius, colour, "#FFFFFF");
    }
    let mut x = 90.0;
    for (shape, name) in [
        (TruthShape::Round, "round"),
        (TruthShape::Elliptical, "elliptical"),
        (TruthShape::Crescent, "crescent"),
    ] {
        let (colour, radius) = look(shape);
        svg.dot((x, 62.0), radius + 1.0, colour, "#FFFFFF");
        svg.text((x + 12.0, 67.0), Face::new(14.0, QUIET), name);
        x += 110.0;
    }
}

/// Each shape has a colour and a size of its own
fn look(shape: TruthShape) -> (&'static str, f64) {
    match shape {
        TruthShape::Round => (CURVE, 3.0),
        TruthShape::Elliptical => (LONG_AXIS, 3.6),
        TruthShape::Crescent => (TRACING, 4.2),
        TruthShape::Irregular => (COMMISSURAL, 4.2),
    }
}

/// Each group's coverage with its own 95 % interval; the aim is a band
fn coverage(svg: &mut Svg, tally: &Tally) {
    let chart = Chart::new(
        (900.0, 80.0),
        (300.0, 400.0),
        Axis::within(80.0, 100.0, 4.0),
        Axis { low: 0.0, high: 1.0, ticks: Vec::new() },
    );
    chart.shade(svg, 93.0, 97.0, GOOD, 0.18);
    chart.draw_axes(svg, "intervals that hold the truth, %", "");
    let (from, to) = (chart.at(95.0, 0.0), chart.at(95.0, 1.0));
    svg.line(from, to, Stroke::solid(GOOD, 1.2).dashed(Dash::Dashed));
    let groups = tally.groups();
    for (row, (name, cases)) in groups.iter().enumerate() {
        let height = 1.0 - (row as f64 + 0.5) / groups.len() as f64;
        let held = cases.iter().filter(|c| c.holds()).count();
        let (low, high) = wilson(held, cases.len());
        let at = |share: f64| chart.at((100.0 * share).clamp(80.0, 100.0), height);
        svg.line(at(low), at(high), Stroke::solid(INK, 1.6));
        svg.dot(at(held as f64 / cases.len() as f64), 5.0, CURVE, "#FFFFFF");
        let label = Face::new(14.0, INK).anchored(Anchor::End);
        let (_, y) = chart.at(80.0, height);
        svg.text((888.0, y + 5.0), label, &format!("{name} ({})", cases.len()));
    }
}

/// 95 % interval of a share (Wilson, J Am Stat Assoc 1927;22:209-212)
fn wilson(held: usize, of: usize) -> (f64, f64) {
    let (n, z) = (of as f64, 1.959_964);
    let p = held as f64 / n;
    let middle = (p + z * z / (2.0 * n)) / (1.0 + z * z / n);
    let half = z / (1.0 + z * z / n) * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
    (middle - half, middle + half)
}
