//! Changes of a whole polygon.

use crate::space::CutPoint;

use super::ReviewError;

/// Why the polygon cannot be counted, in words; `None` where it can
pub(super) fn invalid(points: &[CutPoint]) -> Option<String> {
    if points.len() < 3 {
        return Some(format!("a polygon needs three vertices, this one has {}", points.len()));
    }
    let n = points.len();
    for i in 0..n {
        for j in i + 1..n {
            let adjacent = j == i + 1 || (i == 0 && j == n - 1);
            if !adjacent && cross(points[i], points[(i + 1) % n], points[j], points[(j + 1) % n]) {
                return Some(format!("edges {i} and {j} cross"));
            }
        }
    }
    (area(points).abs() < 1e-9).then(|| "the polygon has no area".to_owned())
}

fn side(a: CutPoint, b: CutPoint, c: CutPoint) -> f64 {
    (b.u - a.u) * (c.v - a.v) - (b.v - a.v) * (c.u - a.u)
}

fn cross(a: CutPoint, b: CutPoint, c: CutPoint, d: CutPoint) -> bool {
    side(a, b, c) * side(a, b, d) < 0.0 && side(c, d, a) * side(c, d, b) < 0.0
}

fn area(points: &[CutPoint]) -> f64 {
    let o = points[0];
    (1..points.len() - 1).map(|i| side(o, points[i], points[i + 1]) / 2.0).sum()
}

/// The polygon smoothed once, its area kept
pub(super) fn smoothed(points: &[CutPoint]) -> Result<Vec<[f64; 2]>, ReviewError> {
    let n = points.len();
    let soft: Vec<CutPoint> = (0..n)
        .map(|i| {
            let (a, b, c) = (points[(i + n - 1) % n], points[i], points[(i + 1) % n]);
            CutPoint::new((a.u + 2.0 * b.u + c.u) / 4.0, (a.v + 2.0 * b.v + c.v) / 4.0)
        })
        .collect();
    let factor = (area(points) / area(&soft)).sqrt();
    let u = soft.iter().map(|p| p.u).sum::<f64>() / n as f64;
    let v = soft.iter().map(|p| p.v).sum::<f64>() / n as f64;
    if !factor.is_finite() {
        return Err(ReviewError::Outline("it would vanish".into()));
    }
    Ok(soft.iter().map(|p| [u + (p.u - u) * factor, v + (p.v - v) * factor]).collect())
}

/// The polygon moved outward by millimetres
pub(super) fn grown(points: &[CutPoint], by_mm: f64) -> Result<Vec<[f64; 2]>, ReviewError> {
    let n = points.len();
    let sign = area(points).signum();
    let moved: Vec<CutPoint> = (0..n)
        .map(|i| {
            let (a, b, c) = (points[(i + n - 1) % n], points[i], points[(i + 1) % n]);
            let (du, dv) = (c.u - a.u, c.v - a.v);
            let length = libm::hypot(du, dv).max(1e-12);
            CutPoint::new(b.u + sign * dv / length * by_mm, b.v - sign * du / length * by_mm)
        })
        .collect();
    match invalid(&moved) {
        Some(why) => Err(ReviewError::Outline(why)),
        None if area(&moved).signum() != sign => Err(ReviewError::Outline("it would vanish".into())),
        None => Ok(moved.iter().map(|p| [p.u, p.v]).collect()),
    }
}
