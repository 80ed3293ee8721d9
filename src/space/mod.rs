//! The three spaces a point can live in, and the rigid maps between them.
//!
//! ```text
//!   voxel  (x, y, z)  continuous index, voxel centres at whole numbers, x fastest in memory
//!     |  Grid::volume_from_voxel
//!   volume (x, y, z)  millimetres in the volume's frame of reference
//!     |  Cut::at / Cut::project
//!   cut    (u, v)     millimetres on an oriented plane; the level runs along its normal u x v
//! ```
//!
//! A function that takes one kind of point cannot be given another: the types differ.

mod cut;
mod grid;

pub use cut::{Cut, CutPoint, perpendicular_pair, turn_about};
pub use grid::{Grid, GridError};

use nalgebra::{Point3, Unit, Vector3};

/// A unit vector in volume space
pub type Direction = Unit<Vector3<f64>>;

/// A continuous voxel index: voxel centres at whole numbers, order x, y, z
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VoxelPoint(pub Point3<f64>);

impl VoxelPoint {
    /// The point at these indices
    pub fn new(x: f64, y: f64, z: f64) -> Self {
        Self(Point3::new(x, y, z))
    }
}

/// A position in millimetres in the volume's frame of reference
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VolumePoint(pub Point3<f64>);

impl VolumePoint {
    /// The point at these millimetres
    pub fn new(x: f64, y: f64, z: f64) -> Self {
        Self(Point3::new(x, y, z))
    }

    /// This point moved by a vector in millimetres
    pub fn moved(self, by: Vector3<f64>) -> Self {
        Self(self.0 + by)
    }

    /// The vector in millimetres from `start` to this point
    pub fn from(self, start: Self) -> Vector3<f64> {
        self.0 - start.0
    }

    /// The three coordinates in millimetres
    pub fn to_array(self) -> [f64; 3] {
        [self.0.x, self.0.y, self.0.z]
    }
}

/// The direction of a vector, or `None` where it is shorter than 1e-12 or not finite
///
/// What is a unit vector already keeps its bits, so that a direction that was written is read back as it was.
pub fn direction(vector: Vector3<f64>) -> Option<Direction> {
    let length = vector.norm();
    if (length - 1.0).abs() < 1e-12 {
        return Some(Unit::new_unchecked(vector));
    }
    (length.is_finite() && length > 1e-12).then(|| Unit::new_unchecked(vector / length))
}

/// The angle in radians between two directions, 0 to pi, exact near 0 and pi
///
/// Kahan's form `2 atan2(|a - b|, |a + b|)`.
pub fn angle_between(a: &Direction, b: &Direction) -> f64 {
    2.0 * libm::atan2((a.into_inner() - b.into_inner()).norm(), (a.into_inner() + b.into_inner()).norm())
}
