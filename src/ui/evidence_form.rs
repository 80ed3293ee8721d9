//! The form of the grading: what else is known of the regurgitation, item by item under its heading.
//!
//! Numbers are typed and taken when the field is left or Enter is pressed; `6.5 ± 0.5` gives the
//! error at 95 % with it. A number without a unit is taken in the unit beside the field (areas in that of the
//! report); with its unit (`35 mm2`) it is taken as it stands. A field that is emptied takes its value back.
//! What cannot be meant, or is ten or a hundred times off, stays in its field, with the question below it.

use std::sync::LazyLock;

use egui::{ComboBox, Key, RichText, TextEdit, Ui};

use crate::numeric::Interval;
use crate::report::AreaUnit;
use crate::review::{Command, Session};
use crate::severity::{Criteria, Entry, Evidence, Field, Given, Group, Item, Kind};

use super::scene::Action;
use super::theme;
use super::view_state::ViewState;

/// Headings in the order of the items
const GROUPS: [Group; 7] = [
    Group::Setting,
    Group::Colour,
    Group::Convergence,
    Group::Volumes,
    Group::ContinuousWave,
    Group::Inflow,
    Group::Chambers,
];

/// Width of the control right of an item's name
const CONTROL: f32 = 124.0;

/// The form
pub(super) fn form(ui: &mut Ui, session: &Session, view: &mut ViewState, out: &mut Vec<Action>) {
    let evidence = &session.review().work.evidence;
    ui.label(RichText::new("What else is known").font(theme::heading()));
    for group in GROUPS {
        let fields: Vec<Field> = Item::ALL
            .into_iter()
            .filter(|item| item.is_entered())
            .map(Item::field)
            .filter(|field| field.group == group)
            .collect();
        let known = fields.iter().filter(|field| evidence.get(field.item).is_some()).count();
        let title =
            if known == 0 { group.label().to_owned() } else { format!("{} ({known})", group.label()) };
        // The heading changes with the count; its place on the screen does not.
        egui::CollapsingHeader::new(title).id_salt(group.label()).show(ui, |ui| {
            for field in &fields {
                line(ui, field, evidence, view, out);
            }
        });
    }
}

/// Names and titles of the tables, read once
static TABLES: LazyLock<Vec<(&str, String)>> = LazyLock::new(|| {
    let title = |name: &str| Criteria::built_in(name).map_or_else(|_| name.to_owned(), |table| table.title);
    Criteria::BUILT_IN.iter().map(|(name, _)| (*name, title(name))).collect()
});

/// Which table it is graded by
pub(super) fn table(ui: &mut Ui, session: &Session, out: &mut Vec<Action>) {
    let chosen = session.review().work.criteria.as_str();
    let chosen = if chosen.is_empty() { TABLES[0].0 } else { chosen };
    let title = TABLES.iter().find(|(name, _)| *name == chosen).map_or(chosen, |(_, title)| title);
    ui.label(RichText::new("Graded by").font(theme::small()).color(theme::QUIET));
    let choice = ComboBox::from_id_salt("criteria").width(ui.available_width() - 10.0).truncate();
    let shown = choice.selected_text(title).show_ui(ui, |ui| {
        for (name, title) in TABLES.iter() {
            if ui.selectable_label(chosen == *name, title).clicked() {
                out.push(Action::Do(Command::Criteria((*name).to_owned())));
            }
        }
    });
    let name = format!("Graded by: {title}");
    shown.response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::ComboBox, true, &name));
    shown.response.on_hover_text("The guideline's table whose cut points and criteria are used.");
}

/// One item: its name, and its number or choice
fn line(ui: &mut Ui, field: &Field, evidence: &Evidence, view: &mut ViewState, out: &mut Vec<Action>) {
    ui.horizontal(|ui| {
        let wide = ui.available_width();
        let name = RichText::new(field.label).font(theme::small()).color(theme::QUIET);
        ui.allocate_ui_with_layout(
            egui::vec2((wide - CONTROL - 8.0).max(40.0), 22.0),
            egui::Layout::left_to_right(egui::Align::Center),
            |ui| {
                ui.set_width((wide - CONTROL - 8.0).max(40.0));
                ui.add(egui::Label::new(name).wrap());
            },
        );
        match field.kind {
            Kind::Number { usual, .. } => number(ui, field, usual, evidence, view, out),
            Kind::Choice(choices) => {
                let chosen = evidence.choice(field.item);
                let label =
                    chosen.and_then(|key| field.item.choice(key)).map_or("–", |choice| choice.label);
                let shown = ComboBox::from_id_salt(field.key)
                    .width(CONTROL)
                    .truncate()
                    .selected_text(RichText::new(label).font(theme::small()))
                    .show_ui(ui, |ui| {
                        if ui.selectable_label(chosen.is_none(), "not known").clicked() {
                            out.push(Action::Do(Command::RemoveEntry(field.item)));
                        }
                        for choice in choices {
                            if ui.selectable_label(chosen == Some(choice.key), choice.label).clicked() {
                                enter(field.item, Given::Choice(choice.key.to_owned()), out);
                            }
                        }
                    });
                let told = format!("{}: {}", field.label, if chosen.is_some() { label } else { "not known" });
                shown.response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::ComboBox, true, &told));
                shown.response.on_hover_text(told);
            }
        }
    });
    if let Some(Err(why)) = view.typing.get(&field.item).map(|text| typed(field.item, text)) {
        ui.label(RichText::new(why).font(theme::small()).color(theme::BAD));
    }
}

/// The unit of a field, and how many of the item's own unit one of it is
fn unit_of(item: Item) -> (&'static str, f64) {
    let unit = AreaUnit::default();
    if item.is_area() { (unit.sign(), 1.0 / unit.per_mm2()) } else { (item.unit(), 1.0) }
}

/// The field of a number with its unit
fn number(
    ui: &mut Ui,
    field: &Field,
    usual: [f64; 2],
    evidence: &Evidence,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let item = field.item;
    let (unit, factor) = unit_of(item);
    let mut text = view.typing.get(&item).cloned().unwrap_or_else(|| written(evidence.number(item), factor));
    let room = if unit.is_empty() { 0.0 } else { 36.0 };
    let edit = ui.add(TextEdit::singleline(&mut text).desired_width(CONTROL - room - 8.0).hint_text("–"));
    let named = if unit.is_empty() { field.label.to_owned() } else { format!("{} in {unit}", field.label) };
    edit.widget_info(|| egui::WidgetInfo::labeled(egui::Role::TextInput, true, &named));
    ui.label(RichText::new(unit).font(theme::small()).color(theme::QUIET));
    if edit.changed() {
        view.typing.insert(item, text);
    }
    let entered = edit.has_focus() && ui.input(|input| input.key_pressed(Key::Enter));
    if edit.lost_focus() || entered {
        match view.typing.get(&item).map(|text| typed(item, text)) {
            Some(Ok(None)) => {
                view.typing.remove(&item);
                if evidence.get(item).is_some() {
                    out.push(Action::Do(Command::RemoveEntry(item)));
                }
            }
            Some(Ok(Some(ends))) => {
                view.typing.remove(&item);
                if evidence.number(item) != Some(ends) {
                    enter(item, Given::Number(ends), out);
                }
            }
            Some(Err(_)) | None => {}
        }
    }
    let [low, high] = usual.map(|value| rounded(value / factor));
    edit.on_hover_text(format!("Usually {low} to {high} {unit}; with its error at 95 % as 6.5 ± 0.5."));
}

fn enter(item: Item, given: Given, out: &mut Vec<Action>) {
    out.push(Action::Do(Command::Enter(item, Entry { given, note: String::new() })));
}

/// A number as it would be typed into a field of which one unit is `factor` of the item's
fn written(number: Option<Interval>, factor: f64) -> String {
    let Some(Interval { value, low, high }) = number else { return String::new() };
    let error = rounded((high - value).max(value - low) / factor);
    let value = rounded(value / factor);
    if error > 0.0 { format!("{value} ± {error}") } else { value.to_string() }
}

/// Without the last digits of a difference or a quotient
fn rounded(number: f64) -> f64 {
    (number * 1e6).round() / 1e6
}

/// What was typed, in the item's own unit; nothing from nothing, or the question to ask
fn typed(item: Item, text: &str) -> Result<Option<Interval>, String> {
    if text.trim().is_empty() {
        return Ok(None);
    }
    item.read(text, unit_of(item).0).map(Some).map_err(|error| {
        let said = error.to_string();
        let said = said
            .strip_prefix("reading the evidence: ")
            .unwrap_or(&said)
            .replace(&format!("`{}`", item.key()), "This");
        format!("{said}; {}.", error.hint())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_typed_is_taken_in_the_unit_of_the_field() {
        let eroa =
            |text: &str| typed(Item::PisaEroaMm2, text).map(|read| read.map(|value| rounded(value.value)));
        assert_eq!(eroa(" "), Ok(None));
        assert_eq!(
            (eroa("0,44"), eroa("0.44 ± 0.06"), eroa("44 mm2")),
            (Ok(Some(44.0)), Ok(Some(44.0)), Ok(Some(44.0)))
        );
        // Mm2 typed into a field of cm2 is queried, not graded.
        assert!(eroa("35").unwrap_err().contains("\"35 mm2\""));
        assert!(typed(Item::VcWidthMm, "0.7").unwrap_err().contains("\"0.7 cm\""));
        assert!(typed(Item::VcWidthMm, "six").is_err());
    }

    #[test]
    fn what_is_written_reads_back() {
        for (item, text) in
            [(Item::VcWidthMm, "6.5 ± 0.5"), (Item::PisaEroaMm2, "0.44 ± 0.06"), (Item::EWaveMS, "1.2")]
        {
            let number = typed(item, text).unwrap();
            assert_eq!(written(number, unit_of(item).1), text);
        }
        assert_eq!(written(None, 1.0), "");
    }

    #[test]
    fn every_item_that_can_be_entered_stands_under_a_heading() {
        let shown = Item::ALL.into_iter().filter(|item| GROUPS.contains(&item.field().group));
        assert_eq!(shown.count(), Item::ALL.len());
    }
}
