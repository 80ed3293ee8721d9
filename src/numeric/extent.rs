//! The part of an array that holds anything.

use std::ops::Range;

/// A box of elements of a 3D array, x fastest; empty where a side is zero
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Extent {
    /// First element along x, y, z
    pub low: [usize; 3],
    /// Elements along x, y, z
    pub side: [usize; 3],
}

impl Extent {
    /// A whole array
    pub fn whole(shape: [usize; 3]) -> Self {
        Self { low: [0; 3], side: shape }
    }

    /// The smallest box with all elements of an array of `shape` for which `ends` finds some: for the
    /// linear indices of a row it gives the first and the last place in the row
    pub fn of(shape: [usize; 3], ends: impl Fn(Range<usize>) -> Option<[usize; 2]>) -> Self {
        let (mut low, mut high) = (shape, [0; 3]);
        for row in 0..shape[1] * shape[2] {
            let Some([first, last]) = ends(row * shape[0]..(row + 1) * shape[0]) else { continue };
            let (y, z) = (row % shape[1], row / shape[1]);
            for (axis, [from, to]) in [[first, last], [y, y], [z, z]].into_iter().enumerate() {
                low[axis] = low[axis].min(from);
                high[axis] = high[axis].max(to + 1);
            }
        }
        if high[0] == 0 {
            return Self { low: [0; 3], side: [0; 3] };
        }
        Self { low, side: std::array::from_fn(|axis| high[axis] - low[axis]) }
    }

    /// The smallest box that holds both
    #[must_use]
    pub fn with(self, other: Self) -> Self {
        if self.is_empty() || other.is_empty() {
            return if self.is_empty() { other } else { self };
        }
        let low: [usize; 3] = std::array::from_fn(|a| self.low[a].min(other.low[a]));
        let end = |of: Self, a: usize| of.low[a] + of.side[a];
        Self { low, side: std::array::from_fn(|a| end(self, a).max(end(other, a)) - low[a]) }
    }

    /// The box with `by` more elements on every side, as far as an array of `shape` has them
    #[must_use]
    pub fn grown(self, by: usize, shape: [usize; 3]) -> Self {
        if self.is_empty() {
            return self;
        }
        let low: [usize; 3] = std::array::from_fn(|a| self.low[a].saturating_sub(by));
        let end = |a: usize| (self.low[a] + self.side[a] + by).min(shape[a]);
        Self { low, side: std::array::from_fn(|a| end(a) - low[a]) }
    }

    /// Number of elements
    pub fn count(&self) -> usize {
        self.side.iter().product()
    }

    /// Whether it holds nothing
    pub fn is_empty(&self) -> bool {
        self.count() == 0
    }

    /// The rows of the box as linear indices into an array of `shape`, in order
    pub fn rows(self, shape: [usize; 3]) -> impl Iterator<Item = Range<usize>> {
        let Self { low, side } = self;
        let planes = if self.is_empty() { 0 } else { side[2] };
        (0..planes).flat_map(move |z| {
            (0..side[1]).map(move |y| {
                let start = low[0] + shape[0] * (low[1] + y + shape[1] * (low[2] + z));
                start..start + side[0]
            })
        })
    }

    /// The place of an element in the box, by its place in the array
    pub fn place(&self, [x, y, z]: [usize; 3]) -> Option<usize> {
        let [x, y, z] = [
            x.checked_sub(self.low[0]).filter(|x| *x < self.side[0])?,
            y.checked_sub(self.low[1]).filter(|y| *y < self.side[1])?,
            z.checked_sub(self.low[2]).filter(|z| *z < self.side[2])?,
        ];
        Some(x + self.side[0] * (y + self.side[1] * z))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ends(data: &[u8]) -> impl Fn(Range<usize>) -> Option<[usize; 2]> {
        |row| {
            let row = &data[row];
            let set = |c: &u8| *c != 0;
            row.iter().position(set).zip(row.iter().rposition(set)).map(|(a, b)| [a, b])
        }
    }

    #[test]
    fn the_box_of_two_marks_and_the_box_around_it() {
        let shape = [5, 4, 3];
        let mut data = vec![0u8; 60];
        assert!(Extent::of(shape, ends(&data)).is_empty());
        data[1 + 5 * (2 + 4)] = 1;
        data[3 + 5 * (1 + 4)] = 1;
        let found = Extent::of(shape, ends(&data));
        assert_eq!(found, Extent { low: [1, 1, 1], side: [3, 2, 1] });
        assert_eq!(found.grown(1, shape), Extent { low: [0, 0, 0], side: [5, 4, 3] });
        assert_eq!(found.rows(shape).collect::<Vec<_>>(), [26..29, 31..34]);
        assert_eq!(found.place([3, 2, 1]), Some(5));
        assert_eq!(found.place([0, 2, 1]), None);
        let far = Extent { low: [4, 3, 2], side: [1, 1, 1] };
        assert_eq!(found.with(far), Extent { low: [1, 1, 1], side: [4, 3, 2] });
        let nothing = Extent { low: [0; 3], side: [0; 3] };
        assert_eq!(nothing.with(found), found);
        assert!(nothing.grown(2, shape).is_empty() && nothing.rows(shape).next().is_none());
    }
}
