//! What widths alone would claim about an area.

use crate::numeric::Interval;
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
    /// Whether the circle lies outside the area's interval
    pub misleads: bool,
}

impl Implied {
    /// From the area with its interval in mm2 and the two widths in mm
    pub fn of(area: Interval, long_axis_mm: f64, commissural_mm: f64) -> Self {
        let circle = Mm2::of_circle(Mm::new(long_axis_mm));
        Self {
            circle,
            ellipse: Mm2::new(std::f64::consts::PI / 4.0 * long_axis_mm * commissural_mm),
            error_percent: 100.0 * (circle.get() / area.value.max(1e-9) - 1.0),
            misleads: circle.get() < area.low || circle.get() > area.high,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_circle_on_the_short_width_of_an_ellipse_misleads() {
        // An ellipse of 6 by 12 mm has pi / 4 * 72 = 56.55 mm2, twice its circle of 28.27 mm2 (closed form).
        let area = Interval { value: 56.55, low: 50.0, high: 63.0 };
        let implied = Implied::of(area, 6.0, 12.0);
        assert!((implied.ellipse.get() - 56.55).abs() < 0.01 && (implied.circle.get() - 28.27).abs() < 0.01);
        assert!((implied.error_percent + 50.0).abs() < 0.1 && implied.misleads);
        assert!(!Implied::of(area, 8.5, 8.5).misleads);
    }
}
