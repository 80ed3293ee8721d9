//! Changes of a whole polygon, done by [`crate::outline`] and brought back to few vertices.

use crate::outline::{Outline, OutlineError, TOLERANCE};
use crate::space::CutPoint;
use crate::unit::Mm;

use super::ReviewError;
use super::tracing::Fault;

/// Vertices of a smoothed tracing: enough for a crescent, few enough to be dragged one by one
const SMOOTH_VERTICES: f64 = 40.0;

/// Why the polygon cannot be counted; `None` where it can
pub(super) fn invalid(points: &[CutPoint]) -> Option<Fault> {
    Outline::new(points.to_vec()).err().map(|error| match error {
        OutlineError::Crossing { at, .. } => Fault::Crossed([at.u, at.v]),
        other => Fault::Invalid(other.to_string()),
    })
}

fn refused(error: &OutlineError) -> ReviewError {
    ReviewError::Outline(error.to_string())
}

fn pairs(outline: &Outline) -> Vec<[f64; 2]> {
    outline.points().iter().map(|point| [point.u, point.v]).collect()
}

/// The polygon smoothed, its area kept
pub(super) fn smoothed(points: &[CutPoint]) -> Result<Vec<[f64; 2]>, ReviewError> {
    let smooth = || {
        let outline = Outline::new(points.to_vec())?;
        let even = outline.resampled(outline.perimeter() / SMOOTH_VERTICES)?;
        even.smoothed(2)
    };
    smooth().map(|outline| pairs(&outline)).map_err(|error| refused(&error))
}

/// The polygon moved outward by millimetres, inward for a negative number
pub(super) fn grown(points: &[CutPoint], by_mm: f64) -> Result<Vec<[f64; 2]>, ReviewError> {
    let grow = || {
        let moved = Outline::new(points.to_vec())?.offset(Mm::new(by_mm))?;
        // A coarse polygon is only a convenience: where thinning fails, the fine one is kept.
        Ok(moved.simplified(TOLERANCE).unwrap_or(moved))
    };
    grow().map(|outline| pairs(&outline)).map_err(|error| refused(&error))
}
