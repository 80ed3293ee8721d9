//! The ledger: the numbers, where each comes from, and the part that belongs to the chosen step.

use egui::{RichText, Slider, Ui};

use crate::report::words::{finding_name, worst_first};
use crate::review::{ColourMap, Command, ImpliedCircle, JetId, Landmark, Session, Settings, When};
use crate::study::sweep::Over;
use crate::trust::Verdict;
use crate::unit::MetresPerSecond;

use super::numbers::{headline, number_ui};
use super::scene::{Action, OutlineSource, Scene, keep};
use super::theme;
use super::view_state::{RailStep, Tool, ViewState};
use super::{evidence_form, rail, turning, weighed, words};

/// The ledger
pub(super) fn ledger_ui(ui: &mut Ui, scene: &Scene<'_>, view: &mut ViewState, out: &mut Vec<Action>) {
    let Some(session) = scene.session else { return };
    egui::Panel::bottom("cautions").show_separator_line(false).show(ui, |ui| {
        let text = "Not a medical device. The result defers to local protocols and to the licensed reader.";
        ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    });
    egui::ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        ui.set_width(ui.available_width() - 6.0);
        ui.spacing_mut().slider_width = 84.0;
        ui.spacing_mut().item_spacing.y = 3.0;
        headline(ui, session, scene, view, out);
        if session.review().is_blind() {
            blind_part(ui, out);
        }
        ui.add_space(6.0);
        ui.separator();
        ui.label(RichText::new(view.step.name()).font(theme::heading()));
        ui.label(RichText::new(rail::help(view.step)).font(theme::small()).color(theme::QUIET));
        ui.add_space(4.0);
        match view.step {
            RailStep::Trust => trust_part(ui, session, scene, view, out),
            RailStep::Jet => jet_part(ui, session, out),
            RailStep::Cut => cut_part(ui, session, scene, view, out),
            RailStep::Trace => trace_part(ui, session, scene, view, out),
            RailStep::Beat => beat_part(ui, session, view, out),
            RailStep::Weigh => weigh_part(ui, session, view, out),
            RailStep::Report => report_part(ui, session, scene, view, out),
        }
    });
}

/// A blind reading, and its end
fn blind_part(ui: &mut Ui, out: &mut Vec<Action>) {
    ui.add_space(6.0);
    let text = "You read blind: what the program finds is hidden. Lay the plane across the jet and trace.";
    ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    let tip =
        "Your tracings are kept in the review as those that were made without it. This cannot be taken back.";
    if ui.button("Show what the program finds").on_hover_text(tip).clicked() {
        out.push(Action::Do(Command::Reveal));
    }
}

fn trust_part(
    ui: &mut Ui,
    session: &Session,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let Some(results) = &session.review().results else {
        ui.label("The check comes with the measurement.");
        return;
    };
    let verdict = results.trust.verdict;
    ui.label(RichText::new(format!("This acquisition is {}.", words::verdict(verdict))).strong());
    let findings = worst_first(&results.trust.findings);
    let last = findings.iter().rposition(|finding| matches!(finding.code.as_str(), "nyquist" | "baseline"));
    for (at, finding) in findings.into_iter().enumerate() {
        ui.add_space(4.0);
        let colour = match finding.verdict {
            Verdict::Adequate => theme::GOOD,
            Verdict::Limited => theme::WARN,
            Verdict::Unfit => theme::BAD,
        };
        ui.horizontal_wrapped(|ui| {
            ui.label(RichText::new(finding_name(finding)).strong());
            ui.label(RichText::new(words::verdict(finding.verdict)).font(theme::small()).color(colour));
            if let (Some(value), limit) = (finding.value, finding.limit) {
                let limit = limit
                    .map_or(String::new(), |limit| format!(", limit {}", words::value(limit, &finding.unit)));
                let text = format!("{}{limit}", words::value(value, &finding.unit));
                ui.label(RichText::new(text).font(theme::small()));
            }
        });
        ui.label(RichText::new(&finding.message).font(theme::small()).color(theme::QUIET));
        scale_part(ui, scene, view, &finding.code);
        if last == Some(at) {
            read_again(ui, scene, view, out);
        }
    }
    // Of what the report would say, with the reader's own work in it.
    for caution in &session.numbers().unwrap_or(results).cautions {
        ui.add_space(4.0);
        ui.label(RichText::new(format!("· {caution}")).font(theme::small()).color(theme::QUIET));
    }
}

/// The part of the velocity scale that a finding is about, corrected where the file is wrong
fn scale_part(ui: &mut Ui, scene: &Scene<'_>, view: &mut ViewState, code: &str) {
    let Some(facts) = scene.facts else { return };
    let nyquist = facts.scale.nyquist().get();
    let (name, now, range, settled) = match code {
        "nyquist" => ("Nyquist velocity", nyquist, 0.05..=3.0, &mut view.nyquist),
        "baseline" => {
            let shift = facts.scale.baseline_shift().get();
            ("Baseline shift", shift, -nyquist..=nyquist, &mut view.baseline)
        }
        _ => return,
    };
    let mut value = settled.unwrap_or(now);
    ui.horizontal_wrapped(|ui| {
        ui.label(name);
        let field =
            egui::DragValue::new(&mut value).speed(0.005).range(range).fixed_decimals(3).suffix(" m/s");
        let label = format!("{name}, m/s");
        ui.add(field).widget_info(|| egui::WidgetInfo::slider(true, value, &label));
    });
    *settled = Some(value).filter(|value| (value - now).abs() > 5e-4);
}

fn read_again(ui: &mut Ui, scene: &Scene<'_>, view: &ViewState, out: &mut Vec<Action>) {
    let [nyquist, baseline] = [view.nyquist, view.baseline].map(|of| of.map(MetresPerSecond::new));
    let tip = "Where the bar on the scanner's screen says something else than the file: half its span is the Nyquist \
               velocity, its middle the baseline shift. Everything is measured anew; what you did is kept.";
    let ready = (nyquist.is_some() || baseline.is_some()) && scene.progress.is_none();
    if ui.add_enabled(ready, egui::Button::new("Read again with it")).on_hover_text(tip).clicked() {
        out.push(Action::Scale { nyquist, baseline });
    }
}

fn jet_part(ui: &mut Ui, session: &Session, out: &mut Vec<Action>) {
    let review = session.review();
    let place = review.place;
    let mut ids = vec![JetId::Free];
    ids.extend(review.jets());
    for id in ids {
        let chosen = id == place.jet;
        ui.horizontal(|ui| {
            if ui.selectable_label(chosen, words::jet(id)).clicked() {
                out.push(Action::Do(Command::Select(id)));
            }
            if let Some(jet) = session.jet(id) {
                let text = format!("{}, frame {}", words::cm2(jet.vca_mm2.value), words::nth(jet.peak_frame));
                ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
            }
            if id != JetId::Free {
                let text = if matches!(id, JetId::Added(_)) { "Remove" } else { "Set aside" };
                let button = ui.small_button(text);
                let name = format!("{text}: {}", words::jet(id));
                button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, &name));
                if button.clicked() {
                    out.push(Action::Do(Command::Dismiss(id)));
                }
            }
        });
    }
    for id in &review.work.dismissed {
        ui.horizontal(|ui| {
            ui.label(RichText::new(format!("{} is set aside", words::jet(*id))).color(theme::QUIET));
            if ui.small_button("Take back").clicked() {
                out.push(Action::Do(Command::Restore(*id)));
            }
        });
    }
    ui.add_space(4.0);
    let tip = "Makes the plane as it lies now the plane of a new jet, for one that was not found.";
    if ui.button("Place a jet on this plane").on_hover_text(tip).clicked() {
        out.push(Action::Do(Command::AddJet));
    }
}

fn cut_part(ui: &mut Ui, session: &Session, scene: &Scene<'_>, view: &mut ViewState, out: &mut Vec<Action>) {
    let review = session.review();
    let place = review.place;
    let turn = session.turn();
    let lean = session.base().lean(&turn).map(f64::to_degrees);
    // First what this step waits for.
    ui.label(RichText::new("Landmarks").font(theme::heading()));
    ui.label(
        RichText::new("Two clicks name the anterior-posterior direction; or mark the two commissures. Click on any of the three planes.")
            .font(theme::small())
            .color(theme::QUIET),
    );
    let marks = review.work.landmarks;
    for landmark in Landmark::ALL {
        let point = match landmark {
            Landmark::Anterior => marks.anterior,
            Landmark::Posterior => marks.posterior,
            Landmark::LateralCommissure => marks.lateral_commissure,
            Landmark::MedialCommissure => marks.medial_commissure,
        };
        ui.horizontal(|ui| {
            let chosen = view.tool == Tool::Mark(landmark);
            if ui.selectable_label(chosen, landmark.name()).clicked() {
                view.tool = if chosen { Tool::Turn } else { Tool::Mark(landmark) };
            }
            match point {
                Some(_) => {
                    let button = ui.small_button("Clear");
                    let name = format!("Clear: {}", landmark.name());
                    button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, &name));
                    if button.clicked() {
                        out.push(Action::Do(Command::Mark(landmark, None)));
                    }
                }
                None => {
                    ui.label(RichText::new("not set").font(theme::small()).color(theme::QUIET));
                }
            }
        });
    }
    ui.add_space(8.0);
    let proposed = session.review().found(place.jet).is_some();
    for (name, value, unit) in [
        ("Lean toward the long axis", lean[0], "°"),
        ("Lean toward the commissures", lean[1], "°"),
        ("Roll", turn.roll.to_degrees(), "°"),
        ("Level from the proposed plane", turn.level_mm, " mm"),
    ]
    .into_iter()
    .filter(|_| proposed)
    {
        let text = format!("{value:+.2}{unit}");
        number_ui(ui, name, &text, "Your plane against the proposed one.", view, out);
    }
    ui.horizontal_wrapped(|ui| {
        let step = |ui: &mut Ui, text: &str, name: &str| {
            let button = ui.button(text);
            button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, name));
            button.on_hover_text(name).clicked()
        };
        if step(ui, "Level −", "Level down by 0.25 mm") {
            out.push(Action::Do(turning::lifted_by(session, -0.25)));
        }
        if step(ui, "Level +", "Level up by 0.25 mm") {
            out.push(Action::Do(turning::lifted_by(session, 0.25)));
        }
        if step(ui, "Roll −", "Roll back by 1 degree") {
            out.push(Action::Do(turning::rolled_by(session, -1.0)));
        }
        if step(ui, "Roll +", "Roll on by 1 degree") {
            out.push(Action::Do(turning::rolled_by(session, 1.0)));
        }
        let back = ui.add_enabled(!turn.is_none(), egui::Button::new("Back to proposed"));
        if back.on_hover_text("Puts the plane back where it was proposed (Home)").clicked() {
            out.push(Action::Do(Command::BackToProposed(place.jet)));
        }
    });
    observer(ui, session, view, out);
    sweep_part(ui, session, scene, out);
    practice_part(ui, session, scene, out);
    ui.add_space(8.0);
    display_part(ui, session, out);
}

/// One thing varied, everything else held
fn sweep_part(ui: &mut Ui, session: &Session, scene: &Scene<'_>, out: &mut Vec<Action>) {
    if session.review().found(session.review().place.jet).is_none() {
        return;
    }
    ui.add_space(8.0);
    ui.label(RichText::new("Area against").font(theme::heading()));
    ui.horizontal_wrapped(|ui| {
        for over in Over::ALL {
            let (name, _) = over.words();
            let button = ui.add_enabled(scene.progress.is_none(), egui::Button::new(over.key()).small());
            let label = format!("Area against {name}");
            button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, &label));
            let tip = "Varies this alone and shows what becomes of the area and the widths.";
            if button.on_hover_text(format!("{label}\n{tip}")).clicked() {
                out.push(Action::Sweep(over));
            }
        }
    });
}

/// A simulated volume: what is truly in it
fn practice_part(ui: &mut Ui, session: &Session, scene: &Scene<'_>, out: &mut Vec<Action>) {
    if !scene.facts.is_some_and(|facts| facts.practice) || session.review().results.is_none() {
        return;
    }
    ui.add_space(8.0);
    ui.label(RichText::new("Practice").font(theme::heading()));
    let text = "A simulated volume. When your reading is done, see how far it is off, and why.";
    ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    let button = ui.add_enabled(scene.progress.is_none(), egui::Button::new("Show the truth"));
    let tip = "Splits the error of this reading, and of those saved before, into frame, tilt, level, shape and \
               outline. Once seen, this volume is no longer blind; a reading made with the proposal in view counts as \
               open.";
    if button.on_hover_text(tip).clicked() {
        out.push(Action::Practise);
    }
}

/// Another acquisition of the same valve, before or after
fn comparison_part(
    ui: &mut Ui,
    session: &Session,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    ui.label(RichText::new("Before and after").font(theme::heading()));
    let text = "Another volume of the same valve, measured and set beside this one on one scale.";
    ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    if let Some(other) = &session.review().work.other {
        let when = match other.when {
            When::Earlier => "earlier",
            When::Later => "later",
        };
        ui.label(
            RichText::new(format!("In this review: {}, the {when} one.", other.file)).color(theme::TEXT),
        );
        ui.horizontal_wrapped(|ui| {
            let show = ui.add_enabled(scene.progress.is_none(), egui::Button::new("Show the comparison"));
            if show.clicked() {
                out.push(Action::CompareAgain);
            }
            if ui.button("Take it out").clicked() {
                out.push(Action::Do(Command::CompareWith(None)));
            }
        });
    }
    ui.horizontal(|ui| {
        let room = (ui.available_width() - 92.0).max(60.0);
        let field = egui::TextEdit::singleline(&mut view.other).desired_width(room).hint_text("its file");
        ui.add(field).widget_info(|| {
            egui::WidgetInfo::labeled(egui::Role::TextInput, true, "File of the other volume")
        });
        if ui.button("Choose …").clicked() {
            out.push(Action::AskOther);
        }
    });
    let ready = scene.progress.is_none() && !view.other.trim().is_empty();
    ui.horizontal_wrapped(|ui| {
        for (when, name) in [(When::Earlier, "It is the earlier"), (When::Later, "It is the later")] {
            if ui.add_enabled(ready, egui::Button::new(name)).clicked() {
                out.push(Action::Compare(when, view.other.trim().into()));
            }
        }
    });
}

/// What a slightly different reading would change, of the jet as it was measured
fn observer(ui: &mut Ui, session: &Session, view: &mut ViewState, out: &mut Vec<Action>) {
    let Some(found) = session.review().found(session.review().place.jet) else { return };
    if found.observer.is_empty() {
        return;
    }
    ui.add_space(8.0);
    ui.label(RichText::new("If read a little differently").font(theme::heading()));
    for change in &found.observer {
        let text = format!("{:+.2} cm², up to ±{:.2}", change.mean_mm2 / 100.0, change.largest_mm2 / 100.0);
        let from = "Mean and largest change of the proposed area when only this is done differently.";
        number_ui(ui, &change.what, &text, from, view, out);
    }
}

fn display_part(ui: &mut Ui, session: &Session, out: &mut Vec<Action>) {
    let settings = session.review().work.settings;
    ui.label(RichText::new("Display only").font(theme::heading()));
    let text = "No number follows what is set here, and Undo leaves it as it is.";
    ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    let mut changed = settings;
    slider(
        ui,
        &mut changed.colour_gain,
        0.0..=1.0,
        "Hide colour below",
        "Display threshold: colour is drawn where the power passes this share of full scale. Neither the tracing nor its \
         area follows.",
        out,
    );
    slider(
        ui,
        &mut changed.tissue_priority,
        0.0..=1.0,
        "Tissue priority",
        "Tissue brighter than this is not covered by colour.",
        out,
    );
    slider(
        ui,
        &mut changed.tissue_window[1],
        0.1..=1.0,
        "Tissue white",
        "Shown white at and above this share of full scale.",
        out,
    );
    let mut cyclic = settings.colour_map == ColourMap::Cyclic;
    if ui
        .checkbox(&mut cyclic, "Even cyclic colours")
        .on_hover_text("Equal steps of velocity look equal, and the wrap is no jump (V)")
        .changed()
    {
        changed.colour_map = if cyclic { ColourMap::Cyclic } else { ColourMap::Doppler };
    }
    let mut circle = settings.circle == ImpliedCircle::Shown;
    if ui
        .checkbox(&mut circle, "Implied circle")
        .on_hover_text("The circle that the long-axis width alone implies (O)")
        .changed()
    {
        changed.circle = if circle { ImpliedCircle::Shown } else { ImpliedCircle::Hidden };
    }
    set(settings, changed, out);
}

fn set(before: Settings, after: Settings, out: &mut Vec<Action>) {
    if before != after {
        step(Command::Set(after), out);
    }
}

/// Puts a change between the beginning and the end of the drag that makes it, where there is one
fn step(command: Command, out: &mut Vec<Action>) {
    let at = out.iter().position(|action| *action == Action::Do(Command::Commit)).unwrap_or(out.len());
    out.insert(at, Action::Do(command));
}

/// A slider whose whole drag is one step of the history
fn slider(
    ui: &mut Ui,
    value: &mut f64,
    range: std::ops::RangeInclusive<f64>,
    name: &str,
    tip: &str,
    out: &mut Vec<Action>,
) {
    // A value that was not moved is not rounded either: that would be a change nobody made.
    let slider = Slider::new(value, range).text(name).fixed_decimals(2);
    let response = ui.add(slider.clamping(egui::SliderClamping::Edits)).on_hover_text(tip);
    if response.drag_started() {
        out.push(Action::Do(Command::Begin));
    }
    if response.drag_stopped() {
        out.push(Action::Do(Command::Commit));
    }
}

fn trace_part(
    ui: &mut Ui,
    session: &Session,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let review = session.review();
    let place = review.place;
    let settings = review.work.settings;
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
    ui.add_space(6.0);
    let outlines = scene.reading.map(|reading| reading.outlines.as_slice()).unwrap_or_default();
    let mut any = false;
    for outline in outlines {
        let OutlineSource::Kept(id) = outline.source else { continue };
        any = true;
        let title = format!("Tracing {}", id.0 + 1);
        ui.separator();
        ui.horizontal_wrapped(|ui| {
            ui.label(RichText::new(&title).strong());
            ui.label(RichText::new(&outline.drawn).font(theme::small()).color(theme::QUIET));
        });
        match (&outline.fault, outline.area_mm2) {
            (Some(fault), _) => {
                ui.label(
                    RichText::new(format!("Not counted: {fault}")).font(theme::small()).color(theme::BAD),
                );
            }
            (None, Some(area)) => {
                number_ui(
                    ui,
                    "Area inside",
                    &words::cm2(area),
                    "Inside this outline, as displayed.",
                    view,
                    out,
                );
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
            let next = place.frame + 1 < review.source.frames;
            if tool(
                ui,
                whole && next,
                "Copy on",
                "Copy to the next frame, onto the plane of the jet there (C)",
            ) {
                out.push(Action::Do(Command::CopyToFrame(id, place.frame + 1)));
            }
            let tip = "Copy to every frame in which the jet is measured and you traced nothing (Shift C)";
            if tool(ui, whole && review.source.frames > 1, "Carry through", tip) {
                out.push(Action::Do(Command::Carry(id)));
            }
            if tool(ui, true, "Remove", "Remove this tracing") {
                out.push(Action::Do(Command::RemoveTracing(id)));
            }
        });
    }
    if !any {
        let text = "Drag a vertex of the outline to make it yours. Click an edge to add a vertex, right-click one to remove it.";
        ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    }
}

fn beat_part(ui: &mut Ui, session: &Session, view: &mut ViewState, out: &mut Vec<Action>) {
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
        &format!("{:.0} %", systole.peak_overstates_percent),
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

fn weigh_part(ui: &mut Ui, session: &Session, view: &mut ViewState, out: &mut Vec<Action>) {
    if let Some(grading) = session.grading() {
        weighed::graded(ui, grading);
    }
    if let Some(numbers) = session.numbers()
        && let Some(volume) = numbers.total.regurgitant_volume_ml
    {
        let value = format!("{:.0} ml ({:.0} to {:.0})", volume.value, volume.low, volume.high);
        let envelope = crate::report::words::envelope(numbers).unwrap_or_default();
        let from = format!(
            "The area of every frame times the velocity of the CW Doppler envelope, over the beat. {envelope}"
        );
        number_ui(ui, "Regurgitant volume", &value, &from, view, out);
    }
    evidence_form::form(ui, session, view, out);
    ui.add_space(4.0);
    evidence_form::table(ui, session, out);
    if let Some(grading) = session.grading() {
        weighed::reasoning(ui, grading);
    }
}

/// Who answers for the reading; what was signed is locked
fn sign_off(ui: &mut Ui, session: &Session, view: &mut ViewState, out: &mut Vec<Action>) {
    let review = session.review();
    ui.label(RichText::new("Sign-off").font(theme::heading()));
    if let Some(signed) = &review.signed {
        let study = if signed.study.is_empty() { String::new() } else { format!(", study {}", signed.study) };
        let text =
            format!("Version {}, signed off by {} on {}{study}.", review.edition, signed.reader, signed.date);
        ui.label(text);
        let tip = "Unlocks a copy, which is saved under a name of its own.";
        if ui.button("Begin a new version").on_hover_text(tip).clicked() {
            out.push(Action::NewVersion);
        }
        return;
    }
    let text = "Names the reader in the review and in the report, with today's date, and locks the review.";
    ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    let fields = [
        (&mut view.reader, "Reader", "Name of the reader"),
        (&mut view.study, "Study", "Label of the study"),
    ];
    for (value, name, told) in fields {
        ui.horizontal(|ui| {
            ui.label(RichText::new(name).font(theme::small()).color(theme::QUIET));
            let field = ui.add(egui::TextEdit::singleline(value).desired_width(f32::INFINITY));
            field.widget_info(|| egui::WidgetInfo::labeled(egui::Role::TextInput, true, told));
        });
    }
    let ready = !view.reader.trim().is_empty() && (review.results.is_some() || review.is_blind());
    if ui.add_enabled(ready, egui::Button::new("Sign off")).clicked() {
        let [reader, study] = [&view.reader, &view.study].map(|text| text.trim().to_owned());
        out.push(Action::Sign { reader, study });
    }
}

fn report_part(
    ui: &mut Ui,
    session: &Session,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let review = session.review();
    ui.horizontal_wrapped(|ui| {
        if ui.button("Save review").on_hover_text("Ctrl S").clicked() {
            out.push(Action::Save);
        }
        if ui.button("Save as …").on_hover_text("Ctrl Shift S").clicked() {
            out.push(Action::AskSave);
        }
        let ready = (review.results.is_some() || review.is_blind()) && scene.progress.is_none();
        let tip = "A folder with a page, a PDF, figures and tables, beside the volume";
        if ui.add_enabled(ready, egui::Button::new("Write report")).on_hover_text(tip).clicked() {
            out.push(Action::Report);
        }
    });
    let text = "The report takes your tracings and planes where you made any, and says of each jet whose outline it is.";
    ui.label(RichText::new(text).font(theme::small()).color(theme::QUIET));
    ui.add_space(4.0);
    let file = scene.review_file.map_or("not saved yet".to_owned(), |path| path.display().to_string());
    ui.label(RichText::new(file).font(theme::small()).color(theme::QUIET));
    ui.add_space(6.0);
    sign_off(ui, session, view, out);
    ui.add_space(6.0);
    comparison_part(ui, session, scene, view, out);
    ui.add_space(6.0);
    ui.label("Notes");
    let mut notes = view.notes.clone().unwrap_or_else(|| review.work.notes.clone());
    let field = ui.add(egui::TextEdit::multiline(&mut notes).desired_rows(6).desired_width(f32::INFINITY));
    field.widget_info(|| egui::WidgetInfo::labeled(egui::Role::MultilineTextInput, true, "Notes"));
    if field.changed() {
        view.notes = Some(notes);
    }
    // A note is one step when the hand leaves it, not one a letter.
    if field.lost_focus()
        && let Some(notes) = view.notes.take()
    {
        out.push(Action::Do(Command::Note(notes)));
    }
    ui.add_space(6.0);
    if let Some(facts) = scene.facts {
        let source = &review.source;
        let hash = source.blake3.get(..16).unwrap_or(&source.blake3);
        for (name, value) in [
            ("Volume", source.file.clone()),
            ("BLAKE3", format!("{hash} …")),
            ("Grid", facts.grid.clone()),
            ("Channels", facts.channels.clone()),
            ("Drawn by", scene.adapter.to_owned()),
        ] {
            ui.horizontal_wrapped(|ui| {
                ui.label(RichText::new(name).font(theme::small()).color(theme::QUIET));
                ui.label(RichText::new(value).font(theme::small()));
            });
        }
    }
}
