//! From a volume to its jets.

use crate::job::{Cancelled, Watch};
use crate::space::{Cut, Direction, VolumePoint, VoxelPoint};
use crate::volume::Volume4;

use super::link::{Jet, link, merged};
use super::pose::{Guess, JetPose, Part, refine};
use super::section::SectionPlan;
use super::seed::{Seed, seeds};
use super::settle::{LIKELY, Settled, all_apart, settle, starts};
use super::{Signal, SignalScale};

/// How jets are looked for
#[derive(Clone, Debug)]
pub struct JetOptions {
    /// At most so many jets are kept, the largest
    pub most: usize,
}

impl Default for JetOptions {
    fn default() -> Self {
        Self { most: 5 }
    }
}

/// Why jets could not be looked for
#[derive(Debug, thiserror::Error, PartialEq)]
pub enum JetError {
    /// The volume has no velocity channel
    #[error("the volume has no velocity channel")]
    NoVelocity,
    /// The work was asked to stop
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

/// The jets of a volume, the largest first; empty when there is none
///
/// # Errors
/// See [`JetError`].
pub fn find(
    volume: &Volume4,
    options: &JetOptions,
    watch: &Watch,
) -> Result<(SignalScale, Vec<Jet>), JetError> {
    let scale = SignalScale::of(volume).ok_or(JetError::NoVelocity)?;
    let beam = volume.beam_at(volume.grid.middle()).unwrap_or(volume.grid.axes()[2]);
    let mut jets = link(in_frames(volume, scale, beam, watch, "finding the jets")?, options.most);
    fill_gaps(volume, scale, &mut jets, watch)?;
    Ok((scale, merged(jets)))
}

/// The jets of each frame that show in planes across some directions
fn in_frames(
    volume: &Volume4,
    scale: SignalScale,
    across: Direction,
    watch: &Watch,
    stage: &str,
) -> Result<Vec<Vec<JetPose>>, Cancelled> {
    volume.each_frame(watch, stage, |frame| {
        let signal = Signal::new(volume, frame, scale);
        signal.map(|signal| in_frame(volume, &signal, frame, across)).unwrap_or_default()
    })
}

/// At most so many places are looked at in a frame, the widest
const MOST_SEEDS: usize = 16;

/// The jets of one frame
fn in_frame(volume: &Volume4, signal: &Signal, frame: usize, across: Direction) -> Vec<JetPose> {
    let plan = SectionPlan::default();
    let mut poses: Vec<JetPose> = Vec::new();
    for seed in seeds(signal, across).into_iter().take(MOST_SEEDS) {
        let normal = across;
        let axis = flow_sense(volume, signal, frame, &seed);
        let levels = [signal.tracing_level(), signal.seeing_level()];
        // A broad or bent stream can lean the first axis so far that the planes slide off the jet:
        // their own direction is the second guess.
        let straight = if normal.dot(&axis) < 0.0 { -normal } else { normal };
        let pose = [axis, straight].into_iter().find_map(|axis| {
            let guess = Guess { point: seed.centre, axis };
            levels.iter().find_map(|level| refine(signal, guess, &plan, *level).filter(is_a_jet))
        });
        poses.extend(pose);
    }
    // Several guesses lead to one neck, or to a false one farther along the same stream.
    poses.sort_by(|a, b| a.area_mm2.total_cmp(&b.area_mm2));
    let mut kept: Vec<JetPose> = Vec::new();
    for pose in poses {
        let same = |known: &JetPose| {
            let offset = pose.neck.from(known.neck);
            let along = known.axis.dot(&offset);
            (offset - known.axis.into_inner() * along).norm() < 3.0 && along.abs() < 12.0
        };
        if !kept.iter().any(same) {
            kept.push(pose);
        }
    }
    // The network has the last word on each, and looks where flow is incoherent besides.
    let extent = |area_mm2: f64| 2.6 * (area_mm2 / std::f64::consts::PI).sqrt();
    let beam = |at: VolumePoint| volume.beam_at(at).unwrap_or(volume.grid.axes()[2]);
    let sense = |at: VolumePoint| {
        flow_sense(volume, signal, frame, &Seed { centre: at, axis: beam(at), area_mm2: 0.0 })
    };
    let mut found: Vec<Settled> = kept
        .iter()
        .filter_map(|pose| settle(signal, Cut::perpendicular_to(pose.neck, pose.axis), extent(pose.area_mm2)))
        .collect();
    for start in starts(signal, sense) {
        if !found.iter().any(|known| known.is_near(start.centre())) {
            found.extend(settle(signal, start, UNKNOWN_EXTENT_MM));
        }
    }
    // A look from afar goes to the nearer or the larger of two beside each other: look beside the surest, and beside
    // what that finds.
    let mut looked: Vec<VolumePoint> = Vec::new();
    while looked.len() < MOST_LOOKS {
        found = all_apart(found);
        let least = found.first().map_or(0.0, Settled::orifice) - LIKELY;
        let likely = || found.iter().filter(|known| known.orifice() > least);
        let Some(known) = likely().find(|known| !looked.iter().any(|at| known.is_near(*at))) else { break };
        looked.push(known.centre());
        let starts = known.beside(signal).into_iter();
        let unknown = starts.filter(|(start, _)| !likely().any(|known| known.is_near(start.centre())));
        let more: Vec<Settled> =
            unknown.filter_map(|(start, extent)| settle(signal, start, extent)).collect();
        found.extend(more);
    }
    let apart = all_apart(found);
    let mut poses: Vec<JetPose> = apart.iter().map(|settled| settled.pose(signal)).collect();
    poses.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2));
    poses
}

/// In one frame it is looked beside at most so many jets, none less sure than the surest by [`LIKELY`] (our own choice)
const MOST_LOOKS: usize = 3;

/// Length of what is displayed where nothing is known yet, mm
const UNKNOWN_EXTENT_MM: f64 = 10.0;

/// A stream counts as a jet when fast flow is seen about its neck and its area has a minimum there
/// between wider flow and a jet that goes on
///
/// One of the two sides may be missing, but not where the volume ends at the neck; and where both
/// are there, less haste will do (a wide core can be nearly coherent).
fn is_a_jet(pose: &JetPose) -> bool {
    let both = pose.convergence == Part::Found && pose.expansion == Part::Found;
    let one = pose.convergence == Part::Found || pose.expansion == Part::Found;
    pose.haste > if both { 0.08 } else { 0.12 }
        && pose.area_mm2 > 3.0
        && pose.contraction == Part::Found
        && (both || (one && pose.whole == Part::Found))
}

/// Coherent flow within this distance tells which way an axis runs, mm
const SENSE_WITHIN_MM: f64 = 30.0;
/// Voxels that have lost more coherence than this tell nothing
const CALM: f32 = 0.15;

/// Of the two senses of a stream's axis, the one the flow takes
///
/// Coherent flow around the place is mostly convergence: its displayed velocity, positive toward
/// the probe, tells which way the blood goes. Where that is undecided (no apex, or velocities that
/// cancel) the coherent side is upstream.
fn flow_sense(volume: &Volume4, signal: &Signal, frame: usize, seed: &Seed) -> Direction {
    let (centre, axis) = (seed.centre, seed.axis);
    let Some((velocity, scale)) = volume.velocity() else { return axis };
    let (codes, grid) = (velocity.frame(frame), &volume.grid);
    let (haste, shape) = (signal.haste_field(), grid.shape());
    let mut along = 0.0;
    let mut coherent_side = 0.0;
    let mut count = 0.0;
    // All colour lies in the part that the field keeps.
    for i in haste.kept().rows(shape).flatten() {
        let place = [i % shape[0], i / shape[0] % shape[1], i / (shape[0] * shape[1])];
        let code = codes.at(i);
        if code == scale.zero_code() || haste.value(place) > CALM {
            continue;
        }
        let [x, y, z] = place.map(|n| n as f64);
        let point = grid.volume_from_voxel(VoxelPoint::new(x, y, z));
        let offset = point.from(centre);
        if offset.norm() > SENSE_WITHIN_MM {
            continue;
        }
        count += 1.0;
        coherent_side += axis.dot(&offset).signum();
        let velocity = scale.velocity(code) / scale.nyquist();
        if velocity.abs() < 0.9
            && let Some(beam) = volume.beam_at(point)
        {
            along -= velocity * beam.dot(&axis);
        }
    }
    if count < 1.0 {
        return axis;
    }
    let sense = if (along / count).abs() > 0.02 { along } else { -coherent_side };
    if sense < 0.0 { -axis } else { axis }
}

/// Looks again, from the neighbouring frame's pose, where a jet was missed between frames
///
/// Away from the frame in which it is largest, to both sides at once: neither needs the other.
fn fill_gaps(volume: &Volume4, scale: SignalScale, jets: &mut [Jet], watch: &Watch) -> Result<(), Cancelled> {
    let total = jets.len();
    let again = |frame: usize, beside: Option<&JetPose>| looked_again(volume, scale, frame, beside?);
    for (done, jet) in jets.iter_mut().enumerate() {
        let peak = jet.largest();
        let (before, after) = jet.poses.split_at_mut(peak);
        let largest = after[0].clone();
        let later = || {
            for i in (1..after.len()).filter(|i| after[*i].is_none()).collect::<Vec<_>>() {
                let beside = after[i - 1].as_ref().or(after.get(i + 1).and_then(Option::as_ref));
                after[i] = again(peak + i, beside);
            }
        };
        let earlier = || {
            for i in (0..before.len()).rev().filter(|i| before[*i].is_none()).collect::<Vec<_>>() {
                let next = before.get(i + 1).unwrap_or(&largest).as_ref();
                let beside = i.checked_sub(1).and_then(|b| before[b].as_ref()).or(next);
                before[i] = again(i, beside);
            }
        };
        volume.both(later, earlier);
        watch.step("following the jets", done + 1, total)?;
    }
    Ok(())
}

/// The pose in a frame that lies near the one known from the frame beside it
fn looked_again(volume: &Volume4, scale: SignalScale, frame: usize, known: &JetPose) -> Option<JetPose> {
    let signal = Signal::new(volume, frame, scale)?;
    let extent = 2.6 * (known.area_mm2 / std::f64::consts::PI).sqrt();
    let pose = settle(&signal, Cut::perpendicular_to(known.neck, known.axis), extent)?.pose(&signal);
    known.apart(&pose).is_some().then_some(pose)
}
