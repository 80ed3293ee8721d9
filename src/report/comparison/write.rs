//! The folder of a comparison.

use std::fmt::Write as _;
use std::path::Path;

use super::super::figure::{self, Subject, View};
use super::super::folder::File;
use super::super::paint::png_from_svg;
use super::super::pdf::{self, PairFigures};
use super::super::svg::escape;
use super::super::switch;
use super::super::{AreaUnit, ReportError, ReportOptions, ReportPaths, content, html, words};
use super::{comparison_answer, rows};
use crate::measure::Comparison;
use crate::unit::Mm;
use crate::volume::Volume4;

/// `comparison.json` as it is written and printed
///
/// # Errors
/// Where a number cannot be written, which plain results never hold.
pub fn comparison_json(of: &Comparison) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string_pretty(of)?;
    text.push('\n');
    Ok(text)
}

/// Name of a comparison's folder in that of a review's report
pub const COMPARISON_FOLDER: &str = "comparison";

/// The comparison as a PDF alone
///
/// # Errors
/// See [`ReportError`].
pub fn comparison_pdf(
    of: &Comparison,
    volumes: [&Volume4; 2],
    options: &ReportOptions,
) -> Result<Vec<u8>, ReportError> {
    let figures = comparison_figures(of, volumes, options.paper.unit)?;
    Ok(pdf::comparison(of, &figures, &options.paper)?)
}

/// Writes `comparison.json`, `comparison.csv`, `index.html`, `report.pdf` and `figures/` into a folder
///
/// # Errors
/// See [`ReportError`]; nothing under the final name is half written.
pub fn write_comparison(
    of: &Comparison,
    volumes: [&Volume4; 2],
    folder: &Path,
    options: &ReportOptions,
) -> Result<ReportPaths, ReportError> {
    switch::refuse(folder, &["index.html", "report.pdf", "comparison.json"])?;
    let unit = options.paper.unit;
    let figures = comparison_figures(of, volumes, unit)?;
    let mut files: Vec<File> = Vec::new();
    let named = [
        ("before-jet-1-en-face", figures.en_face[0].as_ref()),
        ("after-jet-1-en-face", figures.en_face[1].as_ref()),
        ("both-jet-1-time", Some(&figures.courses)),
    ];
    for (name, svg) in named.into_iter().filter_map(|(name, svg)| Some((name, svg?))) {
        options.watch.step("painting", files.len() / 2, 3)?;
        files.push((format!("figures/{name}.svg"), svg.clone().into_bytes()));
        files.push((format!("figures/{name}.png"), png_from_svg(svg, options.png_scale)?));
    }
    files.push(("comparison.csv".into(), table(of, unit).into_bytes()));
    files.push(("report.pdf".into(), pdf::comparison(of, &figures, &options.paper)?));
    files.push(("comparison.json".into(), comparison_json(of)?.into_bytes()));
    files.push(("index.html".into(), page(of, &figures, unit).into_bytes()));
    switch::put(files, folder, "comparison.json", &options.watch)
}

/// The pictures, both on the scale that holds the larger jet
///
/// # Errors
/// See [`ReportError`].
pub fn comparison_figures(
    of: &Comparison,
    volumes: [&Volume4; 2],
    unit: AreaUnit,
) -> Result<PairFigures, ReportError> {
    let subjects = [(&of.before, volumes[0]), (&of.after, volumes[1])]
        .map(|(results, volume)| results.jets.first().map(|jet| Subject::at_peak(volume, results, jet)));
    let mut side = Mm::new(10.0);
    for subject in subjects.iter().flatten() {
        let own = figure::fitting_side(subject)?;
        if own > side {
            side = own;
        }
    }
    let mut en_face = [None, None];
    for (drawn, subject) in en_face.iter_mut().zip(subjects) {
        if let Some(subject) = subject {
            let subject = Subject { unit, side: Some(side), ..subject };
            *drawn = Some(figure::draw(View::EnFace, &subject)?.finish());
        }
    }
    Ok(PairFigures { en_face, courses: figure::courses(&of.before, &of.after, unit).finish() })
}

/// `comparison.csv`: a row a quantity
fn table(of: &Comparison, unit: AreaUnit) -> String {
    let mut out = String::from(
        "quantity,unit,before,before_low,before_high,after,after_low,after_high,change,change_low,change_high,\
         change_percent\n",
    );
    for row in rows(of, unit) {
        let Some(n) = row.numbers else { continue };
        let d = n.change.difference;
        let percent = n.change.percent.map_or(String::new(), |percent| percent.to_string());
        let values = [
            n.before.value,
            n.before.low,
            n.before.high,
            n.after.value,
            n.after.low,
            n.after.high,
            d.value,
            d.low,
            d.high,
        ]
        .map(|value| value.to_string())
        .join(",");
        let _ = writeln!(out, "\"{}\",{},{values},{percent}", row.name, n.unit);
    }
    out
}

/// The page
fn page(of: &Comparison, figures: &PairFigures, unit: AreaUnit) -> String {
    let mut out = String::new();
    let (headline, sentence) = comparison_answer(of, unit);
    let files = format!("{} and {}", of.before.source.file, of.after.source.file);
    let _ = writeln!(
        out,
        "<header>\n<p class=\"kicker\">Before and after</p>\n<p class=\"file\">{}</p>\n</header>\n\
         <section class=\"answer\">\n<h1><span class=\"what\">Change of the vena contracta area</span> \
         <span class=\"value\">{headline}</span></h1>\n<p class=\"plain\">{}</p>",
        escape(&files),
        escape(&sentence)
    );
    for caution in &of.cautions {
        let _ = writeln!(out, "<p class=\"verdict limited\">{}</p>", escape(caution));
    }
    out.push_str(
        "<table>\n<thead><tr><th></th><th>Before</th><th>After</th><th>Change (95 % interval)</th></tr></thead>\n<tbody>\n",
    );
    for row in rows(of, unit) {
        let [before, after, change] = row.cells.map(|cell| escape(&cell));
        let _ = writeln!(
            out,
            "<tr><th>{}</th><td>{before}</td><td>{after}</td><td>{change}</td></tr>",
            escape(&row.name)
        );
    }
    let _ = writeln!(
        out,
        "</tbody>\n</table>\n<p class=\"quiet\">{} {}</p>\n</section>",
        escape(&of.assumption),
        content::STANDING_CAUTIONS[0]
    );
    out.push_str("<section>\n<h2>Side by side, on the same scale</h2>\n<div class=\"pair\">\n");
    for (name, svg) in ["Before", "After"].iter().zip(&figures.en_face) {
        // Two drawings of one writer in one page: their inner names must differ.
        let svg = svg.as_ref().map(|svg| svg.replace("jet1-", &format!("{}-jet1-", name.to_lowercase())));
        let _ = writeln!(
            out,
            "<figure>\n{}<figcaption>{name}</figcaption>\n</figure>",
            svg.unwrap_or_else(|| "<p>No jet was found.</p>\n".into())
        );
    }
    let _ = writeln!(
        out,
        "</div>\n<figure>\n{}<figcaption>Orange, solid: before. Blue, dashed: after.</figcaption>\n</figure>\n</section>",
        figures.courses
    );
    out.push_str("<section>\n<h2>What was measured</h2>\n<table class=\"source\">\n<thead><tr><th></th><th>Before</th><th>After</th></tr></thead>\n<tbody>\n");
    for (one, two) in content::source(&of.before).into_iter().zip(content::source(&of.after)) {
        let _ = writeln!(
            out,
            "<tr><th>{}</th><td>{}</td><td>{}</td></tr>",
            one[0],
            escape(&one[1]),
            escape(&two[1])
        );
    }
    out.push_str("</tbody>\n</table>\n</section>\n<section>\n<h2>Cautions</h2>\n<ul class=\"cautions\">\n");
    for caution in content::own_cautions(&of.before, &of.after) {
        let _ = writeln!(out, "<li>{}</li>", escape(&caution));
    }
    for caution in content::STANDING_CAUTIONS {
        let _ = writeln!(out, "<li>{}</li>", escape(caution));
    }
    let _ = writeln!(
        out,
        "</ul>\n<p class=\"quiet\">{}</p>\n</section>",
        escape(&words::capital(&content::program(&of.after)))
    );
    html::document(&format!("Before and after: {files}"), &out)
}
