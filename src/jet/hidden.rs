//! A jet that shows on both sides of its neck, where the neck itself does not.
//!
//! A narrow neck blurred by the point spread may pass the colour gain nowhere, and a slow one may wrap to a
//! velocity that the wall filter takes away: the colour has a gap there, while the blood that converges before
//! it and the jet behind it are displayed. Such a frame is not one without a leak.

use crate::space::{Cut, CutPoint};

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

/// Whether a jet known from another frame goes on in this one with its neck not displayed
pub fn hides_neck(signal: &Signal, known: &JetPose) -> bool {
    let at = Planes { signal, base: Cut::perpendicular_to(known.neck, known.axis) };
    let jet = |section: &Section| section.haste >= HASTE * known.haste && section.cut_off == CutOff::No;
    positions(GAP_MM).any(|position| at.on_axis(position).is_none())
        && at.share(DOWNSTREAM_MM, jet) >= SHARE
        && at.share(UPSTREAM_MM, |_| true) >= SHARE
}

/// Largest mean haste of the cross-sections up to 4 mm before and behind a cut: that of a pose whose planes
/// were not followed
pub fn haste_about(signal: &Signal, cut: &Cut) -> f64 {
    let at = Planes { signal, base: *cut };
    let sections = positions([-4.0, 4.0]).filter_map(|position| at.on_axis(position));
    sections.map(|section| section.haste).fold(0.0, f64::max)
}

fn positions([from, to]: [f64; 2]) -> impl Iterator<Item = f64> {
    let count = ((to - from) / STEP_MM) as usize;
    (0..=count).map(move |i| from + i as f64 * STEP_MM)
}

/// Planes perpendicular to an axis
struct Planes<'a> {
    signal: &'a Signal,
    base: Cut,
}

impl Planes<'_> {
    /// Share of the planes between two positions on which such a section is displayed
    fn share(&self, between: [f64; 2], is_such: impl Fn(&Section) -> bool) -> f64 {
        let (mut shown, mut all) = (0.0, 0.0);
        for position in positions(between) {
            all += 1.0;
            shown += f64::from(u8::from(self.on_axis(position).as_ref().is_some_and(&is_such)));
        }
        shown / all
    }

    /// What is displayed on the axis or near it
    fn on_axis(&self, position: f64) -> Option<Section> {
        let (plan, cut) = (SectionPlan::default(), self.base.at_level(position));
        let near = |region: &Section| {
            region.centre.distance(CutPoint::default()) <= BESIDE_MM
                || region.holds(&cut, &plan, cut.centre())
        };
        let level = self.signal.seeing_level();
        regions(self.signal, &cut, &plan, level, position)
            .into_iter()
            .filter(|region| region.area_mm2 >= SPECKLE_MM2 && near(region))
            .max_by(|a, b| a.haste.total_cmp(&b.haste))
    }
}
