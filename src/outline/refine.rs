//! The same shape with other corners: evenly spaced, fewer, or smoother.

use crate::space::CutPoint;
use crate::unit::{Mm, Mm2};

use super::measure::twice_signed_area;
use super::{Outline, OutlineError};

impl Outline {
    /// Corners evenly spaced along the outline, as near to `spacing` as a whole number of them
    /// allows (at least three); the first corner stays
    ///
    /// # Errors
    /// A spacing that is not positive or asks for more than 100 000 corners; a spacing so coarse
    /// that the result crosses itself.
    pub fn resampled(&self, spacing: Mm) -> Result<Self, OutlineError> {
        let perimeter = self.perimeter();
        let count = (perimeter / spacing).round().max(3.0);
        if !(spacing > Mm::ZERO && count <= 1e5) {
            return Err(OutlineError::Length(spacing.get(), "spacing"));
        }
        let step = perimeter.get() / count;
        let mut points = Vec::with_capacity(count as usize);
        let (mut walked, mut wanted) = (0.0, 0.0);
        for (a, b) in self.edges() {
            let length = a.distance(b);
            while points.len() < count as usize && wanted < walked + length {
                let share = ((wanted - walked) / length).clamp(0.0, 1.0);
                points.push(CutPoint::new(a.u + share * (b.u - a.u), a.v + share * (b.v - a.v)));
                wanted = step * points.len() as f64;
            }
            walked += length;
        }
        Self::new(points)
    }

    /// Fewer corners: no dropped corner lies farther than `tolerance` from the line that replaces it
    /// (Douglas & Peucker 1973, begun at the two corners farthest apart)
    ///
    /// # Errors
    /// A tolerance that is negative or not a number, or so coarse that the result is no outline.
    pub fn simplified(&self, tolerance: Mm) -> Result<Self, OutlineError> {
        if !(tolerance >= Mm::ZERO && tolerance.is_finite()) {
            return Err(OutlineError::Length(tolerance.get(), "tolerance"));
        }
        let count = self.points.len();
        let at = |i: usize| self.points[i % count];
        let farthest_from = |i: usize| {
            (0..count).fold(i, |far, j| if at(i).distance(at(j)) > at(i).distance(at(far)) { j } else { far })
        };
        let first = farthest_from(0);
        let second = farthest_from(first);
        let (low, high) = (first.min(second), first.max(second));
        let mut kept = vec![false; count];
        kept[low] = true;
        kept[high] = true;
        let mut todo = vec![(low, high), (high, low + count)];
        while let Some((from, to)) = todo.pop() {
            let far = (from + 1..to)
                .map(|i| (distance_to_segment(at(i), at(from), at(to)), i))
                .fold((0.0, from), |best, next| if next.0 > best.0 { next } else { best });
            if far.0 > tolerance.get() {
                kept[far.1 % count] = true;
                todo.push((from, far.1));
                todo.push((far.1, to));
            }
        }
        Self::new((0..count).filter(|i| kept[*i]).map(at).collect())
    }

    /// Smoother corners at the same area: each round takes a quarter of both neighbours and half of
    /// the corner itself, then moves all corners along their normals to restore the area
    ///
    /// Meant for evenly spaced corners; see [`Outline::resampled`].
    ///
    /// # Errors
    /// Where the smoothed ring is no outline (very thin shapes).
    pub fn smoothed(&self, rounds: usize) -> Result<Self, OutlineError> {
        let count = self.points.len();
        let goal = twice_signed_area(&self.points) / 2.0;
        let mut points = self.points.clone();
        for _ in 0..rounds {
            points = (0..count)
                .map(|i| {
                    let (a, b, c) = (points[(i + count - 1) % count], points[i], points[(i + 1) % count]);
                    CutPoint::new((a.u + 2.0 * b.u + c.u) / 4.0, (a.v + 2.0 * b.v + c.v) / 4.0)
                })
                .collect();
            points = restored(points, goal);
        }
        scaled(points, goal)
    }

    /// Fewer corners at the same area: as [`Outline::simplified`], whose corners lie on the outline and so lose what is
    /// round, then all corners moved along their normals to restore the area
    ///
    /// # Errors
    /// As [`Outline::simplified`].
    pub fn thinned(&self, tolerance: Mm) -> Result<Self, OutlineError> {
        let goal = twice_signed_area(&self.points) / 2.0;
        scaled(restored(self.simplified(tolerance)?.points, goal), goal)
    }

    /// With no more corners than a hand wants to drag, the area kept: thinned by [`TOLERANCE`] where that can be
    #[must_use]
    pub fn with_few_vertices(&self) -> Self {
        self.thinned(TOLERANCE).unwrap_or_else(|_| self.clone())
    }
}

/// How far an outline that is brought to few vertices may lie from its exact place: a tenth of a fine voxel
pub const TOLERANCE: Mm = Mm::new(0.03);

/// The points moved along their normals until the area is `goal`, but for a little
fn restored(mut points: Vec<CutPoint>, goal: f64) -> Vec<CutPoint> {
    for _ in 0..3 {
        points = inflated(&points, goal);
    }
    points
}

/// The outline of points scaled uniformly to an area: what [`restored`] leaves is far below a micrometre
fn scaled(points: Vec<CutPoint>, goal: f64) -> Result<Outline, OutlineError> {
    Ok(Outline::new(points)?.scaled_to(Mm2::new(goal)))
}

/// All points moved outward by the distance that brings the area to `goal` to first order
fn inflated(points: &[CutPoint], goal: f64) -> Vec<CutPoint> {
    let count = points.len();
    let missing = goal - twice_signed_area(points) / 2.0;
    // The edge from the point before to the point after, turned to the right, is the normal; half its
    // length is the outline's length at the point.
    let edge = |i: usize| {
        let (a, c) = (points[(i + count - 1) % count], points[(i + 1) % count]);
        (c.u - a.u, c.v - a.v)
    };
    let length: f64 = (0..count).map(|i| libm::hypot(edge(i).0, edge(i).1) / 2.0).sum();
    if length <= 0.0 {
        return points.to_vec();
    }
    let by = missing / length;
    (0..count)
        .map(|i| {
            let (u, v) = edge(i);
            let norm = libm::hypot(u, v);
            if norm <= 0.0 {
                return points[i];
            }
            CutPoint::new(points[i].u + by * v / norm, points[i].v - by * u / norm)
        })
        .collect()
}

/// The distance of a point from the segment between a and b
pub(super) fn distance_to_segment(p: CutPoint, a: CutPoint, b: CutPoint) -> f64 {
    p.distance(nearest_on_segment(p, a, b))
}

/// The point of the segment between a and b nearest to p
pub(super) fn nearest_on_segment(p: CutPoint, a: CutPoint, b: CutPoint) -> CutPoint {
    let (du, dv) = (b.u - a.u, b.v - a.v);
    let square = du * du + dv * dv;
    let share = if square > 0.0 { ((p.u - a.u) * du + (p.v - a.v) * dv) / square } else { 0.0 };
    let share = share.clamp(0.0, 1.0);
    CutPoint::new(a.u + share * du, a.v + share * dv)
}
