//! The numbers that stand on top of the results panel: those of the report first, then those of the plane in view.

use egui::{Align2, Color32, Rect, RichText, Sense, Stroke, Ui, pos2, vec2};

use crate::measure::Results;
use crate::report::words::capital;
use crate::review::{JetId, Session};

use super::scene::{Action, Origin, Reading, Scene};
use super::view_state::{RailStep, ViewState};
use super::{theme, words};

/// A number on its own line; a click copies it, the tip says where it comes from
pub(super) fn number_ui(
    ui: &mut Ui,
    name: &str,
    value: &str,
    from: &str,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let wide = |text: &str, font| ui.painter().layout_no_wrap(text.to_owned(), font, theme::TEXT).size().x;
    let fits = wide(name, theme::small()) + wide(value, theme::body()) + 10.0 <= ui.available_width();
    let height = if fits { 22.0 } else { 38.0 };
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::click());
    let label = format!("{name}: {value}. Copy");
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, &label));
    let painter = ui.painter();
    if response.hovered() {
        painter.rect_filled(rect.expand2(vec2(4.0, 0.0)), 3.0, theme::RAISED);
    }
    // Side by side, or the number below its name.
    let lines = if fits { [rect.center().y; 2] } else { [rect.top() + 9.0, rect.bottom() - 11.0] };
    let (left, right) = (pos2(rect.left(), lines[0]), pos2(rect.right(), lines[1]));
    painter.text(left, Align2::LEFT_CENTER, name, theme::small(), theme::QUIET);
    painter.text(right, Align2::RIGHT_CENTER, value, theme::body(), theme::TEXT);
    if response.on_hover_text(format!("{from}\nClick to copy.")).clicked() {
        copy(format!("{name}: {value}"), ui, view, out);
    }
}

fn copy(text: String, ui: &Ui, view: &mut ViewState, out: &mut Vec<Action>) {
    view.copied = Some((text.clone(), ui.input(|input| input.time) + 2.0));
    out.push(Action::Copy(text));
}

/// The number of the report with its interval, what speaks against it, and the plane in view
pub(super) fn headline(
    ui: &mut Ui,
    session: &Session,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let numbers = session.numbers();
    let jets = numbers.map_or(0, |numbers| numbers.jets.len());
    ui.horizontal(|ui| {
        ui.label(RichText::new("Vena contracta area").font(theme::heading()));
        if jets > 1 {
            let text = format!("all {jets} jets");
            ui.label(RichText::new(text).font(theme::small()).color(theme::EN_FACE));
        }
    });
    match numbers {
        Some(numbers) if jets > 0 => total(ui, session, numbers, view, out),
        _ => nothing(ui, session, scene, out),
    }
    ui.add_space(6.0);
    ui.separator();
    in_view(ui, session, scene, view, out);
}

fn nothing(ui: &mut Ui, session: &Session, scene: &Scene<'_>, out: &mut Vec<Action>) {
    ui.label(RichText::new("–").font(theme::big()).color(theme::QUIET));
    let text = match (session.numbers(), scene.progress) {
        (Some(_), _) => "no jet is measured",
        (None, Some(_)) => "measuring …",
        (None, None) => "not measured",
    };
    ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    if session.review().results.is_none()
        && !session.review().is_blind()
        && scene.progress.is_none()
        && ui.button("Measure").on_hover_text("Find and measure the jets of this volume").clicked()
    {
        out.push(Action::Measure);
    }
}

/// The sum of the jets, as the report has it
fn total(ui: &mut Ui, session: &Session, numbers: &Results, view: &mut ViewState, out: &mut Vec<Action>) {
    let total = &numbers.total;
    let area = total.vca_mm2;
    let (value, interval) = (words::cm2(area.value), format!("95 % interval {}", words::cm2_interval(area)));
    let text = RichText::new(&value).font(theme::big()).color(theme::EN_FACE);
    let response = ui.add(egui::Label::new(text).sense(Sense::click()));
    let label = format!("Vena contracta area: {value}. Copy");
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, &label));
    let tip = "The effective orifice: flow over core speed, smaller than the anatomic hole. The number of the report.\n\
               Click to copy.";
    if response.on_hover_text(tip).clicked() {
        copy(format!("Vena contracta area: {value} ({interval})"), ui, view, out);
    }
    ui.label(RichText::new(interval).color(theme::TEXT));
    let frame = session.review().place.frame;
    let when = match total.frame {
        Some(peak) if peak == frame => format!("effective, frame {}", words::nth(peak)),
        Some(peak) => {
            format!("effective, frame {}; frame {} is in view", words::nth(peak), words::nth(frame))
        }
        None => "effective".to_owned(),
    };
    let new = if session.is_current() { "" } else { ", being brought up to date" };
    ui.label(RichText::new(format!("{when}{new}")).font(theme::small()).color(theme::QUIET));
    if let Some(mean) = total.velocity_weighted_mean_mm2 {
        let from = "Over systole, weighted with the velocity: the area that a constant orifice of the same regurgitant \
                    volume would have.";
        number_ui(ui, "Mean, velocity-weighted", &words::cm2_with(mean), from, view, out);
    }
    if numbers.jets.iter().any(|jet| jet.systole.varies()) {
        let over = total.velocity_weighted_mean_mm2.filter(|mean| mean.value > 0.0).map(|mean| {
            format!(": the peak overstates the mean by {:.0} %", 100.0 * (area.value / mean.value - 1.0))
        });
        let patterns: Vec<&str> =
            numbers.jets.iter().map(|jet| words::pattern(jet.systole.pattern)).collect();
        let same = patterns.iter().all(|pattern| *pattern == patterns[0]);
        let what = if same { patterns[0] } else { "not the same through systole" };
        let text = format!("{}{}.", capital(what), over.unwrap_or_default());
        ui.label(RichText::new(text).font(theme::small()).color(theme::WARN));
    }
    if let Some(displayed) = total.displayed_area_mm2 {
        let from = "Inside the outlines as displayed, before the correction for blooming. Published cut points of the \
                    vena contracta area were found with this one.";
        number_ui(ui, "Displayed area", &words::cm2_with(displayed), from, view, out);
    }
    for jet in numbers.jets.iter().filter(|_| numbers.jets.len() > 1) {
        let name = jet.reading.jet.clone().unwrap_or_else(|| jet.id.to_string());
        let name = format!("Jet {name}, frame {}", words::nth(jet.peak_frame));
        let from = "At the frame of its own largest area. Areas add at one moment, widths never.";
        number_ui(ui, &name, &words::cm2_with(jet.vca_mm2), from, view, out);
    }
}

fn origin(reading: &Reading) -> &'static str {
    match reading.origin {
        Origin::Measured => "proposed by the program, on its own plane",
        Origin::Hidden => "VC dropout: what may hide here",
        Origin::Live if reading.jet == JetId::Free => {
            "traced automatically on a free plane, which belongs to no jet"
        }
        Origin::Live => "traced automatically on your plane",
        Origin::Traced if reading.is_elsewhere() => "from your tracing, on another plane than this one",
        Origin::Traced if reading.jet == JetId::Free => {
            "your tracing on a free plane, which belongs to no jet"
        }
        Origin::Traced => "from your tracing",
    }
}

/// The jet, frame and plane that are shown
fn in_view(ui: &mut Ui, session: &Session, scene: &Scene<'_>, view: &mut ViewState, out: &mut Vec<Action>) {
    let place = session.review().place;
    let title = format!("In view: {}, frame {}", words::jet(place.jet), words::nth(place.frame));
    ui.label(RichText::new(title).font(theme::heading()));
    let reading = scene.reading.filter(|reading| reading.jet == place.jet && reading.frame == place.frame);
    let Some(reading) = reading else {
        ui.label(RichText::new("tracing …").font(theme::small()).color(theme::QUIET));
        return;
    };
    match (reading.area, reading.traced_mm2) {
        (Some(area), _) => {
            let from = "Of the outline on the plane that is shown, corrected for blooming.";
            number_ui(ui, "Area", &words::cm2_with(area), from, view, out);
        }
        (None, Some(_)) => {}
        (None, None) => {
            let text = reading.trouble.clone().unwrap_or_default();
            ui.label(RichText::new(text).font(theme::small()).color(theme::WARN));
        }
    }
    let sum =
        if reading.summed > 1 { format!(", {} tracings added up", reading.summed) } else { String::new() };
    if reading.traced_mm2.or(reading.area.map(|area| area.value)).is_some() {
        let text = format!("{}{sum}", origin(reading));
        ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    }
    // Where something else is read, the rest would push it out of sight.
    if matches!(view.step, RailStep::Trust | RailStep::Weigh | RailStep::Report) {
        return;
    }
    comparison(ui, reading);
    if let Some(width) = reading.long_axis {
        let name = if reading.axes_assumed { "VC width, shortest" } else { "VC width, long axis" };
        let from = "Read on the plane through the jet axis in the anterior-posterior direction. Until that \
                    direction is marked, the shortest caliper width stands for it.";
        number_ui(ui, name, &words::mm_interval(width), from, view, out);
    }
    if let Some(width) = reading.commissural {
        let from = "Read on the plane through the jet axis at a right angle to the other.";
        number_ui(ui, "VC width, commissural", &words::mm_interval(width), from, view, out);
    }
    if let Some(traced) = reading.traced_mm2 {
        let from = "Inside the outline, before the correction for blooming.";
        number_ui(ui, "Area as displayed", &words::cm2(traced), from, view, out);
    }
    if let Some(shape) = reading.shape {
        let from = "From the ratio of the caliper widths and the area over that of the hull.";
        number_ui(ui, "Shape", words::shape(shape), from, view, out);
    }
    // Of a free plane, or one laid by hand, nobody knows how it lies to a jet.
    if session.review().found(place.jet).is_none() {
        return;
    }
    let tilt = format!("{:.1}°", reading.tilt_deg);
    let from = "Angle between the normal of the plane and the axis of the jet.";
    number_ui(ui, "Plane off the jet axis", &tilt, from, view, out);
    if reading.tilt_deg >= 0.05 {
        let slant = words::percent(reading.obliquity_percent);
        number_ui(ui, "Slant alone adds", &slant, "1 / cosine of that angle, as for a tube.", view, out);
    }
    if let Some(beam) = reading.beam_deg {
        let from = "Only the velocity along the beam is seen.";
        number_ui(ui, "Beam off the jet axis", &format!("{beam:.0}°"), from, view, out);
    }
}

/// Polygon, circle and ellipse as bars on one scale
fn comparison(ui: &mut Ui, reading: &Reading) {
    let Some(area) = reading.area.map(|area| area.value).or(reading.traced_mm2) else { return };
    if reading.origin == Origin::Hidden {
        return;
    }
    let rows = [
        ("polygon", Some(area), theme::EN_FACE, None, "The area of the outline itself."),
        (
            "circle",
            reading.circle_mm2,
            Color32::from_gray(200),
            reading.circle_error_percent,
            "What the long-axis width alone implies: a circle of that diameter, and its error.",
        ),
        (
            "ellipse",
            reading.ellipse_mm2,
            Color32::from_gray(150),
            None,
            "What the two widths together imply.",
        ),
    ];
    let most = rows.iter().filter_map(|row| row.1).fold(1.0, f64::max);
    for (name, value, colour, error, tip) in rows {
        let Some(value) = value else { continue };
        let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), 21.0), Sense::hover());
        let text = error.map_or_else(
            || words::cm2(value),
            |error| format!("{}  {}", words::cm2(value), words::percent(error)),
        );
        response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Label, true, format!("{name} {text}")));
        response.on_hover_text(tip);
        let painter = ui.painter();
        painter.text(rect.left_center(), Align2::LEFT_CENTER, name, theme::small(), theme::QUIET);
        let room = (rect.width() - 58.0 - 104.0).max(20.0);
        let bar = Rect::from_min_size(
            pos2(rect.left() + 56.0, rect.top() + 3.0),
            vec2(room * (value / most) as f32, rect.height() - 6.0),
        );
        painter.rect_filled(bar, 2.0, colour.gamma_multiply(0.35));
        painter.rect_stroke(bar, 2.0, Stroke::new(1.0, colour), egui::StrokeKind::Inside);
        let left = bar.right() + 6.0;
        let at = pos2(left, rect.center().y);
        painter.text(at, Align2::LEFT_CENTER, text, theme::small(), theme::TEXT);
    }
    if reading.circle_misleads {
        let text = "One width misleads here: by its own cut points it is of another grade than the area.";
        ui.label(RichText::new(text).font(theme::small()).color(theme::WARN));
    }
}
