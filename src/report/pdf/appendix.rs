//! What follows page one: every number, where the interval comes from, what was measured and how.

use super::super::html::{ACQUISITION, PageFigure};
use super::super::{AreaUnit, content, words};
use super::face::Face;
use super::flow::{Column, Flow};
use super::sheet::Sheet;
use super::{PaperOptions, figure};
use crate::measure::results::{JetResult, Results};

/// The pages
pub(crate) fn pages(
    results: &Results,
    figures: &[PageFigure],
    options: &PaperOptions,
    face: &Face,
) -> Vec<Sheet> {
    let mut flow = Flow::new(options.paper, face);
    let unit = options.unit;
    if results.jets.len() > 1 {
        jets(&mut flow, results, unit);
    }
    for (place, jet) in results.jets.iter().enumerate() {
        one_jet(&mut flow, results, jet, unit);
        // The first figure of the first jet stands on page one.
        let mine = figures.iter().filter(|figure| figure.jet == jet.id).skip(usize::from(place == 0));
        for drawn in mine {
            let size = figure::size(&drawn.svg).unwrap_or((1000.0, 650.0));
            flow.figure(&drawn.svg, size, &drawn.caption, 0.84);
        }
    }
    trust(&mut flow, results);
    for drawn in figures.iter().filter(|figure| figure.jet == ACQUISITION) {
        let size = figure::size(&drawn.svg).unwrap_or((1000.0, 650.0));
        flow.figure(&drawn.svg, size, &drawn.caption, 0.84);
    }
    flow.heading("How it was measured", 60.0);
    flow.paragraph(content::METHOD);
    flow.paragraph(&content::program(results));
    source(&mut flow, results, options);
    flow.heading("Cautions", 60.0);
    for caution in content::cautions(results) {
        flow.bullet(&caution);
    }
    flow.finish()
}

fn columns<const N: usize>(columns: [(&str, f64); N]) -> Vec<Column> {
    columns.map(|(name, share)| (name.to_owned(), share)).into()
}

fn jets(flow: &mut Flow<'_>, results: &Results, unit: AreaUnit) {
    flow.heading("The jets", 80.0);
    let area = format!("Area, {} (95 %)", unit.sign());
    let heads = columns([
        ("Jet", 0.5),
        (area.as_str(), 2.2),
        ("Long-axis width, mm", 1.8),
        ("Commissural width, mm", 1.9),
        ("Shape", 1.2),
        ("Through systole", 1.5),
    ]);
    let plain = |interval: &crate::measure::results::Interval| {
        format!("{} ({})", words::fixed(interval.value, 1), words::span(interval, 1))
    };
    let rows: Vec<Vec<String>> = results
        .jets
        .iter()
        .map(|jet| {
            vec![
                jet.id.to_string(),
                format!("{} ({})", unit.number(jet.vca_mm2.value), unit.span(&jet.vca_mm2)),
                plain(&jet.width_mm.long_axis),
                plain(&jet.width_mm.commissural),
                words::shape(jet.shape.class).into(),
                words::pattern(jet.systole.pattern).into(),
            ]
        })
        .collect();
    flow.table(&heads, &rows, Some(1));
    if let Some(frame) = results.total.frame {
        flow.paragraph(&format!(
            "The sum is taken at frame {frame}, where it is largest; single jets may peak in other frames."
        ));
    }
}

fn one_jet(flow: &mut Flow<'_>, results: &Results, jet: &JetResult, unit: AreaUnit) {
    let title = if results.jets.len() > 1 { format!("Jet {}", jet.id) } else { "The numbers".into() };
    flow.heading(&title, 90.0);
    let heads = columns([("Measure", 1.5), ("Value (95 % interval)", 1.7), ("Note", 2.4)]);
    let rows: Vec<Vec<String>> = content::numbers(jet, unit).into_iter().map(Vec::from).collect();
    flow.table(&heads, &rows, Some(1));
    flow.subheading("Frame by frame", 60.0);
    let heads = columns([("Frame", 0.8), ("Time, ms", 0.8), ("Area (95 % interval)", 2.2), ("Outline", 0.9)]);
    let rows: Vec<Vec<String>> = jet
        .frames
        .iter()
        .map(|frame| {
            let peak = if frame.frame == jet.peak_frame { " (peak)" } else { "" };
            vec![
                format!("{}{peak}", frame.frame),
                words::fixed(1e3 * frame.time_s, 0),
                words::frame_area(frame, unit),
                words::frame_origin(jet, frame.frame).into(),
            ]
        })
        .collect();
    flow.table(&heads, &rows, None);
    if !jet.interval_parts.is_empty() {
        flow.subheading("Where the interval comes from", 60.0);
        let effect = format!("Effect on the area, ± {} (95 %)", unit.sign());
        let heads = columns([("Source", 2.0), (effect.as_str(), 2.0)]);
        let rows: Vec<Vec<String>> = jet
            .interval_parts
            .iter()
            .map(|part| vec![words::capital(&part.source), unit.fine(part.effect_mm2)])
            .collect();
        flow.table(&heads, &rows, None);
    }
    if !jet.observer.is_empty() {
        flow.subheading("What a slightly different reading would change", 60.0);
        let (mean, most) = (format!("Mean change, {}", unit.sign()), format!("Largest, ± {}", unit.sign()));
        let heads = columns([("Done differently", 2.2), (mean.as_str(), 1.0), (most.as_str(), 1.0)]);
        let rows: Vec<Vec<String>> = jet
            .observer
            .iter()
            .map(|change| {
                vec![words::capital(&change.what), unit.fine(change.mean_mm2), unit.fine(change.largest_mm2)]
            })
            .collect();
        flow.table(&heads, &rows, None);
    }
}

fn trust(flow: &mut Flow<'_>, results: &Results) {
    flow.heading("Trust check of the acquisition", 80.0);
    let rows: Vec<Vec<String>> = content::findings(results)
        .into_iter()
        .map(|row| vec![row.verdict.to_owned(), row.name, row.found, row.limit, row.message])
        .collect();
    if rows.is_empty() {
        flow.paragraph("Nothing was found to report.");
        return;
    }
    let heads = columns([
        ("Verdict", 0.9),
        ("Looked at", 1.3),
        ("Found", 1.1),
        ("Limit", 0.9),
        ("What it means", 3.6),
    ]);
    flow.table(&heads, &rows, Some(0));
}

fn source(flow: &mut Flow<'_>, results: &Results, options: &PaperOptions) {
    flow.heading("What was measured", 80.0);
    let heads = columns([("", 1.0), ("", 3.6)]);
    let mut rows: Vec<Vec<String>> = content::source(results).into_iter().map(Vec::from).collect();
    if let Some(reader) = &options.reader {
        rows.push(vec!["Reader".into(), reader.clone()]);
    }
    rows.extend(options.settings.iter().cloned().map(Vec::from));
    flow.table(&heads, &rows, None);
    if results.source.assumed.is_empty() {
        flow.paragraph("Nothing about the file had to be assumed.");
    } else {
        flow.paragraph("The file left open, and it was assumed:");
        for assumed in &results.source.assumed {
            flow.bullet(assumed);
        }
    }
}
