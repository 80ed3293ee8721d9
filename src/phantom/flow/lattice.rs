//! A lattice Boltzmann flow on the processor: the plain twin of `shaders/flow.wgsl`.
//!
//! D3Q19 with second-order equilibrium (Qian, d'Humieres and Lallemand, Europhys Lett 1992;17:479). Only the second
//! moments of what is out of equilibrium are kept in a collision (Latt and Chopard, Math Comput Simul 2006;72:165), which
//! is what keeps it stable at a relaxation time just above one half; eddies below the cell are a viscosity in
//! proportion to the local strain (Smagorinsky; Hou and others 1996). Walls are where a signed distance changes its sign
//! between two cells, with linearly interpolated bounce-back (Bouzidi, Firdaouss and Lallemand, Phys Fluids
//! 2001;13:3452). Sources from memory. Distributions are kept as deviations from rest, f - w.

use rayon::prelude::*;

use super::geometry::Geometry;
use super::recipe::{FlowRecipe, FlowRecipeError};

/// Core speed in lattice units: a Mach number of 0.17
pub(super) const CORE_SPEED: f64 = 0.1;
/// Smagorinsky's constant (usual values 0.1 to 0.2)
pub(super) const SMAGORINSKY: f32 = 0.12;
/// Added to the relaxation time at the end of the outlet's sponge (our own choice)
const SPONGE: f32 = 0.5;
/// Noise of the inflow over its speed
pub(super) const NOISE: f32 = 0.02;
/// Largest Reynolds number, by the equivalent diameter of all holes
const MOST_REYNOLDS: f64 = 40_000.0;
/// Least cells across an orifice's mean width
const LEAST_CELLS: f64 = 9.0;
/// A stored cell is about this large, mm
const STORED_MM: f64 = 0.3;
/// Least cells that a thread takes at once
const LEAST_SHARE: usize = 8192;
/// Stored values of a cell: u v w, uu vv ww uv uw vw
pub(super) const SUMS: usize = 9;

const W: [f32; 3] = [1.0 / 3.0, 1.0 / 18.0, 1.0 / 36.0];
/// One of each pair of opposite directions; the pair k holds directions 2k + 1 and 2k + 2
const PAIRS: [[i32; 3]; 9] = [
    [1, 0, 0],
    [0, 1, 0],
    [0, 0, 1],
    [1, 1, 0],
    [1, -1, 0],
    [1, 0, 1],
    [1, 0, -1],
    [0, 1, 1],
    [0, 1, -1],
];

/// What processor and graphics both work from
pub(super) struct Lattice {
    /// Cells along x, y, z: the first and last along x and y are wall
    pub(super) cells: [usize; 3],
    /// Distance to the wall in cells, positive in blood
    pub(super) distance: Vec<f32>,
    /// First cell of the averaged region
    pub(super) first: [usize; 3],
    /// Cells a side of a stored cell
    pub(super) ratio: usize,
    /// Stored cells
    pub(super) stored: [usize; 3],
    /// Speed of the inflow, lattice units
    pub(super) inflow: f32,
    /// Relaxation time of the fluid
    pub(super) relaxation: f32,
    /// What is added to it at the end of the outlet's sponge
    pub(super) sponge: f32,
    /// Metres a second for a lattice unit
    pub(super) speed_m_s: f64,
    /// Seconds a step
    pub(super) step_s: f64,
    /// Side of a cell, mm
    pub(super) cell_mm: f64,
    /// Centre of the first stored cell (u, v, w), mm
    pub(super) origin_mm: [f64; 3],
}

impl Lattice {
    /// # Errors
    /// [`FlowRecipeError`] where cells are too coarse or the Reynolds number too large.
    pub(super) fn new(recipe: &FlowRecipe, geometry: &Geometry) -> Result<Self, FlowRecipeError> {
        let (fluid, chamber) = (&recipe.fluid, &recipe.chamber);
        let dx = fluid.cell_mm;
        for orifice in &recipe.orifice {
            let outline = super::super::shape::Outline::of(&orifice.shape).map_err(FlowRecipeError::Outline)?;
            let width = 2.0 * outline.area() / (outline.perimeter() / 2.0);
            if width < LEAST_CELLS * dx {
                return Err(FlowRecipeError::Coarse { cell_mm: dx, width_mm: width, needed: width / LEAST_CELLS });
            }
        }
        let diameter = (4.0 * geometry.anatomic_mm2 / std::f64::consts::PI).sqrt();
        let reynolds = diameter * fluid.peak_m_s * 1000.0 / fluid.viscosity_mm2_s;
        if reynolds > MOST_REYNOLDS {
            return Err(FlowRecipeError::Reynolds(reynolds));
        }
        let across = |axis: usize| (chamber.side_mm[axis] / dx).round() as usize + 2;
        let along = ((chamber.upstream_mm + chamber.downstream_mm) / dx).round() as usize;
        let cells = [across(0), across(1), along];
        let place = |axis: usize, i: usize| match axis {
            2 => (i as f64 + 0.5) * dx - chamber.upstream_mm,
            _ => (i as f64 - (cells[axis] as f64 - 1.0) / 2.0) * dx,
        };
        let mut distance = vec![0.0f32; cells[0] * cells[1] * cells[2]];
        distance.par_chunks_mut(cells[0] * cells[1]).enumerate().for_each(|(k, plane)| {
            for (i, value) in plane.iter_mut().enumerate() {
                let at = [place(0, i % cells[0]), place(1, i / cells[0]), place(2, k)];
                *value = (geometry.distance(at) / dx).clamp(-8.0, 8.0) as f32;
            }
        });
        let ratio = (STORED_MM / dx).round().max(1.0) as usize;
        let [side, from, to] = fluid.stored_mm;
        let index = |axis: usize, mm: f64| {
            let at = match axis {
                2 => (mm + chamber.upstream_mm) / dx,
                _ => mm / dx + (cells[axis] as f64 - 1.0) / 2.0,
            };
            at.round().max(1.0) as usize
        };
        let low = [index(0, -side / 2.0), index(1, -side / 2.0), index(2, from)];
        let high = [index(0, side / 2.0), index(1, side / 2.0), index(2, to)];
        let stored = [0, 1, 2].map(|a| ((high[a] - low[a]) / ratio).min((cells[a] - 1 - low[a]) / ratio));
        let middle = (ratio as f64 - 1.0) / 2.0 * dx;
        let speed_m_s = fluid.peak_m_s / CORE_SPEED;
        let step_s = dx * 1e-3 / speed_m_s;
        let flow = fluid.flow_ml_s.unwrap_or(0.7 * geometry.anatomic_mm2 * fluid.peak_m_s);
        let chamber_mm2 = chamber.side_mm[0] * chamber.side_mm[1];
        Ok(Self {
            distance,
            first: low,
            ratio,
            stored,
            inflow: (flow / chamber_mm2 / speed_m_s) as f32,
            relaxation: (3.0 * fluid.viscosity_mm2_s * step_s / (dx * dx) + 0.5) as f32,
            sponge: SPONGE,
            speed_m_s,
            step_s,
            cell_mm: dx,
            origin_mm: [0, 1, 2].map(|a| place(a, low[a]) + middle),
            cells,
        })
    }

    /// Steps until averaging begins, and steps that are averaged
    pub(super) fn steps(&self, recipe: &FlowRecipe) -> [usize; 2] {
        [recipe.fluid.settle_ms, recipe.fluid.average_ms].map(|ms| (ms * 1e-3 / self.step_s).ceil() as usize)
    }

    pub(super) fn count(&self) -> usize {
        self.distance.len()
    }

    pub(super) fn stored_count(&self) -> usize {
        self.stored.iter().product()
    }
}

/// Distributions on the processor
pub(super) struct Processor<'a> {
    lattice: &'a Lattice,
    /// `[direction][cell]`, now and next
    now: Vec<Vec<f32>>,
    next: Vec<Vec<f32>>,
    /// `[value][stored cell]`
    pub(super) sums: Vec<f32>,
    step: u32,
}

/// The 19 distributions of one cell: rest, then pairs
type Cell = [f32; 19];

impl<'a> Processor<'a> {
    pub(super) fn new(lattice: &'a Lattice) -> Self {
        let blank = || vec![vec![0.0f32; lattice.count()]; 19];
        let sums = vec![0.0; SUMS * lattice.stored_count()];
        Self { lattice, now: blank(), next: blank(), sums, step: 0 }
    }

    /// Sets every cell, wall too, to the equilibrium of a density deviation and velocity in lattice units
    pub(super) fn set(&mut self, of: impl Fn([usize; 3]) -> (f32, [f32; 3])) {
        let [nx, ny, _] = self.lattice.cells;
        for cell in 0..self.lattice.count() {
            let (rho, u) = of([cell % nx, cell / nx % ny, cell / (nx * ny)]);
            for (direction, value) in equilibrium(rho, u).into_iter().enumerate() {
                self.now[direction][cell] = value;
                self.next[direction][cell] = value;
            }
        }
    }

    /// Gives a cell the velocity that is imposed on it and all else of a cell beside it (Guo, Zheng and Shi, Chin Phys
    /// 2002;11:366, extrapolation of what is not in equilibrium; from memory)
    pub(super) fn impose(&mut self, cell: usize, beside: usize, u: [f32; 3]) {
        let there: Cell = std::array::from_fn(|direction| self.now[direction][beside]);
        let (rho, moving) = moments(&there);
        let (from, to) = (equilibrium(rho, moving), equilibrium(rho, u));
        for direction in 0..19 {
            self.now[direction][cell] = there[direction] - from[direction] + to[direction];
        }
    }

    /// Makes the lattice periodic for the next step: the outermost layers become the images of the other side's inner ones
    pub(super) fn wrap(&mut self, axes: &[usize]) {
        let cells = self.lattice.cells;
        let strides = [1, cells[0], cells[0] * cells[1]];
        for axis in axes {
            let (stride, last) = (strides[*axis], cells[*axis] - 1);
            for cell in (0..self.lattice.count()).filter(|cell| cell / stride % cells[*axis] == 0) {
                for direction in &mut self.now {
                    direction[cell] = direction[cell + (last - 1) * stride];
                    direction[cell + last * stride] = direction[cell + stride];
                }
            }
        }
    }

    /// Density deviation and velocity of a cell, lattice units
    pub(super) fn velocity(&self, cell: usize) -> (f32, [f32; 3]) {
        moments(&std::array::from_fn(|direction| self.now[direction][cell]))
    }

    pub(super) fn advance(&mut self) {
        let (lattice, now, step) = (self.lattice, &self.now, self.step);
        let [nx, ny, nz] = lattice.cells;
        let plane = nx * ny;
        // Planes of each direction, handed out together.
        let mut planes: Vec<Vec<&mut [f32]>> = (0..nz).map(|_| Vec::with_capacity(19)).collect();
        for direction in &mut self.next {
            for (z, part) in direction.chunks_mut(plane).enumerate() {
                planes[z].push(part);
            }
        }
        let share = LEAST_SHARE.div_ceil(plane);
        planes.par_iter_mut().enumerate().with_min_len(share).for_each(|(z, out)| {
            for i in 0..plane {
                let cell = i + z * plane;
                if lattice.distance[cell] <= 0.0 {
                    continue;
                }
                let at = |cell: usize| -> Cell { std::array::from_fn(|direction| now[direction][cell]) };
                let values = if z == 0 {
                    let (rho, _) = moments(&at(cell + plane));
                    equilibrium(rho, inflow(lattice, [i % nx, i / nx], step))
                } else if z + 1 == nz {
                    equilibrium(0.0, moments(&at(cell - plane)).1)
                } else {
                    let reach = ((z as f32 / (nz - 1) as f32 - 0.85) / 0.15).max(0.0);
                    collided(&streamed(lattice, now, cell), lattice.relaxation + lattice.sponge * reach * reach)
                };
                for (part, value) in out.iter_mut().zip(values) {
                    part[i] = value;
                }
            }
        });
        std::mem::swap(&mut self.now, &mut self.next);
        self.step += 1;
    }

    /// Adds the velocity and its products over the blood of each stored cell
    pub(super) fn gather(&mut self) {
        let (lattice, now) = (self.lattice, &self.now);
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
                    let cell = x + nx * (y + ny * z);
                    if lattice.distance[cell] > 0.0 {
                        let (_, [u, v, w]) = moments(&std::array::from_fn(|direction| now[direction][cell]));
                        for (sum, value) in sum.iter_mut().zip([u, v, w, u * u, v * v, w * w, u * v, u * w, v * w]) {
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

fn hash(a: u32) -> u32 {
    let x = a.wrapping_mul(747_796_405).wrapping_add(2_891_336_453);
    let x = ((x >> ((x >> 28) + 4)) ^ x).wrapping_mul(277_803_737);
    (x >> 22) ^ x
}

/// Velocity of the inflow: noise that is constant over blocks of 8 by 8 cells and 64 steps
fn inflow(lattice: &Lattice, [x, y]: [usize; 2], step: u32) -> [f32; 3] {
    let noise = |axis: u32| {
        let block = (x as u32 / 8).wrapping_add((y as u32 / 8).wrapping_mul(977));
        let key = hash(hash(hash(block).wrapping_add(step / 64)).wrapping_add(axis));
        (key >> 8) as f32 / 8_388_608.0 - 1.0
    };
    let along = [0.0, 0.0, 1.0];
    std::array::from_fn(|axis| lattice.inflow * (along[axis] + NOISE * noise(axis as u32)))
}

/// Density deviation and velocity
fn moments(h: &Cell) -> (f32, [f32; 3]) {
    let mut rho = h[0];
    let mut j = [0.0f32; 3];
    for (k, c) in PAIRS.iter().enumerate() {
        let (p, m) = (h[2 * k + 1], h[2 * k + 2]);
        rho += p + m;
        for axis in 0..3 {
            j[axis] += (p - m) * c[axis] as f32;
        }
    }
    (rho, j.map(|j| j / (1.0 + rho)))
}

fn weight(k: usize) -> f32 {
    if k < 3 { W[1] } else { W[2] }
}

fn dot(u: [f32; 3], c: [i32; 3]) -> f32 {
    u[0] * c[0] as f32 + u[1] * c[1] as f32 + u[2] * c[2] as f32
}

fn equilibrium(rho: f32, u: [f32; 3]) -> Cell {
    let square = u[0] * u[0] + u[1] * u[1] + u[2] * u[2];
    let of = |w: f32, cu: f32| w * (rho + (1.0 + rho) * (3.0 * cu + 4.5 * cu * cu - 1.5 * square));
    let mut h = [0.0; 19];
    h[0] = of(W[0], 0.0);
    for (k, c) in PAIRS.iter().enumerate() {
        let cu = dot(u, *c);
        h[2 * k + 1] = of(weight(k), cu);
        h[2 * k + 2] = of(weight(k), -cu);
    }
    h
}

/// What arrives at a cell, out of its neighbours or back from a wall
fn streamed(lattice: &Lattice, now: &[Vec<f32>], cell: usize) -> Cell {
    let [nx, ny, _] = lattice.cells;
    let d0 = lattice.distance[cell];
    let near = d0 < 2.0;
    let mut h = [0.0; 19];
    h[0] = now[0][cell];
    for (k, c) in PAIRS.iter().enumerate() {
        let offset = c[0] as isize + nx as isize * (c[1] as isize + ny as isize * c[2] as isize);
        let (behind, ahead) = ((cell as isize - offset) as usize, (cell as isize + offset) as usize);
        let (plus, minus) = (&now[2 * k + 1], &now[2 * k + 2]);
        let (mut p, mut m) = (plus[behind], minus[ahead]);
        if near {
            let (db, da) = (lattice.distance[behind], lattice.distance[ahead]);
            if db <= 0.0 {
                p = bounced([plus[cell], minus[cell], minus[ahead]], da <= 0.0, d0 / (d0 - db));
            }
            if da <= 0.0 {
                m = bounced([minus[cell], plus[cell], plus[behind]], db <= 0.0, d0 / (d0 - da));
            }
        }
        h[2 * k + 1] = p;
        h[2 * k + 2] = m;
    }
    h
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

fn collided(h: &Cell, relaxation: f32) -> Cell {
    let (rho, u) = moments(h);
    let rest = equilibrium(rho, u);
    // Second moments of what is not in equilibrium: xx yy zz xy xz yz.
    let mut p = [0.0f32; 6];
    let products = |c: [i32; 3]| {
        let [x, y, z] = c.map(|c| c as f32);
        [x * x, y * y, z * z, x * y, x * z, y * z]
    };
    for (k, c) in PAIRS.iter().enumerate() {
        let both = h[2 * k + 1] - rest[2 * k + 1] + h[2 * k + 2] - rest[2 * k + 2];
        for (p, product) in p.iter_mut().zip(products(*c)) {
            *p += both * product;
        }
    }
    let square = p[0] * p[0] + p[1] * p[1] + p[2] * p[2] + 2.0 * (p[3] * p[3] + p[4] * p[4] + p[5] * p[5]);
    // 18 sqrt 2 C^2 |P|
    let strain = 25.455_844 * SMAGORINSKY * SMAGORINSKY * square.sqrt() / (1.0 + rho);
    let tau = 0.5 * (relaxation + (relaxation * relaxation + strain).sqrt());
    let keep = 4.5 * (1.0 - 1.0 / tau);
    let third = (p[0] + p[1] + p[2]) / 3.0;
    let mut out = rest;
    out[0] -= keep * W[0] * third;
    for (k, c) in PAIRS.iter().enumerate() {
        let [xx, yy, zz, xy, xz, yz] = products(*c);
        let cc = p[0] * xx + p[1] * yy + p[2] * zz + 2.0 * (p[3] * xy + p[4] * xz + p[5] * yz) - third;
        let part = keep * weight(k) * cc;
        out[2 * k + 1] += part;
        out[2 * k + 2] += part;
    }
    out
}
