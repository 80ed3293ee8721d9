//! The report on paper: one page that is read in half a minute, and an appendix for the sceptic.
//!
//! Page one answers: how severe, how sure, how large, can it be trusted, and the picture that shows it.
//! What follows holds the grading with its reasons, every number, where the interval comes from, what the
//! acquisition was, and how it was measured.
//!
//! Setting goes in two steps. First every page becomes a list of marks in points (`sheet`,
//! `summary`, `flow`): plain data that tests can read. Then the marks are drawn
//! (`draw`, `figure`) by krilla, which writes PDF but does not lay out. Figures stay vectors. The
//! one font is embedded; no clock is read, so the same results give the same bytes.

mod comparison;
mod draw;
mod face;
pub(super) mod figure;
pub(super) mod flow;
mod sheet;
mod summary;

use super::document::Detail;
use super::document::{ACQUISITION, PageFigure};
use super::{AreaUnit, blocks, document};
use crate::measure::Comparison;
use crate::measure::results::Results;

/// The size of the paper
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Paper {
    /// 210 by 297 mm
    #[default]
    A4,
    /// 8.5 by 11 inches
    Letter,
}

impl Paper {
    /// Width and height in points of 1/72 inch
    pub(crate) fn size(self) -> (f64, f64) {
        match self {
            Self::A4 => (595.28, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }
}

/// How the report is set
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PaperOptions {
    /// The size of the paper
    pub paper: Paper,
    /// In which unit areas are told
    pub unit: AreaUnit,
    /// Who read, where somebody said so
    pub reader: Option<String>,
    /// What the measurement was told: name and value
    pub settings: Vec<[String; 2]>,
}

/// Why a PDF could not be made
#[derive(Debug, thiserror::Error)]
pub enum PdfError {
    /// A figure is not valid SVG
    #[error("reading the figure's own SVG: {0}")]
    Svg(#[from] resvg::usvg::Error),
    /// A picture inside a figure cannot be decoded
    #[error("decoding a picture of a figure: {0}")]
    Picture(#[from] png::DecodingError),
    /// The font that travels inside the program cannot be read
    #[error("reading the font of the report")]
    Font,
    /// The document could not be put together
    #[error("putting the PDF together: {0}")]
    Document(String),
}

/// The report as a PDF
///
/// # Errors
/// See [`PdfError`].
pub fn pdf(results: &Results, figures: &[PageFigure], options: &PaperOptions) -> Result<Vec<u8>, PdfError> {
    let face = face::Face::new()?;
    let mut sheets = vec![summary::page(results, figures, options, &face)];
    sheets.extend(appendix(results, figures, options, &face));
    number(&mut sheets, results, options, &face);
    let title = format!("Vena contracta report: {}", results.source.file);
    draw::document(&sheets, options.paper, &title, options.reader.as_deref(), &face)
}

/// The figures of a comparison, each an SVG
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PairFigures {
    /// En face, before and after, on one scale; `None` without a jet
    pub en_face: [Option<String>; 2],
    /// Both courses on one pair of axes
    pub courses: String,
}

/// A comparison as a PDF
///
/// # Errors
/// See [`PdfError`].
pub(super) fn comparison(
    of: &Comparison,
    figures: &PairFigures,
    options: &PaperOptions,
) -> Result<Vec<u8>, PdfError> {
    let face = face::Face::new()?;
    let mut sheets = comparison::pages(of, figures, options, &face);
    number(&mut sheets, &of.after, options, &face);
    let title = format!("Before and after: {} and {}", of.before.source.file, of.after.source.file);
    draw::document(&sheets, options.paper, &title, options.reader.as_deref(), &face)
}

/// The foot of every page: program, file by its hash, page of pages
fn number(sheets: &mut [sheet::Sheet], results: &Results, options: &PaperOptions, face: &face::Face) {
    let pages = sheets.len();
    let hash = results.source.blake3.get(..16).unwrap_or("no hash");
    for (index, sheet) in sheets.iter_mut().enumerate() {
        let reader = options.reader.as_ref().map_or(String::new(), |reader| format!(" · read by {reader}"));
        let left = format!("narrows {}, file {hash}{reader}", results.tool.version);
        let right = format!("page {} of {pages}", index + 1);
        sheet.foot(&left, &right, face);
    }
}

/// Pages that may follow page one (our own choice: more is not read)
const MOST_PAGES: usize = 6;

/// What follows page one: everything where it fits, else less of the further jets
fn appendix(
    results: &Results,
    figures: &[PageFigure],
    options: &PaperOptions,
    face: &face::Face,
) -> Vec<sheet::Sheet> {
    let mut settings = options.settings.clone();
    settings.extend(options.reader.clone().map(|reader| ["Reader".into(), reader]));
    // The first figure of a jet stands on page one.
    let shown = figures.iter().find(|figure| figure.jet != ACQUISITION);
    let mut sheets = Vec::new();
    for detail in Detail::ALL {
        let mut flow = flow::Flow::new(options.paper, face);
        let blocks = document::blocks(results, figures, options.unit, &settings, shown, detail);
        blocks::paper(&blocks, &mut flow);
        sheets = flow.finish();
        if sheets.len() <= MOST_PAGES {
            break;
        }
    }
    sheets
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::results::{FrameResult, JetResult};
    use crate::report::fixture;
    use crate::report::svg::{Face as Letters, Svg};

    fn figures() -> Vec<PageFigure> {
        ["en face", "long axis", "profile"]
            .map(|caption| {
                let mut svg = Svg::new(1000.0, 650.0, caption);
                svg.text((20.0, 40.0), Letters::new(20.0, "#102030"), "letters in a figure");
                PageFigure { jet: 1, caption: caption.into(), svg: svg.finish() }
            })
            .into()
    }

    fn words(sheets: &[sheet::Sheet]) -> String {
        sheets.iter().map(sheet::Sheet::words).collect::<Vec<_>>().join(" ")
    }

    fn sheets(results: &Results, options: &PaperOptions) -> Vec<sheet::Sheet> {
        let face = face::Face::new().unwrap();
        let mut sheets = vec![summary::page(results, &figures(), options, &face)];
        sheets.extend(appendix(results, &figures(), options, &face));
        number(&mut sheets, results, options, &face);
        sheets
    }

    #[test]
    fn every_mark_lies_on_the_paper_whatever_its_size() {
        let mut results = fixture::results();
        results.source.file = "a-file-with-a-very-long-name-".repeat(12) + ".dcm";
        for message in &mut results.trust.findings {
            message.message = message.message.repeat(9);
        }
        for jets in [0, 1, 4] {
            let mut results = results.clone();
            results.jets = (1..=jets)
                .map(|id| {
                    let mut jet = results.jets[0].clone();
                    jet.id = id;
                    jet
                })
                .collect();
            for paper in [Paper::A4, Paper::Letter] {
                let reader = Some("A Reader of a Long Name".repeat(5));
                let options = PaperOptions { paper, reader, ..PaperOptions::default() };
                let (width, height) = paper.size();
                let face = face::Face::new().unwrap();
                for sheet in sheets(&results, &options) {
                    for [left, top, right, bottom] in sheet.boxes(&face) {
                        assert!(
                            left > 20.0 && top > 15.0 && right < width - 20.0 && bottom < height - 12.0,
                            "{paper:?}, {jets} jets: {left} {top} {right} {bottom}"
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn the_first_page_answers_and_the_appendix_holds_the_numbers() {
        let results = fixture::results();
        let reader = PaperOptions { reader: Some("R7".into()), ..PaperOptions::default() };
        let all = sheets(&results, &reader);
        let first = words(&all[..1]);
        for said in [
            "Severity by ASE/SCMR 2017",
            "0.41 cm² (0.35 to 0.48)",
            "VC area, displayed",
            "Velocity-weighted mean",
            "limited",
            "Not a medical device",
            "page 1 of",
            "read by R7",
        ] {
            assert!(first.contains(said), "{said} is not in {first}");
        }
        assert!(!first.contains("memory"), "{first}");
        let rest = words(&all[1..]);
        for said in [
            "Integrated grading",
            "to the letter",
            "0.48 cm²",
            "11.3 mm (10.6 to 12.1)",
            "Blooming",
            "00ff00ff",
        ] {
            assert!(rest.to_lowercase().contains(&said.to_lowercase()), "{said} is not in {rest}");
        }
        for grading in &results.severity.as_ref().unwrap().placements {
            assert!(rest.contains(&grading.label), "{} is not in {rest}", grading.label);
        }
        let mm2 = PaperOptions { unit: AreaUnit::Mm2, ..PaperOptions::default() };
        assert!(words(&sheets(&results, &mm2)[..1]).contains("41.2 mm² (35.5 to 47.8)"));
    }

    #[test]
    fn at_most_six_pages_follow_and_none_is_half_empty_but_the_last() {
        let one = fixture::results();
        let face = face::Face::new().unwrap();
        let svg = |height: f64| Svg::new(1000.0, height, "a figure").finish();
        for (jets, paper) in
            [1, 2, 3, 5].into_iter().flat_map(|jets| [(jets, Paper::A4), (jets, Paper::Letter)])
        {
            let options = PaperOptions { paper, ..PaperOptions::default() };
            let mut results = one.clone();
            // As many frames, figures and findings as a volume of several jets has.
            results.jets = (1..=jets)
                .map(|id| {
                    let mut jet = one.jets[0].clone();
                    jet.frames = (0..11)
                        .map(|frame| FrameResult { frame, ..jet.frames[frame % jet.frames.len()].clone() })
                        .collect();
                    JetResult { id, ..jet }
                })
                .collect();
            let findings = results.trust.findings.clone();
            for _ in 1..jets {
                results.trust.findings.extend(findings.iter().take(4).cloned());
            }
            let figures: Vec<PageFigure> = (1..=jets)
                .flat_map(|jet| {
                    [650.0, 650.0, 650.0, 600.0, 560.0, 520.0].map(|height| PageFigure {
                        jet,
                        caption: "What it shows. ".repeat(12),
                        svg: svg(height),
                    })
                })
                .chain([PageFigure { jet: ACQUISITION, caption: "The acquisition".into(), svg: svg(700.0) }])
                .collect();
            let all = appendix(&results, &figures, &options, &face);
            assert!(all.len() <= 6, "{jets} jets on {paper:?}: {} pages", all.len());
            for sheet in &all[..all.len() - 1] {
                let foot = options.paper.size().1 - 40.0;
                let lowest =
                    sheet.boxes(&face).iter().map(|b| b[3]).filter(|y| *y < foot).fold(0.0, f64::max);
                assert!(lowest > 0.6 * options.paper.size().1, "{jets} jets: a page ends at {lowest}");
            }
        }
    }

    #[test]
    fn the_same_results_give_the_same_bytes() {
        let results = fixture::results();
        let make = || pdf(&results, &figures(), &PaperOptions::default()).unwrap();
        let once = make();
        assert!(once.starts_with(b"%PDF-") && once == make());
    }
}
