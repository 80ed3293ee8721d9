//! Whether an acquisition can carry the measurement.
//!
//! Each finding says what was found, what it was held against and where that limit comes from, and
//! what follows for the number. The verdict is the worst of the findings. Nothing is repaired here.

mod stitch;

pub use stitch::{Stitch, stitch};

use nalgebra::Unit;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::jet::{Jet, JetPose, Part};
use crate::space::angle_between;
use crate::volume::{ChannelKind, Volume4};

/// How far a finding, or all of them, can be trusted
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Good enough for the job
    Adequate,
    /// Usable, with a stated loss
    Limited,
    /// Not usable for this measurement
    Unfit,
}

/// One thing looked at about the acquisition
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// A short stable name
    pub code: String,
    /// What it means for the measurement
    pub verdict: Verdict,
    /// What was found; `null` where it could not be measured
    pub value: Option<f64>,
    /// Unit of value and limit
    pub unit: String,
    /// What it was held against
    pub limit: Option<f64>,
    /// Finding, limit, its source, and the consequence in words
    pub message: String,
}

/// The worst verdict of some findings; adequate when there are none
pub fn worst(findings: &[Finding]) -> Verdict {
    findings.iter().map(|f| f.verdict).max().unwrap_or(Verdict::Adequate)
}

fn finding(
    code: &str,
    verdict: Verdict,
    value: Option<f64>,
    unit: &str,
    limit: Option<f64>,
    message: String,
) -> Finding {
    Finding { code: code.to_owned(), verdict, value, unit: unit.to_owned(), limit, message }
}

/// What can be said before looking for jets
pub fn acquisition(volume: &Volume4) -> Vec<Finding> {
    let mut findings = vec![channels(volume)];
    if volume.channel(ChannelKind::Velocity).is_some() {
        findings.push(nyquist(volume));
    }
    findings.push(volume_rate(volume));
    findings.push(voxels(volume));
    findings.push(beats(volume));
    findings.extend(stitching(volume));
    if !volume.provenance.assumed.is_empty() {
        findings.push(finding(
            "assumptions",
            Verdict::Adequate,
            Some(volume.provenance.assumed.len() as f64),
            "count",
            None,
            format!("the file left things open: {}", volume.provenance.assumed.join("; ")),
        ));
    }
    findings
}

fn channels(volume: &Volume4) -> Finding {
    let has = |kind| volume.channel(kind).is_some();
    let (verdict, message) = if !has(ChannelKind::Velocity) {
        (Verdict::Unfit, "there is no velocity channel: no jet can be measured".to_owned())
    } else if !has(ChannelKind::Power) {
        let text = "no power channel: the point spread and the display's gain cannot be seen in the data, \
                    so the interval is wide";
        (Verdict::Limited, text.to_owned())
    } else {
        (Verdict::Adequate, "velocity and power are present".to_owned())
    };
    finding("channels", verdict, Some(volume.channels().len() as f64), "count", None, message)
}

/// Nyquist velocities usual for judging a jet, m/s (Zoghbi and others, J Am Soc Echocardiogr
/// 2017;30:303-371, from memory)
const NYQUIST_M_S: [f64; 2] = [0.5, 0.7];

fn nyquist(volume: &Volume4) -> Finding {
    let value = volume.velocity_scale.nyquist().get();
    let [low, high] = NYQUIST_M_S;
    let (verdict, limit, consequence) = if value < 0.6 * low {
        (Verdict::Limited, low, "slow blood aliases too and may be taken for jet")
    } else if value > 1.5 * high {
        (Verdict::Limited, high, "the jet's edge aliases late and its area may be read too small")
    } else {
        (Verdict::Adequate, if value < low { low } else { high }, "within reach of the usual 0.5 to 0.7 m/s")
    };
    let message = format!(
        "Nyquist velocity {value:.2} m/s; 0.5 to 0.7 m/s is usual for a jet (Zoghbi 2017, from memory): {consequence}"
    );
    finding("nyquist", verdict, Some(value), "m/s", Some(limit), message)
}

fn volume_rate(volume: &Volume4) -> Finding {
    let Some(interval) = volume.timeline.interval() else {
        let text = "a single frame: the leak cannot be followed through systole";
        return finding("volume-rate", Verdict::Limited, None, "Hz", Some(20.0), text.to_owned());
    };
    let rate = 1.0 / interval.get();
    let (verdict, consequence) = if rate < 10.0 {
        (Verdict::Limited, "the largest area may fall between frames, and short leaks are missed")
    } else if rate < 20.0 {
        (Verdict::Limited, "a leak of a quarter second is seen in few frames")
    } else {
        (Verdict::Adequate, "enough to follow systole")
    };
    let message = format!(
        "{rate:.0} volumes a second; more than 20 is preferred for gated acquisitions (common practice, no source): {consequence}"
    );
    finding("volume-rate", verdict, Some(rate), "Hz", Some(20.0), message)
}

fn voxels(volume: &Volume4) -> Finding {
    let coarsest = volume.grid.spacing_mm().into_iter().fold(0.0, f64::max);
    let (verdict, consequence) = if coarsest > 2.0 {
        (Verdict::Unfit, "a vena contracta of 5 mm would be two or three voxels wide")
    } else if coarsest > 1.0 {
        (Verdict::Limited, "small orifices are only a few voxels wide")
    } else {
        (Verdict::Adequate, "fine enough to trace a vena contracta")
    };
    let message = format!(
        "largest voxel side {coarsest:.2} mm; 1 mm or less is wanted (common practice, no source): {consequence}"
    );
    finding("voxel", verdict, Some(coarsest), "mm", Some(1.0), message)
}

fn beats(volume: &Volume4) -> Finding {
    let beats = volume.timeline.gated_beats;
    let message = match beats {
        None => "the number of gated beats is not stated in the file".to_owned(),
        Some(1) => "one beat: no stitching, but fewer lines or a lower volume rate".to_owned(),
        Some(n) => {
            format!("gathered from {n} beats: motion or an uneven rhythm shows as steps between sub-volumes")
        }
    };
    finding("gated-beats", Verdict::Adequate, beats.map(f64::from), "count", None, message)
}

/// Score from which a border counts as a step (our own choice, on simulated volumes: still ones stay
/// below 1.7, a shift of half a voxel gives 2 to 2.6)
const STEP: f64 = 2.8;

fn stitching(volume: &Volume4) -> Option<Finding> {
    let Stitch { axis, plane, score } = stitch(volume)?;
    let axis = ["x", "y", "z"][axis];
    let (verdict, message) = if score > STEP {
        let text = format!(
            "the picture steps between planes {plane} and {} along {axis}, {score:.1} times the change around \
             it: beats did not match there, and an outline that crosses the border may be wrong",
            plane + 1
        );
        (Verdict::Limited, text)
    } else {
        (
            Verdict::Adequate,
            format!("no step between sub-volumes: the largest is {score:.1} times the change around it"),
        )
    };
    Some(finding("stitch", verdict, Some(score), "ratio", Some(STEP), message))
}

/// What the jets themselves say about the acquisition
pub fn jets(volume: &Volume4, jets: &[Jet]) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (index, jet) in jets.iter().enumerate() {
        let Some(pose) = jet.poses.get(jet.largest()).and_then(Option::as_ref) else { continue };
        findings.push(beam_angle(volume, index + 1, pose));
        findings.extend(completeness(index + 1, pose));
    }
    findings
}

/// The angle in degrees, 0 to 90, between a jet's axis and the beam at its neck
pub fn beam_angle_deg(volume: &Volume4, pose: &JetPose) -> Option<f64> {
    let beam = volume.beam_at(pose.neck)?;
    let angle = angle_between(&pose.axis, &beam)
        .min(angle_between(&pose.axis, &Unit::new_unchecked(-beam.into_inner())));
    Some(angle.to_degrees())
}

fn beam_angle(volume: &Volume4, id: usize, pose: &JetPose) -> Finding {
    let Some(angle) = beam_angle_deg(volume, pose) else {
        let text = format!("jet {id}: no apex in the file, so the angle between jet and beam is unknown");
        return finding("beam-angle", Verdict::Adequate, None, "deg", Some(60.0), text);
    };
    let (verdict, consequence) = if angle > 60.0 {
        (Verdict::Limited, "less than half of the velocity is seen and the edge may be lost")
    } else {
        (Verdict::Adequate, "most of the velocity is seen")
    };
    let message = format!(
        "jet {id} meets the beam at {angle:.0} degrees; beyond 60 the seen component is less than half: {consequence}"
    );
    finding("beam-angle", verdict, Some(angle), "deg", Some(60.0), message)
}

fn completeness(id: usize, pose: &JetPose) -> Vec<Finding> {
    let mut findings = Vec::new();
    let mut missing = |code: &str, part: Part, verdict: Verdict, text: &str| {
        if part == Part::Missing {
            findings.push(finding(code, verdict, None, "", None, format!("jet {id}: {text}")));
        }
    };
    missing(
        "convergence",
        pose.convergence,
        Verdict::Limited,
        "no flow convergence is seen upstream of the neck; the orifice level cannot be confirmed",
    );
    missing(
        "contraction",
        pose.contraction,
        Verdict::Limited,
        "no minimum between convergence and expansion; the narrowest plane seen may not be the neck",
    );
    missing(
        "colour-box",
        pose.whole,
        Verdict::Limited,
        "the neck's cross-section reaches the border of the volume; its area is a lower bound",
    );
    findings
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::space::Grid;
    use crate::unit::{MetresPerSecond, Seconds};
    use crate::volume::{Channel, PowerScale, Provenance, Samples, Timeline, VelocityScale};

    fn volume(kinds: &[ChannelKind], spacing: f64, interval: f64, nyquist: f64) -> Volume4 {
        let channels = kinds
            .iter()
            .map(|kind| Channel::new(*kind, Samples::from_u8(vec![128; 16], 2, 8).unwrap()))
            .collect();
        Volume4::new(
            Grid::axis_aligned([2, 2, 2], [spacing; 3], [0.0; 3]).unwrap(),
            Timeline::regular(2, Seconds::new(interval)).unwrap(),
            None,
            VelocityScale::full_cycle(8, 128, MetresPerSecond::new(nyquist)).unwrap(),
            PowerScale::default(),
            Provenance::default(),
            channels,
        )
        .unwrap()
    }

    fn verdict(findings: &[Finding], code: &str) -> Verdict {
        findings.iter().find(|f| f.code == code).unwrap().verdict
    }

    #[test]
    fn a_clean_acquisition_is_not_accused() {
        let both = [ChannelKind::Velocity, ChannelKind::Power];
        let findings = acquisition(&volume(&both, 0.6, 0.035, 0.6));
        assert_eq!(worst(&findings), Verdict::Adequate);
    }

    #[test]
    fn each_weakness_is_named() {
        let both = [ChannelKind::Velocity, ChannelKind::Power];
        assert_eq!(verdict(&acquisition(&volume(&both, 2.5, 0.035, 0.6)), "voxel"), Verdict::Unfit);
        assert_eq!(verdict(&acquisition(&volume(&both, 0.6, 0.2, 0.6)), "volume-rate"), Verdict::Limited);
        assert_eq!(verdict(&acquisition(&volume(&both, 0.6, 0.03, 0.2)), "nyquist"), Verdict::Limited);
        let velocity_only = acquisition(&volume(&[ChannelKind::Velocity], 0.6, 0.03, 0.6));
        assert_eq!(verdict(&velocity_only, "channels"), Verdict::Limited);
        let none = acquisition(&volume(&[ChannelKind::Tissue], 0.6, 0.03, 0.6));
        assert_eq!(worst(&none), Verdict::Unfit);
    }
}
