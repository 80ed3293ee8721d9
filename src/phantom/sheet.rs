//! Potential flow toward an orifice in a plane wall: a sheet of sinks over the orifice.
//!
//! In the half-space upstream of a plane wall the velocity of an ideal fluid that leaves through an
//! outline A with one normal speed Q/|A| is exactly
//!
//! ```text
//!   v(P) = Q / (2 pi |A|)  integral over A of  (r' - P) / |r' - P|^3  dA'
//! ```
//!
//! For a polygon both parts have closed forms: across the wall the integral is the solid angle of
//! the polygon (van Oosterom and Strackee, IEEE Trans Biomed Eng 1983;30:125-6), along the wall the
//! divergence theorem leaves one logarithm an edge. Far away it becomes the hemisphere
//! `Q / (2 pi r^2)` plus the term of the outline's second moments.
//!
//! The closed forms are tabulated once on three nested boxes in units of the outline's radius; a
//! lookup is trilinear. Beyond the last box the far field takes over, there right to about 1e-3.

use std::f64::consts::PI;

use rayon::prelude::*;

use super::recipe::SheetKind;
use super::shape::{Outline, edges};

/// Half width of the first box, in outline radii; each further box is twice as wide
const FIRST_HALF: f64 = 1.3;
/// Steps from the middle of each box to its side
const STEPS: [usize; 3] = [24, 16, 16];
/// The table starts this far off the sheet, where the rim of the outline is singular
const NEAREST: f64 = 0.005;

/// Velocity toward one orifice per unit flow and unit radius
#[derive(Debug)]
pub(crate) struct Sheet {
    kind: SheetKind,
    boxes: Vec<NearBox>,
    moments: [f64; 3],
}

#[derive(Debug)]
struct NearBox {
    half: f64,
    step: f64,
    side: usize,
    velocity: Vec<[f32; 3]>,
}

impl Sheet {
    /// The sheet over an outline of unit radius
    pub(crate) fn new(unit: &Outline, kind: SheetKind) -> Self {
        let boxes = match kind {
            SheetKind::Aperture => Vec::new(),
            SheetKind::Uniform => STEPS
                .iter()
                .enumerate()
                .map(|(level, &steps)| NearBox::new(unit, FIRST_HALF * f64::from(1 << level), steps))
                .collect(),
        };
        Self { kind, boxes, moments: unit.moments() }
    }

    /// Velocity at `x`, `y` in the wall's plane and `w` upstream of it, all in outline radii, for a
    /// flow of 1: two parts along the wall and one through it, positive downstream
    pub(crate) fn velocity(&self, x: f64, y: f64, w: f64) -> [f64; 3] {
        if self.kind == SheetKind::Aperture {
            return aperture(x, y, w);
        }
        let reach = x.abs().max(y.abs()).max(w);
        match self.boxes.iter().find(|b| reach < b.half) {
            Some(near) => near.velocity(x, y, w),
            None => far(x, y, w, self.moments),
        }
    }
}

impl NearBox {
    fn new(unit: &Outline, half: f64, steps: usize) -> Self {
        let side = 2 * steps + 1;
        let step = half / steps as f64;
        let area = unit.area();
        let velocity = (0..=steps)
            .into_par_iter()
            .flat_map_iter(|k| {
                let w = (k as f64 * step).max(NEAREST);
                (0..side * side).map(move |i| {
                    let x = (i % side) as f64 * step - half;
                    let y = (i / side) as f64 * step - half;
                    exact(unit.points(), area, x, y, w).map(|part| part as f32)
                })
            })
            .collect();
        Self { half, step, side, velocity }
    }

    fn velocity(&self, x: f64, y: f64, w: f64) -> [f64; 3] {
        let split = |position: f64| {
            let at = (position / self.step).max(0.0);
            let low = at as usize;
            (low, (at - low as f64) as f32)
        };
        let (i, fx) = split(x + self.half);
        let (j, fy) = split(y + self.half);
        let (k, fw) = split(w);
        let (row, plane) = (self.side, self.side * self.side);
        let base = i + row * j + plane * k;
        let t = &self.velocity;
        std::array::from_fn(|part| {
            let line = |at: usize| t[at][part] + fx * (t[at + 1][part] - t[at][part]);
            let face = |at: usize| {
                let (a, b) = (line(at), line(at + row));
                a + fy * (b - a)
            };
            let (a, b) = (face(base), face(base + plane));
            f64::from(a + fw * (b - a))
        })
    }
}

/// The closed form for a polygon (counter-clockwise, about (0, 0)) and a flow of 1
fn exact(points: &[[f64; 2]], area: f64, x: f64, y: f64, w: f64) -> [f64; 3] {
    let length = |p: [f64; 2]| ((p[0] - x) * (p[0] - x) + (p[1] - y) * (p[1] - y) + w * w).sqrt();
    let middle = length([0.0, 0.0]);
    let (mut ix, mut iy, mut solid) = (0.0, 0.0, 0.0);
    for (a, b) in edges(points) {
        let (ra, rb) = (length(a), length(b));
        let (ex, ey) = (b[0] - a[0], b[1] - a[1]);
        let edge = libm::hypot(ex, ey);
        let log = libm::log((ra + rb + edge) / (ra + rb - edge).max(1e-9 * edge)) / edge;
        // The outward normal of a counter-clockwise edge is (ey, -ex).
        ix -= ey * log;
        iy += ex * log;
        // Solid angle of the triangle (centroid, a, b): triple product over scalar products.
        let triple = w * ((a[0] * b[1]) - (b[0] * a[1]));
        let dot = |p: [f64; 2], q: [f64; 2]| (p[0] - x) * (q[0] - x) + (p[1] - y) * (q[1] - y) + w * w;
        let o = [0.0, 0.0];
        let below = middle * ra * rb + dot(o, a) * rb + dot(o, b) * ra + dot(a, b) * middle;
        solid += 2.0 * libm::atan2(triple, below);
    }
    [ix, iy, solid].map(|part| part / (2.0 * PI * area))
}

/// Hemisphere and second moments, for a flow of 1
fn far(x: f64, y: f64, w: f64, [xx, xy, yy]: [f64; 3]) -> [f64; 3] {
    let r2 = x * x + y * y + w * w;
    let r = r2.sqrt();
    let (mx, my) = (xx * x + xy * y, xy * x + yy * y);
    let quad = mx * x + my * y;
    let inverse3 = 1.0 / (r2 * r);
    // The gradient of 1/r + (3 x.Mx / r^5 - tr M / r^3) / 2.
    let radial = -1.0 + (3.0 * (xx + yy) - 15.0 * quad / r2) / (2.0 * r2);
    let turn = 3.0 / r2;
    let scale = inverse3 / (2.0 * PI);
    [(radial * x + turn * mx) * scale, (radial * y + turn * my) * scale, -radial * w * scale]
}

/// The flow through a circular aperture of radius 1 for a flow of 1, in oblate spheroidal
/// coordinates (Lamb, Hydrodynamics, section 108): on the axis `1 / (2 pi (1 + w^2))`
fn aperture(x: f64, y: f64, w: f64) -> [f64; 3] {
    let r2 = x * x + y * y;
    let b = r2 + w * w - 1.0;
    let root = (b * b + 4.0 * w * w).sqrt();
    // zeta^2 = (b + root) / 2 and mu^2 = (root - b) / 2, each free of cancellation.
    let (zeta2, mu2) = if b >= 0.0 {
        let zeta2 = f64::midpoint(b, root);
        (zeta2, if zeta2 > 0.0 { w * w / zeta2 } else { 0.0 })
    } else {
        let mu2 = (root - b) / 2.0;
        (w * w / mu2, mu2)
    };
    // The rim is singular; what is nearer than the table of other shapes starts is held there.
    let scale = 1.0 / (2.0 * PI * (zeta2 + mu2).max(NEAREST));
    let along = if r2 > 0.0 { (zeta2 * (1.0 - mu2).max(0.0) / (1.0 + zeta2) / r2).sqrt() } else { 0.0 };
    [-along * x * scale, -along * y * scale, mu2.sqrt() * scale]
}

#[cfg(test)]
mod tests {
    use super::super::recipe::OrificeShape;
    use super::*;

    fn unit(shape: &OrificeShape) -> Outline {
        let outline = Outline::of(shape).unwrap();
        let radius = outline.radius();
        outline.scaled(1.0 / radius)
    }

    fn crescent() -> Outline {
        unit(&OrificeShape::Crescent { inner_mm: 4.0, outer_mm: 6.0, angle_deg: 120.0 })
    }

    /// Flow through a hemisphere of a radius, by the midpoint rule
    fn through_hemisphere(velocity: impl Fn(f64, f64, f64) -> [f64; 3], radius: f64) -> f64 {
        let (rings, sectors) = (80, 120);
        let mut sum = 0.0;
        for i in 0..rings {
            // Equal steps of the height are equal areas of the sphere.
            let w = (f64::from(i) + 0.5) / f64::from(rings);
            let across = (1.0 - w * w).sqrt();
            for j in 0..sectors {
                let (sin, cos) = libm::sincos(2.0 * PI * (f64::from(j) + 0.5) / f64::from(sectors));
                let [vx, vy, vw] = velocity(radius * across * cos, radius * across * sin, radius * w);
                sum += -(vx * across * cos + vy * across * sin) + vw * w;
            }
        }
        sum * 2.0 * PI * radius * radius / f64::from(rings * sectors)
    }

    #[test]
    fn the_same_flow_passes_every_hemisphere() {
        for outline in [crescent(), unit(&OrificeShape::Elliptical { long_mm: 13.0, short_mm: 4.0 })] {
            let sheet = Sheet::new(&outline, SheetKind::Uniform);
            for radius in [1.2, 2.0, 3.0, 4.5, 8.0, 20.0] {
                let flow = through_hemisphere(|x, y, w| sheet.velocity(x, y, w), radius);
                assert!((flow - 1.0).abs() < 0.01, "{flow} at {radius}");
                let area = outline.area();
                let exactly = through_hemisphere(|x, y, w| exact(outline.points(), area, x, y, w), radius);
                assert!((exactly - 1.0).abs() < 1e-3, "{exactly} at {radius}");
            }
        }
    }

    #[test]
    fn far_away_it_is_the_hemisphere() {
        // Q / (2 pi r^2): closed form.
        let sheet = Sheet::new(&crescent(), SheetKind::Uniform);
        for (x, y, w) in [(0.0, 0.0, 12.0), (8.0, 3.0, 9.0), (-7.0, 10.0, 4.0)] {
            let [vx, vy, vw] = sheet.velocity(x, y, w);
            let r2: f64 = x * x + y * y + w * w;
            let speed = (vx * vx + vy * vy + vw * vw).sqrt();
            assert!((speed * 2.0 * PI * r2 - 1.0).abs() < 0.02);
            let inward = -(vx * x + vy * y) + vw * w;
            assert!(inward / (speed * r2.sqrt()) > 0.999);
        }
    }

    #[test]
    fn the_far_field_meets_the_closed_form() {
        let outline = crescent();
        let (area, moments) = (outline.area(), outline.moments());
        for (x, y, w) in [(0.0, 0.0, 5.2), (5.2, 1.0, 2.0), (-2.0, 5.2, 0.5)] {
            let a = exact(outline.points(), area, x, y, w);
            let b = far(x, y, w, moments);
            let size = a.iter().map(|v| v * v).sum::<f64>().sqrt();
            for part in 0..3 {
                assert!((a[part] - b[part]).abs() < 4e-3 * size, "{a:?} {b:?}");
            }
        }
    }

    #[test]
    fn a_uniform_disc_has_its_axis_speed_in_closed_form() {
        // On the axis of a disc of radius 1 with normal speed 1/pi: (1 - w / sqrt(1 + w^2)) / pi.
        let sheet = Sheet::new(&unit(&OrificeShape::Round { diameter_mm: 7.0 }), SheetKind::Uniform);
        for w in [0.05, 0.5, 1.0, 2.0, 4.0] {
            let expected = (1.0 - w / libm::hypot(1.0, w)) / PI;
            let [.., found] = sheet.velocity(0.0, 0.0, w);
            assert!((found / expected - 1.0).abs() < 0.01, "{found} {expected} at {w}");
        }
        // On the sheet itself the normal speed is the same everywhere inside, zero outside.
        let [.., inside] = sheet.velocity(0.4, -0.3, 0.0);
        assert!((inside * PI - 1.0).abs() < 0.02);
        let [.., outside] = sheet.velocity(1.2, 0.3, 0.0);
        assert!(outside.abs() * PI < 0.05);
    }

    #[test]
    fn the_aperture_loses_flow_to_the_hemisphere_as_published() {
        // 2 pi z^2 v over Q at z = 1, 2, 3, 5 radii: 0.5, 0.8, 0.9, 0.9615 (Lamb, Hydrodynamics,
        // section 108, from memory; v = Q / (2 pi (a^2 + z^2)) on the axis). Times V / (V - v),
        // with V the speed at the centre of the aperture, it is the true flow again.
        let sheet = Sheet::new(&unit(&OrificeShape::Round { diameter_mm: 2.0 }), SheetKind::Aperture);
        let [.., centre] = sheet.velocity(0.0, 0.0, 0.0);
        for (z, share) in [(1.0, 0.5), (2.0, 0.8), (3.0, 0.9), (5.0, 25.0 / 26.0)] {
            let [_, _, v] = sheet.velocity(0.0, 0.0, z);
            let seen = 2.0 * PI * z * z * v;
            assert!((seen - share).abs() < 1e-12);
            assert!((seen * centre / (centre - v) - 1.0).abs() < 1e-12);
        }
        for radius in [1.5, 4.0] {
            let flow = through_hemisphere(|x, y, w| sheet.velocity(x, y, w), radius);
            assert!((flow - 1.0).abs() < 1e-3);
        }
    }
}
