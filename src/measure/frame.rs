//! The jets in every frame: what was measured of each, and where its neck hides.

use rayon::prelude::*;

use crate::jet::{Jet, JetPose, Signal, SignalScale, StrengthSource, hides_neck};
use crate::job::{Cancelled, Watch};
use crate::planimetry::{Assessment, Tracer, largest_hidden};
use crate::space::{Direction, VolumePoint};
use crate::volume::Volume4;

use super::results::Interval;
use super::zone;

/// One jet in one frame
#[derive(Default)]
pub(super) struct AtFrame {
    /// What was measured; `None` where the jet is absent or cannot be traced
    pub(super) assessed: Option<Assessment>,
    /// Its convergence
    pub(super) zone: zone::Found,
    /// Whether the jet shows and its neck does not ([`hides_neck`])
    pub(super) hides: bool,
}

/// One jet through the beat
pub(super) struct JetBeat {
    pub(super) jet: Jet,
    /// `[frame]`
    pub(super) frames: Vec<AtFrame>,
    /// The most that can hide at its neck, mm2; 0 where it hides in no frame
    hides_at_most: f64,
}

/// Level, as a share of the plateau, below which nothing is displayed where only colour is stored: the
/// highest that is to be expected
const HIDDEN_LEVEL_COLOUR: f64 = 0.6;
/// Share of the most that can hide that is taken for the area (tuning phantoms, whole beats of seeds 6000 to
/// 6299)
const HIDDEN_SHARE: f64 = 0.38;
/// What the most that can hide may be off by, since shape and point spread are
/// those of the peak frame
const HIDDEN_MOST: f64 = 1.7;

impl JetBeat {
    /// The frame of the largest area and what was measured there; `None` where nothing was
    ///
    /// The one whose interval begins highest: the largest of several values would often be the one that is
    /// wrong most.
    pub(super) fn at_peak(&self) -> Option<(usize, &Assessment)> {
        self.frames.iter().enumerate().filter_map(|(frame, at)| Some((frame, at.assessed.as_ref()?))).max_by(
            |a, b| {
                let size = |at: &Assessment| [at.vca.low.get(), at.vca.value.get()];
                let ([low, value], [other, its]) = (size(a.1), size(b.1));
                low.total_cmp(&other).then(value.total_cmp(&its)).then(b.0.cmp(&a.0))
            },
        )
    }

    /// Whether the jet is there, displayed at its neck or not
    pub(super) fn is_open(&self, frame: usize) -> bool {
        let at = &self.frames[frame];
        at.assessed.is_some() || at.hides
    }

    /// The convergences
    pub(super) fn zones(&self) -> Vec<&zone::Found> {
        self.frames.iter().map(|at| &at.zone).collect()
    }

    /// The pose that stands in and the area that may hide, where the neck does
    pub(super) fn hidden(&self, frame: usize) -> Option<(&JetPose, Interval)> {
        self.frames[frame].hides.then_some(())?;
        let (beside, pose) = known(&self.jet, frame)?;
        let seen = |at: &AtFrame| at.assessed.is_some();
        let ends = !(self.frames[..frame].iter().any(seen) && self.frames[frame..].iter().any(seen));
        // As systole begins and ends the blood may be too slow for the wall filter, and the neck as wide as beside.
        let wide = self.frames[beside].assessed.as_ref().filter(|_| ends).map_or(0.0, |at| at.vca.high.get());
        let largest = self.at_peak().map_or(0.0, |(_, at)| at.vca.value.get());
        let value = (HIDDEN_SHARE * self.hides_at_most).min(largest);
        Some((pose, Interval { value, low: 0.0, high: self.hides_at_most.max(wide) }))
    }

    /// Keeps hidden frames only where they join the frames in which the jet is seen, and finds the most that can
    /// hide
    fn settle(&mut self, scale: SignalScale) {
        let joined = |frames: &[AtFrame], order: &mut dyn Iterator<Item = usize>| {
            let (mut open, mut joined) = (false, vec![false; frames.len()]);
            for frame in order {
                open = frames[frame].assessed.is_some() || (open && frames[frame].hides);
                joined[frame] = open;
            }
            joined
        };
        let count = self.frames.len();
        let after = joined(&self.frames, &mut (0..count));
        let before = joined(&self.frames, &mut (0..count).rev());
        for (frame, at) in self.frames.iter_mut().enumerate() {
            at.hides &= after[frame] || before[frame];
        }
        // The frame beside a hidden one is often a faint one, of which only the tip was traced.
        let peak = self.at_peak().filter(|_| self.frames.iter().any(|at| at.hides));
        self.hides_at_most = peak.map_or(0.0, |(_, at)| {
            let level = match (scale.source, scale.gate) {
                (StrengthSource::Power, Some(gate)) => gate.clamp(0.0, 0.75),
                _ => HIDDEN_LEVEL_COLOUR,
            };
            HIDDEN_MOST * largest_hidden(&at.corrected, at.blur.sigma, level).get()
        });
    }
}

/// The pose by which a jet is looked for in a frame: its own or that of the nearest frame, and the frame it is of
fn known(jet: &Jet, frame: usize) -> Option<(usize, &JetPose)> {
    jet.poses[frame].as_ref().map(|own| (frame, own)).or_else(|| jet.beside(frame))
}

/// Measures the jets in every frame; one that can be traced in no frame is none
///
/// The largest comes first, so that one bears one number in findings and results alike.
pub(super) fn in_frames(
    volume: &Volume4,
    scale: SignalScale,
    jets: Vec<Jet>,
    anterior_posterior: Option<Direction>,
    watch: &Watch,
    stage: &str,
) -> Result<Vec<JetBeat>, Cancelled> {
    let frames = volume.frames();
    let done = std::sync::atomic::AtomicUsize::new(0);
    let by_frame: Result<Vec<_>, Cancelled> = (0..frames)
        .into_par_iter()
        // Frames take unlike times: each is handed out on its own.
        .with_max_len(1)
        .map(|frame| {
            let at = in_frame(volume, scale, &jets, frame, anterior_posterior);
            let count = done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1;
            watch.step(stage, count, frames)?;
            Ok(at)
        })
        .collect();
    let mut beats: Vec<JetBeat> =
        jets.into_iter().map(|jet| JetBeat { jet, frames: Vec::new(), hides_at_most: 0.0 }).collect();
    for frame in by_frame? {
        for (beat, at) in beats.iter_mut().zip(frame) {
            beat.frames.push(at);
        }
    }
    if beats.iter().any(|beat| beat.at_peak().is_none()) {
        // The others' convergences are measured again without it beside them.
        let traced = beats.into_iter().filter(|beat| beat.at_peak().is_some()).map(|beat| beat.jet).collect();
        return in_frames(volume, scale, traced, anterior_posterior, watch, "measuring without one");
    }
    for beat in &mut beats {
        beat.settle(scale);
    }
    let largest = |beat: &JetBeat| beat.at_peak().map_or(0.0, |(_, at)| at.vca.value.get());
    beats.sort_by(|a, b| largest(b).total_cmp(&largest(a)));
    Ok(beats)
}

/// So many frames before the first and after the last in which it is seen a jet may hide its neck (our own choice)
const BEYOND: usize = 3;

/// The jets in one frame, in their order
fn in_frame(
    volume: &Volume4,
    scale: SignalScale,
    jets: &[Jet],
    frame: usize,
    anterior_posterior: Option<Direction>,
) -> Vec<AtFrame> {
    let seen = |jet: &Jet, frame: usize| jet.poses.get(frame).is_some_and(Option::is_some);
    let may_hide = |jet: &Jet| {
        let near = (frame.saturating_sub(BEYOND)..=frame + BEYOND).any(|other| seen(jet, other));
        let between = (0..frame).any(|other| seen(jet, other))
            && (frame + 1..jet.poses.len()).any(|other| seen(jet, other));
        near || between
    };
    let signal = jets.iter().any(may_hide).then(|| Signal::new(volume, frame, scale)).flatten();
    let Some(signal) = signal else { return jets.iter().map(|_| AtFrame::default()).collect() };
    let tracer = Tracer { signal: &signal, anterior_posterior, threshold: None };
    let assessed: Vec<Option<Assessment>> =
        jets.iter().map(|jet| tracer.propose(&jet.poses[frame].as_ref()?.section()).ok()).collect();
    let poses: Vec<Option<(VolumePoint, Direction)>> =
        jets.iter().map(|jet| jet.poses[frame].as_ref().map(|pose| (pose.neck, pose.axis))).collect();
    let hides = |index: usize| {
        let others: Vec<_> = (0..jets.len()).filter(|o| *o != index).filter_map(|o| poses[o]).collect();
        let known =
            known(&jets[index], frame).filter(|_| assessed[index].is_none() && may_hide(&jets[index]));
        known.is_some_and(|(_, known)| hides_neck(&signal, known, &others))
    };
    let hides: Vec<bool> = (0..jets.len()).map(hides).collect();
    let at: Vec<Option<&JetPose>> = jets.iter().map(|jet| jet.poses[frame].as_ref()).collect();
    let zones = zone::in_frame(volume, frame, &at, &assessed);
    assessed
        .into_iter()
        .zip(zones)
        .zip(hides)
        .map(|((assessed, zone), hides)| AtFrame { assessed, zone, hides })
        .collect()
}
