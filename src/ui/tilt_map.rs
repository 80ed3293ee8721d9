//! The tilt map: the traced area against the direction of the cut, as a disc to steer by.

use egui::{Align2, Color32, CursorIcon, Mesh, Pos2, Rect, Sense, Stroke, Ui, pos2, vec2};

use crate::gpu::srgb_from_oklab;
use crate::review::Command;

use super::scene::{Action, Scene, TiltMap};
use super::theme;
use super::view_state::{Grip, Hold, ViewState};
use super::{ink, turning, words};

/// The disc with its dot
pub(super) fn tilt_map_ui(
    ui: &mut Ui,
    rect: Rect,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let Some(session) = scene.session else { return };
    let (base, turn) = (session.base(), session.turn());
    let lean = base.lean(&turn).map(f64::to_degrees);
    let empty = TiltMap { reach_deg: 40.0, ..TiltMap::default() };
    let map = scene.tilt.unwrap_or(&empty);
    let response = ui.interact(rect, ui.scope_id().with("tilt map"), Sense::click_and_drag());
    let tilt = base.tilt(&turn).to_degrees();
    let known = session.review().found(session.review().place.jet).is_some();
    response.widget_info(|| {
        if known {
            egui::WidgetInfo::slider(true, tilt, "Tilt of the plane away from the jet, degrees")
        } else {
            egui::WidgetInfo::labeled(egui::Role::Image, true, "Tilt map: no jet's axis is measured")
        }
    });
    let response = response.on_hover_and_drag_cursor(CursorIcon::Move).on_hover_text(
        "How the proposed area changes when the plane is turned away from the jet. At the middle it is the area of \
         the proposal; elsewhere it follows the displayed area.\n\
         The ring in the middle is the perpendicular; inside the light line the area is within 5 % of it.\n\
         A slanted cut shows too much: for a tube, 1 / cosine of the angle.",
    );
    let painter = ui.painter().with_clip_rect(rect);
    painter.rect_filled(rect, 2.0, theme::GROUND);
    let head = if is_narrow(rect) { 40.0 } else { 24.0 };
    let radius = (rect.width().min(rect.height() - head - 16.0) / 2.0 - 8.0).max(20.0);
    let centre = pos2(rect.center().x, rect.top() + head + radius);
    let reach = map.reach_deg.max(1.0);
    let screen = |[u, v]: [f64; 2]| centre + vec2((u / reach) as f32, (-v / reach) as f32) * radius;

    disc(&painter, map, &screen);
    for piece in &map.five_percent {
        painter.line_segment(piece.map(screen), Stroke::new(1.6, Color32::from_white_alpha(220)));
    }
    painter.circle_stroke(centre, radius, Stroke::new(1.0, theme::LINE));
    rings(&painter, centre, radius, reach);
    painter.circle_stroke(centre, 6.0, Stroke::new(1.5, theme::TEXT));
    title(&painter, rect, map);
    let dot = within(screen(lean), centre, radius);
    ink::grip(&painter, dot, 5.5, theme::EN_FACE, true);
    let text = match scene.reading {
        Some(reading) if known && tilt >= 0.05 && (reading.tilt_deg - tilt).abs() < 0.05 => {
            format!("{tilt:.1}° off; slant alone adds {}", words::percent(reading.obliquity_percent))
        }
        // Its reading is still of another plane.
        _ if known && tilt >= 0.05 => format!("{tilt:.1}° off"),
        _ if known => "perpendicular to the jet".to_owned(),
        _ => "the jet's axis is not measured".to_owned(),
    };
    let below = Rect::from_min_max(pos2(rect.left() + 4.0, rect.bottom() - 18.0), rect.max - vec2(4.0, 0.0));
    ink::fitted(
        ui,
        below,
        egui::Align::Center,
        egui::RichText::new(text).font(theme::small()).color(theme::QUIET),
    );

    if let Some(from) = response.interact_pointer_pos().filter(|_| response.drag_started()) {
        out.push(Action::Do(Command::Begin));
        view.grip = Some(Grip::Tilt(Hold { from, turn }));
    }
    if (turning::moves(&response) || response.clicked())
        && let Some(at) = response.interact_pointer_pos()
    {
        let arm = within(at, centre, radius) - centre;
        let mut to = [f64::from(arm.x / radius) * reach, f64::from(-arm.y / radius) * reach];
        // The ring in the middle holds the dot: the perpendicular is easy to hit.
        if arm.length() < 5.0 {
            to = [0.0, 0.0];
        }
        out.push(Action::Do(turning::lean_to(session, to)));
    }
    if response.drag_stopped() && view.grip.take().is_some() {
        out.push(Action::Do(Command::Commit));
    }
}

/// Circles of equal tilt with their degrees; of the outermost alone where they would lie over each other
fn rings(painter: &egui::Painter, centre: Pos2, radius: f32, reach: f64) {
    let crowded = (10.0 / reach) as f32 * radius < 14.0;
    for ring in [10.0, 20.0, 30.0].into_iter().filter(|ring| *ring < reach) {
        let size = (ring / reach) as f32 * radius;
        painter.circle_stroke(centre, size, Stroke::new(0.8, Color32::from_white_alpha(90)));
        if !crowded || ring + 10.0 >= reach.min(40.0) {
            let (at, text) = (centre + vec2(0.0, size), format!("{ring:.0}°"));
            ink::label(painter, at, Align2::CENTER_CENTER, text, theme::tiny(), theme::TEXT);
        }
    }
}

/// Whether the name and the areas need a line each
fn is_narrow(rect: Rect) -> bool {
    rect.width() < 190.0
}

/// The name, and from where to where the areas go or how far they are worked out
fn title(painter: &egui::Painter, rect: Rect, map: &TiltMap) {
    let title = rect.left_top() + vec2(6.0, 4.0);
    let title = painter.text(title, Align2::LEFT_TOP, "Tilt map", theme::small(), theme::TEXT);
    let middle = map.samples.first().and_then(|(_, area)| *area);
    let words_right = match middle.zip(map.range_mm2) {
        Some((middle, [_, high])) => {
            format!("{} to {}", words::cm2(middle), words::percent(100.0 * (high / middle - 1.0)))
        }
        None if map.done > 0.0 && map.done < 1.0 => format!("{:.0} %", map.done * 100.0),
        None => String::new(),
    };
    let words_right = painter.layout_no_wrap(words_right, theme::small(), theme::QUIET);
    let at = if is_narrow(rect) {
        title.left_bottom() + vec2(0.0, 1.0)
    } else {
        rect.right_top() + vec2(-6.0 - words_right.size().x, 4.0)
    };
    painter.galley(at, words_right, theme::QUIET);
}

fn within(at: Pos2, centre: Pos2, radius: f32) -> Pos2 {
    let arm = at - centre;
    if arm.length() > radius { centre + arm.normalized() * radius } else { at }
}

fn disc(painter: &egui::Painter, map: &TiltMap, screen: &impl Fn([f64; 2]) -> Pos2) {
    let [low, high] = map.range_mm2.unwrap_or([0.0, 1.0]);
    let mut mesh = Mesh::default();
    for (lean, area) in &map.samples {
        let colour = area.map_or(Color32::from_gray(28), |area| {
            shade(((area - low) / (high - low).max(1e-9)).clamp(0.0, 1.0))
        });
        mesh.colored_vertex(screen(*lean), colour);
    }
    for [a, b, c] in &map.triangles {
        mesh.add_triangle(*a as u32, *b as u32, *c as u32);
    }
    painter.add(mesh);
}

/// From small (dark blue) to large (light yellow), lightness rising evenly in OKLab
fn shade(share: f64) -> Color32 {
    let [r, g, b] = srgb_from_oklab([0.30 + 0.55 * share, -0.02 + 0.03 * share, -0.09 + 0.20 * share]);
    Color32::from_rgb(r, g, b)
}
