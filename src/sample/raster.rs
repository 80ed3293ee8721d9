//! Pixels on a cut.

use crate::space::CutPoint;
use crate::unit::Mm;

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
