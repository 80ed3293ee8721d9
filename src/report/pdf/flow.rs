//! Text, tables and figures one below the other, over as many pages as they need.

use super::super::colour::{INK, QUIET, RULE};
use super::Paper;
use super::face::{Face, Weight};
use super::sheet::{MARGIN, Mark, Sheet, Style};

const TEXT: Style = Style::plain(8.5, INK);
const HEAD: Style = Style::plain(8.0, QUIET);
const CAPTION: Style = Style::plain(8.0, QUIET);
const STEP: f64 = 10.9;
/// How far a figure may shrink to fit on its page (our own choice: its letters stay legible)
const SMALLEST: f64 = 0.68;

/// A column of a table: its head, and its share of the width
pub(crate) type Column = (String, f64);

/// Pages in the making
pub(crate) struct Flow<'a> {
    face: &'a Face,
    paper: Paper,
    sheets: Vec<Sheet>,
    y: f64,
}

impl<'a> Flow<'a> {
    pub(crate) fn new(paper: Paper, face: &'a Face) -> Self {
        Self { face, paper, sheets: vec![Sheet::new(paper)], y: MARGIN }
    }

    pub(crate) fn finish(self) -> Vec<Sheet> {
        self.sheets
    }

    fn sheet(&mut self) -> &mut Sheet {
        if self.sheets.is_empty() {
            self.sheets.push(Sheet::new(self.paper));
        }
        let last = self.sheets.len() - 1;
        &mut self.sheets[last]
    }

    /// Makes sure that `height` fits, on a new page if need be
    fn room(&mut self, height: f64) {
        let bottom = self.sheet().bottom();
        if self.y + height > bottom && self.y > MARGIN {
            self.page();
        }
    }

    /// Starts a new page
    pub(crate) fn page(&mut self) {
        self.sheets.push(Sheet::new(self.paper));
        self.y = MARGIN;
    }

    /// The strip at the top of the first page
    pub(crate) fn title(&mut self, left: &str, right: &str) {
        let style = Style::plain(10.0, QUIET);
        let y = self.y + 8.0;
        let width = self.sheet().width();
        let right = self.face.cut(right, style.size, style.weight, width - 150.0);
        let face = self.face;
        self.sheet().text(MARGIN, y, style, left);
        self.sheet().text_to(MARGIN + width, y, style, &right, face);
        self.sheet().rule(y + 8.0);
        self.y = y + 22.0;
    }

    /// One line of text, cut where it is too long
    pub(crate) fn line(&mut self, text: &str, style: Style, height: f64) {
        self.room(height);
        let width = self.sheet().width();
        let text = self.face.cut(text, style.size, style.weight, width);
        let y = self.y + 0.85 * height;
        self.sheet().text(MARGIN, y, style, &text);
        self.y += height;
    }

    /// Empty space
    pub(crate) fn gap(&mut self, height: f64) {
        self.y += height;
    }

    /// Two figures of one size side by side; an empty place where one is missing
    pub(crate) fn pair(&mut self, svgs: [Option<&str>; 2], captions: [&str; 2]) {
        let width = (self.sheet().width() - 10.0) / 2.0;
        let tall = |svg: &str| super::figure::size(svg).map_or(40.0, |(w, h)| width * h / w);
        let height = svgs.iter().flatten().map(|svg| tall(svg)).fold(40.0, f64::max);
        self.room(height + 26.0);
        let y = self.y + 6.0;
        for (place, (svg, caption)) in svgs.iter().zip(captions).enumerate() {
            let at = [MARGIN + (width + 10.0) * place as f64, y, width, svg.map_or(height, tall)];
            match svg {
                Some(svg) => self.sheet().marks.push(Mark::Figure { at, svg: (*svg).to_owned() }),
                None => self.sheet().text(at[0] + 12.0, y + height / 2.0, TEXT, "No jet was found."),
            }
            self.sheet().marks.push(Mark::Rim(at, RULE));
            self.sheet().text(at[0], y + height + 12.0, CAPTION, caption);
        }
        self.y = y + height + 18.0;
    }

    /// What figures above it show
    pub(crate) fn caption(&mut self, text: &str) {
        let lines = self.face.lines(text, CAPTION.size, CAPTION.weight, self.sheet().width());
        self.room(11.0 * lines.len() as f64);
        let y = self.y + 2.0;
        self.y = self.sheet().lines(MARGIN, y, CAPTION, &lines, 11.0) + 4.0;
    }

    /// A heading that keeps `with` points of what follows on its page
    pub(crate) fn heading(&mut self, text: &str, with: f64) {
        self.room(44.0 + with);
        let first = self.y <= MARGIN;
        let y = self.y + if first { 14.0 } else { 32.0 };
        if !first {
            self.sheet().rule(y - 20.0);
        }
        let style = Style::bold(13.0, INK);
        let width = self.sheet().width();
        let text = self.face.cut(text, style.size, style.weight, width);
        self.sheet().text(MARGIN, y, style, &text);
        self.y = y + 10.0;
    }

    /// A smaller heading
    pub(crate) fn subheading(&mut self, text: &str, with: f64) {
        self.room(26.0 + with);
        let y = self.y + 18.0;
        self.sheet().text(MARGIN, y, Style::bold(10.0, INK), text);
        self.y = y + 6.0;
    }

    /// A paragraph
    pub(crate) fn paragraph(&mut self, text: &str) {
        self.indented(text, 0.0, "");
    }

    /// An item of a list
    pub(crate) fn bullet(&mut self, text: &str) {
        self.indented(text, 12.0, "•");
    }

    fn indented(&mut self, text: &str, indent: f64, mark: &str) {
        let width = self.sheet().width() - indent;
        let lines = self.face.lines(text, TEXT.size, TEXT.weight, width);
        for (index, line) in lines.iter().enumerate() {
            self.room(STEP);
            let y = self.y + STEP - 2.0;
            if index == 0 && !mark.is_empty() {
                self.sheet().text(MARGIN, y, TEXT, mark);
            }
            self.sheet().text(MARGIN + indent, y, TEXT, line);
            self.y += STEP;
        }
        self.y += 3.0;
    }

    /// A table; the head is repeated on every page. The first column's words are plain, `strong` is
    /// the column set bold.
    pub(crate) fn table(&mut self, columns: &[Column], rows: &[Vec<String>], strong: Option<usize>) {
        let width = self.sheet().width();
        let total: f64 = columns.iter().map(|column| column.1).sum();
        let mut x = MARGIN;
        let mut places = Vec::new();
        for (_, share) in columns {
            let own = width * share / total;
            places.push((x, own - 10.0));
            x += own;
        }
        self.room(3.0 * STEP + 16.0);
        self.table_head(columns, &places);
        for row in rows {
            let weight = |column| if strong == Some(column) { Weight::Bold } else { Weight::Plain };
            let cells: Vec<Vec<String>> = row
                .iter()
                .zip(&places)
                .enumerate()
                .map(|(column, (cell, (_, own)))| self.face.lines(cell, TEXT.size, weight(column), *own))
                .collect();
            let tall = cells.iter().map(Vec::len).max().unwrap_or(1);
            let height = STEP * tall as f64 + 4.0;
            let bottom = self.sheet().bottom();
            if self.y + height > bottom && self.y > MARGIN {
                self.page();
                self.table_head(columns, &places);
            }
            let y = self.y + STEP - 1.0;
            for (column, (lines, (x, _))) in cells.iter().zip(&places).enumerate() {
                let style = Style { weight: weight(column), ..TEXT };
                self.sheet().lines(*x, y, style, lines, STEP);
            }
            self.y += height;
            let line = self.y - 1.0;
            self.sheet().marks.push(Mark::Fill([MARGIN, line, width, 0.5], RULE));
        }
        self.y += 6.0;
    }

    fn table_head(&mut self, columns: &[Column], places: &[(f64, f64)]) {
        if columns.iter().all(|(name, _)| name.is_empty()) {
            return;
        }
        let cells: Vec<Vec<String>> = columns
            .iter()
            .zip(places)
            .map(|((name, _), (_, own))| self.face.lines(name, HEAD.size, HEAD.weight, *own))
            .collect();
        let tall = cells.iter().map(Vec::len).max().unwrap_or(1) as f64;
        let bottom = self.y + 11.0 * tall;
        for (lines, (x, _)) in cells.iter().zip(places) {
            let y = bottom - 11.0 * (lines.len() as f64 - 1.0);
            self.sheet().lines(*x, y, HEAD, lines, 11.0);
        }
        self.y = bottom + 5.0;
        let (line, width) = (self.y - 1.0, self.sheet().width());
        self.sheet().marks.push(Mark::Fill([MARGIN, line, width, 0.8], QUIET));
        self.y += 1.0;
    }

    /// A figure with its caption, `share` of the width of the content
    pub(crate) fn figure(&mut self, svg: &str, size: (f64, f64), caption: &str, share: f64) {
        let full = self.sheet().width();
        let mut width = full * share;
        let lines = self.face.lines(caption, CAPTION.size, CAPTION.weight, full);
        let below = 11.0 * lines.len() as f64 + 18.0;
        // Rather a little smaller than a page that ends half empty.
        let left = (self.sheet().bottom() - self.y - below) * size.0 / size.1;
        if left < width && left > SMALLEST * width {
            width = left;
        }
        let height = width * size.1 / size.0;
        self.room(height + below);
        let at = [MARGIN, self.y + 6.0, width, height];
        self.sheet().marks.push(Mark::Figure { at, svg: svg.to_owned() });
        self.sheet().marks.push(Mark::Rim(at, RULE));
        let y = self.y + height + 19.0;
        self.y = self.sheet().lines(MARGIN, y, CAPTION, &lines, 11.0) + 4.0;
    }
}
