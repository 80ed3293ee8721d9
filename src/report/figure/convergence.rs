//! Flow against speed upstream of the neck: the surfaces of equal speed, and the hemispheric formula.

use super::super::chart::{Axis, Chart};
use super::super::colour;
use super::super::svg::{Anchor, Dash, Face, Halo, Stroke, Svg};
use super::super::words;
use super::{Subject, heading};
use crate::measure::results::Counted;

/// Draws the flow that each surface and each hemisphere tells
pub(crate) fn draw(subject: &Subject<'_>) -> Svg {
    let jet = subject.jet;
    let zone = &jet.convergence;
    let title = format!("Jet {}: flow convergence", jet.id);
    let mut svg = Svg::new(1000.0, 520.0, &title);
    let (Some(flow), Some(alias)) = (zone.flow_ml_s, zone.alias_m_s) else {
        heading(&mut svg, &title, "flow through isovelocity surfaces upstream of the vena contracta");
        let reason = zone.reason.as_deref().unwrap_or("no reason is given");
        let face = Face::new(17.0, colour::QUIET).anchored(Anchor::Middle);
        svg.text((500.0, 240.0), face, "not measured:");
        svg.text((500.0, 268.0), face, reason);
        return svg;
    };
    let counted = zone.surfaces.iter().filter(|s| s.counted == Counted::Yes).count();
    let under = format!(
        "frame {}: {}, median of {}; they differ by {} % (standard deviation)",
        words::frame(zone.frame.unwrap_or(jet.peak_frame)),
        words::flow_interval(&flow),
        words::count(counted, "surface", "surfaces"),
        words::fixed(zone.spread_percent.unwrap_or(f64::NAN), 0)
    );
    heading(&mut svg, &title, &under);
    let speeds = zone.surfaces.iter().map(|s| s.speed_m_s).filter(|v| v.is_finite());
    let (low, high) = speeds.fold((alias, alias), |(low, high), v| (low.min(v), high.max(v)));
    let told = zone.surfaces.iter().flat_map(|s| [Some(s.flow_ml_s), s.hemisphere_ml_s]).flatten();
    let most = told.filter(|f| f.is_finite()).fold(flow.high, f64::max);
    let margin = 0.08 * (high - low).max(0.1);
    let chart = Chart::new(
        (92.0, 112.0),
        (880.0, 290.0),
        Axis::within(low - margin, high + margin, 8.0),
        Axis::covering(0.0, 1.02 * most, 5.0),
    );
    let (left, right) = (low - margin, high + margin);
    let band = [
        chart.at(left, flow.low),
        chart.at(right, flow.low),
        chart.at(right, flow.high),
        chart.at(left, flow.high),
    ];
    svg.area(&band, colour::CURVE, 0.12);
    chart.draw_axes(&mut svg, "speed of the surface, m/s", "flow, ml/s");
    svg.polyline(
        &[chart.at(left, flow.value), chart.at(right, flow.value)],
        Stroke::solid(colour::CURVE, 1.6),
    );
    chart.mark(&mut svg, alias, colour::TRACING, &format!("alias velocity {} m/s", words::fixed(alias, 2)));
    let formula: Vec<_> = zone
        .surfaces
        .iter()
        .filter_map(|s| Some(chart.at(s.speed_m_s, s.hemisphere_ml_s.filter(|f| f.is_finite())?)))
        .collect();
    svg.polyline(&formula, Stroke::solid(colour::COMMISSURAL, 2.0).dashed(Dash::Dotted));
    for (x, y) in formula {
        svg.area(&[(x, y - 6.0), (x + 6.0, y), (x, y + 6.0), (x - 6.0, y)], colour::COMMISSURAL, 1.0);
    }
    for surface in zone.surfaces.iter().filter(|s| s.flow_ml_s.is_finite()) {
        let fill = if surface.counted == Counted::Yes { colour::CURVE } else { "#ffffff" };
        svg.dot(chart.at(surface.speed_m_s, surface.flow_ml_s), 6.0, fill, colour::CURVE);
    }
    key(&mut svg);
    svg
}

fn key(svg: &mut Svg) {
    let y = 494.0;
    let face = Face::new(14.0, colour::INK).with(Halo::None);
    svg.dot((98.0, y - 5.0), 6.0, colour::CURVE, colour::CURVE);
    svg.text((112.0, y), face, "isovelocity surface");
    svg.dot((290.0, y - 5.0), 6.0, "#ffffff", colour::CURVE);
    svg.text((304.0, y), face, "not counted");
    let (x, y_mark) = (416.0, y - 5.0);
    let diamond = [(x, y_mark - 6.0), (x + 6.0, y_mark), (x, y_mark + 6.0), (x - 6.0, y_mark)];
    svg.area(&diamond, colour::COMMISSURAL, 1.0);
    svg.text((430.0, y), face, "hemisphere from the axis, no angle correction");
    svg.rect((754.0, y - 12.0), (26.0, 14.0), colour::CURVE, 0.12);
    svg.text((788.0, y), face, "median, 95 % interval");
}
