//! Page one: severity, the scale that shows it, the areas, whether to trust them, and the picture.
//!
//! The eye is led from the severity (the largest thing on the page) to the scale with its cut points, to
//! the numbers, to the bar of the trust check, then to the picture; a few sentences stand below it.

use super::super::answer::{Answer, answer};
use super::super::colour::{BAD, GOOD, INK, QUIET, RULE, TRACING};
use super::super::content;
use super::super::document::{ACQUISITION, PageFigure};
use super::super::figure::severity;
use super::face::{Face, Weight};
use super::sheet::{MARGIN, Mark, Sheet, Style};
use super::{PaperOptions, figure};
use crate::measure::results::{Results, Verdict};

/// The page
pub(crate) fn page(results: &Results, figures: &[PageFigure], options: &PaperOptions, face: &Face) -> Sheet {
    let said = answer(results, options.unit);
    let mut page = Page { sheet: Sheet::new(options.paper), face, y: MARGIN };
    page.head(results);
    page.answer(&said);
    if let Some(svg) = results.severity.as_ref().and_then(|grading| severity(grading, options.unit)) {
        let (width, height) = svg.size();
        let wide = page.sheet.width();
        let at = [MARGIN, page.y, wide, wide * height / width];
        page.sheet.marks.push(Mark::Figure { at, svg: svg.finish() });
        page.y += at[3] + 8.0;
    }
    page.values(&said);
    page.trust(results, &said);
    page.picture_and_said(figures, &said.said);
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
const GAP: f64 = 16.0;

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

    fn answer(&mut self, said: &Answer) {
        let y = self.y + 24.0;
        self.sheet.text(MARGIN, y, Style::plain(10.5, QUIET), &said.of);
        let room = self.sheet.width();
        let size = [34.0, 26.0, 20.0, 14.0]
            .into_iter()
            .find(|size| self.face.width(&said.headline, *size, Weight::Bold) <= room)
            .unwrap_or(14.0);
        let base = y + 12.0 + 0.75 * size;
        self.sheet.text(MARGIN, base, Style::bold(size, INK), &said.headline);
        let after = self.face.width(&said.headline, size, Weight::Bold) + 16.0;
        let mut below = base;
        let beside = Style::bold(13.0, INK);
        if after + self.face.width(&said.beside, beside.size, beside.weight) <= room {
            self.sheet.text(MARGIN + after, base, beside, &said.beside);
        } else if !said.beside.is_empty() {
            below += 18.0;
            let text = self.face.cut(&said.beside, beside.size, beside.weight, room);
            self.sheet.text(MARGIN, below, beside, &text);
        }
        let lines = self.face.lines(&said.why, 10.0, Weight::Plain, room);
        self.y = self.sheet.lines(MARGIN, below + 17.0, Style::plain(10.0, INK), &lines, 13.0) - 4.0;
    }

    /// The numbers, side by side; two a row where more do not keep each value on a line of its own
    fn values(&mut self, said: &Answer) {
        const VALUE: Style = Style::bold(11.5, INK);
        let all = said.values.len().max(1);
        let room = |columns: usize| self.sheet.width() / columns as f64 - 10.0;
        let width = |value: &str| self.face.width(value, VALUE.size, VALUE.weight);
        let fit = said.values.iter().all(|[_, value, _]| width(value) <= room(all));
        let columns = if fit { all } else { all.min(2) };
        let (room, wide) = (room(columns), self.sheet.width() / columns as f64);
        for row in said.values.chunks(columns) {
            let top = self.y;
            for (index, [name, value, note]) in row.iter().enumerate() {
                let x = MARGIN + wide * index as f64;
                let lines = |text: &str, size: f64, weight| self.face.lines(text, size, weight, room);
                let (name, value) = (lines(name, 8.5, Weight::Plain), lines(value, VALUE.size, VALUE.weight));
                let note = lines(note, 8.0, Weight::Plain);
                let y = self.sheet.lines(x, top + 10.0, Style::plain(8.5, QUIET), &name, 11.0);
                let y = self.sheet.lines(x, y + 4.0, VALUE, &value, 14.0);
                self.y = self.sheet.lines(x, y - 1.0, Style::plain(8.0, QUIET), &note, 10.5).max(self.y);
            }
        }
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

    fn trust(&mut self, results: &Results, said: &Answer) {
        let colour = match results.trust.verdict {
            Verdict::Adequate => GOOD,
            Verdict::Limited => TRACING,
            Verdict::Unfit => BAD,
        };
        let [lead, sentence] = &said.trust;
        self.bar(colour, lead, sentence);
    }

    /// The first figure, as large as the rest of the page allows, above the sentences or beside them
    fn picture_and_said(&mut self, figures: &[PageFigure], said: &[[String; 2]]) {
        let all = self.sheet.width();
        let room = self.sheet.bottom() - self.standing_height() - self.y - 24.0;
        let Some(first) = figures.iter().find(|figure| figure.jet != ACQUISITION) else {
            return self.glance(said, [0.0, INDENT]);
        };
        let (width, height) = figure::size(&first.svg).unwrap_or((1000.0, 650.0));
        let wide = |most: f64, tall: f64| most.min(tall * width / height);
        let above = wide(all, room - self.glance_height(said, INDENT));
        let beside = [0.6, 0.54, 0.48, 0.42]
            .map(|share| wide(share * all, room))
            .into_iter()
            .find(|beside| above < *beside && self.glance_height(said, beside + GAP) <= room);
        if let Some(beside) = beside {
            let (top, tall) = (self.y + 4.0, beside * height / width);
            self.figure(first, [MARGIN, top, beside, tall]);
            self.glance(said, [beside + GAP; 2]);
            self.y = self.y.max(top + tall + 6.0);
        } else {
            if above >= 150.0 {
                let tall = above * height / width;
                self.figure(first, [MARGIN + (all - above) / 2.0, self.y + 4.0, above, tall]);
                self.y += tall + 10.0;
            }
            self.glance(said, [0.0, INDENT]);
        }
    }

    fn figure(&mut self, of: &PageFigure, at: [f64; 4]) {
        self.sheet.marks.push(Mark::Figure { at, svg: of.svg.clone() });
        self.sheet.marks.push(Mark::Rim(at, RULE));
    }

    fn glance_lines(&self, text: &str, indent: f64) -> Vec<String> {
        self.face.lines(text, SAID.size, SAID.weight, self.sheet.width() - indent)
    }

    /// How tall the sentences stand that begin so far in; their names stand before or above them
    fn glance_height(&self, rows: &[[String; 2]], indent: f64) -> f64 {
        let names = if indent > INDENT { STEP } else { 0.0 };
        let tall = |text: &str| names + STEP * self.glance_lines(text, indent).len() as f64 + 4.0;
        rows.iter().map(|[_, text]| tall(text)).sum::<f64>() + 6.0
    }

    /// The sentences, names and texts at some distances from the margin
    fn glance(&mut self, rows: &[[String; 2]], [name_at, text_at]: [f64; 2]) {
        self.y += 6.0;
        for [name, text] in rows {
            let lines = self.glance_lines(text, text_at);
            self.sheet.text(MARGIN + name_at, self.y + STEP - 2.0, LABEL, name);
            if name_at >= text_at {
                self.y += STEP;
            }
            self.sheet.lines(MARGIN + text_at, self.y + STEP - 2.0, SAID, &lines, STEP);
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
