//! Widths on the two cuts that contain the jet axis.

use crate::jet::Signal;
use crate::outline::Outline;
use crate::sample::Raster;
use crate::space::{Cut, CutPoint, Direction, direction};
use crate::unit::Mm;

use super::trace::SLAB_MM;

/// The in-plane directions along which widths are read
#[derive(Clone, Copy, Debug)]
pub struct WidthAxes {
    /// Anterior-posterior: the direction of the long-axis cut, perpendicular to the jet
    pub long_axis: Direction,
    /// Along the commissures, perpendicular to both
    pub commissural: Direction,
    /// Whether the long-axis direction was assumed to be the shortest Feret direction
    pub assumed: Assumed,
}

/// Whether something was given or assumed
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Assumed {
    /// Given
    No,
    /// Assumed
    Yes,
}

/// Widths as displayed, at the tracing level
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Widths {
    /// On the long-axis cut
    pub long_axis: Mm,
    /// On the commissural cut
    pub commissural: Mm,
}

impl WidthAxes {
    /// The given anterior-posterior direction laid into the cut, or the shortest Feret direction
    pub fn of(cut: &Cut, outline: &Outline, anterior_posterior: Option<Direction>) -> Self {
        let normal = cut.normal();
        let given = anterior_posterior.and_then(|ap| {
            let flat = ap.into_inner() - normal.into_inner() * normal.dot(&ap);
            direction(flat).filter(|_| flat.norm() > 0.2)
        });
        let shortest = outline.feret().min_direction;
        let fallback = direction(cut.u().into_inner() * shortest.u + cut.v().into_inner() * shortest.v);
        let long_axis = given.or(fallback).unwrap_or(cut.u());
        Self {
            long_axis,
            commissural: nalgebra::Unit::new_normalize(normal.cross(&long_axis)),
            assumed: if given.is_some() { Assumed::No } else { Assumed::Yes },
        }
    }
}

/// Widths on a plane, each read at `level` on its own cut that holds `centre` and the plane's normal
///
/// The signal is averaged along the normal as in the tracing ([`SLAB_MM`]). A width whose line misses
/// the jet is zero.
pub(super) fn widths(signal: &Signal, plane: &Cut, centre: CutPoint, axes: &WidthAxes, level: f64) -> Widths {
    let middle = plane.at(centre);
    let on = |along: Direction| {
        // The cut holds `along` as u and the normal as v.
        let normal = nalgebra::Unit::new_normalize(along.cross(&plane.normal()));
        let cut = Cut::new(middle, normal, along.into_inner());
        let raster = Raster { width: 301, height: 4, pixel: Mm::new(0.1) };
        let line: Vec<f64> = (0..raster.width)
            .map(|x| {
                let u = raster.cut_from_pixel(x as f64, 0.0).u;
                let level_at = |k: usize| (k as f64 / 3.0 - 0.5) * SLAB_MM;
                (0..4).map(|k| signal.strength(cut.at(CutPoint::new(u, level_at(k))))).sum::<f64>() / 4.0
            })
            .collect();
        Mm::new(width_through_middle(&line, level) * raster.pixel.get())
    };
    Widths { long_axis: on(axes.long_axis), commissural: on(axes.commissural) }
}

/// Length in samples of the stretch above `level` that holds the middle, or of the nearest one
/// within a tenth of the line
fn width_through_middle(line: &[f64], level: f64) -> f64 {
    let middle = line.len() / 2;
    let reach = line.len() / 10;
    let Some(start) = (0..=reach).flat_map(|d| [middle - d, middle + d]).find(|i| line[*i] >= level) else {
        return 0.0;
    };
    let crossing = |inside: usize, outside: usize| {
        let (a, b) = (line[inside], line[outside]);
        (a - level) / (a - b).max(1e-12)
    };
    let mut high = start;
    while high + 1 < line.len() && line[high + 1] >= level {
        high += 1;
    }
    let mut low = start;
    while low > 0 && line[low - 1] >= level {
        low -= 1;
    }
    let above = if high + 1 < line.len() { crossing(high, high + 1) } else { 0.0 };
    let below = if low > 0 { crossing(low, low - 1) } else { 0.0 };
    (high - low) as f64 + above + below
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_width_is_read_between_sub_sample_crossings() {
        let mut line = vec![0.0; 101];
        for (i, v) in line.iter_mut().enumerate() {
            *v = (1.0 - (i as f64 - 50.0).abs() / 20.0).max(0.0);
        }
        assert!((width_through_middle(&line, 0.5) - 20.0).abs() < 1e-9);
        assert_eq!(width_through_middle(&[0.0; 101], 0.5), 0.0);
        let off: Vec<f64> = (0..101).map(|i| if (55..60).contains(&i) { 1.0 } else { 0.0 }).collect();
        assert!((width_through_middle(&off, 0.5) - 5.0).abs() < 1e-9);
    }
}
