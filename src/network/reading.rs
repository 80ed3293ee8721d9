//! What the network says of a patch.

use crate::numeric::Image;
use crate::numeric::contour::{Border, iso_rings};
use crate::outline::{Outline, OutlineError};
use crate::space::{Cut, CutPoint};
use crate::unit::Mm2;

/// What the network says of a patch
#[derive(Clone, Debug)]
pub struct Reading {
    /// Share of each pixel within the effective outline, seen along the patch's w axis; pixel `(x, y)`
    /// lies at `u = (x - 23.5) * pitch`, `v = (y - 23.5) * pitch` on the patch's plane
    pub inside: Image<f64>,
    /// From pixel to pixel, mm
    pub pitch_mm: f64,
    /// Natural logarithm of the effective area in mm2, perpendicular to the jet
    pub log_area: f64,
    /// Natural logarithm of the predicted spread of `log_area` (mean absolute error, before calibration)
    pub log_spread: f64,
    /// Half-width of the 95 % interval of `log_area`, calibrated on geometries left out of training
    pub half_width: f64,
    /// By how much the flow's direction leans from the patch's w axis toward u and v, radians
    pub lean: [f64; 2],
    /// Where the vena contracta's centre lies from the patch's, along u, v and w, mm
    pub offset_mm: [f64; 3],
    /// Logit of the probability that a vena contracta is there at all
    pub orifice: f64,
}

/// Levels tried for the outline, by bisection
const HALVINGS: usize = 24;

impl Reading {
    /// The mean with another reading of the same patch
    #[must_use]
    pub(super) fn mean(&self, other: &Self) -> Self {
        let mean = f64::midpoint;
        let each = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| mean(*a, *b)).collect::<Vec<f64>>();
        let inside = each(self.inside.data(), other.inside.data());
        let (width, height) = (self.inside.width(), self.inside.height());
        Self {
            inside: Image::from_rows(width, height, inside).unwrap_or_else(|| self.inside.clone()),
            pitch_mm: self.pitch_mm,
            log_area: mean(self.log_area, other.log_area),
            log_spread: mean(self.log_spread, other.log_spread),
            half_width: (self.half_width * other.half_width).sqrt(),
            lean: std::array::from_fn(|k| mean(self.lean[k], other.lean[k])),
            offset_mm: std::array::from_fn(|k| mean(self.offset_mm[k], other.offset_mm[k])),
            orifice: mean(self.orifice, other.orifice),
        }
    }

    /// The effective area, mm2
    pub fn effective_mm2(&self) -> f64 {
        libm::exp(self.log_area)
    }

    /// The 95 % interval of the effective area, mm2, at the calibrated width times `widen`
    pub fn interval_mm2(&self, widen: f64) -> [f64; 2] {
        let half = self.half_width * widen;
        [libm::exp(self.log_area - half), libm::exp(self.log_area + half)]
    }

    /// The patch's plane, moved and leant onto the vena contracta
    pub fn corrected(&self, plane: &Cut) -> Cut {
        let [u, v, w] = self.offset_mm;
        let by = plane.u().into_inner() * u + plane.v().into_inner() * v + plane.normal().into_inner() * w;
        let [lean_u, lean_v] = self.lean;
        plane
            .centred(plane.centre().moved(by))
            .tilted(libm::hypot(lean_u, lean_v), libm::atan2(lean_v, lean_u))
    }

    /// The effective outline on the patch's plane: the line of equal share that encloses the effective area
    ///
    /// The ring with the most area at the level found by bisection between 2 and 98 %; what the level leaves
    /// over is made up by scaling about the ring's centroid.
    ///
    /// # Errors
    /// Where no pixel reaches the level, or the ring is no valid outline.
    pub fn outline(&self) -> Result<Outline, OutlineError> {
        let wanted = self.effective_mm2() / (self.pitch_mm * self.pitch_mm);
        let (mut low, mut high) = (0.02, 0.98);
        for _ in 0..HALVINGS {
            let level = 0.5 * (low + high);
            if self.largest(level).map_or(0.0, |(area, _)| area) > wanted {
                low = level;
            } else {
                high = level;
            }
        }
        let (_, points) = self.largest(low).ok_or(OutlineError::TooFew(0))?;
        let middle = [self.inside.width(), self.inside.height()].map(|side| (side as f64 - 1.0) / 2.0);
        let place = |p: &[f64; 2], k: usize| (p[k] - middle[k]) * self.pitch_mm;
        let ring = Outline::new(points.iter().map(|p| CutPoint::new(place(p, 0), place(p, 1))).collect())?;
        Ok(ring.scaled_to(Mm2::new(self.effective_mm2())))
    }

    /// The ring of most area at a level, in pixels
    fn largest(&self, level: f64) -> Option<(f64, Vec<[f64; 2]>)> {
        iso_rings(&self.inside, level)
            .into_iter()
            .filter(|ring| ring.border == Border::Free)
            .map(|ring| (ring.signed_area(), ring.points))
            .filter(|(area, _)| *area > 0.0)
            .max_by(|a, b| a.0.total_cmp(&b.0))
    }
}
