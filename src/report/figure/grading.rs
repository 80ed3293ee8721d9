//! All measurements on one scale, so that agreement and outliers are seen at a glance.

use super::super::chart::{Axis, Chart};
use super::super::colour;
use super::super::svg::{Anchor, Dash, Face, Halo, Stroke, Svg};
use super::super::{AreaUnit, words};
use super::heading;
use crate::severity::{Agreement, By, Class, Grading, Outcome, Placement, Reach};

/// Height of one row
const ROW: f64 = 38.0;
/// Where the names end, and the scale begins and ends
const NAMES: f64 = 372.0;
const LEFT: f64 = 392.0;
const RIGHT: f64 = 892.0;
const TOP: f64 = 108.0;

/// Draws every measurement of a weighing on the scale from mild to severe; `None` without any
pub fn grading(grading: &Grading, unit: AreaUnit) -> Option<Svg> {
    let rows = grading.placements.len();
    if rows == 0 {
        return None;
    }
    let height = ROW * rows as f64;
    let title = format!("All measurements on one scale ({})", grading.criteria.title);
    let mut svg = Svg::new(1000.0, TOP + height + 92.0, &title);
    heading(&mut svg, &title, "classes between the published cuts; a line is a 95 % interval");
    let chart = Chart::new(
        (LEFT, TOP),
        (RIGHT - LEFT, height),
        Axis { low: 0.0, high: 3.0, ticks: Vec::new() },
        Axis { low: 0.0, high: rows as f64, ticks: Vec::new() },
    );
    ground(&mut svg, &chart, grading, unit);
    for (index, placement) in grading.placements.iter().enumerate() {
        row(&mut svg, &chart, (placement, unit), rows as f64 - index as f64 - 0.5);
    }
    key(&mut svg, grading, TOP + height + 34.0);
    Some(svg)
}

fn ground(svg: &mut Svg, chart: &Chart, grading: &Grading, unit: AreaUnit) {
    let (top, bottom) = (chart.top(), chart.bottom());
    let classes = [(0.0, 0.06, Class::Mild), (1.0, 0.13, Class::Moderate), (2.0, 0.22, Class::Severe)];
    for (from, shade, class) in classes {
        chart.shade(svg, from, from + 1.0, "#8A949C", shade);
        let middle = (chart.at(from + 0.5, 0.0).0, top - 12.0);
        let outcome = grading.conclusion.outcome;
        let concluded = outcome != Outcome::NotSevere && outcome.class() == Some(class);
        let name = unit.sentence(grading.class_words(class));
        let halo = if concluded { Halo::Bold } else { Halo::None };
        svg.text(middle, Face::new(16.0, colour::INK).anchored(Anchor::Middle).with(halo), &name);
        if concluded {
            let (left, right) = (chart.at(from, 0.0).0 + 3.0, chart.at(from + 1.0, 0.0).0 - 3.0);
            svg.line((left, top - 3.0), (right, top - 3.0), Stroke::solid(colour::INK, 3.0));
        }
    }
    for cut in [1.0, 2.0] {
        let x = chart.at(cut, 0.0).0;
        svg.line((x, top), (x, bottom), Stroke::solid(colour::QUIET, 1.4));
    }
    let half = chart.at(1.5, 0.0).0;
    svg.line((half, top), (half, bottom), Stroke::solid(colour::QUIET, 1.0).dashed(Dash::Dotted));
    let small = Face::new(13.0, colour::QUIET).anchored(Anchor::Middle);
    for (at, grade) in [(0.5, "I"), (1.25, "II"), (1.75, "III"), (2.5, "IV")] {
        svg.text((chart.at(at, 0.0).0, bottom + 16.0), small, grade);
    }
}

fn row(svg: &mut Svg, chart: &Chart, (placement, unit): (&Placement, AreaUnit), level: f64) {
    let (_, y) = chart.at(0.0, level);
    let faint = placement.agreement == Agreement::NotUsed;
    let ink = if faint { colour::QUIET } else { colour::INK };
    svg.text((NAMES, y - 2.0), Face::new(15.0, ink).anchored(Anchor::End), &clipped(&placement.label, 46));
    svg.text(
        (NAMES, y + 14.0),
        Face::new(13.0, colour::QUIET).anchored(Anchor::End),
        &clipped(&words::placed(placement, unit), 58),
    );
    svg.line((24.0, y + ROW / 2.0), (RIGHT, y + ROW / 2.0), Stroke::solid(colour::RULE, 0.8));
    let own = placement.by == By::Volume;
    let paint = if faint {
        colour::QUIET
    } else if own {
        colour::TRACING
    } else {
        colour::CURVE
    };
    let (from, to) = (chart.at(placement.low, level).0, chart.at(placement.high, level).0);
    match placement.position {
        // Only the side of a cut is known: the stretch that stays open.
        None => {
            let inset = 5.0;
            let (from, to) = (from + inset, to - inset);
            svg.rect((from, y - 6.0), (to - from, 12.0), paint, 0.28);
            let rim = [(from, y - 6.0), (to, y - 6.0), (to, y + 6.0), (from, y + 6.0)];
            svg.outline(&rim, Stroke::solid(paint, 1.4));
        }
        Some(position) => {
            let x = chart.at(position, level).0;
            if to - from > 0.5 {
                svg.line((from, y), (to, y), Stroke::solid(paint, 3.0));
                for end in [from, to] {
                    svg.line((end, y - 6.0), (end, y + 6.0), Stroke::solid(paint, 2.0));
                }
            }
            if own {
                let r = 8.0;
                let diamond = [(x, y - r), (x + r, y), (x, y + r), (x - r, y)];
                svg.area(&diamond, paint, 1.0);
                svg.outline(&diamond, Stroke::solid(colour::INK, 1.6));
            } else {
                svg.dot((x, y), 6.5, paint, colour::INK);
            }
        }
    }
    let more = matches!(placement.reach, Reach::AtLeast | Reach::Either);
    let less = matches!(placement.reach, Reach::AtMost | Reach::Either);
    if more {
        arrow(svg, (to.max(from) + 6.0, y), 1.0, paint);
    }
    if less {
        arrow(svg, (from - 6.0, y), -1.0, paint);
    }
    let (word, face) = match placement.agreement {
        Agreement::Agrees => ("agrees", Face::new(14.0, colour::GOOD)),
        Agreement::Differs => ("differs", Face::new(14.0, colour::BAD).with(Halo::Bold)),
        Agreement::NotUsed => ("excluded", Face::new(14.0, colour::QUIET)),
        Agreement::NotJudged => return,
    };
    svg.text((RIGHT + 12.0, y + 5.0), face, word);
}

/// An arrow that says which way the truth may lie
fn arrow(svg: &mut Svg, at: (f64, f64), way: f64, paint: &'static str) {
    let (x, y) = at;
    let tip = x + way * 20.0;
    svg.line(at, (tip - way * 6.0, y), Stroke::solid(paint, 2.0).dashed(Dash::Dotted));
    svg.area(&[(tip, y), (tip - way * 9.0, y - 5.0), (tip - way * 9.0, y + 5.0)], paint, 1.0);
}

fn key(svg: &mut Svg, grading: &Grading, y: f64) {
    let face = Face::new(14.0, colour::INK);
    let mut x = 28.0;
    let mut put = |svg: &mut Svg, words: &str, mark: &dyn Fn(&mut Svg, f64)| {
        mark(svg, x);
        svg.text((x + 22.0, y + 24.0), face, words);
        x += 44.0 + 7.6 * words.chars().count() as f64;
    };
    let mid = y + 19.0;
    put(svg, "measured in the volume", &|svg, x| {
        let diamond = [(x + 6.0, mid - 7.0), (x + 13.0, mid), (x + 6.0, mid + 7.0), (x - 1.0, mid)];
        svg.area(&diamond, colour::TRACING, 1.0);
        svg.outline(&diamond, Stroke::solid(colour::INK, 1.4));
    });
    put(svg, "entered", &|svg, x| svg.dot((x + 6.0, mid), 6.0, colour::CURVE, colour::INK));
    if grading.placements.iter().any(|p| p.position.is_none()) {
        put(svg, "lies somewhere here", &|svg, x| {
            svg.rect((x - 4.0, mid - 6.0), (22.0, 12.0), colour::CURVE, 0.28);
            let rim =
                [(x - 4.0, mid - 6.0), (x + 18.0, mid - 6.0), (x + 18.0, mid + 6.0), (x - 4.0, mid + 6.0)];
            svg.outline(&rim, Stroke::solid(colour::CURVE, 1.4));
        });
    }
    if grading.placements.iter().any(|p| p.reach != Reach::Exact) {
        put(svg, "a bound: the truth lies this way", &|svg, x| arrow(svg, (x - 4.0, mid), 1.0, colour::INK));
    }
}

/// Text that fits its column: cut with an ellipsis where it is too long
fn clipped(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let mut cut: String = text.chars().take(most - 1).collect();
    cut.push('…');
    cut
}
