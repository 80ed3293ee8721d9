//! The flow convergence upstream of a vena contracta: the flow through isovelocity surfaces.
//!
//! What leaks must first come through every surface around the opening. Upstream the blood is calm, but it has
//! wrapped, and only its component along the beam is seen. The flow is therefore not read off unwrapped speeds:
//! it is the flow toward the traced opening whose velocities, wrapped and seen along the beam, agree best with
//! those displayed ([`sinks`]). The same flow is then sought in shells about single speeds; the same blood
//! passes all of them, so their agreement is the check, as is the height of the agreement itself.
//!
//! The trade-off: the direction rests on a model, an ideal fluid in a half-space. Walls that stand close or lean
//! are not in it: leaflets that billow toward the blood narrow the space and make the flow read too much.

mod formula;
mod sinks;

pub use formula::{effective_orifice, hemisphere_flow_ml_s};
pub use sinks::Opening;

use crate::numeric::stats::{mean, standard_deviation};
use crate::sample::FlowSampler;
use crate::space::{Direction, VolumePoint};
use crate::unit::{MetresPerSecond, Mm, Mm2};
use crate::volume::{VelocityScale, Volume4};

use sinks::{ASKED_M_S, Agreement, Blood, Sinks};

/// Speeds of the surfaces over the alias velocity
const MULTIPLES: [f64; 7] = [0.5, 0.63, 0.8, 1.0, 1.26, 1.6, 2.0];
/// Half the ratio of a shell's fastest to its slowest blood: shells about neighbouring speeds touch
const SHELL: f64 = 1.13;
/// Flows within this ratio of the whole are tried for one shell
const SHELL_WITHIN: f64 = 1.8;
/// Fewer places than this say nothing
const FEWEST_PLACES: usize = 40;
/// The phases must agree by at least this much, the mean cosine of their differences
const LEAST_AGREED: f64 = 0.85;

/// Half-width of the flow's 95 % interval, in its logarithm
const FLOW_ERROR: f64 = 0.3;

/// Why the convergence could not be measured
#[derive(Clone, Debug, thiserror::Error, PartialEq)]
pub enum ZoneError {
    /// There is no velocity channel
    #[error("the volume has no velocity channel")]
    NoVelocity,
    /// Without an apex the direction of the beam is unknown
    #[error("the file does not say where the probe is, so the angle between flow and beam is unknown")]
    NoApex,
    /// Too little coloured blood upstream
    #[error("too little coloured blood is seen upstream of the vena contracta")]
    NoFlow,
    /// No flow explains the displayed phases
    #[error(
        "no flow toward the traced opening explains the velocities upstream: their phases agree by {:.0} %, {:.0} are \
         wanted",
        100.0 * .0,
        100.0 * LEAST_AGREED
    )]
    Unexplained(f64),
}

/// Whether a surface counts toward the check
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Counted {
    /// It does
    Yes,
    /// Too little of it is seen
    Unseen,
    /// Too near to the opening or too slow
    Near,
}

/// The isovelocity surface of one speed
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ZoneSurface {
    /// Speed
    pub speed: MetresPerSecond,
    /// Flow through the shell about it, ml/s
    pub flow_ml_s: f64,
    /// Share of the shell's space in which velocities are seen, 0 to 1
    pub seen: f64,
    /// Distance from the opening along the axis at which the velocity seen has this size
    pub radius: Option<Mm>,
    /// Flow by the hemispheric formula from that radius, ml/s
    pub hemisphere_ml_s: Option<f64>,
    /// Whether it counts
    pub counted: Counted,
}

/// The flow convergence of one jet in one frame
#[derive(Clone, Debug, PartialEq)]
pub struct Zone {
    /// Middle of the opening in the wall's upstream face
    pub centre: VolumePoint,
    /// How far it lies upstream of the VC plane
    pub upstream: Mm,
    /// Velocity at which the display wraps in the direction of the jet
    pub alias: MetresPerSecond,
    /// The surfaces, slowest first
    pub surfaces: Vec<ZoneSurface>,
    /// Flow and its 95 % interval, ml/s
    pub flow_ml_s: [f64; 3],
    /// Standard deviation of the flows of the surfaces that count over their mean
    pub spread: f64,
    /// Mean cosine of the difference between displayed and explained phases, 1 for the same
    pub agreement: f64,
}

/// Measures the flow convergence of the jets that are open in one frame, in their order
pub fn convergences(
    volume: &Volume4,
    frame: usize,
    openings: &[Opening<'_>],
) -> Vec<Result<Zone, ZoneError>> {
    let every = |error: ZoneError| openings.iter().map(|_| Err(error.clone())).collect();
    let Some(scale) = volume.velocity_scale() else { return every(ZoneError::NoVelocity) };
    let sinks: Vec<Sinks> = openings.iter().map(Sinks::new).collect();
    let Some(blood) = Blood::new(volume, frame, &sinks) else { return every(ZoneError::NoApex) };
    let Some(flows) = blood.flows(openings.len(), FEWEST_PLACES) else { return every(ZoneError::NoFlow) };
    let agreement = blood.agreement(&flows, ASKED_M_S).score;
    if agreement < LEAST_AGREED {
        return every(ZoneError::Unexplained(agreement));
    }
    let found = Found { volume, scale, frame, blood: &blood, flows: &flows, agreement };
    openings.iter().zip(&sinks).enumerate().map(|(index, (o, s))| Ok(found.zone(index, o, s))).collect()
}

/// The flows of a frame, found
struct Found<'a> {
    volume: &'a Volume4,
    scale: VelocityScale,
    frame: usize,
    blood: &'a Blood,
    flows: &'a [f64],
    agreement: f64,
}

impl Found<'_> {
    fn zone(&self, index: usize, opening: &Opening<'_>, sinks: &Sinks) -> Zone {
        let axis = opening.plane.normal();
        let alias = alias_velocity(self.volume, self.scale, sinks.centre, axis);
        let surfaces: Vec<ZoneSurface> =
            MULTIPLES.iter().map(|multiple| self.surface(index, multiple * alias, sinks, axis)).collect();
        let counted: Vec<f64> =
            surfaces.iter().filter(|s| s.counted == Counted::Yes).map(|s| s.flow_ml_s).collect();
        let flow = self.flows[index];
        let error = FLOW_ERROR;
        Zone {
            centre: sinks.centre,
            upstream: Mm::new(opening.upstream_mm),
            alias: MetresPerSecond::new(alias),
            spread: if counted.len() > 1 { standard_deviation(&counted) / mean(&counted) } else { 0.0 },
            surfaces,
            flow_ml_s: [flow, flow * libm::exp(-error), flow * libm::exp(error)],
            agreement: self.agreement,
        }
    }

    /// The flow through the shell about one speed, the other openings' flows held
    fn surface(&self, index: usize, speed: f64, sinks: &Sinks, axis: Direction) -> ZoneSurface {
        let shell = [speed / SHELL, speed * SHELL];
        let steps = 24;
        let at = |k: i32| libm::pow(SHELL_WITHIN, f64::from(k) / f64::from(steps));
        let mut best = (f64::NEG_INFINITY, 1.0);
        // The shell's places stay those of the whole flow: another flow must explain the same blood.
        for factor in (-steps..=steps).map(at) {
            let mut with = self.flows.to_vec();
            with[index] *= factor;
            let score = self.blood.explained(&with, self.flows, shell).score;
            if score > best.0 {
                best = (score, factor);
            }
        }
        let Agreement { places, seen, .. } = self.blood.agreement(self.flows, shell);
        let radius = self.radius_on_axis(sinks, axis, speed);
        ZoneSurface {
            speed: MetresPerSecond::new(speed),
            flow_ml_s: self.flows[index] * best.1,
            seen,
            radius,
            hemisphere_ml_s: radius.map(|r| hemisphere_flow_ml_s(r, MetresPerSecond::new(speed))),
            counted: if !(ASKED_M_S[0]..=ASKED_M_S[1]).contains(&speed) {
                Counted::Near
            } else if places < FEWEST_PLACES {
                Counted::Unseen
            } else {
                Counted::Yes
            },
        }
    }

    /// Distance from the opening against the flow at which the velocity seen, its whole cycles restored by the
    /// explained flow, last has a size; `None` where it is not seen there
    fn radius_on_axis(&self, sinks: &Sinks, axis: Direction, level: f64) -> Option<Mm> {
        const STEP_MM: f64 = 0.1;
        const REACH_MM: f64 = 22.0;
        let sampler = FlowSampler::new(self.volume, self.frame)?;
        let cycle = 2.0 * self.scale.nyquist().get();
        let flow: f64 = self.flows.iter().sum();
        let seen = |mm: f64| {
            let point = sinks.centre.moved(axis.into_inner() * -mm);
            let shown = sampler.flow(point).filter(|flow| flow.coloured > 0.5)?.velocity.get();
            let explained = -self.volume.beam_at(point)?.dot(&sinks.pull(point)) * flow;
            Some((shown + cycle * ((explained - shown) / cycle).round()).abs())
        };
        let mut places = (0..(REACH_MM / STEP_MM) as usize).rev().map(|k| k as f64 * STEP_MM);
        let last = places.find(|mm| seen(*mm).is_some_and(|v| v >= level))?;
        (last > 0.0).then(|| Mm::new(last + STEP_MM / 2.0))
    }
}

/// The velocity at which the display wraps for blood that moves along the axis
fn alias_velocity(volume: &Volume4, scale: VelocityScale, at: VolumePoint, axis: Direction) -> f64 {
    let (low, high) = scale.limits();
    let toward = volume.beam_at(at).is_none_or(|beam| beam.dot(&axis) <= 0.0);
    let limit = if toward { high.get() } else { -low.get() };
    // A display that shows one direction only wraps at its one limit.
    if limit > 0.05 { limit } else { scale.nyquist().get() }
}

impl ZoneSurface {
    /// Area of the surface across the flow: flow over speed
    pub fn area(&self) -> Mm2 {
        Mm2::new(self.flow_ml_s / self.speed.get().max(1e-9))
    }
}
