//! One jet through the beat: poses of single frames put together.

use crate::space::angle_between;

use super::JetPose;

/// One jet, frame by frame
#[derive(Clone, Debug)]
pub struct Jet {
    /// Its pose in each frame, `None` where its neck is not seen
    pub poses: Vec<Option<JetPose>>,
}

impl Jet {
    /// The frame in which its displayed area is largest
    ///
    /// # Panics
    /// Never: a jet has at least one pose.
    pub fn largest(&self) -> usize {
        let area = |pose: &Option<JetPose>| pose.as_ref().map_or(-1.0, |p| p.area_mm2);
        (0..self.poses.len())
            .max_by(|a, b| area(&self.poses[*a]).total_cmp(&area(&self.poses[*b])).then(b.cmp(a)))
            .unwrap_or(0)
    }

    /// The pose of the frame nearest to one that has none of its own
    pub fn beside(&self, frame: usize) -> Option<(usize, &JetPose)> {
        let known = self.poses.iter().enumerate().filter_map(|(other, pose)| Some((other, pose.as_ref()?)));
        known.min_by_key(|(other, _)| (other.abs_diff(frame), *other))
    }

    /// Frames in which its neck is seen
    pub fn present(&self) -> usize {
        self.poses.iter().flatten().count()
    }
}

/// Necks farther apart than this in neighbouring frames are different jets, mm
const SAME_NECK_MM: f64 = 5.0;
/// Necks nearer than this in one frame are one, mm (orifices lie 6 mm apart or more)
const ONE_NECK_MM: f64 = 4.0;
/// Axes farther apart than this are different jets, radians
const SAME_AXIS: f64 = 0.6;

/// Beside a surer one, a jet has at least this logit in some frame, and no less than that of the surest by more than
/// this (solved tuning geometries: three in four have more than 8, and false ones less)
const SURE: f64 = 6.0;
const BELOW: f64 = 4.0;

/// Puts together what turned out to be one jet: pieces of its way through the beat, each followed through all frames
///
/// The jets come the largest first; another is the same where most of its necks lie within [`ONE_NECK_MM`] of the first's
/// in that frame or the nearest that has it.
pub(super) fn merged(jets: Vec<Jet>) -> Vec<Jet> {
    let mut apart: Vec<Jet> = Vec::new();
    for jet in jets {
        let same = |known: &Jet| {
            let placed =
                jet.poses.iter().enumerate().filter_map(|(frame, pose)| Some((frame, pose.as_ref()?)));
            let beside = placed.filter_map(|(frame, pose)| Some((pose, known.beside(frame)?.1)));
            let near: Vec<bool> =
                beside.map(|(pose, other)| other.neck.from(pose.neck).norm() < ONE_NECK_MM).collect();
            2 * near.iter().filter(|near| **near).count() > near.len()
        };
        match apart.iter_mut().find(|known| same(known)) {
            Some(known) => {
                for (own, other) in known.poses.iter_mut().zip(jet.poses) {
                    *own = own.take().or(other);
                }
            }
            None => apart.push(jet),
        }
    }
    apart
}

/// Joins the poses of all frames into jets, the largest first, at most `most`
///
/// Poses are taken from the largest down; each joins the nearest jet that has none in its frame,
/// or starts another. A jet seen in one frame only, of five or more, is noise.
pub(super) fn link(frames: Vec<Vec<JetPose>>, most: usize) -> Vec<Jet> {
    let count = frames.len();
    let mut all: Vec<(usize, JetPose)> = frames
        .into_iter()
        .enumerate()
        .flat_map(|(frame, poses)| poses.into_iter().map(move |pose| (frame, pose)))
        .collect();
    all.sort_by(|a, b| b.1.area_mm2.total_cmp(&a.1.area_mm2).then(a.0.cmp(&b.0)));
    let mut jets: Vec<Jet> = Vec::new();
    for (frame, pose) in all {
        let distance = |jet: &Jet| {
            jet.poses
                .iter()
                .flatten()
                .filter(|known| angle_between(&known.axis, &pose.axis) < SAME_AXIS)
                .map(|known| known.neck.from(pose.neck).norm())
                .fold(f64::INFINITY, f64::min)
        };
        let home = (0..jets.len())
            .filter(|j| distance(&jets[*j]) < SAME_NECK_MM)
            .min_by(|a, b| distance(&jets[*a]).total_cmp(&distance(&jets[*b])));
        match home {
            Some(j) if jets[j].poses[frame].is_none() => jets[j].poses[frame] = Some(pose),
            Some(j) if distance(&jets[j]) < 2.5 => {}
            _ => {
                let mut poses = vec![None; count];
                poses[frame] = Some(pose);
                jets.push(Jet { poses });
            }
        }
    }
    jets.retain(|jet| count < 5 || jet.present() >= 2);
    let sure =
        |jet: &Jet| jet.poses.iter().flatten().map(|pose| pose.orifice).fold(f64::NEG_INFINITY, f64::max);
    let surest = jets.iter().map(sure).fold(f64::NEG_INFINITY, f64::max);
    jets.retain(|jet| sure(jet) >= surest.min(SURE.max(surest - BELOW)));
    let size = |jet: &Jet| jet.poses.iter().flatten().map(|p| p.area_mm2).fold(0.0, f64::max);
    jets.sort_by(|a, b| size(b).total_cmp(&size(a)));
    jets.truncate(most);
    jets
}
