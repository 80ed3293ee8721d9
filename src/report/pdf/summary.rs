//! Page one: the answer, how sure it is, whether to trust it, and the picture that shows it.
//!
//! The eye is led from the area (the largest thing on the page) to its interval, then to the bar
//! of the trust check, then to the picture; four sentences stand below it.

use super::super::colour::{BAD, GOOD, INK, QUIET, RULE, TRACING};
use super::super::html::{ACQUISITION, PageFigure};
use super::super::{content, words};
use super::face::{Face, Weight};
use super::sheet::{MARGIN, Mark, Sheet, Style};
use super::{PaperOptions, conclusion, figure};
use crate::measure::results::{Results, Verdict};

/// The page
pub(crate) fn page(results: &Results, figures: &[PageFigure], options: &PaperOptions, face: &Face) -> Sheet {
    let mut page = Page { sheet: Sheet::new(options.paper), face, y: MARGIN };
    page.head(results);
    page.answer(results, options);
    page.trust(results);
    page.weighing(results);
    let standing = page.standing_height();
    let glance = glance(results, options);
    let tall = page.glance_height(&glance) + standing + 12.0;
    page.picture(figures, tall);
    page.glance(&glance);
    page.standing();
    page.sheet
}

struct Page<'a> {
    sheet: Sheet,
    face: &'a Face,
    y: f64,
}

const LABEL: Style = Style::plain(9.0, QUIET);
const SAID: Style = Style::plain(9.5, INK);
const STEP: f64 = 12.6;
const INDENT: f64 = 104.0;

impl Page<'_> {
    fn right(&self) -> f64 {
        MARGIN + self.sheet.width()
    }

    fn head(&mut self, results: &Results) {
        let y = self.y + 8.0;
        let kicker = Style::plain(10.0, QUIET);
        self.sheet.text(MARGIN, y, kicker, "Vena contracta report");
        let file = self.face.cut(&results.source.file, 10.0, Weight::Plain, self.sheet.width() - 150.0);
        self.sheet.text_to(self.right(), y, kicker, &file, self.face);
        self.sheet.rule(y + 8.0);
        self.y = y + 8.0;
    }

    fn answer(&mut self, results: &Results, options: &PaperOptions) {
        let unit = options.unit;
        let y = self.y + 26.0;
        let (what, value, interval, plain) = match results.jets.as_slice() {
            [] => (
                "Regurgitation".to_owned(),
                "No regurgitant jet found".to_owned(),
                String::new(),
                format!(
                    "None of the {} shows a jet that could be followed through a neck. A jet may still exist \
                     outside the acquired volume, between gated beats, or hidden by a low colour gain.",
                    words::count(results.source.frames, "frame", "frames")
                ),
            ),
            jets => {
                let total = &results.total.vca_mm2;
                let what = if jets.len() == 1 {
                    "Vena contracta area".to_owned()
                } else {
                    format!("Vena contracta area, sum of {}", words::count(jets.len(), "jet", "jets"))
                };
                let interval = format!("95 % interval {} {}", unit.span(total), unit.sign());
                let plain = format!("{}: {}.", unit.other().interval(total), words::as_a_circle(total.value));
                (what, unit.text(total.value), interval, plain)
            }
        };
        self.sheet.text(MARGIN, y, Style::plain(11.0, QUIET), &what);
        let size = if results.jets.is_empty() { 26.0 } else { 40.0 };
        let number = Style::bold(size, INK);
        let base = y + 12.0 + 0.75 * size;
        self.sheet.text(MARGIN, base, number, &value);
        let after = MARGIN + self.face.width(&value, size, Weight::Bold) + 18.0;
        self.sheet.text(after, base, Style::bold(16.0, INK), &interval);
        let lines = self.face.lines(&plain, 10.5, Weight::Plain, self.sheet.width());
        self.y = self.sheet.lines(MARGIN, base + 19.0, Style::plain(10.5, INK), &lines, 14.0) - 4.0;
    }

    /// A bar with a word and a sentence
    fn bar(&mut self, colour: &'static str, word: &str, sentence: &str) {
        let style = Style::bold(10.5, INK);
        let lead = self.face.width(word, style.size, style.weight) + 8.0;
        let room = self.sheet.width() - 24.0 - lead;
        let lines = self.face.lines(sentence, 10.0, Weight::Plain, room);
        let height = 13.0 * lines.len() as f64 + 11.0;
        let width = self.sheet.width();
        self.sheet.marks.push(Mark::Fill([MARGIN, self.y, width, height], "#F3F4F2"));
        self.sheet.marks.push(Mark::Fill([MARGIN, self.y, 6.0, height], colour));
        let y = self.y + 15.5;
        self.sheet.text(MARGIN + 16.0, y, style, word);
        self.sheet.lines(MARGIN + 16.0 + lead, y, Style::plain(10.0, INK), &lines, 13.0);
        self.y += height + 6.0;
    }

    fn trust(&mut self, results: &Results) {
        let verdict = results.trust.verdict;
        let colour = match verdict {
            Verdict::Adequate => GOOD,
            Verdict::Limited => TRACING,
            Verdict::Unfit => BAD,
        };
        let worst = content::findings(results).into_iter().find(|row| row.verdict != "adequate");
        let mut sentence = format!("{}.", words::capital(words::verdict_meaning(verdict)));
        if let Some(worst) = worst {
            let short = self.face.cut(&worst.message, 10.0, Weight::Plain, 2.2 * self.sheet.width());
            sentence = format!("{sentence} {short}");
        }
        self.bar(colour, &format!("Trust check: {}", words::verdict(verdict)), &sentence);
    }

    fn weighing(&mut self, results: &Results) {
        if let Some((outcome, sentence)) = conclusion(results) {
            let short = self.face.cut(&sentence, 10.0, Weight::Plain, 2.6 * self.sheet.width());
            self.bar(QUIET, &format!("Weighed: {outcome}"), &short);
        }
    }

    /// The first figure, as large as the rest of the page allows
    fn picture(&mut self, figures: &[PageFigure], below: f64) {
        let Some(first) = figures.iter().find(|figure| figure.jet != ACQUISITION) else { return };
        let (width, height) = figure::size(&first.svg).unwrap_or((1000.0, 650.0));
        let room = self.sheet.bottom() - below - self.y - 12.0;
        let scale = (self.sheet.width() / width).min(room / height);
        if scale * width < 150.0 {
            return;
        }
        let (wide, tall) = (scale * width, scale * height);
        let left = MARGIN + (self.sheet.width() - wide) / 2.0;
        let at = [left, self.y + 4.0, wide, tall];
        self.sheet.marks.push(Mark::Figure { at, svg: first.svg.clone() });
        self.sheet.marks.push(Mark::Rim(at, RULE));
        self.y += tall + 10.0;
    }

    fn glance_lines(&self, text: &str) -> Vec<String> {
        self.face.lines(text, SAID.size, SAID.weight, self.sheet.width() - INDENT)
    }

    fn glance_height(&self, rows: &[(&str, String)]) -> f64 {
        rows.iter().map(|(_, text)| STEP * self.glance_lines(text).len() as f64 + 4.0).sum::<f64>() + 6.0
    }

    fn glance(&mut self, rows: &[(&str, String)]) {
        self.y += 6.0;
        for (name, text) in rows {
            let lines = self.glance_lines(text);
            let y = self.y + STEP - 2.0;
            self.sheet.text(MARGIN, y, LABEL, name);
            self.sheet.lines(MARGIN + INDENT, y, SAID, &lines, STEP);
            self.y += STEP * lines.len() as f64 + 4.0;
        }
    }

    fn standing_lines(&self) -> Vec<String> {
        let text = format!("{} {}", content::STANDING_CAUTIONS[0], content::STANDING_CAUTIONS[2]);
        self.face.lines(&text, 8.5, Weight::Plain, self.sheet.width())
    }

    fn standing_height(&self) -> f64 {
        11.5 * self.standing_lines().len() as f64 + 12.0
    }

    /// What is said on every first page, at its lower end
    fn standing(&mut self) {
        let lines = self.standing_lines();
        let top = self.sheet.bottom() - 11.5 * lines.len() as f64;
        self.sheet.rule(top - 4.0);
        self.sheet.lines(MARGIN, top + 9.0, Style::plain(8.5, QUIET), &lines, 11.5);
    }
}

/// The sentences below the picture, those of the largest jet where there are several
fn glance(results: &Results, options: &PaperOptions) -> Vec<(&'static str, String)> {
    let mut rows = Vec::new();
    if let Some(jet) = results.jets.first() {
        rows.push(("A single width", words::single_width(jet, options.unit)));
        rows.push(("Shape", words::shape_sentence(jet)));
        rows.push(("Through systole", words::systole(jet, options.unit)));
        rows.push(("Direction", content::direction(jet)));
        rows.push(("Outline", words::origin(jet)));
        if let Some(volume) = &results.total.regurgitant_volume_ml {
            let envelope = words::envelope(results).unwrap_or_default();
            let volume = words::ml_interval(volume);
            rows.push(("Leak", format!("Regurgitant volume {volume} a beat. {envelope}")));
        }
        if results.jets.len() > 1 {
            rows.push((
                "Several jets",
                "Picture and sentences are those of the largest jet; all follow.".into(),
            ));
        }
    }
    rows
}
