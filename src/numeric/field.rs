//! A box of numbers, read between its points.

use nalgebra::Point3;

/// A 3D array of numbers, x fastest, read trilinearly at continuous indices
///
/// Outside the outermost points the field is zero: a signal that leaves the box is gone.
#[derive(Clone, Debug)]
pub struct Field {
    shape: [usize; 3],
    data: Vec<f32>,
}

impl Field {
    /// A field of these numbers; `None` where their count is not the product of the shape
    pub fn new(shape: [usize; 3], data: Vec<f32>) -> Option<Self> {
        let count = shape.iter().try_fold(1usize, |product, side| product.checked_mul(*side))?;
        (count == data.len()).then_some(Self { shape, data })
    }

    /// Points along x, y, z
    pub fn shape(&self) -> [usize; 3] {
        self.shape
    }

    /// All numbers, x fastest
    pub fn data(&self) -> &[f32] {
        &self.data
    }

    /// Whether a continuous index lies between the outermost points
    pub fn contains(&self, index: Point3<f64>) -> bool {
        (0..3).all(|axis| index[axis] >= 0.0 && index[axis] <= self.shape[axis] as f64 - 1.0)
    }

    /// Trilinear value at a continuous index, zero outside
    pub fn at(&self, index: Point3<f64>) -> f64 {
        if !self.contains(index) {
            return 0.0;
        }
        let [nx, ny, nz] = self.shape;
        let low = |value: f64, side: usize| (value as usize).min(side.saturating_sub(2));
        let (x, y, z) = (low(index.x, nx), low(index.y, ny), low(index.z, nz));
        let (fx, fy, fz) = (index.x - x as f64, index.y - y as f64, index.z - z as f64);
        let (dy, dz) = (if ny > 1 { nx } else { 0 }, if nz > 1 { nx * ny } else { 0 });
        let dx = usize::from(nx > 1);
        let base = x + nx * (y + ny * z);
        let line = |at: usize| {
            let (a, b) = (f64::from(self.data[at]), f64::from(self.data[at + dx]));
            a + (b - a) * fx
        };
        let plane = |at: usize| {
            let (a, b) = (line(at), line(at + dy));
            a + (b - a) * fy
        };
        let (a, b) = (plane(base), plane(base + dz));
        a + (b - a) * fz
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_linear_field_is_reproduced_exactly() {
        let shape = [4, 3, 5];
        let data = (0..60)
            .map(|i| {
                let (x, y, z) = (i % 4, (i / 4) % 3, i / 12);
                (2 * x + 3 * y) as f32 - z as f32
            })
            .collect();
        let field = Field::new(shape, data).unwrap();
        let there = Point3::new(1.25, 0.5, 3.75);
        assert!((field.at(there) - (2.5 + 1.5 - 3.75)).abs() < 1e-6);
        assert_eq!(field.at(Point3::new(3.0, 2.0, 4.0)), 8.0);
        assert_eq!(field.at(Point3::new(-0.1, 0.0, 0.0)), 0.0);
        assert!(Field::new([2, 2, 2], vec![0.0; 7]).is_none());
    }
}
