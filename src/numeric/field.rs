//! A box of numbers, read between its points.

use nalgebra::Point3;

/// A 3D array of numbers, x fastest, read trilinearly at continuous indices
///
/// Outside the outermost points the field is zero: a signal that leaves the box is gone.
#[derive(Clone, Debug)]
pub struct Field {
    shape: [usize; 3],
    data: Vec<f32>,
    /// For each block of cells whether any of their corners is not zero, x fastest: most of a field
    /// usually is empty, and there no number need be read
    filled: Vec<bool>,
}

/// Cells along one side of a block
const BLOCK: usize = 4;

/// Blocks along each axis
fn blocks(shape: [usize; 3]) -> [usize; 3] {
    shape.map(|side| side.div_ceil(BLOCK))
}

/// Which blocks hold something: a number is a corner of the cells on both its sides
fn filled(shape: [usize; 3], data: &[f32]) -> Vec<bool> {
    let [bx, by, bz] = blocks(shape);
    let mut filled = vec![false; bx * by * bz];
    let around = |at: usize| [at.saturating_sub(1) / BLOCK, at / BLOCK];
    for (row, numbers) in data.chunks_exact(shape[0].max(1)).enumerate() {
        if numbers.iter().all(|v| *v == 0.0) {
            continue;
        }
        let (ys, zs) = (around(row % shape[1]), around(row / shape[1]));
        for (x, _) in numbers.iter().enumerate().filter(|(_, v)| **v != 0.0) {
            for block_x in around(x) {
                for (block_y, block_z) in ys.iter().flat_map(|y| zs.iter().map(move |z| (y, z))) {
                    filled[block_x + bx * (block_y + by * block_z)] = true;
                }
            }
        }
    }
    filled
}

impl Field {
    /// A field of these numbers; `None` where their count is not the product of the shape
    pub fn new(shape: [usize; 3], data: Vec<f32>) -> Option<Self> {
        let count = shape.iter().try_fold(1usize, |product, side| product.checked_mul(*side))?;
        (count == data.len()).then(|| Self { shape, filled: filled(shape, &data), data })
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
        let [bx, by, _] = blocks(self.shape);
        if !self.filled[x / BLOCK + bx * (y / BLOCK + by * (z / BLOCK))] {
            return 0.0;
        }
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

    #[test]
    fn one_number_in_an_empty_field_is_seen_from_all_cells_around_it() {
        let shape = [11, 9, 10];
        for place in [[0, 0, 0], [10, 8, 9], [4, 4, 4], [3, 4, 8], [7, 8, 3]] {
            let mut data = vec![0.0; 990];
            data[place[0] + 11 * (place[1] + 9 * place[2])] = 1.0;
            let field = Field::new(shape, data).unwrap();
            for step in 0..27 {
                let off = [step % 3, step / 3 % 3, step / 9].map(|d| (f64::from(d) - 1.0) * 0.75);
                let [x, y, z] = std::array::from_fn(|a| place[a] as f64 + off[a]);
                let there = Point3::new(x, y, z);
                let expected: f64 =
                    if field.contains(there) { off.iter().map(|d| 1.0 - d.abs()).product() } else { 0.0 };
                assert!((field.at(there) - expected).abs() < 1e-12, "{place:?} {off:?}");
            }
        }
    }
}
