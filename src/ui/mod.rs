//! The views of the viewer: functions of a [`Scene`] that return [`Action`]s.
//!
//! Nothing here changes a review, touches a file or computes a number; the arithmetic is layout.
//! The same functions draw in a window, in a test and into a picture for the documentation. The
//! screen follows the measurement: the rail says where the reader stands, the en-face cut is the
//! largest thing, the sounding and the tilt map say how it lies to the jet, the beat strip how it
//! lies in time, the ledger what comes out. Nothing is modal and any order is allowed.

mod asked;
mod beat_strip;
mod chooser;
mod context;
mod en_face;
mod evidence_form;
mod help;
mod ink;
mod keys;
mod ledger;
mod lens;
mod look;
mod numbers;
mod page;
mod rail;
mod scene;
mod sounding;
mod start;
mod theme;
mod tilt_map;
mod top_bar;
mod turning;
mod view_state;
mod weighed;
mod words;

pub use keys::{Binding, TABLE, spoken};
pub use look::{dressed, map};
pub use page::picture_width;
pub use scene::{
    Action, Card, Drawn3, Facts, Found, Leftover, Notice, Origin, OutlineSource, Page, Pane, Pictures,
    Progress, ReadOutline, Reading, Scene, TiltMap, Weight, keep,
};
pub use theme::{apply as apply_theme, background, is_background};
pub use turning::field_mm;
pub use view_state::{Grip, Hold, Opening, PathPurpose, RailStep, Sheet, Tool, ViewState};

use egui::{Align2, CentralPanel, Panel, Rect, Ui, pos2, vec2};

use crate::review::Command;

/// Windows narrower than this fold the commissural cut away, points
const NARROW: f32 = 1240.0;

/// The whole screen
pub fn screen_ui(ui: &mut Ui, scene: &Scene<'_>, view: &mut ViewState) -> Vec<Action> {
    let mut out = Vec::new();
    keys::keys_ui(ui, scene, view, &mut out);
    play(ui, scene, view, &mut out);
    let whole = ui.available_size();
    let ledger = (whole.x * 0.21).clamp(282.0, 380.0);
    if scene.session.is_none() {
        top_bar::notices_ui(ui, scene, 380.0, &mut out);
        CentralPanel::default().frame(theme::panel(0)).show(ui, |ui| {
            start::start_ui(ui, scene, view, &mut out);
        });
        top_bar::progress_ui(ui, scene, &mut out);
        chooser::chooser_ui(ui, scene, &mut out);
        asked::asked_ui(ui, view, &mut out);
        help::help_ui(ui, view);
        return out;
    }
    top_bar::notices_ui(ui, scene, ledger, &mut out);
    Panel::top("bar").frame(theme::panel(6)).show(ui, |ui| {
        top_bar::top_bar_ui(ui, scene, view, &mut out);
    });
    Panel::bottom("beat").exact_size(beat_strip::height(scene)).frame(theme::panel(4)).show(ui, |ui| {
        let rect = ui.available_rect_before_wrap();
        beat_strip::beat_strip_ui(ui, rect, scene, view, &mut out);
    });
    Panel::left("rail").exact_size(164.0).resizable(false).frame(theme::panel(4)).show(ui, |ui| {
        rail::rail_ui(ui, scene, view);
    });
    Panel::right("ledger").exact_size(ledger).resizable(false).frame(theme::panel(10)).show(ui, |ui| {
        ledger::ledger_ui(ui, scene, view, &mut out);
    });
    CentralPanel::default().frame(theme::panel(0)).show(ui, |ui| {
        let rect = ui.available_rect_before_wrap();
        centre_ui(ui, rect, whole.x < NARROW, scene, view, &mut out);
    });
    page::page_ui(ui, scene, &mut out);
    chooser::chooser_ui(ui, scene, &mut out);
    asked::asked_ui(ui, view, &mut out);
    help::help_ui(ui, view);
    out
}

/// The pictures: en face large, sounding to its right, tilt map and context below the sounding
fn centre_ui(
    ui: &mut Ui,
    rect: Rect,
    narrow: bool,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let rect = rect.shrink(6.0);
    let gap = 6.0;
    let share = if narrow && view.commissural == Sheet::Closed { 0.60 } else { 0.50 };
    let split = rect.left() + ((rect.width() - gap) * share).round();
    let face = Rect::from_min_max(rect.min, pos2(split, rect.bottom()));
    let right = Rect::from_min_max(pos2(split + gap, rect.top()), rect.max);
    let map_height = (right.width() * 0.5 + 20.0).clamp(150.0, right.height() * 0.42);
    let sounding = Rect::from_min_max(right.min, pos2(right.right(), right.bottom() - map_height - gap));
    let below = Rect::from_min_max(pos2(right.left(), sounding.bottom() + gap), right.max);
    let half = pos2(below.center().x - gap / 2.0, below.bottom());
    let map = Rect::from_min_max(below.min, half);
    let corner = Rect::from_min_max(pos2(half.x + gap, below.top()), below.max);

    en_face_header(ui, face, scene, view, out);
    let picture = Rect::from_min_max(face.min + vec2(0.0, HEADER), face.max);
    en_face::en_face_ui(ui, picture, scene, view, out);
    sounding::sounding_ui(ui, sounding, narrow, scene, view, out);
    tilt_map::tilt_map_ui(ui, map, scene, view, out);
    context::context_ui(ui, corner, scene, view);
}

/// Height of the line above the en-face picture, points
const HEADER: f32 = 30.0;

fn en_face_header(ui: &mut Ui, face: Rect, scene: &Scene<'_>, view: &ViewState, out: &mut Vec<Action>) {
    let (Some(session), Some(facts)) = (scene.session, scene.facts) else { return };
    let place = session.review().place;
    let row = Rect::from_min_size(face.min, vec2(face.width(), HEADER - 4.0));
    let painter = ui.painter().with_clip_rect(row);
    let left = row.left_center();
    painter.line_segment(
        [left + vec2(2.0, 0.0), left + vec2(22.0, 0.0)],
        egui::Stroke::new(2.4, theme::EN_FACE),
    );
    painter.text(left + vec2(30.0, 0.0), Align2::LEFT_CENTER, "En face", theme::heading(), theme::TEXT);
    let text = match view.tool {
        Tool::Turn => format!("{}, {}", words::jet(place.jet), words::frame(place.frame, &facts.times_s)),
        Tool::Draw => "click around the orifice; Enter or a double click closes".to_owned(),
        Tool::Caliper => "caliper: drag from end to end; kept nowhere".to_owned(),
        Tool::Mark(landmark) => format!("click the {}", landmark.name().to_lowercase()),
    };
    let colour = if view.tool == Tool::Turn { theme::QUIET } else { theme::WARN };
    let turned = !session.turn().is_none();
    let room = if turned { 138.0 } else { 0.0 };
    let words =
        Rect::from_min_max(pos2(row.left() + 96.0, row.top()), pos2(row.right() - room, row.bottom()));
    ink::fitted(ui, words, egui::Align::Min, egui::RichText::new(text).font(theme::body()).color(colour));
    if turned {
        let button = Rect::from_min_size(row.right_top() - vec2(132.0, 0.0), vec2(132.0, row.height()));
        let back = ui.put(button, egui::Button::new("Back to proposed").small());
        back.widget_info(|| {
            egui::WidgetInfo::labeled(egui::Role::Button, true, "Back to the proposed plane")
        });
        if back.on_hover_text("Home").clicked() {
            out.push(Action::Do(Command::BackToProposed(place.jet)));
        }
    }
}

/// Moves on through the beat while it plays
fn play(ui: &Ui, scene: &Scene<'_>, view: &mut ViewState, out: &mut Vec<Action>) {
    let (Some(due), Some(session), Some(facts)) = (view.playing, scene.session, scene.facts) else {
        return;
    };
    let now = ui.input(|input| input.time);
    let frames = facts.times_s.len();
    if frames < 2 {
        view.playing = None;
        return;
    }
    let frame = session.review().place.frame;
    // The beat at half its speed, which the eye can follow; the pause at the end is one frame.
    let mean = (facts.times_s[frames - 1] - facts.times_s[0]) / (frames - 1) as f64;
    let stay = |frame: usize| {
        let next = facts.times_s.get(frame + 1).map_or(mean, |next| next - facts.times_s[frame]);
        2.0 * next.max(0.02)
    };
    if due == 0.0 {
        view.playing = Some(now + stay(frame));
    } else if now >= due {
        let next = (frame + 1) % frames;
        out.push(Action::Do(Command::Frame(next)));
        // A slow machine drops time, not frames.
        view.playing = Some(due.max(now - stay(next)) + stay(next));
    }
    let wait = (view.playing.unwrap_or(now) - now).max(0.0);
    ui.ctx().request_repaint_after_secs(wait as f32);
}
