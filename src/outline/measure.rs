//! Area, perimeter, centre, moments and the shape numbers.

use crate::space::CutPoint;
use crate::unit::{Mm, Mm2};

use super::Outline;

/// Second moments of the enclosed area about its centroid
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SecondMoments {
    /// Mean square distance along the major axis, mm2 (a²/4 for an ellipse of semi-axis a)
    pub major: Mm2,
    /// Mean square distance along the minor axis, mm2
    pub minor: Mm2,
    /// Unit vector along the major axis, u >= 0
    pub direction: CutPoint,
}

/// Twice the area, positive counter-clockwise: shoelace shifted to the first point, so that a
/// polygon far from the origin loses no digits
pub(super) fn twice_signed_area(points: &[CutPoint]) -> f64 {
    let Some(&o) = points.first() else { return 0.0 };
    points.windows(2).map(|e| (e[0].u - o.u) * (e[1].v - o.v) - (e[1].u - o.u) * (e[0].v - o.v)).sum()
}

impl Outline {
    /// The enclosed area, mm2 (shoelace formula, exact for the polygon)
    pub fn area(&self) -> Mm2 {
        Mm2::new(twice_signed_area(&self.points) / 2.0)
    }

    /// The length of the outline, mm
    pub fn perimeter(&self) -> Mm {
        Mm::new(self.edges().map(|(a, b)| a.distance(b)).sum())
    }

    /// The centre of gravity of the enclosed area, mm
    pub fn centroid(&self) -> CutPoint {
        let o = self.points[0];
        let (mut u, mut v) = (0.0, 0.0);
        for (a, b) in self.edges() {
            let (a, b) = (CutPoint::new(a.u - o.u, a.v - o.v), CutPoint::new(b.u - o.u, b.v - o.v));
            let cross = a.u * b.v - b.u * a.v;
            u += (a.u + b.u) * cross;
            v += (a.v + b.v) * cross;
        }
        let six = 3.0 * twice_signed_area(&self.points);
        CutPoint::new(o.u + u / six, o.v + v / six)
    }

    /// Second moments of the enclosed area about its centroid (Green's theorem on each edge)
    pub fn second_moments(&self) -> SecondMoments {
        let c = self.centroid();
        let (mut uu, mut vv, mut uv) = (0.0, 0.0, 0.0);
        for (a, b) in self.edges() {
            let (a, b) = (CutPoint::new(a.u - c.u, a.v - c.v), CutPoint::new(b.u - c.u, b.v - c.v));
            let cross = a.u * b.v - b.u * a.v;
            uu += cross * (a.u * a.u + a.u * b.u + b.u * b.u) / 12.0;
            vv += cross * (a.v * a.v + a.v * b.v + b.v * b.v) / 12.0;
            uv += cross * (2.0 * (a.u * a.v + b.u * b.v) + a.u * b.v + b.u * a.v) / 24.0;
        }
        let area = self.area().get();
        let (uu, vv, uv) = (uu / area, vv / area, uv / area);
        let (mean, half) = (f64::midpoint(uu, vv), libm::hypot((uu - vv) / 2.0, uv));
        let angle = libm::atan2(uv, (uu - vv) / 2.0) / 2.0;
        let (sin, cos) = libm::sincos(angle);
        SecondMoments {
            major: Mm2::new(mean + half),
            minor: Mm2::new((mean - half).max(0.0)),
            direction: CutPoint::new(cos, sin),
        }
    }

    /// Area over the area of the convex hull, 0 to 1; 1 for convex shapes
    pub fn solidity(&self) -> f64 {
        (self.area() / self.hull().area()).min(1.0)
    }

    /// `4 pi area / perimeter²`: 1 for a circle, less for anything else
    pub fn circularity(&self) -> f64 {
        let perimeter = self.perimeter();
        4.0 * std::f64::consts::PI * (self.area() / (perimeter * perimeter))
    }

    /// Whether the point lies inside (even-odd rule; a point on the outline may count either way)
    pub fn contains(&self, point: CutPoint) -> bool {
        let mut inside = false;
        for (a, b) in self.edges() {
            if (a.v > point.v) != (b.v > point.v) {
                let u = a.u + (point.v - a.v) / (b.v - a.v) * (b.u - a.u);
                inside ^= point.u < u;
            }
        }
        inside
    }

    /// Lowest and highest u and v of the corners, mm: `[[u0, u1], [v0, v1]]`
    pub fn bounds(&self) -> [[f64; 2]; 2] {
        let mut bounds = [[f64::INFINITY, f64::NEG_INFINITY]; 2];
        for p in &self.points {
            for (bound, value) in bounds.iter_mut().zip([p.u, p.v]) {
                *bound = [bound[0].min(value), bound[1].max(value)];
            }
        }
        bounds
    }
}
