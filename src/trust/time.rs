//! Time: volumes a second, the frames that a leak got, the beats it was gathered from.
//!
//! A leak that is there in n frames only is seen at its largest with a loss of up to
//! `1 - cos(pi / 2n)` (a half-sine whose top falls between two frames; closed form): 29 % at two frames,
//! 13 % at three, 8 % at four.

use std::f64::consts::PI;

use super::{Finding, Verdict, finding};
use crate::jet::Jet;
use crate::volume::Volume4;

/// Volumes a second wanted of a gated acquisition (common practice, no source)
const RATE_HZ: f64 = 20.0;
/// Mean length of a leak that is there in mid and late systole only: 233 ms, against 426 ms of one that
/// fills systole (Topilsky and others, Circulation 2012;125:1643-51, reference from memory)
const SHORT_LEAK_S: f64 = 0.233;
/// Frames that a leak must be seen in (our own choice: the loss above stays below 15 %)
const FEWEST_FRAMES: usize = 3;
/// R-R intervals may spread by this share of their mean (common practice, no source)
const RR_SPREAD: f64 = 0.10;

/// Volumes a second, against the shortest leak that is usual
pub(super) fn volume_rate(volume: &Volume4) -> Finding {
    let Some(interval) = volume.timeline.interval() else {
        let text = "a single frame: the regurgitation cannot be followed through systole";
        return finding("volume-rate", Verdict::Limited, None, "Hz", Some(RATE_HZ), text.to_owned());
    };
    let rate = 1.0 / interval.get();
    let (verdict, consequence) = if rate < RATE_HZ / 2.0 {
        (Verdict::Limited, "the largest area may fall between frames, and a short regurgitation is missed")
    } else if rate < RATE_HZ {
        (Verdict::Limited, "a short regurgitation is seen in few frames")
    } else {
        (Verdict::Adequate, "enough to follow systole")
    };
    let message = format!(
        "{rate:.0} volumes a second put {:.1} frames into a mid-late systolic regurgitation of 233 ms (Topilsky 2012, from \
         memory); more than 20 are preferred for gated acquisitions (common practice, no source): {consequence}",
        rate * SHORT_LEAK_S
    );
    finding("volume-rate", verdict, Some(rate), "Hz", Some(RATE_HZ), message)
}

/// Share of its top that a half-sine seen in so many frames may lose between two of them
fn lost_between_frames(frames: usize) -> f64 {
    1.0 - libm::cos(PI / (2.0 * frames.max(1) as f64))
}

/// The longest run of frames in which a jet's neck is seen
fn longest_run(jet: &Jet) -> usize {
    let runs = jet.poses.chunk_by(|a, b| a.is_some() == b.is_some());
    runs.filter(|run| run[0].is_some()).map(<[_]>::len).max().unwrap_or(0)
}

/// Frames in the shortest leak; `None` for a single frame or without a jet
pub(super) fn shortest_leak(volume: &Volume4, jets: &[&Jet]) -> Option<Finding> {
    let interval = volume.timeline.interval()?.get();
    let (id, frames) = jets
        .iter()
        .enumerate()
        .map(|(index, jet)| (index + 1, longest_run(jet)))
        .min_by_key(|(id, frames)| (*frames, *id))?;
    let lost = 100.0 * lost_between_frames(frames);
    let (verdict, consequence) = if frames < FEWEST_FRAMES {
        (Verdict::Limited, "its peak, mean and pattern are coarse")
    } else {
        (Verdict::Adequate, "enough to see it rise and fall")
    };
    let message = format!(
        "the shortest regurgitation, jet {id}, is there in {frames} frames in a row ({:.0} ms), so its largest area may be \
         missed by up to {lost:.0} % (half-sine, closed form); at least {FEWEST_FRAMES} are wanted (our own choice): \
         {consequence}",
        1000.0 * interval * frames as f64
    );
    let limit = Some(FEWEST_FRAMES as f64);
    Some(finding("leak-frames", verdict, Some(frames as f64), "frames", limit, message))
}

/// How many beats the volume was gathered from
pub(super) fn beats(volume: &Volume4) -> Finding {
    let beats = volume.timeline.gated_beats;
    let message = match beats {
        None => {
            "the number of gated beats is not stated in the file: steps between sub-volumes are looked for \
                 in the data all the same"
                .to_owned()
        }
        Some(1) => "one beat: no stitching, but fewer lines or a lower volume rate".to_owned(),
        Some(n) => {
            format!("gathered from {n} beats: motion or an uneven rhythm shows as steps between sub-volumes")
        }
    };
    finding("gated-beats", Verdict::Adequate, beats.map(f64::from), "count", None, message)
}

/// Spread of the R-R intervals: largest minus smallest over their mean; `None` where fewer than two
/// are listed
pub(super) fn rhythm(volume: &Volume4) -> Option<Finding> {
    let listed: Vec<f64> = volume.timeline.beats_rr.iter().map(|rr| rr.get()).collect();
    if listed.len() < 2 || listed.iter().any(|rr| !(rr.is_finite() && *rr > 0.0)) {
        return None;
    }
    let mean = crate::numeric::stats::mean(&listed);
    let low = listed.iter().copied().fold(f64::INFINITY, f64::min);
    let high = listed.iter().copied().fold(0.0, f64::max);
    let spread = (high - low) / mean;
    let (verdict, consequence) = if spread > RR_SPREAD {
        (Verdict::Limited, "the sub-volumes of one frame show different moments of the regurgitation")
    } else {
        (Verdict::Adequate, "the beats were alike")
    };
    let message = format!(
        "the R-R intervals of {} beats run from {:.0} to {:.0} ms, a spread of {:.0} % of their mean; up to \
         {:.0} % is accepted (common practice, no source): {consequence}",
        listed.len(),
        1000.0 * low,
        1000.0 * high,
        100.0 * spread,
        100.0 * RR_SPREAD
    );
    Some(finding("rhythm", verdict, Some(100.0 * spread), "%", Some(100.0 * RR_SPREAD), message))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_half_sine_between_two_frames_loses_the_closed_form() {
        assert!((lost_between_frames(2) - 0.2929).abs() < 1e-4);
        assert!((lost_between_frames(3) - 0.1340).abs() < 1e-4);
        assert!((lost_between_frames(4) - 0.0761).abs() < 1e-4);
        assert_eq!(lost_between_frames(0), lost_between_frames(1));
    }
}
