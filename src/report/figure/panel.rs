//! A cut on the page: its picture, scale bar, velocity bar and key.

use super::super::colour;
use super::super::raster;
use super::super::svg::{Anchor, At, Dash, Face, Halo, Stroke, Svg};
use super::super::words::{fixed, signed};
use super::FigureError;
use crate::sample::Raster;
use crate::space::{Cut, CutPoint};
use crate::unit::Mm;
use crate::volume::Volume4;

/// Width of a figure with a picture
pub(crate) const WIDTH: f64 = 1000.0;
/// Height of a figure with a picture
pub(crate) const HEIGHT: f64 = 650.0;
/// Where the key starts
pub(crate) const KEY_X: f64 = 706.0;
const CORNER: At = (24.0, 80.0);
const SIDE: f64 = 546.0;
const PIXELS: usize = 420;

/// A square cut on the page
#[derive(Clone, Copy, Debug)]
pub(crate) struct Panel {
    cut: Cut,
    raster: Raster,
}

impl Panel {
    /// A square of `side` around the cut's centre, `v` upward
    pub(crate) fn new(cut: Cut, side: Mm) -> Self {
        Self { cut, raster: Raster { width: PIXELS, height: PIXELS, pixel: side / PIXELS as f64 } }
    }

    /// Page units of one millimetre
    pub(crate) fn per_mm(&self) -> f64 {
        SIDE / (self.raster.pixel.get() * PIXELS as f64)
    }

    /// Where a point of the cut lies on the page
    pub(crate) fn at(&self, point: CutPoint) -> At {
        let (x, y) = Self::middle();
        (x + point.u * self.per_mm(), y - point.v * self.per_mm())
    }

    /// The middle of the picture on the page
    pub(crate) fn middle() -> At {
        (CORNER.0 + SIDE / 2.0, CORNER.1 + SIDE / 2.0)
    }

    /// Left, top, right and bottom of the picture on the page
    pub(crate) fn edges() -> [f64; 4] {
        [CORNER.0, CORNER.1, CORNER.0 + SIDE, CORNER.1 + SIDE]
    }

    /// Draws the picture of a frame, marks drawn by `marks` over it, and the scale bar
    pub(crate) fn draw(
        &self,
        svg: &mut Svg,
        volume: &Volume4,
        frame: usize,
        id: &str,
        marks: impl FnOnce(&mut Svg),
    ) -> Result<(), FigureError> {
        let picture = raster::picture(volume, frame, &self.cut, &self.raster);
        svg.picture(CORNER, (SIDE, SIDE), &raster::png(&picture)?);
        svg.clipped(id, CORNER, (SIDE, SIDE), marks);
        self.scale_bar(svg);
        velocity_bar(svg, volume, id);
        Ok(())
    }

    fn scale_bar(&self, svg: &mut Svg) {
        let about = SIDE / 5.0 / self.per_mm();
        let length = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0].into_iter().rfind(|mm| *mm <= about).unwrap_or(1.0);
        let [left, _, _, bottom] = Self::edges();
        let (from, y) = (left + 18.0, bottom - 18.0);
        let to = from + length * self.per_mm();
        cased(svg, &[(from, y - 6.0), (from, y), (to, y), (to, y - 6.0)], Stroke::solid(colour::LIGHT, 2.0));
        let face = Face::new(15.0, colour::LIGHT).with(Halo::Dark);
        svg.text((from, y - 12.0), face, &format!("{} mm", fixed(length, 0)));
    }
}

/// The velocity bar: the map between the displayed limits, with the baseline marked
fn velocity_bar(svg: &mut Svg, volume: &Volume4, id: &str) {
    let Some(scale) = volume.velocity_scale() else { return };
    let (low, high) = scale.limits();
    let (low, high) = (low.get(), high.get());
    let (x, top, width, height) = (CORNER.0 + SIDE + 16.0, CORNER.1 + 52.0, 16.0, 300.0);
    let zero = top + height * (high / (high - low)).clamp(0.0, 1.0);
    let (toward, away) = (format!("{id}-toward"), format!("{id}-away"));
    svg.gradient(&toward, &colour::TOWARD.map(|(share, rgb)| (1.0 - share, colour::hex(rgb))));
    svg.gradient(&away, &colour::AWAY.map(|(share, rgb)| (share, colour::hex(rgb))));
    svg.rect((x, top), (width, zero - top), &format!("url(#{toward})"), 1.0);
    svg.rect((x, zero), (width, top + height - zero), &format!("url(#{away})"), 1.0);
    svg.line((x - 4.0, zero), (x + width + 4.0, zero), Stroke::solid(colour::INK, 1.6));
    let number = Face::new(14.0, colour::INK);
    let word = Face::new(12.5, colour::QUIET);
    let right = x + width + 8.0;
    svg.text((x - 2.0, top - 30.0), word, "colour, m/s");
    svg.text((x - 2.0, top - 12.0), word, "toward probe");
    svg.text((right, top + 12.0), number, &signed(high, 2));
    svg.text((right, zero + 5.0), number, "0.00");
    svg.text((right, top + height - 1.0), number, &signed(low, 2));
    svg.text((x - 2.0, top + height + 20.0), word, "away");
    svg.text((x - 2.0, top + height + 48.0), word, "Nyquist limit");
    let nyquist = format!("{} m/s", fixed(scale.nyquist().get(), 2));
    svg.text((x - 2.0, top + height + 66.0), number, &nyquist);
}

/// A line with a dark rim, so that it reads on any picture
pub(crate) fn cased(svg: &mut Svg, points: &[At], stroke: Stroke) {
    svg.polyline(points, casing(stroke));
    svg.polyline(points, stroke);
}

/// The dark rim of a line
pub(crate) fn casing(stroke: Stroke) -> Stroke {
    Stroke { colour: "#000000", width: stroke.width + 2.0, dash: Dash::Solid, opacity: 0.55 }
}

/// An arrow head at `tip`, pointing along `(dx, dy)` of unit length
pub(crate) fn arrow_head(svg: &mut Svg, tip: At, (dx, dy): At, colour: &str) {
    let back = (tip.0 - 13.0 * dx, tip.1 - 13.0 * dy);
    let (left, right) = ((back.0 - 5.5 * dy, back.1 + 5.5 * dx), (back.0 + 5.5 * dy, back.1 - 5.5 * dx));
    svg.area(&[tip, left, right], colour, 1.0);
}

/// The key beside a picture: what each line means, and its number
pub(crate) struct Key {
    y: f64,
}

impl Key {
    /// A key at the top
    pub(crate) fn new() -> Self {
        Self { y: CORNER.1 + 14.0 }
    }

    /// A line's entry: its sample, its name, and its numbers below
    pub(crate) fn line(&mut self, svg: &mut Svg, stroke: Stroke, name: &str, numbers: &[String]) {
        let y = self.y - 5.0;
        // Light lines need a dark ground on paper.
        if stroke.colour == colour::LIGHT {
            svg.rect((KEY_X - 2.0, y - 7.0), (40.0, 14.0), "#3a4046", 1.0);
        }
        svg.line((KEY_X, y), (KEY_X + 36.0, y), stroke);
        svg.text((KEY_X + 48.0, self.y), Face::new(15.0, colour::QUIET), name);
        self.numbers(svg, KEY_X + 48.0, numbers);
    }

    /// An entry without a line
    pub(crate) fn note(&mut self, svg: &mut Svg, name: &str, numbers: &[String]) {
        svg.text((KEY_X, self.y), Face::new(15.0, colour::QUIET), name);
        self.numbers(svg, KEY_X, numbers);
    }

    /// The figure's main number, large, with a line below
    pub(crate) fn answer(&mut self, svg: &mut Svg, name: &str, number: &str, below: &str) {
        svg.text((KEY_X, self.y), Face::new(15.0, colour::QUIET), name);
        svg.text((KEY_X, self.y + 36.0), Face::new(32.0, colour::INK).with(Halo::Bold), number);
        svg.text((KEY_X, self.y + 60.0), Face::new(15.0, colour::INK), below);
        self.y += 102.0;
    }

    fn numbers(&mut self, svg: &mut Svg, x: f64, numbers: &[String]) {
        self.y += 22.0;
        for number in numbers {
            svg.text((x, self.y), Face::new(16.0, colour::INK), number);
            self.y += 21.0;
        }
        self.y += 14.0;
    }
}

/// An edge label of a picture, light on dark
pub(crate) fn edge_label(svg: &mut Svg, at: At, anchor: Anchor, words: &str) {
    let face = Face::new(14.0, colour::LIGHT).anchored(anchor).with(Halo::Dark);
    svg.text(at, face, words);
}
