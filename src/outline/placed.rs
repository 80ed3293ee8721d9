//! Outlines on their planes: whether two are of one orifice.

use crate::sample::Raster;
use crate::space::{Cut, VolumePoint};
use crate::unit::Mm;

use super::Outline;

/// An outline and the plane that it lies on
#[derive(Clone, Debug)]
pub struct Placed {
    /// The plane
    pub plane: Cut,
    /// The outline, in the plane's coordinates
    pub outline: Outline,
}

impl Placed {
    /// Whether a point lies within it, seen along the plane's normal
    pub fn holds(&self, point: VolumePoint) -> bool {
        self.outline.contains(self.plane.project(point).0)
    }

    /// Whether another lies near this one along the flow: farther downstream it may be another's
    pub fn is_near(&self, other: &Self) -> bool {
        /// mm (our own choice: a jet reaches farther than that, and its plane may have been laid anywhere on it)
        const LEVEL: f64 = 15.0;
        self.plane.project(other.plane.at(other.outline.centroid())).1.abs() < LEVEL
    }

    /// Whether both are of one orifice, since two do not overlap: they share more than a tenth of the smaller, seen
    /// along the normal
    pub fn is_over(&self, other: &Self) -> bool {
        /// Of the smaller area (our own choice: drawn by hand, two neighbouring orifices may touch)
        const SHARED: f64 = 0.1;
        let onto = other.outline.points().iter().map(|point| self.plane.project(other.plane.at(*point)).0);
        let Ok(other) = Outline::new(onto.collect()) else { return false };
        let own = &self.outline;
        let apart = |axis: usize| {
            let ([a, b], [c, d]) = (own.bounds()[axis], other.bounds()[axis]);
            a > d || c > b
        };
        if apart(0) || apart(1) {
            return false;
        }
        let far =
            |outline: &Outline| outline.bounds().into_iter().flatten().fold(0.0, |m: f64, x| m.max(x.abs()));
        let raster = Raster::square(Mm::new(2.0 * far(own).max(far(&other)).min(200.0) + 1.0), Mm::new(0.5));
        let (a, b) = (own.coverage(&raster), other.coverage(&raster));
        let shared: f64 = a.data().iter().zip(b.data()).map(|(a, b)| a.min(*b)).sum();
        shared * raster.pixel.get().powi(2) > SHARED * own.area().get().min(other.area().get())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::space::{CutPoint, Direction};
    use nalgebra::Vector3;

    /// A circle of 3 mm radius about a place, on a plane across z
    fn circle(x: f64, z: f64) -> Placed {
        let plane =
            Cut::perpendicular_to(VolumePoint::new(x, 0.0, z), Direction::new_normalize(Vector3::z()));
        Placed { plane, outline: Outline::regular(CutPoint::default(), 3.0, 40).unwrap() }
    }

    #[test]
    fn two_circles_are_of_one_orifice_from_a_tenth_shared_on() {
        // Circles of radius r share 2 r^2 acos(d/2r) - d/2 sqrt(4 r^2 - d^2): 6.8 % of one at d = 5.1 and 13.0 % at d = 4.6.
        let one = circle(0.0, 0.0);
        assert!(!one.is_over(&circle(5.1, 0.0)) && one.is_over(&circle(4.6, 0.0)));
        assert!(!one.is_over(&circle(20.0, 0.0)));
        // What lies before or behind it is seen along the flow.
        assert!(
            one.is_over(&circle(1.0, 6.0))
                && one.is_near(&circle(1.0, 6.0))
                && !one.is_near(&circle(0.0, 16.0))
        );
        assert!(one.holds(VolumePoint::new(2.9, 0.0, 4.0)) && !one.holds(VolumePoint::new(3.1, 0.0, 0.0)));
    }
}
