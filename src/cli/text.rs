//! A measurement as text, on one screen of a terminal.

use std::fmt::Write as _;

use crate::measure::results::{Finding, JetResult, Verdict};
use crate::measure::{Comparison, Results};
use crate::report::words;
use crate::report::{self, AreaUnit, ReportPaths};

/// The unit of areas on the terminal
const CM2: AreaUnit = AreaUnit::Cm2;

/// The answer and what a reader must know about it
pub(super) fn summary(results: &Results) -> String {
    let mut out = String::new();
    let mut row = |name: &str, value: &str| {
        let _ = writeln!(out, "{name:<20} {value}");
    };
    row("file", &results.source.file);
    match results.jets.as_slice() {
        [] => {
            let frames = words::count(results.source.frames, "frame", "frames");
            row("jets", &format!("no regurgitant jet found in {frames}"));
        }
        [jet] => jet_rows(&mut row, jet),
        jets => {
            let total = &results.total.vca_mm2;
            row("jets", &jets.len().to_string());
            row("sum of areas", &CM2.interval(total));
            for jet in jets {
                row("", "");
                row(&format!("jet {}", jet.id), "");
                jet_rows(&mut row, jet);
            }
            row("", "");
        }
    }
    if let Some(volume) = &results.total.regurgitant_volume_ml {
        row("regurgitant volume", &words::ml_interval(volume));
        if let Some(envelope) = words::envelope(results) {
            row("", envelope.trim_end_matches('.'));
        }
    }
    if let Some(grading) = &results.severity {
        row("grading", &grading.conclusion.sentence);
    }
    let verdict = results.trust.verdict;
    row("trust check", &format!("{}: {}", words::verdict(verdict), words::verdict_meaning(verdict)));
    for finding in findings(&results.trust.findings) {
        row("", &format!("- {}", finding.message));
    }
    out.push_str("intervals are 95 %; not a medical device, never one number alone\n");
    // Rows without a value end in blanks.
    out.lines().flat_map(|line| [line.trim_end(), "\n"]).collect()
}

fn jet_rows(row: &mut impl FnMut(&str, &str), jet: &JetResult) {
    let vca = &jet.vca_mm2;
    row("VC area, effective", &CM2.interval(vca));
    let displayed =
        jet.displayed_area_mm2.map_or_else(|| CM2.text(jet.traced_area_mm2), |area| CM2.interval(&area));
    row("VC area, displayed", &displayed);
    row("long-axis width", &words::mm_interval(&jet.width_mm.long_axis));
    row("commissural width", &words::mm_interval(&jet.width_mm.commissural));
    let off = words::signed(jet.single_width.error_percent, 0);
    row("circle of the width", &format!("{} ({off} %)", CM2.text(jet.circle_area_mm2)));
    if let Some(misleads) = words::width_misleads(jet) {
        row("", misleads.trim_end_matches('.'));
    }
    row("shape", words::shape_sentence(jet).trim_end_matches('.'));
    let systole = &jet.systole;
    let pattern = format!(
        "{}, there in {} % of it; {} {}",
        words::pattern(systole.pattern),
        words::fixed(100.0 * systole.present_fraction, 0),
        words::mean_name(systole),
        CM2.text(systole.mean_mm2())
    );
    row("through systole", &pattern);
    if let Some(flow) = &jet.convergence.flow_ml_s {
        let orifice = jet
            .convergence
            .eroa_mm2
            .map_or_else(String::new, |area| format!("   EROA {}", CM2.interval(&area)));
        row("flow convergence", &format!("{}{orifice}", words::flow_interval(flow)));
    }
}

/// The findings that are not plainly good, the worst first
fn findings(all: &[Finding]) -> Vec<&Finding> {
    let mut worst: Vec<&Finding> = all.iter().filter(|f| f.verdict != Verdict::Adequate).collect();
    worst.sort_by_key(|finding| std::cmp::Reverse(finding.verdict));
    worst
}

/// Two measurements and what lies between them
pub(super) fn comparison(of: &Comparison) -> String {
    let mut out = String::new();
    for [name, before, after, change] in report::comparison_lines(of) {
        let _ = writeln!(out, "{name:<32} {before:<28} {after:<28} {change}");
    }
    for caution in &of.cautions {
        let _ = writeln!(out, "- {caution}");
    }
    let _ = writeln!(out, "{}", of.assumption);
    out.push_str("intervals are 95 %; not a medical device, never one number alone\n");
    out.lines().flat_map(|line| [line.trim_end(), "\n"]).collect()
}

/// One line: where to look
pub(super) fn where_the_report_is(paths: &ReportPaths) -> String {
    format!("report: {}\n", paths.page.display())
}

/// The answer in one line
pub(super) fn one_line(results: &Results) -> String {
    let trust = words::verdict(results.trust.verdict);
    match results.jets.as_slice() {
        [] => format!("No regurgitant jet found; trust check: {trust}.\n"),
        jets => {
            let vca = &results.total.vca_mm2;
            let jets = if jets.len() == 1 {
                words::shape(jets[0].shape.class).to_owned()
            } else {
                words::count(jets.len(), "jet", "jets")
            };
            format!(
                "Vena contracta area {} (95 % interval {}), {jets}; trust check: {trust}.\n",
                CM2.text(vca.value),
                CM2.span(vca)
            )
        }
    }
}
