//! The context: the jet in three dimensions, in a corner, with the cut drawn through it.

use egui::{Align2, CursorIcon, Pos2, Rect, Sense, Stroke, Ui, vec2};

use crate::gpu::ContextView;
use crate::space::{Cut, VolumePoint};
use crate::unit::Mm;

use super::lens::Lens;
use super::scene::{Drawn3, Scene};
use super::theme;
use super::view_state::ViewState;
use super::{ink, look, turning};

/// The inset
pub(super) fn context_ui(ui: &mut Ui, rect: Rect, scene: &Scene<'_>, view: &mut ViewState) {
    let Some(session) = scene.session else { return };
    let review = session.review();
    let response = ui.interact(rect, ui.scope_id().with("context"), Sense::drag());
    response
        .widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, "The jet in three dimensions"));
    if response.dragged() {
        let step = response.drag_delta();
        view.orbit[0] += f64::from(step.x) * 0.01;
        view.orbit[1] = (view.orbit[1] + f64::from(step.y) * 0.01).clamp(-1.4, 1.4);
    }
    response
        .on_hover_and_drag_cursor(CursorIcon::Grab)
        .on_hover_text("Drag to look from elsewhere. Nothing is measured here.");
    let painter = ui.painter().with_clip_rect(rect);
    painter.rect_filled(rect, 2.0, theme::GROUND);
    let upright = session.base().proposed();
    let camera = ContextView::turned(&upright, upright.centre(), view.orbit[0], view.orbit[1]);
    let radius = turning::field_mm(scene) * 0.75;
    let size = rect.size() * ui.pixels_per_point();
    let mut picture = ContextView::new(
        session.en_face(),
        Mm::new(radius),
        [size.x.round().max(1.0) as u32, size.y.round().max(1.0) as u32],
    );
    picture.camera = camera;
    picture.map = look::map(review.work.settings.colour_map);
    picture.gain = review.work.settings.colour_gain as f32;
    let drawn = scene.pictures.context(&painter, rect, review.place.frame, &picture);
    let lens = Lens::new(rect, crate::space::CutPoint::default(), 2.0 * radius);
    wires(&painter, &lens, scene, &camera, drawn);
    painter.text(rect.left_top() + vec2(6.0, 4.0), Align2::LEFT_TOP, "Context", theme::small(), theme::TEXT);
}

/// The jet's axis, the tracings of all jets and the rim of the cut, seen through the camera
fn wires(painter: &egui::Painter, lens: &Lens, scene: &Scene<'_>, camera: &Cut, drawn: Drawn3) {
    let Some(session) = scene.session else { return };
    let seen = |point: VolumePoint| {
        let (foot, _) = camera.project(point);
        lens.screen([foot.u, foot.v])
    };
    let cut = session.en_face();
    if drawn == Drawn3::No {
        let radius = f64::from(lens.rect.height() / lens.points_per_mm) * 0.28;
        let rim: Vec<Pos2> = (0..48)
            .map(|i| {
                let (sin, cos) = libm::sincos(f64::from(i) / 48.0 * std::f64::consts::TAU);
                seen(cut.at(crate::space::CutPoint::new(radius * cos, radius * sin)))
            })
            .collect();
        painter.add(egui::Shape::convex_polygon(
            rim.clone(),
            theme::EN_FACE.gamma_multiply(0.18),
            Stroke::new(1.5, theme::EN_FACE),
        ));
    }
    for jet in session.numbers().iter().flat_map(|numbers| &numbers.jets) {
        let ring: Vec<Pos2> =
            jet.tracing_mm.iter().map(|[x, y, z]| seen(VolumePoint::new(*x, *y, *z))).collect();
        ink::outline(painter, &ring, theme::PROPOSAL);
        let [x, y, z] = jet.neck_mm;
        let neck = VolumePoint::new(x, y, z);
        let axis = nalgebra::Vector3::from(jet.axis);
        let reach = f64::from(lens.rect.height() / lens.points_per_mm) / 2.0;
        let (from, to) = (seen(neck.moved(axis * (-0.35 * reach))), seen(neck.moved(axis * (0.75 * reach))));
        painter.arrow(from, to - from, Stroke::new(1.3, theme::TEXT));
        let at = to + vec2(6.0, 0.0);
        let name = jet.reading.jet.clone().unwrap_or_else(|| jet.id.to_string());
        painter.text(at, Align2::LEFT_CENTER, name, theme::small(), theme::TEXT);
    }
}
