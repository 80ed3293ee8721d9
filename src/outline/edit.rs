//! An outline moved, and drawn out or in.

use crate::space::CutPoint;
use crate::unit::Mm2;

use super::Outline;

impl Outline {
    /// The outline moved by a vector, mm
    pub fn moved(&self, by: CutPoint) -> Self {
        let points = self.points.iter().map(|p| CutPoint::new(p.u + by.u, p.v + by.v)).collect();
        Self { points }
    }

    /// The outline drawn out or in about its centroid to this area, mm2
    pub fn scaled_to(&self, area: Mm2) -> Self {
        let (middle, by) = (self.centroid(), (area.get() / self.area().get()).max(0.0).sqrt());
        let out = |p: f64, m: f64| m + (p - m) * by;
        Self {
            points: self
                .points
                .iter()
                .map(|p| CutPoint::new(out(p.u, middle.u), out(p.v, middle.v)))
                .collect(),
        }
    }
}
