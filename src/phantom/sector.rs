//! Beams at fixed angles: the scanner's own coordinates.
//!
//! A beam has an azimuth a within its plane and the plane an elevation e about the x axis; with the
//! range r a place is `r (sin a, cos a sin e, cos a cos e)`. Beams, planes and samples lie at whole
//! multiples of their steps, whatever is scanned, so a small box sees the beams of the whole volume.

use nalgebra::Vector3;

use super::recipe::Recipe;
use super::scanner::DopplerRecipe;

/// A box of beams, planes and range samples
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sector {
    /// Steps of azimuth and elevation, radians, and of range, mm
    pub(crate) step: [f64; 3],
    /// Index of the first beam, plane and sample
    pub(crate) first: [i64; 3],
    /// Numbers of beams, planes and samples
    pub(crate) count: [usize; 3],
}

/// Azimuth and elevation in radians and range in mm of a point
pub(crate) fn beam_place(p: &Vector3<f64>) -> [f64; 3] {
    let r = p.norm().max(1e-9);
    [libm::asin((p.x / r).clamp(-1.0, 1.0)), libm::atan2(p.y, p.z), r]
}

/// The direction of a beam, away from the probe
pub(crate) fn beam_direction(azimuth: f64, elevation: f64) -> Vector3<f64> {
    let (sin_a, cos_a) = libm::sincos(azimuth);
    let (sin_e, cos_e) = libm::sincos(elevation);
    Vector3::new(sin_a, cos_a * sin_e, cos_a * cos_e)
}

impl Sector {
    /// The beams that a box of scan space is interpolated from, within the sector
    ///
    /// `low` and `high` are opposite corners of the box; where none of it lies in the sector, one
    /// cell of beams is left.
    pub(crate) fn covering(doppler: &DopplerRecipe, low: &Vector3<f64>, high: &Vector3<f64>) -> Self {
        const SIDE: usize = 12;
        let step = [doppler.beam_deg.to_radians(), doppler.plane_deg.to_radians(), doppler.range_mm];
        let (mut least, mut most) = ([f64::MAX; 3], [f64::MIN; 3]);
        // The extremes of angles and range over a box lie on its faces.
        let part = |from: f64, to: f64, i: usize| from + (to - from) * i as f64 / SIDE as f64;
        for z in 0..=SIDE {
            for y in 0..=SIDE {
                for x in 0..=SIDE {
                    if ![x, y, z].iter().any(|i| *i == 0 || *i == SIDE) {
                        continue;
                    }
                    let p =
                        Vector3::new(part(low.x, high.x, x), part(low.y, high.y, y), part(low.z, high.z, z));
                    for (axis, at) in beam_place(&p).into_iter().enumerate() {
                        least[axis] = least[axis].min(at);
                        most[axis] = most[axis].max(at);
                    }
                }
            }
        }
        let half = (doppler.sector_deg / 2.0).to_radians();
        for axis in 0..2 {
            least[axis] = least[axis].clamp(-half, half);
            most[axis] = most[axis].clamp(-half, half);
        }
        least[2] = least[2].max(1.0);
        let first: [i64; 3] = std::array::from_fn(|axis| (least[axis] / step[axis] - 0.1).floor() as i64);
        let count = std::array::from_fn(|axis| {
            let last = (most[axis] / step[axis] + 0.1).ceil() as i64;
            (last - first[axis]).max(1) as usize + 1
        });
        Self { step, first, count }
    }

    /// Azimuth, elevation or range at an index that need not be whole
    pub(crate) fn at(&self, axis: usize, index: f64) -> f64 {
        (self.first[axis] as f64 + index) * self.step[axis]
    }

    /// The cell around a point and the share of the way through it along each axis; `None` outside
    pub(crate) fn cell(&self, p: &Vector3<f64>) -> Option<([usize; 3], [f32; 3])> {
        let place = beam_place(p);
        let mut first = [0; 3];
        let mut share = [0.0; 3];
        for axis in 0..3 {
            let at = place[axis] / self.step[axis] - self.first[axis] as f64;
            if !(at >= 0.0 && at <= (self.count[axis] - 1) as f64) {
                return None;
            }
            first[axis] = (at as usize).min(self.count[axis] - 2);
            share[axis] = (at - first[axis] as f64) as f32;
        }
        Some((first, share))
    }

    /// Index of a sample: beams run fastest, then range, then planes
    pub(crate) fn index(&self, [beam, plane, sample]: [usize; 3]) -> usize {
        beam + self.count[0] * (sample + self.count[2] * plane)
    }
}

/// Widths of the point spread at a range: azimuth, elevation, range, mm
pub(crate) fn point_spread(recipe: &Recipe, range: f64) -> [f64; 3] {
    let doppler = &recipe.doppler;
    let relative = range / recipe.scan.depth_mm - 1.0;
    let grow = |sigma: f64, growth: f64| sigma * (1.0 + growth * relative).max(0.2);
    [
        grow(doppler.lateral_mm, doppler.growth),
        grow(doppler.elevational_mm, doppler.growth),
        grow(doppler.axial_mm, doppler.axial_growth),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_and_directions_are_inverse_and_a_box_is_covered() {
        for (a, e, r) in [(0.3, -0.2, 40.0), (-0.7, 0.6, 90.0), (0.0, 0.0, 5.0)] {
            let found = beam_place(&(beam_direction(a, e) * r));
            for (found, expected) in found.into_iter().zip([a, e, r]) {
                assert!((found - expected).abs() < 1e-12);
            }
        }
        let (low, high) = (Vector3::new(-12.0, -20.0, 31.0), Vector3::new(25.0, 14.0, 60.0));
        let sector = Sector::covering(&DopplerRecipe::default(), &low, &high);
        for corner in 0..8 {
            let pick = |axis: usize| if corner >> axis & 1 == 1 { high[axis] } else { low[axis] };
            assert!(sector.cell(&Vector3::new(pick(0), pick(1), pick(2))).is_some());
        }
        assert!(sector.cell(&Vector3::new(0.0, 0.0, 31.0)).is_some());
        assert!(sector.cell(&Vector3::new(0.0, 0.0, 20.0)).is_none());
    }
}
