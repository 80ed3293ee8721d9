//! One jet in one frame, measured: tracing, area, interval, widths.

use std::sync::Arc;

use crate::jet::{Signal, StrengthSource};
use crate::numeric::Interval;
use crate::outline::Outline;
use crate::space::Cut;
use crate::unit::{Mm, Mm2};

use super::arms::Arms;
use super::blur::{BlurFit, BlurModel, Forward, LevelArea};

use super::shape::{ShapeClass, classify};
use super::trace::{NeckImage, Tracing, trace};
use super::widths::{WidthAxes, Widths, widths};
use super::{Section, Tracer};

/// A value with its 95 % interval, in the unit of the value
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured<U> {
    /// Best estimate
    pub value: U,
    /// Lower end
    pub low: U,
    /// Upper end
    pub high: U,
}

impl From<Measured<Mm>> for Interval {
    /// In mm
    fn from(m: Measured<Mm>) -> Self {
        Self { value: m.value.get(), low: m.low.get(), high: m.high.get() }
    }
}

impl From<Measured<Mm2>> for Interval {
    /// In mm2
    fn from(m: Measured<Mm2>) -> Self {
        Self { value: m.value.get(), low: m.low.get(), high: m.high.get() }
    }
}

/// One part of an interval
#[derive(Clone, Debug, PartialEq)]
pub struct IntervalPart {
    /// What is uncertain, in words
    pub source: &'static str,
    /// Its 95 % effect on the area
    pub effect: Mm2,
}

/// One jet in one frame, measured
#[derive(Clone, Debug)]
pub struct Assessment {
    /// The plane, with the axes that the outlines are on
    pub cut: Cut,
    /// Standard error of its normal, radians
    pub axis_error: f64,
    /// The tracing as displayed
    pub tracing: Tracing,
    /// The outline behind the blur
    pub corrected: Outline,
    /// What the blur model found
    pub blur: BlurFit,
    /// What each arm says of the area, and what the beat makes of it
    pub arms: Arms,
    /// The same from this frame alone
    pub(super) single: Arms,
    /// Ready to move the tracing
    forward: Arc<Forward>,
    /// Vena contracta area with its interval
    pub vca: Measured<Mm2>,
    /// Where the interval comes from
    pub parts: Vec<IntervalPart>,
    /// Along which directions widths were read
    pub axes: WidthAxes,
    /// Widths as displayed
    pub shown_widths: Widths,
    /// Width on the long-axis cut, corrected for blur
    pub long_axis: Measured<Mm>,
    /// Width on the commissural cut, corrected for blur
    pub commissural: Measured<Mm>,
}

/// Prior of the display's gain, as a share of the plateau, where no power is stored
const GAIN_PRIOR: f64 = 0.48;
/// Standard deviation of the point spread by which the edge is unblurred; a free one drifts with the display
/// threshold, and a wrong one costs under 0.1 mm (an outside study on solved jets)
const SPREAD: Mm = Mm::new(1.0);
/// How far the half-power edge lies outside the effective outline, as a share of 4 area / perimeter: the mixing layer,
/// and what of point spread and power's level is left over (solved tuning geometries, calm blood, power, 45 jets)
const MIXING_LAYER: f64 = 0.13;
/// A tracing is faint where a level higher by 0.1 encloses less than this share of it
const FAINT_SHARE: f64 = 0.35;
/// A faint signal is traced at this share of the usual level, if need be below the gate
pub(super) const FAINT_LEVEL: f64 = 0.8;
/// Two-sided 95 % of a normal
const Z95: f64 = 1.96;

/// Whether the signal inside a tracing hardly rises above its level: the orifice is narrower than the
/// point spread or the gain too low, and the tracing is the tip of what is there
pub(super) fn is_faint(image: &NeckImage, tracing: &Tracing) -> bool {
    let higher = trace(image, tracing.level + 0.1, tracing.outline.centroid());
    let inner = higher.map_or(0.0, |t| t.outline.area().get());
    inner < FAINT_SHARE * tracing.outline.area().get()
}

/// Measures a tracing; the section's plane has the picture's axes
pub(super) fn assess(
    tracer: &Tracer,
    section: &Section,
    image: &NeckImage,
    tracing: Tracing,
    told: &Told,
) -> Assessment {
    let (signal, cut) = (tracer.signal, section.plane);
    let model = BlurModel::default();
    let forward = Forward::new(&tracing.outline, &image.raster, Mm::new(3.5));
    let observed = observe(signal, image, &tracing);
    let blur = forward.fit(&observed, &model);
    let level = observed[0].level;
    let blur = forward.at(&blur, forward.offset_at(level, observed[0].area_mm2, SPREAD));
    let clear = forward.moved(blur.offset).unwrap_or_else(|| tracing.outline.clone());
    let across = 4.0 * clear.area().get() / clear.perimeter().get().max(1e-9);
    let blur = forward.at(&blur, blur.offset - Mm::new(MIXING_LAYER * across));
    let single = told.of(signal, &cut, &tracing.outline, blur.area.get());
    let axes = WidthAxes::of(&cut, &tracing.outline, tracer.anterior_posterior);
    let shown_widths = widths(signal, &cut, tracing.outline.centroid(), &axes, tracing.level);
    let shown = |value: Mm| Measured { value, low: value, high: value };
    let area = tracing.outline.area();
    let displayed = Assessment {
        cut,
        axis_error: section.error.axis,
        corrected: tracing.outline.clone(),
        vca: Measured { value: area, low: area, high: area },
        parts: Vec::new(),
        axes,
        shown_widths,
        long_axis: shown(shown_widths.long_axis),
        commissural: shown(shown_widths.commissural),
        blur,
        arms: single.clone(),
        single,
        forward: Arc::new(forward),
        tracing,
    };
    displayed.effective(section)
}

impl Assessment {
    /// The class of the effective outline's shape: by the network's, which follows what the blur leaves of bends and
    /// lobes, else by the tracing moved to the effective area
    pub fn shape(&self) -> ShapeClass {
        classify(self.arms.network_outline.as_ref().unwrap_or(&self.corrected))
    }

    /// The same frame with all that follows from the arms, the section and the rest of the beat
    #[must_use]
    pub(crate) fn effective(self, section: &Section) -> Self {
        let found = self.single.clone().in_beat(section.in_beat);
        // The outline that the answer means: the unblurred one, moved to the effective area.
        let blur = self.forward.at(&self.blur, self.forward.offset_of(found.value_mm2));
        let corrected = self.forward.moved(blur.offset).unwrap_or_else(|| self.tracing.outline.clone());
        let parts = parts(section, &found);
        let area = found.value_mm2;
        // What the section adds beside the arms, in squares, to both sides.
        let beside: f64 = parts[1..].iter().map(|p| p.effect.get().powi(2)).sum();
        let [low, high] = found.interval_mm2;
        let vca = Measured {
            value: Mm2::new(area),
            low: Mm2::new((area - libm::hypot(area - low, beside.sqrt())).max(0.0)),
            high: Mm2::new(area + libm::hypot(high - area, beside.sqrt())),
        };
        let half = (vca.high.get() - vca.low.get()) / 2.0;
        // An edge uncertain by d moves the area by perimeter times d and a width by 2 d.
        let edge = half / self.tracing.outline.perimeter().get().max(1e-9);
        let width = |shown: Mm| {
            let value = (shown.get() + 2.0 * blur.offset.get()).max(0.0);
            Measured {
                value: Mm::new(value),
                low: Mm::new((value - 2.0 * edge).max(0.0)),
                high: Mm::new(value + 2.0 * edge),
            }
        };
        Self {
            long_axis: width(self.shown_widths.long_axis),
            commissural: width(self.shown_widths.commissural),
            axis_error: section.error.axis,
            corrected,
            vca,
            parts,
            blur,
            arms: found,
            ..self
        }
    }
}

/// The areas inside several levels, the tracing's own first
fn observe(signal: &Signal, image: &NeckImage, tracing: &Tracing) -> Vec<LevelArea> {
    let own = tracing.outline.area().get();
    if signal.scale().source == StrengthSource::Colour {
        return vec![LevelArea { level: GAIN_PRIOR, area_mm2: own }];
    }
    let mut observed = vec![LevelArea { level: tracing.level, area_mm2: own }];
    let middle = tracing.outline.centroid();
    for level in [0.07, 0.14, 0.21].map(|more| tracing.level + more) {
        // Speckle riddles the core at high levels: contours with their holes filled, not pixels.
        if level < 0.82
            && let Ok(inner) = trace(image, level, middle)
        {
            observed.push(LevelArea { level, area_mm2: inner.outline.area().get() });
        }
    }
    observed
}

fn parts(section: &Section, found: &Arms) -> Vec<IntervalPart> {
    let area = found.value_mm2;
    // The profile tells what the area does within the level's error.
    let reach = section.error.level_mm;
    let there: Vec<f64> = section
        .profile
        .positions_mm
        .iter()
        .zip(&section.profile.areas_mm2)
        .filter(|(p, _)| p.abs() <= reach)
        .map(|(_, a)| (a / section.size_mm2.max(1e-9) - 1.0).abs())
        .collect();
    let mean = there.iter().sum::<f64>() / (there.len().max(1) as f64);
    let tilt = Z95 * section.error.axis;
    let [low, high] = found.interval_mm2;
    let part = |source, effect: f64| IntervalPart { source, effect: Mm2::new(effect.abs()) };
    vec![
        part("geometry and settings", (high - low) / 2.0),
        part("axis", area * (1.0 / libm::cos(tilt.min(1.0)) - 1.0)),
        part("level", area * mean.min(0.15)),
    ]
}

/// How an area becomes the one that is told
pub(super) enum Told {
    /// By both arms
    Arms,
    /// In proportion to what the program makes of its own outline on the same plane, whose arms these are
    Beside(Arms),
}

impl Told {
    fn of(&self, signal: &Signal, plane: &Cut, displayed: &Outline, outline_mm2: f64) -> Arms {
        match self {
            Self::Arms => Arms::of(signal, plane, displayed, outline_mm2),
            Self::Beside(own) => {
                let share = outline_mm2 / own.outline_mm2.max(1e-9);
                Arms {
                    outline_mm2,
                    network_outline: None,
                    value_mm2: own.value_mm2 * share,
                    interval_mm2: own.interval_mm2.map(|end| end * share),
                    ..own.clone()
                }
            }
        }
    }
}
