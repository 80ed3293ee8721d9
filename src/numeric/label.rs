//! Connected parts of a mask, in two and three dimensions.
//!
//! Union-find in one pass over the already visited neighbours, then numbers in the order in which
//! each part is first met, x fastest: the same mask always gets the same numbers.

use super::Image;

/// Which pixels touch
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Touch2 {
    /// By a side: 4 neighbours
    Side,
    /// By a side or a corner: 8 neighbours
    Corner,
}

/// Which voxels touch
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Touch3 {
    /// By a face: 6 neighbours
    Face,
    /// By a face, an edge or a corner: 26 neighbours
    Corner,
}

/// The parts of a mask
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Labels {
    /// For each element 0 outside the mask, else the number of its part from 1
    pub labels: Vec<u32>,
    /// Elements in each part; part `n` at index `n - 1`
    pub sizes: Vec<usize>,
}

impl Labels {
    /// Number of parts
    pub fn count(&self) -> usize {
        self.sizes.len()
    }

    /// The elements of one part of a picture of this width and height
    ///
    /// # Panics
    /// Where the labels are not those of such a picture.
    pub fn mask(&self, part: u32, width: usize, height: usize) -> Image<bool> {
        Image::from_rows(width, height, self.labels.iter().map(|label| *label == part).collect())
            .expect("the labels are those of this picture")
    }

    /// Number of the largest part (the first of equals); `None` where there is none
    pub fn largest(&self) -> Option<u32> {
        let mut best: Option<usize> = None;
        for (part, size) in self.sizes.iter().enumerate() {
            if best.is_none_or(|b| *size > self.sizes[b]) {
                best = Some(part);
            }
        }
        best.map(|part| part as u32 + 1)
    }
}

/// The connected parts of a picture
pub fn label(mask: &Image<bool>, touch: Touch2) -> Labels {
    let corners = touch == Touch2::Corner;
    let visited = [(-1, 0, 0), (0, -1, 0), (-1, -1, 0), (1, -1, 0)];
    let visited = if corners { &visited[..] } else { &visited[..2] };
    parts(mask.data(), [mask.width(), mask.height(), 1], visited)
}

/// The connected parts of a three-dimensional mask of `shape` `[x, y, z]`, x fastest
///
/// `None` where the number of elements is not the product of the shape.
pub fn label_3d(mask: &[bool], shape: [usize; 3], touch: Touch3) -> Option<Labels> {
    let elements = shape.iter().try_fold(1usize, |n, side| n.checked_mul(*side))?;
    if mask.len() != elements || elements >= u32::MAX as usize {
        return None;
    }
    let mut visited = vec![(-1, 0, 0), (0, -1, 0), (0, 0, -1)];
    if touch == Touch3::Corner {
        visited.clear();
        for dz in -1..=0 {
            for dy in -1..=1 {
                for dx in -1..=1 {
                    if (dz, dy, dx) < (0, 0, 0) {
                        visited.push((dx, dy, dz));
                    }
                }
            }
        }
    }
    Some(parts(mask, shape, &visited))
}

fn parts(mask: &[bool], [width, height, depth]: [usize; 3], visited: &[(isize, isize, isize)]) -> Labels {
    const NONE: u32 = u32::MAX;
    let mut parent = vec![NONE; mask.len()];
    for z in 0..depth {
        for y in 0..height {
            for x in 0..width {
                let i = (z * height + y) * width + x;
                if !mask[i] {
                    continue;
                }
                parent[i] = i as u32;
                for &(dx, dy, dz) in visited {
                    let neighbour = x
                        .checked_add_signed(dx)
                        .filter(|x| *x < width)
                        .zip(y.checked_add_signed(dy).filter(|y| *y < height))
                        .zip(z.checked_add_signed(dz));
                    let Some(((nx, ny), nz)) = neighbour else { continue };
                    let n = (nz * height + ny) * width + nx;
                    if mask[n] {
                        join(&mut parent, i as u32, n as u32);
                    }
                }
            }
        }
    }
    // A root is the smallest index of its part, so parts are numbered as they are first met.
    let mut labels = vec![0; mask.len()];
    let mut sizes = Vec::new();
    for i in 0..mask.len() {
        if parent[i] == NONE {
            continue;
        }
        let root = root(&mut parent, i as u32) as usize;
        if root == i {
            sizes.push(0);
            labels[i] = sizes.len() as u32;
        } else {
            labels[i] = labels[root];
        }
        sizes[labels[i] as usize - 1] += 1;
    }
    Labels { labels, sizes }
}

fn root(parent: &mut [u32], mut i: u32) -> u32 {
    while parent[i as usize] != i {
        let above = parent[parent[i as usize] as usize];
        parent[i as usize] = above;
        i = above;
    }
    i
}

fn join(parent: &mut [u32], a: u32, b: u32) {
    let (a, b) = (root(parent, a), root(parent, b));
    let (low, high) = (a.min(b), a.max(b));
    parent[high as usize] = low;
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mask(rows: &[&str]) -> Image<bool> {
        Image::from_fn(rows[0].len(), rows.len(), |x, y| rows[y].as_bytes()[x] == b'#')
    }

    #[test]
    fn sides_and_corners() {
        let picture = mask(&["#..#", ".#.#", "#..#"]);
        let sides = label(&picture, Touch2::Side);
        assert_eq!(sides.sizes, [1, 3, 1, 1]);
        assert_eq!(sides.labels, [1, 0, 0, 2, 0, 3, 0, 2, 4, 0, 0, 2]);
        assert_eq!(sides.largest(), Some(2));
        let corners = label(&picture, Touch2::Corner);
        assert_eq!(corners.sizes, [3, 3]);
        assert_eq!(label(&mask(&["..."]), Touch2::Side).largest(), None);
    }

    #[test]
    fn arms_that_meet_late_are_one_part() {
        let picture = mask(&["#.#.#", "#.#.#", "#####"]);
        assert_eq!(label(&picture, Touch2::Side).sizes, [11]);
    }

    #[test]
    fn faces_and_corners_in_space() {
        // Two voxels that share only a corner of a 2 x 2 x 2 block.
        let mut block = vec![false; 8];
        block[0] = true;
        block[7] = true;
        assert_eq!(label_3d(&block, [2, 2, 2], Touch3::Face).unwrap().sizes, [1, 1]);
        assert_eq!(label_3d(&block, [2, 2, 2], Touch3::Corner).unwrap().sizes, [2]);
        assert_eq!(label_3d(&block, [2, 2, 3], Touch3::Corner), None);
    }
}
