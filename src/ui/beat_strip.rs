//! The beat strip: area against time with its interval, one row a jet.

use egui::{Align, Align2, Color32, CursorIcon, Mesh, Pos2, Rect, RichText, Sense, Stroke, Ui, pos2, vec2};

use crate::measure::results::JetResult;
use crate::review::{Command, JetId};

use super::scene::{Action, Facts, Scene};
use super::theme::{self, LineStyle};
use super::view_state::ViewState;
use super::{ink, turning, words};

/// Height of one row, points: alone, and among others
const ROWS: [f32; 2] = [74.0, 60.0];
/// Width of the names on the left, points
const NAMES: f32 = 168.0;
/// Width of the words on the right, points
const WORDS: f32 = 230.0;

/// Height of the whole strip for a scene
pub(super) fn height(scene: &Scene<'_>) -> f32 {
    let jets = scene.session.map_or(0, |session| session.review().jets().len());
    ROWS[usize::from(jets > 1)] * (jets.clamp(1, 3) as f32) + 22.0
}

/// The rows, the play button and the time axis
pub(super) fn beat_strip_ui(
    ui: &mut Ui,
    rect: Rect,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let (Some(session), Some(facts)) = (scene.session, scene.facts) else { return };
    let review = session.review();
    let jets = review.jets();
    let shown = jets.len().clamp(1, 3);
    let body = Rect::from_min_max(rect.min, pos2(rect.right(), rect.bottom() - 18.0));
    let plot = Rect::from_min_max(body.min + vec2(NAMES, 0.0), body.max - vec2(WORDS, 0.0));
    let scale = Times::new(plot, facts);
    let row_height = body.height() / shown as f32;

    let play = Rect::from_min_size(body.left_top() + vec2(6.0, 6.0), vec2(34.0, 26.0));
    play_ui(ui, play, view, facts);
    let most = session
        .numbers()
        .iter()
        .flat_map(|numbers| &numbers.jets)
        .flat_map(|jet| &jet.frames)
        .filter_map(|frame| frame.vca_mm2)
        .map(|area| area.high)
        .fold(10.0, f64::max)
        * 1.08;
    for (index, jet) in jets.iter().take(shown).enumerate() {
        let top = body.top() + index as f32 * row_height;
        let row = Rect::from_min_size(pos2(body.left(), top), vec2(body.width(), row_height))
            .shrink2(vec2(0.0, 3.0));
        let strip = Rect::from_x_y_ranges(plot.x_range(), row.y_range());
        row_ui(ui, &Row { jet: *jet, whole: row, strip, most, scale: &scale }, scene, out);
    }
    if jets.is_empty() {
        ui.painter().rect_filled(plot.shrink2(vec2(0.0, 3.0)), 2.0, theme::GROUND);
        let text = match (&review.results, scene.progress) {
            (Some(_), _) => "No jet was found in any frame",
            (None, Some(_)) => "The area through the beat comes when the jets are measured",
            (None, None) => "Not measured",
        };
        ui.painter().text(plot.center(), Align2::CENTER_CENTER, text, theme::body(), theme::QUIET);
    }
    scrub_ui(ui, plot, rect, &scale, scene, view, out);
}

/// Where the frames lie
struct Times {
    left: f32,
    right: f32,
    first: f64,
    last: f64,
    moments: Vec<f64>,
}

impl Times {
    fn new(plot: Rect, facts: &Facts) -> Self {
        let first = facts.times_s.first().copied().unwrap_or(0.0);
        let last = facts.times_s.last().copied().unwrap_or(1.0);
        Self {
            left: plot.left() + 12.0,
            right: plot.right() - 12.0,
            first,
            last,
            moments: facts.times_s.clone(),
        }
    }

    fn x(&self, time: f64) -> f32 {
        let span = self.last - self.first;
        if span <= 0.0 {
            return f32::midpoint(self.left, self.right);
        }
        self.left + ((time - self.first) / span) as f32 * (self.right - self.left)
    }

    fn of_frame(&self, frame: usize) -> f32 {
        self.x(self.moments.get(frame).copied().unwrap_or(self.first))
    }

    fn nearest(&self, x: f32) -> usize {
        let far = |frame: &usize| (self.of_frame(*frame) - x).abs();
        (0..self.moments.len()).min_by(|a, b| far(a).total_cmp(&far(b))).unwrap_or(0)
    }
}

fn play_ui(ui: &mut Ui, rect: Rect, view: &mut ViewState, facts: &Facts) {
    let playing = view.playing.is_some();
    let button = ui.put(rect, egui::Button::new("").min_size(rect.size()));
    let name = if playing { "Pause the beat" } else { "Play the beat" };
    button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, name));
    let centre = rect.center();
    if playing {
        for x in [-4.0, 4.0] {
            let bar = Rect::from_center_size(centre + vec2(x, 0.0), vec2(3.5, 12.0));
            ui.painter().rect_filled(bar, 1.0, theme::TEXT);
        }
    } else {
        let corners = [vec2(-4.0, -6.5), vec2(7.0, 0.0), vec2(-4.0, 6.5)].map(|corner| centre + corner);
        ui.painter().add(egui::Shape::convex_polygon(corners.to_vec(), theme::TEXT, Stroke::NONE));
    }
    if button.on_hover_text(format!("{name} (Space)")).clicked() && facts.times_s.len() > 1 {
        view.playing = if playing { None } else { Some(0.0) };
    }
}

struct Row<'a> {
    jet: JetId,
    whole: Rect,
    strip: Rect,
    most: f64,
    scale: &'a Times,
}

fn row_ui(ui: &mut Ui, row: &Row<'_>, scene: &Scene<'_>, out: &mut Vec<Action>) {
    let Some(session) = scene.session else { return };
    let review = session.review();
    let selected = review.place.jet == row.jet;
    let painter = ui.painter().clone();
    painter.rect_filled(row.strip, 2.0, theme::GROUND);
    let found = session.jet(row.jet);
    let y = |area: f64| row.strip.bottom() - 4.0 - (area / row.most) as f32 * (row.strip.height() - 10.0);

    let name = Rect::from_min_max(
        pos2(row.whole.left() + 46.0, row.whole.top()),
        pos2(row.strip.left() - 6.0, row.whole.bottom()),
    );
    let response = ui.interact(name, ui.scope_id().with(("row", row.jet)), Sense::click());
    let title = words::jet(row.jet);
    response.widget_info(|| {
        egui::WidgetInfo::selected(egui::Role::Button, true, selected, format!("Select {title}"))
    });
    let colour = if selected { theme::EN_FACE } else { theme::TEXT };
    painter.text(name.left_top() + vec2(0.0, 6.0), Align2::LEFT_TOP, &title, theme::heading(), colour);
    let under = match found {
        Some(found) => format!("peak {}", words::cm2(found.vca_mm2.value)),
        None if session.is_current() => "not measured".to_owned(),
        None => "being measured".to_owned(),
    };
    let line = Rect::from_min_size(name.left_top() + vec2(0.0, 26.0), vec2(name.width(), 18.0));
    ink::fitted(ui, line, Align::Min, RichText::new(under).font(theme::small()).color(theme::QUIET));
    if response.clicked() {
        out.push(Action::Do(Command::Select(row.jet)));
    }
    if let Some(found) = found {
        let now = row.scale.of_frame(review.place.frame);
        course(&painter, row, found, &y, now);
    }
    let top = (row.most / 1.08 / 10.0).floor() * 10.0;
    if found.is_some() && top > 0.0 {
        let at = pos2(row.strip.right() - 4.0, y(top));
        let dash = [at - vec2(0.0, 0.0), at + vec2(4.0, 0.0)];
        painter.line_segment(dash, Stroke::new(1.0, theme::QUIET));
        let text = words::cm2(top);
        painter.text(at - vec2(3.0, 0.0), Align2::RIGHT_CENTER, text, theme::small(), theme::QUIET);
    }
    // The frames that the reader traced lie on the curve, as squares.
    let traced = found.into_iter().flat_map(|found| {
        let area = |frame: &usize| Some((*frame, found.frames.get(*frame)?.vca_mm2?.value));
        found.reading.traced_frames.iter().filter_map(area)
    });
    for (frame, area) in traced {
        let at = pos2(row.scale.of_frame(frame), y(area));
        painter.rect_filled(ink::around(at, 8.0), 0.0, theme::EN_FACE);
        painter.rect_stroke(
            ink::around(at, 8.0),
            0.0,
            Stroke::new(1.0, theme::GROUND),
            egui::StrokeKind::Outside,
        );
    }
    let right = Rect::from_min_max(pos2(row.strip.right() + 10.0, row.whole.top()), row.whole.max);
    if let Some(found) = found {
        let systole = &found.systole;
        let line = Rect::from_min_size(right.left_top() + vec2(0.0, 2.0), vec2(right.width(), 20.0));
        ink::fitted(ui, line, Align::Min, RichText::new(words::pattern(systole.pattern)).color(theme::TEXT));
        let there = format!("there in {:.0} % of systole", systole.present_fraction * 100.0);
        let mean = words::cm2(systole.mean_mm2());
        let colour = if systole.varies() { theme::WARN } else { theme::QUIET };
        let over = systole.peak_overstates_percent;
        let lines = [there, format!("mean {mean}, peak {} against it", words::percent(over))];
        for (index, text) in lines.into_iter().enumerate() {
            let at = right.left_top() + vec2(0.0, 22.0 + 16.0 * index as f32);
            let line = Rect::from_min_size(at, vec2(right.width(), 16.0));
            let colour = if index == 0 { theme::QUIET } else { colour };
            ink::fitted(ui, line, Align::Min, RichText::new(text).font(theme::small()).color(colour));
        }
    }
}

fn course(painter: &egui::Painter, row: &Row<'_>, found: &JetResult, y: &impl Fn(f64) -> f32, now: f32) {
    let [start, end] = found.systole.bounds_s.map(|time| row.scale.x(time));
    let systole = Rect::from_x_y_ranges(start..=end, row.strip.y_range()).intersect(row.strip);
    painter.rect_filled(systole, 0.0, Color32::from_white_alpha(16));
    for x in [start, end].into_iter().filter(|x| row.strip.x_range().contains(*x)) {
        painter.vline(x, row.strip.y_range(), Stroke::new(1.0, theme::QUIET));
    }
    // Clear of the R wave's name at the left edge.
    let first = (start + 4.0).max(row.strip.left() + 54.0);
    // Beside the mark of the frame that is shown, not under it.
    let from = if (first - 4.0..first + 48.0).contains(&now) { now + 10.0 } else { first };
    painter.text(
        pos2(from, row.strip.top() + 2.0),
        Align2::LEFT_TOP,
        "systole",
        theme::small(),
        theme::QUIET,
    );
    for piece in found.frames.split(|frame| frame.vca_mm2.is_none()) {
        let points: Vec<(f32, crate::measure::results::Interval)> =
            piece.iter().filter_map(|frame| Some((row.scale.x(frame.time_s), frame.vca_mm2?))).collect();
        let hidden: Vec<bool> = piece.iter().map(|frame| frame.hidden).collect();
        let mut band = Mesh::default();
        for (x, area) in &points {
            for edge in [area.low, area.high] {
                band.colored_vertex(pos2(*x, y(edge)), theme::EN_FACE.gamma_multiply(0.22));
            }
        }
        for i in 0..points.len().saturating_sub(1) as u32 {
            band.add_triangle(2 * i, 2 * i + 1, 2 * i + 2);
            band.add_triangle(2 * i + 1, 2 * i + 2, 2 * i + 3);
        }
        painter.add(band);
        let line: Vec<Pos2> = points.iter().map(|(x, area)| pos2(*x, y(area.value))).collect();
        ink::line(painter, &line, LineStyle::Solid, 2.0, theme::EN_FACE);
        for ((at, (_, area)), hidden) in line.iter().zip(&points).zip(hidden) {
            if points.len() == 1 {
                painter.line_segment(
                    [pos2(at.x, y(area.low)), pos2(at.x, y(area.high))],
                    Stroke::new(1.0, theme::EN_FACE),
                );
            }
            painter.circle_filled(*at, 2.6, if hidden { theme::GROUND } else { theme::EN_FACE });
            if hidden {
                painter.circle_stroke(*at, 2.6, Stroke::new(1.0, theme::EN_FACE));
            }
        }
    }
    for frame in found.frames.iter().filter(|frame| frame.vca_mm2.is_none()) {
        painter.circle_stroke(pos2(row.scale.x(frame.time_s), y(0.0)), 2.6, Stroke::new(1.0, theme::QUIET));
    }
}

fn scrub_ui(
    ui: &mut Ui,
    plot: Rect,
    whole: Rect,
    scale: &Times,
    scene: &Scene<'_>,
    view: &mut ViewState,
    out: &mut Vec<Action>,
) {
    let Some(session) = scene.session else { return };
    let frame = session.review().place.frame;
    let response = ui.interact(plot, ui.scope_id().with("scrub"), Sense::click_and_drag());
    response.widget_info(|| egui::WidgetInfo::slider(true, frame as f64, "Frame"));
    let response = response.on_hover_and_drag_cursor(CursorIcon::ResizeHorizontal);
    let painter = ui.painter();
    for (index, time) in scale.moments.iter().enumerate() {
        let x = scale.of_frame(index);
        painter.line_segment(
            [pos2(x, plot.bottom()), pos2(x, plot.bottom() + 3.0)],
            Stroke::new(1.0, theme::QUIET),
        );
        let every = (scale.moments.len() / 8).max(1);
        if index % every == 0 {
            let text = format!("{:.0} ms", time * 1000.0);
            painter.text(pos2(x, whole.bottom()), Align2::CENTER_BOTTOM, text, theme::small(), theme::QUIET);
        }
    }
    let r = scale.x(0.0);
    if scale.first <= 0.0 || r > plot.left() {
        let line = [pos2(r, plot.top()), pos2(r, plot.bottom())];
        ink::line(painter, &line, LineStyle::Dashed, 1.2, theme::QUIET);
    }
    // Frames begin after it: the mark stands at the edge and says how long before.
    let text = if r > plot.left() {
        "R".to_owned()
    } else {
        format!("‹ R, {} ms", words::fixed(scale.first * 1000.0, 0))
    };
    let x = scale.of_frame(frame);
    let mut at = pos2(r.max(plot.left() + 2.0), plot.top() + 2.0);
    if (at.x - 6.0..at.x + 52.0).contains(&x) {
        // Beside the mark of the frame, not under it.
        at.x = x + 8.0;
    }
    painter.text(at, Align2::LEFT_TOP, text, theme::tiny(), theme::QUIET);
    painter.line_segment([pos2(x, plot.top()), pos2(x, plot.bottom())], Stroke::new(1.5, theme::TEXT));
    ink::grip(painter, pos2(x, plot.top() + 4.0), 4.0, theme::TEXT, true);
    if (response.clicked() || turning::moves(&response))
        && let Some(at) = response.interact_pointer_pos()
    {
        view.playing = None;
        out.push(Action::Do(Command::Frame(scale.nearest(at.x))));
    }
}
