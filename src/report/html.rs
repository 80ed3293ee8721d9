//! The page: one self-contained file that somebody who has nothing else can understand.
//!
//! The answer stands first, with its interval, its trust and its cautions; then the figures, the
//! tables, how it was made. No script, no link, no date, nothing from the network: the same
//! results give the same bytes, and the page prints as it shows.

use std::fmt::Write as _;

use super::svg::escape;
use super::words;
use super::words::{
    as_a_circle, by, capital, cm2_interval, count, fixed, frame_area, ml_interval, mm_interval, mm2,
    mm2_interval, pattern, reach, seen, shape, shape_sentence, signed, single_width, span, systole, verdict,
    verdict_meaning,
};
use crate::measure::results::{JetResult, Results, Seen, Verdict, Weighing};

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

/// What every report says, whatever was found
pub const STANDING_CAUTIONS: [&str; 4] = [
    "Not a medical device. The result defers to local protocols and to the licensed reader.",
    "The area is the effective one, where the jet is narrowest: smaller than the anatomic opening. \
     Do not compare it with a measured or drilled hole.",
    "Never one number alone: read the area with its interval, and weigh it with the other signs of severity.",
    "Every interval is 95 %. It covers what the program can see of its own uncertainty, not a wrong \
     acquisition.",
];

/// The page of a report
///
/// `scale` is the SVG of the weighing, where there is one.
pub fn page(results: &Results, figures: &[PageFigure], scale: Option<&str>) -> String {
    let mut body = String::new();
    header(&mut body, results);
    answer(&mut body, results);
    if let Some(weighing) = &results.severity {
        weigh(&mut body, weighing, scale);
    }
    if results.jets.len() > 1 {
        jets_table(&mut body, results);
    }
    for jet in &results.jets {
        jet_section(&mut body, jet, figures, results.jets.len());
    }
    findings(&mut body, results, figures);
    method(&mut body, results);
    provenance(&mut body, results);
    cautions(&mut body, results);
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n{GENERATOR}\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>Vena contracta report: {}</title>\n<style>\n{CSS}</style>\n</head>\n<body>\n<main>\n{body}</main>\n\
         </body>\n</html>\n",
        escape(&results.source.file)
    )
}

fn header(out: &mut String, results: &Results) {
    let _ = writeln!(
        out,
        "<header>\n<p class=\"kicker\">Vena contracta report</p>\n<p class=\"file\">{}</p>\n</header>",
        escape(&results.source.file)
    );
}

fn answer(out: &mut String, results: &Results) {
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
                 <span class=\"interval\">95&nbsp;% interval {} mm²</span></h1>",
                mm2(total.value),
                span(total, 1)
            );
            let _ = writeln!(
                out,
                "<p class=\"plain\">{}: {}.</p>",
                cm2_interval(total),
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
        row("A single width", &single_width(jet));
        row("Shape", &shape_sentence(jet));
        row("Through systole", &systole(jet));
        row("Direction", &direction_sentence(jet));
        if let Some(volume) = &results.total.regurgitant_volume_ml {
            let text = format!(
                "{} a beat, from the areas through time and the continuous-wave velocity that was entered.",
                ml_interval(volume)
            );
            let _ = writeln!(out, "<dt>Regurgitant volume</dt><dd>{}</dd>", escape(&text));
        }
        out.push_str("</dl>\n");
    }
    if let Some(weighing) = &results.severity {
        let conclusion = escape(&weighing.conclusion.sentence);
        let _ = writeln!(out, "<p class=\"weighed\"><strong>Weighing.</strong> {conclusion}</p>");
    }
    let _ = writeln!(out, "<p class=\"quiet\">{}</p>\n</section>", STANDING_CAUTIONS[0]);
}

/// The weighing: conclusion, picture, what to do next, the reasoning, the table
fn weigh(out: &mut String, weighing: &Weighing, scale: Option<&str>) {
    let conclusion = &weighing.conclusion;
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
    for step in &weighing.steps {
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
    if !weighing.cautions.is_empty() {
        out.push_str("<h3>What bends these measurements</h3>\n");
        list(out, "cautions", weighing.cautions.iter().map(String::as_str));
    }
    placements(out, weighing);
    let _ = writeln!(
        out,
        "<p class=\"quiet\">Weighed against {}: {}.</p>\n</section>",
        escape(&weighing.criteria.title),
        escape(&weighing.criteria.source)
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

fn placements(out: &mut String, weighing: &Weighing) {
    if weighing.placements.is_empty() {
        return;
    }
    out.push_str(
        "<h3>Values, cuts and sources</h3>\n<table class=\"placements\">\n<thead><tr><th>Measurement</th><th>Value</th>\
         <th>From</th><th>Grade left open</th><th>Cuts and their source</th></tr></thead>\n<tbody>\n",
    );
    for placement in &weighing.placements {
        let bound = match reach(placement.reach) {
            "" => String::new(),
            bound => format!(" ({bound})"),
        };
        let cuts = if placement.cuts.is_empty() { "by its words".to_owned() } else { placement.cuts.clone() };
        let source = if placement.source == weighing.criteria.source {
            weighing.criteria.title.clone()
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

fn direction_sentence(jet: &JetResult) -> String {
    let sure = format!("The jet axis is known to ± {}°", fixed(jet.axis_uncertainty_deg, 1));
    match jet.beam_angle_deg {
        Some(angle) => format!("{sure} and meets the beam at {}°.", fixed(angle, 0)),
        None => format!(
            "{sure}; its angle to the beam is unknown, since the file does not say where the probe is."
        ),
    }
}

fn jets_table(out: &mut String, results: &Results) {
    out.push_str(
        "<section>\n<h2>The jets</h2>\n<table>\n<thead><tr><th>Jet</th><th>VCA, mm² (95 %)</th>\
         <th>Long-axis width, mm</th><th>Commissural width, mm</th><th>Shape</th><th>Through systole</th>\
         <th>Peak frame</th></tr></thead>\n<tbody>\n",
    );
    for jet in &results.jets {
        let _ = writeln!(
            out,
            "<tr><th>{}</th><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>",
            jet.id,
            plain_interval(&jet.vca_mm2),
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

fn jet_section(out: &mut String, jet: &JetResult, figures: &[PageFigure], jets: usize) {
    let title = if jets > 1 { format!("Jet {}", jet.id) } else { "The jet".into() };
    let _ = writeln!(out, "<section class=\"jet\">\n<h2>{title}</h2>");
    let mut mine = figures.iter().filter(|figure| figure.jet == jet.id);
    if let Some(first) = mine.next() {
        figure(out, first);
    }
    numbers(out, jet);
    for other in mine {
        figure(out, other);
    }
    frames(out, jet);
    parts(out, jet);
    observer(out, jet);
    convergence(out, jet);
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

fn numbers(out: &mut String, jet: &JetResult) {
    let mut rows: Vec<(&str, String, String)> = vec![
        (
            "Vena contracta area",
            mm2_interval(&jet.vca_mm2),
            "effective, at the peak frame, corrected for blooming".into(),
        ),
        ("Traced area", mm2(jet.traced_area_mm2), "as displayed, not corrected".into()),
        ("Long-axis width", mm_interval(&jet.width_mm.long_axis), axes_note(jet).into()),
        ("Commissural width", mm_interval(&jet.width_mm.commissural), "across the long axis".into()),
        (
            "Circle of the long-axis width",
            mm2(jet.circle_area_mm2),
            format!("{} % against the area", signed(jet.single_width.error_percent, 0)),
        ),
        ("Ellipse of both widths", mm2(jet.ellipse_area_mm2), "pi/4 times the widths".into()),
    ];
    let s = &jet.shape;
    rows.push((
        "Shape",
        shape(s.class).into(),
        format!(
            "length to width {}, circularity {}, solidity {}",
            fixed(s.axis_ratio, 2),
            fixed(s.circularity, 2),
            fixed(s.solidity, 2)
        ),
    ));
    rows.push((
        "Caliper widths of the tracing",
        format!("{} and {} mm", fixed(s.feret_max_mm, 1), fixed(s.feret_min_mm, 1)),
        format!("largest and smallest; perimeter {} mm", fixed(s.perimeter_mm, 1)),
    ));
    rows.push((
        "Mean area over systole",
        mm2(jet.systole.mean_vca_mm2),
        format!(
            "{}; {} ms to {} ms; integral {} mm²·s",
            pattern(jet.systole.pattern),
            fixed(1e3 * jet.systole.bounds_s[0], 0),
            fixed(1e3 * jet.systole.bounds_s[1], 0),
            fixed(jet.systole.integral_mm2_s, 2)
        ),
    ));
    let parts = &jet.components;
    let all = [parts.convergence, parts.contraction, parts.expansion];
    let missing = all.iter().filter(|part| **part == Seen::Missing).count();
    rows.push((
        "Parts of the jet",
        if missing == 0 { "all found".into() } else { format!("{missing} of 3 not found") },
        format!(
            "convergence {}, contraction {}, expansion {}",
            seen(parts.convergence),
            seen(parts.contraction),
            seen(parts.expansion)
        ),
    ));
    rows.push((
        "Neck",
        format!("at {} mm", triple(jet.neck_mm, 1)),
        format!("axis {}, frame {}", triple(jet.axis, 3), jet.peak_frame),
    ));
    out.push_str(
        "<table class=\"numbers\">\n<thead><tr><th>Measure</th><th>Value (95 % interval)</th><th>Note</th></tr>\
         </thead>\n<tbody>\n",
    );
    for (name, value, note) in rows {
        let _ =
            writeln!(out, "<tr><th>{name}</th><td>{}</td><td>{}</td></tr>", escape(&value), escape(&note));
    }
    out.push_str("</tbody>\n</table>\n");
}

fn axes_note(jet: &JetResult) -> &'static str {
    if jet.width_mm.axes_assumed {
        "the direction is assumed: the tracing's shortest caliper width"
    } else {
        "along the anterior-posterior direction that was given"
    }
}

fn frames(out: &mut String, jet: &JetResult) {
    out.push_str(
        "<h3>Frame by frame</h3>\n<table class=\"frames\">\n<thead><tr><th>Frame</th><th>Time, ms</th>\
         <th>VCA (95 % interval)</th></tr></thead>\n<tbody>\n",
    );
    for frame in &jet.frames {
        let peak = if frame.frame == jet.peak_frame { " (peak)" } else { "" };
        let _ = writeln!(
            out,
            "<tr><th>{}{peak}</th><td>{}</td><td>{}</td></tr>",
            frame.frame,
            fixed(1e3 * frame.time_s, 0),
            frame_area(frame)
        );
    }
    out.push_str("</tbody>\n</table>\n");
}

fn parts(out: &mut String, jet: &JetResult) {
    if jet.interval_parts.is_empty() {
        return;
    }
    out.push_str(
        "<h3>Where the interval comes from</h3>\n<table class=\"parts\">\n<thead><tr><th>Source</th>\
         <th>Effect on the area, ± mm² (95 %)</th></tr></thead>\n<tbody>\n",
    );
    for part in &jet.interval_parts {
        let _ = writeln!(
            out,
            "<tr><th>{}</th><td>{}</td></tr>",
            escape(&capital(&part.source)),
            fixed(part.effect_mm2, 1)
        );
    }
    out.push_str("</tbody>\n</table>\n");
}

fn observer(out: &mut String, jet: &JetResult) {
    if jet.observer.is_empty() {
        return;
    }
    out.push_str(
        "<h3>What a slightly different reading would change</h3>\n<table class=\"parts\">\n<thead><tr>\
         <th>Done differently</th><th>Mean change, mm²</th><th>Largest, ± mm²</th></tr></thead>\n<tbody>\n",
    );
    for change in &jet.observer {
        let _ = writeln!(
            out,
            "<tr><th>{}</th><td>{}</td><td>{}</td></tr>",
            escape(&capital(&change.what)),
            signed(change.mean_mm2, 1),
            fixed(change.largest_mm2, 1)
        );
    }
    out.push_str("</tbody>\n</table>\n");
}

fn convergence(out: &mut String, jet: &JetResult) {
    let zone = &jet.convergence;
    let _ = writeln!(out, "<h3>Flow convergence</h3>\n<p>{}</p>", escape(&words::convergence(zone)));
    if zone.flow_ml_s.is_none() {
        return;
    }
    out.push_str(
        "<table class=\"parts\">\n<thead><tr><th>Speed, m/s</th><th>Surface, mm²</th><th>Seen, %</th>\
         <th>Flow, ml/s</th><th>Hemisphere, ml/s</th><th>Radius on the axis, mm</th><th>Counts</th></tr></thead>\n\
         <tbody>\n",
    );
    let or_none =
        |value: Option<f64>, decimals| value.map_or_else(|| "not seen".to_owned(), |v| fixed(v, decimals));
    for surface in &zone.surfaces {
        let _ = writeln!(
            out,
            "<tr><th>{}</th><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>",
            fixed(surface.speed_m_s, 2),
            fixed(surface.area_mm2, 0),
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
    let cycles = zone.dealiasing.map_or_else(String::new, |d| {
        format!(
            "Velocities that had wrapped ({} % of the voxels) were restored; another path gives the same for {} % \
             of them, and {} % of {} closed loops hold an inconsistency. ",
            fixed(d.wrapped_percent, 0),
            fixed(d.agreed_percent, 1),
            fixed(d.broken_percent, 2),
            d.loops
        )
    });
    let _ = writeln!(
        out,
        "<p>{opening}{cycles}Speed is the component along the beam over the cosine of its angle to the pull of the \
         traced opening; where that angle exceeds 60°, and toward the wall, the surface is continued. The \
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
    let mut sorted: Vec<_> = results.trust.findings.iter().collect();
    sorted.sort_by_key(|finding| std::cmp::Reverse(finding.verdict));
    for finding in sorted {
        let number = |value: Option<f64>, none: &str| {
            value.map_or_else(|| none.to_owned(), |v| format!("{} {}", finding_number(v), finding.unit))
        };
        let class = verdict(finding.verdict);
        let _ = writeln!(
            out,
            "<tr><td><span class=\"mark {class}\">{class}</span></td><td>{}</td><td>{}</td><td>{}</td>\
             <td>{}</td></tr>",
            escape(&capital(&finding.code.replace(['-', '_'], " "))),
            escape(number(finding.value, "not measured").trim()),
            escape(number(finding.limit, "none").trim()),
            escape(&finding.message)
        );
    }
    out.push_str("</tbody>\n</table>\n");
    for shown in figures.iter().filter(|shown| shown.jet == ACQUISITION) {
        figure(out, shown);
    }
    out.push_str("</section>\n");
}

/// Three significant digits or so, without an exponent and without idle zeros
fn finding_number(value: f64) -> String {
    let decimals = match value.abs() {
        v if v >= 100.0 => 0,
        v if v >= 10.0 => 1,
        v if v >= 0.1 => 2,
        _ => 4,
    };
    let text = fixed(value, decimals);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

fn method(out: &mut String, results: &Results) {
    let _ = writeln!(
        out,
        "<section>\n<h2>How it was measured</h2>\n\
         <p>Each jet is found by its high-velocity core, where the colour aliases and loses coherence. Its axis \
         is taken from its own data, and cuts perpendicular to that axis are traced along it; the neck is the \
         smallest of them. Velocity is sampled by phase, so that a wrap of the colour is never averaged into a \
         false low velocity. The tracing at the neck is a polygon with sub-pixel vertices; its area is corrected \
         for the blur of the acquisition (blooming). The area is the effective one: smaller than the anatomic \
         opening by the contraction of the stream. The same is done in every frame.</p>\n\
         <p class=\"quiet\">Program version {}, numerical method {}.</p>\n</section>",
        escape(&results.tool.version),
        escape(&results.tool.engine)
    );
}

fn provenance(out: &mut String, results: &Results) {
    let source = &results.source;
    let channels: Vec<String> = source.channels.iter().map(ToString::to_string).collect();
    let interval = source.frame_interval_s.map_or_else(
        || "a single frame".to_owned(),
        |interval| format!("{} frames, {} ms apart", source.frames, fixed(1e3 * interval, 1)),
    );
    let [low, high] = source.velocity_limits_m_s;
    let rows = [
        ("File", source.file.clone()),
        ("BLAKE3", source.blake3.clone()),
        ("Format", source.format.clone()),
        ("Channels", channels.join(", ")),
        (
            "Voxels",
            format!(
                "{} of {} mm",
                source.grid.map(|n| n.to_string()).join(" × "),
                triple(source.voxel_mm, 2)
            ),
        ),
        ("Beat", interval),
        ("Nyquist limit", format!("{} m/s", fixed(source.nyquist_m_s, 2))),
        ("Displayed velocities", format!("{} to {} m/s", signed(low, 2), signed(high, 2))),
        ("Document", results.schema.clone()),
    ];
    out.push_str("<section>\n<h2>What was measured</h2>\n<table class=\"source\">\n<tbody>\n");
    for (name, value) in rows {
        let value = if value.is_empty() { "not stated".to_owned() } else { escape(&value) };
        let _ = writeln!(out, "<tr><th>{name}</th><td>{value}</td></tr>");
    }
    out.push_str("</tbody>\n</table>\n");
    if source.assumed.is_empty() {
        out.push_str("<p>Nothing about the file had to be assumed.</p>\n");
    } else {
        out.push_str("<p>The file left open, and it was assumed:</p>\n<ul>\n");
        for assumed in &source.assumed {
            let _ = writeln!(out, "<li>{}</li>", escape(assumed));
        }
        out.push_str("</ul>\n");
    }
    out.push_str("</section>\n");
}

fn cautions(out: &mut String, results: &Results) {
    out.push_str("<section>\n<h2>Cautions</h2>\n<ul class=\"cautions\">\n");
    if results.trust.verdict == Verdict::Unfit {
        let _ = writeln!(out, "<li><strong>{}.</strong></li>", capital(verdict_meaning(Verdict::Unfit)));
    }
    let own = results.cautions.iter().map(String::as_str);
    let mut said: Vec<&str> = Vec::new();
    for caution in own.chain(STANDING_CAUTIONS) {
        if !said.contains(&caution) {
            let _ = writeln!(out, "<li>{}</li>", escape(caution));
            said.push(caution);
        }
    }
    out.push_str("</ul>\n</section>\n");
}

fn triple(values: [f64; 3], decimals: usize) -> String {
    values.map(|value| fixed(value, decimals)).join(", ")
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
    fn every_number_that_matters_is_on_the_page() {
        let results = fixture::results();
        let page = text(&page(&results, &[], None));
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
        numbers.extend(STANDING_CAUTIONS.map(str::to_owned));
        let weighing = results.severity.as_ref().unwrap();
        numbers.push(weighing.conclusion.sentence.clone());
        numbers.extend(weighing.conclusion.next.clone());
        numbers.extend(weighing.cautions.clone());
        numbers.extend(weighing.placements.iter().map(|placement| placement.label.clone()));
        for step in &weighing.steps {
            numbers.extend([step.asked.clone(), step.found.clone(), step.follows.clone()]);
        }
        for number in numbers {
            let number = number.replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;");
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
        let page = text(&page(&results, &[], None));
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
        let page = text(&page(&results, &[], None));
        assert!(page.contains("Vena contracta area, sum of 2 jets"));
        assert!(page.contains("Jet 2") && page.contains("The sum is taken at frame 2"));
    }

    #[test]
    fn words_from_a_file_stay_words() {
        let mut results = fixture::results();
        results.source.file = "<script>alert(1)</script>.dcm".into();
        results.trust.findings[0].message = "a <b> & c".into();
        let page = page(&results, &[], None);
        assert!(!page.contains("<script") && page.contains("a &lt;b&gt; &amp; c"));
        // One file: nothing is fetched from anywhere.
        assert!(!page.contains("src=") && !page.contains("<link") && !page.contains("@import"));
    }
}
