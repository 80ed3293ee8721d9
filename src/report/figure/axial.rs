//! The two cuts that contain the jet axis: long axis and commissural.
//!
//! The jet's axis runs upright and the flow upward, as on the viewer's screen.

use super::super::colour;
use super::super::svg::{Anchor, Dash, Stroke, Svg};
use super::super::words;
use super::panel::{HEIGHT, Key, Panel, WIDTH, arrow_head, cased, edge_label};
use super::{FigureError, Pose, Subject, View, chord_middle, heading};
use crate::space::{Cut, CutPoint, VolumePoint};
use crate::unit::Mm;

const AXIS: Stroke = Stroke::solid(colour::LIGHT, 1.6).dashed(Dash::Dashed);
const NECK: Stroke = Stroke::solid(colour::TRACING, 3.0);
const LONG: Stroke = Stroke::solid(colour::LONG_AXIS, 3.0).dashed(Dash::Dashed);
const COMMISSURAL: Stroke = Stroke::solid(colour::COMMISSURAL, 4.0).dashed(Dash::Dotted);

/// Draws the long-axis or the commissural cut of a jet
pub(crate) fn draw(view: View, subject: &Subject<'_>) -> Result<Svg, FigureError> {
    let jet = subject.jet;
    let pose = Pose::of(subject)?;
    let (name, across, stroke, width) = if view == View::Commissural {
        ("commissural", pose.commissural, COMMISSURAL, jet.width_mm.commissural)
    } else {
        ("long-axis", pose.long, LONG, jet.width_mm.long_axis)
    };
    let normal = nalgebra::Unit::new_normalize(across.cross(&pose.axis));
    let (upstream, downstream) = extent(subject);
    let shift = f64::midpoint(upstream, downstream);
    let centre = pose.neck.moved(pose.axis.into_inner() * shift);
    let cut = Cut::new(centre, normal, across.into_inner());
    let panel = Panel::new(cut, Mm::new(downstream - upstream));
    let level = |position: f64| position - shift;

    let title = format!("Jet {}: {name} plane", jet.id);
    let mut svg = Svg::new(WIDTH, HEIGHT, &title);
    let above = match subject.volume.beam_at(pose.neck) {
        Some(beam) if beam.dot(&pose.axis) > 0.0 => "the flow runs upward, the probe is below",
        Some(_) => "the flow runs upward, the probe is above",
        None => "the flow runs upward",
    };
    heading(&mut svg, &title, &format!("along the jet, {above}; {}", subject.moment()));
    panel.draw(&mut svg, subject.volume, subject.frame, &subject.id(view), |svg| {
        let [left, top, right, bottom] = Panel::edges();
        let axis = [level(upstream), level(downstream)].map(|v| panel.at(CutPoint::new(0.0, v)));
        cased(svg, &axis, AXIS);
        arrow_head(svg, (axis[0].0, top + 10.0), (0.0, -1.0), colour::LIGHT);
        edge_label(svg, (axis[0].0 + 12.0, top + 24.0), Anchor::Start, "flow");
        let (_, neck_y) = panel.at(CutPoint::new(0.0, level(0.0)));
        let half = width.value / 2.0 * panel.per_mm();
        // The width lies where the tracing crosses this cut, which need not be on the axis.
        let tracing = jet.tracing_mm.iter().map(|&[x, y, z]| VolumePoint::new(x, y, z).from(pose.neck));
        let chord = chord_middle(tracing.map(|p| (p.dot(&normal), p.dot(&across))));
        let (x, gap) = (Panel::middle().0 + chord.unwrap_or(0.0) * panel.per_mm(), half + 10.0);
        cased(svg, &[(left, neck_y), (x - gap, neck_y)], NECK);
        cased(svg, &[(x + gap, neck_y), (right, neck_y)], NECK);
        if subject.is_peak() {
            cased(svg, &[(x - half, neck_y), (x + half, neck_y)], stroke);
            for end in [x - half, x + half] {
                cased(svg, &[(end, neck_y - 9.0), (end, neck_y + 9.0)], Stroke::solid(stroke.colour, 2.4));
            }
        }
        let part = |svg: &mut Svg, position: f64, words: String| {
            let (_, y) = panel.at(CutPoint::new(0.0, level(position)));
            edge_label(svg, (left + 14.0, y.clamp(top + 24.0, bottom - 46.0)), Anchor::Start, &words);
        };
        let seen = jet.components;
        part(svg, 0.55 * upstream, format!("convergence: {}", words::seen(seen.convergence)));
        let above_neck = 8.0 / panel.per_mm();
        part(svg, above_neck, format!("vena contracta; contraction: {}", words::seen(seen.contraction)));
        part(svg, 0.55 * downstream, format!("expansion: {}", words::seen(seen.expansion)));
    })?;

    let mut key = Key::new();
    if subject.is_peak() {
        let below = format!("95 % interval {} mm", words::span(&width, 1));
        key.answer(
            &mut svg,
            &format!("vena contracta width, {name} plane"),
            &format!("{} mm", words::fixed(width.value, 1)),
            &below,
        );
        key.line(&mut svg, stroke, "the width at the vena contracta", &[]);
    }
    key.line(&mut svg, NECK, "level of the en-face plane", &[]);
    let angle = jet.beam_angle_deg.map_or_else(
        || "angle to the beam unknown".into(),
        |angle| format!("{}° to the beam", words::fixed(angle, 0)),
    );
    let sure = format!("known to ± {}°", words::fixed(jet.axis_uncertainty_deg, 1));
    key.line(&mut svg, AXIS, "jet axis", &[angle, sure]);
    if jet.width_mm.axes_assumed {
        let assumed =
            ["taken along the tracing's".into(), "shortest width: assumed,".into(), "not anatomical".into()];
        key.note(&mut svg, "long-axis direction", &assumed);
    }
    Ok(svg)
}

/// How far the picture reaches upstream (negative) and downstream of the neck, mm
fn extent(subject: &Subject<'_>) -> (f64, f64) {
    let positions = subject.jet.neck_profile.iter().map(|p| p.position_mm).filter(|p| p.is_finite());
    let (mut low, mut high) = (-8.0_f64, 12.0_f64);
    for position in positions {
        low = low.min(position - 2.0);
        high = high.max(position + 2.0);
    }
    (low.max(-16.0), high.min(26.0))
}
