//! The neck profile: traced area against position along the axis.

use super::super::chart::{Axis, Chart};
use super::super::colour;
use super::super::svg::{Anchor, Face, Stroke, Svg};
use super::super::words;
use super::{Subject, heading};

/// Draws the neck profile of a jet
pub(crate) fn draw(subject: &Subject<'_>) -> Svg {
    let jet = subject.jet;
    let (unit, per) = (subject.unit, subject.unit.per_mm2());
    let title = format!("Jet {}: VC profile", jet.id);
    let mut svg = Svg::new(1000.0, 470.0, &title);
    let seen = jet.components;
    let under = format!(
        "area of the cross-section as displayed; convergence {}, contraction {}, expansion {}",
        words::seen(seen.convergence),
        words::seen(seen.contraction),
        words::seen(seen.expansion)
    );
    heading(&mut svg, &title, &under);
    let points: Vec<(f64, Option<f64>)> = jet
        .neck_profile
        .iter()
        .filter(|point| point.position_mm.is_finite())
        .map(|point| {
            (point.position_mm, point.area_mm2.filter(|area| area.is_finite()).map(|area| area * per))
        })
        .collect();
    if points.iter().all(|(_, area)| area.is_none()) {
        svg.text(
            (500.0, 250.0),
            Face::new(17.0, colour::QUIET).anchored(Anchor::Middle),
            "no profile was measured",
        );
        return svg;
    }
    let low = points.iter().map(|p| p.0).fold(0.0, f64::min);
    let high = points.iter().map(|p| p.0).fold(0.0, f64::max);
    let most = points.iter().filter_map(|p| p.1).fold(per * jet.traced_area_mm2.max(1.0), f64::max);
    let chart = Chart::new(
        (92.0, 112.0),
        (880.0, 280.0),
        Axis::within(low, high.max(low + 1.0), 10.0),
        Axis::covering(0.0, 1.05 * most, 5.0),
    );
    chart.draw_axes(
        &mut svg,
        "mm from the vena contracta along the flow (upstream is negative)",
        &format!("area, {}", unit.sign()),
    );
    chart.mark(
        &mut svg,
        0.0,
        colour::TRACING,
        &format!("vena contracta: {} traced", unit.text(jet.traced_area_mm2)),
    );
    for run in points.chunk_by(|a, b| a.1.is_some() && b.1.is_some()) {
        let line: Vec<_> = run.iter().filter_map(|&(x, y)| Some(chart.at(x, y?))).collect();
        svg.polyline(&line, Stroke::solid(colour::CURVE, 2.4));
        for at in line {
            svg.dot(at, 2.6, colour::CURVE, colour::CURVE);
        }
    }
    svg.dot(chart.at(0.0, per * jet.traced_area_mm2), 6.0, colour::TRACING, colour::INK);
    svg
}
