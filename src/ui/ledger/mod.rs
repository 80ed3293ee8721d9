//! The ledger: the numbers, where each comes from, and the part that belongs to the chosen step.

use egui::{RichText, Slider, Ui};

use crate::report::words::{finding_name, worst_first};
use crate::review::{Command, JetId, Session, Settings, When};
use crate::trust::Verdict;
use crate::unit::MetresPerSecond;

mod looking;
mod measuring;

use looking::cut_part;
use measuring::{beat_part, trace_part};

use super::numbers::{headline, number_ui};
use super::scene::{Action, Scene};
use super::theme;
use super::view_state::{RailStep, ViewState};
use super::{evidence_form, rail, weighed, words};

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
    let Some(scale) = scene.facts.and_then(|facts| facts.scale) else { return };
    let nyquist = scale.nyquist().get();
    let (name, now, range, settled) = match code {
        "nyquist" => ("Nyquist velocity", nyquist, 0.05..=3.0, &mut view.nyquist),
        "baseline" => {
            let shift = scale.baseline_shift().get();
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
