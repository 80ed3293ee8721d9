//! Frames in which the colour has a gap where a neck is.

use super::{Finding, Verdict, finding};

/// Where one jet's neck is not displayed
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HiddenNeck {
    /// Number of the jet, from 1
    pub id: usize,
    /// Frames in which the jet shows on both sides of its neck and the neck does not
    pub frames: usize,
    /// Frames in which its neck was measured
    pub measured: usize,
    /// The most that can hide there, mm2
    pub most_mm2: f64,
}

/// A neck that the colour gain hides in some frames
pub fn hidden_neck(hidden: &HiddenNeck) -> Finding {
    let HiddenNeck { id, frames, measured, most_mm2 } = *hidden;
    let message = format!(
        "jet {id}: in {} of {} the jet shows on both sides of its vena contracta and the vena contracta itself hardly or not at all \
         (VC dropout); none is wanted: the orifice is then too narrow for the point spread and the colour gain, or the blood too slow for the \
         wall filter. By point spread and gain up to {most_mm2:.0} mm² may hide there; a higher colour gain may show it",
        if frames == 1 { "1 frame".to_owned() } else { format!("{frames} frames") },
        frames + measured,
    );
    finding("hidden-neck", Verdict::Limited, Some(frames as f64), "frames", Some(0.0), message)
}
