//! How a movement of the hand becomes a movement of the cut.

use egui::{Align2, Painter, Response};

use crate::review::{Command, JetId, Session, Turn};

use super::ink;
use super::lens::Lens;
use super::scene::{Action, Pane, Scene};
use super::theme::{self, LineStyle};
use super::view_state::{Tool, ViewState};

/// Degrees of lean to a point of drag
const DEGREES_PER_POINT: f64 = 0.2;
/// Points of wheel to a quarter of a millimetre
const POINTS_PER_NOTCH: f32 = 25.0;

/// The side of the en-face picture in millimetres: as set, or fitted to the jet
pub fn field_mm(scene: &Scene<'_>) -> f64 {
    let Some(session) = scene.session else { return 40.0 };
    let review = session.review();
    let set = review.place.field_mm;
    if set > 0.0 {
        return set;
    }
    match (review.place.jet, review.found(review.place.jet)) {
        (_, Some(found)) => (found.shape.feret_max_mm * 2.0).clamp(15.0, 60.0),
        (JetId::Free, _) => scene.facts.map_or(40.0, |facts| facts.extent_mm * 0.8),
        _ => 24.0,
    }
}

/// The field zoomed by a factor
pub(super) fn zoomed(scene: &Scene<'_>, factor: f64) -> Command {
    Command::Field((field_mm(scene) * factor).clamp(5.0, 250.0))
}

/// Side of a picture that shows the annulus with its surroundings, mm (our own choice: an annulus is 30 to 50 mm across)
const ANNULUS_MM: f64 = 65.0;

/// The annulus, or the jet again where the annulus is shown
pub(super) fn annulus(session: &Session) -> Command {
    let wide = session.review().place.field_mm >= ANNULUS_MM;
    Command::Field(if wide { 0.0 } else { ANNULUS_MM })
}

/// Whether a drag goes on or ends in this pass: what the hand did since the last pass counts in both
pub(super) fn moves(response: &Response) -> bool {
    response.dragged() || response.drag_stopped()
}

/// The free caliper: a drag from end to end on a pane; drawn while its tool is held
pub(super) fn caliper(painter: &Painter, response: &Response, lens: &Lens, pane: Pane, view: &mut ViewState) {
    if view.tool != Tool::Caliper {
        view.caliper = None;
        return;
    }
    if let Some(at) = response.interact_pointer_pos().map(|at| lens.cut(at)) {
        if response.drag_started() {
            view.caliper = Some((pane, [at, at]));
        } else if let (true, Some((held, [_, end]))) = (moves(response), &mut view.caliper)
            && *held == pane
        {
            *end = at;
        }
    }
    let Some((_, ends)) = view.caliper.filter(|(held, _)| *held == pane) else { return };
    let length = libm::hypot(ends[1][0] - ends[0][0], ends[1][1] - ends[0][1]);
    let at = ends.map(|end| lens.screen(end));
    ink::bold_line(painter, &at, LineStyle::Solid, 1.6, theme::TEXT);
    for end in at {
        ink::grip(painter, end, 3.0, theme::TEXT, true);
    }
    let text = format!("{length:.1} mm, caliper");
    ink::label(painter, at[1] + egui::vec2(8.0, 0.0), Align2::LEFT_CENTER, text, theme::small(), theme::TEXT);
}

/// What the wheel does over a cut: near and far with Ctrl, along the jet in quarters of a millimetre
/// without
pub(super) fn wheel(ui: &egui::Ui, scene: &Scene<'_>, view: &mut ViewState, out: &mut Vec<Action>) {
    let Some(session) = scene.session else { return };
    let (zoom, scroll) = ui.input(|input| (input.zoom_delta(), input.smooth_scroll_delta().y));
    if zoom != 1.0 {
        out.push(Action::Do(zoomed(scene, f64::from(1.0 / zoom))));
        return;
    }
    view.wheel += scroll;
    let notches = (view.wheel / POINTS_PER_NOTCH).trunc();
    if notches != 0.0 {
        view.wheel -= notches * POINTS_PER_NOTCH;
        out.push(Action::Do(lifted_by(session, 0.25 * f64::from(notches))));
    }
}

/// The cut of the selected jet leaned from `turn` by points of drag to the right and up
pub(super) fn leaned(session: &Session, turn: &Turn, points: [f32; 2]) -> Command {
    leaned_from(session, turn, points.map(|points| f64::from(points) * DEGREES_PER_POINT))
}

/// The cut of the selected jet leaned by degrees toward `u` and `v`
pub(super) fn leaned_by(session: &Session, degrees: [f64; 2]) -> Command {
    leaned_from(session, &session.turn(), degrees)
}

/// The cut of the selected jet leaned from `turn` by degrees toward `u` and `v`
pub(super) fn leaned_from(session: &Session, turn: &Turn, degrees: [f64; 2]) -> Command {
    let base = session.base();
    let [u, v] = base.lean(turn);
    let lean = [u + degrees[0].to_radians(), v + degrees[1].to_radians()];
    Command::Turn(session.review().place.jet, base.with_lean(turn, lean))
}

/// The cut of the selected jet leaned to degrees toward `u` and `v`
pub(super) fn lean_to(session: &Session, degrees: [f64; 2]) -> Command {
    let (base, turn) = (session.base(), session.turn());
    Command::Turn(session.review().place.jet, base.with_lean(&turn, degrees.map(f64::to_radians)))
}

/// The cut of the selected jet rolled by degrees
pub(super) fn rolled_by(session: &Session, degrees: f64) -> Command {
    let turn = session.turn();
    Command::Turn(session.review().place.jet, Turn { roll: turn.roll + degrees.to_radians(), ..turn })
}

/// The cut of the selected jet moved along the axis by millimetres, onto quarters of a millimetre
pub(super) fn lifted_by(session: &Session, mm: f64) -> Command {
    let turn = session.turn();
    level_to(session, ((turn.level_mm + mm) * 4.0).round() / 4.0)
}

/// The cut of the selected jet at a level
pub(super) fn level_to(session: &Session, level_mm: f64) -> Command {
    let turn = session.turn();
    Command::Turn(session.review().place.jet, Turn { level_mm, ..turn })
}
