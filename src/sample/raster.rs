//! Pixels on a cut.

use rayon::prelude::*;

use crate::numeric::Image;
use crate::space::{Cut, CutPoint};
use crate::unit::Mm;

use super::FrameSampler;

/// The pixels of a cut: `width` by `height`, square, centred on the cut's centre
///
/// Pixel `(x, y)` lies at `u = (x - (width - 1) / 2) * pixel`, `v = (y - (height - 1) / 2) * pixel`;
/// rows follow `v`, so a picture that shows `v` upward flips them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Raster {
    /// Columns
    pub width: usize,
    /// Rows
    pub height: usize,
    /// Side of a pixel
    pub pixel: Mm,
}

impl Raster {
    /// A square of `side` millimetres or a little more, in pixels of `pixel`
    pub fn square(side: Mm, pixel: Mm) -> Self {
        let pixels = (side / pixel).ceil().max(1.0) as usize + 1;
        Self { width: pixels, height: pixels, pixel }
    }

    /// The position on the cut of a (fractional) pixel
    pub fn cut_from_pixel(&self, x: f64, y: f64) -> CutPoint {
        CutPoint::new(
            (x - (self.width as f64 - 1.0) / 2.0) * self.pixel.get(),
            (y - (self.height as f64 - 1.0) / 2.0) * self.pixel.get(),
        )
    }

    /// The fractional pixel of a position on the cut
    pub fn pixel_from_cut(&self, point: CutPoint) -> (f64, f64) {
        (
            point.u / self.pixel.get() + (self.width as f64 - 1.0) / 2.0,
            point.v / self.pixel.get() + (self.height as f64 - 1.0) / 2.0,
        )
    }
}

/// The flow on a cut; every picture has the raster's shape, NaN outside the volume
#[derive(Clone, Debug)]
pub struct FlowCut {
    /// Displayed velocity, m/s, within the displayed limits; 0 where nothing is coloured
    pub velocity: Image<f64>,
    /// Length of the mean phasor of the coloured neighbours, 0 to 1
    pub coherence: Image<f64>,
    /// Interpolated share of coloured voxels, 0 to 1
    pub coloured: Image<f64>,
}

/// A scalar channel (tissue, power codes, variance codes) on a cut, NaN outside the volume
pub fn scalar_cut(sampler: &FrameSampler<'_>, cut: &Cut, raster: &Raster) -> Image<f64> {
    let mut image = Image::filled(raster.width, raster.height, f64::NAN);
    image.data_mut().par_chunks_mut(raster.width.max(1)).enumerate().for_each(|(y, row)| {
        for (x, pixel) in row.iter_mut().enumerate() {
            *pixel = sampler.scalar(cut.at(raster.cut_from_pixel(x as f64, y as f64))).unwrap_or(f64::NAN);
        }
    });
    image
}

/// The velocity channel on a cut, phase-safe
pub fn flow_cut(sampler: &FrameSampler<'_>, cut: &Cut, raster: &Raster) -> FlowCut {
    let rows: Vec<Vec<Option<super::FlowSample>>> = (0..raster.height)
        .into_par_iter()
        .map(|y| {
            (0..raster.width)
                .map(|x| sampler.flow(cut.at(raster.cut_from_pixel(x as f64, y as f64))))
                .collect()
        })
        .collect();
    let picture = |f: fn(super::FlowSample) -> f64| {
        Image::from_fn(raster.width, raster.height, |x, y| rows[y][x].map_or(f64::NAN, f))
    };
    FlowCut {
        velocity: picture(|s| s.velocity.get()),
        coherence: picture(|s| s.coherence),
        coloured: picture(|s| s.coloured),
    }
}
