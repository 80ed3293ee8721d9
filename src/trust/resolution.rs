//! Resolution: the voxels, and what the edges of the flow show to be resolved.
//!
//! Voxels may be much finer than what a scanner resolves: then they were interpolated between few
//! lines. What counts is the point spread, which the measurement finds from the edges of the power
//! around the neck. Its full width at half maximum, 2.355 standard deviations, is the effective
//! resolution; two things closer than that are seen as one.

use super::{Finding, Verdict, finding};
use crate::volume::Volume4;

/// Largest voxel side wanted, mm (common practice, no source)
const VOXEL_MM: f64 = 1.0;
/// Full width at half maximum over standard deviation of a Gaussian: 2 sqrt(2 ln 2)
const FULL_WIDTH: f64 = 2.354_820_045;
/// An orifice narrower than this share of the effective resolution is seen as the point spread alone
/// (our own choice: its blurred signal peaks below 0.45 of the plateau, so its edge is not drawn at half)
const NARROWEST: f64 = 0.5;

/// The voxels themselves
pub(super) fn voxels(volume: &Volume4) -> Finding {
    let coarsest = volume.grid.spacing_mm().into_iter().fold(0.0, f64::max);
    let (verdict, consequence) = if coarsest > 2.0 * VOXEL_MM {
        (Verdict::Unfit, "a vena contracta of 5 mm would be two or three voxels wide")
    } else if coarsest > VOXEL_MM {
        (Verdict::Limited, "small orifices are only a few voxels wide")
    } else {
        (Verdict::Adequate, "fine enough to trace a vena contracta")
    };
    let message = format!(
        "largest voxel side {coarsest:.2} mm; 1 mm or less is wanted (common practice, no source): {consequence}"
    );
    finding("voxel", verdict, Some(coarsest), "mm", Some(VOXEL_MM), message)
}

/// What the edges of one jet say about the point spread
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sharpness {
    /// Number of the jet, from 1
    pub id: usize,
    /// Standard deviation of the point spread at the neck, mm
    pub sigma_mm: f64,
    /// Its standard error, mm
    pub sigma_error_mm: f64,
    /// Smallest width of the orifice, mm
    pub narrowest_mm: f64,
}

/// The effective resolution at a jet's neck against the width of its orifice
pub fn resolution(volume: &Volume4, sharpness: &Sharpness) -> Finding {
    let Sharpness { id, sigma_mm, sigma_error_mm, narrowest_mm } = *sharpness;
    let full = FULL_WIDTH * sigma_mm;
    // The orifice decides what is enough: the coarsest resolution it can bear.
    let limit = narrowest_mm / NARROWEST;
    let voxels = full / volume.grid.spacing_mm().into_iter().fold(0.0, f64::max).max(1e-9);
    let (verdict, consequence) = if full > limit {
        (
            Verdict::Limited,
            "the orifice is narrower than half of what is resolved, and its area rests on the model of blur",
        )
    } else {
        (Verdict::Adequate, "the orifice is resolved")
    };
    let message = format!(
        "jet {id}: the edges show a resolution of {full:.1} mm (± {:.1}, full width at half maximum, {voxels:.1} voxels) \
         for an orifice {narrowest_mm:.1} mm wide; up to twice the width, {limit:.1} mm, is accepted (our own choice): \
         {consequence}",
        1.96 * FULL_WIDTH * sigma_error_mm
    );
    finding("resolution", verdict, Some(full), "mm", Some(limit), message)
}
