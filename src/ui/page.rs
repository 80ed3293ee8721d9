//! A page laid over the screen: an answer, a table, pictures, and what can be done with it.
//!
//! Comparisons and sweeps come from the core as figures and rows; the page only shows them.

use egui::{Grid, RichText, ScrollArea, TextureId, Ui, Vec2, Window, vec2};

use super::scene::{Action, Scene};
use super::theme;

/// What a page shows
#[derive(Clone, Debug, Default)]
pub struct Page {
    /// Its title
    pub title: String,
    /// The number the eye goes to; may be empty
    pub headline: String,
    /// What it means
    pub sentence: String,
    /// What stands against it, a sentence each
    pub cautions: Vec<String>,
    /// What it rests on, a sentence each
    pub notes: Vec<String>,
    /// Rows of a table, the first its heads
    pub table: Vec<Vec<String>>,
    /// Pictures with a name each, side by side where there is room: texture and size in points
    pub pictures: Vec<(String, TextureId, Vec2)>,
    /// What can be done with it
    pub choices: Vec<(String, Action)>,
}

/// The page, where one is open
pub(super) fn page_ui(ui: &Ui, scene: &Scene<'_>, out: &mut Vec<Action>) {
    let Some(page) = scene.page else { return };
    let room = ui.ctx().content_rect();
    let size = vec2((room.width() - 80.0).min(1180.0), room.height() - 100.0);
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
                body(ui, page, size.x, out);
            });
        });
    if !open {
        out.push(Action::ClosePage);
    }
}

fn body(ui: &mut Ui, page: &Page, width: f32, out: &mut Vec<Action>) {
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
    pictures(ui, page, width);
    if !page.table.is_empty() {
        ui.add_space(8.0);
        Grid::new("page table").striped(true).spacing([24.0, 4.0]).show(ui, |ui| {
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
    ui.add_space(6.0);
    for note in &page.notes {
        ui.label(RichText::new(note).font(theme::small()).color(theme::QUIET));
    }
    let text = "Not a medical device. The result defers to local protocols and to the licensed reader.";
    ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
}

/// Two beside each other where both are narrow enough, each no wider than its half
fn pictures(ui: &mut Ui, page: &Page, width: f32) {
    let columns = if page.pictures.len() > 1 { 2 } else { 1 };
    let wide = (width - 30.0) / columns as f32 - 8.0;
    for row in page.pictures.chunks(columns) {
        ui.horizontal_top(|ui| {
            for (name, texture, size) in row {
                let scale = (wide / size.x).min(1.0);
                let image = egui::Image::new((*texture, *size * scale));
                let shown = ui.add(image.fit_to_exact_size(*size * scale).alt_text(name));
                shown.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, name));
            }
        });
        ui.add_space(6.0);
    }
}
