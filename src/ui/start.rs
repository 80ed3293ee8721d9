//! The start: sample volumes with a picture each, a path, a dialog, work left behind.

use std::path::PathBuf;

use egui::text::{LayoutJob, TextWrapping};
use egui::{Align2, Color32, Rect, RichText, Sense, Stroke, Ui, pos2, vec2};

use super::scene::{Action, Card, Scene};
use super::theme;
use super::view_state::{Opening, ViewState};

/// Width of a card, points
const CARD: f32 = 224.0;
/// Height of a card, points
const CARD_HEIGHT: f32 = 262.0;

/// The start screen
pub(super) fn start_ui(ui: &mut Ui, scene: &Scene<'_>, view: &mut ViewState, out: &mut Vec<Action>) {
    let room = ui.available_width();
    let columns =
        scene.cards.len().clamp(1, ((room - 80.0) / (CARD + 16.0)).floor().clamp(1.0, 5.0) as usize);
    let width = (columns as f32 * (CARD + 16.0) - 16.0).max(620.0).min(room - 40.0);
    egui::ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        ui.add_space(28.0);
        let left = ((room - width) / 2.0).max(20.0);
        let top = ui.cursor().top();
        let body = Rect::from_min_size(pos2(ui.max_rect().left() + left, top), vec2(width, 10.0));
        ui.scope_builder(egui::UiBuilder::new().max_rect(Rect::from_min_size(body.min, vec2(width, f32::INFINITY))), |ui| {
            ui.label(RichText::new("narrows").size(40.0));
            ui.label(
                RichText::new("The vena contracta of a regurgitant jet in a gated 3D colour Doppler volume: its area, how far to trust it, and through the beat.")
                    .color(theme::QUIET),
            );
            ui.add_space(16.0);
            leftovers(ui, scene, view, out);
            ui.horizontal(|ui| {
                if ui.button("Open …").on_hover_text("A volume or a .review.json (Ctrl O)").clicked() {
                    out.push(Action::AskOpen);
                }
                if ui.button("Folder …").on_hover_text("All volumes of a folder, by series").clicked() {
                    out.push(Action::AskFolder);
                }
                let field = ui.add(egui::TextEdit::singleline(&mut view.path).hint_text("or type a path, or drop files or a folder here").desired_width(360.0));
                field.widget_info(|| egui::WidgetInfo::labeled(egui::Role::TextInput, true, "Path of a volume or a review"));
                let entered = field.lost_focus() && ui.input(|input| input.key_pressed(egui::Key::Enter));
                let typed = !view.path.trim().is_empty();
                if (ui.add_enabled(typed, egui::Button::new("Go")).clicked() || entered) && typed {
                    out.push(Action::Open(PathBuf::from(view.path.trim())));
                }
            });
            let mut blind = view.opening == Opening::Blind;
            let tip = "Jets, outlines, numbers and tilt map of the program stay hidden until you have read. The review keeps it.";
            if ui.checkbox(&mut blind, "Read blind").on_hover_text(tip).changed() {
                view.opening = if blind { Opening::Blind } else { Opening::Open };
            }
            recent(ui, scene, out);
            ui.add_space(18.0);
            if scene.cards.is_empty() {
                ui.label(RichText::new("The sample volumes were not found beside the program.").color(theme::QUIET));
            } else {
                ui.label(RichText::new("Sample volumes").font(theme::heading()));
                ui.label(RichText::new("Simulated, with known truth. One click opens one.").font(theme::small()).color(theme::QUIET));
                ui.add_space(6.0);
                for row in scene.cards.chunks(columns) {
                    ui.horizontal(|ui| {
                        ui.spacing_mut().item_spacing.x = 16.0;
                        for card in row {
                            card_ui(ui, card, out);
                        }
                    });
                    ui.add_space(10.0);
                }
            }
            ui.add_space(12.0);
            ui.label(RichText::new("Not a medical device. It defers to local protocols and to the licensed reader.").font(theme::small()).color(theme::QUIET));
        });
    });
}

/// The volumes opened last
fn recent(ui: &mut Ui, scene: &Scene<'_>, out: &mut Vec<Action>) {
    if scene.recent.is_empty() {
        return;
    }
    ui.add_space(8.0);
    ui.label(RichText::new("Opened last").font(theme::small()).color(theme::QUIET));
    for path in scene.recent {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let folder = path.parent().map(|folder| folder.display().to_string()).unwrap_or_default();
        ui.horizontal(|ui| {
            let button = ui.button(name.as_ref());
            let label = format!("Open again: {name}");
            button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, &label));
            if button.on_hover_text(path.display().to_string()).clicked() {
                out.push(Action::Open(path.clone()));
            }
            ui.add(
                egui::Label::new(RichText::new(folder).font(theme::small()).color(theme::QUIET)).truncate(),
            );
        });
    }
}

/// So many cards of work left behind are shown
const LEFTOVERS: usize = 3;

fn leftovers(ui: &mut Ui, scene: &Scene<'_>, view: &mut ViewState, out: &mut Vec<Action>) {
    if view.later {
        return;
    }
    for (index, left) in scene.leftovers.iter().take(LEFTOVERS).enumerate() {
        egui::Frame::new()
            .fill(Color32::from_rgb(0x2B, 0x26, 0x17))
            .corner_radius(4.0)
            .inner_margin(12.0)
            .show(ui, |ui| {
                ui.label(RichText::new(&left.head).strong());
                ui.add(
                    egui::Label::new(RichText::new(&left.place).font(theme::small()).color(theme::QUIET))
                        .truncate(),
                );
                ui.label(RichText::new(&left.text).font(theme::small()).color(theme::QUIET));
                ui.horizontal(|ui| {
                    if ui.button("Take it up again").clicked() {
                        out.push(Action::Recover(index));
                    }
                    // Asked twice: it cannot be had back.
                    if view.discard == Some(index) {
                        if ui.button("Throw it away for good").clicked() {
                            view.discard = None;
                            out.push(Action::Discard(index));
                        }
                    } else if ui.button("Throw it away").clicked() {
                        view.discard = Some(index);
                    }
                });
            });
        ui.add_space(8.0);
    }
    if scene.leftovers.is_empty() {
        return;
    }
    ui.horizontal(|ui| {
        let more = scene.leftovers.len().saturating_sub(LEFTOVERS);
        if more > 0 {
            let text = format!("and {more} older; each comes up when one above is settled");
            ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
        }
        let tip = "Nothing is thrown away: it is offered again at the next start.";
        view.later = ui.button("Not now").on_hover_text(tip).clicked();
    });
    ui.add_space(8.0);
}

fn card_ui(ui: &mut Ui, card: &Card, out: &mut Vec<Action>) {
    let (rect, response) = ui.allocate_exact_size(vec2(CARD, CARD_HEIGHT), Sense::click());
    response.widget_info(|| {
        egui::WidgetInfo::labeled(egui::Role::Button, true, format!("Open sample: {}", card.title))
    });
    let painter = ui.painter();
    painter.rect_filled(rect, 5.0, theme::RAISED);
    let picture = Rect::from_min_size(rect.min, vec2(rect.width(), 170.0));
    if let Some(id) = card.picture {
        let whole = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
        painter.image(id, picture, whole, Color32::WHITE);
    } else {
        painter.rect_filled(picture, 5.0, theme::GROUND);
        painter.text(picture.center(), Align2::CENTER_CENTER, "…", theme::heading(), theme::QUIET);
    }
    let stroke = if response.hovered() || response.has_focus() {
        Stroke::new(1.5, theme::EN_FACE)
    } else {
        Stroke::new(1.0, theme::LINE)
    };
    painter.rect_stroke(rect, 5.0, stroke, egui::StrokeKind::Inside);
    let mut title = LayoutJob::simple_singleline(card.title.clone(), theme::heading(), theme::TEXT);
    title.wrap = TextWrapping::truncate_at_width(rect.width() - 24.0);
    let title = painter.layout_job(title);
    painter.galley(picture.left_bottom() + vec2(12.0, 10.0), title, theme::TEXT);
    let galley = painter.layout(card.text.clone(), theme::small(), theme::QUIET, rect.width() - 24.0);
    painter.with_clip_rect(rect).galley(picture.left_bottom() + vec2(12.0, 34.0), galley, theme::QUIET);
    if response.clicked() {
        out.push(Action::Open(card.path.clone()));
    }
}
