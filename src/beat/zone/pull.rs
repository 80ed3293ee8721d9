//! Which way blood runs upstream: the pull of the opening.
//!
//! Only the component along the beam is seen, so the direction must come from somewhere else. It is
//! that of an ideal fluid drawn into the traced opening from a half-space, each piece of the opening
//! pulling alike: the sum of `(piece - point) / |piece - point|^3`. Far away it points to the centre; near an
//! elongated opening it does not, and there "toward the centre" would be wrong by tens of degrees.

use std::f64::consts::PI;

use nalgebra::Vector3;
use wide::f32x8;

use crate::outline::Outline;
use crate::space::{Cut, CutPoint, Direction, VolumePoint};

/// About so many pieces
const PIECES: f64 = 60.0;

/// An opening cut into pieces, at a place along the axis
#[derive(Clone, Debug)]
pub(super) struct Pull {
    /// The middle of the opening
    centre: VolumePoint,
    /// Eight pieces at once, from the centre: this is the innermost loop of the convergence, and single
    /// precision is a millionth of what the direction is known to
    pieces: Vec<[f32x8; 3]>,
    /// 1 for each piece, 0 for what fills up the last eight
    weights: Vec<f32x8>,
    /// Pieces
    count: usize,
    /// Square of a length that is small against a piece, mm2: nearer than that the pull is held
    soft: f32,
}

impl Pull {
    /// The pull of an outline on a cut, per unit of flow
    ///
    /// The outline's own points stand in where it is too small to hold a piece.
    pub(super) fn new(cut: &Cut, outline: &Outline) -> Self {
        let area = outline.area().get().max(1e-6);
        let step = (area / PIECES).sqrt();
        let [[u0, u1], [v0, v1]] = outline.bounds();
        let mut inside = Vec::new();
        let count = |low: f64, high: f64| (((high - low) / step).ceil() as usize).clamp(1, 200);
        for i in 0..count(v0, v1) {
            for j in 0..count(u0, u1) {
                let point = CutPoint::new(u0 + (j as f64 + 0.5) * step, v0 + (i as f64 + 0.5) * step);
                if outline.contains(point) {
                    inside.push(point);
                }
            }
        }
        if inside.is_empty() {
            inside.extend_from_slice(outline.points());
        }
        let points: Vec<VolumePoint> = inside.into_iter().map(|p| cut.at(p)).collect();
        let count = points.len().max(1);
        let sum = points.iter().fold(Vector3::zeros(), |sum, p| sum + p.0.coords);
        let centre = VolumePoint((sum / count as f64).into());
        let (mut pieces, mut weights) = (Vec::new(), Vec::new());
        for eight in points.chunks(8) {
            let from = |i: usize| eight.get(i).map_or(Vector3::zeros(), |p| p.from(centre));
            pieces.push([0, 1, 2].map(|a| f32x8::new(std::array::from_fn(|i| from(i)[a] as f32))));
            weights.push(f32x8::new(std::array::from_fn(|i| if i < eight.len() { 1.0 } else { 0.0 })));
        }
        Self { centre, pieces, weights, count, soft: (step * step / 50.0) as f32 }
    }

    /// The same opening moved by a length along a direction
    pub(super) fn moved(&self, along: Direction, mm: f64) -> Self {
        Self { centre: self.centre.moved(along.into_inner() * mm), ..self.clone() }
    }

    /// Velocity at a point for a flow of 1 (per square millimetre): direction and size
    pub(super) fn at(&self, point: VolumePoint) -> Vector3<f64> {
        let away = point.from(self.centre);
        let [x, y, z] = [away.x, away.y, away.z].map(|a| f32x8::splat(a as f32));
        let soft = f32x8::splat(self.soft);
        let (mut u, mut v, mut w) = (f32x8::ZERO, f32x8::ZERO, f32x8::ZERO);
        for (piece, weight) in self.pieces.iter().zip(&self.weights) {
            let (dx, dy, dz) = (piece[0] - x, piece[1] - y, piece[2] - z);
            let r2 = dx * dx + dy * dy + dz * dz + soft;
            let pull = *weight / (r2 * r2.sqrt());
            u += dx * pull;
            v += dy * pull;
            w += dz * pull;
        }
        let sum = [u, v, w].map(|a| f64::from(a.reduce_add()));
        Vector3::from(sum) / (2.0 * PI * self.count as f64)
    }

    /// The middle of the opening
    pub(super) fn centre(&self) -> VolumePoint {
        self.centre
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::space::perpendicular_pair;

    #[test]
    fn far_away_it_is_a_hemisphere_and_on_the_axis_of_a_disc_the_closed_form() {
        let cut = Cut::perpendicular_to(VolumePoint::new(1.0, 2.0, 3.0), Vector3::z_axis());
        let disc = Outline::regular(CutPoint::default(), 4.0, 90).unwrap();
        let pull = Pull::new(&cut, &disc);
        let far = pull.at(VolumePoint::new(1.0, 2.0, 43.0));
        assert!((far.norm() * 2.0 * PI * 1600.0 - 1.0).abs() < 0.02 && far.z < 0.0);
        // On the axis of a disc of radius a: (1 - w / sqrt(a^2 + w^2)) / (pi a^2).
        for w in [2.0, 5.0, 10.0] {
            let closed = (1.0 - w / libm::hypot(4.0, w)) / (PI * 16.0);
            let found = pull.at(VolumePoint::new(1.0, 2.0, 3.0 + w));
            assert!((found.norm() / closed - 1.0).abs() < 0.03, "{w}");
        }
        let (u, _) = perpendicular_pair(Vector3::z_axis());
        let moved = pull.moved(u, 2.0).centre().from(pull.centre());
        assert!((moved - u.into_inner() * 2.0).norm() < 1e-12);
    }
}
