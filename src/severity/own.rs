//! What the volume itself brings to the grading.

use crate::beat::Pattern;
use crate::numeric::Interval;
use crate::planimetry::ShapeClass;
use crate::trust::Verdict;

/// What the volume itself brings to the grading
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Own {
    /// How many jets were found
    pub jets: usize,
    /// Sum of the effective areas at one moment, mm2; `None` without a jet
    pub vca_mm2: Option<Interval>,
    /// Sum of the displayed areas at one moment, mm2; `None` where it was not measured
    pub displayed_mm2: Option<Interval>,
    /// Whether those sums are cut short by the border of the volume
    pub whole: bool,
    /// Long-axis width of the jet, mm; `None` without a jet or with several: widths do not add
    pub width_mm: Option<Interval>,
    /// Regurgitant volume of a beat, ml; `None` without a CW Doppler envelope
    pub regurgitant_volume_ml: Option<Interval>,
    /// When the largest jet is there
    pub pattern: Pattern,
    /// Shape of the largest jet's cross-section; `None` without a jet
    pub shape: Option<ShapeClass>,
    /// Whether the acquisition can carry the measurement
    pub trust: Verdict,
}

impl Default for Own {
    /// Nothing: no jet in a good volume
    fn default() -> Self {
        Self {
            jets: 0,
            vca_mm2: None,
            displayed_mm2: None,
            whole: true,
            width_mm: None,
            regurgitant_volume_ml: None,
            pattern: Pattern::Unknown,
            shape: None,
            trust: Verdict::Adequate,
        }
    }
}
