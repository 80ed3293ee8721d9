//! From a recipe to the cells that processor and graphics work from: where walls are, how fast a step is.

use rayon::prelude::*;

use super::file::MOST_CELLS as MOST_STORED;
use super::geometry::Geometry;
use super::recipe::{FlowRecipe, FlowRecipeError};

/// Core speed in lattice units: a Mach number of 0.17 (our own choice)
pub(super) const CORE_SPEED: f64 = 0.1;
/// Smagorinsky's constant (usual values 0.1 to 0.2)
pub(super) const SMAGORINSKY: f32 = 0.12;
/// Nearer to a wall than this eddies are damped in proportion to the distance, cells: without it the thin layer on a
/// rounded lip counts as turbulence (the idea of van Driest, J Aeronaut Sci 1956;23:1007, from memory; the length is
/// our own choice)
pub(super) const DAMPED_CELLS: f32 = 4.0;
/// Added to the relaxation time at the end of the outlet's sponge (our own choice)
const SPONGE: f32 = 0.5;
/// Noise of the inflow over its speed (our own choice)
pub(super) const NOISE: f32 = 0.02;
/// Largest Reynolds number, by the equivalent diameter of all holes
const MOST_REYNOLDS: f64 = 40_000.0;
/// Least cells across an orifice's mean width
const LEAST_CELLS: f64 = 9.0;
/// Most cells: what graphics hold of them is 84 bytes each
const MOST_CELLS: usize = 400_000_000;
/// A stored cell is about this large, mm
const STORED_MM: f64 = 0.3;
/// Stored values of a cell: u v w, uu vv ww uv uw vw
pub(super) const SUMS: usize = 9;

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
    /// [`FlowRecipeError`] where cells are too coarse or too many, or the Reynolds number is too large.
    pub(super) fn new(recipe: &FlowRecipe, geometry: &Geometry) -> Result<Self, FlowRecipeError> {
        let (fluid, chamber) = (&recipe.fluid, &recipe.chamber);
        let dx = fluid.cell_mm;
        for orifice in &recipe.orifice {
            let outline =
                super::super::shape::Outline::of(&orifice.shape).map_err(FlowRecipeError::Outline)?;
            let width = 2.0 * outline.area() / (outline.perimeter() / 2.0);
            if width < LEAST_CELLS * dx {
                return Err(FlowRecipeError::Coarse {
                    cell_mm: dx,
                    width_mm: width,
                    needed: width / LEAST_CELLS,
                });
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
        let count = cells[0] * cells[1] * cells[2];
        if count > MOST_CELLS {
            return Err(FlowRecipeError::Large { part: "cells", count, most: MOST_CELLS });
        }
        let place = |axis: usize, i: usize| match axis {
            2 => (i as f64 + 0.5) * dx - chamber.upstream_mm,
            _ => (i as f64 - (cells[axis] as f64 - 1.0) / 2.0) * dx,
        };
        let ratio = (STORED_MM / dx + 0.01).round().max(1.0) as usize;
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
        let count: usize = stored.iter().product();
        if count > MOST_STORED {
            return Err(FlowRecipeError::Large { part: "stored cells", count, most: MOST_STORED });
        }
        let mut distance = vec![0.0f32; cells[0] * cells[1] * cells[2]];
        distance.par_chunks_mut(cells[0] * cells[1]).enumerate().for_each(|(k, plane)| {
            for (i, value) in plane.iter_mut().enumerate() {
                let at = [place(0, i % cells[0]), place(1, i / cells[0]), place(2, k)];
                *value = (geometry.distance(at) / dx).clamp(-8.0, 8.0) as f32;
            }
        });
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
