//! Lines, labels and bars that several views draw.

use egui::{
    Align, Align2, Color32, Direction, FontId, Label, Layout, Painter, Pos2, Rect, RichText, Shape, Stroke,
    Ui, UiBuilder, Vec2, pos2, vec2,
};

use super::lens::Lens;
use super::theme::{self, LineStyle, Mark};
use super::words;

/// A line in one of the three styles
pub(super) fn line(painter: &Painter, points: &[Pos2], style: LineStyle, width: f32, colour: Color32) {
    let stroke = Stroke::new(width, colour);
    match style {
        LineStyle::Solid => {
            painter.line(points.to_vec(), stroke);
        }
        LineStyle::Dashed => {
            painter.extend(Shape::dashed_line(points, stroke, 7.0, 5.0));
        }
        LineStyle::Dotted => {
            painter.extend(Shape::dotted_line(points, colour, 5.0, width * 0.75));
        }
        LineStyle::DashDot => {
            let (dashes, gaps) = ([8.0, 1.5], [4.0, 4.0]);
            painter.extend(Shape::dashed_line_with_offset(points, stroke, &dashes, &gaps, 0.0));
        }
    }
}

/// A closed line in one of the three styles
pub(super) fn ring(painter: &Painter, points: &[Pos2], style: LineStyle, width: f32, colour: Color32) {
    if points.len() < 2 {
        return;
    }
    if style == LineStyle::Solid {
        painter.add(Shape::closed_line(points.to_vec(), Stroke::new(width, colour)));
        return;
    }
    let mut closed = points.to_vec();
    closed.push(points[0]);
    line(painter, &closed, style, width, colour);
}

/// A line in its style on a black one, which stands out from any colour
pub(super) fn bold_line(painter: &Painter, points: &[Pos2], style: LineStyle, width: f32, colour: Color32) {
    line(painter, points, LineStyle::Solid, width + 2.4, Color32::BLACK);
    line(painter, points, style, width, colour);
}

/// An outline as its mark says
pub(super) fn outline(painter: &Painter, points: &[Pos2], mark: Mark) {
    ring(painter, points, LineStyle::Solid, mark.width + 2.6, Color32::BLACK);
    ring(painter, points, mark.style, mark.width, mark.colour);
}

/// The names of the outlines on a picture, from its lower right corner upward; gives back where they end
pub(super) fn legend(painter: &Painter, rect: Rect, marks: &[Mark]) -> f32 {
    // Nothing above them lies over the scale bar in the other corner.
    let mut top = rect.bottom() - 40.0;
    let mut at = rect.right_bottom() - vec2(12.0, 10.0);
    for mark in marks.iter().rev() {
        let text = label(
            painter,
            at - vec2(40.0, 0.0),
            Align2::RIGHT_BOTTOM,
            mark.name,
            theme::small(),
            theme::TEXT,
        );
        let y = text.center().y;
        bold_line(painter, &[pos2(at.x - 32.0, y), pos2(at.x, y)], mark.style, mark.width, mark.colour);
        at.y = text.top() - 4.0;
        top = top.min(at.y);
    }
    top
}

/// Text on a picture, on a dark ground so that it reads on any colour; gives back its rectangle
pub(super) fn label(
    painter: &Painter,
    at: Pos2,
    anchor: Align2,
    text: impl Into<String>,
    font: FontId,
    colour: Color32,
) -> Rect {
    // Never wider than the picture it stands on.
    let room = (painter.clip_rect().width() - 24.0).max(60.0);
    let galley = painter.layout(text.into(), font, colour, room);
    let rect = anchor.anchor_size(at, galley.size());
    painter.rect_filled(rect.expand2(vec2(4.0, 1.5)), 3.0, Color32::from_black_alpha(165));
    painter.galley(rect.min, galley, colour);
    rect
}

/// Text on one line of a rectangle, shortened where it does not fit, with the whole of it as its tip
pub(super) fn fitted(ui: &mut Ui, rect: Rect, align: Align, text: RichText) {
    let layout = match align {
        Align::Min => Layout::left_to_right(Align::Center),
        Align::Center => Layout::centered_and_justified(Direction::LeftToRight),
        Align::Max => Layout::right_to_left(Align::Center),
    };
    ui.scope_builder(UiBuilder::new().max_rect(rect).layout(layout), |ui| {
        ui.add(Label::new(text).truncate().selectable(false));
    });
}

/// A scale bar of a round number of millimetres in the lower left corner
pub(super) fn scale_bar(painter: &Painter, lens: &Lens) {
    let room = f64::from(lens.rect.width() * 0.3 / lens.points_per_mm);
    let length = [50.0, 20.0, 10.0, 5.0, 2.0, 1.0].into_iter().find(|mm| *mm <= room).unwrap_or(1.0);
    let points = length as f32 * lens.points_per_mm;
    let left = lens.rect.left_bottom() + vec2(14.0, -14.0);
    let right = left + vec2(points, 0.0);
    for (width, colour) in [(4.0, Color32::from_black_alpha(180)), (2.0, theme::TEXT)] {
        let stroke = Stroke::new(width, colour);
        painter.line_segment([left, right], stroke);
        for end in [left, right] {
            painter.line_segment([end - vec2(0.0, 4.0), end + vec2(0.0, 4.0)], stroke);
        }
    }
    label(
        painter,
        left + vec2(points / 2.0, -8.0),
        Align2::CENTER_BOTTOM,
        format!("{length:.0} mm"),
        theme::small(),
        theme::TEXT,
    );
}

/// The velocity bar: colours from the lowest to the highest displayed velocity, zero marked
pub(super) fn velocity_bar(
    painter: &Painter,
    rect: Rect,
    scale: &crate::volume::VelocityScale,
    map: crate::gpu::ColourMap,
) {
    let lut = crate::gpu::VelocityLut::new(map, scale);
    let colours = lut.colours();
    let step = rect.height() / colours.len() as f32;
    for (index, &[r, g, b]) in colours.iter().enumerate() {
        let bottom = rect.bottom() - index as f32 * step;
        let slice = Rect::from_min_max(pos2(rect.left(), bottom - step - 0.5), pos2(rect.right(), bottom));
        painter.rect_filled(slice, 0.0, Color32::from_rgb(r, g, b));
    }
    painter.rect_stroke(rect, 0.0, Stroke::new(1.0, theme::LINE), egui::StrokeKind::Outside);
    let (low, high) = scale.limits();
    let (low, high) = (low.get(), high.get());
    let at = |velocity: f64| rect.bottom() - ((velocity - low) / (high - low)) as f32 * rect.height();
    let tick = |velocity: f64, text: String, anchor: Align2| {
        let y = at(velocity);
        painter
            .line_segment([pos2(rect.left() - 4.0, y), pos2(rect.right(), y)], Stroke::new(1.0, theme::TEXT));
        label(painter, pos2(rect.left() - 8.0, y), anchor, text, theme::small(), theme::TEXT);
    };
    tick(high, format!("{} m/s", words::signed(high, 2)), Align2::RIGHT_TOP);
    tick(low, words::signed(low, 2), Align2::RIGHT_BOTTOM);
    tick(0.0, "0".into(), Align2::RIGHT_CENTER);
}

/// A round grip that can be taken hold of
pub(super) fn grip(painter: &Painter, at: Pos2, radius: f32, colour: Color32, filled: bool) {
    painter.circle_filled(at, radius + 1.5, Color32::from_black_alpha(170));
    if filled {
        painter.circle_filled(at, radius, colour);
    } else {
        painter.circle(at, radius, theme::GROUND, Stroke::new(1.5, colour));
    }
}

/// The distance of a point from a segment
pub(super) fn from_segment(at: Pos2, a: Pos2, b: Pos2) -> f32 {
    let along = b - a;
    let share = ((at - a).dot(along) / along.length_sq().max(1e-6)).clamp(0.0, 1.0);
    at.distance(a + along * share)
}

/// A square of so many points about a place
pub(super) fn around(at: Pos2, side: f32) -> Rect {
    Rect::from_center_size(at, Vec2::splat(side))
}
