//! Changing one corner at a time; each change is checked like a new outline.

use crate::space::CutPoint;

use super::{Outline, OutlineError};

impl Outline {
    /// The outline with one corner moved
    ///
    /// # Errors
    /// No such corner, or the result is not an outline.
    pub fn with_vertex_moved(&self, index: usize, to: CutPoint) -> Result<Self, OutlineError> {
        self.known(index)?;
        let mut points = self.points.clone();
        points[index] = to;
        Self::new(points)
    }

    /// The outline with a corner added between the corner `index` and the one after it
    ///
    /// # Errors
    /// No such corner, or the result is not an outline.
    pub fn with_vertex_added(&self, index: usize, at: CutPoint) -> Result<Self, OutlineError> {
        self.known(index)?;
        let mut points = self.points.clone();
        points.insert(index + 1, at);
        Self::new(points)
    }

    /// The outline without one corner
    ///
    /// # Errors
    /// No such corner, or the result is not an outline.
    pub fn with_vertex_removed(&self, index: usize) -> Result<Self, OutlineError> {
        self.known(index)?;
        let mut points = self.points.clone();
        points.remove(index);
        Self::new(points)
    }

    /// The outline moved by a vector, mm
    pub fn moved(&self, by: CutPoint) -> Self {
        let points = self.points.iter().map(|p| CutPoint::new(p.u + by.u, p.v + by.v)).collect();
        Self { points }
    }

    fn known(&self, index: usize) -> Result<(), OutlineError> {
        let points = self.points.len();
        if index < points { Ok(()) } else { Err(OutlineError::NoSuchPoint { index, points }) }
    }
}
