//! The flow convergence upstream of a neck: surfaces of equal speed, and the flow through them.
//!
//! What leaks must first come through every surface around the opening. Upstream the blood is calm and
//! has wrapped once or twice at most, so its velocity can be restored ([`field`], in [`blocks`] of several voxels
//! where these are fine); what is seen of it is
//! the component along the beam, so its direction is taken from the pull of the traced opening
//! ([`pull`]) and the speed is the seen component over the cosine between the two. Where that angle
//! exceeds 60 degrees the speed is not told: dividing by less than one half would more than double
//! every error. On the rest, the surfaces of several speeds are laid as triangles ([`surface`]), and the
//! flow is speed times the area across the local direction of flow. The surface is open toward the
//! wall and wherever the angle is too large; it is continued there at the distance at which it was last seen.
//! The same blood passes all surfaces: their agreement is the check.
//!
//! The opening lies upstream of the neck by an unknown length. It is where the pull explains the
//! velocities best.
//!
//! The trade-off: the direction rests on a model, an ideal fluid in a half-space. A wall that is not
//! flat, or an opening other than the traced one, is not in it.

mod blocks;
mod field;
mod formula;
mod pull;
mod surface;

pub use field::Dealiasing;
pub use formula::{effective_orifice, hemisphere_flow_ml_s};

use crate::jet::Signal;
use crate::numeric::isosurface::Cells;
use crate::numeric::stats::{mean, median, median_deviation, standard_deviation};
use crate::outline::Outline;
use crate::space::{Cut, Direction, VolumePoint};
use crate::unit::{MetresPerSecond, Mm, Mm2};
use crate::volume::Volume4;

use field::Upstream;
use pull::Pull;
use surface::Speeds;

/// Cosine of the largest angle between beam and flow at which a speed is told
const LEAST_COSINE: f64 = 0.5;
/// Speeds of the surfaces over the alias velocity
const MULTIPLES: [f64; 7] = [0.5, 0.63, 0.8, 1.0, 1.26, 1.6, 2.0];
/// A surface must be seen in this share of the half-space
const LEAST_SEEN: f64 = 0.2;
/// And in this share of the directions in which the best seen one is
const LEAST_OF_BEST: f64 = 0.65;
/// A surface must lie at least so many radii of the opening away (a disc of its area)
const LEAST_RADII: f64 = 1.15;
/// Slower surfaces are not laid, m/s: the wall filter takes part of them
const SLOWEST_M_S: f64 = 0.18;
/// Fewer surfaces than this cannot be compared
const FEWEST: usize = 3;
/// Cycles restored along two paths must agree on this share of the blocks
const LEAST_AGREED: f64 = 0.9;
/// The opening is looked for up to so far upstream of the neck, mm
const OPENING_WITHIN_MM: f64 = 9.0;
/// What the surfaces share (direction, continuation, blur, a bias of a few percent): 95 %, as a share of
/// the flow
///
/// With 1.96 standard deviations among the surfaces it held the flow of 97 % of 71 single jets (random
/// recipes 1000 to 1099); 0.09 would have held 96 %, 0.07 no more than 92 %. A little is kept in
/// hand for what was not in the recipes.
const SHARED: f64 = 0.12;
/// The same beside one other jet: each draws on the blood of the other, which is not taken off, so that
/// the flow reads too much, by a fifth in the median, by up to four fifths at worst (35 jets of pairs among
/// the same recipes, of which this held all; 0.40 held 94 %)
const SHARED_SEVERAL: f64 = 0.45;
/// Beside more jets than this no flow is told: among five, some read more than twice what they were
const MOST_OTHERS: usize = 1;

/// Why the convergence could not be measured
#[derive(Clone, Debug, thiserror::Error, PartialEq)]
pub enum ZoneError {
    /// There is no velocity channel
    #[error("the volume has no velocity channel")]
    NoVelocity,
    /// Without an apex the direction of the beam is unknown
    #[error("the file does not say where the probe is, so the angle between flow and beam is unknown")]
    NoApex,
    /// Too little calm coloured blood upstream
    #[error("too little coloured, calm blood is seen upstream of the neck")]
    NoFlow,
    /// Two paths give different cycles
    #[error(
        "whole cycles of the velocity could not be restored reliably: two paths agree on {:.0} % of the blood, 90 \
         are wanted",
        100.0 * .0
    )]
    Unreliable(f64),
    /// Other jets draw on the same blood
    #[error(
        "{others} other jets draw on the same blood, and which of it goes through which opening cannot be told"
    )]
    Crowded {
        /// Jets beside this one
        others: usize,
    },
    /// Too few surfaces
    #[error("surfaces of equal speed are seen well enough at {found} velocities, {FEWEST} are wanted")]
    FewSurfaces {
        /// How many were usable
        found: usize,
    },
}

/// Whether a surface counts toward the flow
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Counted {
    /// It does
    Yes,
    /// Seen in too small a share of directions
    Unseen,
    /// Too near to the opening
    Near,
}

/// The surface of one speed
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ZoneSurface {
    /// Speed
    pub speed: MetresPerSecond,
    /// Area of the triangulated surface, what is not seen continued
    pub area: Mm2,
    /// Share of the half-space of directions in which it is seen, 0 to 1
    pub seen: f64,
    /// Flow through it, ml/s
    pub flow_ml_s: f64,
    /// Distance from the opening along the axis at which the displayed velocity has this size
    pub radius: Option<Mm>,
    /// Flow by the hemispheric formula from that radius, ml/s
    pub hemisphere_ml_s: Option<f64>,
    /// Whether it counts
    pub counted: Counted,
}

/// The flow convergence of one jet in one frame
#[derive(Clone, Debug, PartialEq)]
pub struct Zone {
    /// Centre of the opening
    pub centre: VolumePoint,
    /// How far it lies upstream of the neck
    pub upstream: Mm,
    /// Velocity at which the display wraps in the direction of the jet
    pub alias: MetresPerSecond,
    /// The surfaces, slowest first
    pub surfaces: Vec<ZoneSurface>,
    /// Flow, ml/s: median over the surfaces that count, and its 95 % interval
    pub flow_ml_s: [f64; 3],
    /// Standard deviation of the flows of the surfaces that count over their mean
    pub spread: f64,
    /// How far the restored cycles can be relied on
    pub dealiasing: Dealiasing,
}

/// What is known of the opening
#[derive(Clone, Copy, Debug)]
pub struct Opening<'a> {
    /// Centre of the neck
    pub neck: VolumePoint,
    /// Along the flow
    pub axis: Direction,
    /// The cut of the outline
    pub cut: &'a Cut,
    /// The jet's outline at the neck
    pub outline: &'a Outline,
    /// Necks of the other jets of this frame
    pub others: &'a [VolumePoint],
}

/// Measures the flow convergence of one jet in one frame
///
/// # Errors
/// See [`ZoneError`].
pub fn convergence(
    volume: &Volume4,
    frame: usize,
    signal: &Signal,
    opening: &Opening<'_>,
) -> Result<Zone, ZoneError> {
    let Opening { neck, axis, cut, outline, others } = *opening;
    if volume.apex.is_none() {
        return Err(ZoneError::NoApex);
    }
    if others.len() > MOST_OTHERS {
        return Err(ZoneError::Crowded { others: others.len() });
    }
    let upstream = Upstream::new(volume, frame, signal, neck, axis, others)?;
    if upstream.dealiasing.agreed < LEAST_AGREED {
        return Err(ZoneError::Unreliable(upstream.dealiasing.agreed));
    }
    let (pull, back) = opening_along(volume, &upstream, &Pull::new(cut, outline), axis);
    let centre = pull.centre();
    let (speed, told) = speeds(volume, &upstream, &pull, axis);
    let alias = alias_velocity(volume, neck, axis);
    let opening_radius = outline.area().circle_diameter().get() / 2.0;
    let cells = Cells::inside(&told, upstream.shape());
    let finder = Speeds { upstream: &upstream, speed: &speed, told: &told, cells: &cells, pull: &pull, axis };
    let levels = MULTIPLES.map(|m| m * alias).into_iter().filter(|level| *level >= SLOWEST_M_S);
    let laid: Vec<_> = levels.filter_map(|level| Some((level, finder.surface(level)?))).collect();
    let best = laid.iter().map(|(_, found)| found.seen).fold(0.0, f64::max);
    let mut surfaces = Vec::new();
    for (level, found) in laid {
        let radius = (found.across_mm2 / (2.0 * std::f64::consts::PI)).sqrt();
        let on_axis = radius_on_axis(&upstream, centre, axis, level);
        surfaces.push(ZoneSurface {
            speed: MetresPerSecond::new(level),
            area: Mm2::new(found.area_mm2),
            seen: found.seen,
            flow_ml_s: level * found.across_mm2,
            radius: on_axis,
            hemisphere_ml_s: on_axis.map(|r| hemisphere_flow_ml_s(r, MetresPerSecond::new(level))),
            counted: if found.seen < LEAST_SEEN.max(LEAST_OF_BEST * best) {
                Counted::Unseen
            } else if radius < LEAST_RADII * opening_radius {
                Counted::Near
            } else {
                Counted::Yes
            },
        });
    }
    let flows: Vec<f64> =
        surfaces.iter().filter(|s| s.counted == Counted::Yes).map(|s| s.flow_ml_s).collect();
    if flows.len() < FEWEST {
        return Err(ZoneError::FewSurfaces { found: flows.len() });
    }
    let flow = median(&flows);
    let spread = standard_deviation(&flows) / mean(&flows);
    let shared = if others.is_empty() { SHARED } else { SHARED_SEVERAL };
    let half = flow * libm::hypot(1.96 * spread, shared);
    Ok(Zone {
        centre,
        upstream: Mm::new(back),
        alias: MetresPerSecond::new(alias),
        surfaces,
        flow_ml_s: [flow, (flow - half).max(0.0), flow + half],
        spread,
        dealiasing: upstream.dealiasing,
    })
}

/// The velocity at which the display wraps for blood that moves along the axis
fn alias_velocity(volume: &Volume4, neck: VolumePoint, axis: Direction) -> f64 {
    let (low, high) = volume.velocity_scale.limits();
    let toward = volume.beam_at(neck).is_none_or(|beam| beam.dot(&axis) <= 0.0);
    let limit = if toward { high.get() } else { -low.get() };
    // A display that shows one direction only wraps at its one limit.
    if limit > 0.05 { limit } else { volume.velocity_scale.nyquist().get() }
}

/// Seen velocities of the blocks by which the opening is found, m/s: between the wall filter and what
/// is blurred near the opening
const TOLD_M_S: std::ops::Range<f64> = 0.12..1.6;
/// Fewer blocks than this say nothing
const FEWEST_BLOCKS: usize = 60;
/// About so many blocks are asked
const MOST_BLOCKS: usize = 800;

/// Where along the axis the opening lies: where the flows that single blocks tell scatter least
fn opening_along(volume: &Volume4, upstream: &Upstream, pull: &Pull, axis: Direction) -> (Pull, f64) {
    let against = -axis;
    let told: Vec<(VolumePoint, f64)> = (0..upstream.known.len())
        .filter(|i| upstream.known[*i] && TOLD_M_S.contains(&upstream.velocity(*i).abs()))
        .map(|i| (upstream.point(i), upstream.velocity(i)))
        .collect();
    let stride = (told.len() / MOST_BLOCKS).max(1);
    let few: Vec<_> = told.into_iter().step_by(stride).collect();
    let scatter = |mm: f64| {
        let here = pull.moved(against, mm);
        let centre = here.centre();
        let flows: Vec<f64> = few
            .iter()
            .filter(|(point, _)| against.dot(&point.from(centre)) > 0.5)
            .filter_map(|(point, v)| {
                let unit = here.at(*point);
                let seen = -volume.beam_at(*point)?.dot(&unit);
                (seen.abs() >= LEAST_COSINE * unit.norm()).then_some(v / seen)
            })
            .collect();
        let middle = median(&flows);
        if flows.len() < FEWEST_BLOCKS || middle <= 0.0 {
            return f64::INFINITY;
        }
        median_deviation(&flows) / middle
    };
    // Every third place first, then those around the best of them.
    let last = (OPENING_WITHIN_MM / 0.25) as usize;
    let best_of = |steps: &mut dyn Iterator<Item = usize>| {
        steps.map(|step| (step, scatter(0.25 * step as f64))).min_by(|a, b| a.1.total_cmp(&b.1))
    };
    let coarse = best_of(&mut (0..=last).step_by(3)).map_or(0, |(step, _)| step);
    let around = coarse.saturating_sub(2)..=(coarse + 2).min(last);
    let (step, found) = best_of(&mut around.into_iter()).unwrap_or((0, f64::INFINITY));
    let mm = if found.is_finite() { 0.25 * step as f64 } else { 0.0 };
    (pull.moved(against, mm), mm)
}

/// Speed at each block, and where it can be told
fn speeds(volume: &Volume4, upstream: &Upstream, pull: &Pull, axis: Direction) -> (Vec<f32>, Vec<bool>) {
    let centre = pull.centre();
    let mut speed = vec![0.0f32; upstream.known.len()];
    let mut told = vec![false; upstream.known.len()];
    for i in (0..speed.len()).filter(|i| upstream.known[*i]) {
        let point = upstream.point(i);
        if axis.dot(&point.from(centre)) > -0.5 {
            continue;
        }
        let Some(beam) = volume.beam_at(point) else { continue };
        let flow = pull.at(point);
        let cosine = -beam.dot(&flow) / flow.norm().max(1e-12);
        if cosine.abs() >= LEAST_COSINE {
            told[i] = true;
            speed[i] = (upstream.velocity(i) / cosine) as f32;
        }
    }
    (speed, told)
}

/// Distance from the opening against the flow at which the displayed velocity, wraps undone, last has a
/// size; `None` where it is not seen there
fn radius_on_axis(upstream: &Upstream, centre: VolumePoint, axis: Direction, level: f64) -> Option<Mm> {
    const STEP_MM: f64 = 0.1;
    let seen = |mm: f64| upstream.velocity_at(centre.moved(axis.into_inner() * -mm)).map(f64::abs);
    let steps = (field::REACH_MM / STEP_MM) as usize;
    let last = (1..steps).map(|k| k as f64 * STEP_MM).rfind(|mm| seen(*mm).is_some_and(|v| v >= level))?;
    Some(Mm::new(last + STEP_MM / 2.0))
}
