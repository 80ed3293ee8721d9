//! Pages made in the background: before and after, one parameter swept, and readings against the truth.
//!
//! All take the report's own figures and rows, so the screen and the written report say the same.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use egui::{ColorImage, TextureHandle, TextureOptions};

use crate::format::{self, OpenOptions};
use crate::job::Watch;
use crate::measure::{Comparison, MeasureError, Measurement};
use crate::phantom::truth_beside;
use crate::report::study::{Look, practice_files, sweep_figure, sweep_files, write_bundle};
use crate::report::{
    AreaUnit, Painted, ReportError, ReportOptions, comparison_answer, comparison_figures, comparison_lines,
    paint_svg_wide, write_comparison,
};
use crate::review::{self, OtherVolume, Review, When};
use crate::study::practice::Scores;
use crate::study::sweep::{self, Over, Sweep, SweepError, SweepOptions};
use crate::ui::{Action, Page};
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
    pub(super) fn paint(self, svg: &str, beside: usize) -> Result<Painted, Failure> {
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
    /// So many stand side by side
    pub(super) beside: usize,
    /// What the page is of, to be written
    pub(super) made: Made,
}

/// A page on the screen, with what holds its pictures and what it is of
pub(super) struct Shown {
    pub(super) page: Page,
    pub(super) made: Made,
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
        let write = (self.made.offer().to_owned(), Action::WritePage);
        let close = ("Close".to_owned(), Action::ClosePage);
        let page = Page {
            title: self.title,
            headline: self.headline,
            sentence: self.sentence,
            cautions: self.cautions,
            notes: self.notes,
            table: self.table,
            pictures: pictures.collect(),
            beside: self.beside,
            choices: vec![write, close],
        };
        Shown { page, made: self.made, _pictures: handles }
    }
}

/// What a page is of
#[derive(Clone)]
pub(super) enum Made {
    /// A comparison, its volumes, the earlier one first, and which of them is the other one
    Compared(Arc<Comparison>, [Arc<Volume4>; 2], OtherVolume),
    /// One parameter varied
    Swept(Arc<Sweep>),
    /// Readings held against the truth
    Practised(Arc<Scores>),
}

impl Made {
    /// What is offered to be written
    fn offer(&self) -> &'static str {
        match self {
            Self::Compared(..) => "Write the comparison",
            Self::Swept(_) => "Write table and slide",
            Self::Practised(_) => "Write the scores",
        }
    }

    /// The other volume of a comparison
    pub(super) fn other(&self) -> Option<&OtherVolume> {
        match self {
            Self::Compared(_, _, other) => Some(other),
            Self::Swept(_) | Self::Practised(_) => None,
        }
    }

    /// Name of its folder, beside a volume of this name
    pub(super) fn folder(&self, volume: &str) -> String {
        match self {
            Self::Compared(..) => format!("{volume}-comparison"),
            Self::Swept(sweep) => format!("{volume}-against-{}", sweep.over.key()),
            Self::Practised(_) => format!("{volume}-practice"),
        }
    }

    /// Writes it into a folder; the file to open first
    pub(super) fn write(&self, folder: &Path, watch: &Watch) -> Result<PathBuf, ReportError> {
        let bundle = match self {
            Self::Compared(comparison, [before, after], _) => {
                let options = ReportOptions { watch: watch.clone(), ..ReportOptions::default() };
                let paths = write_comparison(comparison, [before, after], folder, &options)?;
                return Ok(paths.page);
            }
            Self::Swept(sweep) => sweep_files(sweep, Look::Wide, PIXELS)?,
            Self::Practised(scores) => practice_files(scores, "scores", PIXELS)?,
        };
        let written = write_bundle(bundle, folder)?;
        let picture = written.iter().find(|path| path.extension().is_some_and(|ending| ending == "png"));
        Ok(picture.or(written.last()).cloned().unwrap_or_else(|| folder.to_owned()))
    }
}

/// Pictures beside each other, where a table may stand in the place of one
pub(super) const BESIDE: usize = 2;
/// Pixels of a written picture a unit of its drawing: 1600 across
const PIXELS: f32 = 1.6;

/// The other volume of a comparison
pub(super) enum Other {
    /// A file that the reader named
    Chosen(When, PathBuf),
    /// The one that the review is compared with
    Known(OtherVolume),
}

/// The open review against another volume; `Ok(None)` where it was stopped
pub(super) fn compare(
    read: &Review,
    volume: &Arc<Volume4>,
    other: &Other,
    screen: Screen,
    watch: &Watch,
) -> Result<Option<Draft>, Failure> {
    let (opened, other) = match other {
        Other::Known(known) => {
            (known.open().map_err(|error| Failure::of(&error, &error.hint()))?, known.clone())
        }
        Other::Chosen(when, path) => {
            let opened = format::open(path, &OpenOptions::default())
                .map_err(|error| Failure::of(&error, &error.hint()))?;
            let other = OtherVolume::of(&opened, path, *when);
            (opened, other)
        }
    };
    let opened = Arc::new(opened);
    let compared = review::numbers(read, volume, watch)
        .and_then(|here| review::against(here, read, &opened, other.when, watch));
    let comparison = match compared {
        Ok(comparison) => comparison,
        Err(MeasureError::Cancelled(_)) => return Ok(None),
        Err(error) => return Err(Failure::of(&error, LOOK)),
    };
    let volumes = other.in_order([volume.clone(), opened]);
    let unit = AreaUnit::default();
    let figures = comparison_figures(&comparison, [&volumes[0], &volumes[1]], unit)
        .map_err(|error| Failure::of(&error, error.hint().unwrap_or_default()))?;
    let mut pictures = Vec::new();
    let [before, after] = figures.en_face;
    let named = [("En face, before", before), ("En face, after", after)];
    let named = named.into_iter().filter_map(|(name, svg)| Some((name, svg?)));
    for (name, svg) in named.chain([("Area through systole", figures.courses)]) {
        pictures.push((name.to_owned(), screen.paint(&svg, BESIDE)?));
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
        beside: BESIDE,
        made: Made::Compared(Arc::new(comparison), volumes, other),
    }))
}

/// One parameter varied, on the jet that is shown, as the reader has it; `Ok(None)` where it was stopped
pub(super) fn swept(
    read: &Review,
    volume: &Volume4,
    measured: Option<Arc<Measurement>>,
    file: &Path,
    over: Over,
    screen: Screen,
    watch: &Watch,
) -> Result<Option<Draft>, Failure> {
    let truth = truth_beside(file)
        .map_err(|error| Failure::of(&error, "move that file away to go without a truth"))?;
    let measured = match measured
        .map_or_else(|| Measurement::of(volume, &review::options(read), watch).map(Arc::new), Ok)
    {
        Ok(measured) => measured,
        Err(MeasureError::Cancelled(_)) => return Ok(None),
        Err(error) => return Err(Failure::of(&error, LOOK)),
    };
    let beat = review::read_beat(read, volume, &measured);
    let jet = read.place.jet.to_string();
    let Some(at) = beat.jets.iter().position(|of| of.name.as_deref() == Some(&jet)) else {
        let text = format!("jet {jet} counts nowhere, so there is nothing to vary");
        return Err(Failure {
            text,
            hint: "choose a jet that counts".into(),
            waiting: None,
            different: None,
        });
    };
    let options = SweepOptions {
        jet: at + 1,
        anterior_posterior: review::options(read).anterior_posterior,
        ..SweepOptions::default()
    };
    let found = match sweep::sweep_beat(volume, &beat, truth.as_ref(), over, &options, watch) {
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
    let in_cm2 = |mm2| AreaUnit::Cm2.of(mm2);
    let area = |value: Option<f64>| number(value.map(in_cm2), 2);
    let mut table = vec![
        [name, "area, cm²", "95 % interval", "change, %", "truth, cm²", "error, %"]
            .map(str::to_owned)
            .to_vec(),
    ];
    table.extend(found.rows.iter().map(|row| {
        let ends = row.vca_mm2.map_or_else(
            || "–".into(),
            |area| format!("{:.2} to {:.2}", in_cm2(area.low), in_cm2(area.high)),
        );
        vec![
            format!("{} {unit}", (row.value * 1e6).round() / 1e6),
            area(row.vca_mm2.map(|area| area.value)),
            ends,
            number(row.change_percent, 1),
            area(row.truth_mm2),
            number(row.error_percent, 1),
        ]
    }));
    let notes = found.notes.clone();
    Ok(Some(Draft {
        title: format!("Area against {name}"),
        headline: String::new(),
        sentence: "One thing varied, everything else held where the measurement put it.".into(),
        cautions: Vec::new(),
        notes,
        table,
        pictures: vec![(format!("Area and widths against {name}"), picture)],
        beside: 1,
        made: Made::Swept(Arc::new(found)),
    }))
}

pub(super) const LOOK: &str = "look at the volume with `narrows inspect`";
