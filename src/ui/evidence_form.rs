//! The form of the weighing: what else is known of the regurgitation, item by item under its heading.
//!
//! Numbers are typed and taken when the field is left or Enter is pressed; `6.5 ± 0.5` gives the
//! error at 95 % with it. A field that is emptied takes its value back. What cannot be meant stays in
//! its field, with the reason below it, until it is mended.

use std::sync::LazyLock;

use egui::{ComboBox, Key, RichText, TextEdit, Ui};

use crate::numeric::Interval;
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
const CONTROL: f32 = 104.0;

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

/// Which table it is weighed against
pub(super) fn table(ui: &mut Ui, session: &Session, out: &mut Vec<Action>) {
    let chosen = session.review().work.criteria.as_str();
    let chosen = if chosen.is_empty() { TABLES[0].0 } else { chosen };
    let title = TABLES.iter().find(|(name, _)| *name == chosen).map_or(chosen, |(_, title)| title);
    ui.label(RichText::new("Weighed against").font(theme::small()).color(theme::QUIET));
    let choice = ComboBox::from_id_salt("criteria").width(ui.available_width() - 10.0).truncate();
    let shown = choice.selected_text(title).show_ui(ui, |ui| {
        for (name, title) in TABLES.iter() {
            if ui.selectable_label(chosen == *name, title).clicked() {
                out.push(Action::Do(Command::Criteria((*name).to_owned())));
            }
        }
    });
    let name = format!("Weighed against: {title}");
    shown.response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::ComboBox, true, &name));
    shown.response.on_hover_text("The guideline's table whose cuts and criteria are used.");
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
            Kind::Number { unit, low, high } => {
                number(ui, field, [low, high], unit, evidence, view, out);
            }
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
    if let Some(text) = view.typing.get(&field.item).filter(|text| parsed(text).is_err()) {
        let text = format!("“{}” is not a number; 6.5 or 6.5 ± 0.5 would be.", text.trim());
        ui.label(RichText::new(text).font(theme::small()).color(theme::BAD));
    }
}

/// The field of a number with its unit
fn number(
    ui: &mut Ui,
    field: &Field,
    [low, high]: [f64; 2],
    unit: &str,
    evidence: &Evidence,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let item = field.item;
    let mut text = view.typing.get(&item).cloned().unwrap_or_else(|| written(evidence.number(item)));
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
        match view.typing.get(&item).map(|text| parsed(text)) {
            Some(Ok(None)) => {
                view.typing.remove(&item);
                if evidence.get(item).is_some() {
                    out.push(Action::Do(Command::RemoveEntry(item)));
                }
            }
            Some(Ok(Some([value, error]))) => {
                view.typing.remove(&item);
                let ends = Interval { value, low: (value - error).max(low), high: (value + error).min(high) };
                let ends = Interval { low: ends.low.min(value), high: ends.high.max(value), ..ends };
                if evidence.number(item) != Some(ends) {
                    enter(item, Given::Number(ends), out);
                }
            }
            Some(Err(())) | None => {}
        }
    }
    edit.on_hover_text(format!("{low} to {high} {unit}; with its error at 95 % as 6.5 ± 0.5."));
}

fn enter(item: Item, given: Given, out: &mut Vec<Action>) {
    out.push(Action::Do(Command::Enter(item, Entry { given, note: String::new() })));
}

/// A number as it would be typed
fn written(number: Option<Interval>) -> String {
    let Some(Interval { value, low, high }) = number else { return String::new() };
    let error = (high - value).max(value - low);
    if error > 0.0 { format!("{value} ± {}", rounded(error)) } else { value.to_string() }
}

/// Without the last digits of a difference
fn rounded(error: f64) -> f64 {
    (error * 1e6).round() / 1e6
}

/// A value and its error, from what was typed; nothing from nothing
fn parsed(text: &str) -> Result<Option<[f64; 2]>, ()> {
    let text = text.trim().replace(',', ".").replace("+-", "±").replace("+/-", "±");
    if text.is_empty() {
        return Ok(None);
    }
    let (value, error) = text.split_once('±').unwrap_or((&text, "0"));
    let plain = |text: &str| text.trim().parse::<f64>().ok().filter(|number| number.is_finite());
    match (plain(value), plain(error)) {
        (Some(value), Some(error)) if error >= 0.0 => Ok(Some([value, error])),
        _ => Err(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_typed_is_read() {
        assert_eq!(parsed(" "), Ok(None));
        assert_eq!(parsed("6,5"), Ok(Some([6.5, 0.0])));
        assert_eq!(parsed("6.5 ± .5"), Ok(Some([6.5, 0.5])));
        assert_eq!(parsed("6.5+-0.5"), Ok(Some([6.5, 0.5])));
        assert_eq!(parsed("6.5 +/- 0.5"), Ok(Some([6.5, 0.5])));
        for wrong in ["six", "6.5 ± -1", "6 mm", "± 1", "inf"] {
            assert_eq!(parsed(wrong), Err(()), "{wrong}");
        }
    }

    #[test]
    fn what_is_written_reads_back() {
        for typed in ["", "6.5", "6.5 ± 0.5", "12 ± 0.25"] {
            let number = parsed(typed).unwrap().map(|[value, error]| Interval {
                value,
                low: value - error,
                high: value + error,
            });
            assert_eq!(written(number), typed);
        }
    }

    #[test]
    fn every_item_that_can_be_entered_stands_under_a_heading() {
        let shown = Item::ALL.into_iter().filter(|item| GROUPS.contains(&item.field().group));
        assert_eq!(shown.count(), Item::ALL.len());
    }
}
