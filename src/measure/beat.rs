//! The measured beat: each jet's state in each frame.
//!
//! A frame is looked at once for all jets in it; linking and looking for dropouts have to see all frames first. What a
//! reader puts in the place of the program's tracings ([`JetFrame::replace`]) makes a review's beat of it;
//! everything that is reported is written from a beat by one function ([`Beat::results`]).

use crate::beat::{Opening, Zone, ZoneError, convergences, in_beat};
use crate::jet::{self, Jet, JetOptions, JetPose, Signal, SignalScale, StrengthSource, hides_neck};
use crate::job::{Cancelled, Watch};
use crate::numeric::Interval;
use crate::outline::Placed;
use crate::planimetry::{Assessment, Tracer, largest_hidden};
use crate::space::{Direction, VolumePoint};
use crate::volume::Volume4;

use super::MeasureError;
use super::results::Origin;

/// The jets of a volume through the beat
#[derive(Clone, Debug)]
pub struct Beat {
    /// What full signal and no display are
    pub scale: SignalScale,
    /// The jets, the largest first
    pub jets: Vec<JetBeat>,
}

/// One jet through the beat
#[derive(Clone, Debug)]
pub struct JetBeat {
    /// Its name in the review that it was read in; `None` outside a review
    pub name: Option<String>,
    /// Its state in each frame
    pub frames: Vec<JetFrame>,
}

/// The state of one jet in one frame
#[derive(Clone, Debug, Default)]
pub enum JetFrame {
    /// Not there, or not to be traced
    #[default]
    Absent,
    /// It shows on both sides of its vena contracta, which is not displayed itself
    Dropout(Box<Dropout>),
    /// Traced
    Measured(Box<MeasuredFrame>),
}

/// A jet in a frame in which its vena contracta is not displayed
#[derive(Clone, Debug)]
pub struct Dropout {
    /// Where it is in the nearest frame that shows it
    pub pose: JetPose,
    /// The area that may hide, mm2: from nothing to the most that can
    pub vca: Interval,
}

/// A jet in a frame in which it was traced
#[derive(Clone, Debug)]
pub struct MeasuredFrame {
    /// Where it was found in this frame; `None` where a reader alone says that it is there
    pub pose: Option<JetPose>,
    /// The tracings, at least one; their areas add
    pub tracings: Vec<Assessment>,
    /// Who made them
    pub origin: Origin,
    /// The program's flow through its convergence; `None` where the program did not trace it
    pub flow: Option<Flow>,
}

/// The flow convergence of a jet in one frame
#[derive(Clone, Debug)]
pub struct Flow {
    /// The flow, or why it was not measured
    pub zone: Result<Zone, ZoneError>,
    /// The program's area in the same frame, mm2
    pub over: Interval,
}

impl MeasuredFrame {
    /// The sum of the areas, mm2; half widths add, since what tracings share (point spread, gain) is wrong for all of
    /// them alike
    pub fn vca(&self) -> Interval {
        self.tracings.iter().map(|at| Interval::from(at.vca)).fold(Interval::exactly(0.0), Interval::together)
    }

    /// The largest tracing, which stands for widths and shape
    pub fn largest(&self) -> Option<&Assessment> {
        self.tracings.iter().max_by(|a, b| a.vca.value.get().total_cmp(&b.vca.value.get()))
    }

    /// Whether the reader traced
    pub fn is_read(&self) -> bool {
        matches!(self.origin, Origin::ReaderKept | Origin::ReaderCorrected | Origin::ReaderDrawn)
    }
}

impl JetFrame {
    /// What was traced
    pub fn measured(&self) -> Option<&MeasuredFrame> {
        match self {
            Self::Measured(at) => Some(at),
            Self::Absent | Self::Dropout(_) => None,
        }
    }

    /// Where the program has it
    pub fn pose(&self) -> Option<&JetPose> {
        match self {
            Self::Absent => None,
            Self::Dropout(at) => Some(&at.pose),
            Self::Measured(at) => at.pose.as_ref(),
        }
    }

    /// Where the program has it, if the tracing there is the program's own
    pub fn proposed(&self) -> Option<&JetPose> {
        self.measured().filter(|at| at.origin == Origin::Program)?.pose.as_ref()
    }

    /// Its area, traced or possible, mm2; `None` where the jet is absent
    pub fn vca(&self) -> Option<Interval> {
        match self {
            Self::Absent => None,
            Self::Dropout(at) => Some(at.vca),
            Self::Measured(at) => Some(at.vca()),
        }
    }

    /// Puts a reader's tracings in the place of the program's; none leave the state as it is
    ///
    /// Where the jet lies and its flow stay the program's: they are upstream of what is traced.
    pub fn replace(&mut self, tracings: Vec<Assessment>, origin: Origin) {
        if tracings.is_empty() {
            return;
        }
        let pose = self.pose().cloned();
        let flow = self.measured().and_then(|at| at.flow.clone());
        *self = Self::Measured(Box::new(MeasuredFrame { pose, tracings, origin, flow }));
    }
}

impl JetBeat {
    /// The frame of the largest area; `None` where nothing was traced
    ///
    /// The one whose interval begins highest: the largest of several values would often be the one that is wrong
    /// most. Where a reader traced, it is one of the frames that the reader traced.
    pub fn peak(&self) -> Option<(usize, &MeasuredFrame)> {
        let measured =
            || self.frames.iter().enumerate().filter_map(|(frame, at)| Some((frame, at.measured()?)));
        let read = measured().any(|(_, at)| at.is_read());
        measured().filter(|(_, at)| at.is_read() == read).max_by(|a, b| {
            let (one, other) = (a.1.vca(), b.1.vca());
            one.low.total_cmp(&other.low).then(one.value.total_cmp(&other.value)).then(b.0.cmp(&a.0))
        })
    }

    /// Where the program has it in a frame, or in the nearest in which it has it
    pub fn pose_about(&self, frame: usize) -> Option<&JetPose> {
        let known = self.frames.iter().enumerate().filter_map(|(other, at)| Some((other, at.pose()?)));
        known.min_by_key(|(other, _)| (other.abs_diff(frame), *other)).map(|(_, pose)| pose)
    }

    /// Whether it is there, displayed at its vena contracta or not
    pub fn is_open(&self, frame: usize) -> bool {
        !matches!(self.frames[frame], JetFrame::Absent)
    }

    /// Where it was found in the frames in which it was traced
    pub(super) fn found(&self) -> Jet {
        Jet { poses: self.frames.iter().map(|at| at.measured()?.pose.clone()).collect() }
    }

    /// Its state in each frame, from what each frame shows by itself
    ///
    /// A dropout counts only where it joins the frames in which the jet is seen.
    fn settled(jet: &Jet, frames: Vec<AtFrame>, scale: SignalScale) -> Self {
        let joined = |order: &mut dyn Iterator<Item = usize>| {
            let (mut open, mut joined) = (false, vec![false; frames.len()]);
            for frame in order {
                open = frames[frame].traced.is_some() || (open && frames[frame].hides);
                joined[frame] = open;
            }
            joined
        };
        let (after, before) = (joined(&mut (0..frames.len())), joined(&mut (0..frames.len()).rev()));
        let hides: Vec<bool> =
            frames.iter().enumerate().map(|(i, at)| at.hides && (after[i] || before[i])).collect();
        let seen: Vec<bool> = frames.iter().map(|at| at.traced.is_some()).collect();
        let state = |(at, pose): (AtFrame, &Option<JetPose>)| {
            at.traced.map_or(JetFrame::Absent, |(tracing, zone)| {
                let flow = Flow { zone, over: tracing.vca.into() };
                JetFrame::Measured(Box::new(MeasuredFrame {
                    pose: pose.clone(),
                    tracings: vec![tracing],
                    origin: Origin::Program,
                    flow: Some(flow),
                }))
            })
        };
        let mut beat = Self { name: None, frames: frames.into_iter().zip(&jet.poses).map(state).collect() };
        let Some(may_hide) = beat.may_hide(scale).filter(|_| hides.contains(&true)) else { return beat };
        let dropouts: Vec<Option<Dropout>> = (0..hides.len())
            .map(|frame| {
                let (beside, pose) = hides[frame].then(|| known(jet, frame)).flatten()?;
                let ends = !(seen[..frame].contains(&true) && seen[frame..].contains(&true));
                // As systole begins and ends the blood may be too slow for the wall filter, and the vena contracta as
                // wide as beside.
                let beside = beat.frames[beside].measured().filter(|_| ends);
                let wide = beside.map_or(0.0, |at| at.vca().high);
                let vca = Interval { high: may_hide.high.max(wide), ..may_hide };
                Some(Dropout { pose: pose.clone(), vca })
            })
            .collect();
        for (state, dropout) in beat.frames.iter_mut().zip(dropouts) {
            if let Some(dropout) = dropout {
                *state = JetFrame::Dropout(Box::new(dropout));
            }
        }
        beat
    }

    /// The area that may hide where nothing is displayed, by shape and point spread at the peak
    fn may_hide(&self, scale: SignalScale) -> Option<Interval> {
        let at = self.peak()?.1.largest()?;
        let level = match (scale.source, scale.gate) {
            (StrengthSource::Power, Some(gate)) => gate.clamp(0.0, 0.75),
            _ => HIDDEN_LEVEL_COLOUR,
        };
        // The frame beside a hidden one is often a faint one, of which only the tip was traced: the peak's shape.
        let high = HIDDEN_MOST * largest_hidden(&at.corrected, at.blur.sigma, level).get();
        Some(Interval { value: (HIDDEN_SHARE * high).min(at.vca.value.get()), low: 0.0, high })
    }
}

/// Level, as a share of full-signal power, below which nothing is displayed where only colour is stored: the highest
/// that is to be expected
const HIDDEN_LEVEL_COLOUR: f64 = 0.6;
/// Share of the most that can hide that is taken for the area (tuning phantoms, whole beats of seeds 6000 to 6299)
const HIDDEN_SHARE: f64 = 0.38;
/// What the most that can hide may be off by, since shape and point spread are those of the peak frame
const HIDDEN_MOST: f64 = 1.7;
/// So many frames before the first and after the last in which it is seen a jet may hide (our own choice)
const BEYOND: usize = 3;

impl Beat {
    /// Finds the jets of a volume and measures them in every frame
    ///
    /// A jet that can be traced in no frame is none. The largest comes first, so that one bears one number in findings
    /// and results alike.
    ///
    /// # Errors
    /// See [`MeasureError`].
    pub fn of(
        volume: &Volume4,
        options: &JetOptions,
        anterior_posterior: Option<Direction>,
        watch: &Watch,
    ) -> Result<Self, MeasureError> {
        let (scale, mut jets) = jet::find(volume, options, watch)?;
        let mut stage = "measuring the frames";
        loop {
            let mut frames = in_frames(volume, scale, &jets, anterior_posterior, watch, stage)?;
            let found = jets.len();
            jets = distinct(jets, &frames);
            if jets.len() < found {
                // The others' convergences are measured again without it beside them.
                stage = "measuring without one";
                continue;
            }
            count_once(&mut frames);
            let settled = jets.iter_mut().zip(frames).map(|(jet, mut frames)| {
                together(jet, &mut frames);
                JetBeat::settled(jet, frames, scale)
            });
            let mut jets: Vec<JetBeat> = settled.collect();
            let largest = |jet: &JetBeat| jet.peak().map_or(0.0, |(_, at)| at.vca().value);
            jets.sort_by(|a, b| largest(b).total_cmp(&largest(a)));
            return Ok(Self { scale, jets });
        }
    }
}

/// One jet in one frame, as the frame shows it by itself
#[derive(Default)]
struct AtFrame {
    /// The program's tracing and its convergence; `None` where the jet is absent or cannot be traced
    traced: Option<(Assessment, Result<Zone, ZoneError>)>,
    /// Whether the jet shows and its vena contracta does not ([`hides_neck`])
    hides: bool,
}

impl AtFrame {
    /// The effective outline where it lies
    fn effective(&self) -> Option<Placed> {
        let (at, _) = self.traced.as_ref()?;
        Some(Placed { plane: at.cut, outline: at.corrected.clone() })
    }
}

/// Leaves to the larger what two jets trace over each other in a frame, so that no area is counted twice (a long slit may
/// be read in parts in most frames and whole, by each of them, in others)
fn count_once(frames: &mut [Vec<AtFrame>]) {
    let count = frames.first().map_or(0, Vec::len);
    for frame in 0..count {
        let mut placed: Vec<(usize, Placed)> = frames
            .iter()
            .enumerate()
            .filter_map(|(jet, frames)| Some((jet, frames[frame].effective()?)))
            .collect();
        placed.sort_by(|a, b| b.1.outline.area().get().total_cmp(&a.1.outline.area().get()));
        let mut kept: Vec<Placed> = Vec::new();
        for (jet, own) in placed {
            if kept.iter().any(|known| known.is_over(&own)) {
                frames[jet][frame].traced = None;
            } else {
                kept.push(own);
            }
        }
    }
}

/// The jets that are traced, each once: one whose effective outline lies over a larger one's in half of the frames that both
/// have is that one, and where it alone was found lends it its pose
fn distinct(jets: Vec<Jet>, frames: &[Vec<AtFrame>]) -> Vec<Jet> {
    let outlines: Vec<Vec<Option<Placed>>> =
        frames.iter().map(|frames| frames.iter().map(AtFrame::effective).collect()).collect();
    let mut kept: Vec<(Jet, usize)> = Vec::new();
    for (index, jet) in jets.into_iter().enumerate() {
        if outlines[index].iter().all(Option::is_none) {
            continue;
        }
        let over = |other: usize| {
            let both = outlines[index].iter().zip(&outlines[other]);
            let over: Vec<bool> =
                both.filter_map(|(one, two)| Some(one.as_ref()?.is_over(two.as_ref()?))).collect();
            over.contains(&true) && 2 * over.iter().filter(|over| **over).count() >= over.len()
        };
        match kept.iter_mut().find(|(_, other)| over(*other)) {
            Some((known, _)) => known.fill_from(jet),
            None => kept.push((jet, index)),
        }
    }
    kept.into_iter().map(|(jet, _)| jet).collect()
}

/// Lays the areas of a jet on one course through the beat
fn together(jet: &mut Jet, frames: &mut [AtFrame]) {
    let single = |at: &AtFrame| {
        let arms = &at.traced.as_ref()?.0.arms;
        Some([arms.value_mm2, arms.half_width()])
    };
    let course = in_beat(&frames.iter().map(single).collect::<Vec<_>>());
    for ((pose, at), in_beat) in jet.poses.iter_mut().zip(frames).zip(course) {
        let (Some(pose), Some((tracing, zone))) = (pose, at.traced.take()) else { continue };
        pose.in_beat = in_beat;
        at.traced = Some((tracing.effective(&pose.section()), zone));
    }
}

/// The pose by which a jet is looked for in a frame: its own or that of the nearest frame, and the frame it is of
fn known(jet: &Jet, frame: usize) -> Option<(usize, &JetPose)> {
    jet.poses[frame].as_ref().map(|own| (frame, own)).or_else(|| jet.beside(frame))
}

/// The jets in every frame: `[jet][frame]`
fn in_frames(
    volume: &Volume4,
    scale: SignalScale,
    jets: &[Jet],
    anterior_posterior: Option<Direction>,
    watch: &Watch,
    stage: &str,
) -> Result<Vec<Vec<AtFrame>>, Cancelled> {
    let by_frame =
        volume.each_frame(watch, stage, |frame| in_frame(volume, scale, jets, frame, anterior_posterior))?;
    let mut by_jet: Vec<Vec<AtFrame>> = jets.iter().map(|_| Vec::with_capacity(by_frame.len())).collect();
    for frame in by_frame {
        for (of_jet, at) in by_jet.iter_mut().zip(frame) {
            of_jet.push(at);
        }
    }
    Ok(by_jet)
}

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
    let traced: Vec<Option<Assessment>> =
        jets.iter().map(|jet| tracer.seek(&jet.poses[frame].as_ref()?.section()).ok()).collect();
    let poses: Vec<Option<(VolumePoint, Direction)>> =
        jets.iter().map(|jet| jet.poses[frame].as_ref().map(|pose| (pose.neck, pose.axis))).collect();
    let hides = |index: usize| {
        let others: Vec<_> = (0..jets.len()).filter(|o| *o != index).filter_map(|o| poses[o]).collect();
        let known = known(&jets[index], frame).filter(|_| traced[index].is_none() && may_hide(&jets[index]));
        known.is_some_and(|(_, known)| hides_neck(&signal, known, &others))
    };
    let hides: Vec<bool> = (0..jets.len()).map(hides).collect();
    // The convergence takes as much memory again.
    drop(signal);
    let open: Vec<(usize, Opening<'_>)> = (0..jets.len())
        .filter_map(|index| {
            let (pose, at) = (jets[index].poses[frame].as_ref()?, traced[index].as_ref()?);
            let upstream_mm = pose.profile.lip_mm();
            Some((index, Opening { plane: &at.cut, outline: &at.corrected, upstream_mm }))
        })
        .collect();
    let openings: Vec<Opening<'_>> = open.iter().map(|(_, opening)| *opening).collect();
    let mut zones: Vec<Option<Result<Zone, ZoneError>>> = vec![None; jets.len()];
    for ((index, _), zone) in open.iter().zip(convergences(volume, frame, &openings)) {
        zones[*index] = Some(zone);
    }
    traced
        .into_iter()
        .zip(zones)
        .zip(hides)
        .map(|((at, zone), hides)| AtFrame { traced: at.zip(zone), hides })
        .collect()
}
