//! The font of the report, and how wide its words are.
//!
//! One light face serves for everything (Ubuntu Light, Ubuntu Font Licence 1.0, which allows
//! embedding). A heavier weight is the same letters with a thin stroke of their own colour, spaced
//! a little wider, so that one embedded font is enough. There is no kerning and no ligature: words
//! are a row of glyphs, each as wide as the font says.

use std::collections::BTreeMap;

use skrifa::instance::{LocationRef, Size};
use skrifa::{FontRef, MetadataProvider as _};

use super::PdfError;

/// How heavy letters are
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Weight {
    /// Text
    Plain,
    /// Headings and the answer
    Bold,
}

impl Weight {
    /// Width of the stroke around each letter, as a share of the size
    pub(crate) fn stroke(self) -> f64 {
        match self {
            // A hairline would be widened to a pixel by many viewers, and all text look bold.
            Self::Plain => 0.0,
            Self::Bold => 0.055,
        }
    }

    /// Space added after each letter, as a share of the size
    fn spacing(self) -> f64 {
        match self {
            Self::Plain => 0.0,
            Self::Bold => 0.022,
        }
    }
}

/// One glyph of a line
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Glyph {
    /// Its number in the font
    pub(crate) id: u32,
    /// Its width as a share of the size, spacing included
    pub(crate) advance: f64,
    /// The bytes of the text it stands for
    pub(crate) from: usize,
    /// Where they end
    pub(crate) to: usize,
}

/// The font
pub(crate) struct Face {
    advances: BTreeMap<char, (u32, f64)>,
}

impl Face {
    /// The bytes of the font file
    pub(crate) const BYTES: &'static [u8] = epaint_default_fonts::UBUNTU_LIGHT;

    /// Reads the font
    pub(crate) fn new() -> Result<Self, PdfError> {
        let font = FontRef::new(Self::BYTES).map_err(|_| PdfError::Font)?;
        let metrics = font.glyph_metrics(Size::unscaled(), LocationRef::default());
        let per_em = f64::from(font.metrics(Size::unscaled(), LocationRef::default()).units_per_em);
        let advances = font
            .charmap()
            .mappings()
            .filter_map(|(letter, glyph)| {
                let advance = f64::from(metrics.advance_width(glyph)?) / per_em;
                Some((char::from_u32(letter)?, (glyph.to_u32(), advance)))
            })
            .collect();
        Ok(Self { advances })
    }

    /// The glyphs of a line; letters the font lacks become question marks
    pub(crate) fn glyphs(&self, text: &str, weight: Weight) -> Vec<Glyph> {
        let unknown = self.advances.get(&'?').copied().unwrap_or((0, 0.5));
        text.char_indices()
            .map(|(from, letter)| {
                let (id, advance) = self.advances.get(&letter).copied().unwrap_or(unknown);
                Glyph { id, advance: advance + weight.spacing(), from, to: from + letter.len_utf8() }
            })
            .collect()
    }

    /// The width of a line
    pub(crate) fn width(&self, text: &str, size: f64, weight: Weight) -> f64 {
        size * self.glyphs(text, weight).iter().map(|glyph| glyph.advance).sum::<f64>()
    }

    /// A text broken into lines no wider than `width`; a word that is wider is broken inside
    pub(crate) fn lines(&self, text: &str, size: f64, weight: Weight, width: f64) -> Vec<String> {
        let fits = |line: &str| self.width(line, size, weight) <= width;
        let mut lines: Vec<String> = Vec::new();
        let mut line = String::new();
        for word in text.split_whitespace() {
            let joined = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
            if fits(&joined) {
                line = joined;
                continue;
            }
            if !line.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            for letter in word.chars() {
                line.push(letter);
                if !fits(&line) && line.chars().count() > 1 {
                    line.pop();
                    lines.push(std::mem::replace(&mut line, letter.to_string()));
                }
            }
        }
        if !line.is_empty() || lines.is_empty() {
            lines.push(line);
        }
        lines
    }

    /// A text cut to a width, with an ellipsis where something is missing
    pub(crate) fn cut(&self, text: &str, size: f64, weight: Weight, width: f64) -> String {
        if self.width(text, size, weight) <= width {
            return text.to_owned();
        }
        let mut kept = String::new();
        for letter in text.chars() {
            kept.push(letter);
            if self.width(&format!("{kept}…"), size, weight) > width {
                kept.pop();
                break;
            }
        }
        format!("{}…", kept.trim_end())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_fit_and_lose_nothing() {
        let face = Face::new().unwrap();
        let text =
            "Each jet is found by its high-velocity core, averyveryveryverylongwordthatfitsnowhere indeed.";
        for width in [30.0, 80.0, 200.0] {
            let lines = face.lines(text, 10.0, Weight::Bold, width);
            assert!(lines.iter().all(|line| face.width(line, 10.0, Weight::Bold) <= width), "{lines:?}");
            let squeezed = |text: &str| text.chars().filter(|c| !c.is_whitespace()).collect::<String>();
            assert_eq!(squeezed(&lines.concat()), squeezed(text));
        }
        let cut = face.cut(text, 10.0, Weight::Plain, 60.0);
        assert!(cut.ends_with('…') && face.width(&cut, 10.0, Weight::Plain) <= 60.0);
    }

    #[test]
    fn every_sign_of_the_report_is_in_the_font() {
        let face = Face::new().unwrap();
        for sign in "AZaz09²°±–−×≤≥·µ%…•".chars() {
            assert!(face.advances.contains_key(&sign), "{sign}");
        }
    }
}
