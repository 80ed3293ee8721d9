//! A page laid over the screen: an answer, a table, pictures, and what can be done with it.
//!
//! Comparisons and sweeps come from the core as figures and rows; the page only shows them.

use egui::{Grid, RichText, ScrollArea, Ui, Window, vec2};

use super::scene::{Action, Page, Scene};
use super::theme;

/// Space between two pictures, and that kept for the scroll bar, points
const GAP: f32 = 10.0;
const BAR: f32 = 24.0;

/// Width of a page in a window so wide, points
fn page_width(window: f32) -> f32 {
    (window - 80.0).min(1180.0)
}

/// Width of a picture where so many stand beside each other in a window so wide, points
pub fn picture_width(window: f32, beside: usize) -> f32 {
    let count = beside.max(1) as f32;
    ((page_width(window) - BAR - GAP * (count - 1.0)) / count).max(80.0).floor()
}

/// The page, where one is open
pub(super) fn page_ui(ui: &Ui, scene: &Scene<'_>, out: &mut Vec<Action>) {
    let Some(page) = scene.page else { return };
    let room = ui.ctx().content_rect();
    let size = vec2(page_width(room.width()), room.height() - 100.0);
    let mut open = true;
    Window::new(&page.title)
        .id(egui::Id::unique("page"))
        .open(&mut open)
        .collapsible(false)
        .resizable(false)
        .anchor(egui::Align2::CENTER_CENTER, [0.0, 0.0])
        .fixed_size(size)
        .show(ui.ctx(), |ui| {
            ScrollArea::vertical().max_height(size.y).auto_shrink([false, false]).show(ui, |ui| {
                body(ui, page, room.width(), out);
            });
        });
    if !open {
        out.push(Action::ClosePage);
    }
}

fn body(ui: &mut Ui, page: &Page, window: f32, out: &mut Vec<Action>) {
    if !page.headline.is_empty() {
        ui.label(RichText::new(&page.headline).font(theme::big()).color(theme::EN_FACE));
    }
    if !page.sentence.is_empty() {
        ui.label(RichText::new(&page.sentence).color(theme::TEXT));
    }
    for caution in &page.cautions {
        ui.label(RichText::new(caution).color(theme::WARN));
    }
    ui.add_space(6.0);
    ui.horizontal_wrapped(|ui| {
        for (text, action) in &page.choices {
            if ui.button(text).clicked() {
                out.push(action.clone());
            }
        }
    });
    ui.add_space(6.0);
    let columns = page.beside.max(1);
    let wide = picture_width(window, columns);
    let free = !page.pictures.len().is_multiple_of(columns);
    let rows = page.pictures.chunks(columns).enumerate();
    let last = page.pictures.len().div_ceil(columns);
    for (index, row) in rows {
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = GAP;
            for (name, texture, size) in row {
                let size = *size * (wide / size.x).min(1.0);
                let image = egui::Image::new((*texture, size)).fit_to_exact_size(size).alt_text(name);
                ui.add(image).widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, name));
            }
            if free && index + 1 == last {
                ui.vertical(|ui| table(ui, page));
            }
        });
        ui.add_space(GAP);
    }
    if !free {
        table(ui, page);
    }
    ui.add_space(6.0);
    for note in &page.notes {
        ui.label(RichText::new(note).font(theme::small()).color(theme::QUIET));
    }
    let text = "Not a medical device. The result defers to local protocols and to the licensed reader.";
    ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
}

fn table(ui: &mut Ui, page: &Page) {
    Grid::new("page table").striped(true).spacing([18.0, 4.0]).show(ui, |ui| {
        for (index, row) in page.table.iter().enumerate() {
            for (column, cell) in row.iter().enumerate() {
                let text = RichText::new(cell).font(theme::small());
                let head = index == 0 || column == 0;
                ui.label(text.color(if head { theme::QUIET } else { theme::TEXT }));
            }
            ui.end_row();
        }
    });
}
