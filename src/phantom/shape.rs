//! Outlines of orifices: closed polygons about their centroid.
//!
//! Curved shapes become polygons with enough corners, then are scaled so that the polygon's area
//! is the closed-form area of the curve: a flow through it is then right to rounding.

use std::f64::consts::PI;

use super::recipe::OrificeShape;
use super::truth::TruthShape;

/// Corners on a whole turn of a curved outline
const CORNERS: usize = 64;

/// A simple polygon, counter-clockwise, its centroid at (0, 0); millimetres
#[derive(Clone, Debug)]
pub(crate) struct Outline {
    points: Vec<[f64; 2]>,
}

impl Outline {
    /// The outline of a shape, or why there is none
    pub(crate) fn of(shape: &OrificeShape) -> Result<Self, &'static str> {
        let usable = |size: f64| (0.05..=500.0).contains(&size);
        let (points, area) = match *shape {
            OrificeShape::Round { diameter_mm: d } => {
                if !usable(d) {
                    return Err("the diameter must lie between 0.05 and 500 mm");
                }
                (ring(d / 2.0, d / 2.0), PI * d * d / 4.0)
            }
            OrificeShape::Elliptical { long_mm: a, short_mm: b } => {
                if !(usable(a) && usable(b) && a >= b) {
                    return Err("the axes must lie between 0.05 and 500 mm, the long one first");
                }
                (ring(a / 2.0, b / 2.0), PI * a * b / 4.0)
            }
            OrificeShape::Slit { length_mm: l, width_mm: w } => {
                if !(usable(l) && usable(w) && l > w) {
                    return Err("the slit must be longer than wide, both between 0.05 and 500 mm");
                }
                let mut points = arc(w / 2.0, -PI / 2.0, PI / 2.0, CORNERS / 2);
                for p in &mut points {
                    p[0] += (l - w) / 2.0;
                }
                let other: Vec<_> = points.iter().map(|p| [-p[0], -p[1]]).collect();
                points.extend(other);
                (points, PI * w * w / 4.0 + (l - w) * w)
            }
            OrificeShape::Crescent { inner_mm: r1, outer_mm: r2, angle_deg } => {
                if !(usable(r1) && usable(r2) && r2 > r1) {
                    return Err("the outer radius must exceed the inner, both between 0.05 and 500 mm");
                }
                if !(5.0..=330.0).contains(&angle_deg) {
                    return Err("the angle of a crescent must lie between 5 and 330 degrees");
                }
                let half = angle_deg.to_radians() / 2.0;
                let mut points = arc(r2, -half, half, CORNERS / 2);
                points.extend(arc(r1, -half, half, CORNERS / 2).into_iter().rev());
                (points, (r2 * r2 - r1 * r1) * half)
            }
            OrificeShape::Polygon { ref points_mm } => {
                if points_mm.len() < 3 || points_mm.len() > 1000 {
                    return Err("a polygon needs 3 to 1000 corners");
                }
                if points_mm.iter().flatten().any(|c| !(c.is_finite() && c.abs() <= 500.0)) {
                    return Err("a polygon's corners must lie within 500 mm");
                }
                if crosses_itself(points_mm) {
                    return Err("the polygon crosses itself");
                }
                let mut points = points_mm.clone();
                if signed_area(&points) < 0.0 {
                    points.reverse();
                }
                let area = signed_area(&points);
                if area < 0.01 {
                    return Err("the polygon encloses less than 0.01 mm2");
                }
                (points, area)
            }
        };
        let mut outline = Self { points };
        let [cx, cy] = outline.centroid();
        let factor = (area / signed_area(&outline.points)).sqrt();
        for p in &mut outline.points {
            *p = [(p[0] - cx) * factor, (p[1] - cy) * factor];
        }
        Ok(outline)
    }

    /// The corners, counter-clockwise
    pub(crate) fn points(&self) -> &[[f64; 2]] {
        &self.points
    }

    /// The same outline `factor` times as large
    pub(crate) fn scaled(&self, factor: f64) -> Self {
        Self { points: self.points.iter().map(|p| [p[0] * factor, p[1] * factor]).collect() }
    }

    /// Enclosed area
    pub(crate) fn area(&self) -> f64 {
        signed_area(&self.points)
    }

    /// Length of the outline
    pub(crate) fn perimeter(&self) -> f64 {
        edges(&self.points).map(|(a, b)| libm::hypot(b[0] - a[0], b[1] - a[1])).sum()
    }

    /// Distance of the farthest corner from the centroid
    pub(crate) fn radius(&self) -> f64 {
        self.points.iter().map(|p| libm::hypot(p[0], p[1])).fold(0.0, f64::max)
    }

    fn centroid(&self) -> [f64; 2] {
        let (mut x, mut y) = (0.0, 0.0);
        for (a, b) in edges(&self.points) {
            let cross = a[0] * b[1] - b[0] * a[1];
            x += (a[0] + b[0]) * cross;
            y += (a[1] + b[1]) * cross;
        }
        let six = 6.0 * signed_area(&self.points);
        [x / six, y / six]
    }

    /// Mean of xx, xy, yy over the enclosed area
    pub(crate) fn moments(&self) -> [f64; 3] {
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for (a, b) in edges(&self.points) {
            let cross = a[0] * b[1] - b[0] * a[1];
            xx += (a[0] * a[0] + a[0] * b[0] + b[0] * b[0]) * cross;
            yy += (a[1] * a[1] + a[1] * b[1] + b[1] * b[1]) * cross;
            xy += (a[0] * b[1] + 2.0 * a[0] * a[1] + 2.0 * b[0] * b[1] + b[0] * a[1]) * cross;
        }
        let area = self.area();
        [xx / 12.0 / area, xy / 24.0 / area, yy / 12.0 / area]
    }

    /// Largest and smallest caliper width, and the direction of the largest as a unit vector
    pub(crate) fn feret(&self) -> (f64, f64, [f64; 2]) {
        let hull = hull(&self.points);
        let (mut largest, mut direction) = (0.0, [1.0, 0.0]);
        for (i, a) in hull.iter().enumerate() {
            for b in &hull[i + 1..] {
                let d = libm::hypot(b[0] - a[0], b[1] - a[1]);
                if d > largest {
                    largest = d;
                    direction = [(b[0] - a[0]) / d, (b[1] - a[1]) / d];
                }
            }
        }
        // The smallest width stands on an edge of the hull.
        let smallest = edges(&hull)
            .map(|(a, b)| {
                let (ex, ey) = (b[0] - a[0], b[1] - a[1]);
                let length = libm::hypot(ex, ey);
                hull.iter().map(|p| ((p[1] - a[1]) * ex - (p[0] - a[0]) * ey) / length).fold(0.0, f64::max)
            })
            .fold(f64::INFINITY, f64::min);
        (largest, smallest, direction)
    }

    /// Area over area of the convex hull
    pub(crate) fn solidity(&self) -> f64 {
        self.area() / signed_area(&hull(&self.points))
    }
}

/// What a shape is called, by its own geometry
///
/// Round: a circle, or an ellipse up to 1.3 to 1. Elliptical: longer convex shapes. Crescent: an
/// annular sector with a solidity below 0.85. A polygon is irregular unless convex (solidity 0.95)
/// and then round where its Feret ratio is at most 1.3. The limits are our own choice; no published
/// rule was found.
pub(crate) fn label(shape: &OrificeShape, outline: &Outline) -> TruthShape {
    let (long, short, _) = outline.feret();
    let by_ratio = if long / short <= 1.3 { TruthShape::Round } else { TruthShape::Elliptical };
    match shape {
        OrificeShape::Round { .. } => TruthShape::Round,
        OrificeShape::Crescent { .. } if outline.solidity() < 0.85 => TruthShape::Crescent,
        OrificeShape::Polygon { .. } if outline.solidity() < 0.95 => TruthShape::Irregular,
        _ => by_ratio,
    }
}

fn arc(radius: f64, from: f64, to: f64, steps: usize) -> Vec<[f64; 2]> {
    (0..=steps)
        .map(|i| {
            let (sin, cos) = libm::sincos(from + (to - from) * i as f64 / steps as f64);
            [radius * cos, radius * sin]
        })
        .collect()
}

fn ring(a: f64, b: f64) -> Vec<[f64; 2]> {
    (0..CORNERS)
        .map(|i| {
            let (sin, cos) = libm::sincos(2.0 * PI * i as f64 / CORNERS as f64);
            [a * cos, b * sin]
        })
        .collect()
}

/// The edges of a closed polygon
pub(crate) fn edges(points: &[[f64; 2]]) -> impl Iterator<Item = ([f64; 2], [f64; 2])> + '_ {
    (0..points.len()).map(|i| (points[i], points[(i + 1) % points.len()]))
}

fn signed_area(points: &[[f64; 2]]) -> f64 {
    0.5 * edges(points).map(|(a, b)| a[0] * b[1] - b[0] * a[1]).sum::<f64>()
}

fn turn(a: [f64; 2], b: [f64; 2], c: [f64; 2]) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
}

/// Convex hull, counter-clockwise (Andrew's monotone chain)
fn hull(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let mut sorted = points.to_vec();
    sorted.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    let half = |points: &mut dyn Iterator<Item = &[f64; 2]>| {
        let mut chain: Vec<[f64; 2]> = Vec::new();
        for p in points {
            while chain.len() >= 2 && turn(chain[chain.len() - 2], chain[chain.len() - 1], *p) <= 0.0 {
                chain.pop();
            }
            chain.push(*p);
        }
        chain.pop();
        chain
    };
    let mut whole = half(&mut sorted.iter());
    whole.extend(half(&mut sorted.iter().rev()));
    whole
}

fn crosses_itself(points: &[[f64; 2]]) -> bool {
    let n = points.len();
    let sides: Vec<_> = edges(points).collect();
    for i in 0..n {
        for j in i + 2..n {
            if i == 0 && j == n - 1 {
                continue;
            }
            let ((a, b), (c, d)) = (sides[i], sides[j]);
            if turn(a, b, c) * turn(a, b, d) <= 0.0 && turn(c, d, a) * turn(c, d, b) <= 0.0 {
                return true;
            }
        }
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn crescents_match_the_closed_forms() {
        // Annular sectors: area, perimeter, largest Feret width, solidity in closed form:
        // A = (r2^2 - r1^2) phi / 2, P = (r1 + r2) phi + 2 (r2 - r1), F = 2 r2 sin(phi / 2),
        // hull = A + r1^2 (phi - sin phi) / 2.
        for (r1, r2, deg, area, perimeter, feret, solidity) in [
            (4.0, 6.0, 120.0, 20.944, 24.944, 10.392, 0.6806),
            (8.0, 10.0, 90.0, 28.274, 32.274, 14.142, 0.6075),
            (3.0, 5.0, 180.0, 25.133, 29.133, 10.0, 0.6400),
        ] {
            let shape = OrificeShape::Crescent { inner_mm: r1, outer_mm: r2, angle_deg: deg };
            let outline = Outline::of(&shape).unwrap();
            assert!((outline.area() - area).abs() < 1e-3);
            assert!((outline.perimeter() / perimeter - 1.0).abs() < 2e-3);
            assert!((outline.feret().0 / feret - 1.0).abs() < 2e-3);
            assert!((outline.solidity() / solidity - 1.0).abs() < 5e-3);
            assert_eq!(label(&shape, &outline), TruthShape::Crescent);
        }
    }

    #[test]
    fn an_ellipse_has_its_area_moments_and_widths() {
        let shape = OrificeShape::Elliptical { long_mm: 13.0, short_mm: 4.0 };
        let outline = Outline::of(&shape).unwrap();
        // pi a b with half axes 6.5 and 2; second moments a^2/4, b^2/4: closed form.
        assert!((outline.area() - 40.8407).abs() < 1e-4);
        let [xx, xy, yy] = outline.moments();
        assert!((xx / (6.5 * 6.5 / 4.0) - 1.0).abs() < 2e-3);
        assert!((yy / 1.0 - 1.0).abs() < 2e-3);
        assert!(xy.abs() < 1e-12);
        let (long, short, direction) = outline.feret();
        assert!((long - 13.0).abs() < 0.02 && (short - 4.0).abs() < 0.02);
        assert!(direction[0].abs() > 0.999);
        assert_eq!(label(&shape, &outline), TruthShape::Elliptical);
    }

    #[test]
    fn a_clockwise_polygon_is_turned_and_centred() {
        let points_mm = vec![[1.0, 1.0], [1.0, 3.0], [5.0, 3.0], [5.0, 1.0]];
        let outline = Outline::of(&OrificeShape::Polygon { points_mm }).unwrap();
        assert!((outline.area() - 8.0).abs() < 1e-12);
        assert!((outline.radius() - 5.0f64.sqrt()).abs() < 1e-12);
        let (_, short, _) = outline.feret();
        assert!((short - 2.0).abs() < 1e-12);
    }

    #[test]
    fn useless_outlines_are_refused() {
        let bow = vec![[0.0, 0.0], [2.0, 2.0], [2.0, 0.0], [0.0, 2.0]];
        assert!(Outline::of(&OrificeShape::Polygon { points_mm: bow }).is_err());
        assert!(Outline::of(&OrificeShape::Round { diameter_mm: f64::NAN }).is_err());
        assert!(Outline::of(&OrificeShape::Slit { length_mm: 2.0, width_mm: 3.0 }).is_err());
        let flat = OrificeShape::Crescent { inner_mm: 4.0, outer_mm: 4.0, angle_deg: 90.0 };
        assert!(Outline::of(&flat).is_err());
    }
}
