//! Shapes in groups as page, table and figure.

use std::fmt::Write as _;

use super::bundle::{Bundle, Home};
use super::differences::decimals_for;
use super::page::{figure, table, whole, with_interval};
use crate::report::chart::{Axis, Chart};
use crate::report::colour;
use crate::report::figure::heading;
use crate::report::svg::{Anchor, Face, Stroke, Svg, escape};
use crate::report::table::Row;
use crate::report::words::fixed;
use crate::report::{ReportError, png_from_svg};
use crate::study::shapes::{Described, Shapes, Variable};

/// Variables of the figure, in its order
const DRAWN: [&str; 4] = ["axis_ratio", "solidity", "crescent_index", "single_width_error_percent"];
/// Rims of the groups' dots, in turn; the group's name stands below as well
const RIMS: [&str; 4] = [colour::CURVE, colour::TRACING, colour::GOOD, colour::COMMISSURAL];

/// Everything that `narrows shapes` writes; `file` names the table
///
/// # Errors
/// [`ReportError`] where the figure cannot be painted or the document cannot be put into JSON.
pub fn shapes_files(shapes: &Shapes, file: &str, png_scale: f32) -> Result<Bundle, ReportError> {
    let svg = shapes_figure(shapes).finish();
    let mut json = serde_json::to_string_pretty(shapes)?;
    json.push('\n');
    let files = vec![
        ("shapes.png".to_owned(), png_from_svg(&svg, png_scale)?),
        ("shapes.csv".to_owned(), shapes_csv(shapes).into_bytes()),
        ("index.html".to_owned(), page(shapes, file, &svg).into_bytes()),
        ("shapes.svg".to_owned(), svg.into_bytes()),
        ("shapes.json".to_owned(), json.into_bytes()),
    ];
    Ok(Bundle { files, home: Home::Own })
}

/// One statistic a row
pub fn shapes_csv(shapes: &Shapes) -> String {
    let mut out = String::from("variable,statistic,first,second,value,low,high,count,unit\n");
    let mut put =
        |variable: &str, name: &str, who: [&str; 2], value: [Option<f64>; 3], n: usize, unit: &str| {
            let mut row = Row::new(variable);
            row.put(name).put(who[0]).put(who[1]);
            row.optional(value[0]).optional(value[1]).optional(value[2]).put(n).put(unit);
            row.end(&mut out);
        };
    for group in &shapes.groups {
        let who = [group.name.as_str(), ""];
        if let Some(share) = group.misleads {
            let value = [Some(share.value), Some(share.low), Some(share.high)];
            put("single_width_misleads", "share", who, value, group.volumes, "");
        }
        for (class, count) in &group.classes {
            let share = crate::study::shapes::wilson(*count, group.volumes);
            let value = [share.map(|s| s.value), share.map(|s| s.low), share.map(|s| s.high)];
            put("shape", &format!("share {class}"), who, value, group.volumes, "");
        }
    }
    for variable in &shapes.variables {
        let unit = variable.unit.as_str();
        for one in &variable.groups {
            let who = [one.group.as_str(), ""];
            let ends = |ends: Option<[f64; 2]>, value| [value, ends.map(|e| e[0]), ends.map(|e| e[1])];
            put(&variable.column, "median", who, ends(one.median_interval, one.median), one.count, unit);
            put(&variable.column, "quartiles", who, ends(one.quartiles, None), one.count, unit);
            put(&variable.column, "mean", who, [one.mean, None, None], one.count, unit);
            put(
                &variable.column,
                "standard deviation",
                who,
                [one.standard_deviation, None, None],
                one.count,
                unit,
            );
        }
        for effect in &variable.effects {
            let who = [effect.first.as_str(), effect.second.as_str()];
            let n = variable.groups.iter().filter(|g| who.contains(&g.group.as_str())).map(|g| g.count).sum();
            for (name, value, unit) in
                [("difference of medians", effect.median_difference, unit), ("Hedges g", effect.hedges_g, "")]
            {
                let value = [value.map(|v| v.value), value.map(|v| v.low), value.map(|v| v.high)];
                put(&variable.column, name, who, value, n, unit);
            }
        }
    }
    out
}

/// Every volume as a dot, each group with its median and interval, for four measures of shape
pub fn shapes_figure(shapes: &Shapes) -> Svg {
    let title = if shapes.groups.len() > 1 {
        format!("Orifice shape by {}", shapes.grouped_by)
    } else {
        "Orifice shape".to_owned()
    };
    let mut svg = Svg::new(1000.0, 860.0, &title);
    heading(&mut svg, &title, "each circle a volume; bar: median, band: its 95 % interval");
    let drawn = DRAWN.iter().filter_map(|name| shapes.variables.iter().find(|v| v.column == *name));
    for (at, variable) in drawn.enumerate() {
        let corner = (92.0 + 490.0 * (at % 2) as f64, 110.0 + 372.0 * (at / 2) as f64);
        panel(&mut svg, corner, variable);
    }
    svg
}

fn panel(svg: &mut Svg, corner: (f64, f64), variable: &Variable) {
    let size = (390.0, 280.0);
    let values = variable.groups.iter().flat_map(|group| &group.values);
    let (mut low, mut high) = values.fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(*v), high.max(*v)));
    if low > high {
        (low, high) = (0.0, 1.0);
    }
    // One value alone still needs an axis around it.
    let margin = (0.05 * (high - low)).max(1e-3 * high.abs().max(1.0));
    let count = variable.groups.len() as f64;
    let x = Axis { low: -0.5, high: count - 0.5, ticks: Vec::new() };
    let chart = Chart::new(corner, size, x, Axis::covering(low - margin, high + margin, 5.0));
    let name = if variable.unit.is_empty() {
        variable.words.clone()
    } else {
        format!("{}, {}", variable.words, variable.unit)
    };
    chart.draw_axes(svg, "", &name);
    for (at, group) in variable.groups.iter().enumerate() {
        let middle = at as f64;
        let rim = RIMS[at % RIMS.len()];
        if let Some([a, b]) = group.median_interval {
            let (from, to) = (chart.at(middle - 0.34, b), chart.at(middle + 0.34, a));
            svg.rect(from, (to.0 - from.0, to.1 - from.1), rim, 0.2);
        }
        for (index, value) in group.values.iter().enumerate() {
            // Spread by a fixed pattern, so that equal values do not hide each other.
            let aside = 0.26 * (2.0 * ((index as f64 * 0.618_034) % 1.0) - 1.0);
            svg.dot(chart.at(middle + aside, *value), 4.0, "#ffffff", rim);
        }
        if let Some(median) = group.median {
            svg.line(
                chart.at(middle - 0.34, median),
                chart.at(middle + 0.34, median),
                Stroke::solid(colour::INK, 2.6),
            );
        }
        let under = format!("{} (n = {})", group.group, group.count);
        let (px, _) = chart.at(middle, 0.0);
        let face = Face::new(14.0, colour::INK).anchored(Anchor::Middle);
        svg.text((px, chart.bottom() + 22.0), face, &under);
    }
}

fn page(shapes: &Shapes, file: &str, svg: &str) -> String {
    let mut out = String::from("<section>\n<h1>Orifice shape</h1>\n");
    if !shapes.notes.is_empty() {
        out.push_str("<ul>\n");
        for note in &shapes.notes {
            let _ = writeln!(out, "<li>{}</li>", escape(note));
        }
        out.push_str("</ul>\n");
    }
    figure(&mut out, svg, "Every volume stands with its largest jet.");
    let rows: Vec<Vec<String>> = shapes
        .groups
        .iter()
        .map(|group| {
            let classes: Vec<String> = group.classes.iter().map(|(name, n)| format!("{name} {n}")).collect();
            let share = group.misleads.map_or("not estimable".into(), |s| {
                format!(
                    "{} % ({} to {} %)",
                    fixed(100.0 * s.value, 0),
                    fixed(100.0 * s.low, 0),
                    fixed(100.0 * s.high, 0)
                )
            });
            vec![group.name.clone(), group.volumes.to_string(), classes.join(", "), share]
        })
        .collect();
    table(&mut out, &["group", "volumes", "shapes", "a single width misleads in"], &rows);
    out.push_str("</section>\n<section>\n<h2>Groups</h2>\n");
    let mut rows = Vec::new();
    for variable in &shapes.variables {
        for one in &variable.groups {
            let places = places(one);
            rows.push(vec![
                named(variable),
                one.group.clone(),
                one.count.to_string(),
                with_interval(one.median, one.median_interval, places),
                one.quartiles
                    .map_or(String::new(), |[a, b]| format!("{} to {}", fixed(a, places), fixed(b, places))),
                with_interval(one.mean, None, places),
                with_interval(one.standard_deviation, None, places),
            ]);
        }
    }
    table(&mut out, &["", "group", "n", "median (95 %)", "quartiles", "mean", "SD"], &rows);
    out.push_str("</section>\n");
    if shapes.groups.len() > 1 {
        out.push_str("<section>\n<h2>Effects</h2>\n");
        let mut rows = Vec::new();
        for variable in &shapes.variables {
            for effect in &variable.effects {
                let places = variable.groups.first().map_or(2, places);
                let all = |interval: Option<crate::measure::results::Interval>, places| {
                    with_interval(interval.map(|i| i.value), interval.map(|i| [i.low, i.high]), places)
                };
                rows.push(vec![
                    named(variable),
                    format!("{} − {}", effect.first, effect.second),
                    all(effect.median_difference, places),
                    all(effect.hedges_g, 2),
                ]);
            }
        }
        table(&mut out, &["", "groups", "difference of medians (95 %)", "Hedges g (95 %)"], &rows);
        out.push_str("</section>\n");
    }
    out.push_str("<section>\n<h2>Methods</h2>\n");
    for paragraph in &shapes.methods {
        let _ = writeln!(out, "<p>{}</p>", escape(paragraph));
    }
    out.push_str("</section>\n");
    whole("Orifice shapes", file, &out)
}

fn named(variable: &Variable) -> String {
    if variable.unit.is_empty() {
        variable.words.clone()
    } else {
        format!("{}, {}", variable.words, variable.unit)
    }
}

fn places(one: &Described) -> usize {
    decimals_for(one.standard_deviation.or(one.mean.map(f64::abs)).unwrap_or(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::Table;
    use crate::study::shapes::{ShapeOptions, VARIABLES, shapes};

    #[test]
    fn a_group_of_one_volume_is_still_drawn() {
        let mut text = String::from("file,jet,shape,single_width_misleads");
        for (name, _, _) in VARIABLES {
            let _ = write!(text, ",{name}");
        }
        for (file, value) in [("a", 1.5), ("b", 2.5), ("c", 2.0), ("d", 1.0)] {
            let _ = write!(text, "\n{file},1,round,false{}", format!(",{value}").repeat(VARIABLES.len()));
        }
        let table = Table::from_csv(&text).unwrap();
        let groups = [("a", "x"), ("b", "x"), ("c", "x"), ("d", "y & z")];
        let groups = groups.iter().map(|(f, g)| ((*f).to_owned(), (*g).to_owned())).collect();
        let options = ShapeOptions { resamples: 50, seed: 1 };
        let found = shapes(&table, Some(("kind", &groups)), &options).unwrap();
        let bundle = shapes_files(&found, "jets.csv", 0.5).unwrap();
        assert_eq!(bundle.files.len(), 5);
        let page = String::from_utf8(bundle.files[2].1.clone()).unwrap();
        assert!(page.contains("y &amp; z") && page.contains("Hedges g"));
        let columns = |text: &str| text.lines().map(|l| l.split(',').count()).collect::<Vec<_>>();
        assert!(columns(&shapes_csv(&found)).windows(2).all(|pair| pair[0] == pair[1]));
    }
}
