//! One surface of equal speed: its triangles, its area, the flow through it.

use std::f64::consts::PI;

use crate::numeric::isosurface::{Cells, area_vector, isosurface};
use crate::numeric::label::{Touch3, label_3d};
use crate::space::{Direction, VolumePoint, VoxelPoint};

use super::field::Upstream;
use super::pull::Pull;

/// Rings of equal solid angle about the axis
const RINGS: usize = 10;
/// Sectors around it
const SECTORS: usize = 20;
/// A piece of direction counts as seen when the surface fills this share of its solid angle
const SEEN: f64 = 0.5;

/// What one surface says
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Surface {
    /// Area of the triangles, mm2
    pub(super) seen_mm2: f64,
    /// Area of the whole surface, what is not seen continued, mm2
    pub(super) area_mm2: f64,
    /// The same across the local direction of flow, mm2
    pub(super) across_mm2: f64,
    /// Share of the half-space of directions in which the surface is seen, 0 to 1
    pub(super) seen: f64,
}

/// Where the surface is looked for
pub(super) struct Speeds<'a> {
    pub(super) upstream: &'a Upstream,
    /// Speed at each block of the box, m/s
    pub(super) speed: &'a [f32],
    /// Where it can be told
    pub(super) told: &'a [bool],
    /// The cubes between blocks where it can be told
    pub(super) cells: &'a Cells,
    pub(super) pull: &'a Pull,
    /// Along the flow
    pub(super) axis: Direction,
}

impl Speeds<'_> {
    /// The surface of a speed about the opening; `None` where nothing is that fast
    pub(super) fn surface(&self, level: f64) -> Option<Surface> {
        let shape = self.upstream.shape();
        let fast: Vec<bool> =
            self.speed.iter().zip(self.told).map(|(s, told)| *told && f64::from(*s) >= level).collect();
        let labels = label_3d(&fast, shape, Touch3::Face)?;
        let most = labels.largest()?;
        // Fast specks elsewhere are noise.
        let speck = |i: usize| fast[i] && labels.labels[i] != most;
        let field = |i: usize| if speck(i) { 0.9 * level } else { f64::from(self.speed[i]) };
        // A mirrored grid turns the triangles over.
        let handed = self.upstream.grid.rotation().determinant().signum();
        let centre = self.pull.centre();
        let upstream = -self.axis.into_inner();
        let (u, v) = crate::space::perpendicular_pair(self.axis);
        // Per piece of direction: solid angle, area across the flow, area.
        let mut pieces = vec![[0.0f64; 3]; RINGS * SECTORS];
        for triangle in isosurface(field, self.cells, level) {
            let corners = triangle.map(|corner| self.upstream.grid.volume_from_voxel(VoxelPoint(corner)).0);
            let out = area_vector(&corners) * handed;
            let middle =
                VolumePoint(((corners[0].coords + corners[1].coords + corners[2].coords) / 3.0).into());
            let from = middle.from(centre);
            let far = from.norm();
            let height = from.dot(&upstream) / far.max(1e-9);
            if height <= 0.0 || far < 1e-6 {
                continue;
            }
            let flow = self.pull.at(middle);
            let ring = ((height * RINGS as f64) as usize).min(RINGS - 1);
            let turn = libm::atan2(from.dot(&v), from.dot(&u)) / (2.0 * PI) + 0.5;
            let sector = ((turn * SECTORS as f64) as usize).min(SECTORS - 1);
            let piece = &mut pieces[ring * SECTORS + sector];
            piece[0] += out.dot(&from) / (far * far * far);
            piece[1] -= out.dot(&flow) / flow.norm().max(1e-12);
            piece[2] += out.norm();
        }
        gather(&pieces)
    }
}

/// Adds the pieces; those not seen are continued with the distance of the nearest seen toward the axis,
/// then away from it, in the same sector, or with the mean of all
fn gather(pieces: &[[f64; 3]]) -> Option<Surface> {
    let whole = 2.0 * PI / pieces.len() as f64;
    let across = |piece: &[f64; 3]| (piece[0] > SEEN * whole).then(|| piece[1] / piece[0]);
    let known: Vec<Option<f64>> = pieces.iter().map(across).collect();
    let seen: Vec<f64> = known.iter().flatten().copied().collect();
    if seen.is_empty() {
        return None;
    }
    let mean = crate::numeric::stats::mean(&seen);
    let mut out = Surface {
        seen_mm2: pieces.iter().map(|p| p[2]).sum(),
        area_mm2: 0.0,
        across_mm2: 0.0,
        seen: seen.len() as f64 / pieces.len() as f64,
    };
    for ring in 0..RINGS {
        for sector in 0..SECTORS {
            let at = |ring: usize| known[ring * SECTORS + sector];
            let toward = (ring..RINGS).find_map(at);
            let per_angle = toward.or_else(|| (0..ring).rev().find_map(at)).unwrap_or(mean);
            let piece = pieces[ring * SECTORS + sector];
            out.across_mm2 += per_angle * whole;
            out.area_mm2 += match known[ring * SECTORS + sector] {
                Some(_) => piece[2] + per_angle * (whole - piece[0]).max(0.0),
                None => per_angle * whole,
            };
        }
    }
    Some(out)
}
