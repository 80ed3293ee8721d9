//! The en-face cut: tracing, implied circle, widths, area and interval.

use super::super::colour;
use super::super::svg::{Anchor, At, Dash, Face, Halo, Stroke, Svg};
use super::super::words;
use super::panel::{HEIGHT, Key, Panel, WIDTH, arrow_head, cased, casing, edge_label};
use super::{FigureError, Pose, Subject, View, chord_middle, heading};
use crate::measure::results::JetResult;
use crate::space::{Cut, CutPoint, VolumePoint};
use crate::unit::{Mm, Mm2};

const TRACING: Stroke = Stroke::solid(colour::TRACING, 3.0);
const CIRCLE: Stroke = Stroke::solid(colour::LIGHT, 1.5).dashed(Dash::Dashed);
const LONG: Stroke = Stroke::solid(colour::LONG_AXIS, 2.6).dashed(Dash::Dashed);
const COMMISSURAL: Stroke = Stroke::solid(colour::COMMISSURAL, 3.6).dashed(Dash::Dotted);

/// The side of a picture that holds the tracing of a jet and its implied circle
///
/// # Errors
/// See [`FigureError`].
pub fn fitting_side(subject: &Subject<'_>) -> Result<Mm, FigureError> {
    let pose = Pose::of(subject)?;
    let cut = Cut::new(pose.neck, pose.axis, pose.long.into_inner());
    Ok(side_of(subject.jet, &tracing_on(subject.jet, &cut)))
}

fn tracing_on(jet: &JetResult, cut: &Cut) -> Vec<CutPoint> {
    jet.tracing_mm
        .iter()
        .map(|&[x, y, z]| cut.project(VolumePoint::new(x, y, z)).0)
        .filter(|point| point.u.is_finite() && point.v.is_finite())
        .collect()
}

fn side_of(jet: &JetResult, tracing: &[CutPoint]) -> Mm {
    let middle = centroid(tracing);
    let circle = Mm2::new(jet.circle_area_mm2.max(0.0)).circle_diameter() / 2.0;
    let reach = tracing
        .iter()
        .map(|point| libm::hypot(point.u, point.v))
        .fold(circle.get() + libm::hypot(middle.u, middle.v), f64::max);
    Mm::new((3.3 * reach).clamp(10.0, 60.0))
}

/// Draws the en-face cut of a jet, seen against the flow; as on the viewer's screen, the long axis runs to the right
pub(crate) fn draw(subject: &Subject<'_>) -> Result<Svg, FigureError> {
    let jet = subject.jet;
    let pose = Pose::of(subject)?;
    let cut = Cut::new(pose.neck, pose.axis, pose.long.into_inner());
    let tracing = tracing_on(jet, &cut);
    let middle = centroid(&tracing);
    let circle = Mm2::new(jet.circle_area_mm2.max(0.0)).circle_diameter() / 2.0;
    let side = subject.side.unwrap_or_else(|| side_of(jet, &tracing));
    let panel = Panel::new(cut, side);

    let mut svg = Svg::new(WIDTH, HEIGHT, &format!("Jet {}: the en-face plane", jet.id));
    let title = format!("Jet {}: en-face plane at the vena contracta", jet.id);
    heading(
        &mut svg,
        &title,
        &format!("perpendicular to the jet, seen against the flow; {}", subject.moment()),
    );
    panel.draw(&mut svg, subject.volume, subject.frame, &subject.id(View::EnFace), |svg| {
        if !subject.is_peak() {
            return;
        }
        let outline: Vec<At> = tracing.iter().map(|point| panel.at(*point)).collect();
        let radius = circle.get() * panel.per_mm();
        svg.circle(panel.at(middle), radius, casing(CIRCLE));
        svg.circle(panel.at(middle), radius, CIRCLE);
        svg.outline(&outline, casing(TRACING));
        svg.outline(&outline, TRACING);
        let along_v = chord_middle(tracing.iter().map(|point| (point.u, point.v))).unwrap_or(0.0);
        let along_u = chord_middle(tracing.iter().map(|point| (point.v, point.u))).unwrap_or(0.0);
        let half = jet.width_mm.commissural.value / 2.0;
        let ends = [CutPoint::new(0.0, along_v - half), CutPoint::new(0.0, along_v + half)];
        cased(svg, &ends.map(|end| panel.at(end)), COMMISSURAL);
        let half = jet.width_mm.long_axis.value / 2.0;
        let ends = [CutPoint::new(along_u - half, 0.0), CutPoint::new(along_u + half, 0.0)];
        cased(svg, &ends.map(|end| panel.at(end)), LONG);
        label(svg, &outline, &subject.unit.interval(&jet.vca_mm2));
    })?;
    directions(&mut svg);
    key(&mut svg, subject);
    Ok(svg)
}

/// Area and interval beside the tracing: below it, or above where there is no room
fn label(svg: &mut Svg, outline: &[At], text: &str) {
    let [left, _, right, bottom] = Panel::edges();
    let low = outline.iter().map(|at| at.1).fold(f64::MIN, f64::max);
    let high = outline.iter().map(|at| at.1).fold(f64::MAX, f64::min);
    let middle = outline.iter().map(|at| at.0).sum::<f64>() / outline.len().max(1) as f64;
    let y = if low + 34.0 < bottom - 50.0 { low + 34.0 } else { high - 16.0 };
    let face = Face::new(18.0, colour::LIGHT).anchored(Anchor::Middle).with(Halo::Dark);
    svg.text((middle.clamp(left + 120.0, right - 120.0), y), face, text);
}

/// Which way the long-axis direction runs on the picture
fn directions(svg: &mut Svg) {
    let [_, top, right, _] = Panel::edges();
    let (y, from, to) = (top + 38.0, right - 58.0, right - 18.0);
    cased(svg, &[(from, y), (to - 8.0, y)], Stroke::solid(colour::LIGHT, 2.0));
    arrow_head(svg, (to, y), (1.0, 0.0), colour::LIGHT);
    edge_label(svg, (from - 10.0, y + 6.0), Anchor::End, "long-axis direction");
}

fn key(svg: &mut Svg, subject: &Subject<'_>) {
    let jet = subject.jet;
    let mut key = Key::new();
    if !subject.is_peak() {
        match subject.frame_result().and_then(|frame| frame.vca_mm2) {
            Some(vca) if subject.frame_result().is_some_and(|frame| frame.hidden) => {
                let may = format!("{} {} may hide there", subject.unit.span(&vca), subject.unit.sign());
                key.note(svg, "VC dropout in this frame", &[may]);
            }
            Some(vca) => {
                let below = format!("95 % interval {} {}", subject.unit.span(&vca), subject.unit.sign());
                key.answer(svg, "vena contracta area", &subject.unit.text(vca.value), &below);
            }
            None => key.note(svg, "no jet in this frame", &[]),
        }
        key.note(
            svg,
            "the tracing belongs to the peak frame",
            &[format!("frame {}", crate::report::words::frame(jet.peak_frame))],
        );
        return;
    }
    let below = format!("95 % interval {} {}", subject.unit.span(&jet.vca_mm2), subject.unit.sign());
    key.answer(svg, "vena contracta area", &subject.unit.text(jet.vca_mm2.value), &below);
    let traced = [subject.unit.text(jet.traced_area_mm2), "not corrected for blooming".into()];
    let whose = words::origin_word(jet);
    key.line(svg, TRACING, &format!("{whose} tracing, as displayed"), &traced);
    key.line(svg, LONG, "long-axis width", &[words::mm_interval(&jet.width_mm.long_axis)]);
    key.line(svg, COMMISSURAL, "commissural width", &[words::mm_interval(&jet.width_mm.commissural)]);
    let verdict = if jet.single_width.misleads { "misleads here" } else { "of the same grade" };
    let off = format!("{} %, {verdict}", words::signed(jet.single_width.error_percent, 0));
    key.line(svg, CIRCLE, "circle of the long-axis width", &[subject.unit.text(jet.circle_area_mm2), off]);
    let shape = format!("{}, {} : 1", words::shape(jet.shape.class), words::fixed(jet.shape.axis_ratio, 1));
    key.note(svg, "shape of the tracing", &[shape]);
}

/// Centre of area of a polygon, or the mean of its points where it has no area
fn centroid(points: &[CutPoint]) -> CutPoint {
    let mut sums = [0.0; 3];
    for (i, a) in points.iter().enumerate() {
        let b = points[(i + 1) % points.len()];
        let cross = a.u * b.v - b.u * a.v;
        sums[0] += cross;
        sums[1] += cross * (a.u + b.u);
        sums[2] += cross * (a.v + b.v);
    }
    if sums[0].abs() > 1e-9 {
        return CutPoint::new(sums[1] / (3.0 * sums[0]), sums[2] / (3.0 * sums[0]));
    }
    let n = points.len().max(1) as f64;
    CutPoint::new(points.iter().map(|p| p.u).sum::<f64>() / n, points.iter().map(|p| p.v).sum::<f64>() / n)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_centre_and_the_chord_of_a_square_beside_the_origin() {
        let square =
            [(1.0, -1.0), (3.0, -1.0), (3.0, 1.0), (1.0, 1.0)].map(|(u, v)| CutPoint::new(u, v)).to_vec();
        let centre = centroid(&square);
        assert!(centre.distance(CutPoint::new(2.0, 0.0)) < 1e-12);
        assert_eq!(chord_middle(square.iter().map(|p| (p.v, p.u))), Some(2.0));
        assert_eq!(chord_middle(square.iter().map(|p| (p.u, p.v))), None);
        assert_eq!(centroid(&[]), CutPoint::new(0.0, 0.0));
    }
}
