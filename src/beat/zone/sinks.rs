//! Blood that converges on openings, as the potential flow toward sheets of sinks in a half-space.
//!
//! The velocity at a point x upstream of an opening whose sinks lie at p is
//! `v = Q / (2 pi N) sum (p - x) / |p - x|^3` (Lamb, Hydrodynamics, section 56, from memory). Velocities
//! are seen along the beam and modulo two Nyquist velocities, so nothing is unwrapped: each flow is the one
//! whose phases agree best with those displayed, by the mean cosine of their difference. Several openings
//! draw on the same blood; their flows are found in turns, each with the others held.

use std::f64::consts::{PI, TAU};

use nalgebra::Vector3;

use crate::outline::Outline;
use crate::space::{Cut, CutPoint, VolumePoint, VoxelPoint};
use crate::volume::Volume4;

/// Side of the square that one sink stands for, mm (our own choice)
const SINK_MM: f64 = 0.5;
/// At most so many sinks to an opening (our own choice)
const MOST_SINKS: usize = 150;
/// Added to the square of the distance to a sink, mm2: half a square's diagonal, so that no point lies on one
const SOFTENED_MM2: f64 = 0.3;
/// Blood nearer to an opening's plane is not asked: the jet's own blur reaches there, mm
const NEAREST_MM: f64 = 2.0;
/// Blood farther from an opening is not asked: chamber walls and other motion rule there, mm
const FARTHEST_MM: f64 = 10.0;
/// Speeds at which blood is asked, m/s: faster than chamber blood, slower than what the point spread mixes
pub(super) const ASKED_M_S: [f64; 2] = [0.35, 1.2];
/// Share of the speed that must be seen along the beam: beyond 66 degrees it is not told
const LEAST_COSINE: f64 = 0.4;
/// Blood is thinned to about this many places
const MOST_PLACES: usize = 4000;
/// Flows that are tried, ml/s: from a trace to a torrent
const FLOWS_ML_S: [f64; 2] = [8.0, 1200.0];
/// Steps of the first search, in equal ratios
const TRIED: usize = 96;

/// An opening in the wall between two chambers
#[derive(Clone, Copy, Debug)]
pub struct Opening<'a> {
    /// The VC plane, its normal along the flow
    pub plane: &'a Cut,
    /// The jet's outline on it
    pub outline: &'a Outline,
    /// How far upstream of the plane the wall's upstream face lies, mm
    pub upstream_mm: f64,
}

/// One place upstream: what is displayed, and the pull of each opening on it
pub(super) struct Place {
    /// Displayed phase, radians; `None` where nothing is displayed
    phase: Option<f64>,
    /// For each opening: the velocity that a flow of 1 ml/s would give, m/s, and its part toward the probe
    pull: Vec<(Vector3<f64>, f64)>,
}

impl Place {
    /// Velocity under these flows, m/s, and its part toward the probe
    fn under(&self, flows_ml_s: &[f64]) -> (Vector3<f64>, f64) {
        self.pull
            .iter()
            .zip(flows_ml_s)
            .fold((Vector3::zeros(), 0.0), |(velocity, toward), ((pull, part), flow)| {
                (velocity + pull * *flow, toward + part * flow)
            })
    }
}

/// The blood upstream of all openings of one frame
pub(super) struct Blood {
    places: Vec<Place>,
    /// Radians for a metre a second
    per_speed: f64,
}

/// The sinks of one opening, in volume space
pub(super) struct Sinks {
    points: Vec<VolumePoint>,
    /// Middle of the opening at the wall's face
    pub(super) centre: VolumePoint,
    /// Along the flow
    normal: Vector3<f64>,
    /// Largest distance of a sink from the middle, mm
    radius: f64,
}

impl Sinks {
    pub(super) fn new(opening: &Opening<'_>) -> Self {
        let (plane, outline) = (opening.plane, opening.outline);
        let normal = plane.normal().into_inner();
        let back = normal * -opening.upstream_mm;
        let [[u0, u1], [v0, v1]] = outline.bounds();
        let mut side = SINK_MM;
        let mut flat: Vec<CutPoint> = Vec::new();
        for _ in 0..8 {
            let count = |from: f64, to: f64| ((to - from) / side).ceil() as usize;
            let at = |from: f64, i: usize| from + (i as f64 + 0.5) * side;
            flat = (0..count(v0, v1))
                .flat_map(|j| (0..count(u0, u1)).map(move |i| (i, j)))
                .map(|(i, j)| CutPoint::new(at(u0, i), at(v0, j)))
                .filter(|point| outline.contains(*point))
                .collect();
            if flat.len() <= MOST_SINKS {
                break;
            }
            side *= 1.3;
        }
        let middle = outline.centroid();
        if flat.is_empty() {
            flat.push(middle);
        }
        let radius = flat.iter().map(|point| point.distance(middle)).fold(0.0, f64::max);
        let points = flat.iter().map(|point| plane.at(*point).moved(back)).collect();
        Self { points, centre: plane.at(middle).moved(back), normal, radius }
    }

    /// The velocity at a point for a flow of 1 ml/s, m/s
    pub(super) fn pull(&self, at: VolumePoint) -> Vector3<f64> {
        let sum = self.points.iter().fold(Vector3::zeros(), |sum: Vector3<f64>, sink| {
            let way = sink.from(at);
            let square = way.norm_squared() + SOFTENED_MM2;
            sum + way / (square * square.sqrt())
        });
        sum / (TAU * self.points.len() as f64)
    }

    /// How far upstream of the wall's face a point lies, mm
    fn depth(&self, at: VolumePoint) -> f64 {
        self.normal.dot(&self.centre.from(at))
    }
}

/// How a flow agrees with what is displayed
#[derive(Clone, Copy, Debug)]
pub(super) struct Agreement {
    /// Mean cosine of the difference of phases, 1 for the same
    pub(super) score: f64,
    /// Places asked
    pub(super) places: usize,
    /// Share of the space between these speeds in which velocities are seen, 0 to 1
    pub(super) seen: f64,
}

impl Blood {
    /// The coloured blood upstream of some opening and beyond none; `None` without velocities or an apex
    pub(super) fn new(volume: &Volume4, frame: usize, openings: &[Sinks]) -> Option<Self> {
        let (velocity, scale) = volume.velocity()?;
        volume.apex?;
        let (codes, grid) = (velocity.frame(frame), &volume.grid);
        let shape = grid.shape();
        let reach = |sinks: &Sinks| FARTHEST_MM + sinks.radius;
        let mut low = [usize::MAX; 3];
        let mut high = [0usize; 3];
        for sinks in openings {
            let middle = grid.voxel_from_volume(sinks.centre).0;
            for axis in 0..3 {
                let half = reach(sinks) / grid.spacing_mm()[axis];
                let last = shape[axis] as f64 - 1.0;
                low[axis] = low[axis].min((middle[axis] - half).clamp(0.0, last) as usize);
                high[axis] = high[axis].max((middle[axis] + half).clamp(0.0, last) as usize);
            }
        }
        let box_voxels: f64 = (0..3).map(|axis| (high[axis].saturating_sub(low[axis]) + 1) as f64).product();
        // About half of the box lies upstream, most of it coloured.
        let stride = libm::cbrt(box_voxels / (3.0 * MOST_PLACES as f64)).floor().max(1.0) as usize;
        let mut places = Vec::new();
        for z in (low[2]..=high[2]).step_by(stride) {
            for y in (low[1]..=high[1]).step_by(stride) {
                for x in (low[0]..=high[0]).step_by(stride) {
                    let code = codes.at(x + shape[0] * (y + shape[1] * z));
                    let point = grid.volume_from_voxel(VoxelPoint::new(x as f64, y as f64, z as f64));
                    let near = openings.iter().any(|sinks| point.from(sinks.centre).norm() < reach(sinks));
                    if !near || openings.iter().any(|sinks| sinks.depth(point) < NEAREST_MM) {
                        continue;
                    }
                    let Some(beam) = volume.beam_at(point) else { continue };
                    let toward = |pull: Vector3<f64>| (pull, -beam.dot(&pull));
                    let pull = openings.iter().map(|sinks| toward(sinks.pull(point))).collect();
                    let phase = (code != scale.zero_code()).then(|| scale.phase(code));
                    places.push(Place { phase, pull });
                }
            }
        }
        Some(Self { places, per_speed: PI / scale.nyquist().get() })
    }

    /// How well flows agree with the phases of blood whose speed lies in a range, m/s
    pub(super) fn agreement(&self, flows_ml_s: &[f64], range_m_s: [f64; 2]) -> Agreement {
        self.explained(flows_ml_s, flows_ml_s, range_m_s)
    }

    /// How well flows agree with the phases of the blood whose speed under `held` lies in a range, m/s
    pub(super) fn explained(&self, flows_ml_s: &[f64], held: &[f64], [slow, fast]: [f64; 2]) -> Agreement {
        let (mut sum, mut places, mut all) = (0.0, 0usize, 0usize);
        for place in &self.places {
            let (velocity, toward) = place.under(held);
            let speed = velocity.norm();
            if speed < slow || speed > fast {
                continue;
            }
            all += 1;
            let Some(phase) = place.phase.filter(|_| toward.abs() >= LEAST_COSINE * speed) else { continue };
            sum += libm::cos(phase - self.per_speed * place.under(flows_ml_s).1);
            places += 1;
        }
        let share = |of: f64, all: usize| if all > 0 { of / all as f64 } else { 0.0 };
        Agreement { score: share(sum, places), places, seen: share(places as f64, all) }
    }

    /// The flow of each opening that agrees best with the phases, ml/s
    pub(super) fn flows(&self, openings: usize, least_places: usize) -> Option<Vec<f64>> {
        let step = libm::log(FLOWS_ML_S[1] / FLOWS_ML_S[0]) / (TRIED - 1) as f64;
        let score = |flows: &[f64]| {
            let found = self.agreement(flows, ASKED_M_S);
            if found.places < least_places { -1.0 } else { found.score }
        };
        let mut flows = vec![0.0; openings];
        let rounds = if openings > 1 { 4 } else { 1 };
        for round in 0..rounds {
            for index in 0..openings {
                let held = flows[index];
                let mut best = (-1.0, held);
                let tried = (0..TRIED).map(|k| FLOWS_ML_S[0] * libm::exp(step * k as f64));
                let near = |flow: &f64| round == 0 || apart(*flow, held) < 0.7;
                for flow in tried.filter(near).collect::<Vec<_>>() {
                    let mut with = flows.clone();
                    with[index] = flow;
                    let found = score(&with);
                    if found > best.0 {
                        best = (found, flow);
                    }
                }
                // Between steps: the vertex of the parabola through three scores.
                let at = |factor: f64| {
                    let mut with = flows.clone();
                    with[index] = best.1 * factor;
                    score(&with)
                };
                let (a, b, c) = (at(libm::exp(-step)), best.0, at(libm::exp(step)));
                let bend = a - 2.0 * b + c;
                let shift = if bend < -1e-12 { (0.5 * (a - c) / bend).clamp(-1.0, 1.0) } else { 0.0 };
                flows[index] = best.1 * libm::exp(shift * step);
            }
        }
        (score(&flows) > -1.0).then_some(flows)
    }
}

/// Size of the logarithm of a ratio
fn apart(flow: f64, other: f64) -> f64 {
    libm::log(flow / other.max(1e-9)).abs()
}
