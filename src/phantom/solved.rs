//! A solved flow made ready to be scanned, and what lies beyond its grid.
//!
//! Lengths are scaled by one factor and speeds by another, moment by moment, as if the flow were
//! steady at each: the Reynolds number is then not the one that was solved, and the truth tells
//! which it would be. Beyond the grid: upstream every orifice draws as a point sink in a half space,
//! `Q / (2 pi r^2)`; downstream a Gaussian jet of the same momentum whose half-velocity radius is
//! 0.094 of the distance (Hussein, Capp and George, J Fluid Mech 1994;258:31-75); aside of it rest.
//! The plate goes on as it leaves the grid.

use std::f32::consts::{LN_2, PI};

use wide::f32x4;

use super::flow::{FlowHeader, SolvedFlow};

/// Half-velocity radius over distance, far downstream (Hussein 1994)
const SPREAD: f32 = 0.094;
/// Turbulent standard deviation over the local speed in the far jet (from memory: 0.25)
const FAR_TURBULENCE: f32 = 0.25;

/// A solved flow with its arrays laid out for the scanner, about 50 bytes a cell
#[derive(Debug)]
pub struct ReadyFlow {
    /// Everything that is known of it
    pub header: FlowHeader,
    count: [usize; 3],
    origin: [f32; 3],
    per_cell: f32,
    /// u, v, w, wall; uu, vv, ww, -; 2 uv, 2 uw, 2 vw, -
    cells: Vec<[f32x4; 3]>,
    /// Where the plate's middle leaves the grid, mm along w
    edge: f32,
    far: Vec<Far>,
}

/// One orifice seen from afar
#[derive(Debug)]
struct Far {
    centre: [f32; 3],
    axis: [f32; 3],
    flow: f32,
    /// Momentum flux over density, mm2 m2/s2
    momentum: f32,
}

/// Blood and wall at a point, along one direction
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Along {
    /// Mean velocity along it, m/s
    pub(crate) velocity: f32,
    /// Variance of the velocity along it, m2/s2
    pub(crate) variance: f32,
    /// Share of wall, 0 to 1
    pub(crate) wall: f32,
}

impl ReadyFlow {
    /// Lays a flow out for scanning
    pub fn new(flow: &SolvedFlow) -> Self {
        let header = flow.header.clone();
        let count = header.cells;
        let at = |index: usize, axis: usize| header.origin_mm[axis] + header.cell_mm * index as f64;
        let mut cells = Vec::with_capacity(count.iter().product());
        for k in 0..count[2] {
            for j in 0..count[1] {
                for i in 0..count[0] {
                    let sample = flow.at([at(i, 0), at(j, 1), at(k, 2)]);
                    let [u, v, w] = sample.mean_m_s.map(|x| x as f32);
                    let [uu, vv, ww, uv, uw, vw] = sample.covariance.map(|x| x as f32);
                    cells.push([
                        f32x4::from([u, v, w, sample.wall as f32]),
                        f32x4::from([uu, vv, ww, 0.0]),
                        f32x4::from([2.0 * uv, 2.0 * uw, 2.0 * vw, 0.0]),
                    ]);
                }
            }
        }
        let truth = &header.truth;
        let far = truth
            .orifices
            .iter()
            .map(|orifice| Far {
                centre: [orifice.centroid_mm[0] as f32, orifice.centroid_mm[1] as f32, 0.0],
                axis: orifice.axis.map(|x| x as f32),
                flow: (orifice.share * truth.flow_ml_s) as f32,
                momentum: (orifice.effective_mm2 * truth.core_m_s * truth.core_m_s) as f32,
            })
            .collect();
        let mut ready = Self {
            count,
            origin: header.origin_mm.map(|x| x as f32),
            per_cell: (1.0 / header.cell_mm) as f32,
            cells,
            edge: 0.0,
            far,
            header,
        };
        ready.edge = ready.edge();
        ready
    }

    /// Mean w of the wall in the outermost columns
    fn edge(&self) -> f32 {
        let [nu, nv, nw] = self.count;
        let (mut sum, mut weight) = (0.0f32, 0.0f32);
        for k in 0..nw {
            let w = self.origin[2] + k as f32 / self.per_cell;
            for j in 0..nv {
                let step = if j == 0 || j == nv - 1 { 1 } else { nu - 1 };
                for i in (0..nu).step_by(step) {
                    let wall = self.cells[i + nu * (j + nv * k)][0].to_array()[3];
                    sum += wall * w;
                    weight += wall;
                }
            }
        }
        if weight > 0.0 { sum / weight } else { 0.0 }
    }

    /// The flow at a point (u, v, w), mm, along a unit vector, both in the flow's own frame and scale
    pub(crate) fn along(&self, point: [f32; 3], d: [f32; 3]) -> Along {
        let mut first = [0usize; 3];
        let mut share = [0f32; 3];
        let mut within = true;
        for a in 0..3 {
            let at = (point[a] - self.origin[a]) * self.per_cell;
            let last = (self.count[a] - 1) as f32;
            within &= at >= 0.0 && at <= last;
            let at = at.clamp(0.0, last);
            first[a] = (at as usize).min(self.count[a] - 2);
            share[a] = at - first[a] as f32;
        }
        let (dv, dw) = (self.count[0], self.count[0] * self.count[1]);
        let start = first[0] + dv * first[1] + dw * first[2];
        if !within {
            return self.beyond(point, d, self.cells[start][0].to_array()[3]);
        }
        let [fu, fv, fw] = share;
        let mut sums = [f32x4::ZERO; 3];
        for (corner, offset) in [(0, 0), (1, dv), (2, dw), (3, dv + dw)] {
            let across =
                (if corner & 1 == 1 { fv } else { 1.0 - fv }) * (if corner & 2 == 2 { fw } else { 1.0 - fw });
            let pair = &self.cells[start + offset..][..2];
            let (low, high) = (f32x4::splat(across * (1.0 - fu)), f32x4::splat(across * fu));
            for lane in 0..3 {
                sums[lane] += low * pair[0][lane] + high * pair[1][lane];
            }
        }
        let [u, v, w, wall] = sums[0].to_array();
        let [uu, vv, ww, _] = sums[1].to_array();
        let [uv, uw, vw, _] = sums[2].to_array();
        let variance = uu * d[0] * d[0]
            + vv * d[1] * d[1]
            + ww * d[2] * d[2]
            + uv * d[0] * d[1]
            + uw * d[0] * d[2]
            + vw * d[1] * d[2];
        Along { velocity: u * d[0] + v * d[1] + w * d[2], variance: variance.max(0.0), wall }
    }

    fn beyond(&self, p: [f32; 3], d: [f32; 3], wall: f32) -> Along {
        let dot = |a: [f32; 3], b: [f32; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
        // Wall goes on aside of the grid, not along the jet.
        let last = self.origin[2] + (self.count[2] - 1) as f32 / self.per_cell;
        let wall = if p[2] >= self.origin[2] && p[2] <= last && wall > 0.5 { 1.0 } else { 0.0 };
        if wall > 0.0 {
            return Along { wall, ..Along::default() };
        }
        let mut found = Along::default();
        for far in &self.far {
            let from = [p[0] - far.centre[0], p[1] - far.centre[1], p[2] - far.centre[2]];
            let r2 = dot(from, from).max(1.0);
            if p[2] < self.edge {
                found.velocity -= far.flow / (2.0 * PI * r2 * r2.sqrt()) * dot(from, d);
                continue;
            }
            let s = dot(from, far.axis);
            let half = SPREAD * s;
            let off2 = r2 - s * s;
            if s < 2.0 || off2 > 9.0 * half * half {
                continue;
            }
            let centre = (2.0 * LN_2 * far.momentum / PI).sqrt() / half;
            let speed = centre * libm::expf(-LN_2 * off2 / (half * half));
            found.velocity += speed * dot(far.axis, d);
            found.variance += FAR_TURBULENCE * FAR_TURBULENCE * speed * speed;
        }
        found
    }
}
