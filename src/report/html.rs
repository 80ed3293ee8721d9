//! The page: one self-contained file that somebody who has nothing else can understand.
//!
//! The answer stands first, with its interval, its trust and its cautions; then the figures, the
//! tables, how it was made. No script, no link, no date, nothing from the network: the same
//! results give the same bytes, and the page prints as it shows.

use std::fmt::Write as _;

use super::document::{ACQUISITION, Detail, PageFigure};
use super::svg::escape;
use super::words::verdict;
use super::{AreaUnit, answer, blocks, content, document, figure};
use crate::measure::results::Results;

/// The mark by which a page is known as one of ours
pub const GENERATOR: &str = "<meta name=\"generator\" content=\"narrows\">";

/// The page of a report
pub fn page(results: &Results, figures: &[PageFigure], unit: AreaUnit) -> String {
    let mut body = String::new();
    header(&mut body, results);
    let picture = figures.iter().find(|figure| figure.jet != ACQUISITION);
    answer(&mut body, results, picture, unit);
    body.push_str(&blocks::page(&document::blocks(results, figures, unit, &[], picture, Detail::Full)));
    self::document(&format!("Vena contracta report: {}", results.source.file), &body)
}

/// A page of ours around its content
pub(super) fn document(title: &str, body: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n{GENERATOR}\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>{}</title>\n<style>\n{CSS}</style>\n</head>\n<body>\n<main>\n{body}</main>\n\
         </body>\n</html>\n",
        escape(title)
    )
}

fn header(out: &mut String, results: &Results) {
    let _ = writeln!(
        out,
        "<header>\n<p class=\"kicker\">Vena contracta report</p>\n<p class=\"file\">{}</p>\n</header>",
        escape(&results.source.file)
    );
}

fn answer(out: &mut String, results: &Results, picture: Option<&PageFigure>, unit: AreaUnit) {
    let said = answer::answer(results, unit);
    let class = verdict(results.trust.verdict);
    let _ = writeln!(
        out,
        "<section class=\"answer\">\n<h1><span class=\"what\">{}</span> <span class=\"value\">{}</span> \
         <span class=\"interval\">{}</span></h1>\n<p class=\"plain\">{}</p>",
        escape(&said.of),
        escape(&said.headline),
        escape(&said.beside),
        escape(&said.why)
    );
    if let Some(svg) = results.severity.as_ref().and_then(|grading| figure::severity(grading, unit)) {
        let _ = writeln!(out, "<figure class=\"glance\">\n{}</figure>", svg.finish());
    }
    if !said.values.is_empty() {
        out.push_str("<dl class=\"values\">\n");
        for [name, value, note] in &said.values {
            let _ = writeln!(
                out,
                "<div><dt>{}</dt><dd><strong>{}</strong><br>{}</dd></div>",
                escape(name),
                escape(value),
                escape(note)
            );
        }
        out.push_str("</dl>\n");
    }
    let [lead, sentence] = &said.trust;
    let _ = writeln!(
        out,
        "<p class=\"verdict {class}\"><strong>{}</strong>. {}</p>",
        escape(lead),
        escape(sentence)
    );
    if let Some(figure) = picture {
        let _ = writeln!(
            out,
            "<figure>\n{}<figcaption>{}</figcaption>\n</figure>",
            figure.svg,
            escape(&figure.caption)
        );
    }
    if !said.said.is_empty() {
        out.push_str("<dl class=\"glance\">\n");
        for [name, text] in &said.said {
            let _ = writeln!(out, "<dt>{}</dt><dd>{}</dd>", escape(name), escape(text));
        }
        out.push_str("</dl>\n");
    }
    let _ = writeln!(out, "<p class=\"quiet\">{}</p>\n</section>", content::STANDING_CAUTIONS[0]);
}

pub(super) const CSS: &str = include_str!("page.css");

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::{fixture, words};

    fn text(page: &str) -> String {
        let mut out = String::new();
        let mut inside = false;
        for c in page[page.find("<body>").unwrap()..].chars() {
            match c {
                '<' => inside = true,
                '>' => {
                    inside = false;
                    out.push(' ');
                }
                c if !inside => out.push(c),
                _ => {}
            }
        }
        out.split_whitespace().collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn areas_keep_to_the_unit_that_was_asked_for() {
        let results = fixture::results();
        for unit in [AreaUnit::Mm2, AreaUnit::Cm2] {
            let page = text(&page(&results, &[], unit));
            assert!(page.contains(&format!("Surface, {}", unit.sign())), "{unit:?}");
            assert!(!page.contains(&format!("Surface, {}", unit.other().sign())), "{unit:?}");
            let told = words::convergence(&results.jets[0].convergence, unit);
            assert!(page.contains(&told) && !told.contains(unit.other().sign()), "{told}");
        }
    }

    #[test]
    fn every_number_that_matters_is_on_the_page() {
        let results = fixture::results();
        let page = text(&page(&results, &[], AreaUnit::Mm2));
        let jet = &results.jets[0];
        let widths = &jet.width_mm;
        let mut numbers: Vec<String> = [
            jet.circle_area_mm2,
            jet.ellipse_area_mm2,
            jet.shape.feret_max_mm,
            jet.shape.feret_min_mm,
            jet.shape.perimeter_mm,
            jet.systole.mean_vca_mm2,
            jet.axis_uncertainty_deg,
        ]
        .iter()
        .map(|value| format!("{value:.1}"))
        .collect();
        let intervals = jet.frames.iter().filter_map(|frame| frame.vca_mm2);
        for i in intervals.chain([jet.vca_mm2, results.total.vca_mm2, widths.long_axis, widths.commissural]) {
            numbers.push(format!("{:.1}", i.value));
            numbers.push(format!("{:.1} to {:.1}", i.low, i.high));
        }
        for value in
            [jet.shape.axis_ratio, jet.shape.circularity, jet.shape.solidity, results.source.nyquist_m_s]
        {
            numbers.push(format!("{value:.2}"));
        }
        numbers.extend(jet.frames.iter().map(|frame| format!("{:.0}", 1e3 * frame.time_s)));
        numbers.extend(jet.interval_parts.iter().map(|part| format!("{:.1}", part.effect_mm2)));
        for finding in &results.trust.findings {
            numbers.push(finding.message.clone());
            numbers.push(format!("{} {}", finding.value.unwrap(), finding.unit));
            numbers.push(format!("{} {}", finding.limit.unwrap(), finding.unit));
        }
        numbers.extend([results.source.blake3.clone(), results.source.assumed[0].clone()]);
        numbers.extend(results.cautions.clone());
        numbers.extend(content::STANDING_CAUTIONS.map(str::to_owned));
        let grading = results.severity.as_ref().unwrap();
        numbers.push(grading.conclusion.sentence.clone());
        numbers.extend(grading.conclusion.next.clone());
        numbers.extend(grading.cautions.clone());
        numbers.extend(grading.placements.iter().map(|placement| placement.label.clone()));
        for step in &grading.steps {
            numbers.extend([
                step.asked.clone(),
                step.found.clone(),
                step.follows.clone(),
                step.contest.clone(),
            ]);
        }
        for number in numbers {
            assert!(page.contains(&number), "{number} is not in:\n{page}");
        }
        assert!(page.contains("−78 % against the area") && page.contains("the single width misleads"));
    }

    #[test]
    fn a_page_without_a_jet_says_what_that_means() {
        let mut results = fixture::results();
        results.jets.clear();
        results.total.frame = None;
        results.severity = None;
        let page = text(&page(&results, &[], AreaUnit::Mm2));
        assert!(page.contains("No regurgitant jet found") && page.contains("None of the 6 frames"));
        assert!(page.contains("Not a medical device") && page.contains("Trust check: limited"));
    }

    #[test]
    fn several_jets_are_summed_and_listed() {
        let mut results = fixture::results();
        let mut second = results.jets[0].clone();
        second.id = 2;
        second.shape.class = crate::measure::results::ShapeClass::Round;
        results.jets.push(second);
        let page = text(&page(&results, &[], AreaUnit::Mm2));
        assert!(page.contains("VC area, effective, sum of 2 jets"));
        assert!(page.contains("Jet 2") && page.contains("The sum is taken at frame 3"));
    }

    #[test]
    fn words_from_a_file_stay_words() {
        let mut results = fixture::results();
        results.source.file = "<script>alert(1)</script>.dcm".into();
        results.trust.findings[0].message = "a <b> & c".into();
        let page = page(&results, &[], AreaUnit::Mm2);
        assert!(!page.contains("<script") && page.contains("a &lt;b&gt; &amp; c"));
        // One file: nothing is fetched from anywhere.
        assert!(!page.contains("src=") && !page.contains("<link") && !page.contains("@import"));
    }
}
