//! The sampling grid of a volume and its map to millimetres.

use nalgebra::{Matrix3, Point3, Unit, Vector3};

use super::{Direction, VolumePoint, VoxelPoint};

/// A regular grid: shape, spacing, and the rigid pose of its axes
///
/// ```text
///        axes[2] (z, slices)
///          ^   ^ axes[1] (y, rows)
///          |  /
///   origin +----> axes[0] (x, columns)     origin = centre of voxel (0, 0, 0)
/// ```
///
/// ```
/// # use narrows::space::{Grid, VoxelPoint};
/// let grid = Grid::axis_aligned([64, 64, 48], [0.5, 0.5, 0.6], [10.0, 0.0, 0.0]).unwrap();
/// let point_in_volume = grid.volume_from_voxel(VoxelPoint::new(2.0, 0.0, 1.0));
/// assert_eq!(point_in_volume.to_array(), [11.0, 0.0, 0.6]);
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Grid {
    shape: [usize; 3],
    spacing_mm: [f64; 3],
    origin: VolumePoint,
    axes: [Direction; 3],
}

/// Why a grid was refused
#[derive(Debug, thiserror::Error, PartialEq)]
pub enum GridError {
    /// A side has no voxels
    #[error("the grid has no voxels: {0:?}")]
    Empty([usize; 3]),
    /// A spacing is zero, negative or not a number
    #[error("the voxel spacing is not a positive length: {0:?} mm")]
    Spacing([f64; 3]),
    /// The origin or an axis is not a finite number
    #[error("the grid's position is not finite")]
    Position,
    /// Axes are not perpendicular to each other
    #[error("the grid's axes are not orthogonal: largest cosine {0:.6}")]
    NotOrthogonal(f64),
    /// More voxels than [`Grid::MOST_VOXELS`]
    #[error("the grid is too large: {0:?} voxels; at most {most} are read", most = Grid::MOST_VOXELS)]
    TooLarge([usize; 3]),
}

impl GridError {
    /// What can be done
    pub(crate) fn hint(&self) -> &'static str {
        match self {
            Self::TooLarge(_) => "cut out the part around the valve, or resample",
            _ => {
                "areas cannot be trusted on this geometry: export the volume again on a regular Cartesian grid"
            }
        }
    }
}

impl Grid {
    /// Voxels of a frame, at most: several times what any probe acquires (our own choice); what is computed of a
    /// frame takes some ten bytes a voxel
    pub const MOST_VOXELS: usize = 48 << 20;

    /// A grid with given axes (need not be normalised; must be orthogonal within 1e-4)
    ///
    /// `shape` in voxels and `spacing_mm` in millimetres are in order x, y, z; `origin` is the
    /// centre of voxel (0, 0, 0).
    ///
    /// # Errors
    /// See [`GridError`].
    pub fn new(
        shape: [usize; 3],
        spacing_mm: [f64; 3],
        origin: VolumePoint,
        axes: [Vector3<f64>; 3],
    ) -> Result<Self, GridError> {
        if shape.contains(&0) {
            return Err(GridError::Empty(shape));
        }
        let voxels = shape.iter().try_fold(1usize, |product, side| product.checked_mul(*side));
        if voxels.is_none_or(|count| count > Self::MOST_VOXELS) {
            return Err(GridError::TooLarge(shape));
        }
        if spacing_mm.iter().any(|step| !(step.is_finite() && *step > 0.0)) {
            return Err(GridError::Spacing(spacing_mm));
        }
        if origin.0.iter().any(|c| !c.is_finite()) {
            return Err(GridError::Position);
        }
        let mut unit_axes = [Vector3::x_axis(); 3];
        for (unit, axis) in unit_axes.iter_mut().zip(axes) {
            *unit = super::direction(axis).ok_or(GridError::Position)?;
        }
        let worst = [(0, 1), (0, 2), (1, 2)]
            .map(|(i, j)| unit_axes[i].dot(&unit_axes[j]).abs())
            .into_iter()
            .fold(0.0, f64::max);
        if worst > 1e-4 {
            return Err(GridError::NotOrthogonal(worst));
        }
        Ok(Self { shape, spacing_mm, origin, axes: unit_axes })
    }

    /// A grid along the volume's own axes, with voxel (0, 0, 0) centred at `origin_mm`
    ///
    /// # Errors
    /// See [`GridError`].
    pub fn axis_aligned(
        shape: [usize; 3],
        spacing_mm: [f64; 3],
        origin_mm: [f64; 3],
    ) -> Result<Self, GridError> {
        let origin = VolumePoint(Point3::from(origin_mm));
        Self::new(shape, spacing_mm, origin, [Vector3::x(), Vector3::y(), Vector3::z()])
    }

    /// Voxels along x, y, z
    pub fn shape(&self) -> [usize; 3] {
        self.shape
    }

    /// Voxels in one frame
    pub fn voxels(&self) -> usize {
        self.shape.iter().product()
    }

    /// Millimetres between voxel centres along x, y, z
    pub fn spacing_mm(&self) -> [f64; 3] {
        self.spacing_mm
    }

    /// The smallest of the three spacings, in millimetres
    pub fn finest_mm(&self) -> f64 {
        self.spacing_mm.into_iter().fold(f64::INFINITY, f64::min)
    }

    /// Centre of voxel (0, 0, 0)
    pub fn origin(&self) -> VolumePoint {
        self.origin
    }

    /// Unit vectors of the x, y and z index directions in volume space
    pub fn axes(&self) -> [Direction; 3] {
        self.axes
    }

    /// Volume of one voxel in cubic millimetres
    pub fn voxel_mm3(&self) -> f64 {
        self.spacing_mm.iter().product()
    }

    /// The position in volume space of a voxel index
    pub fn volume_from_voxel(&self, point: VoxelPoint) -> VolumePoint {
        self.origin.moved(self.vector_from_voxel(point.0.coords))
    }

    /// A step in voxels as a vector in millimetres
    pub fn vector_from_voxel(&self, step: Vector3<f64>) -> Vector3<f64> {
        (0..3).map(|i| self.axes[i].into_inner() * (step[i] * self.spacing_mm[i])).sum()
    }

    /// The continuous voxel index of a position in volume space
    pub fn voxel_from_volume(&self, point: VolumePoint) -> VoxelPoint {
        VoxelPoint(Point3::from(self.voxel_from_vector(point.from(self.origin))))
    }

    /// A vector in millimetres as a step in voxels
    pub fn voxel_from_vector(&self, vector: Vector3<f64>) -> Vector3<f64> {
        Vector3::from_fn(|i, _| self.axes[i].dot(&vector) / self.spacing_mm[i])
    }

    /// The rotation whose columns are the index directions
    pub fn rotation(&self) -> Matrix3<f64> {
        Matrix3::from_columns(&self.axes.map(Unit::into_inner))
    }

    /// The grid of blocks of `by` voxels of this one, side by side from voxel `first`
    ///
    /// ```
    /// # use narrows::space::{Grid, VoxelPoint};
    /// let grid = Grid::axis_aligned([8, 8, 8], [0.25, 0.5, 1.0], [0.0; 3]).unwrap();
    /// let blocks = grid.blocks([2, 0, 0], [2, 1, 1], [3, 8, 8]).unwrap();
    /// assert_eq!(blocks.spacing_mm(), [0.5, 0.5, 1.0]);
    /// // The middle of voxels 2 and 3.
    /// assert_eq!(blocks.origin().to_array(), [0.625, 0.0, 0.0]);
    /// ```
    ///
    /// # Errors
    /// See [`GridError`].
    pub fn blocks(&self, first: [usize; 3], by: [usize; 3], shape: [usize; 3]) -> Result<Self, GridError> {
        let middle = Vector3::from_fn(|i, _| first[i] as f64 + (by[i] as f64 - 1.0) / 2.0);
        let spacing = std::array::from_fn(|i| self.spacing_mm[i] * by[i] as f64);
        Self::new(
            shape,
            spacing,
            self.origin.moved(self.vector_from_voxel(middle)),
            self.axes.map(Unit::into_inner),
        )
    }

    /// The middle of the grid in volume space
    pub fn middle(&self) -> VolumePoint {
        let [x, y, z] = self.shape.map(|side| (side as f64 - 1.0) / 2.0);
        self.volume_from_voxel(VoxelPoint::new(x, y, z))
    }

    /// Whether the point lies between the outermost voxel centres
    pub fn contains(&self, point: VolumePoint) -> bool {
        let index = self.voxel_from_volume(point).0;
        (0..3).all(|i| index[i] >= 0.0 && index[i] <= self.shape[i] as f64 - 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn maps_are_inverse_for_an_oblique_grid() {
        let turn = nalgebra::Rotation3::from_euler_angles(0.3, -0.7, 1.1);
        let axes = [turn * Vector3::x(), turn * Vector3::y(), turn * Vector3::z()];
        let grid = Grid::new([9, 8, 7], [0.4, 0.5, 0.7], VolumePoint::new(3.0, -2.0, 8.0), axes).unwrap();
        let there = VoxelPoint::new(2.25, -1.5, 6.0);
        let back = grid.voxel_from_volume(grid.volume_from_voxel(there));
        assert!((there.0 - back.0).norm() < 1e-12);
    }

    #[test]
    fn bad_grids_are_refused() {
        assert_eq!(Grid::axis_aligned([0, 1, 1], [1.0; 3], [0.0; 3]), Err(GridError::Empty([0, 1, 1])));
        assert!(matches!(
            Grid::axis_aligned([2; 3], [1.0, f64::NAN, 1.0], [0.0; 3]),
            Err(GridError::Spacing(_))
        ));
        assert!(matches!(
            Grid::axis_aligned([usize::MAX; 3], [1.0; 3], [0.0; 3]),
            Err(GridError::TooLarge(_))
        ));
        // A file of 2 MB that unpacks to one such frame took 3.6 GB to measure.
        let of = |shape| Grid::axis_aligned(shape, [0.5; 3], [0.0; 3]);
        assert_eq!(of([1024, 1024, 384]), Err(GridError::TooLarge([1024, 1024, 384])));
        assert!(of([360; 3]).is_ok());
        let skewed = [Vector3::x(), Vector3::new(0.2, 1.0, 0.0), Vector3::z()];
        assert!(matches!(
            Grid::new([2; 3], [1.0; 3], VolumePoint::new(0.0, 0.0, 0.0), skewed),
            Err(GridError::NotOrthogonal(_))
        ));
    }
}
