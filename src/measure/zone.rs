//! The flow convergence of a jet, in the words of the result document.

use crate::beat::{self, Opening, Zone, ZoneError};
use crate::jet::JetPose;
use crate::planimetry::Assessment;
use crate::unit::{MetresPerSecond, Mm, Mm2};
use crate::volume::Volume4;

use super::results::{Convergence, ConvergenceFrame, ConvergenceSurface, Hemisphere, Interval};

/// The convergence of one jet in one frame, `None` where it was not measured
pub(super) type Found = Option<Result<Zone, ZoneError>>;

/// The convergences of the jets that were measured in a frame, in their order
pub(super) fn in_frame(
    volume: &Volume4,
    frame: usize,
    poses: &[Option<&JetPose>],
    assessed: &[Option<Assessment>],
) -> Vec<Found> {
    let measured: Vec<_> = (0..assessed.len())
        .filter_map(|index| Some((index, poses[index]?, assessed[index].as_ref()?)))
        .collect();
    let openings: Vec<Opening<'_>> = measured
        .iter()
        .map(|(_, pose, at)| Opening { plane: &at.cut, outline: &at.corrected, upstream_mm: pose.profile.lip_mm() })
        .collect();
    let mut found: Vec<Found> = vec![None; assessed.len()];
    for ((index, _, _), zone) in measured.iter().zip(beat::convergences(volume, frame, &openings)) {
        found[*index] = Some(zone);
    }
    found
}

/// The convergence of a jet in the frame of its largest flow; where no frame can be measured, the
/// reason in the frame of its largest area
///
/// The largest flow falls on the peak of the continuous-wave velocity, by which it is divided; the
/// largest area need not.
pub(super) fn convergence(
    volume: &Volume4,
    found: &[&Found],
    widest: usize,
    peak: Option<MetresPerSecond>,
) -> Convergence {
    let flows: Vec<(usize, &Zone)> = found
        .iter()
        .enumerate()
        .filter_map(|(frame, zone)| Some((frame, zone.as_ref()?.as_ref().ok()?)))
        .collect();
    let best = flows.iter().max_by(|a, b| a.1.flow_ml_s[0].total_cmp(&b.1.flow_ml_s[0]).then(b.0.cmp(&a.0)));
    let Some((frame, zone)) = best else {
        let reason = found.get(widest).and_then(|zone| zone.as_ref()).and_then(|zone| zone.as_ref().err());
        let reason = reason.unwrap_or(&ZoneError::NoFlow).to_string();
        return Convergence { reason: Some(reason), ..Convergence::default() };
    };
    let times = volume.timeline.times();
    let frames = flows.iter().map(|(frame, zone)| ConvergenceFrame {
        frame: *frame,
        time_s: times[*frame].get(),
        flow_ml_s: interval(zone),
    });
    Convergence { frame: Some(*frame), frames: frames.collect(), ..told(zone, peak) }
}

fn interval(zone: &Zone) -> Interval {
    let [value, low, high] = zone.flow_ml_s;
    Interval { value, low, high }
}

fn told(zone: &Zone, peak: Option<MetresPerSecond>) -> Convergence {
    let flow = interval(zone);
    let orifice = |flow: f64| peak.and_then(|v| beat::effective_orifice(flow, v)).map(Mm2::get);
    let eroa = orifice(1.0).map(|per_flow| flow.scaled(per_flow));
    let at_alias = zone.surfaces.iter().find(|s| (s.speed / zone.alias - 1.0).abs() < 1e-6);
    let hemisphere = at_alias.and_then(|surface| {
        let (radius, through) = (surface.radius?, surface.hemisphere_ml_s?);
        Some(Hemisphere {
            speed_m_s: surface.speed.get(),
            radius_mm: radius.get(),
            flow_ml_s: through,
            eroa_mm2: orifice(through),
            error_percent: 100.0 * (through / flow.value - 1.0),
        })
    });
    Convergence {
        flow_ml_s: Some(flow),
        eroa_mm2: eroa,
        spread_percent: Some(100.0 * zone.spread),
        centre_mm: Some(zone.centre.to_array()),
        upstream_mm: Some(zone.upstream.get()),
        alias_m_s: Some(zone.alias.get()),
        surfaces: zone
            .surfaces
            .iter()
            .map(|s| ConvergenceSurface {
                speed_m_s: s.speed.get(),
                area_mm2: s.area().get(),
                seen_percent: 100.0 * s.seen,
                flow_ml_s: s.flow_ml_s,
                radius_mm: s.radius.map(Mm::get),
                hemisphere_ml_s: s.hemisphere_ml_s,
                counted: s.counted,
            })
            .collect(),
        hemisphere,
        agreement_percent: Some(100.0 * zone.agreement),
        ..Convergence::default()
    }
}
