//! The convex hull and the calipers that turn around it.

use crate::space::CutPoint;
use crate::unit::Mm;

use super::Outline;
use super::valid::turn;

/// Caliper widths of an outline
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Feret {
    /// Largest caliper width
    pub max: Mm,
    /// Unit vector along the largest width, u >= 0
    pub max_direction: CutPoint,
    /// Smallest caliper width
    pub min: Mm,
    /// Unit vector along the smallest width (perpendicular to the jaws), u >= 0
    pub min_direction: CutPoint,
}

/// A direction and its opposite are the same width: the one with u >= 0
fn half_turn(u: f64, v: f64) -> CutPoint {
    let length = libm::hypot(u, v);
    let sign = if u < 0.0 || (u == 0.0 && v < 0.0) { -1.0 } else { 1.0 };
    CutPoint::new(sign * u / length, sign * v / length)
}

impl Outline {
    /// The convex hull (monotone chain, Andrew 1979), without points inside its edges
    pub fn hull(&self) -> Outline {
        let mut sorted = self.points.clone();
        sorted.sort_by(|a, b| a.u.total_cmp(&b.u).then(a.v.total_cmp(&b.v)));
        let mut hull: Vec<CutPoint> = Vec::with_capacity(sorted.len());
        let chain = |hull: &mut Vec<CutPoint>, points: &mut dyn Iterator<Item = &CutPoint>| {
            let start = hull.len();
            for &p in points {
                while hull.len() >= start + 2 && turn(hull[hull.len() - 2], hull[hull.len() - 1], p) <= 0.0 {
                    hull.pop();
                }
                hull.push(p);
            }
            hull.pop();
        };
        chain(&mut hull, &mut sorted.iter());
        chain(&mut hull, &mut sorted.iter().rev());
        Outline { points: hull }
    }

    /// Largest and smallest caliper width, by calipers turning around the hull (Shamos 1978)
    pub fn feret(&self) -> Feret {
        let hull = self.hull().points;
        let count = hull.len();
        let next = |i: usize| (i + 1) % count;
        let (mut max, mut min) = ((0.0, CutPoint::new(1.0, 0.0)), (f64::INFINITY, CutPoint::new(1.0, 0.0)));
        let mut far = 1;
        for i in 0..count {
            let (a, b) = (hull[i], hull[next(i)]);
            // The farthest corner from this edge; it only moves on as the edge does.
            let mut steps = 0;
            while turn(a, b, hull[next(far)]) > turn(a, b, hull[far]) && steps < count {
                far = next(far);
                steps += 1;
            }
            let length = a.distance(b);
            let width = turn(a, b, hull[far]) / length;
            if width < min.0 {
                min = (width, half_turn(a.v - b.v, b.u - a.u));
            }
            // The next corner too: where two edges are parallel both are farthest.
            for other in [hull[far], hull[next(far)]] {
                for end in [a, b] {
                    let distance = end.distance(other);
                    if distance > max.0 {
                        max = (distance, half_turn(other.u - end.u, other.v - end.v));
                    }
                }
            }
        }
        Feret { max: Mm::new(max.0), max_direction: max.1, min: Mm::new(min.0), min_direction: min.1 }
    }

    /// The caliper width along a direction (need not be a unit vector), mm; zero for a zero vector
    pub fn width_along(&self, direction: CutPoint) -> Mm {
        let length = libm::hypot(direction.u, direction.v);
        if !(length > 0.0 && length.is_finite()) {
            return Mm::ZERO;
        }
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for p in &self.points {
            let along = (p.u * direction.u + p.v * direction.v) / length;
            low = low.min(along);
            high = high.max(along);
        }
        Mm::new(high - low)
    }
}
