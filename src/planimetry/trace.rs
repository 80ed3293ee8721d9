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
    /// Incoherence of the phases, 0 to 1
    incoherence: Image<f64>,
}

/// Incoherence from which on colour outside the effective outline counts in full: less of it is slow blood, which a
/// careful reader leaves out (solved tuning geometries, seeds 300 to 329: outlines in moving blood are then as large as
/// in calm blood, 1.0 times at the median, where they had been up to 14 times)
const FAST: f64 = 0.2;
/// Colour farther outside the effective outline is not this jet's, mm (the same volumes, calm blood: up to 3.6)
const FARTHEST_MM: f64 = 4.0;

impl NeckImage {
    /// The same without the slow blood around the effective outline: what is outside it counts as far as it is fast
    ///
    /// Inside, hue means nothing: the core may be as coherent as slow blood.
    pub(super) fn fast(mut self, core: &Outline) -> Self {
        let inside = core.coverage(&self.raster);
        let bounds = core.bounds();
        for y in 0..self.raster.height {
            for x in 0..self.raster.width {
                let (strength, inside) = (self.strength.at(x, y), inside.at(x, y));
                if strength <= 0.0 || inside >= 1.0 {
                    continue;
                }
                let mut share = (self.incoherence.at(x, y) / FAST).min(1.0);
                let at = self.raster.cut_from_pixel(x as f64, y as f64);
                let beyond = |[low, high]: [f64; 2], at: f64| (low - at).max(at - high) > FARTHEST_MM;
                if beyond(bounds[0], at.u) || beyond(bounds[1], at.v) {
                    share = 0.0;
                } else if share > 0.0 {
                    let away = core.signed_distance(at).get();
                    share *= ((FARTHEST_MM - away) / PIXEL_MM).clamp(0.0, 1.0);
                }
                self.strength.set(x, y, strength * share.max(inside));
            }
        }
        self
    }
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
    let mut incoherence = strength.clone();
    let right = cut.u().into_inner() * raster.pixel.get();
    let up = cut.v().into_inner() * raster.pixel.get();
    for plane in 0..PLANES {
        let share = plane as f64 / (PLANES - 1) as f64 - 0.5;
        let lifted = cut.at_level(share * SLAB_MM);
        let corner = lifted.at(raster.cut_from_pixel(0.0, 0.0));
        for y in 0..raster.height {
            for x in 0..raster.width {
                let point = corner.moved(right * x as f64 + up * y as f64);
                let [here, scattered] = signal.at(point);
                strength.set(x, y, strength.at(x, y) + here);
                incoherence.set(x, y, incoherence.at(x, y) + scattered);
            }
        }
    }
    let n = PLANES as f64;
    let [strength, incoherence] = [strength, incoherence].map(|image| image.map(|v| v / n));
    let strength = jet_share(&strength, &raster, signal.scale().threshold());
    NeckImage { raster, strength, incoherence }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slow_coloured_blood_around_a_jet_is_left_out_and_its_coherent_core_is_not() {
        // All is coloured at full signal; the core, 3 mm, is coherent, the layer around it, to 4.5 mm, is not.
        let raster = Raster::square(Mm::new(24.0), Mm::new(PIXEL_MM));
        let away = |x: usize, y: usize| {
            let at = raster.cut_from_pixel(x as f64, y as f64);
            libm::hypot(at.u, at.v)
        };
        let picture =
            |of: &dyn Fn(f64) -> f64| Image::from_fn(raster.width, raster.height, |x, y| of(away(x, y)));
        let image = NeckImage {
            raster,
            strength: picture(&|r| f64::from(u8::from(r < 11.0))),
            // It falls by a tenth from pixel to pixel.
            incoherence: picture(&|r| {
                if r < 2.8 { 0.0 } else { ((4.5 - r) * 0.1 / PIXEL_MM + 0.1).clamp(0.0, 0.5) }
            }),
        };
        let core = Outline::regular(CutPoint::default(), 3.0, 96).unwrap();
        let area = |image: &NeckImage| trace(image, 0.5, CutPoint::default()).unwrap().outline.area().get();
        let circle = |r: f64| std::f64::consts::PI * r * r;
        assert!((area(&image) / circle(11.0) - 1.0).abs() < 0.02, "{}", area(&image));
        // Half of what counts in full is at 4.5 mm.
        let fast = area(&image.clone().fast(&core));
        assert!((fast / circle(4.5) - 1.0).abs() < 0.03, "{fast} {}", circle(4.5));
        // Where nothing is fast the core is left, and nothing far away is this jet's, however fast.
        let slow = NeckImage { incoherence: picture(&|_| 0.0), ..image.clone() };
        assert!((area(&slow.fast(&core)) / circle(3.0) - 1.0).abs() < 0.02);
        let all = NeckImage { incoherence: picture(&|_| 0.5), ..image };
        assert!((area(&all.fast(&core)) / circle(3.0 + FARTHEST_MM) - 1.0).abs() < 0.05);
    }
}
