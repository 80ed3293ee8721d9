//! Where there is blood and where there is wall, as one signed distance.
//!
//! The orifices' own distance is tabled once in the plane; the wall is that table drawn through the leaflets' surface,
//! with its upstream and downstream edges rounded by the usual offset of two distances. Distances are exact
//! where the wall is straight and flat, which is where the flow asks for them: beside it.

use crate::numeric::Image;

use super::super::shape::{Outline, edges};
use super::recipe::{FlowRecipe, FlowRecipeError};

/// Step of the table of distances in the plane, mm
const TABLE_MM: f64 = 0.1;

/// The wall between two chambers and the chambers around it
pub(super) struct Geometry {
    /// Signed distance to the orifices in the plane, mm, negative inside
    table: Image<f64>,
    /// Place of the table's first point, mm
    corner_mm: [f64; 2],
    half_mm: [f64; 2],
    thickness: f64,
    upstream_radius: f64,
    downstream_radius: f64,
    slope: f64,
    rise_mm: f64,
    shear: [f64; 2],
    side_wall_mm: Option<f64>,
    /// Area of the orifices, mm2
    pub(super) anatomic_mm2: f64,
    /// Centroid and area of each orifice
    pub(super) orifices: Vec<([f64; 2], f64)>,
}

impl Geometry {
    /// # Errors
    /// [`FlowRecipeError`] for an orifice without an area, outside the wall, or into another.
    pub(super) fn new(recipe: &FlowRecipe) -> Result<Self, FlowRecipeError> {
        let mut rings: Vec<Vec<[f64; 2]>> = Vec::new();
        let mut orifices = Vec::new();
        for orifice in &recipe.orifice {
            let outline = Outline::of(&orifice.shape).map_err(FlowRecipeError::Outline)?;
            let (sin, cos) = libm::sincos(orifice.roll_deg.to_radians());
            let [x, y] = orifice.position_mm;
            let turned = |p: &[f64; 2]| [x + cos * p[0] - sin * p[1], y + sin * p[0] + cos * p[1]];
            rings.push(outline.points().iter().map(turned).collect());
            orifices.push(([x, y], outline.area()));
        }
        let half_mm = recipe.chamber.side_mm.map(|side| side / 2.0);
        let fits = |p: &[f64; 2]| (0..2).all(|axis| p[axis].abs() < half_mm[axis] - 3.0);
        if !rings.iter().flatten().all(fits) {
            return Err(FlowRecipeError::Outside);
        }
        let corner_mm = half_mm.map(|half| -half - 1.0);
        let count = |axis: usize| ((2.0 * (half_mm[axis] + 1.0)) / TABLE_MM) as usize + 2;
        let table = Image::from_fn(count(0), count(1), |x, y| {
            let p = [corner_mm[0] + TABLE_MM * x as f64, corner_mm[1] + TABLE_MM * y as f64];
            rings.iter().map(|ring| ring_distance(ring, p)).fold(f64::INFINITY, f64::min)
        });
        if rings.len() > 1 && joined(&table) < rings.len() {
            return Err(FlowRecipeError::Joined);
        }
        let leaflet = &recipe.leaflet;
        let lean = leaflet.jet_tilt_deg.to_radians();
        let (sin, cos) = libm::sincos(leaflet.jet_azimuth_deg.to_radians());
        let shear = [libm::tan(lean) * cos, libm::tan(lean) * sin];
        Ok(Self {
            table,
            corner_mm,
            half_mm,
            thickness: leaflet.thickness_mm,
            upstream_radius: leaflet.upstream_radius_mm,
            downstream_radius: leaflet.downstream_radius_mm,
            slope: leaflet.slope,
            rise_mm: leaflet.rise_mm,
            shear,
            side_wall_mm: recipe.chamber.side_wall_mm,
            anatomic_mm2: orifices.iter().map(|(_, area)| area).sum(),
            orifices,
        })
    }

    /// Distance in the plane to the orifices, mm, negative inside
    fn plane(&self, u: f64, v: f64) -> f64 {
        let place = |value: f64, corner: f64, count: usize| {
            let at = ((value - corner) / TABLE_MM).clamp(0.0, count as f64 - 1.001);
            (at as usize, at - at.floor())
        };
        let (i, fx) = place(u, self.corner_mm[0], self.table.width());
        let (j, fy) = place(v, self.corner_mm[1], self.table.height());
        let row = |j: usize| self.table.at(i, j) + fx * (self.table.at(i + 1, j) - self.table.at(i, j));
        row(j) + fy * (row(j + 1) - row(j))
    }

    /// Signed distance to the nearest wall at (u, v, w), mm: positive in blood
    pub(super) fn distance(&self, [u, v, w]: [f64; 3]) -> f64 {
        let away = self.plane(u - self.shear[0] * w, v - self.shear[1] * w);
        // The leaflet's upstream face leans from the orifice's edge and levels off at its full rise.
        let rise = if self.rise_mm > 0.0 {
            self.slope.signum() * self.rise_mm * libm::tanh(self.slope.abs() * away.max(0.0) / self.rise_mm)
        } else {
            0.0
        };
        let level = if away < self.rise_mm / self.slope.abs().max(1e-9) { self.slope } else { 0.0 };
        let upright = 1.0 / libm::sqrt(1.0 + level * level);
        let depth = (w - rise) * upright;
        let wall = quadrant(away, depth, self.upstream_radius).max(quadrant(
            away,
            self.thickness - depth,
            self.downstream_radius,
        ));
        let chamber = (self.half_mm[0] - u.abs()).min(self.half_mm[1] - v.abs());
        let beside = self
            .side_wall_mm
            .map_or(f64::INFINITY, |at| quadrant(u - at, w - rise - self.thickness / 2.0, 0.0));
        wall.min(chamber).min(beside)
    }
}

/// Signed distance to the quadrant a > 0, b > 0 with its corner rounded, positive outside it
fn quadrant(a: f64, b: f64, radius: f64) -> f64 {
    let (x, y) = (radius - a, radius - b);
    x.max(y).min(0.0) + libm::hypot(x.max(0.0), y.max(0.0)) - radius
}

/// Signed distance to a polygon, negative inside
fn ring_distance(ring: &[[f64; 2]], p: [f64; 2]) -> f64 {
    let (mut nearest, mut inside) = (f64::INFINITY, false);
    for (a, b) in edges(ring) {
        let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
        let along =
            (((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / (dx * dx + dy * dy).max(1e-18)).clamp(0.0, 1.0);
        let (ex, ey) = (p[0] - a[0] - along * dx, p[1] - a[1] - along * dy);
        nearest = nearest.min(ex * ex + ey * ey);
        if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < a[0] + (p[1] - a[1]) / dy * dx {
            inside = !inside;
        }
    }
    if inside { -nearest.sqrt() } else { nearest.sqrt() }
}

/// Number of separate holes
fn joined(table: &Image<f64>) -> usize {
    crate::numeric::label::label(&table.map(|d| d < 0.0), crate::numeric::label::Touch2::Corner).count()
}
