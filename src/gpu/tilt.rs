//! The tilt map, plainly: the area a cut shows against the direction of its normal.
//!
//! Every direction gives one cut through the neck. On it the signal is read along rays from the
//! neck outward; between two samples the signal is taken as linear, so the part of a step that lies
//! above the level is known in closed form, and the ring sector it sweeps is added. Nothing has to
//! be connected: the reach keeps other jets out, and a crescent that bends away from the neck still
//! counts whole, which a contour grown from the middle would not do. The price: what lies within
//! the reach and belongs to another jet is counted, too. It is a map to steer by; the area that is
//! reported is traced.

use rayon::prelude::*;

use crate::sample::FrameSampler;
use crate::space::{Cut, CutPoint, VolumePoint};
use crate::unit::{Mm, Mm2};
use crate::volume::{ChannelKind, Volume4};

/// What the area of a cut is measured on
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TiltField {
    /// Power, in shares of the code range
    Power,
    /// Share of coloured neighbours, 0 to 1
    Presence,
}

/// What a tilt map is made of
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TiltView {
    /// The cut of no tilt; its centre is the neck
    pub cut: Cut,
    /// What is measured
    pub field: TiltField,
    /// Counted where the field is at least this, in the field's own unit
    pub level: f64,
    /// How far from the neck is looked
    pub reach: Mm,
    /// Rays of a cut
    pub rays: usize,
    /// Steps of a ray
    pub steps: usize,
}

impl TiltView {
    /// A map of a cut with 64 rays of 48 steps
    pub fn new(cut: Cut, field: TiltField, level: f64, reach: Mm) -> Self {
        Self { cut, field, level, reach, rays: 64, steps: 48 }
    }
}

/// The directions of a tilt map: rings about no tilt, evenly spread over a disc
///
/// ```text
/// ring r of n holds 6 r directions at tilt r / n of the largest: 1 + 3 n (n + 1) in all
/// ```
#[derive(Clone, Debug, PartialEq)]
pub struct TiltDisc {
    /// (tilt, direction of the lean from the cut's `u` axis), both in radians, as [`Cut::tilted`]
    /// takes them; the first is no tilt
    pub directions: Vec<(f64, f64)>,
}

impl TiltDisc {
    /// A disc up to `largest` radians of tilt, in this many rings
    pub fn new(largest: f64, rings: usize) -> Self {
        let mut directions = vec![(0.0, 0.0)];
        for ring in 1..=rings {
            let tilt = largest * ring as f64 / rings as f64;
            for step in 0..6 * ring {
                directions.push((tilt, std::f64::consts::TAU * step as f64 / (6 * ring) as f64));
            }
        }
        Self { directions }
    }
}

/// The area of every direction's cut in one frame; `None` where the volume lacks the channel
///
/// Outside the volume there is no signal.
pub fn tilt_areas(volume: &Volume4, frame: usize, view: &TiltView, disc: &TiltDisc) -> Option<Vec<Mm2>> {
    let (kind, range) = match view.field {
        TiltField::Power => {
            let bits = volume.channel(ChannelKind::Power)?.samples().bits();
            (ChannelKind::Power, f64::from((1u32 << bits) - 1))
        }
        TiltField::Presence => (ChannelKind::Velocity, 1.0),
    };
    let sampler = FrameSampler::new(volume, kind, frame)?;
    let field = |point: VolumePoint| match view.field {
        TiltField::Power => sampler.scalar(point).unwrap_or(0.0) / range,
        TiltField::Presence => sampler.flow(point).map_or(0.0, |flow| flow.coloured),
    };
    let areas = disc
        .directions
        .par_iter()
        .map(|&(tilt, toward)| area(&view.cut.tilted(tilt, toward), view, field))
        .collect();
    Some(areas)
}

fn area(cut: &Cut, view: &TiltView, field: impl Fn(VolumePoint) -> f64) -> Mm2 {
    let step = view.reach.get() / view.steps.max(1) as f64;
    let middle = field(cut.centre()) - view.level;
    let mut halves = 0.0;
    for ray in 0..view.rays {
        let (sin, cos) = libm::sincos(std::f64::consts::TAU * ray as f64 / view.rays as f64);
        let mut before = middle;
        for i in 1..=view.steps {
            let far = i as f64 * step;
            let here = field(cut.at(CutPoint::new(far * cos, far * sin))) - view.level;
            let (from, to) = part_above(before, here);
            let (from, to) = (far - step + from * step, far - step + to * step);
            halves += to * to - from * from;
            before = here;
        }
    }
    Mm2::new(halves * std::f64::consts::PI / view.rays.max(1) as f64)
}

/// The part (from, to) of a step, 0 to 1, in which a linear signal from `a` to `b` is not negative
fn part_above(a: f64, b: f64) -> (f64, f64) {
    match (a >= 0.0, b >= 0.0) {
        (true, true) => (0.0, 1.0),
        (false, false) => (0.0, 0.0),
        (true, false) => (0.0, a / (a - b)),
        (false, true) => (a / (a - b), 1.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gpu::test_volume;

    #[test]
    fn the_disc_is_even() {
        let disc = TiltDisc::new(0.5, 4);
        assert_eq!(disc.directions.len(), 1 + 3 * 4 * 5);
        assert!(disc.directions.iter().all(|(tilt, _)| *tilt <= 0.5 + 1e-12));
    }

    #[test]
    fn a_tube_grows_with_one_over_the_cosine() {
        // A tube of radius 4 mm, linear edge: area pi r^2 / cos t for any lean (closed form).
        let (volume, cut) = test_volume::tube(4.0);
        let view =
            TiltView { rays: 180, steps: 60, ..TiltView::new(cut, TiltField::Power, 0.5, Mm::new(9.0)) };
        let disc = TiltDisc { directions: vec![(0.0, 0.0), (0.3, 1.0), (0.6, 4.0), (0.6, 0.2)] };
        let areas = tilt_areas(&volume, 0, &view, &disc).unwrap();
        for (area, (tilt, _)) in areas.iter().zip(&disc.directions) {
            let expected = std::f64::consts::PI * 16.0 / libm::cos(*tilt);
            assert!((area.get() / expected - 1.0).abs() < 0.01, "{area} of {expected} at {tilt}");
        }
        let presence = TiltView { field: TiltField::Presence, ..view };
        let areas = tilt_areas(&volume, 0, &presence, &disc).unwrap();
        // Presence ends where the power does; its edge is a voxel sharp, not linear.
        assert!((areas[0].get() / (std::f64::consts::PI * 16.0) - 1.0).abs() < 0.05, "{}", areas[0]);
        assert!(tilt_areas(&volume, 7, &view, &disc).is_none());
    }

    #[test]
    fn a_hollow_middle_counts_its_rim() {
        assert_eq!(part_above(-1.0, 1.0), (0.5, 1.0));
        assert_eq!(part_above(3.0, -1.0), (0.0, 0.75));
        assert_eq!(part_above(-1.0, -2.0), (0.0, 0.0));
    }
}
