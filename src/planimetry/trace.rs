//! The tracing: a sub-pixel contour of the strong, fast signal on a cut.

use crate::jet::Signal;
use crate::numeric::Image;
use crate::numeric::contour::iso_rings;
use crate::outline::{Outline, OutlineError};
use crate::sample::Raster;
use crate::space::{Cut, CutPoint};
use crate::unit::Mm;

use super::background::jet_share;

/// Pixel of the measuring raster, mm
const PIXEL_MM: f64 = 0.25;
/// The signal on a cut, averaged over a thin slab along its normal
#[derive(Clone, Debug)]
pub(super) struct NeckImage {
    /// Its pixels
    pub raster: Raster,
    /// Share of the jet, 1 at full-signal power, moving chamber blood taken off
    pub strength: Image<f64>,
}

/// Why nothing could be traced
#[derive(Debug, thiserror::Error, PartialEq)]
pub enum TraceError {
    /// No closed contour at this level
    #[error("no closed contour at {0:.2} of full-signal power")]
    Nothing(f64),
    /// The contour leaves the volume
    #[error("the contour at {0:.2} of full-signal power leaves the volume")]
    LeavesVolume(f64),
    /// What can be traced is not read as the vena contracta of a jet
    #[error("no jet is read on this plane")]
    NoVenaContracta,
    /// The contour is not a valid polygon
    #[error("the contour is not a valid polygon: {0}")]
    Invalid(#[from] OutlineError),
}

/// A closed polygon on a cut and the level it follows
#[derive(Clone, Debug)]
pub struct Tracing {
    /// The polygon, counter-clockwise seen against the normal
    pub outline: Outline,
    /// Strength along it, as a share of the plateau
    pub level: f64,
}

/// Thickness that the signal is averaged over along the normal, mm: quiets speckle and is thin against a vena
/// contracta's length (our own choice)
pub(super) const SLAB_MM: f64 = 0.9;
/// Planes that the slab is taken as
const PLANES: usize = 3;

/// The signal on `cut`, as wide as `side`, averaged over [`SLAB_MM`] along the normal
pub(super) fn neck_image(signal: &Signal, cut: &Cut, side: Mm) -> NeckImage {
    let raster = Raster::square(side, Mm::new(PIXEL_MM));
    let mut strength = Image::filled(raster.width, raster.height, 0.0);
    let right = cut.u().into_inner() * raster.pixel.get();
    let up = cut.v().into_inner() * raster.pixel.get();
    for plane in 0..PLANES {
        let share = plane as f64 / (PLANES - 1) as f64 - 0.5;
        let lifted = cut.at_level(share * SLAB_MM);
        let corner = lifted.at(raster.cut_from_pixel(0.0, 0.0));
        for y in 0..raster.height {
            for x in 0..raster.width {
                let point = corner.moved(right * x as f64 + up * y as f64);
                let here = signal.strength(point);
                strength.set(x, y, strength.at(x, y) + here);
            }
        }
    }
    let n = PLANES as f64;
    let strength = strength.map(|v| v / n);
    let strength = jet_share(&strength, &raster, signal.scale().threshold());
    NeckImage { raster, strength }
}

/// Traces the region at `near` (or the nearest to it) at a level of the plateau
///
/// Holes are filled: a dark patch inside the jet is a wrap, not a wall.
///
/// # Errors
/// See [`TraceError`].
pub(super) fn trace(image: &NeckImage, level: f64, near: CutPoint) -> Result<Tracing, TraceError> {
    let mut best: Option<(f64, f64, Outline)> = None;
    let mut open = false;
    let mut invalid = None;
    for ring in iso_rings(&image.strength, level) {
        if ring.signed_area() <= 0.0 {
            continue;
        }
        if ring.border == crate::numeric::contour::Border::Touched {
            open = true;
            continue;
        }
        match Outline::from_pixels(&ring.points, &image.raster) {
            Ok(outline) => {
                let area = outline.area().get();
                if area < 1.0 {
                    continue;
                }
                let away = if outline.contains(near) { 0.0 } else { outline.centroid().distance(near) };
                let better = best.as_ref().is_none_or(|(known, size, _)| {
                    away < *known - 0.5 || ((away - known).abs() <= 0.5 && area > *size)
                });
                if better {
                    best = Some((away, area, outline));
                }
            }
            Err(error) => invalid = Some(error),
        }
    }
    match (best, invalid) {
        (Some((_, _, outline)), _) => Ok(Tracing { outline, level }),
        (None, Some(error)) => Err(error.into()),
        (None, None) if open => Err(TraceError::LeavesVolume(level)),
        (None, None) => Err(TraceError::Nothing(level)),
    }
}
