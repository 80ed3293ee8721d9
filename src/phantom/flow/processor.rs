//! A lattice Boltzmann flow on the processor: the plain twin of `shaders/flow.wgsl`, the same arithmetic in the same order.
//!
//! D3Q19 with second-order equilibrium (Qian, d'Humieres and Lallemand, Europhys Lett 1992;17:479). Only the second
//! moments of what is out of equilibrium are kept in a collision (Latt and Chopard, Math Comput Simul 2006;72:165), which
//! is what keeps it stable at a relaxation time just above one half; eddies below the cell are a viscosity in
//! proportion to the local strain (Smagorinsky; Hou and others 1996). Walls are where a signed distance changes its sign
//! between two cells, with linearly interpolated bounce-back (Bouzidi, Firdaouss and Lallemand, Phys Fluids
//! 2001;13:3452). Sources from memory. Distributions are kept as deviations from rest, f - w.
//!
//! All distributions of a row of cells lie together, and away from walls eight cells of it are stepped at once.

use std::ops::{Add, Div, Mul, Sub};

use rayon::prelude::*;
use wide::f32x8;

use super::lattice::{DAMPED_CELLS, Lattice, NOISE, SMAGORINSKY, SUMS};

/// Fewer cells are not worth handing out to threads
const LEAST_SHARE: usize = 32_768;
/// From this distance on, in cells, no neighbour is wall
const FAR: f32 = 2.0;
/// Cells that are stepped at once
const LANES: usize = 8;
/// Distributions of a cell: rest, then pairs
const DIRECTIONS: usize = 19;
/// Weights of rest, the axes and the diagonals
const W: [f32; 3] = [1.0 / 3.0, 1.0 / 18.0, 1.0 / 36.0];
/// One of each pair of opposite directions; the pair k holds directions 2k + 1 and 2k + 2
const PAIRS: [[isize; 3]; 9] =
    [[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0], [1, -1, 0], [1, 0, 1], [1, 0, -1], [0, 1, 1], [0, 1, -1]];

/// Distributions on the processor
pub(super) struct Processor<'a> {
    lattice: &'a Lattice,
    /// `[row of cells][direction][cell of the row]`, now and next
    now: Vec<f32>,
    next: Vec<f32>,
    /// `[value][stored cell]`
    pub(super) sums: Vec<f32>,
    step: u32,
}

impl<'a> Processor<'a> {
    pub(super) fn new(lattice: &'a Lattice) -> Self {
        let blank = || vec![0.0; DIRECTIONS * lattice.count()];
        let sums = vec![0.0; SUMS * lattice.stored_count()];
        Self { lattice, now: blank(), next: blank(), sums, step: 0 }
    }

    /// Sets every cell, wall too, to the equilibrium of a density deviation and velocity in lattice units
    pub(super) fn set(&mut self, of: impl Fn([usize; 3]) -> (f32, [f32; 3])) {
        let [nx, ny, _] = self.lattice.cells;
        for cell in 0..self.lattice.count() {
            let (rho, u) = of([cell % nx, cell / nx % ny, cell / (nx * ny)]);
            for (direction, value) in equilibrium(rho, u).into_iter().enumerate() {
                let at = self.index(cell, direction);
                self.now[at] = value;
                self.next[at] = value;
            }
        }
    }

    /// Gives a cell the velocity that is imposed on it and all else of a cell beside it (Guo, Zheng and Shi, Chin Phys
    /// 2002;11:366, extrapolation of what is not in equilibrium; from memory)
    pub(super) fn impose(&mut self, cell: usize, beside: usize, u: [f32; 3]) {
        let there: [f32; DIRECTIONS] =
            std::array::from_fn(|direction| self.now[self.index(beside, direction)]);
        let (rho, moving) = velocity(&there);
        let (from, to) = (equilibrium(rho, moving), equilibrium(rho, u));
        for direction in 0..DIRECTIONS {
            let at = self.index(cell, direction);
            self.now[at] = there[direction] - from[direction] + to[direction];
        }
    }

    /// Makes the lattice periodic for the next step: the outermost layers become the images of the other side's inner ones
    pub(super) fn wrap(&mut self, axes: &[usize]) {
        let cells = self.lattice.cells;
        let strides = [1, cells[0], cells[0] * cells[1]];
        for axis in axes {
            let (stride, last) = (strides[*axis], cells[*axis] - 1);
            for cell in (0..self.lattice.count()).filter(|cell| cell / stride % cells[*axis] == 0) {
                for direction in 0..DIRECTIONS {
                    let index = |layer: usize| self.index(cell + layer * stride, direction);
                    let [low, first, before, high] = [0, 1, last - 1, last].map(index);
                    self.now[low] = self.now[before];
                    self.now[high] = self.now[first];
                }
            }
        }
    }

    /// Density deviation and velocity of a cell, lattice units
    pub(super) fn velocity(&self, cell: usize) -> (f32, [f32; 3]) {
        let nx = self.lattice.cells[0];
        self.blood().at(cell % nx, cell / nx)
    }

    fn index(&self, cell: usize, direction: usize) -> usize {
        let nx = self.lattice.cells[0];
        (cell / nx * DIRECTIONS + direction) * nx + cell % nx
    }

    fn blood(&self) -> Blood<'_> {
        Blood { lattice: self.lattice, now: &self.now, step: self.step }
    }

    pub(super) fn advance(&mut self) {
        let [nx, ny, _] = self.lattice.cells;
        let row = DIRECTIONS * nx;
        let mut next = std::mem::take(&mut self.next);
        let blood = self.blood();
        let plane = |(z, plane): (usize, &mut [f32])| {
            for (y, out) in plane.chunks_mut(row).enumerate() {
                blood.row(y, z, out);
            }
        };
        if self.lattice.count() < LEAST_SHARE {
            next.chunks_mut(row * ny).enumerate().for_each(plane);
        } else {
            next.par_chunks_mut(row * ny).enumerate().for_each(plane);
        }
        self.next = std::mem::replace(&mut self.now, next);
        self.step += 1;
    }

    /// Adds the velocity and its products over the blood of each stored cell
    pub(super) fn gather(&mut self) {
        let lattice = self.lattice;
        let blood = self.blood();
        let [nx, ny, _] = lattice.cells;
        let [sx, sy, _] = lattice.stored;
        let stored = lattice.stored_count();
        let ratio = lattice.ratio;
        let found: Vec<[f32; SUMS]> = (0..stored)
            .into_par_iter()
            .map(|i| {
                let at = [i % sx, i / sx % sy, i / (sx * sy)];
                let mut sum = [0.0f32; SUMS];
                for part in 0..ratio.pow(3) {
                    let part = [part % ratio, part / ratio % ratio, part / (ratio * ratio)];
                    let [x, y, z] = [0, 1, 2].map(|a| lattice.first[a] + at[a] * ratio + part[a]);
                    let row = y + ny * z;
                    if lattice.distance[x + nx * row] > 0.0 {
                        let (_, [u, v, w]) = blood.at(x, row);
                        for (sum, value) in
                            sum.iter_mut().zip([u, v, w, u * u, v * v, w * w, u * v, u * w, v * w])
                        {
                            *sum += value;
                        }
                    }
                }
                sum
            })
            .collect();
        for (i, values) in found.iter().enumerate() {
            for (k, value) in values.iter().enumerate() {
                self.sums[k * stored + i] += value;
            }
        }
    }
}

/// The blood as it stands, out of which the next step is made
#[derive(Clone, Copy)]
struct Blood<'a> {
    lattice: &'a Lattice,
    now: &'a [f32],
    step: u32,
}

impl Blood<'_> {
    /// Density deviation and velocity of a cell, by its place in its row and its row
    fn at(&self, x: usize, row: usize) -> (f32, [f32; 3]) {
        let nx = self.lattice.cells[0];
        velocity(&std::array::from_fn(|direction| self.now[(row * DIRECTIONS + direction) * nx + x]))
    }

    /// The next step of a row of cells
    fn row(&self, y: usize, z: usize, out: &mut [f32]) {
        let [nx, ny, nz] = self.lattice.cells;
        let row = y + ny * z;
        let walls = &self.lattice.distance[row * nx..][..nx];
        let inner = z > 0 && z + 1 < nz;
        let reach = ((z as f32 / (nz - 1) as f32 - 0.85) / 0.15).max(0.0);
        let relaxation = self.lattice.relaxation + self.lattice.sponge * reach * reach;
        // Where in the row each direction's distributions come from; only ever used at blood, which has neighbours.
        let from: [usize; DIRECTIONS] = std::array::from_fn(|direction| {
            let [x, y, z] = against(direction);
            let row = row as isize + y + ny as isize * z;
            ((row * DIRECTIONS as isize + direction as isize) * nx as isize + x) as usize
        });
        let mut x = 0;
        while x < nx {
            if inner && x + LANES <= nx && walls[x..x + LANES].iter().all(|d| *d >= FAR) {
                let arriving = std::array::from_fn(|direction| eight(&self.now[from[direction] + x..]));
                for (direction, value) in
                    collided(&arriving, f32x8::splat(relaxation), eight(&walls[x..])).into_iter().enumerate()
                {
                    out[direction * nx + x..][..LANES].copy_from_slice(&value.to_array());
                }
                x += LANES;
                continue;
            }
            if walls[x] > 0.0 {
                let values = if z == 0 {
                    equilibrium(self.at(x, row + ny).0, self.inflow([x, y]))
                } else if z + 1 == nz {
                    equilibrium(0.0, self.at(x, row - ny).1)
                } else {
                    collided(&self.arriving(x, row, &from), relaxation, walls[x])
                };
                for (direction, value) in values.into_iter().enumerate() {
                    out[direction * nx + x] = value;
                }
            }
            x += 1;
        }
    }

    /// What arrives at a cell, out of its neighbours or back from a wall
    fn arriving(&self, x: usize, row: usize, from: &[usize; DIRECTIONS]) -> [f32; DIRECTIONS] {
        let [nx, ny, _] = self.lattice.cells;
        let mut h: [f32; DIRECTIONS] =
            std::array::from_fn(|direction| self.now[from[direction].wrapping_add(x)]);
        let cell = x + nx * row;
        let distance = &self.lattice.distance;
        let d0 = distance[cell];
        if d0 >= FAR {
            return h;
        }
        for (k, [cx, cy, cz]) in PAIRS.into_iter().enumerate() {
            let offset = cx + nx as isize * (cy + ny as isize * cz);
            let (behind, ahead) =
                (distance[cell.wrapping_add_signed(-offset)], distance[cell.wrapping_add_signed(offset)]);
            let own = |direction: usize| self.now[(row * DIRECTIONS + direction) * nx + x];
            let (plus, minus) = (2 * k + 1, 2 * k + 2);
            let (p, m) = (h[plus], h[minus]);
            if behind <= 0.0 {
                h[plus] = bounced([own(plus), own(minus), m], ahead <= 0.0, d0 / (d0 - behind));
            }
            if ahead <= 0.0 {
                h[minus] = bounced([own(minus), own(plus), p], behind <= 0.0, d0 / (d0 - ahead));
            }
        }
        h
    }

    /// Velocity of the inflow: noise that is constant over blocks of 8 by 8 cells and 64 steps
    fn inflow(&self, [x, y]: [usize; 2]) -> [f32; 3] {
        let noise = |axis: u32| {
            let block = (x as u32 / 8).wrapping_add((y as u32 / 8).wrapping_mul(977));
            let key = hash(hash(hash(block).wrapping_add(self.step / 64)).wrapping_add(axis));
            (key >> 8) as f32 / 8_388_608.0 - 1.0
        };
        let along = [0.0, 0.0, 1.0];
        std::array::from_fn(|axis| self.lattice.inflow * (along[axis] + NOISE * noise(axis as u32)))
    }
}

/// The first eight of some numbers
#[inline]
fn eight(numbers: &[f32]) -> f32x8 {
    let mut lanes = [0.0; LANES];
    lanes.copy_from_slice(&numbers[..LANES]);
    f32x8::from(lanes)
}

/// The step against a direction
fn against(direction: usize) -> [isize; 3] {
    match direction {
        0 => [0; 3],
        _ if direction % 2 == 1 => PAIRS[direction / 2].map(|c| -c),
        _ => PAIRS[direction / 2 - 1],
    }
}

fn hash(a: u32) -> u32 {
    let x = a.wrapping_mul(747_796_405).wrapping_add(2_891_336_453);
    let x = ((x >> ((x >> 28) + 4)) ^ x).wrapping_mul(277_803_737);
    (x >> 22) ^ x
}

/// A distribution that comes out of a wall that lies a share `q` of the way to the neighbour: from the cell's own,
/// its opposite, and the opposite one cell farther from the wall
fn bounced([own, opposite, beyond]: [f32; 3], beyond_solid: bool, q: f32) -> f32 {
    if beyond_solid {
        opposite
    } else if q < 0.5 {
        2.0 * q * opposite + (1.0 - 2.0 * q) * beyond
    } else {
        opposite / (2.0 * q) + (1.0 - 0.5 / q) * own
    }
}

/// One number, or one for each of several cells
trait Lane: Copy + Add<Output = Self> + Sub<Output = Self> + Mul<Output = Self> + Div<Output = Self> {
    fn of(value: f32) -> Self;
    fn root(self) -> Self;
    fn least(self, other: Self) -> Self;
}

impl Lane for f32 {
    #[inline]
    fn of(value: f32) -> Self {
        value
    }

    #[inline]
    fn root(self) -> Self {
        self.sqrt()
    }

    #[inline]
    fn least(self, other: Self) -> Self {
        self.min(other)
    }
}

impl Lane for f32x8 {
    #[inline]
    fn of(value: f32) -> Self {
        Self::splat(value)
    }

    #[inline]
    fn root(self) -> Self {
        self.sqrt()
    }

    #[inline]
    fn least(self, other: Self) -> Self {
        self.min(other)
    }
}

/// Density deviation and velocity
#[inline]
fn velocity<L: Lane>(h: &[L; DIRECTIONS]) -> (L, [L; 3]) {
    let mut rho = h[0];
    let mut d = [h[0]; 9];
    for k in 0..9 {
        let (p, m) = (h[2 * k + 1], h[2 * k + 2]);
        rho = rho + (p + m);
        d[k] = p - m;
    }
    let density = L::of(1.0) + rho;
    let u = [
        (d[0] + d[3] + d[4] + d[5] + d[6]) / density,
        (d[1] + d[3] - d[4] + d[7] + d[8]) / density,
        (d[2] + d[5] - d[6] + d[7] - d[8]) / density,
    ];
    (rho, u)
}

fn weight(k: usize) -> f32 {
    if k < 3 { W[1] } else { W[2] }
}

#[inline]
fn equilibrium<L: Lane>(rho: L, u: [L; 3]) -> [L; DIRECTIONS] {
    let [x, y, z] = u;
    let density = L::of(1.0) + rho;
    let still = L::of(1.5) * (x * x + y * y + z * z);
    let mut h = [L::of(W[0]) * (rho - density * still); DIRECTIONS];
    let along = [x, y, z, x + y, x - y, x + z, x - z, y + z, y - z];
    for k in 0..9 {
        let even = rho + density * (L::of(4.5) * along[k] * along[k] - still);
        let odd = density * L::of(3.0) * along[k];
        h[2 * k + 1] = L::of(weight(k)) * (even + odd);
        h[2 * k + 2] = L::of(weight(k)) * (even - odd);
    }
    h
}

#[inline]
fn collided<L: Lane>(h: &[L; DIRECTIONS], relaxation: L, distance: L) -> [L; DIRECTIONS] {
    let (rho, u) = velocity(h);
    let mut out = equilibrium(rho, u);
    let mut s = [rho; 9];
    for k in 0..9 {
        s[k] = h[2 * k + 1] + h[2 * k + 2] - out[2 * k + 1] - out[2 * k + 2];
    }
    // Second moments of what is not in equilibrium.
    let xx = s[0] + s[3] + s[4] + s[5] + s[6];
    let yy = s[1] + s[3] + s[4] + s[7] + s[8];
    let zz = s[2] + s[5] + s[6] + s[7] + s[8];
    let (xy, xz, yz) = (s[3] - s[4], s[5] - s[6], s[7] - s[8]);
    let two = L::of(2.0);
    let size = xx * xx + yy * yy + zz * zz + two * (xy * xy + xz * xz + yz * yz);
    // 18 sqrt 2 C^2 |P|
    let still = (distance / L::of(DAMPED_CELLS)).least(L::of(1.0));
    let constant = L::of(25.455_844 * SMAGORINSKY * SMAGORINSKY);
    let strain = constant * still * still * size.root() / (L::of(1.0) + rho);
    let tau = L::of(0.5) * (relaxation + (relaxation * relaxation + strain).root());
    let keep = L::of(4.5) * (L::of(1.0) - L::of(1.0) / tau);
    let third = (xx + yy + zz) / L::of(3.0);
    let along = [
        xx,
        yy,
        zz,
        xx + yy + two * xy,
        xx + yy - two * xy,
        xx + zz + two * xz,
        xx + zz - two * xz,
        yy + zz + two * yz,
        yy + zz - two * yz,
    ];
    out[0] = out[0] - keep * L::of(W[0]) * third;
    for k in 0..9 {
        let part = keep * L::of(weight(k)) * (along[k] - third);
        out[2 * k + 1] = out[2 * k + 1] + part;
        out[2 * k + 2] = out[2 * k + 2] + part;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Distributions that are far from equilibrium
    fn stirred(seed: u32) -> [f32; DIRECTIONS] {
        let mut h = equilibrium(0.02, [0.04, -0.03, 0.08]);
        for (direction, value) in h.iter_mut().enumerate() {
            *value += 1e-3 * (hash(seed * 19 + direction as u32) as f32 / 4_294_967_296.0 - 0.5);
        }
        h
    }

    #[test]
    fn a_collision_keeps_mass_and_momentum_and_leaves_equilibrium_alone() {
        let calm = equilibrium(0.02, [0.04, -0.03, 0.08]);
        for (after, before) in collided(&calm, 0.51, 8.0).iter().zip(calm) {
            assert!((after - before).abs() < 1e-7, "{after} {before}");
        }
        let stirred = stirred(1);
        let after = collided(&stirred, 0.51, 8.0);
        // Sums by the directions themselves.
        for axis in 0..3 {
            let momentum = |h: &[f32; DIRECTIONS]| -> f32 {
                (0..DIRECTIONS).map(|d| -against(d)[axis] as f32 * h[d]).sum()
            };
            assert!((momentum(&after) - momentum(&stirred)).abs() < 1e-6);
        }
        assert!((after.iter().sum::<f32>() - stirred.iter().sum::<f32>()).abs() < 1e-6);
        assert!(after.iter().zip(stirred).any(|(a, b)| (a - b).abs() > 1e-5));
    }

    #[test]
    fn eight_cells_at_once_are_the_same_bits_as_one_by_one() {
        let cells: Vec<_> = (0..8).map(stirred).collect();
        let together: [f32x8; DIRECTIONS] =
            std::array::from_fn(|d| f32x8::from(std::array::from_fn::<f32, 8, _>(|lane| cells[lane][d])));
        let together = collided(&together, f32x8::splat(0.503), f32x8::splat(2.5)).map(f32x8::to_array);
        for (lane, cell) in cells.iter().enumerate() {
            let alone = collided(cell, 0.503, 2.5);
            assert!((0..DIRECTIONS).all(|d| alone[d].to_bits() == together[d][lane].to_bits()));
        }
    }
}
