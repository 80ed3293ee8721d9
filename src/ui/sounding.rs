//! The sounding: the long-axis cut, the neck profile and the commissural cut on one vertical axis.
//!
//! The axis is the jet's, flow upward. One orange line, the en-face cut seen from its edge, runs
//! through all three: taken in its middle it moves along the jet, taken elsewhere it turns. Because
//! the pictures stay on the jet while the line turns, the reader sees what the cut does to the jet.

use egui::{Align2, Color32, CursorIcon, Pos2, Rect, Response, Sense, Stroke, Ui, pos2, vec2};

use crate::measure::results::JetResult;
use crate::review::{Command, Session};
use crate::space::{Cut, CutPoint, VoxelPoint};

use super::en_face::{mark, mark_points};
use super::lens::Lens;
use super::scene::{Action, Pane, Scene};
use super::theme::{self, LineStyle};
use super::view_state::{Grip, Hold, Sheet, Tool, ViewState};
use super::{ink, look, turning, words};

/// The VC profile is shown up to so many times its least area
const PROFILE_MOST: f64 = 3.0;
/// Space for the ticks of the shared axis, points
const TICKS: f32 = 34.0;

/// The shared axis: millimetres along the jet, as far as the pictures show
#[derive(Clone, Copy)]
struct Axis {
    middle_mm: f64,
    points_per_mm: f32,
    y: f32,
}

impl Axis {
    fn screen(&self, level_mm: f64) -> f32 {
        self.y - (level_mm - self.middle_mm) as f32 * self.points_per_mm
    }

    fn level(&self, y: f32) -> f64 {
        self.middle_mm + f64::from((self.y - y) / self.points_per_mm)
    }
}

/// Side of a picture over the width that is read in it (our own choice)
const ROOM: f64 = 1.3;

/// The three parts side by side
pub(super) fn sounding_ui(
    ui: &mut Ui,
    rect: Rect,
    narrow: bool,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let Some(session) = scene.session else { return };
    let folded = narrow && view.commissural == Sheet::Closed;
    let right = if narrow { 26.0 } else { 0.0 };
    let inner = Rect::from_min_max(rect.min + vec2(TICKS, 0.0), rect.max - vec2(right, 0.0));
    let gap = 6.0;
    let profile = (inner.width() * 0.26).clamp(70.0, 170.0);
    let pictures = inner.width() - profile - gap * if folded { 1.0 } else { 2.0 };
    let side = if folded { pictures } else { pictures / 2.0 };
    let long = Rect::from_min_size(inner.min, vec2(side, inner.height()));
    let curve = Rect::from_min_size(pos2(long.right() + gap, inner.top()), vec2(profile, inner.height()));
    let commissural = Rect::from_min_max(pos2(curve.right() + gap, inner.top()), inner.max);

    // So wide that the calipers of the measurement stand in their pictures.
    let measured = session.jet(session.review().place.jet).map(|jet| &jet.width_mm);
    let along = measured.map_or(0.0, |width| width.long_axis.value);
    let across = measured.filter(|_| !folded).map_or(0.0, |width| width.commissural.value);
    let holds = ROOM * along.max(across) * f64::from(inner.height() / side.max(1.0));
    let field = (turning::field_mm(scene) * 1.25).max(holds).clamp(18.0, 400.0);
    let points_per_mm = inner.height() / field as f32;
    let axis = Axis { middle_mm: 0.12 * field, points_per_mm, y: inner.center().y };
    ticks(ui, rect, &axis);
    let (base, turn) = (session.base(), session.turn());
    let [lean_u, lean_v] = base.lean(&turn);
    let panes = [
        (
            Pane::LongAxis,
            long,
            base.long_axis(&turn),
            lean_u,
            LineStyle::Dashed,
            theme::LONG_AXIS,
            "Long axis",
        ),
        (
            Pane::Commissural,
            commissural,
            base.commissural(&turn),
            lean_v,
            LineStyle::Dotted,
            theme::COMMISSURAL,
            "Commissural",
        ),
    ];
    for (pane, rect, cut, lean, style, colour, name) in panes {
        if pane == Pane::Commissural && folded {
            continue;
        }
        picture_ui(ui, &Part { pane, rect, cut, lean, style, colour, name, axis }, scene, view, out);
    }
    profile_ui(ui, curve, &axis, scene, view, out);
    if narrow {
        fold_ui(ui, rect, view);
    }
}

fn fold_ui(ui: &mut Ui, rect: Rect, view: &mut ViewState) {
    let at = Rect::from_min_size(pos2(rect.right() - 22.0, rect.top()), vec2(22.0, 26.0));
    let text = if view.commissural.is_open() { "‹" } else { "›" };
    let button = ui.put(at, egui::Button::new(text).min_size(at.size()));
    let name = if view.commissural.is_open() {
        "Fold the commissural plane away"
    } else {
        "Show the commissural plane"
    };
    button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, name));
    if button.on_hover_text(name).clicked() {
        view.commissural = view.commissural.turned();
    }
}

fn ticks(ui: &Ui, rect: Rect, axis: &Axis) {
    let painter = ui.painter();
    let step = if axis.points_per_mm * 5.0 > 26.0 { 5.0 } else { 10.0 };
    let (low, high) = (axis.level(rect.bottom()), axis.level(rect.top()));
    let mut level = (low / step).ceil() * step;
    while level <= high {
        let y = axis.screen(level);
        painter.line_segment(
            [pos2(rect.left() + TICKS - 5.0, y), pos2(rect.left() + TICKS, y)],
            Stroke::new(1.0, theme::QUIET),
        );
        if y > rect.top() + 24.0 && y < rect.bottom() - 8.0 {
            painter.text(
                pos2(rect.left() + TICKS - 8.0, y),
                Align2::RIGHT_CENTER,
                words::fixed(level, 0),
                theme::small(),
                theme::QUIET,
            );
        }
        level += step;
    }
    painter.text(rect.left_top() + vec2(0.0, 2.0), Align2::LEFT_TOP, "mm", theme::small(), theme::QUIET);
}

/// One picture of the sounding
struct Part<'a> {
    pane: Pane,
    rect: Rect,
    cut: Cut,
    /// Lean of the en-face cut within this picture, radians
    lean: f64,
    style: LineStyle,
    colour: egui::Color32,
    name: &'a str,
    axis: Axis,
}

fn picture_ui(ui: &mut Ui, part: &Part<'_>, scene: &Scene<'_>, view: &mut ViewState, out: &mut Vec<Action>) {
    let Some(session) = scene.session else { return };
    let review = session.review();
    let rect = part.rect;
    if rect.width() < 8.0 {
        return;
    }
    let response = ui.interact(rect, ui.scope_id().with(part.name), Sense::click_and_drag());
    response
        .widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, format!("{} plane", part.name)));
    let painter = ui.painter().with_clip_rect(rect);
    let lens = Lens {
        rect,
        middle: CutPoint::new(0.0, part.axis.middle_mm),
        points_per_mm: part.axis.points_per_mm,
    };
    let picture = look::dressed(lens.view(part.cut, ui.pixels_per_point()), &review.work.settings);
    scene.pictures.cut(&painter, rect, part.pane, review.place.frame, &picture);
    let [top, bottom] = [rect.top(), rect.bottom()].map(|y| pos2(rect.center().x, y));
    ink::line(&painter, &[top, bottom], LineStyle::Solid, 1.0, theme::TEXT.gamma_multiply(0.35));
    let edge = [rect.left_top(), rect.right_top(), rect.right_bottom(), rect.left_bottom()];
    ink::ring(&painter, &edge, part.style, 2.4, part.colour);
    ink::label(
        &painter,
        rect.left_top() + vec2(8.0, 6.0),
        Align2::LEFT_TOP,
        part.name,
        theme::small(),
        part.colour,
    );
    mark_points(&painter, &lens, scene, &part.cut);
    stitches(&painter, &lens, scene, &part.cut);

    let centre = lens.screen([0.0, session.turn().level_mm]);
    let slope = libm::tan(part.lean) as f32;
    // A normal that leans to the right lets the cut fall to the right.
    let ends = [-rect.width(), rect.width()].map(|dx| centre + vec2(dx, dx * slope));
    ink::bold_line(&painter, &ends, LineStyle::Solid, 2.0, theme::EN_FACE);
    caliper(&painter, part, &lens, centre, scene);
    ink::grip(&painter, centre, 5.0, theme::EN_FACE, true);
    // Only of a jet that was found is it known which way the blood goes.
    if session.review().found(session.review().place.jet).is_some() {
        let arrow = pos2(rect.right() - 14.0, rect.bottom() - 14.0);
        painter.arrow(arrow, vec2(0.0, -26.0), Stroke::new(1.5, theme::TEXT));
        let at = arrow - vec2(8.0, 2.0);
        ink::label(&painter, at, Align2::RIGHT_BOTTOM, "flow", theme::small(), theme::QUIET);
    }
    turning::caliper(&painter, &response, &lens, part.pane, view);
    picture_pointer(ui, &response, part, &lens, scene, view, out);
}

/// The width of this picture, where it was read in this plane
fn caliper(painter: &egui::Painter, part: &Part<'_>, lens: &Lens, centre: Pos2, scene: &Scene<'_>) {
    /// Widths read farther off this plane are none of it, as a sine
    const ALONG: f64 = 0.1;
    let Some((session, reading)) = scene.session.zip(scene.reading) else { return };
    let place = session.review().place;
    let (width, at) = match part.pane {
        Pane::LongAxis => (reading.long_axis, reading.middle.map(|[u, _]| u)),
        _ => (reading.commissural, reading.middle.map(|[_, v]| v)),
    };
    let here = (reading.jet, reading.frame) == (place.jet, place.frame)
        && !reading.is_elsewhere()
        && libm::sin(reading.width_direction).abs() < ALONG;
    let (Some(width), Some(at), true) = (width, at, here) else { return };
    let slope = libm::tan(part.lean) as f32;
    let on = |mm: f64| {
        let dx = mm as f32 * lens.points_per_mm;
        centre + vec2(dx, dx * slope)
    };
    let ends = [on(at - width.value / 2.0), on(at + width.value / 2.0)];
    for (wide, colour) in [(5.0, Color32::BLACK), (2.4, part.colour)] {
        for end in ends {
            painter.line_segment([end - vec2(0.0, 8.0), end + vec2(0.0, 8.0)], Stroke::new(wide, colour));
        }
    }
    let text = format!("{:.1} mm", width.value);
    // Beside the right end, or in the corner of a picture that the width leaves no room in.
    let room = painter.clip_rect().right() - 58.0;
    let below = pos2((ends[1].x + 5.0).min(room), ends[0].y.max(ends[1].y) + 10.0);
    ink::label(painter, below, Align2::LEFT_TOP, text, theme::small(), part.colour);
}

/// Where the planes between which the picture steps meet a picture
pub(super) fn stitches(painter: &egui::Painter, lens: &Lens, scene: &Scene<'_>, cut: &Cut) {
    let Some((session, facts)) = scene.session.zip(scene.facts) else { return };
    let results = session.review().results.as_ref();
    let Some(stitch) = results.and_then(|results| results.trust.stitch.as_ref()) else { return };
    let Some(axis) = facts.voxels.axes().get(stitch.axis).copied() else { return };
    let slope = [axis.dot(&cut.u()), axis.dot(&cut.v())];
    let steep = libm::hypot(slope[0], slope[1]);
    if steep < 0.05 {
        // It lies in the picture.
        return;
    }
    let reach = f64::from(lens.rect.size().max_elem() / lens.points_per_mm) * 2.0;
    for plane in stitch.steps() {
        let mut voxel = [0.0; 3];
        voxel[stitch.axis] = plane as f64 + 0.5;
        let on = facts.voxels.volume_from_voxel(VoxelPoint::new(voxel[0], voxel[1], voxel[2]));
        let away = axis.dot(&on.from(cut.centre())) / steep;
        let [du, dv] = slope.map(|part| part / steep);
        let ends = [-reach, reach].map(|along| lens.screen([away * du - along * dv, away * dv + along * du]));
        ink::bold_line(painter, &ends, LineStyle::DashDot, 1.4, theme::STITCH);
        let foot = lens.screen([away * du, away * dv]);
        if lens.rect.contains(foot) {
            let text = "stitching plane";
            ink::label(painter, foot, Align2::LEFT_BOTTOM, text, theme::tiny(), theme::STITCH);
        }
    }
}

fn picture_pointer(
    ui: &Ui,
    response: &Response,
    part: &Part<'_>,
    lens: &Lens,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let Some(session) = scene.session else { return };
    let centre = lens.screen([0.0, session.turn().level_mm]);
    let near_middle = |at: Pos2| {
        let line = centre.y + (at.x - centre.x) * libm::tan(part.lean) as f32;
        (at.x - centre.x).abs() < part.rect.width() * 0.25 && (at.y - line).abs() < 12.0
    };
    if let Some(at) = response.hover_pos() {
        let cursor = match view.tool {
            Tool::Mark(_) | Tool::Caliper => CursorIcon::Crosshair,
            _ if near_middle(at) => CursorIcon::ResizeVertical,
            _ => CursorIcon::Move,
        };
        ui.ctx().set_cursor_icon(cursor);
        turning::wheel(ui, scene, view, out);
    }
    if response.clicked()
        && let (Tool::Mark(landmark), Some(at)) = (view.tool, response.interact_pointer_pos())
    {
        let [u, v] = lens.cut(at);
        mark(landmark, part.cut.at(CutPoint::new(u, v)).to_array(), view, out);
    }
    if response.drag_started()
        && view.tool != Tool::Caliper
        && let Some(at) = ui.input(|input| input.pointer.press_origin())
    {
        out.push(Action::Do(Command::Begin));
        let hold = Hold { from: at, turn: session.turn() };
        view.grip = Some(if near_middle(at) { Grip::Level } else { Grip::Tilt(hold) });
    }
    if turning::moves(response)
        && let (Some(grip), Some(at)) = (view.grip, response.interact_pointer_pos())
    {
        if grip == Grip::Level {
            let level = part.axis.level(at.y - (at.x - centre.x) * libm::tan(part.lean) as f32);
            out.push(Action::Do(turning::level_to(session, level.clamp(-60.0, 60.0))));
        } else if let Grip::Tilt(Hold { from, turn }) = grip {
            // The line follows the hand: its angle about the middle is the lean in this picture.
            let (before, now) = (from - centre, at - centre);
            let mut step = f64::from(now.angle() - before.angle()).to_degrees();
            if step.abs() > 180.0 {
                step -= 360.0 * step.signum();
            }
            if now.length() > 6.0 && before.length() > 6.0 {
                let step = if part.pane == Pane::LongAxis { [step, 0.0] } else { [0.0, step] };
                out.push(Action::Do(turning::leaned_from(session, &turn, step)));
            }
        }
    }
    if response.drag_stopped() && view.grip.take().is_some() {
        out.push(Action::Do(Command::Commit));
    }
}

/// The areas along the axis, the level of the plane, and what of the jet is seen
fn profile_curve(painter: &egui::Painter, rect: Rect, axis: &Axis, session: &Session) {
    let review = session.review();
    let level = session.turn().level_mm;
    let found = review.found(review.place.jet);
    let beyond = review.neck_beyond_mm(review.place.jet);
    let points = found.map(|found| found.neck_profile.as_slice()).unwrap_or_default();
    // The narrowest place is what is looked for: what is much wider leaves the picture.
    let areas = || points.iter().filter_map(|point| point.area_mm2).filter(|area| *area > 0.0);
    let least = areas().reduce(f64::min).unwrap_or(1.0);
    let most = areas().fold(least, f64::max).min(PROFILE_MOST * least) * 1.05;
    let x = |area: f64| rect.left() + 4.0 + (area / most) as f32 * (rect.width() - 10.0);
    for piece in points.split(|point| point.area_mm2.is_none()) {
        let line: Vec<Pos2> = piece
            .iter()
            .filter_map(|point| Some(pos2(x(point.area_mm2?), axis.screen(point.position_mm + beyond))))
            .collect();
        ink::line(painter, &line, LineStyle::Solid, 2.0, theme::TEXT);
    }
    let neck = axis.screen(beyond);
    if found.is_some() {
        ink::line(
            painter,
            &[pos2(rect.left(), neck), pos2(rect.right(), neck)],
            LineStyle::Dotted,
            1.2,
            theme::QUIET,
        );
    }
    let y = axis.screen(level);
    ink::line(painter, &[pos2(rect.left(), y), pos2(rect.right(), y)], LineStyle::Solid, 2.0, theme::EN_FACE);
    ink::grip(painter, pos2(rect.right() - 8.0, y), 5.0, theme::EN_FACE, true);
    ink::label(
        painter,
        rect.left_top() + vec2(8.0, 6.0),
        Align2::LEFT_TOP,
        "VC profile",
        theme::small(),
        theme::TEXT,
    );
    let Some(found) = found else {
        let text = match review.results {
            Some(_) => "no profile of this plane",
            None if review.is_blind() => "hidden",
            None => "not measured yet",
        };
        let text = painter.layout(text.to_owned(), theme::small(), theme::QUIET, rect.width() - 8.0);
        painter.galley(rect.center() - text.size() / 2.0, text, theme::QUIET);
        return;
    };
    profile_parts(painter, rect, found, most, neck);
}

/// The scale, and which parts of a jet are seen, each beside where it lies
fn profile_parts(painter: &egui::Painter, rect: Rect, found: &JetResult, most: f64, neck: f32) {
    let scale = format!("0 to {}", words::cm2(most));
    let at = rect.left_top() + vec2(8.0, 24.0);
    ink::label(painter, at, Align2::LEFT_TOP, scale, theme::small(), theme::QUIET);
    let parts = &found.components;
    let right = rect.right() - 6.0;
    for (name, part, at) in [
        ("expansion", parts.expansion, neck - rect.height() * 0.28),
        ("contraction", parts.contraction, neck - 12.0),
        ("convergence", parts.convergence, neck + rect.height() * 0.16),
    ] {
        let seen = part == crate::jet::Part::Found;
        let colour = if seen { theme::GOOD } else { theme::WARN };
        let at = pos2(right, at.clamp(rect.top() + 50.0, rect.bottom() - 30.0));
        if rect.width() < 120.0 {
            // No room for a ground, nor for two words.
            let text = if seen { name.to_owned() } else { format!("no {name}") };
            painter.text(at, Align2::RIGHT_CENTER, text, theme::tiny(), colour);
            continue;
        }
        let text = if seen { name.to_owned() } else { format!("{name}: not seen") };
        ink::label(painter, at, Align2::RIGHT_CENTER, text, theme::small(), colour);
    }
}

fn profile_ui(
    ui: &mut Ui,
    rect: Rect,
    axis: &Axis,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let Some(session) = scene.session else { return };
    let level = session.turn().level_mm;
    let response = ui.interact(rect, ui.scope_id().with("profile"), Sense::click_and_drag());
    response.widget_info(|| egui::WidgetInfo::slider(true, level, "Level of the plane along the jet, mm"));
    let response = response.on_hover_and_drag_cursor(CursorIcon::ResizeVertical).on_hover_text(
        "Area of the jet against the position along its axis, at the frame of the largest area.\n\
         The vena contracta is the narrowest place: flow converges below it and spreads above it.",
    );
    let painter = ui.painter().with_clip_rect(rect);
    painter.rect_filled(rect, 2.0, theme::GROUND);
    profile_curve(&painter, rect, axis, session);
    if response.hovered() {
        turning::wheel(ui, scene, view, out);
    }
    if response.drag_started() {
        out.push(Action::Do(Command::Begin));
        view.grip = Some(Grip::Level);
    }
    if (turning::moves(&response) || response.clicked())
        && let Some(at) = response.interact_pointer_pos()
    {
        out.push(Action::Do(turning::level_to(session, axis.level(at.y).clamp(-60.0, 60.0))));
    }
    if response.drag_stopped() && view.grip.take().is_some() {
        out.push(Action::Do(Command::Commit));
    }
}
