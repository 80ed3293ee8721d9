//! The ledger at the cut: its plane, other planes, practice, and how all of it is shown.

use egui::{RichText, Ui};

use crate::review::{ColourMap, Command, ImpliedCircle, Landmark, Session};
use crate::study::sweep::Over;
use crate::ui::numbers::number_ui;
use crate::ui::scene::{Action, Scene};
use crate::ui::view_state::{Tool, ViewState};
use crate::ui::{theme, turning, words};

use super::{set, slider};

pub(super) fn cut_part(
    ui: &mut Ui,
    session: &Session,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let review = session.review();
    let place = review.place;
    let turn = session.turn();
    let lean = session.base().lean(&turn).map(f64::to_degrees);
    // First what this step waits for.
    ui.label(RichText::new("Landmarks").font(theme::heading()));
    ui.label(
        RichText::new("Two clicks name the anterior-posterior direction; or mark the two commissures. Click on any of the three planes.")
            .font(theme::small())
            .color(theme::QUIET),
    );
    let marks = review.work.landmarks;
    for landmark in Landmark::ALL {
        let point = match landmark {
            Landmark::Anterior => marks.anterior,
            Landmark::Posterior => marks.posterior,
            Landmark::LateralCommissure => marks.lateral_commissure,
            Landmark::MedialCommissure => marks.medial_commissure,
        };
        ui.horizontal(|ui| {
            let chosen = view.tool == Tool::Mark(landmark);
            if ui.selectable_label(chosen, landmark.name()).clicked() {
                view.tool = if chosen { Tool::Turn } else { Tool::Mark(landmark) };
            }
            match point {
                Some(_) => {
                    let button = ui.small_button("Clear");
                    let name = format!("Clear: {}", landmark.name());
                    button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, &name));
                    if button.clicked() {
                        out.push(Action::Do(Command::Mark(landmark, None)));
                    }
                }
                None => {
                    ui.label(RichText::new("not set").font(theme::small()).color(theme::QUIET));
                }
            }
        });
    }
    ui.add_space(8.0);
    let proposed = session.review().found(place.jet).is_some();
    for (name, value, unit) in [
        ("Lean toward the long axis", lean[0], "°"),
        ("Lean toward the commissures", lean[1], "°"),
        ("Roll", turn.roll.to_degrees(), "°"),
        ("Level from the proposed plane", turn.level_mm, " mm"),
    ]
    .into_iter()
    .filter(|_| proposed)
    {
        let text = format!("{}{unit}", words::signed(value, 2));
        number_ui(ui, name, &text, "Your plane against the proposed one.", view, out);
    }
    ui.horizontal_wrapped(|ui| {
        let step = |ui: &mut Ui, text: &str, name: &str| {
            let button = ui.button(text);
            button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, name));
            button.on_hover_text(name).clicked()
        };
        if step(ui, "Level −", "Level down by 0.25 mm") {
            out.push(Action::Do(turning::lifted_by(session, -0.25)));
        }
        if step(ui, "Level +", "Level up by 0.25 mm") {
            out.push(Action::Do(turning::lifted_by(session, 0.25)));
        }
        if step(ui, "Roll −", "Roll back by 1 degree") {
            out.push(Action::Do(turning::rolled_by(session, -1.0)));
        }
        if step(ui, "Roll +", "Roll on by 1 degree") {
            out.push(Action::Do(turning::rolled_by(session, 1.0)));
        }
        let back = ui.add_enabled(!turn.is_none(), egui::Button::new("Back to proposed"));
        if back.on_hover_text("Puts the plane back where it was proposed (Home)").clicked() {
            out.push(Action::Do(Command::BackToProposed(place.jet)));
        }
    });
    observer(ui, session, view, out);
    sweep_part(ui, session, scene, out);
    practice_part(ui, session, scene, out);
    ui.add_space(8.0);
    display_part(ui, session, out);
}

/// One thing varied, everything else held
fn sweep_part(ui: &mut Ui, session: &Session, scene: &Scene<'_>, out: &mut Vec<Action>) {
    if session.review().found(session.review().place.jet).is_none() {
        return;
    }
    ui.add_space(8.0);
    ui.label(RichText::new("Area against").font(theme::heading()));
    ui.horizontal_wrapped(|ui| {
        for over in Over::ALL {
            let (name, _) = over.words();
            let button = ui.add_enabled(scene.progress.is_none(), egui::Button::new(over.key()).small());
            let label = format!("Area against {name}");
            button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, &label));
            let tip = "Varies this alone and shows what becomes of the area and the widths.";
            if button.on_hover_text(format!("{label}\n{tip}")).clicked() {
                out.push(Action::Sweep(over));
            }
        }
    });
}

/// A simulated volume: what is truly in it
fn practice_part(ui: &mut Ui, session: &Session, scene: &Scene<'_>, out: &mut Vec<Action>) {
    if !scene.facts.is_some_and(|facts| facts.practice) || session.review().results.is_none() {
        return;
    }
    ui.add_space(8.0);
    ui.label(RichText::new("Practice").font(theme::heading()));
    let text = "A simulated volume. When your reading is done, see how far it is off, and why.";
    ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    let button = ui.add_enabled(scene.progress.is_none(), egui::Button::new("Show the truth"));
    let tip = "Splits the error of this reading, and of those saved before, into frame, tilt, level, shape and \
               outline. Once seen, this volume is no longer blind; a reading made with the proposal in view counts as \
               open.";
    if button.on_hover_text(tip).clicked() {
        out.push(Action::Practise);
    }
}

/// What a slightly different reading would change, of the jet as it was measured
fn observer(ui: &mut Ui, session: &Session, view: &mut ViewState, out: &mut Vec<Action>) {
    let Some(found) = session.review().found(session.review().place.jet) else { return };
    if found.observer.is_empty() {
        return;
    }
    ui.add_space(8.0);
    ui.label(RichText::new("If read a little differently").font(theme::heading()));
    for change in &found.observer {
        let mean = words::signed(change.mean_mm2 / 100.0, 2);
        let text = format!("{mean} cm², up to ±{:.2}", change.largest_mm2 / 100.0);
        let from = "Mean and largest change of the proposed area when only this is done differently.";
        number_ui(ui, &change.what, &text, from, view, out);
    }
}

pub(super) fn display_part(ui: &mut Ui, session: &Session, out: &mut Vec<Action>) {
    let settings = session.review().work.settings;
    ui.label(RichText::new("Display only").font(theme::heading()));
    let text = "No number follows what is set here, and Undo leaves it as it is.";
    ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    let mut changed = settings;
    slider(
        ui,
        &mut changed.colour_gain,
        0.0..=1.0,
        "Hide colour below",
        "Display threshold: colour is drawn where the power passes this share of full scale. Neither the tracing nor its \
         area follows.",
        out,
    );
    slider(
        ui,
        &mut changed.tissue_priority,
        0.0..=1.0,
        "Tissue priority",
        "Tissue brighter than this is not covered by colour.",
        out,
    );
    slider(
        ui,
        &mut changed.tissue_window[1],
        0.1..=1.0,
        "Tissue white",
        "Shown white at and above this share of full scale.",
        out,
    );
    let mut cyclic = settings.colour_map == ColourMap::Cyclic;
    if ui
        .checkbox(&mut cyclic, "Even cyclic colours")
        .on_hover_text("Equal steps of velocity look equal, and the wrap is no jump (V)")
        .changed()
    {
        changed.colour_map = if cyclic { ColourMap::Cyclic } else { ColourMap::Doppler };
    }
    let mut circle = settings.circle == ImpliedCircle::Shown;
    if ui
        .checkbox(&mut circle, "Implied circle")
        .on_hover_text("The circle that the long-axis width alone implies (O)")
        .changed()
    {
        changed.circle = if circle { ImpliedCircle::Shown } else { ImpliedCircle::Hidden };
    }
    set(settings, changed, out);
}
