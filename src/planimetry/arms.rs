//! Two ways to the effective area, one checking the other.
//!
//! The *network* arm reads a patch about the plane ([`crate::network`]) and gives the answer; the *outline* arm unblurs
//! the traced outline and takes the mixing layer off it. They rest on different things and fail in different places.
//! In calm blood with stored power, where they agree, they are put together by their errors. On solved geometries under
//! our own scanner this gains nothing (their errors go together: tuning flows 0.078 and 0.32 in the logarithm, median and
//! 90th percentile, against 0.074 and 0.30 of the network alone); it is kept for acquisitions that the network's training
//! did not foresee. In moving blood and without power the outline follows what lies beside the jet, so it does not enter
//! the value: it checks it. Where the two do not agree within their intervals, the network's is widened and a finding says
//! so. Without a reading of the network the outline's own answer stands.

use crate::jet::{InBeat, Signal, StrengthSource};
use crate::network::{Reading, Surround};
use crate::outline::Outline;

/// Half-widths of the outline arm's 95 % interval in the logarithm of the area: with power in calm and in moving blood,
/// without power likewise (tuning geometries, `--example accuracy -- --tuning`; the first is our own choice: it leaves the
/// network about two thirds of the weight)
const OUTLINE_ERROR: [[f64; 2]; 2] = [[0.45, 0.6], [0.7, 1.0]];
/// What the network's half-width is multiplied by where the outline says something else (solved tuning geometries, seeds
/// 300 to 411: there 97 % of the jets hold without it; kept for acquisitions that the training did not foresee, our own
/// choice), and where the logit of there being a vena contracta is below [`SURE`]. Elsewhere by nothing: reported peaks of
/// whole beats hold in 94 %
const APART: f64 = 1.5;
const UNSURE: f64 = 2.0;
/// Logit of there being a vena contracta from which on the network is sure of it
pub const SURE: f64 = 6.0;

/// What each arm says of one cross-section
#[derive(Clone, Debug, PartialEq)]
pub struct Arms {
    /// Effective area by the outline, mm2
    pub outline_mm2: f64,
    /// Effective area by the network, mm2; `None` where the volume lacks what it needs
    pub network_mm2: Option<f64>,
    /// Effective outline by the network, on the plane's axes; `None` where there is none
    pub network_outline: Option<Outline>,
    /// Half-width of the network's 95 % interval in its logarithm
    pub network_half: f64,
    /// Logit of the probability that there is a vena contracta at all
    pub orifice: f64,
    /// Whether they agree within their intervals
    pub agreement: Agreement,
    /// What is reported, mm2
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
    /// Not
    Apart,
}

impl Arms {
    /// Half-width of the interval in the logarithm of the area
    pub fn half_width(&self) -> f64 {
        0.5 * libm::log(self.interval_mm2[1] / self.interval_mm2[0])
    }

    /// With what the other frames of the beat make of it
    #[must_use]
    pub(super) fn in_beat(mut self, InBeat { shift, narrowing }: InBeat) -> Self {
        let value_mm2 = self.value_mm2 * libm::exp(shift);
        self.interval_mm2 =
            self.interval_mm2.map(|end| value_mm2 * libm::exp(libm::log(end / self.value_mm2) * narrowing));
        self.value_mm2 = value_mm2;
        self
    }

    /// Both arms on a plane: the network's reading there, and what the outline arm makes of all colour
    pub(super) fn of(signal: &Signal, reading: Option<&(Reading, Surround)>, outline_mm2: f64) -> Self {
        let outline_mm2 = outline_mm2.max(0.05);
        let power = usize::from(signal.scale().source == StrengthSource::Colour);
        let busy = usize::from(reading.is_some_and(|(_, surround)| *surround == Surround::Busy));
        let own = OUTLINE_ERROR[power][busy];
        let Some((reading, _)) = reading else {
            let interval_mm2 = [-own, own].map(|half| outline_mm2 * libm::exp(half));
            let agreement = Agreement::Alone;
            let value_mm2 = outline_mm2;
            let (network_mm2, network_half, orifice) = (None, 0.0, 0.0);
            return Self {
                outline_mm2,
                network_mm2,
                network_outline: None,
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
        // What makes the network less sure than it says: an outline that has followed something else, and a place that
        // hardly looks like a vena contracta.
        let apart = if agreement == Agreement::Apart { APART } else { 1.0 };
        let unsure = if reading.orifice < SURE { UNSURE } else { 1.0 };
        let wider = f64::max(apart, unsure);
        // In calm blood with power, and only there, the outline is worth as much as the network.
        let alike = agreement == Agreement::Within && power == 0 && busy == 0;
        let (wa, wb) = (if alike { 1.0 / (own * own) } else { 0.0 }, 1.0 / (half * half));
        let (middle, together) = ((wa * a + wb * b) / (wa + wb), half * wider);
        let (low, high) = (middle - together, middle + together);
        Self {
            outline_mm2,
            network_mm2: Some(libm::exp(b)),
            network_outline: reading.outline().ok(),
            network_half: half,
            orifice: reading.orifice,
            agreement,
            value_mm2: libm::exp(middle),
            interval_mm2: [low, high].map(libm::exp),
        }
    }
}
