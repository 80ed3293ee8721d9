//! Whether an acquisition can carry the measurement.
//!
//! Each finding says what was found, what it was held against and where that limit comes from, and
//! what follows for the number. The verdict is the worst of the findings. Nothing is repaired here.

mod agreement;
mod gain;
mod hidden;
mod place;
mod resolution;
mod scale;
mod stitch;
mod time;

pub use agreement::{arms_apart, discordance, no_jet, unsure};
pub use hidden::{HiddenNeck, hidden_neck};
pub use place::beam_angle_deg;
pub use resolution::{Sharpness, resolution};
pub use stitch::{STEP, Stitch, stitch};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::jet::Jet;
use crate::job::CancelToken;
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
    acquisition_with(volume, stitch(volume, &CancelToken::new()).as_ref())
}

/// The same, where the steps between sub-volumes have been looked for already
pub fn acquisition_with(volume: &Volume4, stitch: Option<&Stitch>) -> Vec<Finding> {
    let mut findings = vec![channels(volume)];
    if let Some(velocity) = volume.velocity_scale() {
        findings.push(scale::nyquist(velocity));
        findings.push(scale::baseline(velocity));
        findings.extend(scale::colours(&volume.provenance, velocity));
        findings.extend(scale::lossy(&volume.provenance, velocity));
        findings.extend(gain::gain(volume));
    }
    findings.push(time::volume_rate(volume));
    findings.push(resolution::voxels(volume));
    findings.push(time::beats(volume));
    findings.extend(time::rhythm(volume));
    findings.extend(stitch.map(|stitch| stitching(volume, stitch)));
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

/// Which channels are there: without velocity nothing can be measured, without power less is known
fn channels(volume: &Volume4) -> Finding {
    let has = |kind| volume.channel(kind).is_some();
    let (verdict, message) = if !has(ChannelKind::Velocity) {
        (Verdict::Unfit, "there is no velocity channel: no jet can be measured".to_owned())
    } else if !has(ChannelKind::Power) {
        let text = "no power channel: the point spread and the display's gain cannot be seen in the data, \
                    so the interval is wide";
        (Verdict::Limited, text.to_owned())
    } else if !has(ChannelKind::Tissue) {
        let text = "velocity and power are present; no tissue channel: steps between sub-volumes cannot be looked for";
        (Verdict::Adequate, text.to_owned())
    } else {
        (Verdict::Adequate, "velocity, power and tissue are present".to_owned())
    };
    finding("channels", verdict, Some(volume.channels().len() as f64), "count", None, message)
}

fn stitching(volume: &Volume4, stitch: &Stitch) -> Finding {
    let Stitch { axis, plane, score, limit, .. } = *stitch;
    let name = ["x", "y", "z"][axis.min(2)];
    let place = (plane as f64 + 0.5) * volume.grid.spacing_mm()[axis.min(2)];
    let steps = stitch.steps().len();
    let (verdict, message) = if steps > 0 {
        let more = if steps > 1 { format!(", one of {steps} such borders") } else { String::new() };
        let text = format!(
            "the picture steps between planes {plane} and {} along {name} ({place:.1} mm from the first){more}, \
             {score:.1} times the change around it, limit {limit:.1} (our own choice, on simulated volumes): beats \
             did not match there, and an outline that crosses the border may be wrong",
            plane + 1
        );
        (Verdict::Limited, text)
    } else {
        let text = format!(
            "no step between sub-volumes: the largest is {score:.1} times the change around it, limit {limit:.1} \
             (our own choice, on simulated volumes)"
        );
        (Verdict::Adequate, text)
    };
    finding("stitch", verdict, Some(score), "ratio", Some(limit), message)
}

/// What the jets themselves say about the acquisition
pub fn jets(volume: &Volume4, jets: &[&Jet]) -> Vec<Finding> {
    let mut findings: Vec<Finding> = time::shortest_leak(volume, jets).into_iter().collect();
    for (index, jet) in jets.iter().enumerate() {
        let Some(pose) = jet.poses.get(jet.largest()).and_then(Option::as_ref) else { continue };
        findings.push(place::beam_angle(volume, index + 1, pose));
        findings.extend(place::completeness(volume, index + 1, jet, pose));
    }
    findings
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::space::Grid;
    use crate::unit::{MetresPerSecond, Seconds};
    use crate::volume::{
        Channel, ColoursRead, Lossy, PowerScale, Provenance, Samples, Scale, Timeline, VelocityLoss,
        VelocityScale,
    };

    fn volume(kinds: &[ChannelKind], spacing: f64, interval: f64, nyquist: f64) -> Volume4 {
        let scale = VelocityScale::full_cycle(8, 128, MetresPerSecond::new(nyquist)).unwrap();
        let scales = kinds.iter().map(|kind| Scale::of(*kind, scale, PowerScale::default()));
        let samples = Samples::from_u8(vec![128; 16], 2, 8).unwrap();
        let channels = scales.map(|scale| Channel::new(scale, samples.clone())).collect();
        Volume4::new(
            Grid::axis_aligned([2, 2, 2], [spacing; 3], [0.0; 3]).unwrap(),
            Timeline::regular(2, Seconds::new(interval)).unwrap(),
            None,
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
        // The two voxels a side hold no colour at all, and that is told.
        let others: Vec<Finding> = findings.into_iter().filter(|f| f.code != "colour-gain").collect();
        assert_eq!(worst(&others), Verdict::Adequate, "{others:?}");
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

    #[test]
    fn velocities_stored_with_loss_are_told_with_their_cost() {
        let mut volume = volume(&[ChannelKind::Velocity, ChannelKind::Power], 0.6, 0.035, 0.64);
        assert_eq!(scale::lossy(&volume.provenance, volume.velocity_scale().unwrap()), None);
        // A code is 0.005 m/s: 12 of them are 0.06, beside a limit of 0.064.
        for (velocity, verdict, value) in [
            (VelocityLoss::AtMost { codes: 12.0 }, Verdict::Adequate, Some(0.06)),
            (VelocityLoss::AtMost { codes: 14.0 }, Verdict::Limited, Some(0.07)),
            (VelocityLoss::AtMost { codes: 70.0 }, Verdict::Unfit, Some(0.35)),
            (VelocityLoss::About { codes: 1.0 }, Verdict::Limited, Some(0.005)),
            (VelocityLoss::About { codes: 70.0 }, Verdict::Unfit, Some(0.35)),
            (VelocityLoss::Unknown, Verdict::Limited, None),
        ] {
            let method = "ISO_10918_1".to_owned();
            volume.provenance.lossy = Some(Lossy { method, ratio: None, velocity });
            let found = acquisition(&volume).into_iter().find(|f| f.code == "lossy-velocity").unwrap();
            assert_eq!(found.verdict, verdict, "{found:?}");
            assert_eq!(found.value.map(|v| (v * 1e6).round()), value.map(|v: f64| (v * 1e6).round()));
            assert!(found.message.contains("ISO_10918_1"));
        }
    }

    #[test]
    fn colours_that_say_little_are_told_and_stored_velocities_are_not_accused() {
        let mut volume = volume(&[ChannelKind::Velocity], 0.6, 0.04, 0.6);
        assert_eq!(scale::colours(&volume.provenance, volume.velocity_scale().unwrap()), None);
        let mut verdict = |error: f64, stray: f64| {
            let error = MetresPerSecond::new(error);
            volume.provenance.colours_read = Some(ColoursRead { error, stray });
            let found = acquisition(&volume).into_iter().find(|finding| finding.code == "colours");
            found.expect("it is told").verdict
        };
        assert_eq!(verdict(0.05, 0.0), Verdict::Adequate);
        assert_eq!(verdict(0.07, 0.0), Verdict::Limited);
        assert_eq!(verdict(0.05, 0.1), Verdict::Limited);
        assert_eq!(verdict(0.31, 0.0), Verdict::Unfit);
    }
}
