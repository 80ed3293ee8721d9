//! The tilt map: the automatic tracing's area on cuts leaned in all directions.
//!
//! Each direction is traced as the en-face cut itself is, so that the map and the number beside
//! the tracing mean the same. A coarse disc comes first, a fine one while nobody asks for another.

use std::sync::Arc;

use rayon::prelude::*;

use crate::jet::Signal;
use crate::outline::Placed;
use crate::planimetry::Tracer;
use crate::review::{Base, JetId, Pose, Reader, Review, Turn};
use crate::ui::TiltMap;
use crate::volume::Volume4;

/// Largest lean of the map, degrees
const REACH_DEG: f64 = 40.0;
/// Largest area that has its own colour, in areas of the perpendicular cut
const SHOWN: f64 = 1.6;
/// Rings and spokes of the two discs
const DISCS: [(usize, usize); 2] = [(4, 12), (8, 24)];

/// What a map depends on: when two are equal, so are their maps
#[derive(Clone, Debug, PartialEq)]
pub(super) struct TiltKey {
    jet: JetId,
    frame: usize,
    cut: Pose,
    threshold: Option<f64>,
}

impl TiltKey {
    /// Whether the map is of the jet and frame that are shown
    pub(super) fn is_of(&self, place: crate::review::Place) -> bool {
        self.jet == place.jet && self.frame == place.frame
    }
}

/// A map to be made
pub(super) struct TiltJob {
    pub(super) volume: Arc<Volume4>,
    pub(super) key: TiltKey,
    base: Base,
    turn: Turn,
    upright: Review,
}

impl TiltJob {
    /// The frame it is of
    pub(super) fn frame(&self) -> usize {
        self.key.frame
    }

    /// The map of the selected jet in the current frame
    pub(super) fn new(volume: &Arc<Volume4>, review: &Review) -> Self {
        let place = review.place;
        let base = review.base(place.jet, place.frame);
        let turn = Turn { tilt: [0.0; 3], ..review.turn(place.jet) };
        let key = TiltKey {
            jet: place.jet,
            frame: place.frame,
            cut: Pose::from(&base.en_face(&turn)),
            threshold: review.work.settings.threshold,
        };
        let mut upright = review.clone();
        upright.work.turns.insert(place.jet, turn);
        Self { volume: volume.clone(), key, base, turn, upright }
    }
}

/// Makes the map, coarse and then fine; `give` takes each, `stale` says that nobody wants it any more
pub(super) fn tilts(
    job: &TiltJob,
    signal: &Signal,
    pool: &rayon::ThreadPool,
    stale: impl Fn() -> bool + Sync,
    mut give: impl FnMut(TiltMap),
) {
    // The map is drawn in the number of the panel: what its plane is at the middle.
    let proposed = Reader::new(&job.upright, job.key.frame, signal).proposal(job.key.jet);
    // Every direction is traced at the level of the middle, which may be a lower one than the usual.
    let tracer = Tracer { signal, anterior_posterior: None, threshold: job.key.threshold };
    let nothing = || map(DISCS[0].0, DISCS[0].1, &[], Vec::new(), 1.0);
    let Ok(proposed) = proposed else { return give(nothing()) };
    let core = proposed.core();
    let Ok(middle) = tracer.displayed(&job.base.en_face(&job.turn), core.as_ref()) else {
        return give(nothing());
    };
    let effective = proposed.vca.value.get() / middle.outline.area().get();
    let tracer = tracer.at(middle.level);
    for (index, (rings, spokes)) in DISCS.into_iter().enumerate() {
        let leans: Vec<[f64; 2]> = leans(rings, spokes);
        let one = |lean: &[f64; 2]| {
            if stale() { None } else { area(job, &tracer, core.as_ref(), *lean).map(|area| area * effective) }
        };
        let areas: Vec<Option<f64>> = pool.install(|| leans.par_iter().map(one).collect());
        if stale() {
            return;
        }
        let done = (index + 1) as f32 / DISCS.len() as f32;
        give(map(rings, spokes, &leans, areas, done));
    }
}

fn leans(rings: usize, spokes: usize) -> Vec<[f64; 2]> {
    let mut leans = vec![[0.0, 0.0]];
    for ring in 1..=rings {
        let lean = REACH_DEG * ring as f64 / rings as f64;
        for spoke in 0..spokes {
            let (sin, cos) = libm::sincos(std::f64::consts::TAU * spoke as f64 / spokes as f64);
            leans.push([lean * cos, lean * sin]);
        }
    }
    leans
}

fn area(job: &TiltJob, tracer: &Tracer, core: Option<&Placed>, lean: [f64; 2]) -> Option<f64> {
    let turn = job.base.with_lean(&job.turn, lean.map(f64::to_radians));
    let traced = tracer.displayed(&job.base.en_face(&turn), core).ok()?;
    Some(traced.outline.area().get())
}

fn map(rings: usize, spokes: usize, leans: &[[f64; 2]], areas: Vec<Option<f64>>, done: f32) -> TiltMap {
    let at = |ring: usize, spoke: usize| if ring == 0 { 0 } else { 1 + (ring - 1) * spokes + spoke % spokes };
    let mut triangles = Vec::new();
    for spoke in 0..spokes {
        triangles.push([0, at(1, spoke), at(1, spoke + 1)]);
        for ring in 1..rings {
            let quad = [at(ring, spoke), at(ring + 1, spoke), at(ring + 1, spoke + 1), at(ring, spoke + 1)];
            triangles.push([quad[0], quad[1], quad[2]]);
            triangles.push([quad[0], quad[2], quad[3]]);
        }
    }
    let known = areas.iter().flatten();
    let range = known.clone().copied().reduce(f64::min).zip(known.copied().reduce(f64::max));
    // Far from the jet a cut shows whatever it meets; the colours are kept for what is near.
    let range = range.map(|(low, high)| (low, areas[0].map_or(high, |middle| high.min(SHOWN * middle))));
    let five_percent = areas[0].map(|middle| within(&triangles, leans, &areas, middle)).unwrap_or_default();
    TiltMap {
        reach_deg: REACH_DEG,
        samples: leans.iter().copied().zip(areas).collect(),
        triangles,
        five_percent,
        range_mm2: range.map(|(low, high)| [low, high]),
        done,
    }
}

/// The line on which the area is 5 % off the middle's, triangle by triangle, linear in each
fn within(
    triangles: &[[usize; 3]],
    leans: &[[f64; 2]],
    areas: &[Option<f64>],
    middle: f64,
) -> Vec<[[f64; 2]; 2]> {
    let mut pieces = Vec::new();
    for level in [1.05, 0.95].map(|share| share * middle) {
        for triangle in triangles {
            let mut ends = Vec::new();
            for (a, b) in [(0, 1), (1, 2), (2, 0)].map(|(a, b)| (triangle[a], triangle[b])) {
                let (Some(from), Some(to)) = (areas[a], areas[b]) else { continue };
                if (from < level) != (to < level) {
                    let share = (level - from) / (to - from);
                    ends.push([0, 1].map(|i| leans[a][i] + share * (leans[b][i] - leans[a][i])));
                }
            }
            if let [from, to] = ends[..] {
                pieces.push([from, to]);
            }
        }
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_five_percent_line_of_a_tube_lies_where_the_cosine_says() {
        // Area A0 / cos t: 5 % more at t = acos(1 / 1.05) = 17.75 degrees (closed form).
        let leans = leans(16, 24);
        let areas: Vec<Option<f64>> = leans
            .iter()
            .map(|lean| Some(50.0 / libm::cos(libm::hypot(lean[0], lean[1]).to_radians())))
            .collect();
        let map = map(16, 24, &leans, areas, 1.0);
        assert!(!map.five_percent.is_empty());
        for end in map.five_percent.iter().flatten() {
            let tilt = libm::hypot(end[0], end[1]);
            assert!((tilt - 17.75).abs() < 0.4, "{tilt}");
        }
        let [low, high] = map.range_mm2.unwrap();
        assert!((low - 50.0).abs() < 1e-9 && (high - 50.0 / libm::cos(40f64.to_radians())).abs() < 1e-9);
        assert_eq!(map.triangles.len(), 24 + 15 * 24 * 2);
    }
}
