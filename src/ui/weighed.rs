//! The integrated grading in the ledger: the conclusion, each measurement on one scale, what is missing, why.

use egui::{Align2, Rect, RichText, Sense, Stroke, Ui, pos2, vec2};

use crate::report::{AreaUnit, words};
use crate::severity::{Agreement, Class, Grading, Placement};

use super::theme;

/// The conclusion, and each measurement on the scale
pub(super) fn graded(ui: &mut Ui, grading: &Grading) {
    ui.label(RichText::new(&grading.conclusion.sentence).color(theme::TEXT));
    ui.label(RichText::new(&grading.guideline.sentence).font(theme::small()).color(theme::QUIET));
    ui.add_space(4.0);
    head(ui, grading);
    for placement in &grading.placements {
        row(ui, placement);
    }
    ui.add_space(6.0);
}

/// What to do next, what is missing, and why
pub(super) fn reasoning(ui: &mut Ui, grading: &Grading) {
    let conclusion = &grading.conclusion;
    ui.add_space(6.0);
    for next in &conclusion.next {
        ui.label(RichText::new(format!("· {next}")).font(theme::small()).color(theme::QUIET));
    }
    if !conclusion.missing.is_empty() {
        let text = format!("Would count, and is not known: {}.", conclusion.missing.join(", "));
        ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    }
    egui::CollapsingHeader::new("The guideline's steps").id_salt("reasoning").show(ui, |ui| {
        for (index, step) in grading.steps.iter().enumerate() {
            ui.label(RichText::new(format!("{}. {}", index + 1, step.asked)).strong());
            ui.label(RichText::new(&step.found).font(theme::small()));
            for said in [&step.follows, &step.contest].into_iter().filter(|said| !said.is_empty()) {
                ui.label(RichText::new(said).font(theme::small()).color(theme::QUIET));
            }
        }
        let source = format!("Graded by {}.", grading.criteria.title);
        ui.label(RichText::new(source).font(theme::small()).color(theme::QUIET));
    });
    for caution in &grading.cautions {
        ui.label(RichText::new(format!("· {caution}")).font(theme::small()).color(theme::WARN));
    }
}

/// Names of the three stretches of the scale
fn head(ui: &mut Ui, grading: &Grading) {
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), 16.0), Sense::hover());
    let classes = [Class::Mild, Class::Moderate, Class::Severe];
    for (index, class) in classes.into_iter().enumerate() {
        let name = grading.class_words(class);
        let at = pos2(rect.left() + rect.width() * (index as f32 + 0.5) / 3.0, rect.center().y);
        ui.painter().text(at, Align2::CENTER_CENTER, name, theme::small(), theme::QUIET);
    }
}

/// One measurement: its name and value, its place with its interval below
fn row(ui: &mut Ui, placement: &Placement) {
    let stands =
        Some(placement.agreement).filter(|a| *a != Agreement::NotJudged).map_or("", Agreement::words);
    let words = words::placed(placement, AreaUnit::default());
    let value = [words.as_str(), placement.reach.words(), stands];
    let value: Vec<&str> = value.into_iter().filter(|word| !word.is_empty()).collect();
    let value = value.join(", ");
    let name = format!("{}: {value}", placement.label);
    let colour = if placement.agreement == Agreement::Differs { theme::WARN } else { theme::TEXT };
    let wide = ui.available_width();
    let value = ui.painter().layout(value, theme::small(), colour, wide);
    let (rect, response) = ui.allocate_exact_size(vec2(wide, 45.0 + value.size().y), Sense::hover());
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Label, true, &name));
    let painter = ui.painter();
    painter.text(rect.left_top(), Align2::LEFT_TOP, &placement.label, theme::small(), theme::QUIET);
    let below = pos2(rect.left(), rect.top() + 15.0);
    painter.galley(below, value, colour);
    let y = rect.bottom() - 20.0;
    let at = |place: f64| rect.left() + rect.width() * (place.clamp(0.0, 3.0) / 3.0) as f32;
    painter.line_segment(
        [pos2(rect.left(), y), pos2(rect.right(), y)],
        Stroke::new(1.0, theme::QUIET.gamma_multiply(0.5)),
    );
    for (cut, text) in [1.0, 2.0].into_iter().zip(words::cut_ends(placement, AreaUnit::default())) {
        painter
            .line_segment([pos2(at(cut), y - 4.0), pos2(at(cut), y + 4.0)], Stroke::new(1.0, theme::QUIET));
        let below = pos2(at(cut), y + 5.0);
        painter.text(below, Align2::CENTER_TOP, text.unwrap_or_default(), theme::tiny(), theme::QUIET);
    }
    let span = Rect::from_min_max(
        pos2(at(placement.low), y - 2.0),
        pos2(at(placement.high).max(at(placement.low) + 1.0), y + 2.0),
    );
    painter.rect_filled(span, 2.0, colour.gamma_multiply(0.55));
    if let Some(place) = placement.position {
        painter.circle_filled(pos2(at(place), y), 4.0, colour);
    }
    let tip = format!(
        "{}\n{} ({})",
        words::cuts(placement, AreaUnit::default()),
        placement.source,
        placement.known.words()
    );
    response.on_hover_text(tip);
}
