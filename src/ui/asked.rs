//! A path typed where the system shows no file dialog.

use egui::{Key, TextEdit, Ui, Window};

use super::scene::Action;
use super::view_state::{PathPurpose, ViewState};

/// The field, while a path is asked for
pub(super) fn asked_ui(ui: &Ui, view: &mut ViewState, out: &mut Vec<Action>) {
    let Some((purpose, mut path)) = view.asked.take() else { return };
    let (title, button) = match purpose {
        PathPurpose::Open => ("Open a volume, a folder or a review", "Open"),
        PathPurpose::Save => ("Save the review as", "Save"),
        PathPurpose::Other => ("The other volume", "Take it"),
    };
    let (mut open, mut done) = (true, false);
    Window::new(title)
        .open(&mut open)
        .collapsible(false)
        .resizable(false)
        .anchor(egui::Align2::CENTER_CENTER, [0.0, 0.0])
        .show(ui.ctx(), |ui| {
            ui.label("This system shows no file dialog: type the path.");
            let field = ui.add(TextEdit::singleline(&mut path).desired_width(460.0));
            field.widget_info(|| egui::WidgetInfo::labeled(egui::Role::TextInput, true, "Path"));
            // Before the field takes the focus again, which would hide that it was left.
            let entered = field.lost_focus() && ui.input(|input| input.key_pressed(Key::Enter));
            if ui.memory(|memory| memory.focused().is_none()) {
                field.request_focus();
            }
            let typed = !path.trim().is_empty();
            done = typed && (ui.add_enabled(typed, egui::Button::new(button)).clicked() || entered);
        });
    if ui.input(|input| input.key_pressed(Key::Escape)) {
        open = false;
    }
    if done {
        let path = path.trim();
        match purpose {
            PathPurpose::Open => out.push(Action::Open(path.into())),
            PathPurpose::Save => out.push(Action::SaveAs(path.into())),
            PathPurpose::Other => path.clone_into(&mut view.other),
        }
    } else if open {
        view.asked = Some((purpose, path));
    }
}
