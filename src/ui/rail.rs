//! The rail: the seven steps, each with its state and the one thing that is missing.

use egui::text::LayoutJob;
use egui::{Align2, Color32, Rect, Sense, Stroke, Ui, vec2};

use crate::measure::results::Results;
use crate::review::{JetId, Session};
use crate::trust::Verdict;

use super::scene::{Origin, Scene};
use super::theme;
use super::view_state::{RailStep, ViewState};
use super::words;

/// How a step stands
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum StepState {
    /// Nothing is missing
    Done,
    /// Something could be added
    Open,
    /// Something must be looked at
    Attention,
    /// Waits for another step
    Waiting,
}

/// How a step stands, and the one thing that is missing or known
pub(super) fn state(step: RailStep, scene: &Scene<'_>) -> (StepState, String) {
    let Some(session) = scene.session else { return (StepState::Waiting, "open a volume".into()) };
    let review = session.review();
    let Some(results) = review.results.as_deref() else {
        let text = match scene.progress {
            Some(_) => "measuring",
            None if review.is_blind() => "hidden: you read blind",
            None => "not measured",
        };
        return match step {
            RailStep::Trace | RailStep::Cut => (
                StepState::Open,
                if review.is_blind() { "by hand" } else { "by hand, or wait for the jets" }.into(),
            ),
            _ => (StepState::Waiting, text.into()),
        };
    };
    match step {
        RailStep::Trust => trust(results),
        RailStep::Jet => jets(session, results),
        RailStep::Cut => cut(session, scene),
        RailStep::Trace => trace(session, scene),
        RailStep::Beat => beat(session),
        RailStep::Weigh => match review.work.evidence.iter().count() {
            0 => (StepState::Open, "type in what else was measured".into()),
            1 => (StepState::Done, "one other measure".into()),
            n => (StepState::Done, format!("{n} other measures")),
        },
        RailStep::Report => {
            if session.is_unsaved() {
                (StepState::Open, "save the review".into())
            } else if scene.review_file.is_some() {
                (StepState::Done, "saved".into())
            } else {
                (StepState::Open, "nothing to save yet".into())
            }
        }
    }
}

fn trust(results: &Results) -> (StepState, String) {
    let doubts = results.trust.findings.iter().filter(|f| f.verdict != Verdict::Adequate).count();
    let text = match doubts {
        0 => "nothing speaks against it".into(),
        1 => "one finding to read".into(),
        n => format!("{n} findings to read"),
    };
    match results.trust.verdict {
        Verdict::Adequate => (StepState::Done, text),
        Verdict::Limited | Verdict::Unfit => (StepState::Attention, text),
    }
}

fn jets(session: &Session, results: &Results) -> (StepState, String) {
    let jets = session.review().jets();
    match (jets.len(), results.jets.len()) {
        (0, 0) => (StepState::Attention, "none found: look, or place one".into()),
        (0, _) => (StepState::Attention, "all set aside".into()),
        (1, _) => (StepState::Done, "one jet".into()),
        (n, _) => (StepState::Done, format!("{n} jets, they add up")),
    }
}

fn cut(session: &Session, scene: &Scene<'_>) -> (StepState, String) {
    let review = session.review();
    let marks = review.work.landmarks;
    let base = session.base();
    if review.place.jet == JetId::Free {
        return (StepState::Open, "choose a jet".into());
    }
    if review.found(review.place.jet).is_none() {
        return (StepState::Open, "where you laid it".into());
    }
    let named = marks.anterior_posterior(base.axis().into_inner()).is_some();
    let tilt = base.tilt(&session.turn()).to_degrees();
    if tilt >= 5.0 {
        return (StepState::Attention, format!("{tilt:.0}° off the jet"));
    }
    if scene.reading.and_then(|r| r.beam_deg).is_some_and(|beam| beam > 45.0) {
        return (StepState::Attention, "the beam meets the jet aslant".into());
    }
    if named {
        (StepState::Done, "on the jet, directions named".into())
    } else {
        (StepState::Open, "mark anterior and posterior".into())
    }
}

fn trace(session: &Session, scene: &Scene<'_>) -> (StepState, String) {
    let review = session.review();
    let place = review.place;
    let here: Vec<_> = review.work.tracings_of(place.jet, place.frame).collect();
    let faults = here.iter().filter(|tracing| review.work.fault(tracing).is_some()).count();
    if faults > 0 {
        return (StepState::Attention, "a tracing is not counted".into());
    }
    if !here.is_empty() {
        return (StepState::Done, "your tracing".into());
    }
    match scene.reading {
        Some(reading) if reading.origin == Origin::Hidden => {
            (StepState::Attention, "nothing to trace here".into())
        }
        Some(reading) if reading.area.is_some() => (StepState::Open, "proposed: look it over".into()),
        Some(_) => (StepState::Attention, "nothing to trace here".into()),
        None if place.jet == JetId::Free => (StepState::Open, "choose a jet".into()),
        None => (StepState::Waiting, "tracing".into()),
    }
}

fn beat(session: &Session) -> (StepState, String) {
    let first = || session.numbers().and_then(|numbers| numbers.jets.first());
    match session.jet(session.review().place.jet).or_else(first) {
        None => (StepState::Waiting, "no jet".into()),
        Some(jet) if jet.systole.varies() => {
            let pattern = words::pattern(jet.systole.pattern);
            let over = jet.systole.peak_overstates_percent;
            (StepState::Attention, format!("{pattern}: peak {over:.0} % over the mean"))
        }
        Some(jet) => (StepState::Done, words::pattern(jet.systole.pattern).into()),
    }
}

/// The rail
pub(super) fn rail_ui(ui: &mut Ui, scene: &Scene<'_>, view: &mut ViewState) {
    let width = ui.available_width();
    for step in RailStep::ALL {
        let (state, missing) = state(step, scene);
        let (rect, response) = ui.allocate_exact_size(vec2(width, 56.0), Sense::click());
        let chosen = view.step == step;
        let name = format!("{}: {missing}", step.name());
        response.widget_info(|| egui::WidgetInfo::selected(egui::Role::Tab, true, chosen, &name));
        step_ui(ui, rect, step, state, &missing, chosen || response.hovered(), chosen);
        if response.on_hover_text(format!("{missing}\n{}", help(step))).clicked() {
            view.step = step;
        }
    }
}

fn step_ui(ui: &Ui, rect: Rect, step: RailStep, state: StepState, missing: &str, lit: bool, chosen: bool) {
    let painter = ui.painter();
    if lit {
        painter.rect_filled(rect, 4.0, theme::RAISED);
    }
    if chosen {
        let bar = Rect::from_min_size(rect.min, vec2(3.0, rect.height()));
        painter.rect_filled(bar, 1.0, theme::EN_FACE);
    }
    let dot = rect.left_top() + vec2(18.0, 18.0);
    match state {
        StepState::Done => {
            painter.circle_filled(dot, 5.5, theme::GOOD);
            let tick = [dot + vec2(-2.6, 0.2), dot + vec2(-0.6, 2.3), dot + vec2(2.8, -2.2)];
            painter.line(tick.to_vec(), Stroke::new(1.5, Color32::WHITE));
        }
        StepState::Open => {
            painter.circle_stroke(dot, 5.0, Stroke::new(1.5, theme::QUIET));
        }
        StepState::Attention => {
            let triangle = vec![dot + vec2(0.0, -6.0), dot + vec2(6.0, 5.0), dot + vec2(-6.0, 5.0)];
            painter.add(egui::Shape::convex_polygon(triangle, theme::WARN, Stroke::NONE));
            painter.text(dot + vec2(0.0, 1.0), Align2::CENTER_CENTER, "!", theme::small(), theme::GROUND);
        }
        StepState::Waiting => {
            painter.circle_filled(dot, 2.5, theme::QUIET);
        }
    }
    let at = rect.left_top() + vec2(34.0, 7.0);
    painter.text(at, Align2::LEFT_TOP, step.name(), theme::heading(), theme::TEXT);
    // Two lines at most; the tip says the whole.
    let mut job = LayoutJob::simple(missing.to_owned(), theme::small(), theme::QUIET, rect.width() - 40.0);
    job.wrap.max_rows = 2;
    let galley = painter.layout_job(job);
    painter.with_clip_rect(rect).galley(at + vec2(0.0, 19.0), galley, theme::QUIET);
}

/// What a step is for
pub(super) fn help(step: RailStep) -> &'static str {
    match step {
        RailStep::Trust => {
            "Can this acquisition carry the measurement? Frame rate, velocity scale, stitching, the angle of the beam."
        }
        RailStep::Jet => "Which jets there are. Several jets add by area, never by width.",
        RailStep::Cut => {
            "The plane must lie across the jet, at its narrowest place. Turn it, or put it back where it was proposed."
        }
        RailStep::Trace => {
            "The outline of the fast, aliased flow on the plane. Keep the proposal, correct it, or draw your own."
        }
        RailStep::Beat => {
            "How long the regurgitation lasts: one frame's area overstates one that comes and goes."
        }
        RailStep::Weigh => "What else was measured. No single number grades a regurgitation.",
        RailStep::Report => "Save the review, write the report, your notes.",
    }
}
