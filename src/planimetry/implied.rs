//! What widths alone would claim about an area.

use crate::unit::{Mm, Mm2};

/// What the widths of a cross-section imply, held against its area
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Implied {
    /// Area of the circle on the long-axis width
    pub circle: Mm2,
    /// Area of the ellipse on both widths
    pub ellipse: Mm2,
    /// Error of the circle against the area, percent
    pub error_percent: f64,
}

impl Implied {
    /// From the area and the two widths in mm
    pub fn of(area: Mm2, long_axis_mm: f64, commissural_mm: f64) -> Self {
        let circle = Mm2::of_circle(Mm::new(long_axis_mm));
        Self {
            circle,
            ellipse: Mm2::new(std::f64::consts::PI / 4.0 * long_axis_mm * commissural_mm),
            error_percent: 100.0 * (circle.get() / area.get().max(1e-9) - 1.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_circle_on_the_short_width_of_an_ellipse_is_half_of_it() {
        // An ellipse of 6 by 12 mm has pi / 4 * 72 = 56.55 mm2, twice its circle of 28.27 mm2 (closed form).
        let implied = Implied::of(Mm2::new(56.55), 6.0, 12.0);
        assert!((implied.ellipse.get() - 56.55).abs() < 0.01 && (implied.circle.get() - 28.27).abs() < 0.01);
        assert!((implied.error_percent + 50.0).abs() < 0.1);
    }
}
