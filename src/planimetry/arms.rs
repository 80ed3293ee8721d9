//! Two ways to the effective area, each checking the other.
//!
//! The *outline* arm unblurs the traced outline and takes the mixing layer off it; the *network* arm reads a patch about
//! the plane ([`crate::network`]). They rest on different things and fail in different places, so where they agree
//! within their intervals they are put together by their errors, and where they do not the answer spans both.

use crate::jet::{JetPose, Signal, StrengthSource};
use crate::network::{Patch, PowerUse, Reading, Surround, pitch_mm, read};
use crate::outline::Outline;
use crate::space::Cut;

/// Half-widths of the outline arm's 95 % interval in the logarithm of the area: with power in calm and in moving blood,
/// without power likewise (left-out tuning geometries, `--example accuracy -- --tuning`)
const OUTLINE_ERROR: [[f64; 2]; 2] = [[0.26, 0.36], [0.50, 0.75]];
/// What the combined half-width is multiplied by, the same strata: both arms share the volume's noise and the level
/// (left-out tuning geometries)
const COMBINED: [[f64; 2]; 2] = [[1.0, 1.0], [1.0, 1.0]];
/// The pose is corrected by the network in so many rounds
const ROUNDS: usize = 2;
/// Corrections larger than this are no longer of the same jet, radians and mm: what training covered
const MOST_LEAN: f64 = 0.45;
const MOST_OFFSET_MM: f64 = 6.0;
/// Below this logit there is no vena contracta at all, as far as the network can tell
const NO_ORIFICE: f64 = -1.0;
/// Standard error of a corrected axis, radians, and level, mm (left-out tuning geometries)
const AXIS_ERROR: f64 = 0.05;
const LEVEL_ERROR_MM: f64 = 0.5;

/// What each arm says of one cross-section
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arms {
    /// Effective area by the outline, mm2
    pub outline_mm2: f64,
    /// Effective area by the network, mm2; `None` where the volume lacks what it needs
    pub network_mm2: Option<f64>,
    /// Half-width of the network's 95 % interval in its logarithm
    pub network_half: f64,
    /// Logit of the probability that there is a vena contracta at all
    pub orifice: f64,
    /// Whether they agree within their intervals
    pub agreement: Agreement,
    /// The two together, mm2
    pub value_mm2: f64,
    /// Ends of the 95 % interval, mm2
    pub interval_mm2: [f64; 2],
}

/// Whether two arms agree
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Agreement {
    /// There is only one
    Alone,
    /// Within their intervals
    Within,
    /// Not: the answer spans both
    Apart,
}

impl Arms {
    /// Both arms on a plane, from the displayed outline and what the outline arm makes of it
    pub(super) fn of(signal: &Signal, plane: &Cut, displayed: &Outline, outline_mm2: f64) -> Self {
        let outline_mm2 = outline_mm2.max(0.05);
        let reading = patch_reading(signal, plane, displayed.feret().max.get());
        let power = usize::from(signal.scale().source == StrengthSource::Colour);
        let busy = usize::from(reading.as_ref().is_some_and(|(_, surround)| *surround == Surround::Busy));
        let own = OUTLINE_ERROR[power][busy];
        let Some((reading, _)) = reading else {
            let interval_mm2 = [-own, own].map(|half| outline_mm2 * libm::exp(half));
            let agreement = Agreement::Alone;
            let value_mm2 = outline_mm2;
            let (network_mm2, network_half, orifice) = (None, 0.0, 0.0);
            return Self {
                outline_mm2,
                network_mm2,
                network_half,
                orifice,
                agreement,
                value_mm2,
                interval_mm2,
            };
        };
        let (a, b) = (libm::log(outline_mm2), reading.log_area);
        let half = reading.half_width.max(0.02);
        let (wa, wb) = (1.0 / (own * own), 1.0 / (half * half));
        let middle = (wa * a + wb * b) / (wa + wb);
        let together = COMBINED[power][busy] / (wa + wb).sqrt();
        let agreement =
            if (a - b).abs() <= libm::hypot(own, half) { Agreement::Within } else { Agreement::Apart };
        let (low, high) = match agreement {
            Agreement::Apart => ((a - own).min(b - half), (a + own).max(b + half)),
            _ => (middle - together, middle + together),
        };
        Self {
            outline_mm2,
            network_mm2: Some(libm::exp(b)),
            network_half: half,
            orifice: reading.orifice,
            agreement,
            value_mm2: libm::exp(middle),
            interval_mm2: [low, high].map(libm::exp),
        }
    }
}

/// The network's reading about a plane and what surrounds the jet; `extent_mm` is the length of what is displayed
fn patch_reading(signal: &Signal, plane: &Cut, extent_mm: f64) -> Option<(Reading, Surround)> {
    let use_of = |source| if source == StrengthSource::Power { PowerUse::Present } else { PowerUse::Absent };
    let (volume, frame) = signal.acquired();
    let patch = Patch::lay(volume, frame, plane, pitch_mm(extent_mm), use_of(signal.scale().source))?;
    Some((read(&patch), patch.surround()))
}

/// A pose moved and leant onto the vena contracta that the network sees about it, with the logit of there being one
///
/// Where a correction goes farther than training covered, the pose stays.
pub fn refined(signal: &Signal, pose: &JetPose) -> (JetPose, f64) {
    let size = 2.0 * (pose.area_mm2.max(1.0) / std::f64::consts::PI).sqrt();
    let start = Cut::perpendicular_to(pose.neck, pose.axis);
    let mut plane = start;
    let mut orifice = 0.0;
    for _ in 0..ROUNDS {
        let Some((reading, _)) = patch_reading(signal, &plane, 1.3 * size) else {
            return (pose.clone(), 0.0);
        };
        orifice = reading.orifice;
        let next = reading.corrected(&plane);
        plane = Cut::perpendicular_to(next.centre(), next.normal());
    }
    let lean = crate::space::angle_between(&plane.normal(), &pose.axis);
    let offset = plane.centre().from(pose.neck).norm();
    if orifice < NO_ORIFICE || lean > MOST_LEAN || offset > MOST_OFFSET_MM {
        return (pose.clone(), orifice);
    }
    let refined = JetPose {
        neck: plane.centre(),
        narrowest: plane.centre(),
        axis: plane.normal(),
        axis_error: AXIS_ERROR.min(pose.axis_error.max(0.02)),
        level_error_mm: LEVEL_ERROR_MM,
        ..pose.clone()
    };
    (refined, orifice)
}

/// Whether readings of one jet in its frames say that there is no vena contracta in any
pub fn is_no_orifice(logits: &[f64]) -> bool {
    !logits.is_empty() && logits.iter().all(|logit| *logit < NO_ORIFICE)
}
