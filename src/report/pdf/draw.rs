//! Marks into PDF.

use krilla::Document;
use krilla::SerializeSettings;
use krilla::color::rgb;
use krilla::geom::{PathBuilder, Point, Rect, Transform};
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, LineJoin, Stroke};
use krilla::surface::Surface;
use krilla::text::{Font, GlyphId, KrillaGlyph};

use super::face::{Face, Weight};
use super::sheet::{Mark, Sheet};
use super::{Paper, PdfError, figure};

/// What drawing letters takes
pub(crate) struct Pen<'a> {
    /// The font as krilla embeds it
    pub(crate) font: Font,
    /// The widths of its letters
    pub(crate) face: &'a Face,
}

/// The pages as one document
pub(crate) fn document(
    sheets: &[Sheet],
    paper: Paper,
    title: &str,
    author: Option<&str>,
    face: &Face,
) -> Result<Vec<u8>, PdfError> {
    let font = Font::new(Face::BYTES.into(), 0).ok_or(PdfError::Font)?;
    let pen = Pen { font, face };
    let mut document = Document::new_with(SerializeSettings::default());
    let mut metadata = Metadata::new()
        .title(title.to_owned())
        .language("en".to_owned())
        .creator(format!("narrows {}", env!("CARGO_PKG_VERSION")));
    if let Some(author) = author {
        metadata = metadata.authors(vec![author.to_owned()]);
    }
    document.set_metadata(metadata);
    let (width, height) = paper.size();
    for sheet in sheets {
        let settings = PageSettings::from_wh(width as f32, height as f32)
            .ok_or_else(|| PdfError::Document("the paper has no size".into()))?;
        let mut page = document.start_page_with(settings);
        let mut surface = page.surface();
        for mark in &sheet.marks {
            draw(&mut surface, mark, &pen)?;
        }
        surface.finish();
        page.finish();
    }
    document.finish().map_err(|error| PdfError::Document(format!("{error:?}")))
}

fn draw(surface: &mut Surface<'_>, mark: &Mark, pen: &Pen<'_>) -> Result<(), PdfError> {
    match mark {
        Mark::Text { x, y, style, text } => {
            let colour = colour(style.colour);
            letters(surface, pen, (*x, *y), style.size, style.weight, colour, text);
        }
        Mark::Fill(at, filled) => {
            surface.set_stroke(None);
            surface.set_fill(Some(fill(colour(filled), 1.0)));
            rectangle(surface, *at);
        }
        Mark::Rim(at, drawn) => {
            surface.set_fill(None);
            surface.set_stroke(Some(Stroke { paint: colour(drawn).into(), width: 0.7, ..Stroke::default() }));
            rectangle(surface, *at);
        }
        Mark::Figure { at: [x, y, width, _], svg } => {
            let tree = figure::tree(svg)?;
            let scale = (*width as f32) / tree.size().width();
            surface.push_transform(&Transform::from_row(scale, 0.0, 0.0, scale, *x as f32, *y as f32));
            let drawn = figure::draw(surface, &tree, pen);
            surface.pop();
            drawn?;
        }
    }
    Ok(())
}

/// A line of letters that stand on a point; a heavier weight is a stroke around them
pub(crate) fn letters(
    surface: &mut Surface<'_>,
    pen: &Pen<'_>,
    (x, y): (f64, f64),
    size: f64,
    weight: Weight,
    colour: rgb::Color,
    text: &str,
) {
    surface.set_fill(Some(fill(colour, 1.0)));
    surface.set_stroke((weight != Weight::Plain).then(|| Stroke {
        paint: colour.into(),
        width: (weight.stroke() * size) as f32,
        line_join: LineJoin::Round,
        ..Stroke::default()
    }));
    glyphs(surface, pen, (x, y), size, (weight, Ink::Letters), text);
}

/// What glyphs are in the document
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ink {
    /// Letters that can be searched and copied
    Letters,
    /// Shapes that only look like letters
    Shapes,
}

/// A line of glyphs in the paint that is set
pub(crate) fn glyphs(
    surface: &mut Surface<'_>,
    pen: &Pen<'_>,
    (x, y): (f64, f64),
    size: f64,
    (weight, ink): (Weight, Ink),
    text: &str,
) {
    let row: Vec<KrillaGlyph> = pen
        .face
        .glyphs(text, weight)
        .into_iter()
        .map(|glyph| {
            let advance = glyph.advance as f32;
            KrillaGlyph::new(GlyphId::new(glyph.id), advance, 0.0, 0.0, 0.0, glyph.from..glyph.to, None)
        })
        .collect();
    let start = Point::from_xy(x as f32, y as f32);
    surface.draw_glyphs(start, &row, pen.font.clone(), text, size as f32, ink == Ink::Shapes);
}

fn rectangle(surface: &mut Surface<'_>, [x, y, width, height]: [f64; 4]) {
    let Some(rect) = Rect::from_xywh(x as f32, y as f32, width as f32, height as f32) else { return };
    let mut path = PathBuilder::new();
    path.push_rect(rect);
    if let Some(path) = path.finish() {
        surface.draw_path(&path);
    }
}

pub(crate) fn fill(colour: rgb::Color, opacity: f32) -> Fill {
    Fill { paint: colour.into(), opacity: share(opacity), rule: krilla::paint::FillRule::NonZero }
}

/// A number cut to 0..=1
pub(crate) fn share(value: f32) -> NormalizedF32 {
    NormalizedF32::new(value.clamp(0.0, 1.0)).unwrap_or(NormalizedF32::ONE)
}

/// `#rrggbb`; black where it is none
fn colour(hex: &str) -> rgb::Color {
    let byte = |at: usize| hex.get(at..at + 2).and_then(|two| u8::from_str_radix(two, 16).ok()).unwrap_or(0);
    rgb::Color::new(byte(1), byte(3), byte(5))
}
