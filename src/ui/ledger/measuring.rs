//! The ledger at tracings and at the beat.

use egui::{RichText, Ui};

use crate::review::{Command, Session, Settings, TracingId};
use crate::ui::numbers::number_ui;
use crate::ui::scene::{Action, OutlineSource, ReadOutline, Scene, keep};
use crate::ui::view_state::{Tool, ViewState};
use crate::ui::{theme, words};

use super::{set, slider, step};

pub(super) fn trace_part(
    ui: &mut Ui,
    session: &Session,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let settings = session.review().work.settings;
    let live = scene
        .reading
        .and_then(|reading| reading.outlines.iter().find(|outline| outline.source == OutlineSource::Live));
    let threshold = scene.reading.map_or(0.5, |reading| reading.threshold);
    ui.horizontal_wrapped(|ui| {
        let tip = "Makes the automatic outline on this plane your tracing, to keep or to correct (T)";
        if ui.add_enabled(live.is_some(), egui::Button::new("Keep the proposal")).on_hover_text(tip).clicked()
            && let Some(live) = live
        {
            out.push(Action::Do(keep(live, threshold)));
        }
        let drawing = view.tool == Tool::Draw;
        if ui
            .selectable_label(drawing, "Draw")
            .on_hover_text("Click around the orifice; close with Enter or a double click (N)")
            .clicked()
        {
            view.tool = if drawing { Tool::Turn } else { Tool::Draw };
        }
    });
    threshold_part(ui, settings, threshold, out);
    ui.add_space(6.0);
    let outlines = scene.reading.map(|reading| reading.outlines.as_slice()).unwrap_or_default();
    let mut any = false;
    for outline in outlines {
        let OutlineSource::Kept(id) = outline.source else { continue };
        any = true;
        tracing_part(ui, session, (id, outline), view, out);
    }
    if !any {
        let text = "Drag a vertex of the outline to make it yours. Click an edge to add a vertex, right-click one to remove it.";
        ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    }
}

/// The level of the automatic outline, the program's or the reader's
fn threshold_part(ui: &mut Ui, settings: Settings, threshold: f64, out: &mut Vec<Action>) {
    let mut level = settings.threshold.unwrap_or(threshold);
    let before = level;
    slider(
        ui,
        &mut level,
        0.05..=0.95,
        "Threshold",
        "Level of the automatic outline, as a share of the jet's full signal. The area and its correction follow.",
        out,
    );
    // The number field reads its own two decimals back when it is left: no change.
    if format!("{level:.2}") != format!("{before:.2}") {
        set(settings, Settings { threshold: Some(level), ..settings }, out);
    }
    let automatic = settings.threshold.is_none();
    if ui.add_enabled(!automatic, egui::Button::new("Threshold by the program")).clicked() {
        set(settings, Settings { threshold: None, ..settings }, out);
    }
}

/// One tracing, and what can be done with it
fn tracing_part(
    ui: &mut Ui,
    session: &Session,
    (id, outline): (TracingId, &ReadOutline),
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let (frame, frames) = (session.review().place.frame, session.review().source.frames);
    let title = format!("Tracing {}", id.0 + 1);
    ui.separator();
    ui.horizontal_wrapped(|ui| {
        ui.label(RichText::new(&title).strong());
        ui.label(RichText::new(&outline.drawn).font(theme::small()).color(theme::QUIET));
    });
    match (&outline.fault, outline.area_mm2) {
        (Some(fault), _) => {
            ui.label(RichText::new(format!("Not counted: {fault}")).font(theme::small()).color(theme::BAD));
        }
        (None, Some(area)) => {
            number_ui(ui, "Area inside", &words::cm2(area), "Inside this outline, as displayed.", view, out);
        }
        (None, None) => {}
    }
    let whole = outline.fault.is_none();
    ui.horizontal_wrapped(|ui| {
        let tool = |ui: &mut Ui, on: bool, text: &str, tip: &str| {
            let button = ui.add_enabled(on, egui::Button::new(text).small());
            let name = format!("{text}: {title}");
            button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, on, &name));
            button.on_hover_text(tip).clicked()
        };
        if outline.open && tool(ui, true, "Close", "Join the last vertex to the first (Enter)") {
            out.push(Action::Do(Command::Close(id)));
            view.tool = Tool::Turn;
        }
        if tool(ui, whole, "Smooth", "Smooth the outline, its area kept (M)") {
            out.push(Action::Do(Command::Smooth(id)));
        }
        if tool(ui, whole, "Grow", "Move the outline outward by 0.1 mm (G)") {
            out.push(Action::Do(Command::Grow(id, 0.1)));
        }
        if tool(ui, whole, "Shrink", "Move the outline inward by 0.1 mm (Shift G)") {
            out.push(Action::Do(Command::Grow(id, -0.1)));
        }
        let next = frame + 1 < frames;
        if tool(ui, whole && next, "Copy on", "Copy to the next frame, onto the plane of the jet there (C)") {
            out.push(Action::Do(Command::CopyToFrame(id, frame + 1)));
        }
        let tip = "Copy to every frame in which the jet is measured and you traced nothing (Shift C)";
        if tool(ui, whole && frames > 1, "Carry through", tip) {
            out.push(Action::Do(Command::Carry(id)));
        }
        if tool(ui, true, "Remove", "Remove this tracing") {
            out.push(Action::Do(Command::RemoveTracing(id)));
        }
    });
}

pub(super) fn beat_part(ui: &mut Ui, session: &Session, view: &mut ViewState, out: &mut Vec<Action>) {
    let review = session.review();
    let Some(jet) = session.jet(review.place.jet) else {
        ui.label(RichText::new("Choose a jet that was measured.").color(theme::QUIET));
        return;
    };
    let systole = &jet.systole;
    number_ui(
        ui,
        "Pattern",
        words::pattern(systole.pattern),
        "From the frames in which the jet is there.",
        view,
        out,
    );
    number_ui(
        ui,
        "There in systole",
        &format!("{:.0} %", systole.present_fraction * 100.0),
        "Share of systole in which the jet is there.",
        view,
        out,
    );
    number_ui(ui, "Peak area", &words::cm2(jet.vca_mm2.value), "The area in the peak frame.", view, out);
    let name = match systole.velocity_weighted_mean_mm2 {
        Some(_) => "Mean, velocity-weighted",
        None => "Mean over systole",
    };
    number_ui(ui, name, &words::cm2(systole.mean_mm2()), "Zero where the jet is absent.", view, out);
    number_ui(
        ui,
        "Peak overstates mean by",
        &format!("{} %", words::fixed(systole.peak_overstates_percent, 0)),
        "Why one frame's area times the whole velocity-time integral is too much.",
        view,
        out,
    );
    ui.add_space(4.0);
    if ui.button("Go to the peak frame").on_hover_text("P").clicked() {
        out.push(Action::Do(Command::Frame(jet.peak_frame)));
    }
    ui.add_space(8.0);
    systole_part(ui, session, systole.bounds_s.map(|time| 1e3 * time), out);
}

/// First and last moment of systole, from the data or as the reader settles them
fn systole_part(ui: &mut Ui, session: &Session, measured: [f64; 2], out: &mut Vec<Action>) {
    let given = session.review().work.systole_ms;
    ui.label(RichText::new("Systole").font(theme::heading()));
    let now = given.unwrap_or(measured.map(f64::round));
    let mut ends = now;
    ui.horizontal_wrapped(|ui| {
        for (end, name) in ends.iter_mut().zip(["from", "to"]) {
            ui.label(RichText::new(name).font(theme::small()).color(theme::QUIET));
            let field = ui.add(egui::DragValue::new(end).speed(1.0).fixed_decimals(0).suffix(" ms"));
            let told = format!("Systole {name}, ms after the R wave");
            let value = *end;
            field.widget_info(|| egui::WidgetInfo::slider(true, value, &told));
            let field = field.on_hover_text("After the R wave. Pattern, mean and volume follow from it.");
            if field.drag_started() {
                out.push(Action::Do(Command::Begin));
            }
            if field.drag_stopped() {
                out.push(Action::Do(Command::Commit));
            }
        }
    });
    if ends != now {
        step(Command::Systole(Some(ends)), out);
    }
    let from = if given.is_some() { "settled by you" } else { "from the R-R interval and the jets" };
    ui.label(RichText::new(from).font(theme::small()).color(theme::QUIET));
    if ui.add_enabled(given.is_some(), egui::Button::new("From the data")).clicked() {
        out.push(Action::Do(Command::Systole(None)));
    }
}
