//! Growing and shrinking by a distance.
//!
//! The set of points at signed distance `d` is traced in a field of exact distances, then every
//! vertex is pulled onto that distance. Bent shapes that close on themselves, corners that round
//! off and parts that vanish come out right without a special case. Where the distance cannot
//! change sign within a block of the field, the block is filled with one value (a distance changes
//! by no more than one takes steps), so the cost follows the length of the outline.

use crate::numeric::Image;
use crate::numeric::contour::{IsoRing, iso_rings, signed_area};
use crate::space::CutPoint;
use crate::unit::{Mm, Mm2};

use super::refine::nearest_on_segment;
use super::{Outline, OutlineError};

/// Field points along the longer side
const ACROSS: f64 = 160.0;
/// Field points through the mean width of a shape that shrinks
const THROUGH: f64 = 24.0;
/// Field points along the side of a block
const BLOCK: usize = 8;

impl Outline {
    /// The distance to the outline, mm: positive outside, negative inside
    pub fn signed_distance(&self, point: CutPoint) -> Mm {
        let (nearest, sign) = self.nearest(point);
        Mm::new(sign * point.distance(nearest))
    }

    /// The nearest point of the outline, and -1 inside, 1 outside
    fn nearest(&self, point: CutPoint) -> (CutPoint, f64) {
        let mut best = (f64::INFINITY, self.points[0]);
        let mut inside = false;
        for (a, b) in self.edges() {
            let q = nearest_on_segment(point, a, b);
            let (du, dv) = (point.u - q.u, point.v - q.v);
            let square = du * du + dv * dv;
            if square < best.0 {
                best = (square, q);
            }
            if (a.v > point.v) != (b.v > point.v) {
                inside ^= point.u < a.u + (point.v - a.v) / (b.v - a.v) * (b.u - a.u);
            }
        }
        (best.1, if inside { -1.0 } else { 1.0 })
    }

    /// The outline grown by `distance`, or shrunk where it is negative
    ///
    /// Convex corners come out round when growing, concave ones when shrinking (the parallel curve).
    ///
    /// # Errors
    /// A distance that is not finite; nothing left; more than one ring (a part that pinched off, or a
    /// hole that closed): [`Outline::offset_area`] still has an answer then.
    pub fn offset(&self, distance: Mm) -> Result<Self, OutlineError> {
        if !distance.is_finite() {
            return Err(OutlineError::Length(distance.get(), "offset"));
        }
        if distance == Mm::ZERO {
            return Ok(self.clone());
        }
        let rings = self.offset_rings(distance.get());
        match rings.as_slice() {
            [] => Err(OutlineError::Vanished(-distance.get())),
            [ring] => Self::new(self.pulled(ring, distance.get())).or_else(|_| Self::new(ring.clone())),
            rings => Err(OutlineError::Split { distance: distance.get(), pieces: rings.len() }),
        }
    }

    /// The area within `distance` of the outline's inside (less than its own area where negative),
    /// over all parts and without holes; zero where nothing is left
    pub fn offset_area(&self, distance: Mm) -> Mm2 {
        if distance == Mm::ZERO || !distance.is_finite() {
            return self.area();
        }
        let rings = self.offset_rings(distance.get());
        let area = |ring: &Vec<CutPoint>| {
            let pairs: Vec<[f64; 2]> = self.pulled(ring, distance.get()).iter().map(|p| [p.u, p.v]).collect();
            signed_area(&pairs)
        };
        Mm2::new(rings.iter().map(area).sum::<f64>().max(0.0))
    }

    /// The rings at a signed distance, as traced in the field
    fn offset_rings(&self, distance: f64) -> Vec<Vec<CutPoint>> {
        let [[u0, u1], [v0, v1]] = self.bounds();
        let grow = distance.max(0.0);
        let step = (u1 - u0).max(v1 - v0).max(f64::MIN_POSITIVE) / ACROSS;
        // What is left of a thin shape needs a field finer than its mean width, `2 area / perimeter`.
        let thin = 2.0 * self.area().get() / self.perimeter().get() / THROUGH;
        let step = if distance < 0.0 { step.min(thin).max(step / 8.0) } else { step };
        // A growth of many times the size needs no finer field than its own size.
        let step = step.max(grow / ACROSS);
        let margin = grow + 2.5 * step;
        let (u0, v0) = (u0 - margin, v0 - margin);
        let width = ((u1 + margin - u0) / step).ceil() as usize + 1;
        let height = ((v1 + margin - v0) / step).ceil() as usize + 1;
        let place = |x: f64, y: f64| CutPoint::new(u0 + x * step, v0 + y * step);
        let mut field = Image::filled(width, height, 0.0);
        for by in (0..height).step_by(BLOCK) {
            for bx in (0..width).step_by(BLOCK) {
                let (xs, ys) = (bx..(bx + BLOCK).min(width), by..(by + BLOCK).min(height));
                let half = (BLOCK as f64 - 1.0) / 2.0;
                let middle = self.signed_distance(place(bx as f64 + half, by as f64 + half)).get();
                let reach = (half * std::f64::consts::SQRT_2 + 1.5) * step;
                let far = (middle - distance).abs() > reach;
                for y in ys {
                    for x in xs.clone() {
                        let value =
                            if far { middle } else { self.signed_distance(place(x as f64, y as f64)).get() };
                        field.set(x, y, -value);
                    }
                }
            }
        }
        // Specks below a field cell are noise of the tracing, not parts.
        iso_rings(&field, -distance)
            .into_iter()
            .filter(|ring| ring.signed_area().abs() > 0.25)
            .map(|ring: IsoRing| ring.points.iter().map(|[x, y]| place(*x, *y)).collect())
            .collect()
    }

    /// Points near the signed distance, pulled onto it
    fn pulled(&self, ring: &[CutPoint], distance: f64) -> Vec<CutPoint> {
        ring.iter()
            .map(|&p| {
                let (q, sign) = self.nearest(p);
                let length = p.distance(q);
                if sign * distance <= 0.0 || length < 0.1 * distance.abs() {
                    return p;
                }
                let share = distance.abs() / length;
                CutPoint::new(q.u + share * (p.u - q.u), q.v + share * (p.v - q.v))
            })
            .collect()
    }
}
