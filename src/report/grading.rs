//! The weighing on the page: its conclusion, its picture, the reasoning, the table.

use std::fmt::Write as _;

use super::svg::escape;
use super::words::by;
use crate::severity::Grading;

/// The weighing: conclusion, picture, what to do next, the reasoning, the table
pub(super) fn section(out: &mut String, grading: &Grading, scale: Option<&str>) {
    let conclusion = &grading.conclusion;
    let _ = writeln!(
        out,
        "<section class=\"weighing\">\n<h2>All measurements, weighed</h2>\n<p class=\"plain\">{}</p>",
        escape(&conclusion.sentence)
    );
    list(out, "next", conclusion.next.iter().map(String::as_str));
    if let Some(svg) = scale {
        let caption = "Each measurement on one scale, straight between the cuts of its table; the dotted line parts \
                       grades II and III. Diamonds: measured in the volume. Dots: entered. A bar: only the side of \
                       a cut is known. A dotted arrow: a bound, the truth lies that way.";
        let _ = writeln!(out, "<figure>\n{svg}<figcaption>{}</figcaption>\n</figure>", escape(caption));
    }
    out.push_str("<h3>The reasoning</h3>\n<ol class=\"steps\">\n");
    for step in &grading.steps {
        let _ = writeln!(
            out,
            "<li><strong>{}</strong><br>{}<br><em>{}</em></li>",
            escape(&step.asked),
            escape(&step.found),
            escape(&step.follows)
        );
    }
    out.push_str("</ol>\n");
    if !conclusion.missing.is_empty() {
        let _ = writeln!(
            out,
            "<p><strong>Not known, and would count:</strong> {}.</p>",
            escape(&conclusion.missing.join(", "))
        );
    }
    if !grading.cautions.is_empty() {
        out.push_str("<h3>What bends these measurements</h3>\n");
        list(out, "cautions", grading.cautions.iter().map(String::as_str));
    }
    placements(out, grading);
    let _ = writeln!(
        out,
        "<p class=\"quiet\">Weighed against {}: {}.</p>\n</section>",
        escape(&grading.criteria.title),
        escape(&grading.criteria.source)
    );
}

fn list<'a>(out: &mut String, class: &str, sentences: impl Iterator<Item = &'a str>) {
    let mut sentences = sentences.peekable();
    if sentences.peek().is_none() {
        return;
    }
    let _ = writeln!(out, "<ul class=\"{class}\">");
    for sentence in sentences {
        let _ = writeln!(out, "<li>{}</li>", escape(sentence));
    }
    out.push_str("</ul>\n");
}

fn placements(out: &mut String, grading: &Grading) {
    if grading.placements.is_empty() {
        return;
    }
    out.push_str(
        "<h3>Values, cuts and sources</h3>\n<table class=\"placements\">\n<thead><tr><th>Measurement</th><th>Value</th>\
         <th>From</th><th>Grade left open</th><th>Cuts and their source</th></tr></thead>\n<tbody>\n",
    );
    for placement in &grading.placements {
        let bound = match placement.reach.words() {
            "" => String::new(),
            bound => format!(" ({bound})"),
        };
        let cuts = if placement.cuts.is_empty() { "by its words".to_owned() } else { placement.cuts.clone() };
        let source = if placement.source == grading.criteria.source {
            grading.criteria.title.clone()
        } else {
            placement.source.clone()
        };
        let note = if placement.note.is_empty() { String::new() } else { format!(" {}", placement.note) };
        let _ = writeln!(
            out,
            "<tr><th>{}</th><td>{}{bound}</td><td>{}</td><td>{}</td><td>{}: {}, {}.{}</td></tr>",
            escape(&placement.label),
            escape(&placement.words),
            by(placement.by),
            placement.grades.words(),
            escape(&cuts),
            escape(&source),
            placement.known.words(),
            escape(&note)
        );
    }
    out.push_str("</tbody>\n</table>\n");
}
