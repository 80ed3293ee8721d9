//! The jets in every frame: what was measured of each, and where its neck hides.

use rayon::prelude::*;

use crate::jet::{Jet, JetPose, Signal, SignalScale, StrengthSource, hides_neck};
use crate::job::{Cancelled, Watch};
use crate::planimetry::{Assessment, assess, largest_hidden};
use crate::space::Direction;
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
    /// Whether the jet shows and its neck does not
    hides: bool,
}

/// One jet through the beat
pub(super) struct JetBeat {
    pub(super) jet: Jet,
    /// `[frame]`
    pub(super) frames: Vec<AtFrame>,
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
    pub(super) fn at_peak(&self) -> Option<(usize, &Assessment)> {
        self.frames
            .iter()
            .enumerate()
            .filter_map(|(frame, at)| Some((frame, at.assessed.as_ref()?)))
            .max_by(|a, b| a.1.vca.value.get().total_cmp(&b.1.vca.value.get()).then(b.0.cmp(&a.0)))
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
    pub(super) fn hidden(&self, frame: usize, scale: SignalScale) -> Option<(&JetPose, Interval)> {
        let (beside, pose) = self.frames[frame].hides.then(|| self.jet.beside(frame)).flatten()?;
        // The frame beside is often a faint one, of which only the tip was traced.
        let (_, at) = self.at_peak()?;
        let level = match (scale.source, scale.gate) {
            (StrengthSource::Power, Some(gate)) => gate.clamp(0.0, 0.75),
            _ => HIDDEN_LEVEL_COLOUR,
        };
        let most = HIDDEN_MOST * largest_hidden(&at.corrected, at.blur.sigma, level).get();
        let seen = |at: &AtFrame| at.assessed.is_some();
        let ends = !(self.frames[..frame].iter().any(seen) && self.frames[frame..].iter().any(seen));
        // As systole begins and ends the blood may be too slow for the wall filter, and the neck as wide as beside.
        let wide = self.frames[beside].assessed.as_ref().filter(|_| ends).map_or(0.0, |at| at.vca.high.get());
        Some((pose, Interval { value: HIDDEN_SHARE * most, low: 0.0, high: most.max(wide) }))
    }
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
        jets.into_iter().map(|jet| JetBeat { jet, frames: Vec::with_capacity(frames) }).collect();
    for frame in by_frame? {
        for (beat, at) in beats.iter_mut().zip(frame) {
            beat.jet.hidden[beat.frames.len()] = at.hides;
            beat.frames.push(at);
        }
    }
    if beats.iter().any(|beat| beat.at_peak().is_none()) {
        // The others' convergences are measured again without it beside them.
        let traced = beats.into_iter().filter(|beat| beat.at_peak().is_some()).map(|beat| beat.jet).collect();
        return in_frames(volume, scale, traced, anterior_posterior, watch, "measuring without one");
    }
    let largest = |beat: &JetBeat| beat.at_peak().map_or(0.0, |(_, at)| at.vca.value.get());
    beats.sort_by(|a, b| largest(b).total_cmp(&largest(a)));
    Ok(beats)
}

/// The jets in one frame, in their order
fn in_frame(
    volume: &Volume4,
    scale: SignalScale,
    jets: &[Jet],
    frame: usize,
    anterior_posterior: Option<Direction>,
) -> Vec<AtFrame> {
    let absent = || jets.iter().map(|_| AtFrame::default()).collect();
    let Some(signal) = (!jets.is_empty()).then(|| Signal::new(volume, frame, scale)).flatten() else {
        return absent();
    };
    let assessed: Vec<Option<Assessment>> =
        jets.iter().map(|jet| assess(&signal, jet.poses[frame].as_ref()?, anterior_posterior).ok()).collect();
    let zones = zone::in_frame(volume, frame, &signal, jets, &assessed);
    jets.iter()
        .zip(assessed)
        .zip(zones)
        .map(|((jet, assessed), zone)| {
            let known = jet.poses[frame].is_none().then(|| jet.beside(frame)).flatten();
            let hides = known.is_some_and(|(_, known)| hides_neck(&signal, known));
            AtFrame { assessed, zone, hides }
        })
        .collect()
}
