//! Widths on the two cuts that contain the jet axis.

use crate::outline::Outline;
use crate::space::{Cut, CutPoint, Direction, direction};
use crate::unit::Mm;

/// The in-plane directions along which widths are read
#[derive(Clone, Copy, Debug)]
pub struct WidthAxes {
    /// Anterior-posterior: the direction of the long-axis cut, perpendicular to the jet
    pub long_axis: Direction,
    /// Along the commissures, perpendicular to both
    pub commissural: Direction,
    /// Whether the long-axis direction was assumed to be the shortest Feret direction
    pub assumed: Assumed,
}

/// Whether something was given or assumed
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Assumed {
    /// Given
    No,
    /// Assumed
    Yes,
}

/// Widths of one outline
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Widths {
    /// On the long-axis cut
    pub long_axis: Mm,
    /// On the commissural cut
    pub commissural: Mm,
}

impl WidthAxes {
    /// The given anterior-posterior direction laid into the cut, or the shortest Feret direction
    pub fn of(cut: &Cut, outline: &Outline, anterior_posterior: Option<Direction>) -> Self {
        let normal = cut.normal();
        let given = anterior_posterior.and_then(|ap| {
            let flat = ap.into_inner() - normal.into_inner() * normal.dot(&ap);
            direction(flat).filter(|_| flat.norm() > 0.2)
        });
        let shortest = outline.feret().min_direction;
        let fallback = direction(cut.u().into_inner() * shortest.u + cut.v().into_inner() * shortest.v);
        let long_axis = given.or(fallback).unwrap_or(cut.u());
        Self {
            long_axis,
            commissural: nalgebra::Unit::new_normalize(normal.cross(&long_axis)),
            assumed: if given.is_some() { Assumed::No } else { Assumed::Yes },
        }
    }
}

/// Widths of an outline on a plane, each the length of its line through the centroid
///
/// For a bent outline only what lies inside counts.
pub(super) fn widths(outline: &Outline, plane: &Cut, axes: &WidthAxes) -> Widths {
    let along = |direction: Direction| {
        let on = CutPoint::new(plane.u().dot(&direction), plane.v().dot(&direction));
        outline.chord(outline.centroid(), on)
    };
    Widths { long_axis: along(axes.long_axis), commissural: along(axes.commissural) }
}
