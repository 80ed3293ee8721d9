//! The help sheet: every key and every gesture.

use egui::{RichText, Ui};

use super::keys::{TABLE, spoken};
use super::theme;
use super::view_state::{Sheet, ViewState};

/// What the hand does, for those who would rather not use keys
const GESTURES: [(&str, &str); 9] = [
    ("drag in the en-face cut", "turn the cut"),
    ("Shift drag", "move the cut across the jet"),
    ("right drag", "roll the cut"),
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
        .max_height(room.height() - 90.0)
        .show(ui.ctx(), |ui| {
            egui::ScrollArea::vertical().max_height(room.height() - 150.0).show(ui, |ui| {
                ui.columns(2, |columns| {
                    groups(&mut columns[0], &["Cut", "Beat", "Jet"]);
                    groups(&mut columns[1], &["Tracing", "Picture", "File"]);
                    columns[0].add_space(6.0);
                    columns[0].label(RichText::new("By hand").font(theme::heading()));
                    egui::Grid::new("gestures").num_columns(2).spacing([16.0, 4.0]).show(
                        &mut columns[0],
                        |ui| {
                            for (hand, deed) in GESTURES {
                                ui.label(RichText::new(hand).color(theme::EN_FACE));
                                ui.label(deed);
                                ui.end_row();
                            }
                        },
                    );
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
        egui::Grid::new(*group).num_columns(2).spacing([16.0, 4.0]).show(ui, |ui| {
            let mut rows: Vec<(String, &str)> = Vec::new();
            for binding in TABLE.iter().filter(|binding| binding.group == *group) {
                match rows.last_mut() {
                    Some(row) if binding.text.is_empty() => {
                        row.0.push_str("  ");
                        row.0.push_str(&spoken(binding));
                    }
                    _ => rows.push((spoken(binding), binding.text)),
                }
            }
            for (keys, text) in rows {
                ui.label(RichText::new(keys).color(theme::EN_FACE));
                ui.label(text);
                ui.end_row();
            }
        });
        ui.add_space(6.0);
    }
}
