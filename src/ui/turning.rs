//! How a movement of the hand becomes a movement of the cut.

use crate::review::{Command, JetId, Session, Turn};

use super::scene::{Action, Scene};
use super::view_state::ViewState;

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

/// The cut of the selected jet leaned by points of drag to the right and up
pub(super) fn leaned(session: &Session, points: [f32; 2]) -> Command {
    let step = points.map(|points| f64::from(points) * DEGREES_PER_POINT);
    leaned_by(session, step)
}

/// The cut of the selected jet leaned by degrees toward `u` and `v`
pub(super) fn leaned_by(session: &Session, degrees: [f64; 2]) -> Command {
    let (base, turn) = (session.base(), session.turn());
    let [u, v] = base.lean(&turn);
    let lean = [u + degrees[0].to_radians(), v + degrees[1].to_radians()];
    Command::Turn(session.review().place.jet, base.with_lean(&turn, lean))
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
