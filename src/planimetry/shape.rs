//! The class of a cross-section's shape.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::outline::Outline;

/// Class of a cross-section's shape
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum ShapeClass {
    /// Nearly a circle
    Round,
    /// Elongated and convex
    Elliptical,
    /// Bent: clearly smaller than its convex hull
    Crescent,
    /// None of these
    Irregular,
}

/// Solidity below which a shape counts as bent (our own choice; an ellipse has 1, the annular
/// sector of radii 4 and 6 mm over 120 degrees 0.68)
const BENT: f64 = 0.87;
/// Axis ratio above which a convex shape counts as elongated (our own choice: no rule is published)
const ELONGATED: f64 = 1.4;
/// Circularity over that of the ellipse with the same axis ratio below which an outline is ragged
const RAGGED: f64 = 0.75;

/// The class of an outline: bent by solidity, else round or elongated by the axis ratio
///
/// The axis ratio is that of the ellipse with the same second moments, which speckle on the edge
/// hardly moves; solidity alone tells a crescent from an ellipse.
pub fn classify(outline: &Outline) -> ShapeClass {
    let moments = outline.second_moments();
    let ratio = (moments.major.get() / moments.minor.get().max(1e-12)).sqrt();
    if outline.solidity() < BENT {
        return ShapeClass::Crescent;
    }
    if outline.circularity() < RAGGED * ellipse_circularity(ratio) {
        return ShapeClass::Irregular;
    }
    if ratio > ELONGATED { ShapeClass::Elliptical } else { ShapeClass::Round }
}

/// 4 pi A / P^2 of an ellipse (perimeter by Ramanujan's second approximation)
fn ellipse_circularity(ratio: f64) -> f64 {
    let (a, b) = (ratio, 1.0);
    let h = ((a - b) / (a + b)).powi(2);
    let perimeter = std::f64::consts::PI * (a + b) * (1.0 + 3.0 * h / (10.0 + (4.0 - 3.0 * h).sqrt()));
    4.0 * std::f64::consts::PI * std::f64::consts::PI * a * b / (perimeter * perimeter)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::space::CutPoint;

    #[test]
    fn published_means_and_the_crescent_are_told_apart() {
        let ellipse = |q: f64| Outline::ellipse(CutPoint::default(), [3.0 * q, 3.0], 0.4, 120).unwrap();
        assert_eq!(classify(&ellipse(1.1)), ShapeClass::Round);
        assert_eq!(classify(&ellipse(2.2)), ShapeClass::Elliptical);
        assert_eq!(classify(&ellipse(3.4)), ShapeClass::Elliptical);
        let arc = |r: f64, i: usize| {
            let angle = f64::to_radians(120.0) * i as f64 / 40.0;
            CutPoint::new(r * libm::cos(angle), r * libm::sin(angle))
        };
        let points = (0..=40).map(|i| arc(6.0, i)).chain((0..=40).rev().map(|i| arc(4.0, i))).collect();
        assert_eq!(classify(&Outline::new(points).unwrap()), ShapeClass::Crescent);
        assert!((ellipse_circularity(2.2) - 0.8015).abs() < 1e-4);
        assert!((ellipse_circularity(3.4) - 0.6069).abs() < 1e-4);
    }
}
