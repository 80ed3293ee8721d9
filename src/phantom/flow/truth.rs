//! What is known of a solved flow: its grid, its planes, and the areas that no scanner sees.

use serde::{Deserialize, Serialize};

/// Whether constants may be set on a geometry, or results judged on it; fixed for good
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum FlowUse {
    /// Constants of the method may be set on it
    Tuning,
    /// The method is judged on it; no constant may be set on it
    Testing,
}

/// Everything of a flow but its arrays
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FlowHeader {
    /// Name in the library
    pub name: String,
    /// Whether the geometry tunes or tests
    #[serde(rename = "use")]
    pub purpose: FlowUse,
    /// The recipe that it was solved from, TOML
    pub recipe: String,
    /// Side of a stored cell, mm
    pub cell_mm: f64,
    /// Cells along u, v, w
    pub cells: [usize; 3],
    /// Centre of the first cell (u, v, w), mm
    pub origin_mm: [f64; 3],
    /// Kinematic viscosity, mm2/s
    pub viscosity_mm2_s: f64,
    /// What passes each plane across w, upstream first
    pub planes: Vec<FlowPlane>,
    /// What is true of the jet
    pub truth: FlowTruth,
}

/// The mean flow through one plane across w
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FlowPlane {
    /// Where, mm
    pub w_mm: f64,
    /// Flow through it, ml/s
    pub flow_ml_s: f64,
    /// Largest mean speed along the axis of the jet, m/s
    pub core_m_s: f64,
    /// Area where the mean axial speed passes half of the core's, mm2
    pub area_above_half_mm2: f64,
}

/// What is true of a solved jet
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FlowTruth {
    /// Effective area: the least flow over core speed of the planes downstream of the lip, mm2
    pub effective_mm2: f64,
    /// Area of the orifices, mm2
    pub anatomic_mm2: f64,
    /// Effective over anatomic area
    pub contraction: f64,
    /// VC level: the first plane downstream of the lip whose flow over core speed is within 0.5 %
    /// of the least (our own choice: the minimum is flat along the potential core), mm
    pub vc_level_mm: f64,
    /// Core speed at the VC level, m/s
    pub core_m_s: f64,
    /// Flow through the VC level, ml/s
    pub flow_ml_s: f64,
    /// Direction of the momentum flux at the VC level, unit vector (u, v, w)
    pub axis: [f64; 3],
    /// Widest extent of all effective outlines (Feret), mm
    pub width_max_mm: f64,
    /// Narrowest extent of all effective outlines (Feret), mm
    pub width_min_mm: f64,
    /// Effective outlines in the plane w = VC level, (u, v) in mm: the contours of one mean axial
    /// speed that together enclose the effective area as the plane cuts it (the area over the
    /// axis's w component); one an orifice, each closed without repeating its first point
    pub outlines_mm: Vec<Vec<[f64; 2]>>,
    /// What is true of each, in the order of the outlines
    pub orifices: Vec<OrificeTruth>,
}

/// What is true of one orifice's part of the jet
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct OrificeTruth {
    /// Share of the flow, 0 to 1
    pub share: f64,
    /// Effective area: its share of the whole, mm2
    pub effective_mm2: f64,
    /// Area of the hole, mm2
    pub anatomic_mm2: f64,
    /// Centroid of its outline at the VC level (u, v), mm
    pub centroid_mm: [f64; 2],
    /// Direction of its momentum flux at the VC level, unit vector (u, v, w)
    pub axis: [f64; 3],
    /// Widest extent of its outline (Feret), mm
    pub width_max_mm: f64,
    /// Narrowest extent of its outline (Feret), mm
    pub width_min_mm: f64,
}
