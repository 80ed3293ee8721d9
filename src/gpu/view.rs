//! What to show of a cut: one type for the graphics processor and for its plain twin.

use crate::space::{Cut, CutPoint};
use crate::unit::Mm;

use super::ColourMap;

/// Which tissue codes are dark and which are bright, in shares of the code range
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TissueWindow {
    /// Shown black at and below, 0 to 1
    pub low: f32,
    /// Shown white at and above, 0 to 1
    pub high: f32,
    /// Exponent on the way from black to white; below 1 lifts the dark tones
    pub gamma: f32,
}

impl Default for TissueWindow {
    fn default() -> Self {
        Self { low: 0.0, high: 1.0, gamma: 1.0 }
    }
}

impl TissueWindow {
    /// The greys of this window, worked out once: a power for every pixel would be half of a picture's time
    pub(super) fn greys(&self) -> Greys {
        let root = 1.0 / self.gamma.max(0.05);
        let from = std::array::from_fn(|below| libm::powf((below as f32 + 0.5) / 255.0, root));
        Greys { low: self.low, span: (self.high - self.low).max(1e-3), from }
    }
}

/// Greys of tissue
pub(super) struct Greys {
    low: f32,
    span: f32,
    /// The share of the window from which on there is the next lighter grey
    from: [f32; 255],
}

impl Greys {
    /// The grey of a tissue value in shares of the code range
    pub(super) fn at(&self, value: f32) -> u8 {
        let share = (value - self.low) / self.span;
        self.from.partition_point(|from| *from <= share) as u8
    }
}

/// When colour is drawn over tissue, and how
///
/// The trade's rule of priority: colour is written where there is colour (its share among the
/// neighbours is at least one half), the power passes the gain, and the tissue is not so bright
/// that it has the right of way. Without a power channel every coloured place passes the gain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlowLook {
    /// The colours
    pub map: ColourMap,
    /// Least power drawn, in shares of the code range, 0 to 1
    pub gain: f32,
    /// Brightest tissue that colour may cover, in shares of the code range; 1 lets colour always win
    pub priority: f32,
    /// How strongly lost coherence is laid over the colour in green, 0 to 1
    pub incoherence: f32,
    /// How much of the colour covers the tissue, 0 (none is drawn) to 1
    pub opacity: f32,
}

impl Default for FlowLook {
    fn default() -> Self {
        Self { map: ColourMap::default(), gain: 0.0, priority: 1.0, incoherence: 0.0, opacity: 1.0 }
    }
}

/// A picture of a cut: `v` runs upward, `u` to the right
///
/// The middle of the picture shows the point `middle` of the cut. With `middle` at zero the pixels
/// lie where a [`crate::sample::Raster`] of the same size has them, rows reversed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CutView {
    /// The plane
    pub cut: Cut,
    /// The point of the cut in the middle of the picture
    pub middle: CutPoint,
    /// Columns and rows
    pub size_px: [u32; 2],
    /// Side of a pixel
    pub pixel: Mm,
    /// Brightness and contrast of the tissue
    pub tissue: TissueWindow,
    /// Colour
    pub flow: FlowLook,
}

impl CutView {
    /// A view of the cut about its centre, with the plain look
    pub fn new(cut: Cut, size_px: [u32; 2], pixel: Mm) -> Self {
        Self {
            cut,
            middle: CutPoint::default(),
            size_px,
            pixel,
            tissue: TissueWindow::default(),
            flow: FlowLook::default(),
        }
    }

    /// The point of the cut under a (fractional) pixel; whole numbers are pixel centres, row 0 is
    /// the top
    pub fn cut_from_pixel(&self, x: f64, y: f64) -> CutPoint {
        let [width, height] = self.size_px.map(f64::from);
        CutPoint::new(
            self.middle.u + (x - (width - 1.0) / 2.0) * self.pixel.get(),
            self.middle.v - (y - (height - 1.0) / 2.0) * self.pixel.get(),
        )
    }

    /// The (fractional) pixel of a point of the cut; the inverse of [`CutView::cut_from_pixel`]
    pub fn pixel_from_cut(&self, point: CutPoint) -> (f64, f64) {
        let [width, height] = self.size_px.map(f64::from);
        (
            (point.u - self.middle.u) / self.pixel.get() + (width - 1.0) / 2.0,
            (self.middle.v - point.v) / self.pixel.get() + (height - 1.0) / 2.0,
        )
    }
}

/// Shown outside the volume
pub(super) const OUTSIDE: [u8; 3] = [14, 15, 18];

/// Laid over the colour where coherence is lost: bluish green of the Okabe-Ito set (#009E73)
pub(super) const INCOHERENT: [u8; 3] = [0, 158, 115];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample::Raster;
    use crate::space::VolumePoint;

    #[test]
    fn pixels_lie_where_the_raster_has_them_rows_reversed() {
        let cut = Cut::perpendicular_to(VolumePoint::new(1.0, 2.0, 3.0), nalgebra::Vector3::z_axis());
        let view = CutView::new(cut, [31, 20], Mm::new(0.25));
        let raster = Raster { width: 31, height: 20, pixel: Mm::new(0.25) };
        for (x, y) in [(0, 0), (30, 19), (7, 3)] {
            let here = view.cut_from_pixel(f64::from(x), f64::from(y));
            let there = raster.cut_from_pixel(f64::from(x), f64::from(19 - y));
            assert!(here.distance(there) < 1e-12);
            let (back_x, back_y) = view.pixel_from_cut(here);
            assert!((back_x - f64::from(x)).abs() < 1e-12 && (back_y - f64::from(y)).abs() < 1e-12);
        }
    }

    #[test]
    fn greys_are_the_power_of_the_windows_share() {
        for gamma in [0.5, 0.8, 1.0, 2.2] {
            let greys = TissueWindow { low: 0.2, high: 0.6, gamma }.greys();
            assert_eq!((greys.at(0.1), greys.at(0.7), greys.at(f32::NAN)), (0, 255, 0));
            for step in 0..=1000 {
                let share = step as f32 / 1000.0;
                let exact = 255.0 * libm::powf(share, gamma);
                let grey = f32::from(greys.at(0.2 + 0.4 * share));
                assert!((grey - exact).abs() < 0.501, "{share} to the {gamma}: {grey} for {exact}");
            }
        }
        let shut = TissueWindow { low: 0.5, high: 0.5, gamma: 1.0 }.greys();
        assert_eq!((shut.at(0.4), shut.at(0.9)), (0, 255));
    }
}
