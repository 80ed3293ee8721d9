//! The recipe of a solved flow: orifices, leaflets, chambers and fluid, in one TOML file.
//!
//! Units stand in the key. A key that is not known is refused.

use serde::{Deserialize, Serialize};

use super::super::recipe::OrificeShape;
use super::FlowUse;

/// Everything that decides a flow
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FlowRecipe {
    /// Name in the library
    pub name: String,
    /// Whether constants may be set on it or the method is judged on it
    #[serde(rename = "use")]
    pub purpose: FlowUse,
    /// The holes
    pub orifice: Vec<FlowOrifice>,
    /// The wall that they are in
    pub leaflet: Leaflet,
    /// The chambers on both sides
    pub chamber: Chamber,
    /// The fluid and how finely it is solved
    pub fluid: Fluid,
}

/// One hole
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FlowOrifice {
    /// Its outline in the wall
    pub shape: OrificeShape,
    /// Its centroid, mm
    #[serde(default)]
    pub position_mm: [f64; 2],
    /// Turn of the outline in the plane, degrees
    #[serde(default)]
    pub roll_deg: f64,
}

/// The wall between the chambers
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Leaflet {
    /// Thickness, mm
    pub thickness_mm: f64,
    /// Radius of the edge that the blood meets first, mm; 0 is sharp
    pub upstream_radius_mm: f64,
    /// Radius of the edge that it leaves by, mm
    pub downstream_radius_mm: f64,
    /// Slope of the leaflets away from the orifice: positive leans downstream (tented), negative upstream (billowing)
    pub slope: f64,
    /// How far they rise or fall in all, mm
    pub rise_mm: f64,
    /// Angle of the hole through the wall off its normal, degrees
    pub jet_tilt_deg: f64,
    /// Toward which side, degrees from u toward v
    pub jet_azimuth_deg: f64,
}

impl Default for Leaflet {
    fn default() -> Self {
        Self {
            thickness_mm: 1.2,
            upstream_radius_mm: 0.0,
            downstream_radius_mm: 0.0,
            slope: 0.0,
            rise_mm: 0.0,
            jet_tilt_deg: 0.0,
            jet_azimuth_deg: 0.0,
        }
    }
}

/// The chambers on both sides
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Chamber {
    /// Sides along u and v, mm
    pub side_mm: [f64; 2],
    /// Length before the wall, mm
    pub upstream_mm: f64,
    /// Length behind it, mm
    pub downstream_mm: f64,
    /// A wall beside the jet, across u at this place, behind the leaflets, mm
    #[serde(skip_serializing_if = "Option::is_none")]
    pub side_wall_mm: Option<f64>,
}

impl Default for Chamber {
    fn default() -> Self {
        Self { side_mm: [34.0; 2], upstream_mm: 20.0, downstream_mm: 38.0, side_wall_mm: None }
    }
}

/// The fluid and how finely it is solved
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Fluid {
    /// Kinematic viscosity, mm2/s
    pub viscosity_mm2_s: f64,
    /// Mean core speed at the vena contracta that the result is scaled to, m/s
    pub peak_m_s: f64,
    /// Flow that is driven, ml/s; by default the area of the holes times 0.7 times the peak
    #[serde(skip_serializing_if = "Option::is_none")]
    pub flow_ml_s: Option<f64>,
    /// Side of a cell, mm
    pub cell_mm: f64,
    /// Time until averaging begins, ms
    pub settle_ms: f64,
    /// Time that is averaged, ms
    pub average_ms: f64,
    /// Side of what is stored around the orifices along u and v, and where along w it begins and ends, mm
    pub stored_mm: [f64; 3],
}

impl Default for Fluid {
    fn default() -> Self {
        Self {
            viscosity_mm2_s: 3.5,
            peak_m_s: 5.0,
            flow_ml_s: None,
            cell_mm: 0.15,
            settle_ms: 20.0,
            average_ms: 20.0,
            stored_mm: [31.0, -13.0, 26.0],
        }
    }
}

impl Default for FlowRecipe {
    fn default() -> Self {
        Self {
            name: String::from("round"),
            purpose: FlowUse::Tuning,
            orifice: vec![FlowOrifice {
                shape: OrificeShape::Round { diameter_mm: 7.0 },
                position_mm: [0.0; 2],
                roll_deg: 0.0,
            }],
            leaflet: Leaflet::default(),
            chamber: Chamber::default(),
            fluid: Fluid::default(),
        }
    }
}

/// Why a flow cannot be solved
#[derive(Debug, thiserror::Error)]
pub enum FlowRecipeError {
    /// The text is not a recipe
    #[error("the recipe could not be read: {0}")]
    Parse(#[from] Box<toml::de::Error>),
    /// An outline has no area
    #[error("an orifice cannot be cut: {0}")]
    Outline(&'static str),
    /// There is no orifice
    #[error("the wall has no orifice")]
    None,
    /// An orifice reaches the chamber's side
    #[error("an orifice comes within 3 mm of the chamber's side")]
    Outside,
    /// Two orifices run into each other
    #[error("orifices run into each other")]
    Joined,
    /// A value is impossible
    #[error(
        "the recipe asks for something impossible: {key} must lie between {low} and {high}, and is {value}"
    )]
    Range {
        /// The key
        key: &'static str,
        /// Its value
        value: f64,
        /// Least
        low: f64,
        /// Most
        high: f64,
    },
    /// Cells are too coarse for an orifice
    #[error(
        "cells of {cell_mm} mm are too coarse: an orifice that is {width_mm:.2} mm wide needs cells of {needed:.3} mm"
    )]
    Coarse {
        /// Side of a cell
        cell_mm: f64,
        /// Narrowest mean width of an orifice
        width_mm: f64,
        /// Side that would do
        needed: f64,
    },
    /// More cells than can be held
    #[error("the flow would have {count} {part}; at most {most} can be held")]
    Large {
        /// Cells of what
        part: &'static str,
        /// How many
        count: usize,
        /// Most
        most: usize,
    },
    /// The Reynolds number is beyond what this is stable for
    #[error("the flow would have a Reynolds number of {0:.0}; this solver is stable up to 40000")]
    Reynolds(f64),
}

impl FlowRecipeError {
    /// What can be done
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Parse(_) => {
                "give a recipe in TOML; its keys are those of the recipes in sample-volumes/flows"
            }
            Self::Outline(_) | Self::None => "give at least one orifice with a shape and its size",
            Self::Outside => "make the chamber wider (chamber.side_mm) or move the orifice",
            Self::Joined => "move the orifices apart, or draw them as one polygon",
            Self::Range { .. } => "change the value",
            Self::Coarse { .. } => "make fluid.cell_mm smaller; the cost grows with its fourth power",
            Self::Large { .. } => {
                "make fluid.cell_mm larger, or the chamber or what is stored (fluid.stored_mm) smaller"
            }
            Self::Reynolds(_) => "lower the speed or raise the viscosity",
        }
    }
}

impl FlowRecipe {
    /// A recipe from TOML, checked
    ///
    /// # Errors
    /// [`FlowRecipeError`].
    pub fn from_toml(text: &str) -> Result<Self, FlowRecipeError> {
        let recipe: Self = toml::from_str(text).map_err(Box::new)?;
        recipe.check()?;
        Ok(recipe)
    }

    fn check(&self) -> Result<(), FlowRecipeError> {
        let range = |key, value: f64, low: f64, high: f64| {
            let fits = (low..=high).contains(&value);
            fits.then_some(()).ok_or(FlowRecipeError::Range { key, value, low, high })
        };
        if self.orifice.is_empty() {
            return Err(FlowRecipeError::None);
        }
        let (leaflet, chamber, fluid) = (&self.leaflet, &self.chamber, &self.fluid);
        range("leaflet.thickness_mm", leaflet.thickness_mm, 0.4, 12.0)?;
        range("leaflet.upstream_radius_mm", leaflet.upstream_radius_mm, 0.0, leaflet.thickness_mm)?;
        let rest = leaflet.thickness_mm - leaflet.upstream_radius_mm;
        range("leaflet.downstream_radius_mm", leaflet.downstream_radius_mm, 0.0, rest)?;
        range("leaflet.slope", leaflet.slope, -1.5, 1.5)?;
        range("leaflet.rise_mm", leaflet.rise_mm, 0.0, 12.0)?;
        range("leaflet.jet_tilt_deg", leaflet.jet_tilt_deg, 0.0, 45.0)?;
        range("leaflet.jet_azimuth_deg", leaflet.jet_azimuth_deg, -360.0, 360.0)?;
        range("chamber.side_mm", chamber.side_mm[0].min(chamber.side_mm[1]), 8.0, 80.0)?;
        range("chamber.side_mm", chamber.side_mm[0].max(chamber.side_mm[1]), 8.0, 80.0)?;
        range("chamber.upstream_mm", chamber.upstream_mm, 5.0, 60.0)?;
        range("chamber.downstream_mm", chamber.downstream_mm, 10.0, 100.0)?;
        let half = chamber.side_mm[0] / 2.0;
        range("chamber.side_wall_mm", chamber.side_wall_mm.unwrap_or(half), 1.0 - half, half)?;
        range("fluid.viscosity_mm2_s", fluid.viscosity_mm2_s, 0.5, 1000.0)?;
        range("fluid.peak_m_s", fluid.peak_m_s, 0.2, 8.0)?;
        range("fluid.flow_ml_s", fluid.flow_ml_s.unwrap_or(1.0), 0.1, 2000.0)?;
        range("fluid.cell_mm", fluid.cell_mm, 0.05, 1.0)?;
        range("fluid.settle_ms", fluid.settle_ms, 0.0, 1000.0)?;
        range("fluid.average_ms", fluid.average_ms, 0.1, 1000.0)?;
        range("fluid.stored_mm[0]", fluid.stored_mm[0], 4.0, chamber.side_mm[0].min(chamber.side_mm[1]))?;
        range("fluid.stored_mm[1]", fluid.stored_mm[1], 1.0 - chamber.upstream_mm, -1.0)?;
        range("fluid.stored_mm[2]", fluid.stored_mm[2], 3.0, 0.84 * chamber.downstream_mm)
    }
}
