//! What page and paper say alike: the rows of their tables, their standing sentences.
//!
//! Everything here is words made of results; how it is set is the business of whoever sets it.

use super::words::{
    capital, finding_name, fixed, mm_interval, pattern, seen, shape, signed, verdict, verdict_meaning,
    worst_first,
};
use super::{AreaUnit, words};
pub(crate) use crate::measure::results::STANDING_CAUTIONS;
use crate::measure::results::{JetResult, Results, Seen, Verdict};

/// How it is measured, in a paragraph
pub(crate) const METHOD: &str = "Each jet is found by its high-velocity core, where the colour aliases and loses \
    coherence. Its axis is taken from its own data, and planes perpendicular to that axis are traced along it; the \
    vena contracta is the smallest of them. Velocity is sampled by phase, so that a wrap of the colour is never averaged into \
    a false low velocity. The tracing there is a polygon with sub-pixel vertices; its area is corrected for \
    the blur of the acquisition (blooming). The area is the effective one: smaller than the anatomic orifice by the \
    contraction of the stream. The same is done in every frame.";

/// How the probabilities come about, in a paragraph
pub(crate) const PROBABILITY: &str = "The probabilities take each value as a distribution with its error against its \
    own cut points, multiply what has different origins, average what shares an error (EROA and volume by PISA; \
    volume and fraction; area in 3D and width), and let each specific criterion multiply the odds of its class by 2.3, \
    any other sign by 1.5. What the volume measures has no row in the table: it can raise a class, never lower one.";

/// What made the document
pub(crate) fn program(results: &Results) -> String {
    format!("Program version {}, numerical method {}.", results.tool.version, results.tool.engine)
}

/// How sure the axis is, and at what angle it meets the beam
pub(crate) fn direction(jet: &JetResult) -> String {
    let sure = format!("The jet axis is known to ± {}°", fixed(jet.axis_uncertainty_deg, 1));
    match jet.beam_angle_deg {
        Some(angle) => format!("{sure} and meets the beam at {}°.", fixed(angle, 0)),
        None => format!(
            "{sure}; its angle to the beam is unknown, since the file does not say where the probe is."
        ),
    }
}

/// The numbers of a jet: name, value, note
pub(crate) fn numbers(jet: &JetResult, unit: AreaUnit) -> Vec<[String; 3]> {
    let mut rows: Vec<(&str, String, String)> = vec![
        (
            "VC area, effective",
            unit.interval(&jet.vca_mm2),
            "at the peak frame, corrected for blooming".into(),
        ),
        ("Outline", words::origin_word(jet).into(), words::origin(jet)),
        (
            "VC area, displayed",
            jet.displayed_area_mm2
                .map_or_else(|| unit.text(jet.traced_area_mm2), |area| unit.interval(&area)),
            "as traced, not corrected".into(),
        ),
        ("Long-axis width", mm_interval(&jet.width_mm.long_axis), axes_note(jet).into()),
        ("Commissural width", mm_interval(&jet.width_mm.commissural), "across the long axis".into()),
        (
            "Circle of the long-axis width",
            unit.text(jet.circle_area_mm2),
            format!("{} % against the area", signed(jet.single_width.error_percent, 0)),
        ),
        ("Ellipse of both widths", unit.text(jet.ellipse_area_mm2), "pi/4 times the widths".into()),
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
        unit.text(jet.systole.mean_vca_mm2),
        format!(
            "{}; {} ms to {} ms; integral {} {}·s",
            pattern(jet.systole.pattern),
            fixed(1e3 * jet.systole.bounds_s[0], 0),
            fixed(1e3 * jet.systole.bounds_s[1], 0),
            unit.fine(jet.systole.integral_mm2_s),
            unit.sign()
        ),
    ));
    let parts = &jet.components;
    let all = [parts.convergence, parts.contraction, parts.expansion];
    let missing = all.iter().filter(|part| **part == Seen::Missing).count();
    if let Some(mean) = &jet.systole.velocity_weighted_mean_mm2 {
        let note = "regurgitant volume over velocity-time integral".to_owned();
        rows.push(("Velocity-weighted mean area", unit.interval(mean), note));
    }
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
        "Vena contracta",
        format!("at {} mm", triple(jet.neck_mm, 1)),
        format!("axis {}, frame {}. {}", triple(jet.axis, 3), words::frame(jet.peak_frame), direction(jet)),
    ));
    rows.into_iter().map(|(name, value, note)| [name.to_owned(), value, note]).collect()
}

fn axes_note(jet: &JetResult) -> &'static str {
    if jet.width_mm.axes_assumed {
        "the direction is assumed: the tracing's shortest caliper width"
    } else {
        "along the anterior-posterior direction that was given"
    }
}

/// One thing the trust check looked at
pub(crate) struct FindingRow {
    /// Its verdict as one word
    pub(crate) verdict: &'static str,
    /// What was looked at
    pub(crate) name: String,
    /// What was found
    pub(crate) found: String,
    /// Its limit
    pub(crate) limit: String,
    /// What it means
    pub(crate) message: String,
}

/// The findings of the trust check, the worst first
pub(crate) fn findings(results: &Results) -> Vec<FindingRow> {
    worst_first(&results.trust.findings)
        .into_iter()
        .map(|finding| {
            let number = |value: Option<f64>, none: &str| {
                let text = value
                    .map_or_else(|| none.to_owned(), |v| format!("{} {}", finding_number(v), finding.unit));
                text.trim().to_owned()
            };
            FindingRow {
                verdict: verdict(finding.verdict),
                name: finding_name(finding),
                found: number(finding.value, "not measured"),
                limit: number(finding.limit, "none"),
                message: finding.message.clone(),
            }
        })
        .collect()
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

/// What was measured: name, value
pub(crate) fn source(results: &Results) -> Vec<[String; 2]> {
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
    let stated = |value: String| if value.is_empty() { "not stated".to_owned() } else { value };
    rows.into_iter().map(|(name, value)| [name.to_owned(), stated(value)]).collect()
}

/// Every caution once: that of an unfit acquisition first, then the results' own, then the standing ones
pub(crate) fn cautions(results: &Results) -> Vec<String> {
    let mut said: Vec<String> = Vec::new();
    if results.trust.verdict == Verdict::Unfit {
        said.push(format!("{}.", capital(verdict_meaning(Verdict::Unfit))));
    }
    let own = results.cautions.iter().map(String::as_str);
    for caution in own.chain(STANDING_CAUTIONS) {
        if !said.iter().any(|known| known == caution) {
            said.push(caution.to_owned());
        }
    }
    said
}

fn triple(values: [f64; 3], decimals: usize) -> String {
    values.map(|value| fixed(value, decimals)).join(", ")
}

/// The cautions of two results that are not standing ones: to which they belong where not to both, and the sentence
pub(crate) fn own_cautions(before: &Results, after: &Results) -> Vec<String> {
    let told = |when: &str, of: &Results, other: &Results, both: bool| -> Vec<String> {
        let own = of.cautions.iter().filter(|c| !STANDING_CAUTIONS.contains(&c.as_str()));
        let of_kind = own.filter(|caution| other.cautions.contains(caution) == both);
        of_kind.map(|caution| format!("{when}{caution}")).collect()
    };
    let mut all = told("", before, after, true);
    all.extend(told("Before: ", before, after, false));
    all.extend(told("After: ", after, before, false));
    all
}
