//! The en-face view: the cut across the jet, its tracing, and what one width would have made of it.
//!
//! One gesture, one meaning: a drag takes hold of what is under it. On a vertex it moves the
//! vertex, anywhere else it turns the cut as if the reader pushed a ball. A click on an edge adds a
//! vertex there. The automatic tracing becomes the reader's own at the first touch.

use egui::{Align2, Color32, CursorIcon, PointerButton, Pos2, Rect, Response, Sense, Stroke, Ui, pos2, vec2};

use crate::review::{Command, ImpliedCircle, Landmark, Session, TracingId, Turn};
use crate::space::CutPoint;

use super::lens::Lens;
use super::scene::{Action, OutlineSource, Pane, ReadOutline, Reading, Scene, keep};
use super::sounding::stitches;
use super::theme::{self, LineStyle, Mark};
use super::view_state::{Grip, Hold, Tool, ViewState};
use super::{ink, look, turning, words};

/// How near a vertex or an edge must be to be meant, points
const NEAR: f32 = 9.0;

/// The picture with everything on it
pub(super) fn en_face_ui(
    ui: &mut Ui,
    rect: Rect,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let (Some(session), Some(facts)) = (scene.session, scene.facts) else { return };
    let review = session.review();
    let place = review.place;
    let cut = session.en_face();
    let lens = Lens::new(rect, CutPoint::default(), turning::field_mm(scene));
    let response = ui.interact(rect, ui.scope_id().with("en face"), Sense::click_and_drag());
    let name =
        format!("En-face plane of {}, {}", words::jet(place.jet), words::frame(place.frame, &facts.times_s));
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, &name));

    let painter = ui.painter().with_clip_rect(rect);
    let picture = look::dressed(lens.view(cut, ui.pixels_per_point()), &review.work.settings);
    scene.pictures.cut(&painter, rect, Pane::EnFace, place.frame, &picture);

    stitches(&painter, &lens, scene, &cut);
    cut_lines(&painter, &lens, scene);
    let reading = scene.reading.filter(|reading| reading.jet == place.jet && reading.frame == place.frame);
    if let Some(reading) = reading {
        let mut marks = Vec::new();
        implied_circle(&painter, &lens, reading, review.work.settings.circle, &mut marks);
        let effective: Vec<Pos2> = reading.effective.iter().map(|point| lens.screen(*point)).collect();
        for outline in &reading.outlines {
            let touched = response.hovered() && view.tool == Tool::Turn && touchable(outline, reading);
            outline_ui(&painter, &lens, outline, view, touched, &mut marks);
        }
        if reading.outlines.iter().any(ReadOutline::is_here) && effective.len() > 2 {
            ink::outline(&painter, &effective, theme::EFFECTIVE);
            marks.push(theme::EFFECTIVE);
        }
        area_label(&painter, &lens, reading);
        marks.dedup_by_key(|mark| mark.name);
        let free = ink::legend(&painter, rect, &marks);
        faults(&painter, &lens, reading, free);
    }
    landmarks(&painter, &lens, scene);
    ink::scale_bar(&painter, &lens);
    if let Some(scale) = &facts.scale {
        let size = vec2(12.0, rect.height().min(420.0) * 0.4);
        let bar = Rect::from_min_size(rect.right_top() + vec2(-26.0, 16.0), size);
        ink::velocity_bar(&painter, bar, scale, look::map(review.work.settings.colour_map));
    }
    turning::caliper(&painter, &response, &lens, Pane::EnFace, view);
    pointer(ui, &Touch { response: &response, lens: &lens, scene, session, reading }, view, out);
}

/// Where the long-axis and commissural cuts meet this one
fn cut_lines(painter: &egui::Painter, lens: &Lens, scene: &Scene<'_>) {
    let reach = f64::from(lens.rect.size().max_elem() / lens.points_per_mm);
    let lines = [
        ([[-reach, 0.0], [reach, 0.0]], LineStyle::Dashed, theme::LONG_AXIS),
        ([[0.0, -reach], [0.0, reach]], LineStyle::Dotted, theme::COMMISSURAL),
    ];
    for (ends, style, colour) in lines {
        let ends = ends.map(|end| lens.screen(end));
        ink::bold_line(painter, &ends, style, 1.2, colour);
    }
    let marks = scene.session.map(|session| session.review().work.landmarks).unwrap_or_default();
    let named = marks.anterior.is_some() && marks.posterior.is_some()
        || marks.lateral_commissure.is_some() && marks.medial_commissure.is_some();
    let (left, right) = if named { ("anterior", "posterior") } else { ("long axis", "") };
    let y = lens.rect.center().y - 4.0;
    let small = theme::small;
    let inset = 8.0;
    ink::label(
        painter,
        pos2(lens.rect.left() + inset, y),
        Align2::LEFT_BOTTOM,
        left,
        small(),
        theme::LONG_AXIS,
    );
    if !right.is_empty() {
        let at = pos2(lens.rect.right() - inset, y);
        ink::label(painter, at, Align2::RIGHT_BOTTOM, right, small(), theme::LONG_AXIS);
    }
    let at = pos2(lens.rect.center().x + 5.0, lens.rect.top() + inset);
    ink::label(painter, at, Align2::LEFT_TOP, "commissural", small(), theme::COMMISSURAL);
}

fn implied_circle(
    painter: &egui::Painter,
    lens: &Lens,
    reading: &Reading,
    shown: ImpliedCircle,
    marks: &mut Vec<Mark>,
) {
    let (Some(area), Some(middle)) = (reading.circle_mm2, reading.middle) else { return };
    if shown == ImpliedCircle::Hidden || reading.is_elsewhere() {
        return;
    }
    let radius = (area / std::f64::consts::PI).sqrt() as f32 * lens.points_per_mm;
    let centre = lens.screen(middle);
    let points: Vec<Pos2> = (0..=72)
        .map(|i| {
            let angle = std::f32::consts::TAU * i as f32 / 72.0;
            centre + vec2(angle.cos(), angle.sin()) * radius
        })
        .collect();
    ink::outline(painter, &points, theme::CIRCLE);
    marks.push(theme::CIRCLE);
    // Below the whole outline, where it covers nothing of it.
    let outline =
        reading.outlines.iter().filter(|outline| outline.is_here()).flat_map(|outline| &outline.points);
    let low = outline.map(|point| lens.screen(*point).y).fold(centre.y + radius, f32::max);
    let at = pos2(centre.x, (low + 12.0).min(lens.rect.bottom() - 30.0));
    let text = match reading.circle_error_percent {
        Some(error) => format!("circle of the width: {} ({})", words::cm2(area), words::percent(error)),
        None => format!("circle of the width: {}", words::cm2(area)),
    };
    ink::label(painter, at, Align2::CENTER_TOP, text, theme::small(), Color32::from_gray(225));
}

/// Whether a hand on this outline means it: where the reader's own tracing is, the proposal is only looked at
fn touchable(outline: &ReadOutline, reading: &Reading) -> bool {
    let kept = |outline: &ReadOutline| matches!(outline.source, OutlineSource::Kept(_));
    outline.is_here()
        && (kept(outline) || !reading.outlines.iter().any(|other| kept(other) && other.is_here()))
}

fn outline_ui(
    painter: &egui::Painter,
    lens: &Lens,
    outline: &ReadOutline,
    view: &ViewState,
    hovered: bool,
    marks: &mut Vec<Mark>,
) {
    let points: Vec<Pos2> = outline.points.iter().map(|point| lens.screen(*point)).collect();
    let kept = matches!(outline.source, OutlineSource::Kept(_));
    if !outline.is_here() {
        ink::ring(painter, &points, LineStyle::Dotted, 1.2, theme::QUIET);
        return;
    }
    let mark = match (kept, &outline.fault) {
        (false, _) => theme::PROPOSAL,
        (true, Some(_)) if !outline.open => theme::FAULTY,
        (true, _) => theme::OWN,
    };
    marks.push(mark);
    let colour = mark.colour;
    if outline.open {
        ink::bold_line(painter, &points, mark.style, mark.width, colour);
        if let (Some(first), Some(last)) = (points.first(), points.last()) {
            ink::line(painter, &[*last, *first], LineStyle::Dotted, 1.0, theme::QUIET);
        }
    } else {
        ink::outline(painter, &points, mark);
    }
    if !kept && hovered {
        for point in &outline.handles {
            ink::grip(painter, lens.screen(*point), 2.5, colour, false);
        }
    }
    if let OutlineSource::Kept(id) = outline.source {
        for (index, point) in outline.handles.iter().enumerate() {
            let held = view.vertex == Some((id, index));
            ink::grip(painter, lens.screen(*point), if held { 5.0 } else { 3.0 }, colour, held);
        }
    }
}

/// Where a tracing crosses itself, and why it is not counted, above `free`
fn faults(painter: &egui::Painter, lens: &Lens, reading: &Reading, free: f32) {
    let colour = theme::FAULTY.colour;
    let mut free = free - 10.0;
    for outline in reading.outlines.iter().filter(|outline| outline.is_here() && !outline.open) {
        let Some(fault) = &outline.fault else { continue };
        let mut text = format!("Not counted: {fault}");
        if let Some(at) = outline.crossing.map(|at| lens.screen(at)) {
            for (width, colour) in [(5.0, Color32::BLACK), (2.4, colour)] {
                for arm in [vec2(7.0, 7.0), vec2(7.0, -7.0)] {
                    painter.line_segment([at - arm, at + arm], Stroke::new(width, colour));
                }
                painter.circle_stroke(at, 11.0, Stroke::new(width - 1.0, colour));
            }
            text.push_str(" where the mark is. Drag a vertex until they do not.");
        }
        let at = pos2(lens.rect.center().x, free);
        free = ink::label(painter, at, Align2::CENTER_BOTTOM, text, theme::small(), colour).top() - 6.0;
    }
}

fn area_label(painter: &egui::Painter, lens: &Lens, reading: &Reading) {
    let inner = lens.rect.shrink(12.0);
    if let Some(away) = reading.outlines.iter().find(|outline| !outline.is_here()) {
        // In the corner: the outline that it is about is not on this plane.
        let text = format!("traced {:.1}° and {:.1} mm from here", away.away[0], away.away[1]);
        let at = inner.left_top() + vec2(0.0, 20.0);
        ink::label(painter, at, Align2::LEFT_TOP, text, theme::small(), theme::QUIET);
    }
    if reading.is_elsewhere() {
        return;
    }
    let beside = reading
        .outlines
        .iter()
        .filter(|outline| outline.is_here())
        .flat_map(|outline| &outline.points)
        .map(|point| lens.screen(*point))
        .reduce(|a, b| pos2(a.x.max(b.x), a.y.min(b.y)));
    let Some(corner) = beside else {
        if let Some(trouble) = &reading.trouble {
            let at = lens.rect.center_bottom() - vec2(0.0, 40.0);
            ink::label(painter, at, Align2::CENTER_BOTTOM, trouble, theme::body(), theme::WARN);
        }
        return;
    };
    // Beside the tracing, but always whole and clear of the velocity bar.
    let at = pos2((corner.x + 12.0).min(inner.right() - 215.0), (corner.y - 46.0).max(inner.top() + 20.0));
    if let Some(area) = reading.area {
        let first = ink::label(
            painter,
            at,
            Align2::LEFT_TOP,
            words::cm2(area.value),
            theme::heading(),
            theme::EN_FACE,
        );
        let text = format!("95 %: {}", words::cm2_interval(area));
        ink::label(
            painter,
            first.left_bottom() + vec2(0.0, 4.0),
            Align2::LEFT_TOP,
            text,
            theme::small(),
            theme::TEXT,
        );
    } else if let Some(traced) = reading.traced_mm2 {
        let text = format!("{} as displayed", words::cm2(traced));
        ink::label(painter, at, Align2::LEFT_TOP, text, theme::body(), theme::EN_FACE);
    }
}

fn landmarks(painter: &egui::Painter, lens: &Lens, scene: &Scene<'_>) {
    let Some(session) = scene.session else { return };
    let cut = session.en_face();
    mark_points(painter, lens, scene, &cut);
}

/// The landmarks near a cut
pub(super) fn mark_points(painter: &egui::Painter, lens: &Lens, scene: &Scene<'_>, cut: &crate::space::Cut) {
    let Some(session) = scene.session else { return };
    let marks = session.review().work.landmarks;
    let points = [
        ("A", marks.anterior),
        ("P", marks.posterior),
        ("AL", marks.lateral_commissure),
        ("PM", marks.medial_commissure),
    ];
    for (name, point) in points {
        let Some([x, y, z]) = point else { continue };
        let (foot, level) = cut.project(crate::space::VolumePoint::new(x, y, z));
        let at = lens.screen([foot.u, foot.v]);
        if !lens.rect.contains(at) {
            continue;
        }
        let here = level.abs() < 1.0;
        ink::grip(painter, at, 4.0, theme::GOOD, here);
        let colour = if here { theme::TEXT } else { theme::QUIET };
        ink::label(painter, at + vec2(7.0, 0.0), Align2::LEFT_CENTER, name, theme::small(), colour);
    }
}

/// What lies under the pointer
enum Under<'a> {
    Vertex(&'a ReadOutline, usize),
    Edge(&'a ReadOutline, usize),
    Nothing,
}

fn under<'a>(at: Pos2, lens: &Lens, reading: Option<&'a Reading>) -> Under<'a> {
    let here = || {
        let all = reading
            .iter()
            .flat_map(|reading| reading.outlines.iter().map(move |outline| (*reading, outline)));
        all.filter(|(reading, outline)| touchable(outline, reading)).map(|(_, outline)| outline)
    };
    let vertex = here()
        .flat_map(|outline| {
            outline.handles.iter().enumerate().map(move |(i, p)| (outline, i, lens.screen(*p).distance(at)))
        })
        .filter(|(_, _, far)| *far < NEAR)
        .min_by(|a, b| a.2.total_cmp(&b.2));
    if let Some((outline, index, _)) = vertex {
        return Under::Vertex(outline, index);
    }
    let edge = here()
        .filter(|outline| !outline.open)
        .flat_map(|outline| {
            let n = outline.handles.len();
            (0..n).map(move |i| {
                let (a, b) = (lens.screen(outline.handles[i]), lens.screen(outline.handles[(i + 1) % n]));
                (outline, i, ink::from_segment(at, a, b))
            })
        })
        .filter(|(_, _, far)| *far < NEAR * 0.7)
        .min_by(|a, b| a.2.total_cmp(&b.2));
    match edge {
        Some((outline, index, _)) => Under::Edge(outline, index),
        None => Under::Nothing,
    }
}

/// The number of a tracing, which is kept first where it is still a proposal
fn kept(outline: &ReadOutline, scene: &Scene<'_>, out: &mut Vec<Action>) -> Option<TracingId> {
    match outline.source {
        OutlineSource::Kept(id) => Some(id),
        OutlineSource::Live => {
            let next = scene.session?.review().work.next_tracing;
            let threshold = scene.reading.map_or(0.5, |reading| reading.threshold);
            out.push(Action::Do(keep(outline, threshold)));
            Some(TracingId(next))
        }
    }
}

/// The pointer over the view, and what lies under it
struct Touch<'a> {
    response: &'a Response,
    lens: &'a Lens,
    scene: &'a Scene<'a>,
    session: &'a Session,
    reading: Option<&'a Reading>,
}

fn pointer(ui: &Ui, touch: &Touch<'_>, view: &mut ViewState, out: &mut Vec<Action>) {
    if let Some(at) = touch.response.hover_pos() {
        ui.ctx().set_cursor_icon(touch.cursor(at, view.tool));
        turning::wheel(ui, touch.scene, view, out);
    }
    touch.click(view, out);
    if touch.response.drag_started()
        && view.tool == Tool::Turn
        && let Some(at) = ui.input(|input| input.pointer.press_origin())
    {
        out.push(Action::Do(Command::Begin));
        let (shift, alt) = ui.input(|input| (input.modifiers.shift, input.modifiers.alt));
        view.grip = Some(touch.grip(at, [shift, alt], view, out));
    }
    if turning::moves(touch.response)
        && let (Some(grip), Some(at)) = (view.grip, touch.response.interact_pointer_pos())
    {
        out.extend(touch.dragged(grip, at).map(Action::Do));
    }
    if touch.response.drag_stopped() && view.grip.take().is_some() {
        out.push(Action::Do(Command::Commit));
    }
}

impl Touch<'_> {
    fn under(&self, at: Pos2) -> Under<'_> {
        under(at, self.lens, self.reading)
    }

    fn cursor(&self, at: Pos2, tool: Tool) -> CursorIcon {
        match tool {
            Tool::Draw | Tool::Mark(_) | Tool::Caliper => CursorIcon::Crosshair,
            Tool::Turn => match self.under(at) {
                Under::Vertex(..) => CursorIcon::Grab,
                Under::Edge(..) => CursorIcon::Copy,
                Under::Nothing => CursorIcon::Move,
            },
        }
    }

    fn click(&self, view: &mut ViewState, out: &mut Vec<Action>) {
        let (response, scene) = (self.response, self.scene);
        let at = response.interact_pointer_pos();
        if response.clicked()
            && let Some(at) = at
        {
            let point = self.lens.cut(at);
            match view.tool {
                Tool::Draw => draw_click(scene, at, self.lens, out),
                Tool::Caliper => {}
                Tool::Mark(landmark) => {
                    let there = self.session.en_face().at(CutPoint::new(point[0], point[1]));
                    mark(landmark, there.to_array(), view, out);
                }
                Tool::Turn => match self.under(at) {
                    Under::Vertex(outline, index) => {
                        view.vertex = kept(outline, scene, out).map(|id| (id, index));
                    }
                    Under::Edge(outline, index) => {
                        if let Some(id) = kept(outline, scene, out) {
                            let insert = Command::InsertVertex { tracing: id, after: index, at: point };
                            out.push(Action::Do(insert));
                            view.vertex = Some((id, index + 1));
                        }
                    }
                    Under::Nothing => view.vertex = None,
                },
            }
        }
        if view.tool == Tool::Draw
            && response.double_clicked()
            && let Some(id) = open_tracing(scene)
        {
            out.push(Action::Do(Command::Close(id)));
            view.tool = Tool::Turn;
        }
        if response.secondary_clicked()
            && let Some(at) = at
            && let Under::Vertex(outline, index) = self.under(at)
            && let OutlineSource::Kept(id) = outline.source
        {
            out.push(Action::Do(Command::RemoveVertex { tracing: id, vertex: index }));
            view.vertex = None;
        }
    }

    /// What a drag that began here takes hold of
    fn grip(&self, at: Pos2, [shift, alt]: [bool; 2], view: &mut ViewState, out: &mut Vec<Action>) -> Grip {
        let hold = Hold { from: at, turn: self.session.turn() };
        if shift || self.response.dragged_by(PointerButton::Middle) {
            return Grip::Shift(hold);
        }
        if alt || self.response.dragged_by(PointerButton::Secondary) {
            return Grip::Roll(hold);
        }
        if let Under::Vertex(outline, index) = self.under(at)
            && let Some(id) = kept(outline, self.scene, out)
        {
            view.vertex = Some((id, index));
            return Grip::Vertex(id, index);
        }
        Grip::Tilt(hold)
    }

    /// What a drag to here asks for
    fn dragged(&self, grip: Grip, at: Pos2) -> Option<Command> {
        let jet = self.session.review().place.jet;
        match grip {
            Grip::Vertex(tracing, vertex) => {
                Some(Command::MoveVertex { tracing, vertex, to: self.lens.cut(at) })
            }
            Grip::Roll(Hold { from, turn }) => {
                let roll = turn.roll + angle(at, self.lens) - angle(from, self.lens);
                Some(Command::Turn(jet, Turn { roll, ..turn }))
            }
            Grip::Shift(Hold { from, turn }) => {
                let [u, v] = self.lens.vector(at - from);
                Some(Command::Turn(jet, self.session.base().with_shift(&turn, [-u, -v])))
            }
            Grip::Tilt(Hold { from, turn }) => {
                let step = at - from;
                Some(turning::leaned(self.session, &turn, [step.x, -step.y]))
            }
            Grip::Level => None,
        }
    }
}

fn angle(at: Pos2, lens: &Lens) -> f64 {
    let arm = at - lens.rect.center();
    f64::from((-arm.y).atan2(arm.x))
}

/// The tracing that is being drawn on this jet and frame
pub(super) fn open_tracing(scene: &Scene<'_>) -> Option<TracingId> {
    let review = scene.session?.review();
    let place = review.place;
    let open =
        |tracing: &&std::sync::Arc<crate::review::Tracing>| tracing.closed == crate::review::Closed::Open;
    review.work.tracings_of(place.jet, place.frame).filter(open).last().map(|tracing| tracing.id)
}

fn draw_click(scene: &Scene<'_>, at: Pos2, lens: &Lens, out: &mut Vec<Action>) {
    let Some(session) = scene.session else { return };
    let point = lens.cut(at);
    let Some(id) = open_tracing(scene) else {
        out.push(Action::Do(Command::BeginTracing(point)));
        return;
    };
    let tracing = session.review().work.tracing(id);
    let first = tracing.and_then(|tracing| tracing.points_mm.first().copied());
    let enough = tracing.is_some_and(|tracing| tracing.points_mm.len() >= 3);
    if enough && first.is_some_and(|first| lens.screen(first).distance(at) < NEAR) {
        out.push(Action::Do(Command::Close(id)));
    } else if tracing
        .and_then(|tracing| tracing.points_mm.last())
        .is_none_or(|last| lens.screen(*last).distance(at) > 1.0)
    {
        // The second click of a double click adds nothing.
        out.push(Action::Do(Command::Extend(id, point)));
    }
}

/// Sets a landmark and goes on to the other end of its line
pub(super) fn mark(landmark: Landmark, at: [f64; 3], view: &mut ViewState, out: &mut Vec<Action>) {
    out.push(Action::Do(Command::Mark(landmark, Some(at))));
    view.tool = match landmark {
        Landmark::Anterior => Tool::Mark(Landmark::Posterior),
        Landmark::LateralCommissure => Tool::Mark(Landmark::MedialCommissure),
        Landmark::Posterior | Landmark::MedialCommissure => Tool::Turn,
    };
}
