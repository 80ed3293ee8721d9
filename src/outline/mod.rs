//! Polygons on a cut: the form of every tracing.
//!
//! An [`Outline`] is valid by construction: finite, closed, without crossings, counter-clockwise
//! (u right, v up), with an area. What is measured on it is exact for the polygon: shoelace area,
//! perimeter, calipers on the hull, the share of each pixel it covers. Growing and shrinking go
//! through the signed distance, since offsetting edge by edge breaks on bent shapes.
//!
//! ```
//! # use narrows::outline::Outline;
//! # use narrows::space::CutPoint;
//! let square = [(0.0, 0.0), (0.0, 2.0), (2.0, 2.0), (2.0, 0.0)].map(|(u, v)| CutPoint::new(u, v));
//! let outline = Outline::new(square.to_vec()).unwrap();
//! assert_eq!(outline.area().get(), 4.0);
//! assert!((outline.feret().max.get() - 8f64.sqrt()).abs() < 1e-12);
//! ```

mod coverage;
mod edit;
mod hull;
mod line;
mod measure;
mod offset;
mod placed;
mod refine;
mod valid;

pub use hull::Feret;
pub use measure::SecondMoments;
pub use placed::Placed;
pub use refine::TOLERANCE;

use serde::{Deserialize, Serialize};

use crate::sample::Raster;
use crate::space::CutPoint;

/// A closed valid polygon on a cut, mm, counter-clockwise (u right, v up)
///
/// The last point is followed by the first and does not repeat it. Written and read as a list of
/// `[u, v]` pairs; reading checks it like [`Outline::new`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(try_from = "Vec<[f64; 2]>", into = "Vec<[f64; 2]>")]
#[schemars(with = "Vec<[f64; 2]>")]
pub struct Outline {
    points: Vec<CutPoint>,
}

/// Why points do not make an outline
#[derive(Clone, Debug, thiserror::Error, PartialEq)]
pub enum OutlineError {
    /// Fewer than three distinct points
    #[error("an outline needs three distinct points, found {0}")]
    TooFew(usize),
    /// A coordinate is not a finite number
    #[error("point {0} of the outline is not a finite position")]
    NotFinite(usize),
    /// Two edges cross, touch or fold back
    #[error(
        "the outline crosses itself near u {u:.3} mm, v {v:.3} mm: edge {first} meets edge {second}",
        u = at.u, v = at.v
    )]
    Crossing {
        /// Index of the point that starts the one edge
        first: usize,
        /// Index of the point that starts the other edge
        second: usize,
        /// Where they meet
        at: CutPoint,
    },
    /// All points on one line
    #[error("the outline encloses no area: its {0} points lie on a line")]
    ZeroArea(usize),
    /// A spacing, tolerance or distance that cannot be used
    #[error("{0} mm cannot be used as a {1}")]
    Length(f64, &'static str),
    /// Shrinking left nothing
    #[error("the outline shrunk by {0} mm leaves nothing")]
    Vanished(f64),
    /// The offset is not one simple polygon
    #[error("the outline moved by {distance} mm falls into {pieces} rings")]
    Split {
        /// By how much it was moved, mm
        distance: f64,
        /// Rings, holes included
        pieces: usize,
    },
}

impl Outline {
    /// The outline through these points, which may run either way round
    ///
    /// Points that repeat their predecessor are dropped; a clockwise ring is turned round, its
    /// first point staying first.
    ///
    /// # Errors
    /// Fewer than three distinct points, a coordinate that is not finite, no area, or edges that
    /// cross, touch or fold back (the first such pair is named).
    pub fn new(mut points: Vec<CutPoint>) -> Result<Self, OutlineError> {
        if let Some(bad) = points.iter().position(|p| !(p.u.is_finite() && p.v.is_finite())) {
            return Err(OutlineError::NotFinite(bad));
        }
        points.dedup();
        while points.len() > 1 && points.first() == points.last() {
            points.pop();
        }
        valid::check(&points)?;
        let twice = measure::twice_signed_area(&points);
        if twice < 0.0 {
            points[1..].reverse();
        }
        Ok(Self { points })
    }

    /// The outline through the pixel coordinates of a contour on a raster
    ///
    /// # Errors
    /// See [`Outline::new`].
    pub fn from_pixels(points: &[[f64; 2]], raster: &Raster) -> Result<Self, OutlineError> {
        Self::new(points.iter().map(|[x, y]| raster.cut_from_pixel(*x, *y)).collect())
    }

    /// A regular polygon of `sides` sides around `centre` with corners at `radius`, mm
    ///
    /// # Errors
    /// Fewer than three sides, or a radius that is not a positive number.
    pub fn regular(centre: CutPoint, radius: f64, sides: usize) -> Result<Self, OutlineError> {
        Self::ellipse(centre, [radius, radius], 0.0, sides)
    }

    /// A polygon of `sides` corners on an ellipse with semi-axes `[a, b]` in mm, `a` turned by
    /// `angle` radians from u
    ///
    /// # Errors
    /// Fewer than three sides, or a semi-axis that is not a positive number.
    pub fn ellipse(
        centre: CutPoint,
        semi_axes: [f64; 2],
        angle: f64,
        sides: usize,
    ) -> Result<Self, OutlineError> {
        let (sin, cos) = libm::sincos(angle);
        let corner = |i: usize| {
            let (s, c) = libm::sincos(std::f64::consts::TAU * i as f64 / sides as f64);
            let (a, b) = (semi_axes[0] * c, semi_axes[1] * s);
            CutPoint::new(centre.u + a * cos - b * sin, centre.v + a * sin + b * cos)
        };
        Self::new((0..sides).map(corner).collect())
    }

    /// The corners in order, mm
    pub fn points(&self) -> &[CutPoint] {
        &self.points
    }

    /// The edges in order, each from a point to the one after it
    pub fn edges(&self) -> impl Iterator<Item = (CutPoint, CutPoint)> + '_ {
        let count = self.points.len();
        (0..count).map(move |i| (self.points[i], self.points[(i + 1) % count]))
    }
}

impl TryFrom<Vec<[f64; 2]>> for Outline {
    type Error = OutlineError;
    fn try_from(pairs: Vec<[f64; 2]>) -> Result<Self, OutlineError> {
        Self::new(pairs.into_iter().map(|[u, v]| CutPoint::new(u, v)).collect())
    }
}

impl From<Outline> for Vec<[f64; 2]> {
    fn from(outline: Outline) -> Self {
        outline.points.into_iter().map(|p| [p.u, p.v]).collect()
    }
}

#[cfg(test)]
mod tests;
