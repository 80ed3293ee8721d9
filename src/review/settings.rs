//! How the volume is shown and where the contour is laid.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::ReviewError;

/// How velocities are coloured
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum ColourMap {
    /// Red toward the probe, blue away, the wrap visible
    #[default]
    Doppler,
    /// A cyclic map of even lightness: equal steps of phase look equal
    Cyclic,
}

/// Whether the circle that one width implies is drawn
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum ImpliedCircle {
    /// Drawn over the tracing
    #[default]
    Shown,
    /// Left out
    Hidden,
}

/// How the volume is shown and where the contour is laid
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Settings {
    /// Level of the automatic contour as a share of the jet's signal, 0.05 to 0.95; `null` lets the
    /// measurement choose
    pub threshold: Option<f64>,
    /// Share of full power above which colour is shown, 0 to 1
    pub colour_gain: f64,
    /// Tissue brighter than this share of full scale hides weak colour, 0 to 1
    pub tissue_priority: f64,
    /// Share of full scale shown black and white
    pub tissue_window: [f64; 2],
    /// How velocities are coloured
    pub colour_map: ColourMap,
    /// Whether the implied circle is drawn
    pub circle: ImpliedCircle,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            threshold: None,
            colour_gain: 0.05,
            tissue_priority: 0.85,
            tissue_window: [0.05, 0.9],
            colour_map: ColourMap::Doppler,
            circle: ImpliedCircle::Shown,
        }
    }
}

impl Settings {
    /// Refuses numbers outside their range
    ///
    /// # Errors
    /// [`ReviewError::Range`] naming the number.
    pub fn check(&self) -> Result<(), ReviewError> {
        let share = |what, value| within(what, value, 0.0, 1.0);
        if let Some(threshold) = self.threshold {
            within("the threshold", threshold, 0.05, 0.95)?;
        }
        share("the display threshold", self.colour_gain)?;
        share("the tissue priority", self.tissue_priority)?;
        share("the tissue window's black", self.tissue_window[0])?;
        share("the tissue window's white", self.tissue_window[1])
    }
}

/// Refuses a number that is not finite or lies outside `low` to `high`
pub(super) fn within(what: &'static str, value: f64, low: f64, high: f64) -> Result<(), ReviewError> {
    if value.is_finite() && (low..=high).contains(&value) {
        Ok(())
    } else {
        Err(ReviewError::Range { what, value, low, high })
    }
}
