//! The help sheet: every key and every gesture.

use egui::{RichText, Ui};

use super::keys::{TABLE, spoken};
use super::theme;
use super::view_state::{Sheet, ViewState};

/// What the hand does, for those who would rather not use keys
const GESTURES: [(&str, &str); 9] = [
    ("drag in the en-face plane", "turn the plane"),
    ("Shift drag", "move the plane across the jet"),
    ("right drag", "roll the plane"),
    ("wheel", "move along the jet"),
    ("Ctrl wheel", "nearer or farther"),
    ("drag a vertex", "move it; the proposal becomes yours"),
    ("click an edge", "add a vertex"),
    ("right-click a vertex", "remove it"),
    ("drag the orange line", "its middle: level; elsewhere: turn"),
];

/// The sheet, when it is open
pub(super) fn help_ui(ui: &Ui, view: &mut ViewState) {
    if !view.help.is_open() {
        return;
    }
    let mut open = true;
    let room = ui.ctx().content_rect();
    egui::Window::new("Keys and gestures")
        .open(&mut open)
        .collapsible(false)
        .resizable(false)
        .anchor(egui::Align2::CENTER_CENTER, [0.0, 0.0])
        .min_width(820.0)
        .max_height(room.height() - 90.0)
        .show(ui.ctx(), |ui| {
            let most = room.height() - 150.0;
            egui::ScrollArea::vertical().max_height(most).min_scrolled_height(most).show(ui, |ui| {
                ui.spacing_mut().interact_size.y = 18.0;
                ui.set_min_width(800.0);
                ui.horizontal_top(|ui| {
                    ui.vertical(|ui| {
                        groups(ui, &["Plane", "Beat", "Jet", "Steps"]);
                        ui.label(RichText::new("By hand").font(theme::heading()));
                        rows(ui, "gestures", GESTURES.map(|(hand, deed)| (hand.to_owned(), deed)).to_vec());
                    });
                    ui.add_space(28.0);
                    ui.vertical(|ui| groups(ui, &["Tracing", "Landmarks", "Picture", "File"]));
                });
            });
        });
    if !open {
        view.help = Sheet::Closed;
    }
}

fn groups(ui: &mut Ui, names: &[&str]) {
    for group in names {
        ui.label(RichText::new(*group).font(theme::heading()));
        let mut lines: Vec<(String, &str)> = Vec::new();
        for binding in TABLE.iter().filter(|binding| binding.group == *group) {
            match lines.last_mut() {
                // What is held down is said once a line.
                Some(line) if binding.text.is_empty() => {
                    let spoken = spoken(binding);
                    line.0.push(' ');
                    line.0.push_str(spoken.rsplit(' ').next().unwrap_or(&spoken));
                }
                _ => lines.push((spoken(binding), binding.text)),
            }
        }
        for line in &mut lines {
            line.0 = line.0.replace("Right Left Up Down", "arrows");
        }
        rows(ui, group, lines);
        ui.add_space(6.0);
    }
}

fn rows(ui: &mut Ui, name: &str, lines: Vec<(String, &str)>) {
    egui::Grid::new(name).num_columns(2).spacing([16.0, 3.0]).show(ui, |ui| {
        for (keys, text) in lines {
            ui.label(RichText::new(keys).color(theme::EN_FACE));
            ui.label(text);
            ui.end_row();
        }
    });
}
