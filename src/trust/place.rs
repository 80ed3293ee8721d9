//! Place: where the jet lies in the volume and to the beam, and which parts of it are there.

use super::{Finding, Verdict, finding};
use crate::jet::{Jet, JetPose, Part};
use crate::space::{Direction, VolumePoint, angle_between};
use crate::volume::Volume4;

/// Beyond this angle less than half of the velocity is seen (geometry: the cosine of 60 degrees)
const BEAM_ANGLE_DEG: f64 = 60.0;
/// Upstream of the neck so much of the volume is wanted to see the convergence, mm: the reach within
/// which [`crate::jet`] looks for it
const ROOM_MM: f64 = 9.0;

/// The angle in degrees, 0 to 90, between a jet's axis and the beam at a point of it; `None` without an apex
pub fn beam_angle_deg(volume: &Volume4, at: VolumePoint, axis: Direction) -> Option<f64> {
    let beam = volume.beam_at(at)?;
    let angle = angle_between(&axis, &beam).min(angle_between(&axis, &-beam));
    Some(angle.to_degrees())
}

/// How the jet meets the beam
pub(super) fn beam_angle(volume: &Volume4, id: usize, pose: &JetPose) -> Finding {
    let Some(angle) = beam_angle_deg(volume, pose.neck, pose.axis) else {
        let text = format!("jet {id}: no apex in the file, so the angle between jet and beam is unknown");
        return finding("beam-angle", Verdict::Adequate, None, "deg", Some(BEAM_ANGLE_DEG), text);
    };
    let (verdict, consequence) = if angle > BEAM_ANGLE_DEG {
        (Verdict::Limited, "less than half of the velocity is seen and the edge may be lost")
    } else {
        (Verdict::Adequate, "most of the velocity is seen")
    };
    let message = format!(
        "jet {id} meets the beam at {angle:.0} degrees; beyond 60 the seen component is less than half (geometry): \
         {consequence}"
    );
    finding("beam-angle", verdict, Some(angle), "deg", Some(BEAM_ANGLE_DEG), message)
}

/// Which parts of a complete jet are there, and whether the colour holds them
pub(super) fn completeness(volume: &Volume4, id: usize, jet: &Jet, pose: &JetPose) -> Vec<Finding> {
    let mut findings = Vec::new();
    let room = room_upstream(volume, pose);
    if pose.convergence == Part::Missing || room < ROOM_MM {
        let text = if room < ROOM_MM {
            format!(
                "jet {id}: the volume ends {room:.0} mm upstream of the vena contracta, and {ROOM_MM:.0} are wanted \
                 to see the flow convergence (our own choice): the convergence cannot be measured"
            )
        } else {
            format!(
                "jet {id}: no flow convergence is seen upstream of the vena contracta; the orifice level cannot be confirmed"
            )
        };
        findings.push(finding("convergence", Verdict::Limited, Some(room), "mm", Some(ROOM_MM), text));
    }
    if pose.contraction == Part::Missing {
        let text = format!(
            "jet {id}: no minimum between convergence and expansion; the narrowest plane seen may not be the vena contracta"
        );
        // Where it was not seen, areas of solved tuning jets were as right as where it was (100 volumes).
        findings.push(finding("contraction", Verdict::Adequate, None, "", None, text));
    }
    let there = jet.poses.iter().flatten();
    let (seen, cut_off) =
        there.fold((0usize, 0usize), |(n, c), p| (n + 1, c + usize::from(p.whole == Part::Missing)));
    if cut_off > 0 {
        let share = 100.0 * cut_off as f64 / seen as f64;
        let text = format!(
            "jet {id}: the jet's cross-section at the vena contracta reaches the border of the volume in {cut_off} of {seen} \
             frames (limit: none): its area there is a lower bound"
        );
        findings.push(finding("colour-box", Verdict::Limited, Some(share), "%", Some(0.0), text));
    }
    findings
}

/// How far one can go from the neck against the flow without leaving the volume, up to 40 mm
fn room_upstream(volume: &Volume4, pose: &JetPose) -> f64 {
    let against = -pose.axis.into_inner();
    (1..=80)
        .map(|half| 0.5 * f64::from(half))
        .take_while(|mm| volume.grid.contains(pose.neck.moved(against * *mm)))
        .last()
        .unwrap_or(0.0)
}
