//! Any cut through a volume, without a measurement.

use super::super::svg::Svg;
use super::super::words;
use super::panel::{HEIGHT, Key, Panel, WIDTH};
use super::{FigureError, heading};
use crate::space::Cut;
use crate::unit::Mm;
use crate::volume::Volume4;

/// A cut to be drawn as it is
#[derive(Clone, Copy, Debug)]
pub struct PlainCut {
    /// Where
    pub cut: Cut,
    /// Which frame
    pub frame: usize,
    /// Side of the square shown
    pub side: Mm,
}

impl PlainCut {
    /// The longest side that can be asked for (our own choice)
    pub const LONGEST_SIDE_MM: f64 = 1000.0;

    /// The side of a square that shows the whole volume, whatever the direction: its longest side
    pub fn whole_side(volume: &Volume4) -> Mm {
        let (shape, spacing) = (volume.grid.shape(), volume.grid.spacing_mm());
        Mm::new((0..3).map(|axis| shape[axis] as f64 * spacing[axis]).fold(0.0, f64::max))
    }
}

/// Draws a cut with its scale bar and velocity bar
///
/// # Errors
/// See [`FigureError`].
pub fn plain(volume: &Volume4, request: &PlainCut) -> Result<Svg, FigureError> {
    let PlainCut { cut, frame, side } = *request;
    if frame >= volume.frames() {
        return Err(FigureError::Frame { frame, last: volume.frames() - 1 });
    }
    let mut svg = Svg::new(WIDTH, HEIGHT, "A plane through the volume");
    let time = volume.timeline.times()[frame];
    let under =
        format!("frame {}, {} ms after the R wave", words::frame(frame), words::fixed(1e3 * time.get(), 0));
    heading(&mut svg, "Cut", &under);
    Panel::new(cut, side).draw(&mut svg, volume, frame, "cut", |_| {})?;
    let mut key = Key::new();
    let triple = |values: [f64; 3], decimals| values.map(|v| words::fixed(v, decimals)).join(", ");
    key.note(&mut svg, "centre, mm", &[triple(cut.centre().to_array(), 1)]);
    let unit = |direction: crate::space::Direction| [direction.x, direction.y, direction.z];
    key.note(&mut svg, "normal, toward the reader", &[triple(unit(cut.normal()), 3)]);
    key.note(&mut svg, "to the right", &[triple(unit(cut.u()), 3)]);
    key.note(&mut svg, "upward", &[triple(unit(cut.v()), 3)]);
    Ok(svg)
}
