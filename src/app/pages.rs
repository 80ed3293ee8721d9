//! Pages made in the background: before and after, and one parameter swept.
//!
//! Both take the report's own figures and rows, so the screen and the written report say the same.

use std::path::Path;
use std::sync::Arc;

use egui::{ColorImage, TextureHandle, TextureOptions};

use crate::format::{self, OpenOptions, truth_beside};
use crate::job::Watch;
use crate::measure::{self, Comparison, MeasureError};
use crate::report::study::{Look, sweep_figure};
use crate::report::{
    AreaUnit, Painted, comparison_answer, comparison_figures, comparison_lines, paint_svg_wide,
};
use crate::review::{self, Review};
use crate::study::sweep::{self, Over, SweepError, SweepOptions};
use crate::ui::{Action, Page, When};
use crate::volume::Volume4;

use super::failure::Failure;

/// The screen that a page is made for
#[derive(Clone, Copy)]
pub(super) struct Screen {
    /// Width of the window, points
    pub(super) width: f32,
    /// Pixels a point
    pub(super) density: f32,
}

impl Screen {
    /// A figure as wide as it will be shown where so many stand beside each other, pixel for pixel
    fn paint(self, svg: &str, beside: usize) -> Result<Painted, Failure> {
        let wide = crate::ui::picture_width(self.width, beside) * self.density;
        paint_svg_wide(svg, wide.round()).map_err(|error| Failure::of(&error, ""))
    }
}

/// A page before its pictures are on the screen
pub(super) struct Draft {
    pub(super) title: String,
    pub(super) headline: String,
    pub(super) sentence: String,
    pub(super) cautions: Vec<String>,
    pub(super) notes: Vec<String>,
    pub(super) table: Vec<Vec<String>>,
    /// Name and pixels
    pub(super) pictures: Vec<(String, Painted)>,
    /// What the page of a comparison is of, to be written
    pub(super) compared: Option<Compared>,
}

/// A page on the screen, with what holds its pictures and what it is of
pub(super) struct Shown {
    pub(super) page: Page,
    pub(super) compared: Option<Compared>,
    _pictures: Vec<TextureHandle>,
}

impl Draft {
    /// The page with its pictures on the screen
    pub(super) fn show(self, ctx: &egui::Context) -> Shown {
        let density = ctx.pixels_per_point();
        let load = |(name, painted): &(String, Painted)| {
            let size = [painted.width as usize, painted.height as usize];
            ctx.load_texture(name, ColorImage::from_rgb(size, &painted.rgb), TextureOptions::LINEAR)
        };
        let handles: Vec<TextureHandle> = self.pictures.iter().map(load).collect();
        let named = self.pictures.into_iter().zip(&handles);
        let pictures = named.map(|((name, _), handle)| (name, handle.id(), handle.size_vec2() / density));
        let write =
            self.compared.is_some().then(|| ("Write the comparison".to_owned(), Action::WriteComparison));
        let close = ("Close".to_owned(), Action::ClosePage);
        let page = Page {
            title: self.title,
            headline: self.headline,
            sentence: self.sentence,
            cautions: self.cautions,
            notes: self.notes,
            table: self.table,
            pictures: pictures.collect(),
            choices: write.into_iter().chain([close]).collect(),
        };
        Shown { page, compared: self.compared, _pictures: handles }
    }
}

/// A comparison and its volumes, the earlier one first
#[derive(Clone)]
pub(super) struct Compared {
    pub(super) comparison: Arc<Comparison>,
    pub(super) volumes: [Arc<Volume4>; 2],
}

/// The open review against another volume; `Ok(None)` where it was stopped
pub(super) fn compare(
    read: &Review,
    volume: &Arc<Volume4>,
    other: &Path,
    when: When,
    screen: Screen,
    watch: &Watch,
) -> Result<Option<Draft>, Failure> {
    let opened =
        format::open(other, &OpenOptions::default()).map_err(|error| Failure::of(&error, &error.hint()))?;
    let opened = Arc::new(opened);
    let here = match review::numbers(read, volume, watch) {
        Ok(results) => results,
        Err(MeasureError::Cancelled(_)) => return Ok(None),
        Err(error) => return Err(Failure::of(&error, LOOK)),
    };
    // The other is weighed against the same table; what was entered belongs to the review alone.
    let options = measure::Options { criteria: review::options(read).criteria, ..Default::default() };
    let there = match measure::measure(&opened, &options, watch) {
        Ok(results) => results,
        Err(MeasureError::Cancelled(_)) => return Ok(None),
        Err(error) => return Err(Failure::of(&error, LOOK)),
    };
    let (comparison, volumes) = match when {
        When::Earlier => (measure::compare(there, here), [opened, volume.clone()]),
        When::Later => (measure::compare(here, there), [volume.clone(), opened]),
    };
    let unit = AreaUnit::default();
    let figures = comparison_figures(&comparison, [&volumes[0], &volumes[1]], unit)
        .map_err(|error| Failure::of(&error, error.hint().unwrap_or_default()))?;
    let mut pictures = Vec::new();
    let [before, after] = figures.en_face;
    let named = [("En face, before", before), ("En face, after", after)];
    let named = named.into_iter().filter_map(|(name, svg)| Some((name, svg?)));
    for (name, svg) in named.chain([("Area through systole", figures.courses)]) {
        pictures.push((name.to_owned(), screen.paint(&svg, 2)?));
    }
    let (headline, sentence) = comparison_answer(&comparison, unit);
    Ok(Some(Draft {
        title: format!(
            "Before and after: {} and {}",
            comparison.before.source.file, comparison.after.source.file
        ),
        headline,
        sentence,
        cautions: comparison.cautions.clone(),
        notes: vec![comparison.assumption.clone()],
        table: comparison_lines(&comparison).into_iter().map(Vec::from).collect(),
        pictures,
        compared: Some(Compared { comparison: Arc::new(comparison), volumes }),
    }))
}

/// One parameter varied, on the largest jet; `Ok(None)` where it was stopped
pub(super) fn swept(
    read: &Review,
    volume: &Volume4,
    file: &Path,
    over: Over,
    jet: usize,
    screen: Screen,
    watch: &Watch,
) -> Result<Option<Draft>, Failure> {
    let truth = truth_beside(file)
        .map_err(|error| Failure::of(&error, "move that file away to go without a truth"))?;
    let options = SweepOptions {
        jet,
        anterior_posterior: review::options(read).anterior_posterior,
        ..SweepOptions::default()
    };
    let found = match sweep::sweep(volume, truth.as_ref(), over, &options, watch) {
        Ok(found) => found,
        Err(SweepError::Measure(MeasureError::Cancelled(_))) => return Ok(None),
        Err(error) => return Err(Failure::of(&error, LOOK)),
    };
    let svg = sweep_figure(&found, Look::Page).finish();
    let picture = screen.paint(&svg, 1)?;
    let (name, unit) = over.words();
    let number = |value: Option<f64>, decimals: usize| {
        value.map_or_else(|| "–".to_owned(), |value| format!("{value:.decimals$}"))
    };
    let mut table = vec![
        [name, "area, mm²", "95 % interval", "change, %", "truth, mm²", "error, %"]
            .map(str::to_owned)
            .to_vec(),
    ];
    table.extend(found.rows.iter().map(|row| {
        let ends =
            row.vca_mm2.map_or_else(|| "–".into(), |area| format!("{:.1} to {:.1}", area.low, area.high));
        vec![
            format!("{} {unit}", (row.value * 1e6).round() / 1e6),
            number(row.vca_mm2.map(|area| area.value), 1),
            ends,
            number(row.change_percent, 1),
            number(row.truth_mm2, 1),
            number(row.error_percent, 1),
        ]
    }));
    let command = format!("narrows sweep FILE --over {} --out DIR --wide", over.key());
    let mut notes = found.notes.clone();
    notes.push(format!("Table, document and a picture for a slide: {command}"));
    Ok(Some(Draft {
        title: format!("Area against {name}"),
        headline: String::new(),
        sentence: "One thing varied, everything else held where the measurement put it.".into(),
        cautions: Vec::new(),
        notes,
        table,
        pictures: vec![(format!("Area and widths against {name}"), picture)],
        compared: None,
    }))
}

const LOOK: &str = "look at the volume with `narrows inspect`";
