//! An oriented plane with its own axes.

use nalgebra::{Matrix3, Rotation3, Unit, Vector3};

use super::{Direction, VolumePoint};

/// A position in millimetres on a cut
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CutPoint {
    /// Along the cut's `u` axis, mm
    pub u: f64,
    /// Along the cut's `v` axis, mm
    pub v: f64,
}

impl CutPoint {
    /// The point at these millimetres
    pub const fn new(u: f64, v: f64) -> Self {
        Self { u, v }
    }

    /// The distance in millimetres to another point
    pub fn distance(self, other: Self) -> f64 {
        libm::hypot(self.u - other.u, self.v - other.v)
    }
}

/// An oriented plane in volume space: a centre and two perpendicular in-plane axes
///
/// ```text
///      v
///      ^    normal = u x v points out of the page, toward the reader
///      |
///      +---> u
///    centre
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cut {
    centre: VolumePoint,
    u: Direction,
    v: Direction,
    /// Kept as it was given, so that a roll or another `u` leaves its bits alone
    normal: Direction,
}

impl Cut {
    /// The cut at `centre` whose normal is `normal` and whose `u` axis is `toward`, made perpendicular
    ///
    /// Where `toward` is parallel to the normal, another perpendicular direction is taken.
    pub fn new(centre: VolumePoint, normal: Direction, toward: Vector3<f64>) -> Self {
        let flat = toward - normal.into_inner() * normal.dot(&toward);
        let u = super::direction(flat)
            .filter(|_| flat.norm() > 1e-9 * toward.norm())
            .unwrap_or_else(|| perpendicular_pair(normal).0);
        let v = Unit::new_normalize(normal.cross(&u));
        Self { centre, u, v, normal }
    }

    /// The cut perpendicular to `axis` with in-plane axes chosen by a fixed rule
    pub fn perpendicular_to(centre: VolumePoint, axis: Direction) -> Self {
        let (u, v) = perpendicular_pair(axis);
        Self { centre, u, v, normal: axis }
    }

    /// Where the in-plane axes start
    pub fn centre(&self) -> VolumePoint {
        self.centre
    }

    /// The first in-plane axis
    pub fn u(&self) -> Direction {
        self.u
    }

    /// The second in-plane axis
    pub fn v(&self) -> Direction {
        self.v
    }

    /// The direction u x v
    pub fn normal(&self) -> Direction {
        self.normal
    }

    /// The position in volume space of a point on the cut
    pub fn at(&self, point: CutPoint) -> VolumePoint {
        self.centre.moved(self.u.into_inner() * point.u + self.v.into_inner() * point.v)
    }

    /// The foot of a point on this cut, and its level along the normal in millimetres
    pub fn project(&self, point: VolumePoint) -> (CutPoint, f64) {
        let offset = point.from(self.centre);
        (CutPoint::new(self.u.dot(&offset), self.v.dot(&offset)), self.normal().dot(&offset))
    }

    /// The same cut moved along its normal
    pub fn at_level(&self, level_mm: f64) -> Self {
        let centre = self.centre.moved(self.normal().into_inner() * level_mm);
        Self { centre, ..*self }
    }

    /// The same cut with another centre
    pub fn centred(&self, centre: VolumePoint) -> Self {
        Self { centre, ..*self }
    }

    /// The cut turned about its centre: its normal leans by `tilt` toward the in-plane direction
    /// that lies `toward` radians from `u`
    pub fn tilted(&self, tilt: f64, toward: f64) -> Self {
        let lean = self.u.into_inner() * libm::cos(toward) + self.v.into_inner() * libm::sin(toward);
        let hinge = Unit::new_normalize(self.normal.cross(&lean));
        let turn = turn_about(&hinge, tilt);
        Self { u: turn * self.u, v: turn * self.v, normal: turn * self.normal, ..*self }
    }

    /// The cut rolled in its own plane by `roll` radians, counter-clockwise seen against the normal
    pub fn rolled(&self, roll: f64) -> Self {
        let turn = turn_about(&self.normal, roll);
        Self { u: turn * self.u, v: turn * self.v, ..*self }
    }
}

/// The rotation by `angle` radians about an axis, right-handed (Rodrigues), the same on every machine
pub fn turn_about(axis: &Direction, angle: f64) -> Rotation3<f64> {
    let (sin, cos) = libm::sincos(angle);
    let cross = axis.cross_matrix();
    Rotation3::from_matrix_unchecked(Matrix3::identity() + cross * sin + cross * cross * (1.0 - cos))
}

/// Two directions that with `axis` form a right-handed frame (u, v, axis), by a fixed rule
///
/// The rule takes the coordinate axis least along `axis`, so the pair is the same on every machine.
pub fn perpendicular_pair(axis: Direction) -> (Direction, Direction) {
    let [x, y, z] = [axis.x.abs(), axis.y.abs(), axis.z.abs()];
    let helper = if x <= y && x <= z {
        Vector3::x()
    } else if y <= z {
        Vector3::y()
    } else {
        Vector3::z()
    };
    let u = Unit::new_normalize(helper - axis.into_inner() * axis.dot(&helper));
    let v = Unit::new_normalize(axis.cross(&u));
    (u, v)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn oblique() -> Cut {
        let normal = Unit::new_normalize(Vector3::new(0.2, -0.4, 0.8));
        Cut::new(VolumePoint::new(1.0, 2.0, 3.0), normal, Vector3::x())
    }

    #[test]
    fn a_cut_is_right_handed_and_projects_back() {
        let cut = oblique();
        assert!(cut.u().dot(&cut.v()).abs() < 1e-12);
        let point = CutPoint::new(4.0, -2.5);
        let (back, level) = cut.project(cut.at(point));
        assert!(back.distance(point) < 1e-12 && level.abs() < 1e-12);
        assert!((cut.at_level(2.0).project(cut.at(point)).1 + 2.0).abs() < 1e-12);
    }

    #[test]
    fn tilting_leans_the_normal_by_that_angle_and_direction() {
        let cut = oblique();
        let tilt = 0.3;
        let leaned = cut.tilted(tilt, 0.0);
        assert!((super::super::angle_between(&cut.normal(), &leaned.normal()) - tilt).abs() < 1e-12);
        assert!((leaned.normal().dot(&cut.u()) - libm::sin(tilt)).abs() < 1e-12);
        let rolled = cut.rolled(0.5);
        assert_eq!(cut.normal(), rolled.normal());
        assert_eq!(cut.tilted(0.0, 1.0), cut);
    }

    #[test]
    fn a_parallel_hint_still_gives_a_frame() {
        let normal = Vector3::z_axis();
        let cut = Cut::new(VolumePoint::new(0.0, 0.0, 0.0), normal, Vector3::z());
        assert!(cut.u().dot(&normal).abs() < 1e-12);
    }
}
