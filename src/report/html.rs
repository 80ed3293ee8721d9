//! The page: one self-contained file that somebody who has nothing else can understand.
//!
//! The answer stands first, with its interval, its trust and its cautions; then the figures, the
//! tables, how it was made. No script, no link, no date, nothing from the network: the same
//! results give the same bytes, and the page prints as it shows.

use std::fmt::Write as _;

use super::svg::escape;
use super::words::{
    as_a_circle, capital, count, fixed, frame_area, ml_interval, pattern, shape, shape_sentence, signed,
    single_width, span, systole, verdict, verdict_meaning,
};
use super::{AreaUnit, content, grading, words};
use crate::measure::results::{JetResult, Results};

/// The mark by which a page is known as one of ours
pub const GENERATOR: &str = "<meta name=\"generator\" content=\"narrows\">";

/// The `jet` of a figure that shows the acquisition as a whole
pub const ACQUISITION: usize = 0;

/// A figure inside the page
#[derive(Clone, Debug)]
pub struct PageFigure {
    /// The jet it shows, from 1; [`ACQUISITION`] for none
    pub jet: usize,
    /// What it shows, a sentence
    pub caption: String,
    /// Its SVG
    pub svg: String,
}

/// The page of a report
///
/// `scale` is the SVG of the weighing, where there is one.
pub fn page(results: &Results, figures: &[PageFigure], unit: AreaUnit, scale: Option<&str>) -> String {
    let mut body = String::new();
    header(&mut body, results);
    answer(&mut body, results, unit);
    if let Some(grading) = &results.severity {
        grading::section(&mut body, grading, scale);
    }
    if results.jets.len() > 1 {
        jets_table(&mut body, results, unit);
    }
    for jet in &results.jets {
        jet_section(&mut body, jet, figures, results.jets.len(), unit);
    }
    findings(&mut body, results, figures);
    method(&mut body, results);
    provenance(&mut body, results);
    cautions(&mut body, results);
    document(&format!("Vena contracta report: {}", results.source.file), &body)
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

fn answer(out: &mut String, results: &Results, unit: AreaUnit) {
    let trust = &results.trust;
    let class = verdict(trust.verdict);
    out.push_str("<section class=\"answer\">\n");
    match results.jets.as_slice() {
        [] => no_jet(out, results),
        jets => {
            let total = &results.total.vca_mm2;
            let of = if jets.len() == 1 {
                "Vena contracta area".to_owned()
            } else {
                format!("Vena contracta area, sum of {}", count(jets.len(), "jet", "jets"))
            };
            let _ = writeln!(
                out,
                "<h1><span class=\"what\">{of}</span> <span class=\"value\">{}</span> \
                 <span class=\"interval\">95&nbsp;% interval {} {}</span></h1>",
                unit.text(total.value),
                unit.span(total),
                unit.sign()
            );
            let _ = writeln!(
                out,
                "<p class=\"plain\">{}: {}.</p>",
                unit.other().interval(total),
                as_a_circle(total.value)
            );
        }
    }
    let _ = writeln!(
        out,
        "<p class=\"verdict {class}\"><strong>Trust check: {class}</strong>, {}.</p>",
        verdict_meaning(trust.verdict)
    );
    if let Some(jet) = results.jets.first() {
        out.push_str("<dl class=\"glance\">\n");
        let which = if results.jets.len() > 1 { " (largest jet)" } else { "" };
        let mut row = |name: &str, text: &str| {
            let _ = writeln!(out, "<dt>{name}{which}</dt><dd>{}</dd>", escape(text));
        };
        row("A single width", &single_width(jet, unit));
        row("Shape", &shape_sentence(jet));
        row("Through systole", &systole(jet, unit));
        row("Direction", &content::direction(jet));
        row("Outline", &words::origin(jet));
        if let Some(volume) = &results.total.regurgitant_volume_ml {
            let text = format!(
                "{} a beat, from the areas through time and the continuous-wave velocity that was entered. {}",
                ml_interval(volume),
                words::envelope(results).unwrap_or_default()
            );
            let _ = writeln!(out, "<dt>Regurgitant volume</dt><dd>{}</dd>", escape(&text));
        }
        out.push_str("</dl>\n");
    }
    if let Some(grading) = &results.severity {
        let conclusion = escape(&grading.conclusion.sentence);
        let _ = writeln!(out, "<p class=\"weighed\"><strong>Weighing.</strong> {conclusion}</p>");
    }
    let _ = writeln!(out, "<p class=\"quiet\">{}</p>\n</section>", content::STANDING_CAUTIONS[0]);
}

fn no_jet(out: &mut String, results: &Results) {
    let frames = count(results.source.frames, "frame", "frames");
    let _ = writeln!(
        out,
        "<h1><span class=\"value\">No regurgitant jet found</span></h1>\n\
         <p class=\"plain\">None of the {frames} shows a jet that could be followed from its convergence \
         through a neck. This describes the acquisition: a jet may still exist outside the acquired volume, \
         between gated beats, or hidden by a low colour gain or a high Nyquist limit (here {} m/s).</p>",
        fixed(results.source.nyquist_m_s, 2)
    );
}

fn jets_table(out: &mut String, results: &Results, unit: AreaUnit) {
    let _ = write!(
        out,
        "<section>\n<h2>The jets</h2>\n<table>\n<thead><tr><th>Jet</th><th>VCA, {} (95 %)</th>\
         <th>Long-axis width, mm</th><th>Commissural width, mm</th><th>Shape</th><th>Through systole</th>\
         <th>Peak frame</th></tr></thead>\n<tbody>\n",
        unit.sign()
    );
    for jet in &results.jets {
        let _ = writeln!(
            out,
            "<tr><th>{}</th><td>{} ({})</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>",
            jet.id,
            unit.number(jet.vca_mm2.value),
            unit.span(&jet.vca_mm2),
            plain_interval(&jet.width_mm.long_axis),
            plain_interval(&jet.width_mm.commissural),
            shape(jet.shape.class),
            pattern(jet.systole.pattern),
            jet.peak_frame
        );
    }
    out.push_str("</tbody>\n</table>\n");
    if let Some(frame) = results.total.frame {
        let _ = writeln!(
            out,
            "<p>The sum is taken at frame {frame}, where it is largest; single jets may peak in other frames.</p>"
        );
    }
    out.push_str("</section>\n");
}

fn plain_interval(interval: &crate::measure::results::Interval) -> String {
    format!("{} ({})", fixed(interval.value, 1), span(interval, 1))
}

fn jet_section(out: &mut String, jet: &JetResult, figures: &[PageFigure], jets: usize, unit: AreaUnit) {
    let title = if jets > 1 { format!("Jet {}", jet.id) } else { "The jet".into() };
    let _ = writeln!(out, "<section class=\"jet\">\n<h2>{title}</h2>");
    let mut mine = figures.iter().filter(|figure| figure.jet == jet.id);
    if let Some(first) = mine.next() {
        figure(out, first);
    }
    numbers(out, jet, unit);
    for other in mine {
        figure(out, other);
    }
    frames(out, jet, unit);
    parts(out, jet, unit);
    observer(out, jet, unit);
    convergence(out, jet, unit);
    out.push_str("</section>\n");
}

fn figure(out: &mut String, figure: &PageFigure) {
    let _ = writeln!(
        out,
        "<figure>\n{}<figcaption>{}</figcaption>\n</figure>",
        figure.svg,
        escape(&figure.caption)
    );
}

fn numbers(out: &mut String, jet: &JetResult, unit: AreaUnit) {
    out.push_str(
        "<table class=\"numbers\">\n<thead><tr><th>Measure</th><th>Value (95 % interval)</th><th>Note</th></tr>\
         </thead>\n<tbody>\n",
    );
    for [name, value, note] in content::numbers(jet, unit) {
        let _ =
            writeln!(out, "<tr><th>{name}</th><td>{}</td><td>{}</td></tr>", escape(&value), escape(&note));
    }
    out.push_str("</tbody>\n</table>\n");
}

fn frames(out: &mut String, jet: &JetResult, unit: AreaUnit) {
    out.push_str(
        "<h3>Frame by frame</h3>\n<table class=\"frames\">\n<thead><tr><th>Frame</th><th>Time, ms</th>\
         <th>VCA (95 % interval)</th><th>Outline</th></tr></thead>\n<tbody>\n",
    );
    for frame in &jet.frames {
        let peak = if frame.frame == jet.peak_frame { " (peak)" } else { "" };
        let _ = writeln!(
            out,
            "<tr><th>{}{peak}</th><td>{}</td><td>{}</td><td>{}</td></tr>",
            frame.frame,
            fixed(1e3 * frame.time_s, 0),
            frame_area(frame, unit),
            words::frame_origin(jet, frame.frame)
        );
    }
    out.push_str("</tbody>\n</table>\n");
}

fn parts(out: &mut String, jet: &JetResult, unit: AreaUnit) {
    if jet.interval_parts.is_empty() {
        return;
    }
    let _ = write!(
        out,
        "<h3>Where the interval comes from</h3>\n<table class=\"parts\">\n<thead><tr><th>Source</th>\
         <th>Effect on the area, ± {} (95 %)</th></tr></thead>\n<tbody>\n",
        unit.sign()
    );
    for part in &jet.interval_parts {
        let _ = writeln!(
            out,
            "<tr><th>{}</th><td>{}</td></tr>",
            escape(&capital(&part.source)),
            unit.fine(part.effect_mm2)
        );
    }
    out.push_str("</tbody>\n</table>\n");
}

fn observer(out: &mut String, jet: &JetResult, unit: AreaUnit) {
    if jet.observer.is_empty() {
        return;
    }
    let _ = write!(
        out,
        "<h3>What a slightly different reading would change</h3>\n<table class=\"parts\">\n<thead><tr>\
         <th>Done differently</th><th>Mean change, {0}</th><th>Largest, ± {0}</th></tr></thead>\n<tbody>\n",
        unit.sign()
    );
    for change in &jet.observer {
        let _ = writeln!(
            out,
            "<tr><th>{}</th><td>{}</td><td>{}</td></tr>",
            escape(&capital(&change.what)),
            signed(change.mean_mm2 * unit.per_mm2(), if unit == AreaUnit::Mm2 { 1 } else { 3 }),
            unit.fine(change.largest_mm2)
        );
    }
    out.push_str("</tbody>\n</table>\n");
}

fn convergence(out: &mut String, jet: &JetResult, unit: AreaUnit) {
    let zone = &jet.convergence;
    let _ = writeln!(out, "<h3>Flow convergence</h3>\n<p>{}</p>", escape(&words::convergence(zone, unit)));
    if zone.flow_ml_s.is_none() {
        return;
    }
    let _ = writeln!(
        out,
        "<table class=\"parts\">\n<thead><tr><th>Speed, m/s</th><th>Surface, {}</th><th>Seen, %</th>\
         <th>Flow, ml/s</th><th>Hemisphere, ml/s</th><th>Radius on the axis, mm</th><th>Counts</th></tr></thead>\n\
         <tbody>",
        unit.sign()
    );
    let or_none =
        |value: Option<f64>, decimals| value.map_or_else(|| "not seen".to_owned(), |v| fixed(v, decimals));
    for surface in &zone.surfaces {
        let _ = writeln!(
            out,
            "<tr><th>{}</th><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>",
            fixed(surface.speed_m_s, 2),
            unit.coarse(surface.area_mm2),
            fixed(surface.seen_percent, 0),
            fixed(surface.flow_ml_s, 0),
            or_none(surface.hemisphere_ml_s, 0),
            or_none(surface.radius_mm, 1),
            words::counted(surface.counted)
        );
    }
    out.push_str("</tbody>\n</table>\n");
    let opening = zone.upstream_mm.map_or_else(String::new, |mm| {
        format!("The opening was found {} mm upstream of the neck. ", fixed(mm, 1))
    });
    let cycles = zone.agreement_percent.map_or_else(String::new, |percent| {
        format!("The phases that this flow explains agree with those displayed by {} %. ", fixed(percent, 0))
    });
    let _ = writeln!(
        out,
        "<p>{opening}{cycles}Each surface's flow is the one that explains the blood moving at about its speed. The \
         hemisphere takes the displayed velocity as it is.</p>"
    );
}

fn findings(out: &mut String, results: &Results, figures: &[PageFigure]) {
    out.push_str("<section>\n<h2>Trust check of the acquisition</h2>\n");
    if results.trust.findings.is_empty() {
        out.push_str("<p>Nothing was found to report.</p>\n</section>\n");
        return;
    }
    out.push_str(
        "<table class=\"findings\">\n<thead><tr><th>Verdict</th><th>Looked at</th><th>Found</th><th>Limit</th>\
         <th>What it means</th></tr></thead>\n<tbody>\n",
    );
    for content::FindingRow { verdict: class, name, found, limit, message } in content::findings(results) {
        let _ = writeln!(
            out,
            "<tr><td><span class=\"mark {class}\">{class}</span></td><td>{}</td><td>{}</td><td>{}</td>\
             <td>{}</td></tr>",
            escape(&name),
            escape(&found),
            escape(&limit),
            escape(&message)
        );
    }
    out.push_str("</tbody>\n</table>\n");
    for shown in figures.iter().filter(|shown| shown.jet == ACQUISITION) {
        figure(out, shown);
    }
    out.push_str("</section>\n");
}

fn method(out: &mut String, results: &Results) {
    let _ = writeln!(
        out,
        "<section>\n<h2>How it was measured</h2>\n<p>{}</p>\n<p class=\"quiet\">{}</p>\n</section>",
        content::METHOD,
        escape(&content::program(results))
    );
}

fn provenance(out: &mut String, results: &Results) {
    out.push_str("<section>\n<h2>What was measured</h2>\n<table class=\"source\">\n<tbody>\n");
    for [name, value] in content::source(results) {
        let _ = writeln!(out, "<tr><th>{name}</th><td>{}</td></tr>", escape(&value));
    }
    out.push_str("</tbody>\n</table>\n");
    let assumptions = &results.source.assumed;
    if assumptions.is_empty() {
        out.push_str("<p>Nothing about the file had to be assumed.</p>\n");
    } else {
        out.push_str("<p>The file left open, and it was assumed:</p>\n<ul>\n");
        for assumed in assumptions {
            let _ = writeln!(out, "<li>{}</li>", escape(assumed));
        }
        out.push_str("</ul>\n");
    }
    out.push_str("</section>\n");
}

fn cautions(out: &mut String, results: &Results) {
    out.push_str("<section>\n<h2>Cautions</h2>\n<ul class=\"cautions\">\n");
    for caution in content::cautions(results) {
        let _ = writeln!(out, "<li>{}</li>", escape(&caution));
    }
    out.push_str("</ul>\n</section>\n");
}

pub(super) const CSS: &str = include_str!("page.css");

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::fixture;

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
            let page = text(&page(&results, &[], unit, None));
            assert!(page.contains(&format!("Surface, {}", unit.sign())), "{unit:?}");
            assert!(!page.contains(&format!("Surface, {}", unit.other().sign())), "{unit:?}");
            let told = words::convergence(&results.jets[0].convergence, unit);
            assert!(page.contains(&told) && !told.contains(unit.other().sign()), "{told}");
        }
    }

    #[test]
    fn every_number_that_matters_is_on_the_page() {
        let results = fixture::results();
        let page = text(&page(&results, &[], AreaUnit::Mm2, None));
        let jet = &results.jets[0];
        let widths = &jet.width_mm;
        let mut numbers: Vec<String> = [
            jet.traced_area_mm2,
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
        let weighing = results.severity.as_ref().unwrap();
        numbers.push(weighing.conclusion.sentence.clone());
        numbers.extend(weighing.conclusion.next.clone());
        numbers.extend(weighing.cautions.clone());
        numbers.extend(weighing.placements.iter().map(|placement| placement.label.clone()));
        for step in &weighing.steps {
            numbers.extend([step.asked.clone(), step.found.clone(), step.follows.clone()]);
        }
        for number in numbers {
            assert!(page.contains(&number), "{number} is not in:\n{page}");
        }
        assert!(page.contains("0.41 cm² (0.35 to 0.48)"));
        assert!(page.contains("−78 % against the area") && page.contains("the single width misleads"));
    }

    #[test]
    fn a_page_without_a_jet_says_what_that_means() {
        let mut results = fixture::results();
        results.jets.clear();
        results.total.frame = None;
        results.severity = None;
        let page = text(&page(&results, &[], AreaUnit::Mm2, None));
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
        let page = text(&page(&results, &[], AreaUnit::Mm2, None));
        assert!(page.contains("Vena contracta area, sum of 2 jets"));
        assert!(page.contains("Jet 2") && page.contains("The sum is taken at frame 2"));
    }

    #[test]
    fn words_from_a_file_stay_words() {
        let mut results = fixture::results();
        results.source.file = "<script>alert(1)</script>.dcm".into();
        results.trust.findings[0].message = "a <b> & c".into();
        let page = page(&results, &[], AreaUnit::Mm2, None);
        assert!(!page.contains("<script") && page.contains("a &lt;b&gt; &amp; c"));
        // One file: nothing is fetched from anywhere.
        assert!(!page.contains("src=") && !page.contains("<link") && !page.contains("@import"));
    }
}
