//! A sweep as table, document and figure.

use super::bundle::{Bundle, Home};
use crate::report::chart::{Axis, Chart};
use crate::report::colour;
use crate::report::svg::{Anchor, Dash, Face, Halo, Stroke, Svg};
use crate::report::table::Row;
use crate::report::words::{self, capital, fixed, signed};
use crate::report::{ReportError, png_from_svg};
use crate::study::sweep::{How, Over, Sweep, SweepRow};

/// For what a figure is drawn
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Look {
    /// A page
    #[default]
    Page,
    /// A slide: 16 by 9, large type
    Wide,
}

/// Everything that `narrows sweep` writes
///
/// # Errors
/// [`ReportError`] where the figure cannot be painted or the document cannot be put into JSON.
pub fn sweep_files(sweep: &Sweep, look: Look, png_scale: f32) -> Result<Bundle, ReportError> {
    let svg = sweep_figure(sweep, look).finish();
    let mut json = serde_json::to_string_pretty(sweep)?;
    json.push('\n');
    let files = vec![
        ("sweep.png".to_owned(), png_from_svg(&svg, png_scale)?),
        ("sweep.svg".to_owned(), svg.into_bytes()),
        ("sweep.csv".to_owned(), sweep_csv(sweep).into_bytes()),
        ("sweep.json".to_owned(), json.into_bytes()),
    ];
    Ok(Bundle { files, home: Home::Own })
}

/// A row a value of the parameter
pub fn sweep_csv(sweep: &Sweep) -> String {
    let mut out = String::from(
        "parameter,value,vca_mm2,vca_low_mm2,vca_high_mm2,least_direction_mm2,most_direction_mm2,traced_area_mm2,\
         long_axis_width_mm,commissural_width_mm,law_mm2,change_percent,truth_mm2,error_percent\n",
    );
    let name = sweep.over.key();
    for at in &sweep.rows {
        let mut row = Row::new(name);
        // Steps such as 0.1 are not exact in binary; twelve digits say what was meant.
        row.number((at.value * 1e12).round() / 1e12);
        let (vca, range) = (at.vca_mm2, at.over_directions_mm2);
        row.optional(vca.map(|v| v.value)).optional(vca.map(|v| v.low)).optional(vca.map(|v| v.high));
        row.optional(range.map(|r| r[0])).optional(range.map(|r| r[1])).optional(at.traced_mm2);
        row.optional(at.long_axis_mm).optional(at.commissural_mm).optional(at.law_mm2);
        row.optional(at.change_percent).optional(at.truth_mm2).optional(at.error_percent);
        row.end(&mut out);
    }
    out
}

/// Area and widths against the parameter, beside the law and the truth
pub fn sweep_figure(sweep: &Sweep, look: Look) -> Svg {
    // A slide is the page's drawing in fewer, larger units: everything grows alike.
    let (width, height) = match look {
        Look::Page => (1000.0, 720.0),
        Look::Wide => (800.0, 450.0),
    };
    let (name, unit) = sweep.over.words();
    let title = capital(&format!("area against {name}"));
    let mut svg = Svg::new(width, height, &title);
    svg.text((24.0, 36.0), Face::new(24.0, colour::INK).with(Halo::Bold), &title);
    let chosen = format!(
        "{}; jet {}, frame {}, chosen pose {} mm² ({} to {})",
        match sweep.how {
            How::Held => "the rest held",
            How::Remade => "simulated again and measured whole",
            How::Rewrapped => "stored codes wrapped anew and measured whole",
        },
        sweep.jet,
        words::frame(sweep.frame),
        fixed(sweep.chosen_vca_mm2.value, 1),
        fixed(sweep.chosen_vca_mm2.low, 1),
        fixed(sweep.chosen_vca_mm2.high, 1)
    );
    let errors = sweep.rows.iter().filter_map(|row| row.error_percent);
    let worst = errors
        .max_by(|a, b| a.abs().total_cmp(&b.abs()))
        .map_or_else(String::new, |worst| format!("; largest error {} %", signed(worst, 1)));
    svg.text((24.0, 62.0), Face::new(15.0, colour::QUIET), &format!("{chosen}{worst}"));
    let x_name = if unit.is_empty() { capital(name) } else { format!("{name}, {unit}") };
    let values = sweep.rows.iter().map(|row| row.value);
    let (low, high) = values.fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)));
    if low > high {
        svg.text(
            (width / 2.0, height / 2.0),
            Face::new(17.0, colour::QUIET).anchored(Anchor::Middle),
            "nothing was visited",
        );
        return svg;
    }
    let margin = 0.03 * (high - low).max(1e-6);
    let axis = || Axis::within(low - margin, high + margin, 8.0);
    let most = sweep
        .rows
        .iter()
        .flat_map(|row| {
            [
                row.vca_mm2.map(|v| v.high),
                row.traced_mm2,
                row.law_mm2,
                row.truth_mm2,
                row.over_directions_mm2.map(|r| r[1]),
            ]
        })
        .flatten()
        .fold(sweep.chosen_vca_mm2.high, f64::max);
    let areas_height = match look {
        Look::Page => 330.0,
        Look::Wide => height - 84.0 - 92.0,
    };
    let plot_width = width - 92.0 - 28.0;
    let chart =
        Chart::new((92.0, 84.0), (plot_width, areas_height), axis(), Axis::covering(0.0, 1.04 * most, 5.0));
    let wide_names = look == Look::Wide;
    chart.draw_axes(&mut svg, if wide_names { &x_name } else { "" }, "area, mm²");
    areas(&mut svg, &chart, sweep);
    key(&mut svg, sweep, height);
    if look == Look::Page {
        let widest = sweep.rows.iter().flat_map(|row| [row.long_axis_mm, row.commissural_mm]).flatten();
        let chart = Chart::new(
            (92.0, 464.0),
            (plot_width, 150.0),
            axis(),
            Axis::covering(0.0, 1.04 * widest.fold(1.0, f64::max), 3.0),
        );
        chart.draw_axes(&mut svg, &x_name, "width, mm");
        curve(
            &mut svg,
            &chart,
            sweep,
            |row| row.long_axis_mm,
            Stroke::solid(colour::LONG_AXIS, 2.4).dashed(Dash::Dashed),
        );
        curve(
            &mut svg,
            &chart,
            sweep,
            |row| row.commissural_mm,
            Stroke::solid(colour::COMMISSURAL, 2.8).dashed(Dash::Dotted),
        );
    }
    svg
}

/// One curve, broken where a value is missing
fn curve(
    svg: &mut Svg,
    chart: &Chart,
    sweep: &Sweep,
    take: impl Fn(&SweepRow) -> Option<f64>,
    stroke: Stroke,
) {
    for run in sweep.rows.chunk_by(|a, b| take(a).is_some() && take(b).is_some()) {
        let line: Vec<_> = run.iter().filter_map(|row| Some(chart.at(row.value, take(row)?))).collect();
        svg.polyline(&line, stroke);
    }
}

fn band(
    svg: &mut Svg,
    chart: &Chart,
    sweep: &Sweep,
    take: impl Fn(&SweepRow) -> Option<[f64; 2]>,
    colour: &str,
) {
    for run in sweep.rows.chunk_by(|a, b| take(a).is_some() && take(b).is_some()) {
        let ends: Vec<(f64, [f64; 2])> = run.iter().filter_map(|row| Some((row.value, take(row)?))).collect();
        let upper = ends.iter().map(|(x, [_, high])| chart.at(*x, *high));
        let lower = ends.iter().rev().map(|(x, [low, _])| chart.at(*x, *low));
        svg.area(&upper.chain(lower).collect::<Vec<_>>(), colour, 0.18);
    }
}

fn areas(svg: &mut Svg, chart: &Chart, sweep: &Sweep) {
    let tilt = sweep.over == Over::Tilt;
    band(
        svg,
        chart,
        sweep,
        |row| if tilt { row.over_directions_mm2 } else { row.vca_mm2.map(|vca| [vca.low, vca.high]) },
        colour::CURVE,
    );
    curve(svg, chart, sweep, |row| row.traced_mm2, Stroke::solid(colour::QUIET, 1.4));
    curve(svg, chart, sweep, |row| row.truth_mm2, Stroke::solid(colour::GOOD, 2.6).dashed(Dash::Dashed));
    curve(svg, chart, sweep, |row| row.law_mm2, Stroke::solid(colour::BAD, 2.2).dashed(Dash::Dotted));
    curve(svg, chart, sweep, |row| row.vca_mm2.map(|vca| vca.value), Stroke::solid(colour::CURVE, 2.6));
    for row in &sweep.rows {
        match row.vca_mm2 {
            Some(vca) => svg.dot(chart.at(row.value, vca.value), 4.0, colour::CURVE, colour::CURVE),
            None => svg.dot(chart.at(row.value, 0.0), 4.5, "#ffffff", colour::QUIET),
        }
    }
}

fn key(svg: &mut Svg, sweep: &Sweep, height: f64) {
    let face = Face::new(14.0, colour::INK);
    let page = height > 500.0;
    let mut x = 98.0;
    let y = height - if page { 28.0 } else { 14.0 };
    let mut entry = |svg: &mut Svg, words: &str, stroke: Option<Stroke>| {
        match stroke {
            Some(stroke) => svg.line((x, y - 5.0), (x + 28.0, y - 5.0), stroke),
            None => svg.rect((x, y - 12.0), (28.0, 14.0), colour::CURVE, 0.18),
        }
        svg.text((x + 34.0, y), face, words);
        x += 46.0 + 7.0 * words.chars().count() as f64;
    };
    entry(svg, "area", Some(Stroke::solid(colour::CURVE, 2.6)));
    entry(svg, "as displayed", Some(Stroke::solid(colour::QUIET, 1.4)));
    let tilt = sweep.over == Over::Tilt;
    entry(svg, if tilt { "range of directions" } else { "95 % interval" }, None);
    if sweep.rows.iter().any(|row| row.truth_mm2.is_some()) {
        entry(svg, "truth", Some(Stroke::solid(colour::GOOD, 2.6).dashed(Dash::Dashed)));
    }
    if tilt {
        entry(svg, "1/cos law", Some(Stroke::solid(colour::BAD, 2.2).dashed(Dash::Dotted)));
    }
    if page {
        entry(svg, "long-axis width", Some(Stroke::solid(colour::LONG_AXIS, 2.4).dashed(Dash::Dashed)));
        entry(svg, "commissural width", Some(Stroke::solid(colour::COMMISSURAL, 2.8).dashed(Dash::Dotted)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::results::{Interval, Tool};

    fn sweep() -> Sweep {
        let row = |value: f64, area: Option<f64>| SweepRow {
            value,
            vca_mm2: area.map(|a| Interval { value: a, low: a - 3.0, high: a + 3.0 }),
            over_directions_mm2: area.map(|a| [a - 1.0, a + 1.0]),
            traced_mm2: area,
            long_axis_mm: area.map(|_| 5.0),
            commissural_mm: area.map(|_| 7.0),
            law_mm2: Some(30.0),
            change_percent: Some(1.0),
            truth_mm2: Some(31.0),
            error_percent: area.map(|a| 100.0 * (a / 31.0 - 1.0)),
        };
        Sweep {
            schema: crate::study::sweep::SCHEMA.into(),
            tool: Tool { version: "0".into(), engine: "1".into() },
            file: "a, b.dcm".into(),
            blake3: String::new(),
            over: Over::Tilt,
            how: How::Held,
            jet: 1,
            frame: 2,
            chosen: 0.0,
            chosen_vca_mm2: Interval { value: 30.0, low: 27.0, high: 33.0 },
            truth_mm2: Some(31.0),
            rows: vec![row(0.0, Some(30.0)), row(0.1 + 0.2, None), row(10.0, Some(32.0))],
            notes: Vec::new(),
        }
    }

    #[test]
    fn table_and_figure_hold_what_was_found() {
        let found = sweep();
        let text = sweep_csv(&found);
        let mut lines = text.lines();
        let columns = lines.next().unwrap().split(',').count();
        assert!(lines.clone().all(|line| line.split(',').count() == columns));
        assert!(text.contains("\ntilt,0.3,,,,"));
        for look in [Look::Page, Look::Wide] {
            let svg = sweep_figure(&found, look).finish();
            assert!(svg.contains("1/cos law") && svg.contains("truth"));
            png_from_svg(&svg, 0.5).unwrap();
        }
        let empty = Sweep { rows: Vec::new(), ..found.clone() };
        assert!(sweep_figure(&empty, Look::Page).finish().contains("nothing was visited"));
        let text = serde_json::to_string(&found).unwrap();
        assert_eq!(serde_json::from_str::<Sweep>(&text).unwrap(), found);
    }
}
