//! Regurgitant volume of all jets, in the words of the result document.

use crate::beat::{self, Envelope, FlowFrame};
use crate::unit::{Mm2, Seconds};
use crate::volume::Volume4;

use super::results::{CwEnvelope, Interval, JetResult};

/// Standard deviation of flow over area from frame to frame, as a share: of a jet by itself, and of one
/// beside others, on whose blood it draws (simulated acquisitions; see `docs/accuracy.md`)
const RATIO_ERROR: [f64; 2] = [0.04, 0.15];

/// The frames in which both flow and area of a jet were measured
pub(super) fn flow_frames(jets: &[JetResult]) -> Vec<FlowFrame> {
    let error = RATIO_ERROR[usize::from(jets.len() > 1)];
    let of = |(index, jet): (usize, &JetResult)| -> Vec<FlowFrame> {
        let frames = jet.convergence.frames.iter().filter_map(|flow| {
            let area = jet.frames.iter().find(|at| at.frame == flow.frame)?.vca_mm2?;
            let (flow_ml_s, area_mm2) = (flow.flow_ml_s.value, area.value);
            Some(FlowFrame { jet: index, time: Seconds::new(flow.time_s), flow_ml_s, area_mm2, error })
        });
        frames.collect()
    };
    jets.iter().enumerate().flat_map(of).collect()
}

/// The envelope as it was used
pub(super) fn envelope(used: &Envelope) -> CwEnvelope {
    let [down, up] = used.error();
    let (vti, fullness) = (used.vti_m(), used.fullness());
    CwEnvelope {
        vti_m: Interval { value: vti, low: vti * (1.0 - down), high: vti * (1.0 + up) },
        start_s: used.start().get(),
        duration_s: used.duration().get(),
        power: fullness.power,
        power_error: fullness.error,
        frames: fullness.frames,
    }
}

/// Regurgitant volume of all jets; the areas' errors are taken as common to all frames
pub(super) fn volume(jets: &[JetResult], volume: &Volume4, envelope: &Envelope) -> Interval {
    let times = volume.timeline.times();
    let areas = |jet: &JetResult, pick: fn(&Interval) -> f64| -> Vec<Option<Mm2>> {
        jet.frames.iter().map(|f| f.vca_mm2.as_ref().map(|a| Mm2::new(pick(a)))).collect()
    };
    let with = |pick: fn(&Interval) -> f64| {
        let each = jets.iter().map(|jet| beat::regurgitant_volume(times, &areas(jet, pick), envelope).get());
        each.sum::<f64>()
    };
    let (value, low, high) = (with(|a| a.value), with(|a| a.low), with(|a| a.high));
    let between = jets
        .iter()
        .map(|jet| beat::sampling_error(times, &areas(jet, |a| a.value), envelope).get().powi(2))
        .sum::<f64>();
    let [down, up] = envelope.error().map(|share| share * value);
    let apart = |area: f64, envelope: f64| (area * area + envelope * envelope + between).sqrt();
    Interval::around(value, apart(value - low, down), apart(high - value, up))
}
