//! A closed polygon on a cut, with who or what drew it.
//!
//! A tracing keeps the cut it was drawn on. When the reader turns the cut afterwards the tracing
//! does not follow: what was traced there is true there only. A tracing may be open, crossed or too
//! short while it is drawn; it is then shown as such and never counted.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::outline::{Outline, Placed};
use crate::space::CutPoint;

use super::{JetId, Pose, shape};

/// Most vertices of one tracing
pub(super) const MOST_VERTICES: usize = 20_000;

/// The number of a tracing within its review, never used twice
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct TracingId(pub u32);

/// Who or what drew a tracing
///
/// In the order of how much the reader did.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Drawn {
    /// The program, and the reader kept it as it was
    Proposed,
    /// The program, and the reader changed it
    Corrected,
    /// The reader
    ByHand,
}

/// Whether the last vertex is joined to the first
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Closed {
    /// Still being drawn
    Open,
    /// Joined
    Closed,
}

/// Why a tracing is not counted
#[derive(Clone, Debug, PartialEq)]
pub enum Fault {
    /// The last vertex is not joined to the first
    Open,
    /// Its edges cross or touch, here on its cut, mm
    Crossed([f64; 2]),
    /// Fewer than three vertices, no area: in words
    Invalid(String),
    /// A newer tracing of the same jet in the same frame lies over it
    Replaced,
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Open => f.write_str("not closed yet"),
            Self::Crossed(_) => f.write_str("its edges cross"),
            Self::Invalid(why) => f.write_str(why),
            Self::Replaced => f.write_str("a newer tracing of the same orifice lies over it"),
        }
    }
}

/// A polygon on a cut
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Tracing {
    /// Its number
    pub id: TracingId,
    /// The jet it belongs to
    pub jet: JetId,
    /// The frame it was drawn on
    pub frame: usize,
    /// The cut it was drawn on
    pub cut: Pose,
    /// Vertices on that cut as (u, v), mm; the first is not repeated
    pub points_mm: Vec<[f64; 2]>,
    /// Who or what drew it
    pub drawn: Drawn,
    /// Whether it is closed
    pub closed: Closed,
    /// Level of the contour as a share of the jet's signal, where the program drew it
    #[serde(default)]
    pub threshold: Option<f64>,
}

impl Tracing {
    /// The vertices as points of the cut
    pub fn points(&self) -> Vec<CutPoint> {
        self.points_mm.iter().map(|&[u, v]| CutPoint::new(u, v)).collect()
    }

    /// Why the tracing is none by itself; `None` where it is
    ///
    /// Whether it counts among others, [`super::Work::fault`] tells.
    pub(super) fn fault_alone(&self) -> Option<Fault> {
        if self.closed == Closed::Open {
            return Some(Fault::Open);
        }
        shape::invalid(&self.points())
    }

    /// Its outline on its cut; `None` where it is none
    pub(super) fn outline(&self) -> Option<Placed> {
        Some(Placed { plane: self.cut.cut()?, outline: Outline::new(self.points()).ok()? })
    }

    /// Whether it outlines the same orifice as another
    pub(super) fn is_over(&self, other: &Self) -> bool {
        let (Some(one), Some(two)) = (self.outline(), other.outline()) else { return false };
        (self.jet == other.jet || one.is_near(&two)) && one.is_over(&two)
    }

    /// The tracing with other vertices; the hand that changed a proposal is remembered
    pub(super) fn redrawn(&self, points_mm: Vec<[f64; 2]>) -> Self {
        let drawn = match self.drawn {
            Drawn::Proposed => Drawn::Corrected,
            other => other,
        };
        Self { points_mm, drawn, ..self.clone() }
    }
}
