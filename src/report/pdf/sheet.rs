//! One page as a list of marks, in points from its upper left corner.

use super::super::colour::{QUIET, RULE};
use super::Paper;
use super::face::{Face, Weight};

/// Space around the page's content
pub(crate) const MARGIN: f64 = 48.0;

/// How a line of text is set
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Style {
    /// Size in points
    pub(crate) size: f64,
    /// How heavy
    pub(crate) weight: Weight,
    /// `#rrggbb`
    pub(crate) colour: &'static str,
}

impl Style {
    pub(crate) const fn plain(size: f64, colour: &'static str) -> Self {
        Self { size, weight: Weight::Plain, colour }
    }

    pub(crate) const fn bold(size: f64, colour: &'static str) -> Self {
        Self { size, weight: Weight::Bold, colour }
    }
}

/// Something on the page
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Mark {
    /// A line of text that starts at `x` with its letters standing on `y`
    Text {
        /// Left end
        x: f64,
        /// Base line
        y: f64,
        /// How it is set
        style: Style,
        /// The letters
        text: String,
    },
    /// A filled rectangle: left, top, width, height
    Fill([f64; 4], &'static str),
    /// A rectangle's rim: left, top, width, height
    Rim([f64; 4], &'static str),
    /// An SVG figure: left, top, width; its height follows
    Figure {
        /// Left, top, width, height
        at: [f64; 4],
        /// The drawing
        svg: String,
    },
}

/// One page
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Sheet {
    paper: Paper,
    /// What is on it, in the order of drawing
    pub(crate) marks: Vec<Mark>,
}

impl Sheet {
    pub(crate) fn new(paper: Paper) -> Self {
        Self { paper, marks: Vec::new() }
    }

    /// Width of the content
    pub(crate) fn width(&self) -> f64 {
        self.paper.size().0 - 2.0 * MARGIN
    }

    /// Lower end of the content
    pub(crate) fn bottom(&self) -> f64 {
        self.paper.size().1 - MARGIN - 12.0
    }

    /// Puts a line of text
    pub(crate) fn text(&mut self, x: f64, y: f64, style: Style, text: &str) {
        self.marks.push(Mark::Text { x, y, style, text: text.to_owned() });
    }

    /// Puts a line of text that ends at `x`
    pub(crate) fn text_to(&mut self, x: f64, y: f64, style: Style, text: &str, face: &Face) {
        self.text(x - face.width(text, style.size, style.weight), y, style, text);
    }

    /// Puts a text of several lines; returns the base line that would follow
    pub(crate) fn lines(&mut self, x: f64, y: f64, style: Style, lines: &[String], step: f64) -> f64 {
        for (index, line) in lines.iter().enumerate() {
            self.text(x, y + step * index as f64, style, line);
        }
        y + step * lines.len() as f64
    }

    /// Puts a thin rule across the content
    pub(crate) fn rule(&mut self, y: f64) {
        let width = self.width();
        self.marks.push(Mark::Fill([MARGIN, y, width, 0.7], RULE));
    }

    /// The foot of the page
    pub(crate) fn foot(&mut self, left: &str, right: &str, face: &Face) {
        let (width, height) = self.paper.size();
        let y = height - MARGIN + 14.0;
        let style = Style::plain(7.5, QUIET);
        let room = self.width() - face.width(right, style.size, style.weight) - 16.0;
        let left = face.cut(left, style.size, style.weight, room);
        self.text(MARGIN, y, style, &left);
        self.text_to(width - MARGIN, y, style, right, face);
    }

    /// All words, in order
    #[cfg(test)]
    pub(crate) fn words(&self) -> String {
        let text = |mark: &Mark| match mark {
            Mark::Text { text, .. } => Some(text.clone()),
            _ => None,
        };
        self.marks.iter().filter_map(text).collect::<Vec<_>>().join(" ")
    }

    /// The space each mark takes: left, top, right, bottom
    #[cfg(test)]
    pub(crate) fn boxes(&self, face: &Face) -> Vec<[f64; 4]> {
        let corner = |[x, y, w, h]: [f64; 4]| [x, y, x + w, y + h];
        self.marks
            .iter()
            .map(|mark| match mark {
                Mark::Text { x, y, style, text } => {
                    let right = x + face.width(text, style.size, style.weight);
                    [*x, y - 0.8 * style.size, right, y + 0.25 * style.size]
                }
                Mark::Fill(at, _) | Mark::Rim(at, _) | Mark::Figure { at, .. } => corner(*at),
            })
            .collect()
    }
}
