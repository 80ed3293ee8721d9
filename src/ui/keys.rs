//! Every key, in one table: the help sheet shows it and the handler reads it.

use egui::{Event, Key, Modifiers, Ui};

use crate::review::{ColourMap, Command, ImpliedCircle, JetId, Landmark, Session, Settings, TracingId};

use super::scene::{Action, OutlineSource, Scene, keep};
use super::view_state::{RailStep, Sheet, Tool, ViewState};
use super::{en_face, turning};

/// What a key does
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Deed {
    /// Lean the cut by degrees toward `u` and `v`
    Lean(f64, f64),
    /// Roll the cut by degrees
    Roll(f64),
    /// Move the cut along the jet by millimetres
    Level(f64),
    /// Put the cut back
    Back,
    /// Go on or back by frames
    Step(isize),
    /// Play or pause
    Play,
    /// Go to the frame of the largest area
    Peak,
    /// Show a jet by its place in the list; 0 is the free cut
    Jet(usize),
    /// Keep the automatic tracing
    Keep,
    /// Draw a tracing by clicks
    Draw,
    /// Close the tracing being drawn
    Close,
    /// Put the tool down
    LetGo,
    /// Remove the touched vertex
    RemoveVertex,
    /// Smooth the tracing
    Smooth,
    /// Grow the tracing by millimetres
    Grow(f64),
    /// Copy the tracing to the next frame
    CopyOn,
    /// Copy the tracing to every frame of its jet
    Carry,
    /// Move the threshold
    Threshold(f64),
    /// Turn the colour map over
    Colours,
    /// Show or hide the implied circle
    Circle,
    /// Zoom by a factor of the field
    Zoom(f64),
    /// Fit the jet
    Fit,
    /// Show the annulus, or fit the jet again
    Annulus,
    /// The free caliper
    Caliper,
    /// Go to a step, by its place
    Section(usize),
    /// Place a landmark with the next click
    Mark(Landmark),
    /// Undo
    Undo,
    /// Redo
    Redo,
    /// Save
    Save,
    /// Save to another file
    SaveAs,
    /// Open a file
    Open,
    /// Close the volume
    CloseVolume,
    /// End the program
    Quit,
    /// Take up the work that was left behind
    TakeUp,
    /// The sheet of keys
    Help,
}

impl Deed {
    /// Both as one, where one movement stands for two
    fn with(self, next: Self) -> Option<Self> {
        Some(match (self, next) {
            (Self::Lean(u, v), Self::Lean(du, dv)) => Self::Lean(u + du, v + dv),
            (Self::Roll(a), Self::Roll(b)) => Self::Roll(a + b),
            (Self::Level(a), Self::Level(b)) => Self::Level(a + b),
            (Self::Step(a), Self::Step(b)) => Self::Step(a + b),
            (Self::Threshold(a), Self::Threshold(b)) => Self::Threshold(a + b),
            (Self::Zoom(a), Self::Zoom(b)) => Self::Zoom(a * b),
            (Self::Grow(a), Self::Grow(b)) => Self::Grow(a + b),
            _ => return None,
        })
    }
}

/// One key
#[derive(Clone, Copy, Debug)]
pub struct Binding {
    /// Group on the help sheet
    pub group: &'static str,
    /// What is held down
    pub modifiers: Modifiers,
    /// The key
    pub key: Key,
    /// What it does
    pub deed: Deed,
    /// What it does, in words; empty where the line above says it
    pub text: &'static str,
}

const fn bind(
    group: &'static str,
    modifiers: Modifiers,
    key: Key,
    deed: Deed,
    text: &'static str,
) -> Binding {
    Binding { group, modifiers, key, deed, text }
}

const NONE: Modifiers = Modifiers::NONE;
const SHIFT: Modifiers = Modifiers::SHIFT;
const CTRL: Modifiers = Modifiers::COMMAND;
const BOTH: Modifiers = Modifiers::COMMAND.plus(Modifiers::SHIFT);

/// Every key; those with more held down stand before those with less, since the first that fits wins
pub const TABLE: &[Binding] = &[
    bind("Plane", SHIFT, Key::ArrowRight, Deed::Lean(5.0, 0.0), "lean the plane by 5 degrees"),
    bind("Plane", SHIFT, Key::ArrowLeft, Deed::Lean(-5.0, 0.0), ""),
    bind("Plane", SHIFT, Key::ArrowUp, Deed::Lean(0.0, 5.0), ""),
    bind("Plane", SHIFT, Key::ArrowDown, Deed::Lean(0.0, -5.0), ""),
    bind("Plane", NONE, Key::ArrowRight, Deed::Lean(1.0, 0.0), "lean the plane by 1 degree"),
    bind("Plane", NONE, Key::ArrowLeft, Deed::Lean(-1.0, 0.0), ""),
    bind("Plane", NONE, Key::ArrowUp, Deed::Lean(0.0, 1.0), ""),
    bind("Plane", NONE, Key::ArrowDown, Deed::Lean(0.0, -1.0), ""),
    bind("Plane", SHIFT, Key::E, Deed::Roll(5.0), "roll by 5 degrees"),
    bind("Plane", SHIFT, Key::Q, Deed::Roll(-5.0), ""),
    bind("Plane", NONE, Key::E, Deed::Roll(1.0), "roll by 1 degree"),
    bind("Plane", NONE, Key::Q, Deed::Roll(-1.0), ""),
    bind("Plane", SHIFT, Key::W, Deed::Level(1.0), "move along the jet by 1 mm"),
    bind("Plane", SHIFT, Key::S, Deed::Level(-1.0), ""),
    bind("File", BOTH, Key::S, Deed::SaveAs, "save the review under another name"),
    bind("File", CTRL, Key::S, Deed::Save, "save the review"),
    bind("File", BOTH, Key::Z, Deed::Redo, "do again"),
    bind("File", CTRL, Key::Y, Deed::Redo, ""),
    bind("File", CTRL, Key::Z, Deed::Undo, "take back"),
    bind("Plane", NONE, Key::W, Deed::Level(0.25), "move along the jet by 0.25 mm"),
    bind("Plane", NONE, Key::S, Deed::Level(-0.25), ""),
    bind("Plane", NONE, Key::Home, Deed::Back, "back to the proposed plane"),
    bind("Landmarks", SHIFT, Key::A, Deed::Mark(Landmark::Anterior), "anterior annulus: then click"),
    bind("Landmarks", SHIFT, Key::P, Deed::Mark(Landmark::Posterior), "posterior annulus"),
    bind("Landmarks", SHIFT, Key::L, Deed::Mark(Landmark::LateralCommissure), "anterolateral commissure"),
    bind("Landmarks", SHIFT, Key::M, Deed::Mark(Landmark::MedialCommissure), "posteromedial commissure"),
    bind("Steps", CTRL, Key::Num1, Deed::Section(0), "Trust, Jet, … Report"),
    bind("Steps", CTRL, Key::Num2, Deed::Section(1), ""),
    bind("Steps", CTRL, Key::Num3, Deed::Section(2), ""),
    bind("Steps", CTRL, Key::Num4, Deed::Section(3), ""),
    bind("Steps", CTRL, Key::Num5, Deed::Section(4), ""),
    bind("Steps", CTRL, Key::Num6, Deed::Section(5), ""),
    bind("Steps", CTRL, Key::Num7, Deed::Section(6), ""),
    bind("Tracing", NONE, Key::T, Deed::Keep, "keep the automatic tracing"),
    bind("Tracing", NONE, Key::N, Deed::Draw, "draw by clicks"),
    bind("Tracing", NONE, Key::Enter, Deed::Close, "close the tracing being drawn"),
    bind("Tracing", NONE, Key::Delete, Deed::RemoveVertex, "remove the touched vertex"),
    bind("Tracing", NONE, Key::M, Deed::Smooth, "smooth"),
    bind("Tracing", SHIFT, Key::G, Deed::Grow(-0.1), "shrink by 0.1 mm"),
    bind("Tracing", NONE, Key::G, Deed::Grow(0.1), "grow by 0.1 mm"),
    bind("Tracing", SHIFT, Key::C, Deed::Carry, "carry through all frames of the jet"),
    bind("Tracing", NONE, Key::C, Deed::CopyOn, "copy to the next frame"),
    bind("Tracing", NONE, Key::Comma, Deed::Threshold(-0.02), "threshold down"),
    bind("Tracing", NONE, Key::Period, Deed::Threshold(0.02), "threshold up"),
    bind("Tracing", NONE, Key::Escape, Deed::LetGo, "put the tool down; close a page, a notice"),
    bind("Beat", NONE, Key::A, Deed::Step(-1), "previous frame"),
    bind("Beat", NONE, Key::D, Deed::Step(1), "next frame"),
    bind("Beat", NONE, Key::Space, Deed::Play, "play or pause"),
    bind("Beat", NONE, Key::P, Deed::Peak, "frame of the largest area"),
    bind("Jet", NONE, Key::Num1, Deed::Jet(1), "show a jet by its place in the list"),
    bind("Jet", NONE, Key::Num2, Deed::Jet(2), ""),
    bind("Jet", NONE, Key::Num3, Deed::Jet(3), ""),
    bind("Jet", NONE, Key::Num4, Deed::Jet(4), ""),
    bind("Jet", NONE, Key::Num5, Deed::Jet(5), ""),
    bind("Jet", NONE, Key::Num0, Deed::Jet(0), "show the free plane"),
    bind("Picture", NONE, Key::Plus, Deed::Zoom(0.8), "nearer"),
    bind("Picture", NONE, Key::Equals, Deed::Zoom(0.8), ""),
    bind("Picture", NONE, Key::Minus, Deed::Zoom(1.25), "farther"),
    bind("Picture", NONE, Key::F, Deed::Fit, "fit the jet"),
    bind("Picture", NONE, Key::Z, Deed::Annulus, "the annulus, and back to the jet"),
    bind("Picture", NONE, Key::K, Deed::Caliper, "free caliper"),
    bind("Picture", NONE, Key::V, Deed::Colours, "even cyclic colours"),
    bind("Picture", NONE, Key::O, Deed::Circle, "implied circle"),
    bind("File", CTRL, Key::O, Deed::Open, "open a volume or a review"),
    bind("File", CTRL, Key::W, Deed::CloseVolume, "back to the start"),
    bind("File", CTRL, Key::Q, Deed::Quit, "end"),
    bind("File", NONE, Key::R, Deed::TakeUp, "at the start: take up the work left behind"),
    bind("File", NONE, Key::F1, Deed::Help, "this sheet"),
];

/// A key in words
pub fn spoken(binding: &Binding) -> String {
    let mut text = String::new();
    if binding.modifiers.command {
        text.push_str("Ctrl ");
    }
    if binding.modifiers.shift {
        text.push_str("Shift ");
    }
    text.push_str(match binding.key {
        Key::ArrowRight => "Right",
        Key::ArrowLeft => "Left",
        Key::ArrowUp => "Up",
        Key::ArrowDown => "Down",
        Key::Comma => ",",
        Key::Period => ".",
        Key::Plus => "+",
        Key::Equals => "=",
        Key::Minus => "−",
        Key::Num0 => "0",
        Key::Num1 => "1",
        Key::Num2 => "2",
        Key::Num3 => "3",
        Key::Num4 => "4",
        Key::Num5 => "5",
        Key::Num6 => "6",
        Key::Num7 => "7",
        other => other.name(),
    });
    text
}

/// More deeds than this do not wait (a guard against a machine that types)
const MOST_WAITING: usize = 64;

/// Takes the keys that were pressed, unless somebody is typing
///
/// In the order in which they were pressed: what a key does depends on what the one before it did. Presses that only
/// move on are added up, so that nothing goes on after the hand has stopped; others are done one a pass.
pub(super) fn keys_ui(ui: &Ui, scene: &Scene<'_>, view: &mut ViewState, out: &mut Vec<Action>) {
    let typing = ui.ctx().text_edit_focused();
    let waiting = &mut view.deeds;
    ui.input_mut(|input| {
        input.events.retain(|event| {
            let Some((deed, again)) = bound(event, typing) else { return true };
            // Movements in any order: what waits of them is one of a kind.
            let movements = waiting.iter_mut().rev().take_while(|last| last.with(**last).is_some());
            for last in movements {
                if let Some(both) = last.with(deed) {
                    *last = both;
                    return false;
                }
            }
            // A key held down must not go on after it was let go.
            if waiting.is_empty() || (!again && waiting.len() < MOST_WAITING) {
                waiting.push_back(deed);
            }
            false
        });
    });
    if let Some(deed) = view.deeds.pop_front() {
        do_it(deed, scene, view, out);
    }
    if !view.deeds.is_empty() {
        ui.ctx().request_repaint();
    }
}

/// What a key that was pressed is bound to, and whether it is only held down
fn bound(event: &Event, typing: bool) -> Option<(Deed, bool)> {
    let Event::Key { key, modifiers, pressed: true, repeat, .. } = event else { return None };
    let fits = |binding: &&Binding| binding.key == *key && modifiers.matches_logically(binding.modifiers);
    let allowed = |binding: &&Binding| !typing || binding.modifiers.command || binding.key == Key::F1;
    TABLE.iter().filter(allowed).find(fits).map(|binding| (binding.deed, *repeat))
}

fn do_it(deed: Deed, scene: &Scene<'_>, view: &mut ViewState, out: &mut Vec<Action>) {
    match deed {
        Deed::Help => view.help = view.help.turned(),
        Deed::Open => out.push(Action::AskOpen),
        Deed::Quit => out.push(Action::Quit),
        Deed::LetGo if view.help.is_open() => view.help = Sheet::Closed,
        Deed::LetGo if !scene.found.is_empty() => out.push(Action::CloseFound),
        // At the start there is nothing else to put down.
        Deed::LetGo if scene.session.is_none() && !scene.notices.is_empty() => {
            out.push(Action::Dismiss(scene.notices.len() - 1));
        }
        Deed::TakeUp => {
            if scene.session.is_none() && !scene.leftovers.is_empty() {
                out.push(Action::Recover(0));
            }
        }
        _ => {
            if let Some(session) = scene.session {
                in_session(deed, session, scene, view, out);
            }
        }
    }
}

fn in_session(deed: Deed, session: &Session, scene: &Scene<'_>, view: &mut ViewState, out: &mut Vec<Action>) {
    let review = session.review();
    let place = review.place;
    let frames = review.source.frames;
    let mut act = |command| out.push(Action::Do(command));
    match deed {
        Deed::Lean(u, v) => act(turning::leaned_by(session, [u, v])),
        Deed::Roll(degrees) => act(turning::rolled_by(session, degrees)),
        Deed::Level(mm) => act(turning::lifted_by(session, mm)),
        Deed::Back => act(Command::BackToProposed(place.jet)),
        Deed::Step(by) => {
            view.playing = None;
            act(Command::Frame((place.frame as isize + by).rem_euclid(frames.max(1) as isize) as usize));
        }
        Deed::Play => {
            view.playing = if view.playing.is_some() || frames < 2 { None } else { Some(0.0) };
        }
        Deed::Peak => {
            // That of the reader's own numbers, as the button of the same key.
            if let Some(jet) = session.jet(place.jet) {
                act(Command::Frame(jet.peak_frame));
            }
        }
        Deed::Jet(0) => act(Command::Select(JetId::Free)),
        Deed::Jet(number) => {
            if let Some(jet) = review.jets().get(number - 1) {
                act(Command::Select(*jet));
            }
        }
        Deed::Keep => {
            let live = scene.reading.and_then(|reading| {
                let live = reading.outlines.iter().find(|outline| outline.source == OutlineSource::Live)?;
                Some(keep(live, reading.threshold))
            });
            if let Some(command) = live {
                act(command);
            }
        }
        Deed::Draw => view.tool = if view.tool == Tool::Draw { Tool::Turn } else { Tool::Draw },
        Deed::Close => {
            if let Some(id) = en_face::open_tracing(scene) {
                act(Command::Close(id));
                view.tool = Tool::Turn;
            }
        }
        Deed::LetGo if scene.page.is_some() => out.push(Action::ClosePage),
        Deed::LetGo if view.tool == Tool::Turn && view.vertex.is_none() && !scene.notices.is_empty() => {
            out.push(Action::Dismiss(scene.notices.len() - 1));
        }
        Deed::LetGo => {
            if view.tool == Tool::Draw
                && let Some(id) = en_face::open_tracing(scene)
            {
                act(Command::RemoveTracing(id));
            }
            view.tool = Tool::Turn;
            view.vertex = None;
        }
        Deed::RemoveVertex => {
            if let Some((tracing, vertex)) = view.vertex.take() {
                act(Command::RemoveVertex { tracing, vertex });
            }
        }
        Deed::Smooth | Deed::Grow(_) | Deed::CopyOn | Deed::Carry => {
            let next = Some(place.frame + 1).filter(|next| *next < frames);
            if let Some(command) = current(session, view).and_then(|id| edited(deed, id, next)) {
                act(command);
            }
        }
        Deed::Threshold(_) | Deed::Colours | Deed::Circle => {
            let drawn_at = scene.reading.map(|reading| reading.threshold);
            act(Command::Set(changed(deed, review.work.settings, drawn_at)));
        }
        Deed::Zoom(factor) => act(turning::zoomed(scene, factor)),
        Deed::Fit => act(Command::Field(0.0)),
        Deed::Annulus => act(turning::annulus(session)),
        Deed::Section(step) => view.step = RailStep::ALL[step.min(RailStep::ALL.len() - 1)],
        Deed::Caliper => {
            view.tool = if view.tool == Tool::Caliper { Tool::Turn } else { Tool::Caliper };
        }
        // A tool that the first mark handed on stays in hand; Escape puts it down.
        Deed::Mark(landmark) => view.tool = Tool::Mark(landmark),
        Deed::Undo => act(Command::Undo),
        Deed::Redo => act(Command::Redo),
        Deed::Save => out.push(Action::Save),
        Deed::SaveAs => out.push(Action::AskSave),
        Deed::CloseVolume => out.push(Action::Close),
        Deed::Help | Deed::Open | Deed::Quit | Deed::TakeUp => {}
    }
}

/// What a deed does to a tracing, where there is a `next` frame or not
fn edited(deed: Deed, id: TracingId, next: Option<usize>) -> Option<Command> {
    match deed {
        Deed::Smooth => Some(Command::Smooth(id)),
        Deed::Grow(mm) => Some(Command::Grow(id, mm)),
        Deed::CopyOn => next.map(|frame| Command::CopyToFrame(id, frame)),
        Deed::Carry => Some(Command::Carry(id)),
        _ => None,
    }
}

/// What a deed makes of the settings; the outline is drawn at a threshold now, whether one is set or not
fn changed(deed: Deed, settings: Settings, drawn_at: Option<f64>) -> Settings {
    match deed {
        Deed::Threshold(by) => {
            let now = settings.threshold.or(drawn_at).unwrap_or(0.5);
            Settings { threshold: Some((now + by).clamp(0.05, 0.95)), ..settings }
        }
        Deed::Colours => {
            let colour_map = match settings.colour_map {
                ColourMap::Doppler => ColourMap::Cyclic,
                ColourMap::Cyclic => ColourMap::Doppler,
            };
            Settings { colour_map, ..settings }
        }
        Deed::Circle => {
            let circle = match settings.circle {
                ImpliedCircle::Shown => ImpliedCircle::Hidden,
                ImpliedCircle::Hidden => ImpliedCircle::Shown,
            };
            Settings { circle, ..settings }
        }
        _ => settings,
    }
}

/// The tracing that was touched last, or the latest of this jet and frame
fn current(session: &Session, view: &ViewState) -> Option<TracingId> {
    let review = session.review();
    let place = review.place;
    let touched = view.vertex.map(|(id, _)| id).filter(|id| review.work.tracing(*id).is_some());
    touched.or_else(|| review.work.tracings_of(place.jet, place.frame).last().map(|tracing| tracing.id))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_key_hides_another() {
        // A binding is dead when one before it takes its key with no more held down.
        for (index, late) in TABLE.iter().enumerate() {
            for early in &TABLE[..index] {
                let takes = late.modifiers.matches_logically(early.modifiers);
                assert!(!(early.key == late.key && takes), "{early:?} hides {late:?}");
            }
        }
    }

    #[test]
    fn a_key_is_bound_by_what_is_held_down_and_by_who_types() {
        let press =
            |key, modifiers, repeat| Event::Key { key, physical_key: None, pressed: true, repeat, modifiers };
        let told =
            |key, modifiers, typing| bound(&press(key, modifiers, false), typing).map(|(deed, _)| deed);
        assert_eq!(told(Key::S, CTRL, false), Some(Deed::Save));
        assert_eq!(told(Key::S, BOTH, false), Some(Deed::SaveAs));
        assert_eq!(told(Key::S, NONE, false), Some(Deed::Level(-0.25)));
        assert_eq!(told(Key::S, NONE, true), None, "somebody types");
        assert_eq!(told(Key::S, CTRL, true), Some(Deed::Save));
        assert_eq!(bound(&press(Key::D, NONE, true), false), Some((Deed::Step(1), true)));
    }

    #[test]
    fn every_group_of_keys_is_explained() {
        for (index, binding) in TABLE.iter().enumerate() {
            assert!(!binding.text.is_empty() || index > 0);
            assert!(!spoken(binding).is_empty());
        }
    }
}
