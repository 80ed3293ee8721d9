//! A closed polygon on a cut, with who or what drew it.
//!
//! A tracing keeps the cut it was drawn on. When the reader turns the cut afterwards the tracing
//! does not follow: what was traced there is true there only. A tracing may be open, crossed or too
//! short while it is drawn; it is then shown as such and never counted.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::space::CutPoint;

use super::{JetId, Pose, shape};

/// Most vertices of one tracing
pub(super) const MOST_VERTICES: usize = 20_000;

/// The number of a tracing within its review, never used twice
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct TracingId(pub u32);

/// Who or what drew a tracing
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
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
    /// Fewer than three vertices, crossed edges, no area: in words
    Invalid(String),
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Open => f.write_str("not closed yet"),
            Self::Invalid(why) => f.write_str(why),
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

    /// Why the tracing is not counted; `None` where it is
    pub fn fault(&self) -> Option<Fault> {
        if self.closed == Closed::Open {
            return Some(Fault::Open);
        }
        shape::invalid(&self.points()).map(Fault::Invalid)
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
