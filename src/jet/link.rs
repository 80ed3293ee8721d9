//! One jet through the beat: poses of single frames put together.

use crate::space::angle_between;

use super::{JetPose, Part};

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

    /// The frame in which it is surest, and its pose there
    fn surest(&self) -> Option<(usize, &JetPose)> {
        let known = self.poses.iter().enumerate().filter_map(|(frame, pose)| Some((frame, pose.as_ref()?)));
        known.max_by(|a, b| a.1.orifice.total_cmp(&b.1.orifice))
    }

    /// Whether one frame alone is enough to count it
    fn is_sure(&self) -> bool {
        self.surest().is_some_and(|(_, own)| own.is_sure())
    }

    /// Whether it is a jet of its own beside the surest of its valve
    fn counts_beside(&self, surest: &Self) -> bool {
        self.surest().is_some_and(|(frame, own)| {
            own.is_sure() && surest.beside(frame).is_some_and(|(_, known)| known.is_of_one_valve(own))
        })
    }

    /// Takes the poses of another where it has none
    pub fn fill_from(&mut self, other: Self) {
        for (own, other) in self.poses.iter_mut().zip(other.poses) {
            *own = own.take().or(other);
        }
    }

    /// Frames in which its neck is seen
    pub fn present(&self) -> usize {
        self.poses.iter().flatten().count()
    }
}

/// Necks farther apart than this across the jet are different jets, mm (orifices lie 6 mm apart or more)
const ASIDE_MM: f64 = 5.0;
/// Likewise along it, in different frames: the valve moves 5 to 10 mm through systole, mostly along its axis
const ALONG_MM: f64 = 10.0;
/// Of necks nearer than this across the jet in one frame one counts, mm
const ONE_NECK_MM: f64 = 4.0;
/// Axes farther apart than this are different jets, radians
const SAME_AXIS: f64 = 0.6;

/// The jets of one valve leave about the same way: axes farther apart than this are not its, radians; and from about one
/// surface: necks lie within [`ALONG_MM`] along them (our own choice, well beyond the saddle of an annulus)
const ONE_VALVE: f64 = 1.05;
/// Beside a surer one, or in one frame of many, a jet has at least this logit; less will do where its convergence,
/// contraction and expansion are seen whole (solved tuning geometries, seeds 300 to 555, where the network has seen them: all counted
/// right but one of 252)
const SURE: f64 = 8.0;
const SURE_COMPLETE: f64 = 6.0;

impl JetPose {
    /// Whether all of a jet is seen whole: convergence, contraction and expansion
    fn is_complete(&self) -> bool {
        [self.convergence, self.contraction, self.expansion, self.whole]
            .iter()
            .all(|part| *part == Part::Found)
    }

    /// Whether it is sure by itself to be a jet's
    fn is_sure(&self) -> bool {
        self.orifice >= if self.is_complete() { SURE_COMPLETE } else { SURE }
    }

    /// Whether another pose may be that of a jet through the same valve
    fn is_of_one_valve(&self, other: &Self) -> bool {
        let along = self.axis.dot(&other.neck.from(self.neck)).abs();
        along < ALONG_MM && angle_between(&self.axis, &other.axis) < ONE_VALVE
    }

    /// How far another pose lies from this one, mm across the jet and along it; `None` where it cannot be the same jet at
    /// another moment
    ///
    /// Outlines that overlap lie at one place: along a slit the middle is uncertain by more than the jets of two orifices
    /// lie apart.
    pub(super) fn apart(&self, other: &Self) -> Option<[f64; 2]> {
        let offset = other.neck.from(self.neck);
        let along = self.axis.dot(&offset).abs();
        let outlines = self.reading.as_ref().zip(other.reading.as_ref());
        let aside = if outlines.is_some_and(|(own, other)| own.is_over(other)) {
            0.0
        } else {
            (offset.norm_squared() - along * along).max(0.0).sqrt()
        };
        let same = angle_between(&self.axis, &other.axis) < SAME_AXIS && aside < ASIDE_MM && along < ALONG_MM;
        same.then_some([aside, along])
    }
}

/// Puts together what turned out to be one jet: pieces of its way through the beat, each followed through all frames
///
/// Another jet is the same where it lies like an earlier one in most of its frames: within [`ONE_NECK_MM`] across it in
/// that frame or the nearest that has it.
pub(super) fn merged(jets: Vec<Jet>) -> Vec<Jet> {
    let mut apart: Vec<Jet> = Vec::new();
    for jet in jets {
        let same = |known: &Jet| {
            let placed =
                jet.poses.iter().enumerate().filter_map(|(frame, pose)| Some((frame, pose.as_ref()?)));
            let beside = placed.filter_map(|(frame, pose)| Some((pose, known.beside(frame)?.1)));
            let near: Vec<bool> = beside
                .map(|(pose, other)| other.apart(pose).is_some_and(|[aside, _]| aside < ONE_NECK_MM))
                .collect();
            2 * near.iter().filter(|near| **near).count() > near.len()
        };
        match apart.iter_mut().find(|known| same(known)) {
            Some(known) => known.fill_from(jet),
            None => apart.push(jet),
        }
    }
    apart
}

/// Joins the poses of all frames into jets, the largest first, at most `most`
///
/// Poses are taken from the surest down; each joins the nearest jet that has none in its frame, or starts another. Beside a
/// surer one of its frame it is that one again. A jet seen in one frame only, of five or more, is
/// noise unless it is sure there.
pub(super) fn link(frames: Vec<Vec<JetPose>>, most: usize) -> Vec<Jet> {
    let count = frames.len();
    let mut all: Vec<(usize, JetPose)> = frames
        .into_iter()
        .enumerate()
        .flat_map(|(frame, poses)| poses.into_iter().map(move |pose| (frame, pose)))
        .collect();
    all.sort_by(|a, b| b.1.orifice.total_cmp(&a.1.orifice).then(a.0.cmp(&b.0)));
    let mut jets: Vec<Jet> = Vec::new();
    for (frame, pose) in all {
        let again = |jet: &Jet| {
            let known = jet.poses[frame].as_ref();
            known.and_then(|known| known.apart(&pose)).is_some_and(|[aside, _]| aside < ONE_NECK_MM)
        };
        if jets.iter().any(again) {
            continue;
        }
        // What moves along the axis counts half.
        let distance = |jet: &Jet| {
            let known = jet.poses.iter().flatten().filter_map(|known| known.apart(&pose));
            known.map(|[aside, along]| libm::hypot(aside, along / 2.0)).reduce(f64::min)
        };
        let free = jets.iter_mut().filter(|jet| jet.poses[frame].is_none());
        let home = free.filter_map(|jet| Some((distance(jet)?, jet))).min_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((_, jet)) = home {
            jet.poses[frame] = Some(pose);
        } else {
            let mut poses = vec![None; count];
            poses[frame] = Some(pose);
            jets.push(Jet { poses });
        }
    }
    jets.retain(|jet| count < 5 || jet.present() >= 2 || jet.is_sure());
    // The first holds the surest pose of all.
    let others = jets.split_off(jets.len().min(1));
    let beside = others.into_iter().filter(|jet| jet.counts_beside(&jets[0])).collect::<Vec<Jet>>();
    jets.extend(beside);
    let size = |jet: &Jet| jet.poses.iter().flatten().map(|p| p.effective_mm2).fold(0.0, f64::max);
    jets.sort_by(|a, b| size(b).total_cmp(&size(a)));
    jets.truncate(most);
    jets
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::jet::{InBeat, NeckProfile};
    use crate::space::{VolumePoint, direction};
    use nalgebra::Vector3;

    fn pose(x: f64, z: f64, orifice: f64) -> JetPose {
        let neck = VolumePoint::new(x, 0.0, z);
        JetPose {
            neck,
            narrowest: neck,
            axis: direction(Vector3::z()).unwrap(),
            axis_error: 0.03,
            level_error_mm: 0.5,
            area_mm2: 60.0,
            effective_mm2: 40.0 + x,
            haste: 0.5,
            convergence: Part::Found,
            contraction: Part::Found,
            expansion: Part::Found,
            whole: Part::Found,
            orifice,
            reading: None,
            profile: NeckProfile::default(),
            in_beat: InBeat::default(),
        }
    }

    fn present(jets: &[Jet]) -> Vec<usize> {
        jets.iter().map(Jet::present).collect()
    }

    #[test]
    fn a_valve_that_moves_along_its_axis_keeps_its_jet() {
        let frames = (0..3).map(|i| vec![pose(0.5 * f64::from(i), 4.5 * f64::from(i), 10.0)]).collect();
        assert_eq!(present(&link(frames, 5)), [3]);
    }

    #[test]
    fn two_orifices_that_move_together_stay_two() {
        let both = |i: f64| vec![pose(0.0, 4.0 * i, 11.0), pose(6.0, 4.0 * i, 10.0)];
        let jets = merged(link((0..3).map(|i| both(f64::from(i))).collect(), 5));
        assert_eq!(present(&jets), [3, 3]);
        // The larger first, and each keeps its side.
        for (jet, x) in jets.iter().zip([6.0, 0.0]) {
            assert!(jet.poses.iter().flatten().all(|pose| (pose.neck.to_array()[0] - x).abs() < 1e-9));
        }
    }

    #[test]
    fn what_flows_another_way_or_elsewhere_is_no_jet_of_the_valve() {
        let jet = || pose(0.0, 0.0, 10.0);
        let beside = |other: JetPose| present(&link(vec![vec![jet(), other]], 5)).len();
        assert_eq!(beside(pose(10.0, 2.0, 9.5)), 2);
        assert_eq!(beside(pose(10.0, 14.0, 9.5)), 1);
        assert_eq!(beside(JetPose { axis: -jet().axis, ..pose(10.0, 2.0, 9.5) }), 1);
        // It is the surest that the valve is taken from.
        assert_eq!(
            link(vec![vec![jet(), pose(10.0, 14.0, 11.0)]], 5)[0].poses[0].as_ref().unwrap().orifice,
            11.0
        );
    }

    #[test]
    fn less_will_do_for_a_second_jet_that_is_seen_whole() {
        let beside = |other: JetPose| present(&link(vec![vec![pose(0.0, 0.0, 10.0), other]], 5)).len();
        let partly = |orifice: f64| JetPose { convergence: Part::Missing, ..pose(10.0, 2.0, orifice) };
        assert_eq!([5.5, 6.5].map(|orifice| beside(pose(10.0, 2.0, orifice))), [1, 2]);
        assert_eq!([6.5, 8.5].map(|orifice| beside(partly(orifice))), [1, 2]);
    }

    #[test]
    fn what_shows_in_one_frame_of_many_counts_where_it_is_sure() {
        // A short regurgitation may be open in a single frame.
        let once = |found: JetPose| {
            let frames = (0..7).map(|i| if i == 1 { vec![found.clone()] } else { Vec::new() }).collect();
            present(&link(frames, 5))
        };
        let partly = |orifice: f64| JetPose { convergence: Part::Missing, ..pose(0.0, 0.0, orifice) };
        assert_eq!(once(pose(0.0, 0.0, 6.5)), [1]);
        assert_eq!(once(partly(8.5)), [1]);
        assert!(once(partly(6.5)).is_empty() && once(pose(0.0, 0.0, 5.0)).is_empty());
    }

    #[test]
    fn a_second_reading_along_the_same_jet_is_none() {
        let frames = (0..3).map(|_| vec![pose(0.0, 0.0, 12.0), pose(1.0, 7.0, 11.0)]).collect();
        assert_eq!(present(&link(frames, 5)), [3]);
    }

    #[test]
    fn pieces_of_one_way_are_put_together() {
        let piece =
            |frames: [Option<f64>; 3]| Jet { poses: frames.map(|z| Some(pose(0.0, z?, 10.0))).into() };
        let jets = merged(vec![piece([Some(0.0), None, None]), piece([None, Some(6.0), Some(8.0)])]);
        assert_eq!(present(&jets), [3]);
        let far = merged(vec![piece([Some(0.0), None, None]), piece([None, Some(16.0), Some(18.0)])]);
        assert_eq!(present(&far), [1, 2]);
    }
}
