//! The flow convergence of a jet, in the words of the result document.

use crate::beat::{self, Zone, ZoneError};
use crate::unit::{MetresPerSecond, Mm, Mm2};
use crate::volume::Volume4;

use super::beat::JetBeat;
use super::results::{Convergence, ConvergenceFrame, ConvergenceSurface, Hemisphere, Interval};

/// The convergence of a jet in the frame of its largest flow; where no frame can be measured, the
/// reason in the frame of its largest area
///
/// The largest flow falls on the peak of the continuous-wave velocity, by which it is divided; the
/// largest area need not.
pub(super) fn convergence(volume: &Volume4, jet: &JetBeat, peak: Option<MetresPerSecond>) -> Convergence {
    let measured = jet.frames.iter().enumerate();
    let found = measured.filter_map(|(frame, at)| Some((frame, &at.measured()?.flow.as_ref()?.zone)));
    let flows: Vec<(usize, &Zone)> =
        found.clone().filter_map(|(frame, zone)| Some((frame, zone.as_ref().ok()?))).collect();
    let best = flows.iter().max_by(|a, b| a.1.flow_ml_s[0].total_cmp(&b.1.flow_ml_s[0]).then(b.0.cmp(&a.0)));
    let Some((frame, zone)) = best else {
        let widest = jet.peak().map(|(frame, _)| frame);
        let reason =
            found.filter(|(frame, _)| Some(*frame) == widest).find_map(|(_, zone)| zone.as_ref().err());
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
