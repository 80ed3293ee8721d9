//! Which of the volumes that a folder or several files hold is to be opened, by series.

use egui::{RichText, ScrollArea, Ui, Window};

use super::scene::{Action, Scene};
use super::theme;

/// The list, while there is something to choose
pub(super) fn chooser_ui(ui: &Ui, scene: &Scene<'_>, out: &mut Vec<Action>) {
    if scene.found.is_empty() {
        return;
    }
    let mut open = true;
    let room = ui.ctx().content_rect();
    Window::new(format!("{} volumes: which one?", scene.found.len()))
        .id(egui::Id::unique("chooser"))
        .open(&mut open)
        .collapsible(false)
        .resizable(false)
        .anchor(egui::Align2::CENTER_CENTER, [0.0, 0.0])
        .show(ui.ctx(), |ui| {
            ui.set_width((room.width() - 120.0).min(620.0));
            ScrollArea::vertical().max_height(room.height() - 160.0).show(ui, |ui| {
                for volumes in scene.found.chunk_by(|one, other| one.uid == other.uid) {
                    let heading = RichText::new(&volumes[0].series).font(theme::heading());
                    ui.add(egui::Label::new(heading).truncate());
                    for volume in volumes {
                        let button = ui.add(egui::Button::new(&volume.text).truncate());
                        if button.on_hover_text(volume.path.display().to_string()).clicked() {
                            out.push(Action::Open(volume.path.clone()));
                        }
                    }
                    ui.add_space(6.0);
                }
            });
        });
    if !open {
        out.push(Action::CloseFound);
    }
}
