//! Steps between gated sub-volumes: the change from plane to plane, and a slice across them.

use super::super::chart::{Axis, Chart};
use super::super::colour;
use super::super::svg::{Dash, Face, Halo, Stroke, Svg};
use super::super::words;
use super::panel::{Key, Panel, WIDTH, cased};
use super::{FigureError, heading};
use crate::measure::results::{Results, Stitch};
use crate::space::{Cut, CutPoint, VoxelPoint};
use crate::unit::Mm;
use crate::volume::Volume4;

const HEIGHT: f64 = 960.0;
/// At most so many steps are marked
const MARKS: usize = 8;

/// Draws the score of every border along the axis that steps most, above it the slice through the
/// middle of the volume that contains this axis; `None` where the results hold no scores
///
/// # Errors
/// See [`FigureError`].
pub fn stitch(volume: &Volume4, results: &Results) -> Result<Option<Svg>, FigureError> {
    let Some(found) = results.trust.stitch.as_ref() else { return Ok(None) };
    let Some(name) = ["x", "y", "z"].get(found.axis) else { return Ok(None) };
    let mut svg = Svg::new(WIDTH, HEIGHT, "Steps between sub-volumes");
    let steps = found.steps();
    let words_of = |n: usize| words::count(n, "border steps", "borders step");
    let title =
        if steps.is_empty() { "No step between sub-volumes".to_owned() } else { words_of(steps.len()) };
    // The frame that was measured, or the first.
    let frame = results.total.frame.unwrap_or(0).min(volume.frames() - 1);
    let under = format!(
        "slice through the middle of the volume, frame {}, and the change of the tissue from plane to plane along {name}",
        words::frame(frame)
    );
    heading(&mut svg, &title, &under);
    slice(&mut svg, volume, found, frame)?;
    curve(&mut svg, volume, found, name);
    Ok(Some(svg))
}

/// Millimetres along the axis from the middle of the volume, half-way between a plane and the next
fn position_mm(volume: &Volume4, found: &Stitch, plane: usize) -> f64 {
    let middle = (volume.grid.shape()[found.axis] as f64 - 1.0) / 2.0;
    (plane as f64 + 0.5 - middle) * volume.grid.spacing_mm()[found.axis]
}

/// The borders to mark: all that step, the largest where there are many; the largest score where none does
fn marked(found: &Stitch) -> Vec<usize> {
    let mut steps = found.steps();
    steps.sort_by(|a, b| {
        let score = |plane: &usize| found.scores[*plane].unwrap_or(0.0);
        score(b).total_cmp(&score(a)).then(a.cmp(b))
    });
    steps.truncate(MARKS);
    steps
}

fn slice(svg: &mut Svg, volume: &Volume4, found: &Stitch, frame: usize) -> Result<(), FigureError> {
    let grid = &volume.grid;
    let axes = grid.axes();
    // The axis that steps runs to the right, depth downward; where depth itself steps, x runs upward.
    let (across, up) = match found.axis {
        2 => (2, axes[0].into_inner()),
        axis => (axis, -axes[2].into_inner()),
    };
    let normal = nalgebra::Unit::new_normalize(axes[across].cross(&up));
    let [x, y, z] = grid.shape().map(|side| (side as f64 - 1.0) / 2.0);
    let cut = Cut::new(grid.volume_from_voxel(VoxelPoint::new(x, y, z)), normal, axes[across].into_inner());
    let extent = |axis: usize| grid.shape()[axis] as f64 * grid.spacing_mm()[axis];
    let side = f64::max(extent(across), extent(if across == 2 { 0 } else { 2 }));
    let panel = Panel::new(cut, Mm::new(side));
    let steps = marked(found);
    panel.draw(svg, volume, frame, "stitch", |svg| {
        for plane in &steps {
            let u = position_mm(volume, found, *plane);
            let ends = [panel.at(CutPoint::new(u, -side / 2.0)), panel.at(CutPoint::new(u, side / 2.0))];
            cased(svg, &ends, Stroke::solid(colour::TRACING, 1.8).dashed(Dash::Dashed));
        }
    })?;
    let mut key = Key::new();
    if !steps.is_empty() {
        let stroke = Stroke::solid(colour::TRACING, 1.8).dashed(Dash::Dashed);
        key.line(svg, stroke, "a border that steps", &[]);
    }
    let place = format!("between planes {} and {}", found.plane, found.plane + 1);
    key.note(svg, "largest change over its surroundings", &[words::fixed(found.score, 2), place]);
    key.note(svg, "a step from", &[words::fixed(found.limit, 2)]);
    Ok(())
}

fn curve(svg: &mut Svg, volume: &Volume4, found: &Stitch, name: &str) {
    let points: Vec<(f64, Option<f64>)> = found
        .scores
        .iter()
        .enumerate()
        .map(|(plane, score)| (position_mm(volume, found, plane), score.filter(|s| s.is_finite())))
        .collect();
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return };
    let most = points.iter().filter_map(|p| p.1).fold(found.limit, f64::max);
    let chart = Chart::new(
        (92.0, 700.0),
        (880.0, 180.0),
        Axis::within(first.0, last.0.max(first.0 + 1.0), 10.0),
        Axis::covering(0.0, 1.05 * most, 4.0),
    );
    chart.draw_axes(svg, &format!("mm along {name} from the middle of the volume"), "change, relative");
    let line = [chart.at(first.0, found.limit), chart.at(last.0.max(first.0 + 1.0), found.limit)];
    svg.polyline(&line, Stroke::solid(colour::BAD, 1.6).dashed(Dash::Dotted));
    let face = Face::new(14.0, colour::INK).with(Halo::None);
    svg.text((line[0].0 + 6.0, line[0].1 - 7.0), face, "limit");
    for run in points.chunk_by(|a, b| a.1.is_some() && b.1.is_some()) {
        let line: Vec<_> = run.iter().filter_map(|&(x, y)| Some(chart.at(x, y?))).collect();
        svg.polyline(&line, Stroke::solid(colour::CURVE, 2.0));
    }
    for (x, score) in &points {
        let Some(score) = *score else { continue };
        if score > found.limit {
            svg.dot(chart.at(*x, score), 5.5, colour::TRACING, colour::INK);
        }
    }
}
