//! A jet that shows on both sides of its neck, where the neck itself does not.
//!
//! A narrow neck blurred by the point spread may pass the colour gain nowhere, and a slow one may wrap to a
//! velocity that the wall filter takes away: the colour has a gap there, while the blood that converges before
//! it and the jet behind it are displayed. Such a frame is not one without a leak.

use crate::space::{Cut, CutPoint, Direction, VolumePoint};

use super::section::{CutOff, Section, SectionPlan, regions};
use super::{JetPose, Signal};

/// Regions smaller than this are speckle, mm2
const SPECKLE_MM2: f64 = 3.0;
/// Distance between the planes that are looked at, mm
const STEP_MM: f64 = 0.7;
/// Where along the axis the gap may lie, mm from the neck
const GAP_MM: [f64; 2] = [-3.0, 2.5];
/// Where converging blood and the jet are looked for, mm from the neck
const UPSTREAM_MM: [f64; 2] = [-8.0, -2.0];
const DOWNSTREAM_MM: [f64; 2] = [2.0, 9.0];
/// How far from the axis each may lie, mm
const BESIDE_MM: f64 = 3.5;
/// Share of the planes of either side that must show it (our own choice)
const SHARE: f64 = 0.5;
/// Haste of the jet behind the gap, as a share of that of the known pose (our own choice)
const HASTE: f64 = 0.6;
/// Converging blood has less haste than this somewhere; noise drawn as colour has more everywhere (our own
/// choice, on simulated acquisitions)
const CALM: f64 = 0.3;

/// Whether a jet known from another frame goes on in this one with its neck not displayed; `others` are necks and
/// axes of the other jets in it, whose streams are not this one's
pub fn hides_neck(signal: &Signal, known: &JetPose, others: &[(VolumePoint, Direction)]) -> bool {
    let at = Planes { signal, base: Cut::perpendicular_to(known.neck, known.axis), others };
    let jet = |section: &Section| section.haste >= HASTE * known.haste && section.cut_off == CutOff::No;
    positions(GAP_MM).any(|position| !at.shows(position, |_| true))
        && at.share(DOWNSTREAM_MM, jet) >= SHARE
        && at.share(UPSTREAM_MM, |_| true) >= SHARE
        && positions(UPSTREAM_MM).any(|position| at.shows(position, |section| section.haste <= CALM))
}

fn positions([from, to]: [f64; 2]) -> impl Iterator<Item = f64> {
    let count = ((to - from) / STEP_MM) as usize;
    (0..=count).map(move |i| from + i as f64 * STEP_MM)
}

/// Planes perpendicular to an axis
struct Planes<'a> {
    signal: &'a Signal,
    base: Cut,
    others: &'a [(VolumePoint, Direction)],
}

impl Planes<'_> {
    /// Share of the planes between two positions on which such a section is displayed
    fn share(&self, between: [f64; 2], is_such: impl Fn(&Section) -> bool) -> f64 {
        let (mut shown, mut all) = (0.0, 0.0);
        for position in positions(between) {
            all += 1.0;
            shown += f64::from(u8::from(self.shows(position, &is_such)));
        }
        shown / all
    }

    /// Whether such a section is displayed on the axis or near it
    fn shows(&self, position: f64, is_such: impl Fn(&Section) -> bool) -> bool {
        self.on_axis(position).iter().any(is_such)
    }

    /// What is displayed on the axis or near it and on no other jet's
    fn on_axis(&self, position: f64) -> Vec<Section> {
        let (plan, cut) = (SectionPlan::default(), self.base.at_level(position));
        let others: Vec<VolumePoint> = self
            .others
            .iter()
            .map(|(neck, axis)| {
                let along = cut.normal().dot(axis);
                let way = cut.normal().dot(&cut.centre().from(*neck)) / along;
                neck.moved(axis.into_inner() * if along.abs() > 0.2 { way } else { 0.0 })
            })
            .collect();
        let near = |region: &Section| {
            region.holds(&cut, &plan, cut.centre())
                || region.centre.distance(CutPoint::default()) <= BESIDE_MM
        };
        regions(self.signal, &cut, &plan, self.signal.seeing_level(), position)
            .into_iter()
            .filter(|region| region.area_mm2 >= SPECKLE_MM2)
            .filter(|region| !others.iter().any(|other| region.holds(&cut, &plan, *other)))
            .filter(near)
            .collect()
    }
}
