//! Regurgitant volume of all jets, in the words of the result document.

use crate::beat::{self, Envelope, FlowFrame};
use crate::unit::Mm2;
use crate::volume::Volume4;

use super::beat::{Beat, JetBeat, JetFrame};
use super::results::{CwEnvelope, Interval, JetResult};

/// Standard deviation of flow over area from frame to frame, as a share: of a jet by itself, and of one
/// beside others, on whose blood it draws (simulated acquisitions, whole beats of seeds 60000 to 60024)
const RATIO_ERROR: [f64; 2] = [0.04, 0.15];

/// The frames in which both flow and area of a jet were measured by the program
pub(super) fn flow_frames(volume: &Volume4, beat: &Beat) -> Vec<FlowFrame> {
    let times = volume.timeline.times();
    let common = RATIO_ERROR[usize::from(beat.jets.len() > 1)];
    let of = |(index, jet): (usize, &JetBeat)| -> Vec<FlowFrame> {
        let spread = |area: &Interval| (area.high - area.low) / (2.0 * 1.96 * area.value.max(1e-9));
        let flow = |(frame, at): (usize, &JetFrame)| {
            let flow = at.measured()?.flow.as_ref()?;
            Some((frame, flow.zone.as_ref().ok()?.flow_ml_s[0], flow.over))
        };
        let known: Vec<(usize, f64, Interval)> = jet.frames.iter().enumerate().filter_map(flow).collect();
        // What the best frame is uncertain by, all share; what another is uncertain by beyond it (a faint signal, a
        // slow core) is its own.
        let least = known.iter().map(|(_, _, area)| spread(area)).fold(f64::INFINITY, f64::min);
        let frames = known.iter().map(|(frame, flow_ml_s, area)| FlowFrame {
            jet: index,
            time: times[*frame],
            flow_ml_s: *flow_ml_s,
            area_mm2: area.value,
            error: libm::hypot(common, (spread(area).powi(2) - least.powi(2)).max(0.0).sqrt()),
        });
        frames.collect()
    };
    beat.jets.iter().enumerate().flat_map(of).collect()
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

/// Mean area weighted by velocity, regurgitant volume over velocity-time integral, mm2
pub(super) fn weighted_mean(jets: &[JetResult], of: &Volume4, envelope: &Envelope) -> Interval {
    volume(jets, of, envelope).scaled(1.0 / envelope.vti_m().max(1e-9))
}

/// Regurgitant volume of all jets; the areas' errors are taken as common to all frames, and the envelope is taken
/// anew at either end of what its power may be
pub(super) fn volume(jets: &[JetResult], volume: &Volume4, envelope: &Envelope) -> Interval {
    let times = volume.timeline.times();
    let areas = |jet: &JetResult, pick: fn(&Interval) -> f64| -> Vec<Option<Mm2>> {
        jet.frames.iter().map(|f| f.vca_mm2.as_ref().map(|a| Mm2::new(pick(a)))).collect()
    };
    let with = |pick: fn(&Interval) -> f64, envelope: &Envelope| {
        let each = jets.iter().map(|jet| beat::regurgitant_volume(times, &areas(jet, pick), envelope).get());
        each.sum::<f64>()
    };
    let (value, low, high) =
        (with(|a| a.value, envelope), with(|a| a.low, envelope), with(|a| a.high, envelope));
    let between = jets
        .iter()
        .map(|jet| beat::sampling_error(times, &areas(jet, |a| a.value), envelope).get().powi(2))
        .sum::<f64>();
    let typed = Envelope::TYPED_ERROR * value;
    let ends = envelope.ends().map(|end| with(|a| a.value, &end));
    let [least, most] = [ends[0].min(ends[1]).min(value), ends[0].max(ends[1]).max(value)];
    let apart = |area: f64, course: f64| (area * area + course * course + typed * typed + between).sqrt();
    Interval::around(value, apart(value - low, value - least), apart(high - value, most - value))
}
