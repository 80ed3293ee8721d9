//! The bar at the top, what goes on in the background, and what the reader should know.

use egui::{Align, Layout, RichText, Ui};

use crate::review::Command;
use crate::trust::Verdict;

use super::scene::{Action, Scene, Weight};
use super::view_state::ViewState;
use super::{theme, words};

/// File, verdict, undo, save, open, help
pub(super) fn top_bar_ui(ui: &mut Ui, scene: &Scene<'_>, view: &mut ViewState, out: &mut Vec<Action>) {
    let Some(session) = scene.session else { return };
    let review = session.review();
    ui.horizontal(|ui| {
        let named = |ui: &mut Ui, on: bool, text: &str, name: &str, tip: &str| {
            let button = ui.add_enabled(on, egui::Button::new(text));
            button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, on, name));
            button.on_hover_text(tip).clicked()
        };
        if named(ui, true, "‹", "Back to the start", "Back to the start (Ctrl W)") {
            out.push(Action::Close);
        }
        ui.scope(|ui| {
            ui.set_max_width((ui.available_width() - 620.0).clamp(90.0, 420.0));
            ui.add(egui::Label::new(RichText::new(&review.source.file).font(theme::heading())).truncate());
        });
        if session.is_unsaved() {
            ui.label(RichText::new("not saved").font(theme::small()).color(theme::QUIET));
        }
        if let Some(results) = &review.results {
            let colour = match results.trust.verdict {
                Verdict::Adequate => theme::GOOD,
                Verdict::Limited => theme::WARN,
                Verdict::Unfit => theme::BAD,
            };
            ui.label(
                RichText::new(format!("acquisition {}", words::verdict(results.trust.verdict))).color(colour),
            );
        }
        if let Some(progress) = scene.progress {
            ui.add(
                egui::ProgressBar::new(progress.share)
                    .desired_width(150.0)
                    .text(RichText::new(&progress.stage).font(theme::small())),
            )
            .widget_info(|| egui::WidgetInfo::labeled(egui::Role::ProgressIndicator, true, &progress.stage));
            if ui.small_button("Stop").clicked() {
                out.push(Action::Cancel);
            }
        }
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            if named(ui, true, "Help", "Help", "Every key and gesture (F1)") {
                view.help = view.help.turned();
            }
            if named(ui, true, "Save", "Save the review", "Save the review (Ctrl S)") {
                out.push(Action::Save);
            }
            if named(ui, true, "Open …", "Open", "Open a volume or a review (Ctrl O)") {
                out.push(Action::AskOpen);
            }
            if named(ui, session.can_redo(), "Redo", "Redo", "Do it again (Ctrl Shift Z)") {
                out.push(Action::Do(Command::Redo));
            }
            if named(ui, session.can_undo(), "Undo", "Undo", "Take the last step back (Ctrl Z)") {
                out.push(Action::Do(Command::Undo));
            }
            let now = ui.input(|input| input.time);
            if let Some((text, until)) = &view.copied {
                if now < *until {
                    ui.label(
                        RichText::new(format!("copied “{text}”")).font(theme::small()).color(theme::GOOD),
                    );
                    ui.ctx().request_repaint_after_secs((*until - now) as f32);
                } else {
                    view.copied = None;
                }
            }
        });
    });
}

/// What goes on while there is no volume yet
pub(super) fn progress_ui(ui: &Ui, scene: &Scene<'_>, out: &mut Vec<Action>) {
    let Some(progress) = scene.progress else { return };
    egui::Area::new(egui::Id::unique("progress")).anchor(egui::Align2::CENTER_BOTTOM, [0.0, -24.0]).show(
        ui.ctx(),
        |ui| {
            egui::Frame::popup(ui.style()).show(ui, |ui| {
                ui.horizontal(|ui| {
                    ui.add(egui::ProgressBar::new(progress.share).desired_width(260.0).text(&progress.stage))
                        .widget_info(|| {
                            egui::WidgetInfo::labeled(egui::Role::ProgressIndicator, true, &progress.stage)
                        });
                    if ui.button("Stop").clicked() {
                        out.push(Action::Cancel);
                    }
                });
            });
        },
    );
}

/// What the reader should know or decide; the newest at the bottom, none of it modal
///
/// They lie over the panel at the right edge, which says again when they go, and never over a picture.
pub(super) fn notices_ui(ui: &Ui, scene: &Scene<'_>, width: f32, out: &mut Vec<Action>) {
    if scene.notices.is_empty() {
        return;
    }
    // Above the beat, below the number that matters.
    let above = if scene.session.is_some() { super::beat_strip::height(scene) } else { 0.0 };
    egui::Area::new(egui::Id::unique("notices"))
        .order(egui::Order::Foreground)
        .anchor(egui::Align2::RIGHT_BOTTOM, [-4.0, -4.0 - above])
        .show(ui.ctx(), |ui| {
            ui.set_max_width(width - 8.0);
            for (index, notice) in scene.notices.iter().enumerate() {
                let colour = match notice.weight {
                    Weight::Plain => theme::GOOD,
                    Weight::Trouble => theme::WARN,
                };
                egui::Frame::popup(ui.style()).stroke(egui::Stroke::new(1.0, colour)).show(ui, |ui| {
                    ui.set_width(width - 28.0);
                    ui.add(egui::Label::new(&notice.text).wrap());
                    if !notice.hint.is_empty() {
                        ui.label(RichText::new(&notice.hint).font(theme::small()).color(theme::QUIET));
                    }
                    ui.horizontal_wrapped(|ui| {
                        for (text, action) in &notice.choices {
                            if ui.button(text).clicked() {
                                out.push(action.clone());
                                out.push(Action::Dismiss(index));
                            }
                        }
                        let close = ui.button("Close");
                        let name = format!("Close: {}", notice.text);
                        close.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, &name));
                        if close.on_hover_text("Escape closes the newest").clicked() {
                            out.push(Action::Dismiss(index));
                        }
                    });
                });
            }
        });
}
