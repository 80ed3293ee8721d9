//! The agreement of readers as a page, a tidy table and figures.

use std::fmt::Write as _;

use super::bundle::{Bundle, Home};
use super::differences::{decimals, decimals_for, differences_figure};
use super::page::{figure, table, whole, with_interval};
use crate::report::svg::{Svg, escape};
use crate::report::table::Row;
use crate::report::words::{fixed, signed};
use crate::report::{ReportError, png_from_svg};
use crate::study::agree::{
    AgainstReference, Agreement, BlandAltman, Clustered, Estimate, Grades, Weights, Within,
};

/// Everything that `narrows agree` writes
///
/// # Errors
/// [`ReportError`] where a figure cannot be painted or the document cannot be put into JSON.
pub fn agreement_files(document: &Agreement, png_scale: f32) -> Result<Bundle, ReportError> {
    let mut files = Vec::new();
    let mut figures = Vec::new();
    for (at, svg) in pair_figures(document).enumerate() {
        let svg = svg.finish();
        let name = format!("figures/differences-{}", at + 1);
        files.push((format!("{name}.png"), png_from_svg(&svg, png_scale)?));
        files.push((format!("{name}.svg"), svg.clone().into_bytes()));
        figures.push(svg);
    }
    files.push(("agreement.csv".into(), agreement_csv(document).into_bytes()));
    let mut json = serde_json::to_string_pretty(document)?;
    json.push('\n');
    files.push(("agreement.json".into(), json.into_bytes()));
    files.push(("index.html".into(), page(document, &figures).into_bytes()));
    Ok(Bundle { files, home: Home::Own })
}

/// The figure of each pair, then of the repeats of each reader
pub fn pair_figures(document: &Agreement) -> impl Iterator<Item = Svg> {
    // The usual name of the column says nothing about what was measured.
    let what = Some(document.source.value.as_str()).filter(|name| *name != "value").unwrap_or_default();
    let pairs = document.pairs.iter().chain(&document.repeats);
    pairs.map(move |pair| differences_figure(pair, what, &document.source.unit))
}

/// One statistic a row: what, of whom, value, interval, how many volumes
pub fn agreement_csv(document: &Agreement) -> String {
    let out = String::from("statistic,first,second,value,low,high,volumes,unit\n");
    let mut rows = Rows { out, unit: &document.source.unit };
    rows.reliability(document);
    for pair in document.pairs.iter().chain(&document.repeats) {
        rows.pair(pair);
    }
    for one in &document.clusters {
        rows.cluster(one);
    }
    for one in &document.references {
        rows.reference(one);
    }
    if let Some(plan) = &document.plan {
        rows.row("volumes needed", ALL, Some(plan.volumes as f64), None, plan.volumes, "");
    }
    for one in &document.within {
        rows.within(one);
    }
    if let Some(found) = &document.grades {
        rows.grades(found);
    }
    rows.out
}

/// Of whom a statistic of everybody is
const ALL: [&str; 2] = ["all readers", ""];

/// The rows of a table of statistics
struct Rows<'a> {
    out: String,
    /// Unit of the readings
    unit: &'a str,
}

impl Rows<'_> {
    fn row(
        &mut self,
        name: &str,
        who: [&str; 2],
        value: Option<f64>,
        ends: Option<[f64; 2]>,
        n: usize,
        unit: &str,
    ) {
        let mut row = Row::new(name);
        row.put(who[0]).put(who[1]).optional(value);
        row.optional(ends.map(|e| e[0])).optional(ends.map(|e| e[1])).put(n).put(unit);
        row.end(&mut self.out);
    }

    fn reliability(&mut self, document: &Agreement) {
        let Some(found) = &document.reliability else { return };
        let (n, unit) = (found.volumes, self.unit);
        for icc in &found.coefficients {
            self.row(&icc.name, ALL, icc.value, icc.interval, n, "");
        }
        for (name, value) in [
            ("standard error of one reading", found.standard_error),
            ("residual standard error", found.residual_standard_error),
            ("standard deviation of readers", found.reader_standard_deviation),
            ("reproducibility coefficient", found.reproducibility),
        ] {
            self.row(name, ALL, Some(value), None, n, unit);
        }
    }

    fn pair(&mut self, pair: &BlandAltman) {
        let (who, n, unit) = ([pair.first.as_str(), pair.second.as_str()], pair.volumes, self.unit);
        self.row("bias", who, Some(pair.bias), pair.bias_interval, n, unit);
        self.row("standard deviation of differences", who, pair.standard_deviation, None, n, unit);
        for (name, limit) in
            [("lower limit of agreement", pair.lower), ("upper limit of agreement", pair.upper)]
        {
            let value = limit.map(|l| l.value);
            let approximate = limit.map(|l| l.approximate);
            self.row(&format!("{name}, approximate interval"), who, value, approximate, n, unit);
            if let Some(exact) = limit.and_then(|l| l.exact) {
                self.row(&format!("{name}, exact interval"), who, value, Some(exact), n, unit);
            }
        }
        if let Some([slope, low, high]) = pair.slope {
            let ends = Some([low, high]);
            self.row("change of difference for a unit of the mean", who, Some(slope), ends, n, "");
        }
        if let Some(ratio) = pair.ratio {
            self.row("ratio, geometric mean", who, Some(ratio.value), ratio.interval, n, "");
            for (name, [value, low, high]) in [
                ("ratio, lower limit of agreement", ratio.lower),
                ("ratio, upper limit of agreement", ratio.upper),
            ] {
                self.row(name, who, Some(value), Some([low, high]), n, "");
            }
        }
        if let Some(error) = pair.percent_error {
            for (name, value) in [
                ("mean absolute percent difference", Some(error.mean)),
                ("SD of absolute percent difference", error.standard_deviation),
                ("coefficient of variation of one reading", Some(error.coefficient_of_variation)),
                ("1.96 SD over mean", error.limits_over_mean),
            ] {
                self.row(name, who, value, None, error.volumes, "%");
            }
        }
    }

    fn cluster(&mut self, one: &Clustered) {
        let (who, n, unit) = ([one.first.as_str(), one.second.as_str()], one.volumes, self.unit);
        self.row("bias, over patients", who, Some(one.bias), Some(one.bias_interval), n, unit);
        for (name, value, unit) in [
            ("variance of differences between patients", one.between, ""),
            ("variance of differences within patients", one.within, ""),
            ("lower limit of agreement, over patients", one.limits[0], unit),
            ("upper limit of agreement, over patients", one.limits[1], unit),
        ] {
            self.row(name, who, Some(value), None, n, unit);
        }
    }

    fn reference(&mut self, one: &AgainstReference) {
        let (who, n, unit) = ([one.reader.as_str(), one.reference.as_str()], one.volumes, self.unit);
        let mut put = |name: &str, found: Option<Estimate>, unit: &str| {
            self.row(name, who, found.map(|f| f.value), found.and_then(|f| f.interval), n, unit);
        };
        put("Deming slope", one.slope, "");
        put("Deming intercept", one.intercept, unit);
        if let Some(roc) = one.roc {
            put("area under the ROC curve", Some(roc.area), "");
            let number = |value: f64| Some(Estimate { value, interval: None });
            put("best cut", number(roc.best_cut), unit);
            put("sensitivity", number(roc.sensitivity), "");
            put("specificity", number(roc.specificity), "");
        }
    }

    fn within(&mut self, one: &Within) {
        let (who, n, unit) = ([one.reader.as_str(), one.reader.as_str()], one.volumes, self.unit);
        for (name, found) in [
            ("within-reader standard deviation", &one.standard_deviation),
            ("repeatability coefficient", &one.repeatability),
        ] {
            self.row(name, who, Some(found.value), Some([found.low, found.high]), n, unit);
        }
        let variation = one.coefficient_of_variation;
        self.row("within-reader coefficient of variation", who, variation, None, n, "%");
        if let Some(icc) = &one.correlation {
            self.row("ICC(1,1) of repeats", who, Some(icc.value), Some([icc.low, icc.high]), n, "");
        }
    }

    fn grades(&mut self, found: &Grades) {
        for pair in &found.pairs {
            let who = [pair.first.as_str(), pair.second.as_str()];
            self.row(kappa_name(pair.weights), who, pair.value, pair.interval, pair.volumes, "");
            if let Some(ac1) = pair.ac1 {
                self.row("AC1", who, Some(ac1.value), ac1.interval, pair.volumes, "");
            }
        }
        if let Some(fleiss) = &found.all {
            self.row("Fleiss kappa", ALL, fleiss.value, fleiss.interval, fleiss.volumes, "");
        }
    }
}

/// Kappa by its weights, in words
pub fn kappa_name(weights: Weights) -> &'static str {
    match weights {
        Weights::None => "kappa",
        Weights::Linear => "weighted kappa, linear",
        Weights::Quadratic => "weighted kappa, quadratic",
    }
}

fn page(document: &Agreement, figures: &[String]) -> String {
    let mut out = String::new();
    let design = &document.design;
    let _ = writeln!(
        out,
        "<section class=\"answer\">\n<h1><span class=\"what\">{} volumes, {} readers: {}</span> {}</h1>",
        design.volumes,
        design.readers.len(),
        escape(&design.readers.join(", ")),
        headline(document)
    );
    if !document.notes.is_empty() {
        out.push_str("<ul>\n");
        for note in &document.notes {
            let _ = writeln!(out, "<li>{}</li>", escape(note));
        }
        out.push_str("</ul>\n");
    }
    out.push_str("</section>\n");
    reliability(&mut out, document);
    differences(&mut out, "Pairs of readers", &document.pairs, &figures[..document.pairs.len()], document);
    more(&mut out, document);
    within(&mut out, document);
    differences(&mut out, "Repeats", &document.repeats, &figures[document.pairs.len()..], document);
    grades(&mut out, document);
    out.push_str("<section>\n<h2>Methods</h2>\n");
    for paragraph in &document.methods {
        let _ = writeln!(out, "<p>{}</p>", escape(paragraph));
    }
    let _ = writeln!(
        out,
        "<p class=\"quiet\">Table {}, BLAKE3 {}.</p>\n</section>",
        escape(&document.source.file),
        escape(&document.source.blake3)
    );
    whole("Agreement of readers", &document.source.file, &out)
}

/// The answer in one line: absolute agreement of single readings, or the scatter of the only reader
fn headline(document: &Agreement) -> String {
    if let Some(icc) = document.reliability.as_ref().and_then(|found| found.coefficients.get(1))
        && let Some(value) = icc.value
    {
        let ends = icc.interval.map_or_else(String::new, |[low, high]| {
            format!(
                " <span class=\"interval\">95&nbsp;% interval {} to {}</span>",
                fixed(low, 2),
                fixed(high, 2)
            )
        });
        return format!("<span class=\"value\">{} {}</span>{ends}", icc.name, fixed(value, 2));
    }
    if let Some(one) = document.within.last() {
        let places = decimals_for(one.standard_deviation.value);
        return format!(
            "<span class=\"value\">± {} {}</span> <span class=\"interval\">repeatability coefficient</span>",
            fixed(one.repeatability.value, places),
            escape(&document.source.unit)
        );
    }
    match document.grades.as_ref().and_then(|g| g.all.as_ref()).and_then(|k| k.value) {
        Some(kappa) => format!("<span class=\"value\">kappa {}</span>", fixed(kappa, 2)),
        None => String::new(),
    }
}

fn reliability(out: &mut String, document: &Agreement) {
    let Some(found) = &document.reliability else { return };
    let unit = &document.source.unit;
    let _ = writeln!(
        out,
        "<section>\n<h2>Reliability between readers</h2>\n<p>{} volumes read by all {} readers.</p>",
        found.volumes, found.readers
    );
    let rows: Vec<Vec<String>> = found
        .coefficients
        .iter()
        .map(|icc| vec![icc.name.clone(), with_interval(icc.value, icc.interval, 3), icc.meaning.clone()])
        .collect();
    table(out, &["", "value (95 %)", "what it answers"], &rows);
    let places = decimals_for(found.standard_error);
    let number = |value: f64| format!("{} {unit}", fixed(value, places));
    let rows = vec![
        vec!["Standard error of one reading by any reader".into(), number(found.standard_error)],
        vec!["the same by a given reader".into(), number(found.residual_standard_error)],
        vec!["Standard deviation of the readers' offsets".into(), number(found.reader_standard_deviation)],
        vec!["Reproducibility coefficient, two readers".into(), number(found.reproducibility)],
    ];
    table(out, &["", "value"], &rows);
    out.push_str("</section>\n");
}

fn differences(
    out: &mut String,
    title: &str,
    pairs: &[BlandAltman],
    figures: &[String],
    document: &Agreement,
) {
    if pairs.is_empty() {
        return;
    }
    let _ = writeln!(out, "<section>\n<h2>{title}</h2>");
    let rows: Vec<Vec<String>> = pairs
        .iter()
        .map(|pair| {
            let places = decimals(pair);
            let limit = |limit: Option<crate::study::agree::Limit>| {
                limit.map_or("not estimable".into(), |l| {
                    with_interval(Some(l.value), Some(l.exact.unwrap_or(l.approximate)), places)
                })
            };
            let error = pair.percent_error.map_or("not estimable".into(), |error| {
                let spread =
                    error.standard_deviation.map_or_else(String::new, |sd| format!(" ± {}", fixed(sd, 1)));
                format!("{}{spread} % ({} %)", fixed(error.mean, 1), fixed(error.coefficient_of_variation, 1))
            });
            let left = if pair.left_out.is_empty() {
                String::new()
            } else {
                format!("; lacking: {}", pair.left_out.join(", "))
            };
            vec![
                format!("{} − {}", pair.first, pair.second),
                format!("{}{left}", pair.volumes),
                with_interval(Some(pair.bias), pair.bias_interval, places),
                limit(pair.lower),
                limit(pair.upper),
                error,
            ]
        })
        .collect();
    let head = [
        "",
        "volumes",
        "bias (95 %)",
        "lower limit (95 %)",
        "upper limit (95 %)",
        "percent error: mean ± SD (coefficient of variation)",
    ];
    table(out, &head, &rows);
    for (pair, svg) in pairs.iter().zip(figures) {
        let slope = pair.slope.map_or_else(String::new, |[slope, low, high]| {
            format!(
                " The difference changes by {} ({} to {}) for a unit of the mean.",
                signed(slope, 3),
                signed(low, 3),
                signed(high, 3)
            )
        });
        let unit = &document.source.unit;
        let sd = pair.standard_deviation.map_or_else(String::new, |sd| {
            format!(" SD of the differences of single readings {} {unit}.", fixed(sd, decimals(pair)))
        });
        figure(out, svg, &format!("Each circle is a volume.{sd}{slope}"));
    }
    out.push_str("</section>\n");
}

/// What stands beside the differences: ratios, patients, the reference, the plan
fn more(out: &mut String, document: &Agreement) {
    let ends = |[value, low, high]: [f64; 3]| with_interval(Some(value), Some([low, high]), 2);
    let estimate =
        |found: Option<Estimate>| with_interval(found.map(|f| f.value), found.and_then(|f| f.interval), 2);
    let ratios: Vec<Vec<String>> = document
        .pairs
        .iter()
        .filter_map(|pair| {
            let ratio = pair.ratio?;
            let name = format!("{} / {}", pair.first, pair.second);
            let middle = with_interval(Some(ratio.value), ratio.interval, 2);
            Some(vec![name, middle, ends(ratio.lower), ends(ratio.upper)])
        })
        .collect();
    if !ratios.is_empty() {
        out.push_str("<section>\n<h2>As ratios</h2>\n");
        table(out, &["", "geometric mean (95 %)", "lower limit (95 %)", "upper limit (95 %)"], &ratios);
        out.push_str("</section>\n");
    }
    if !document.clusters.is_empty() {
        out.push_str("<section>\n<h2>Several volumes of one patient</h2>\n");
        let rows = document.clusters.iter().map(|one| {
            vec![
                format!("{} − {}", one.first, one.second),
                format!("{} of {}", one.volumes, one.patients),
                with_interval(Some(one.bias), Some(one.bias_interval), 2),
                format!("{} to {}", signed(one.limits[0], 2), signed(one.limits[1], 2)),
            ]
        });
        let head = ["", "volumes of patients", "bias (95 %)", "limits of agreement"];
        table(out, &head, &rows.collect::<Vec<_>>());
        out.push_str("</section>\n");
    }
    if let Some(first) = document.references.first() {
        let _ = writeln!(out, "<section>\n<h2>Against {}</h2>", escape(&first.reference));
        let rows = document.references.iter().map(|one| {
            let (area, cut) = one.roc.map_or_else(
                || (String::new(), String::new()),
                |roc| {
                    let share = |share: f64| fixed(100.0 * share, 0);
                    let rates = format!("{} % and {} %", share(roc.sensitivity), share(roc.specificity));
                    (estimate(Some(roc.area)), format!("{}: {rates}", fixed(roc.best_cut, 2)))
                },
            );
            vec![
                one.reader.clone(),
                one.volumes.to_string(),
                estimate(one.slope),
                estimate(one.intercept),
                area,
                cut,
            ]
        });
        let head = [
            "reader",
            "volumes",
            "slope (95 %)",
            "intercept (95 %)",
            "area under the ROC curve (95 %)",
            "best cut: sensitivity and specificity",
        ];
        table(out, &head, &rows.collect::<Vec<_>>());
        out.push_str("</section>\n");
    }
}

fn within(out: &mut String, document: &Agreement) {
    if document.within.is_empty() {
        return;
    }
    out.push_str("<section>\n<h2>Scatter within readers</h2>\n");
    let rows: Vec<Vec<String>> = document
        .within
        .iter()
        .map(|one| {
            let places = decimals_for(one.standard_deviation.value);
            let span = |i: &crate::measure::results::Interval| {
                with_interval(Some(i.value), Some([i.low, i.high]), places)
            };
            vec![
                one.reader.clone(),
                format!("{} ({} readings)", one.volumes, one.readings),
                span(&one.standard_deviation),
                span(&one.repeatability),
                one.coefficient_of_variation
                    .map_or("not estimable".into(), |cv| format!("{} %", fixed(cv, 1))),
                with_interval(one.correlation.map(|i| i.value), one.correlation.map(|i| [i.low, i.high]), 3),
            ]
        })
        .collect();
    let head = [
        "reader",
        "volumes read again",
        "standard deviation (95 %)",
        "repeatability coefficient (95 %)",
        "coefficient of variation",
        "ICC(1,1) of repeats",
    ];
    table(out, &head, &rows);
    out.push_str("</section>\n");
}

fn grades(out: &mut String, document: &Agreement) {
    let Some(found) = &document.grades else { return };
    let _ = writeln!(
        out,
        "<section>\n<h2>Grades</h2>\n<p>{}: {}.</p>",
        if found.ordered { "Grades, the mildest first" } else { "Grades, in no order" },
        escape(&found.names.join(", "))
    );
    let mut rows: Vec<Vec<String>> = found
        .pairs
        .iter()
        .map(|pair| {
            vec![
                format!("{}, {}", pair.first, pair.second),
                kappa_name(pair.weights).into(),
                pair.volumes.to_string(),
                format!("{} %", fixed(100.0 * pair.observed, 0)),
                with_interval(pair.value, pair.interval, 3),
            ]
        })
        .collect();
    if let Some(all) = &found.all {
        rows.push(vec![
            "all readers".into(),
            "Fleiss kappa".into(),
            all.volumes.to_string(),
            String::new(),
            with_interval(all.value, all.interval, 3),
        ]);
    }
    table(out, &["readers", "", "volumes", "same grade", "kappa (95 %)"], &rows);
    out.push_str("</section>\n");
}
