//! One measured jet beside its truth.

use narrows::measure::results::{JetResult, ShapeClass};
use narrows::phantom::{JetTruth, JetTruthFrame, Truth, TruthShape};

/// One measured jet against its truth
pub(crate) struct Case {
    pub(crate) seed: u64,
    pub(crate) shape: TruthShape,
    pub(crate) truth_mm2: f64,
    pub(crate) found_mm2: f64,
    pub(crate) low: f64,
    pub(crate) high: f64,
    pub(crate) traced_mm2: f64,
    pub(crate) axis_deg: f64,
    pub(crate) level_mm: f64,
    pub(crate) aside_mm: f64,
    pub(crate) shape_right: bool,
    pub(crate) beam_deg: f64,
    pub(crate) gain: f64,
    pub(crate) sigma: f64,
}

/// A measured jet beside its truth
pub(crate) fn case(
    seed: u64,
    truth: &Truth,
    jet: &JetTruth,
    frame: &JetTruthFrame,
    found: &JetResult,
) -> Case {
    let cosine = dot(jet.axis, found.axis).clamp(-1.0, 1.0);
    let offset = sub(found.neck_mm, frame.neck_mm);
    let level = dot(offset, jet.axis);
    let expected = match jet.shape {
        TruthShape::Round => ShapeClass::Round,
        TruthShape::Elliptical => ShapeClass::Elliptical,
        TruthShape::Crescent => ShapeClass::Crescent,
        TruthShape::Irregular => ShapeClass::Irregular,
    };
    Case {
        seed,
        shape: jet.shape,
        truth_mm2: frame.effective_area_mm2,
        found_mm2: found.vca_mm2.value,
        low: found.vca_mm2.low,
        high: found.vca_mm2.high,
        traced_mm2: found.traced_area_mm2,
        axis_deg: libm::acos(cosine).to_degrees(),
        level_mm: level,
        aside_mm: (norm(offset).powi(2) - level * level).max(0.0).sqrt(),
        shape_right: found.shape.class == expected,
        beam_deg: frame.beam_angle_deg,
        gain: truth.recipe.doppler.gain,
        sigma: truth.blur_mm[0],
    }
}

impl Case {
    /// The head of the list
    pub(crate) const HEAD: &str =
        "seed shape        truth  found    low   high traced   err%  axis level aside  beam gain sigma";

    /// Whether the interval holds the truth
    pub(crate) fn holds(&self) -> bool {
        self.low <= self.truth_mm2 && self.truth_mm2 <= self.high
    }

    /// Error of the area, percent
    pub(crate) fn error(&self) -> f64 {
        100.0 * (self.found_mm2 / self.truth_mm2 - 1.0)
    }

    /// Half the interval, mm2
    pub(crate) fn half(&self) -> f64 {
        f64::max((self.high - self.low) / 2.0, 1e-9)
    }

    /// A line of the list
    pub(crate) fn line(&self) -> String {
        format!(
            "{:4} {:<11} {:6.1} {:6.1} {:6.1} {:6.1} {:6.1} {:+6.1} {:5.1} {:+5.2} {:5.2} {:5.1} {:4.2} {:5.2} {}{}",
            self.seed,
            format!("{:?}", self.shape).to_lowercase(),
            self.truth_mm2,
            self.found_mm2,
            self.low,
            self.high,
            self.traced_mm2,
            self.error(),
            self.axis_deg,
            self.level_mm,
            self.aside_mm,
            self.beam_deg,
            self.gain,
            self.sigma,
            if self.holds() { "" } else { " outside" },
            if self.shape_right { "" } else { " shape" },
        )
    }
}

pub(crate) fn sub(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    std::array::from_fn(|i| a[i] - b[i])
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|i| a[i] * b[i]).sum()
}

pub(crate) fn norm(a: [f64; 3]) -> f64 {
    dot(a, a).sqrt()
}
