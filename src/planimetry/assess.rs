//! One jet in one frame, measured: tracing, area, interval, widths.

use crate::jet::{Signal, StrengthSource};
use crate::numeric::Interval;
use crate::outline::Outline;
use crate::space::Cut;
use crate::unit::{Mm, Mm2};

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

/// Relative uncertainty of the plateau at one standard deviation (speckle, wall filter)
const PLATEAU_SD: f64 = 0.04;
/// Prior of the display's gain, as a share of the plateau, where no power is stored
const GAIN_PRIOR: f64 = 0.48;
/// Its standard deviation (uniform over 0.25 to 0.65, roughly)
const GAIN_PRIOR_SD: f64 = 0.1;
/// Standard deviation of the point spread by which the edge is unblurred; a free one drifts with the display
/// threshold, and a wrong one costs under 0.1 mm (an outside study on solved jets)
const SPREAD: Mm = Mm::new(1.0);
/// How far the half-power edge lies outside the effective outline, as a share of 4 area / perimeter: the mixing layer
/// (solved tuning geometries)
const MIXING_LAYER: f64 = 0.090;
/// Half-width of the area's 95 % interval in its logarithm, from geometry and settings
const EDGE_ERROR: f64 = 0.24;
/// A tracing is faint where a level higher by 0.1 encloses less than this share of it
const FAINT_SHARE: f64 = 0.35;
/// A faint signal is traced at this share of the usual level, if need be below the gate
pub(super) const FAINT_LEVEL: f64 = 0.8;
/// And its area is then uncertain by this share, at 95 % (tuning phantoms)
const FAINT_ERROR: f64 = 0.45;
/// A core of less haste than the first is so slow that its phases no longer fill the circle: the wall filter
/// takes another share of its power, and another plateau holds than the one its edge is traced by. From the
/// second down the area is uncertain by [`SLOW_ERROR`] (tuning phantoms, whole beats of seeds 6000 to 6299)
const SLOW_HASTE: [f64; 2] = [0.46, 0.38];
/// Share by which the area of a slow core is uncertain, at 95 %
const SLOW_ERROR: f64 = 0.25;
/// The parts see some of the same uncertainty twice; with this factor on all but the spreading their
/// sum holds the truth of 95 % of the tuning phantoms (seeds 6000 to 6799, 20000 to 20799)
const SHARED: f64 = 0.53;
/// The same where only colour is stored and the unknown gain rules all else (the same seeds)
const SHARED_COLOUR: f64 = 0.93;
/// A bent outline is uncertain by this share more, at 95 %: blur fills its hollow (tuning phantoms)
const BENT_ERROR: f64 = 0.11;
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
pub(super) fn assess(tracer: &Tracer, section: &Section, image: &NeckImage, tracing: Tracing) -> Assessment {
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
    let corrected = forward.moved(blur.offset).unwrap_or_else(|| tracing.outline.clone());
    let parts = parts(signal, section, image, &tracing, &blur);
    let half = parts.iter().map(|p| p.effect.get().powi(2)).sum::<f64>().sqrt();
    let area = blur.area.get();
    let vca =
        Measured { value: blur.area, low: Mm2::new((area - half).max(0.0)), high: Mm2::new(area + half) };
    let axes = WidthAxes::of(&cut, &tracing.outline, tracer.anterior_posterior);
    let centre = tracing.outline.centroid();
    let shown_widths = widths(signal, &cut, centre, &axes, tracing.level);
    // An edge uncertain by d moves the area by perimeter times d and a width by 2 d.
    let edge = half / tracing.outline.perimeter().get().max(1e-9);
    let corrected_width = |shown: Mm| {
        let value = (shown.get() + 2.0 * blur.offset.get()).max(0.0);
        Measured {
            value: Mm::new(value),
            low: Mm::new((value - 2.0 * edge).max(0.0)),
            high: Mm::new(value + 2.0 * edge),
        }
    };
    Assessment {
        cut,
        axis_error: section.error.axis,
        corrected,
        vca,
        parts,
        axes,
        shown_widths,
        long_axis: corrected_width(shown_widths.long_axis),
        commissural: corrected_width(shown_widths.commissural),
        blur,
        tracing,
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

fn parts(
    signal: &Signal,
    section: &Section,
    image: &NeckImage,
    tracing: &Tracing,
    blur: &BlurFit,
) -> Vec<IntervalPart> {
    let area = blur.area.get();
    let perimeter = tracing.outline.perimeter().get();
    let level_sd = match signal.scale().source {
        StrengthSource::Power => PLATEAU_SD * tracing.level,
        StrengthSource::Colour => GAIN_PRIOR_SD,
    };
    // Noise moves the edge by noise over slope; points one correlation length (2.5 sigma) apart
    // are independent.
    let slope = 0.4 / blur.sigma.get().max(0.2);
    let readings = (perimeter / (2.5 * blur.sigma.get().max(0.2))).max(1.0);
    let noise = image.noise / slope * perimeter / readings.sqrt();
    // The profile tells what the area does within the level's error.
    let level_effect = {
        let reach = Z95 * section.error.level_mm;
        let there: Vec<f64> = section
            .profile
            .positions_mm
            .iter()
            .zip(&section.profile.areas_mm2)
            .filter(|(p, _)| p.abs() <= reach)
            .map(|(_, a)| (a - section.size_mm2).abs())
            .collect();
        let mean = there.iter().sum::<f64>() / (there.len().max(1) as f64);
        mean.min(0.25 * area)
    };
    let tilt = Z95 * section.error.axis;
    let caliper = perimeter * signal.grid().finest_mm() / 12f64.sqrt() / readings.sqrt();
    let part = |source, effect: f64| IntervalPart { source, effect: Mm2::new(effect.abs()) };
    let shared = match signal.scale().source {
        StrengthSource::Power => SHARED,
        StrengthSource::Colour => SHARED_COLOUR,
    };
    let mut parts = vec![
        part("point spread", shared * Z95 * blur.sigma_error.get() * blur.area_per_sigma),
        part("gain and plateau", shared * Z95 * level_sd * blur.area_per_level),
        part("edge and mixing layer", EDGE_ERROR * area),
        part("axis", area * (1.0 / libm::cos(tilt.min(1.0)) - 1.0)),
        part("level", shared * level_effect),
        part("noise", shared * Z95 * noise),
        part("caliper", shared * Z95 * caliper),
    ];
    if classify(&tracing.outline) == ShapeClass::Crescent {
        parts.push(part("bent outline", BENT_ERROR * area));
    }
    let [fast, slow] = SLOW_HASTE;
    let slowness = ((fast - section.incoherence) / (fast - slow)).clamp(0.0, 1.0);
    if slowness > 0.0 {
        parts.push(part("slow core", SLOW_ERROR * slowness * area));
    }
    if is_faint(image, tracing) || tracing.level < 0.95 * signal.seeing_level() {
        parts.push(part("faint signal", FAINT_ERROR * area));
    }
    parts
}
