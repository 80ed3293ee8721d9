//! Whether a ring of points is a simple polygon.
//!
//! Edges are sorted by their lowest `u`; an edge is compared only with those whose `u` range it
//! overlaps. Tracings have many short edges, so that is near n log n, and the same on every machine.

use crate::space::CutPoint;

use super::OutlineError;

/// Twice the signed area of the triangle a, b, c: positive counter-clockwise
pub(super) fn turn(a: CutPoint, b: CutPoint, c: CutPoint) -> f64 {
    (b.u - a.u) * (c.v - a.v) - (b.v - a.v) * (c.u - a.u)
}

/// Refuses rings that are not simple polygons with an area
pub(super) fn check(points: &[CutPoint]) -> Result<(), OutlineError> {
    let count = points.len();
    if count < 3 {
        return Err(OutlineError::TooFew(count));
    }
    // All on one line: the point farthest from the first gives the direction.
    let far = points
        .iter()
        .copied()
        .fold(points[0], |far, p| if p.distance(points[0]) > far.distance(points[0]) { p } else { far });
    let length = far.distance(points[0]);
    if points.iter().all(|p| turn(points[0], far, *p).abs() <= 1e-12 * length * length) {
        return Err(OutlineError::ZeroArea(count));
    }
    let edge = |i: usize| (points[i], points[(i + 1) % count]);
    let mut order: Vec<usize> = (0..count).collect();
    let low = |i: usize| {
        let (a, b) = edge(i);
        a.u.min(b.u)
    };
    order.sort_by(|i, j| low(*i).total_cmp(&low(*j)).then(i.cmp(j)));
    let mut found: Option<(usize, usize)> = None;
    for (at, &i) in order.iter().enumerate() {
        let (a, b) = edge(i);
        let (high_u, low_v, high_v) = (a.u.max(b.u), a.v.min(b.v), a.v.max(b.v));
        for &j in &order[at + 1..] {
            if low(j) > high_u {
                break;
            }
            let (c, d) = edge(j);
            if c.v.min(d.v) > high_v || c.v.max(d.v) < low_v {
                continue;
            }
            let (first, second) = (i.min(j), i.max(j));
            if meet(points, first, second) && found.is_none_or(|known| (first, second) < known) {
                found = Some((first, second));
            }
        }
    }
    match found {
        None => Ok(()),
        Some((first, second)) => {
            let at = meeting(edge(first), edge(second));
            Err(OutlineError::Crossing { first, second, at })
        }
    }
}

/// Whether two different edges share a point that neighbours do not have to share
fn meet(points: &[CutPoint], first: usize, second: usize) -> bool {
    let count = points.len();
    let (a, b) = (points[first], points[(first + 1) % count]);
    let (c, d) = (points[second], points[(second + 1) % count]);
    if second == first + 1 {
        return folds(a, b, d);
    }
    if first == 0 && second == count - 1 {
        return folds(c, a, b);
    }
    let (abc, abd) = (turn(a, b, c), turn(a, b, d));
    let (cda, cdb) = (turn(c, d, a), turn(c, d, b));
    if ((abc > 0.0 && abd < 0.0) || (abc < 0.0 && abd > 0.0))
        && ((cda > 0.0 && cdb < 0.0) || (cda < 0.0 && cdb > 0.0))
    {
        return true;
    }
    (abc == 0.0 && within(a, b, c))
        || (abd == 0.0 && within(a, b, d))
        || (cda == 0.0 && within(c, d, a))
        || (cdb == 0.0 && within(c, d, b))
}

/// Whether the edge from the corner `b` to `c` runs back over the edge from `a` to `b`
fn folds(a: CutPoint, b: CutPoint, c: CutPoint) -> bool {
    turn(a, b, c) == 0.0 && (a.u - b.u) * (c.u - b.u) + (a.v - b.v) * (c.v - b.v) > 0.0
}

/// Whether a point on the line through a and b lies between them
fn within(a: CutPoint, b: CutPoint, p: CutPoint) -> bool {
    (a.u.min(b.u)..=a.u.max(b.u)).contains(&p.u) && (a.v.min(b.v)..=a.v.max(b.v)).contains(&p.v)
}

/// Where two meeting edges meet
fn meeting((a, b): (CutPoint, CutPoint), (c, d): (CutPoint, CutPoint)) -> CutPoint {
    let (abc, abd) = (turn(a, b, c), turn(a, b, d));
    let share = abc / (abc - abd);
    if share.is_finite() {
        CutPoint::new(c.u + share * (d.u - c.u), c.v + share * (d.v - c.v))
    } else if within(a, b, c) {
        c
    } else if within(a, b, d) {
        d
    } else {
        b
    }
}
