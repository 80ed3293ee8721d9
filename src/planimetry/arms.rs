//! Two ways to the effective area, each checking the other.
//!
//! The *outline* arm unblurs the traced outline and takes the mixing layer off it; the *network* arm reads a patch about
//! the plane ([`crate::network`]). They rest on different things and fail in different places, so where they agree
//! within their intervals they are put together by their errors. Where they do not, it is nearly always the outline
//! that has followed blood beside the jet: the network's answer stands, with a wider interval, and a finding says so.

use crate::jet::{Signal, StrengthSource, reading_about};
use crate::network::Surround;
use crate::outline::Outline;
use crate::space::Cut;

/// Half-widths of the outline arm's 95 % interval in the logarithm of the area: with power in calm and in moving blood,
/// without power likewise (left-out tuning geometries, `--example accuracy -- --tuning`)
const OUTLINE_ERROR: [[f64; 2]; 2] = [[0.35, 0.6], [0.7, 1.0]];
/// What the combined half-width is multiplied by, the same strata: both arms share the volume's noise and the level
/// (left-out tuning geometries)
const COMBINED: [[f64; 2]; 2] = [[1.0, 1.0], [1.0, 1.0]];
/// What the network's half-width is multiplied by where the outline says something else (the same)
const APART: f64 = 1.3;
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
    /// Not: the network's alone, and less sure
    Apart,
}

impl Arms {
    /// Both arms on a plane, from the displayed outline and what the outline arm makes of it
    pub(super) fn of(signal: &Signal, plane: &Cut, displayed: &Outline, outline_mm2: f64) -> Self {
        let outline_mm2 = outline_mm2.max(0.05);
        let reading = reading_about(signal, plane, displayed.feret().max.get())
            .map(|(patch, reading)| (reading, patch.surround()));
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
        let agreement =
            if (a - b).abs() <= libm::hypot(own, half) { Agreement::Within } else { Agreement::Apart };
        // Apart, the outline has followed something else: the network alone, and less sure.
        let (middle, together) = match agreement {
            Agreement::Apart => (b, APART * half),
            _ => {
                let (wa, wb) = (1.0 / (own * own), 1.0 / (half * half));
                ((wa * a + wb * b) / (wa + wb), COMBINED[power][busy] / (wa + wb).sqrt())
            }
        };
        let (low, high) = (middle - together, middle + together);
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
