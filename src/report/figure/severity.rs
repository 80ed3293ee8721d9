//! Severity at a glance: how probable each class is, and the areas on their own cut points.

use super::super::colour;
use super::super::svg::{Anchor, Dash, Face, Halo, Stroke, Svg};
use super::super::{AreaUnit, words};
use crate::numeric::Interval;
use crate::severity::{By, Class, CutPoints, Grading, Item, Placement, Probability, percent};

const LEFT: f64 = 260.0;
const RIGHT: f64 = 972.0;
const ROW: f64 = 74.0;
/// Shades of mild, moderate (grade II, grade III), severe: rising, told apart without colour
const SHADES: [f64; 4] = [0.06, 0.14, 0.2, 0.34];

/// Draws it; `None` where there is neither a probability nor an area
pub fn severity(grading: &Grading, unit: AreaUnit) -> Option<Svg> {
    let area = |item: Item| grading.placements.iter().find(move |p| p.items == [item] && p.value.is_some());
    let rows: Vec<&Placement> =
        [Item::VcaMm2, Item::DisplayedAreaMm2, Item::PisaEroaMm2].into_iter().filter_map(area).collect();
    let probability = grading.conclusion.probability;
    let bar = if probability.is_some() { 62.0 } else { 0.0 };
    if rows.is_empty() && probability.is_none() {
        return None;
    }
    let title = "Severity at a glance";
    let mut svg = Svg::new(1000.0, 18.0 + bar + ROW * rows.len() as f64, title);
    if let Some(all) = &probability {
        classes(&mut svg, all, (grading, unit), 18.0);
    }
    let most = rows
        .iter()
        .filter_map(|p| Some(p.value?.high.max(1.3 * cut_high(&p.cut_points))))
        .fold(60.0, f64::max);
    for (index, placement) in rows.iter().enumerate() {
        row(&mut svg, placement, (grading, unit), 18.0 + bar + ROW * index as f64, most);
    }
    Some(svg)
}

fn cut_high(cuts: &CutPoints) -> f64 {
    cuts.severe.map_or(0.0, |cut| cut.at())
}

/// One bar of all classes, each as long as it is probable
fn classes(svg: &mut Svg, all: &Probability, (grading, unit): (&Grading, AreaUnit), top: f64) {
    let shaded = [(Class::Mild, SHADES[0]), (Class::Moderate, SHADES[1]), (Class::Severe, SHADES[3])];
    let parts: Vec<(String, f64, f64)> = if all.mild.is_some() {
        let part = |(class, shade)| (unit.sentence(grading.class_words(class)), all.of(class), shade);
        shaded.map(part).into()
    } else {
        let severe = ("severe".to_owned(), all.severe, SHADES[3]);
        vec![("not severe".to_owned(), 1.0 - all.severe, SHADES[0]), severe]
    };
    name(svg, top + 20.0, "Probability", "all evidence together");
    let mut x = LEFT;
    for (word, share, shade) in parts {
        let width = share * (RIGHT - LEFT);
        svg.rect((x, top), (width, 34.0), colour::BAD, shade);
        let words = format!("{word} {}", percent(share));
        let room = 9.0 * words.chars().count() as f64;
        if width > room {
            let face = Face::new(17.0, colour::INK).anchored(Anchor::Middle).with(Halo::Bold);
            svg.text((x + width / 2.0, top + 23.0), face, &words);
        }
        x += width;
        svg.line((x, top), (x, top + 34.0), Stroke::solid(colour::QUIET, 1.2));
    }
    let rim = [(LEFT, top), (RIGHT, top), (RIGHT, top + 34.0), (LEFT, top + 34.0)];
    svg.outline(&rim, Stroke::solid(colour::QUIET, 1.2));
}

fn name(svg: &mut Svg, y: f64, lead: &str, under: &str) {
    svg.text((LEFT - 18.0, y), Face::new(17.0, colour::INK).anchored(Anchor::End), lead);
    svg.text((LEFT - 18.0, y + 18.0), Face::new(14.0, colour::QUIET).anchored(Anchor::End), under);
}

/// An area with its interval on its own cut points
fn row(svg: &mut Svg, placement: &Placement, (grading, unit): (&Grading, AreaUnit), top: f64, most: f64) {
    let Some(Interval { value, low, high }) = placement.value else { return };
    let at = |mm2: f64| LEFT + (RIGHT - LEFT) * (mm2 / most).clamp(0.0, 1.0);
    let cuts = &placement.cut_points;
    let own = placement.by == By::Volume;
    let told = words::placed(placement, unit);
    match placement.label.split_once(", sum of ") {
        Some((lead, of)) => name(svg, top + 20.0, lead, &format!("sum of {of}: {told}")),
        None => name(svg, top + 20.0, &placement.label, &told),
    }
    let marks = [cuts.mild, cuts.grade_3, cuts.severe].map(|cut| cut.map(|cut| cut.at()));
    let (y, tall) = (top + 4.0, 30.0);
    let ends = [Some(0.0), marks[0], marks[1], marks[2], Some(most)];
    for (index, shade) in SHADES.into_iter().enumerate() {
        let from = ends[..=index].iter().rev().find_map(|end| *end).unwrap_or(0.0);
        if let (Some(_), Some(to)) = (ends[index], ends[index + 1..].iter().find_map(|end| *end)) {
            svg.rect((at(from), y), (at(to) - at(from), tall), colour::BAD, shade);
        }
    }
    for (cut, word) in marks.into_iter().zip(["moderate", "", "severe"]) {
        let Some(cut) = cut else { continue };
        let dash = if word == "severe" { Dash::Solid } else { Dash::Dotted };
        svg.line(
            (at(cut), y - 3.0),
            (at(cut), y + tall + 5.0),
            Stroke::solid(colour::QUIET, 1.4).dashed(dash),
        );
        let near = |other: &f64| *other != cut && (at(*other) - at(cut)).abs() < 70.0;
        if word.is_empty() && marks.iter().flatten().any(near) {
            // No room between the names of its neighbours.
            continue;
        }
        let words = if word.is_empty() || grading.criteria.classes.is_some() {
            unit.number(cut)
        } else {
            format!("{} {word}", unit.number(cut))
        };
        svg.text((at(cut), y + tall + 20.0), Face::new(14.0, colour::QUIET).anchored(Anchor::Middle), &words);
    }
    let middle = y + tall / 2.0;
    let paint = if own { colour::TRACING } else { colour::CURVE };
    if high > low {
        svg.line((at(low), middle), (at(high), middle), Stroke::solid(colour::INK, 3.0));
        for end in [low, high] {
            svg.line((at(end), middle - 7.0), (at(end), middle + 7.0), Stroke::solid(colour::INK, 2.0));
        }
    }
    if own {
        let (x, r) = (at(value), 9.0);
        let diamond = [(x, middle - r), (x + r, middle), (x, middle + r), (x - r, middle)];
        svg.area(&diamond, paint, 1.0);
        svg.outline(&diamond, Stroke::solid(colour::INK, 1.6));
    } else {
        svg.dot((at(value), middle), 7.0, paint, colour::INK);
    }
    let bound = words::capital(placement.reach.words());
    svg.text((RIGHT, y + tall + 20.0), Face::new(14.0, colour::QUIET).anchored(Anchor::End), &bound);
}
