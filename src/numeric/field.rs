//! A box of numbers, read between its points.

use nalgebra::Point3;

use super::Extent;

/// A 3D array of numbers, x fastest, read trilinearly at continuous indices
///
/// Outside the outermost points the field is zero: a signal that leaves the box is gone. Where most of
/// a field is empty, only the part that is not need be kept.
#[derive(Clone, Debug)]
pub struct Field {
    shape: [usize; 3],
    /// The part that is kept
    kept: Extent,
    data: Vec<f32>,
    /// For each block of kept cells whether any of their corners is not zero, x fastest: there no
    /// number need be read
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
    let mut along = vec![false; bx];
    for (row, numbers) in data.chunks_exact(shape[0].max(1)).enumerate() {
        for (block, along) in along.iter_mut().enumerate() {
            let corners = block * BLOCK..(block * BLOCK + BLOCK + 1).min(numbers.len());
            // All bits but the sign, without a branch: this is asked of every number.
            *along = numbers[corners].iter().fold(0, |bits, v| bits | v.to_bits() << 1) != 0;
        }
        let (ys, zs) = (around(row % shape[1]), around(row / shape[1]));
        for (block_y, block_z) in ys.iter().flat_map(|y| zs.iter().map(move |z| (y, z))) {
            let start = bx * (block_y + by * block_z);
            for (filled, along) in filled[start..start + bx].iter_mut().zip(&along) {
                *filled |= along;
            }
        }
    }
    filled
}

/// Whether the outermost numbers are zero on all sides that are not the field's own border
fn hemmed(shape: [usize; 3], kept: Extent, data: &[f32]) -> bool {
    let [nx, ny, _] = kept.side;
    let inner = |axis: usize, at: usize| {
        let first = at == 0 && kept.low[axis] > 0;
        let last = at + 1 == kept.side[axis] && kept.low[axis] + kept.side[axis] < shape[axis];
        first || last
    };
    data.chunks_exact(nx.max(1)).enumerate().all(|(row, numbers)| {
        let zero = |numbers: &[f32]| numbers.iter().all(|v| *v == 0.0);
        if inner(1, row % ny) || inner(2, row / ny) {
            return zero(numbers);
        }
        (!inner(0, 0) || numbers[0] == 0.0) && (!inner(0, nx - 1) || numbers[nx - 1] == 0.0)
    })
}

impl Field {
    /// A field of these numbers; `None` where their count is not the product of the shape
    pub fn new(shape: [usize; 3], data: Vec<f32>) -> Option<Self> {
        let count = shape.iter().try_fold(1usize, |product, side| product.checked_mul(*side))?;
        (count == data.len()).then(|| Self::assembled(shape, Extent::whole(shape), data))
    }

    /// A field that is zero outside a part of it, of the numbers there
    ///
    /// Where the part does not reach the field's own border, its outermost numbers are zero. `None`
    /// where they are not, or where the part does not fit the shape or the count of numbers.
    pub fn within(shape: [usize; 3], kept: Extent, data: Vec<f32>) -> Option<Self> {
        let fits = (0..3).all(|a| kept.low[a] + kept.side[a] <= shape[a]) && kept.count() == data.len();
        (fits && hemmed(shape, kept, &data)).then(|| Self::assembled(shape, kept, data))
    }

    fn assembled(shape: [usize; 3], kept: Extent, data: Vec<f32>) -> Self {
        Self { shape, filled: filled(kept.side, &data), kept, data }
    }

    /// Points along x, y, z
    pub fn shape(&self) -> [usize; 3] {
        self.shape
    }

    /// The part outside which the field is zero
    pub fn kept(&self) -> Extent {
        self.kept
    }

    /// The numbers of the kept part, x fastest
    pub fn data(&self) -> &[f32] {
        &self.data
    }

    /// The number at a point of the array; zero outside the kept part
    pub fn value(&self, point: [usize; 3]) -> f32 {
        self.kept.place(point).map_or(0.0, |place| self.data[place])
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
        let low = |axis: usize| (index[axis] as usize).min(self.shape[axis].saturating_sub(2));
        // The cell within the kept part; beyond its outermost numbers, which are zero, there is nothing.
        let Extent { low: first, side: [nx, ny, nz] } = self.kept;
        let mut cell = [0; 3];
        for axis in 0..3 {
            let at = low(axis).wrapping_sub(first[axis]);
            if at.saturating_add(usize::from(self.shape[axis] > 1)) >= self.kept.side[axis] {
                return 0.0;
            }
            cell[axis] = at;
        }
        let [x, y, z] = cell;
        let [bx, by, _] = blocks(self.kept.side);
        if !self.filled[x / BLOCK + bx * (y / BLOCK + by * (z / BLOCK))] {
            return 0.0;
        }
        let [fx, fy, fz] = [0, 1, 2].map(|axis| index[axis] - (cell[axis] + first[axis]) as f64);
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
    fn a_part_reads_as_the_whole_does() {
        let shape = [9, 8, 7];
        let kept = Extent { low: [2, 0, 3], side: [5, 6, 4] };
        let mut part = vec![0.0f32; kept.count()];
        // Zero hems where the part ends inside the field, numbers at the field's own borders.
        for (x, y, z) in (1..4).flat_map(|x| (0..5).flat_map(move |y| (1..4).map(move |z| (x, y, z)))) {
            part[x + 5 * (y + 6 * z)] = (x * x + 3 * y + 7 * z) as f32;
        }
        let mut whole = vec![0.0; 9 * 8 * 7];
        for (row, numbers) in kept.rows(shape).zip(part.chunks_exact(5)) {
            whole[row].copy_from_slice(numbers);
        }
        let whole = Field::new(shape, whole).unwrap();
        let field = Field::within(shape, kept, part.clone()).unwrap();
        for i in 0..32 * 28 * 24 {
            let (x, y, z) = (i % 32, i / 32 % 28, i / 32 / 28);
            let there = Point3::new(x as f64, y as f64, z as f64) / 3.5 - nalgebra::Vector3::repeat(0.2);
            assert_eq!(field.at(there), whole.at(there), "{there}");
        }
        for (i, number) in whole.data().iter().enumerate() {
            assert_eq!(field.value([i % 9, i / 9 % 8, i / 72]), *number);
        }
        part[0] = 1.0;
        assert!(Field::within(shape, kept, part.clone()).is_none());
        assert!(Field::within([6, 8, 7], kept, part).is_none());
        let empty = Field::within(shape, Extent { low: [0; 3], side: [0; 3] }, Vec::new()).unwrap();
        assert_eq!(empty.at(Point3::new(1.0, 1.0, 1.0)), 0.0);
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
