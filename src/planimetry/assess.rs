//! One jet in one frame, measured: tracing, area, interval, widths.

use std::sync::Arc;

use crate::jet::{Signal, StrengthSource};
use crate::network::{Reading, Surround};
use crate::numeric::Interval;
use crate::outline::{Outline, Placed};
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
    /// The effective outline: the network's, which follows what the blur leaves of bends and lobes, else the tracing
    /// behind the blur; of the effective area
    pub corrected: Outline,
    /// What the blur model found
    pub blur: BlurFit,
    /// What each arm says of the area, and what the beat makes of it
    pub arms: Arms,
    /// The same from this frame alone
    pub(super) single: Arms,
    /// Ready to move the tracing
    forward: Arc<Forward>,
    /// Area behind the tracing's blur and mixing layer, mm2
    behind_mm2: f64,
    /// For a given outline, the program's own on the same plane: as displayed, and effective by this frame alone
    own: Option<[Outline; 2]>,
    /// Vena contracta area with its interval
    pub vca: Measured<Mm2>,
    /// Where the interval comes from
    pub parts: Vec<IntervalPart>,
    /// Along which directions widths were read
    pub axes: WidthAxes,
    /// Width of the effective outline on the long-axis cut
    pub long_axis: Measured<Mm>,
    /// Width of the effective outline on the commissural cut
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
/// Half-width of a width's 95 % interval in its logarithm, over the relative one of the area and times the square of the
/// outline's solidity: a line through the centroid of a bent outline moves by its own width for a small error (95 % of 196
/// widths of solved tuning jets, 97 % of those of crescents, lay within)
const WIDTH_ERROR: f64 = 0.85;
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
    let (forward, blur) = behind(signal, image, &tracing);
    let single = told.of(signal, blur.area.get());
    let axes = WidthAxes::of(&cut, &tracing.outline, tracer.anterior_posterior);
    let shown = |value: Mm| Measured { value, low: value, high: value };
    let widths = widths(&tracing.outline, &cut, &axes);
    let area = tracing.outline.area();
    let displayed = Assessment {
        cut,
        axis_error: section.error.axis,
        corrected: tracing.outline.clone(),
        vca: Measured { value: area, low: area, high: area },
        parts: Vec::new(),
        axes,
        long_axis: shown(widths.long_axis),
        commissural: shown(widths.commissural),
        behind_mm2: blur.area.get(),
        blur,
        arms: single.clone(),
        single,
        forward: Arc::new(forward),
        own: told.own(),
        tracing,
    };
    displayed.effective(section)
}

impl Assessment {
    /// The class of the effective outline's shape
    pub fn shape(&self) -> ShapeClass {
        classify(&self.corrected)
    }

    /// The program's own effective outline on this plane; `None` where the network has nothing to read
    pub fn core(&self) -> Option<Placed> {
        let own = self.own.as_ref().map(|[_, effective]| effective);
        let outline = self.arms.network_outline.as_ref().or(own)?.clone();
        Some(Placed { plane: self.cut, outline })
    }

    /// Widths of the outline as displayed
    pub fn displayed_widths(&self) -> Widths {
        widths(&self.tracing.outline, &self.cut, &self.axes)
    }

    /// The same frame with all that follows from the arms, the section and the rest of the beat
    #[must_use]
    pub(crate) fn effective(self, section: &Section) -> Self {
        let found = self.single.clone().in_beat(section.in_beat);
        let blur = self.forward.at(&self.blur, self.forward.offset_of(found.value_mm2));
        let corrected = match &found.network_outline {
            Some(outline) => outline.scaled_to(Mm2::new(found.value_mm2)),
            None => self.forward.moved(blur.offset).unwrap_or_else(|| self.tracing.outline.clone()),
        };
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
        let relative = (vca.high.get() - vca.low.get()) / (2.0 * area.max(1e-9));
        // (That of the program's own outline, whoever traced.)
        let bent = self.own.as_ref().map_or(&corrected, |[_, effective]| effective);
        let half = WIDTH_ERROR * relative / bent.solidity().powi(2).max(0.1);
        let width = |value: Mm| Measured {
            value,
            low: Mm::new(value.get() * libm::exp(-half)),
            high: Mm::new(value.get() * libm::exp(half)),
        };
        let of = |outline: &Outline| widths(outline, &self.cut, &self.axes);
        let found_widths = match &self.own {
            None => of(&corrected),
            // In proportion to the program's own outline, as the area.
            Some([displayed, effective]) => {
                let later = (found.value_mm2 / self.single.value_mm2.max(1e-9)).sqrt();
                let [here, displayed, effective] = [of(&self.tracing.outline), of(displayed), of(effective)];
                let told = |here: Mm, displayed: Mm, effective: Mm| {
                    Mm::new(later * effective.get() * here.get() / displayed.get().max(1e-9))
                };
                Widths {
                    long_axis: told(here.long_axis, displayed.long_axis, effective.long_axis),
                    commissural: told(here.commissural, displayed.commissural, effective.commissural),
                }
            }
        };
        Self {
            long_axis: width(found_widths.long_axis),
            commissural: width(found_widths.commissural),
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

/// The outline arm: the tracing's outline ready to be moved, and where the effective outline lies behind its blur and
/// its mixing layer
fn behind(signal: &Signal, image: &NeckImage, tracing: &Tracing) -> (Forward, BlurFit) {
    let forward = Forward::new(&tracing.outline, &image.raster, Mm::new(3.5));
    let observed = observe(signal, image, tracing);
    let blur = forward.fit(&observed, &BlurModel::default());
    let level = observed[0].level;
    let blur = forward.at(&blur, forward.offset_at(level, observed[0].area_mm2, SPREAD));
    let clear = forward.moved(blur.offset).unwrap_or_else(|| tracing.outline.clone());
    let across = 4.0 * clear.area().get() / clear.perimeter().get().max(1e-9);
    let blur = forward.at(&blur, blur.offset - Mm::new(MIXING_LAYER * across));
    (forward, blur)
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
    Arms {
        /// What the network reads, where it has what it needs
        reading: Option<(Reading, Surround)>,
        /// All that is coloured here, slow or fast, and its outline. The outline arm follows it: where slow blood is left
        /// out, what the network reads says which, and the one arm would no longer check the other.
        coloured: Option<Box<(NeckImage, Tracing)>>,
    },
    /// In proportion to what the program makes of its own outline on the same plane
    Beside(Box<Assessment>),
}

impl Told {
    fn own(&self) -> Option<[Outline; 2]> {
        match self {
            Self::Arms { .. } => None,
            Self::Beside(own) => {
                let effective = own.corrected.scaled_to(Mm2::new(own.single.value_mm2));
                // As a reader keeps it: a proposal that is kept keeps its widths.
                Some([own.tracing.outline.with_few_vertices(), effective])
            }
        }
    }

    /// The arms of a tracing behind whose blur lies this area
    fn of(&self, signal: &Signal, behind_mm2: f64) -> Arms {
        match self {
            Self::Arms { reading, coloured } => {
                let all =
                    coloured.as_deref().map(|(image, tracing)| behind(signal, image, tracing).1.area.get());
                Arms::of(signal, reading.as_ref(), all.unwrap_or(behind_mm2))
            }
            Self::Beside(own) => {
                let share = behind_mm2 / own.behind_mm2.max(1e-9);
                let own = &own.single;
                Arms {
                    outline_mm2: own.outline_mm2 * share,
                    network_outline: None,
                    value_mm2: own.value_mm2 * share,
                    interval_mm2: own.interval_mm2.map(|end| end * share),
                    ..own.clone()
                }
            }
        }
    }
}
