//! The surface on which a field in three dimensions has one value, as triangles.
//!
//! Each cell of eight points is cut into six tetrahedra about its diagonal, all cells alike, so that
//! neighbours share their faces and the surface has no gaps; a tetrahedron is crossed in one triangle
//! or two (marching tetrahedra: Doi and Koide, IEICE Trans 1991;E74:214-24, from memory). Along an edge the
//! crossing is found by a straight line. Cells with a point outside the mask hold no surface: there it
//! is open.

use nalgebra::{Point3, Vector3};

/// A triangle at continuous indices; its normal (right-hand rule) points to smaller values
pub type Triangle = [Point3<f64>; 3];

/// The six tetrahedra of a cell: each goes from corner 0 to corner 7 along three edges
const TETRAHEDRA: [[usize; 4]; 6] =
    [[0, 1, 3, 7], [0, 3, 2, 7], [0, 2, 6, 7], [0, 6, 4, 7], [0, 4, 5, 7], [0, 5, 1, 7]];

/// The cells of a grid whose eight corners all lie inside a mask
///
/// Found once, they serve surfaces of many levels.
pub struct Cells {
    shape: [usize; 3],
    /// Linear index of each cell's corner 0
    first: Vec<u32>,
}

impl Cells {
    /// The cells inside a mask of `shape` `[x, y, z]`, x fastest; none where the mask does not fit the
    /// shape, or there are more points than 32 bits can number
    pub fn inside(mask: &[bool], shape: [usize; 3]) -> Self {
        let points = shape.iter().try_fold(1usize, |n, side| n.checked_mul(*side));
        let mut cells = Self { shape, first: Vec::new() };
        if points != Some(mask.len()) || mask.len() > u32::MAX as usize {
            return cells;
        }
        let [nx, ny, nz] = shape;
        for z in 0..nz.saturating_sub(1) {
            for y in 0..ny.saturating_sub(1) {
                for x in 0..nx.saturating_sub(1) {
                    let first = x + nx * (y + ny * z);
                    if (0..8).all(|corner| mask[first + cells.step(corner)]) {
                        cells.first.push(first as u32);
                    }
                }
            }
        }
        cells
    }

    /// From corner 0 to another one: bit 0 along x, bit 1 along y, bit 2 along z
    fn step(&self, corner: usize) -> usize {
        let [nx, ny, _] = self.shape;
        (corner & 1) + nx * ((corner >> 1) & 1) + nx * ny * (corner >> 2)
    }
}

/// The surface of value `level` in the cells of a grid
///
/// `field` gives the value at a linear index.
pub fn isosurface(field: impl Fn(usize) -> f64, cells: &Cells, level: f64) -> Vec<Triangle> {
    let [nx, ny, _] = cells.shape;
    let steps: [usize; 8] = std::array::from_fn(|corner| cells.step(corner));
    let mut triangles = Vec::new();
    for first in cells.first.iter().map(|first| *first as usize) {
        let values = steps.map(|step| field(first + step));
        let count = values.iter().filter(|value| **value >= level).count();
        if count == 0 || count == 8 {
            continue;
        }
        let (x, y, z) = (first % nx, first / nx % ny, first / (nx * ny));
        let place = |corner: usize| {
            Point3::new(
                (x + (corner & 1)) as f64,
                (y + ((corner >> 1) & 1)) as f64,
                (z + (corner >> 2)) as f64,
            )
        };
        for corners in TETRAHEDRA {
            cross(corners.map(place), corners.map(|c| values[c]), level, &mut triangles);
        }
    }
    triangles
}

/// The crossing of one tetrahedron
fn cross(at: [Point3<f64>; 4], value: [f64; 4], level: f64, out: &mut Vec<Triangle>) {
    let (mut above, mut below) = (Vec::with_capacity(4), Vec::with_capacity(4));
    for (i, value) in value.iter().enumerate() {
        if *value >= level { above.push(i) } else { below.push(i) }
    }
    let on = |a: usize, b: usize| at[a] + (at[b] - at[a]) * ((level - value[a]) / (value[b] - value[a]));
    let mut add = |triangle: Triangle, outward: Vector3<f64>| {
        let [a, b, c] = triangle;
        let normal = (b - a).cross(&(c - a));
        out.push(if normal.dot(&outward) >= 0.0 { triangle } else { [a, c, b] });
    };
    let middle =
        |set: &[usize]| set.iter().fold(Vector3::zeros(), |sum, i| sum + at[*i].coords) / set.len() as f64;
    if above.is_empty() || below.is_empty() {
        return;
    }
    let outward = middle(&below) - middle(&above);
    match (&above[..], &below[..]) {
        ([a], [b, c, d]) => add([on(*a, *b), on(*a, *c), on(*a, *d)], outward),
        ([b, c, d], [a]) => add([on(*b, *a), on(*c, *a), on(*d, *a)], outward),
        ([a, b], [c, d]) => {
            let [ac, ad, bc, bd] = [on(*a, *c), on(*a, *d), on(*b, *c), on(*b, *d)];
            add([ac, ad, bd], outward);
            add([ac, bd, bc], outward);
        }
        _ => {}
    }
}

/// Area of a triangle, and its normal scaled by that area
pub fn area_vector([a, b, c]: &Triangle) -> Vector3<f64> {
    (b - a).cross(&(c - a)) / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Area and enclosed volume (divergence theorem) of a closed surface
    fn measured(step: f64, level: f64, field: impl Fn(f64, f64, f64) -> f64) -> (f64, f64) {
        let n = (6.4 / step) as usize;
        let at = |i: usize| (i as f64 - (n as f64 - 1.0) / 2.0 + 0.137) * step;
        let values: Vec<f64> =
            (0..n * n * n).map(|i| field(at(i % n), at(i / n % n), at(i / n / n))).collect();
        let triangles = isosurface(|i| values[i], &Cells::inside(&vec![true; n * n * n], [n; 3]), level);
        let area: f64 = triangles.iter().map(|t| area_vector(t).norm()).sum();
        let volume: f64 = triangles.iter().map(|t| area_vector(t).dot(&t[0].coords) / 3.0).sum();
        (area * step * step, volume * step.powi(3))
    }

    #[test]
    fn a_sphere_has_its_area_and_volume() {
        // 4 pi r^2 and 4/3 pi r^3 at r = 2: 50.265 and 33.510; the error falls with the square of the step.
        let sphere = |x: f64, y: f64, z: f64| -(x * x + y * y + z * z).sqrt();
        let (area, volume) = measured(0.1, -2.0, sphere);
        assert!((area / 50.2655 - 1.0).abs() < 3e-3, "{area}");
        assert!((volume / 33.5103 - 1.0).abs() < 3e-3, "{volume}");
        let (coarse, _) = measured(0.2, -2.0, sphere);
        assert!((coarse / 50.2655 - 1.0).abs() > 2.0 * (area / 50.2655 - 1.0).abs());
    }

    #[test]
    fn ellipsoids_have_the_areas_of_quadrature() {
        // Twice the half ellipsoids (1.2, 0.6, 0.8): 4.62496, (1.5, 0.75, 0.75): 6.04081, (2, 1, 1): 10.73922
        // (exact by quadrature).
        for (axes, half) in
            [([1.2, 0.6, 0.8], 4.62496), ([1.5, 0.75, 0.75], 6.04081), ([2.0, 1.0, 1.0], 10.73922)]
        {
            let field = |x: f64, y: f64, z: f64| {
                let [a, b, c]: [f64; 3] = axes;
                -((x / a).powi(2) + (y / b).powi(2) + (z / c).powi(2)).sqrt()
            };
            let (area, _) = measured(0.05, -1.0, field);
            assert!((area / (2.0 * half) - 1.0).abs() < 5e-3, "{area} {half}");
        }
    }

    #[test]
    fn the_surface_is_open_where_the_mask_ends() {
        let field: Vec<f64> = (0..64).map(|i| f64::from(i % 4)).collect();
        let mut mask = vec![true; 64];
        let whole: f64 = isosurface(|i| field[i], &Cells::inside(&mask, [4; 3]), 1.5)
            .iter()
            .map(|t| area_vector(t).norm())
            .sum();
        assert!((whole - 9.0).abs() < 1e-12);
        mask[63] = false;
        mask[62] = false;
        mask[61] = false;
        let open: f64 = isosurface(|i| field[i], &Cells::inside(&mask, [4; 3]), 1.5)
            .iter()
            .map(|t| area_vector(t).norm())
            .sum();
        assert!((open - 8.0).abs() < 1e-12);
        assert!(isosurface(|i| field[i], &Cells::inside(&mask, [4, 4, 3]), 1.5).is_empty());
    }
}
