//! The areas of two measurements through the beat, on one pair of axes.

use super::super::AreaUnit;
use super::super::chart::{Axis, Chart};
use super::super::colour;
use super::super::svg::{Dash, Face, Stroke, Svg};
use super::heading;
use crate::measure::results::{Interval, Results};

/// How each of the two is drawn: line, dot
const BEFORE: Stroke = Stroke::solid(colour::TRACING, 2.6);
const AFTER: Stroke = Stroke::solid(colour::CURVE, 2.6).dashed(Dash::Dashed);

/// Draws the summed area of all jets against time, before and after
pub fn courses(before: &Results, after: &Results, unit: AreaUnit) -> Svg {
    let mut svg = Svg::new(1000.0, 480.0, "Area through the beat, before and after");
    heading(&mut svg, "Area through the beat", "sum of all jets, with 95 % intervals, on the same axes");
    let (one, two) = (course(before, unit), course(after, unit));
    let all = || one.iter().chain(&two);
    let high = all().map(|point| point.0).fold(1.0, f64::max);
    let low = all().map(|point| point.0).fold(0.0, f64::min);
    let most = all().filter_map(|point| point.1).map(|area| area.high).fold(unit.per_mm2(), f64::max);
    let chart = Chart::new(
        (92.0, 92.0),
        (880.0, 270.0),
        Axis::within(low, high * 1.02, 10.0),
        Axis::covering(0.0, 1.05 * most, 5.0),
    );
    chart.draw_axes(&mut svg, "ms after the R wave", &format!("area, {}", unit.sign()));
    for (points, stroke) in [(&one, BEFORE), (&two, AFTER)] {
        for run in points.chunk_by(|a, b| a.1.is_some() && b.1.is_some()) {
            let run: Vec<(f64, Interval)> = run.iter().filter_map(|&(t, area)| Some((t, area?))).collect();
            let upper = run.iter().map(|(t, area)| chart.at(*t, area.high));
            let lower = run.iter().rev().map(|(t, area)| chart.at(*t, area.low));
            svg.area(&upper.chain(lower).collect::<Vec<_>>(), stroke.colour, 0.18);
            let line: Vec<_> = run.iter().map(|(t, area)| chart.at(*t, area.value)).collect();
            svg.polyline(&line, stroke);
            for at in line {
                svg.dot(at, 3.6, stroke.colour, stroke.colour);
            }
        }
    }
    let y = 456.0;
    for (x, stroke, name) in [(98.0, BEFORE, "before"), (260.0, AFTER, "after")] {
        svg.line((x, y - 5.0), (x + 44.0, y - 5.0), stroke);
        svg.text((x + 54.0, y), Face::new(15.0, colour::INK), name);
    }
    svg
}

/// Time in ms, and the sum of the areas of all jets; `None` where there is none
fn course(results: &Results, unit: AreaUnit) -> Vec<(f64, Option<Interval>)> {
    let Some(first) = results.jets.first() else { return Vec::new() };
    first
        .frames
        .iter()
        .enumerate()
        .map(|(index, frame)| {
            let areas: Vec<Interval> = results
                .jets
                .iter()
                .filter_map(|jet| jet.frames.get(index)?.vca_mm2)
                .map(|area| area.scaled(unit.per_mm2()))
                .collect();
            let sum = areas.iter().copied().reduce(|a, b| Interval {
                value: a.value + b.value,
                low: a.low + b.low,
                high: a.high + b.high,
            });
            (1e3 * frame.time_s, sum)
        })
        .collect()
}
