//! The neck and the axis of one jet in one frame.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::outline::Placed;
use crate::space::{Cut, Direction, VolumePoint, direction};

use super::Signal;
use super::section::{CentreLine, CutOff, Section, SectionPlan, centre_line, follow, start};

/// Whether a part of a complete jet is seen
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Part {
    /// Recognised
    Found,
    /// Not recognised
    Missing,
}

/// Cross-section area against position along the jet axis
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NeckProfile {
    /// Position along the axis in mm, 0 at the neck, positive downstream; rising
    pub positions_mm: Vec<f64>,
    /// Area at the tracing level in mm2
    pub areas_mm2: Vec<f64>,
    /// Mean haste of the cross-section
    pub haste: Vec<f64>,
}

/// Where one jet's neck is in one frame and where the jet points
#[derive(Clone, Debug)]
pub struct JetPose {
    /// Centre of the neck: where the contraction ends
    pub neck: VolumePoint,
    /// Centre of the plane with the least displayed area, a little upstream of the neck
    pub narrowest: VolumePoint,
    /// Along the flow
    pub axis: Direction,
    /// Standard error of the axis, radians
    pub axis_error: f64,
    /// Standard error of the neck's position along the axis, mm
    pub level_error_mm: f64,
    /// Area at the tracing level, as displayed, mm2: for ranking, not for reporting
    pub area_mm2: f64,
    /// Effective area as the network reads it, mm2, the displayed one where it has not looked; for ranking, not for reporting
    pub effective_mm2: f64,
    /// Largest mean haste of a cross-section within 4 mm of the neck
    pub haste: f64,
    /// Flow convergence upstream
    pub convergence: Part,
    /// A minimum between wider cross-sections
    pub contraction: Part,
    /// Widening downstream
    pub expansion: Part,
    /// Whether the neck's cross-section lies whole inside the volume
    pub whole: Part,
    /// Logit of the probability that there is a vena contracta at all; 0 where the network has not looked yet
    pub orifice: f64,
    /// The effective outline as the network reads it, where it has looked
    pub(super) reading: Option<Placed>,
    /// Area along the axis
    pub profile: NeckProfile,
    /// What the other frames of the beat make of its area
    pub in_beat: InBeat,
}

/// What the other frames of a beat make of the area that one frame shows by itself
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InBeat {
    /// Logarithm of the area on the beat's smooth course over the frame's own
    pub shift: f64,
    /// Half-width of the interval on the course over the frame's own
    pub narrowing: f64,
}

impl Default for InBeat {
    /// Nothing
    fn default() -> Self {
        Self { shift: 0.0, narrowing: 1.0 }
    }
}

/// The wall's face is where the stream upstream is so many times as wide as at its least (set on solved jets by an
/// outside study; our own tuning geometries keep it)
const LIP_WIDENS: f64 = 1.8;
/// And a little downstream of it, mm (the same study)
const LIP_BEYOND_MM: f64 = 0.4;

impl NeckProfile {
    /// How far upstream of the VC plane the wall's upstream face lies, mm; 0 where the profile does not tell
    pub fn lip_mm(&self) -> f64 {
        let at = |i: usize| (self.positions_mm[i], self.areas_mm2[i]);
        let before = self.positions_mm.iter().take_while(|p| **p <= 0.0).count();
        let near = (0..self.positions_mm.len()).filter(|i| at(*i).0.abs() <= 1.0).map(|i| at(i).1);
        let Some(least) = near.reduce(f64::min) else { return 0.0 };
        let wide = LIP_WIDENS * least;
        let passes = (1..before).rev().find(|i| at(*i).1 < wide && at(i - 1).1 >= wide);
        passes.map_or(0.0, |i| {
            let ((p, a), (q, b)) = (at(i - 1), at(i));
            let face = p + (q - p) * (a - wide) / (a - b).max(1e-9);
            (-face - LIP_BEYOND_MM).max(0.0)
        })
    }
}

impl JetPose {
    /// The cut through the narrowest displayed plane, perpendicular to the axis, normal along the flow
    pub fn en_face(&self) -> Cut {
        Cut::perpendicular_to(self.narrowest, self.axis)
    }
}

/// A first idea of a stream: a point in it and its direction along the flow
#[derive(Clone, Copy, Debug)]
pub(super) struct Guess {
    pub point: VolumePoint,
    pub axis: Direction,
}

/// How far downstream of the least displayed area the contraction ends, mm
///
/// The contraction flattens out toward its end while spreading starts there at once, so the blurred
/// area has its minimum before the end. Median over the tuning phantoms (seeds below 100).
pub const NECK_BEYOND_MM: f64 = 0.53;
/// How far along the stream the neck may lie from where it was guessed, mm
const NECK_WITHIN_MM: f64 = 5.0;

/// Lays planes across the stream until they stand perpendicular to it, and finds its neck
///
/// `None` where no stream passes the guess.
pub(super) fn refine(signal: &Signal, guess: Guess, plan: &SectionPlan, level: f64) -> Option<JetPose> {
    let mut at = guess;
    let mut found = None;
    for round in 0..6 {
        let cut = Cut::perpendicular_to(at.point, at.axis);
        let start = start(signal, &cut, plan, level, at.point)?;
        let sections = follow(signal, &cut, plan, level, &start);
        let neck = narrowest(&sections)?;
        let line_sections = downstream_of(&sections, neck);
        let about = sections[neck].position_mm;
        let Some(line) = centre_line(&line_sections, about) else {
            found = Some((cut, sections, neck, None));
            break;
        };
        let axis = cut.u().into_inner() * line.slope.x
            + cut.v().into_inner() * line.slope.y
            + cut.normal().into_inner();
        let axis = direction(axis)?;
        // A step of more than 30 degrees is a sign of a poor start: take it, but go on.
        let turned = crate::space::angle_between(&axis, &at.axis);
        let point = cut.at_level(about).at(line.foot);
        at = Guess { point, axis };
        found = Some((cut, sections, neck, Some(line)));
        if turned < 0.003 && round > 1 {
            break;
        }
    }
    let (cut, sections, neck, line) = found?;
    Some(pose(&cut, &sections, neck, line.as_ref(), at.axis))
}

/// The narrowest section near the start; those that are cut off count only where nothing else is left
fn narrowest(sections: &[Section]) -> Option<usize> {
    let smooth = smoothed(sections);
    let near = |i: &usize| sections[*i].position_mm.abs() <= NECK_WITHIN_MM;
    (0..sections.len())
        .filter(near)
        .filter(|i| sections[*i].cut_off == CutOff::No)
        .min_by(|a, b| smooth[*a].total_cmp(&smooth[*b]))
        .or_else(|| (0..sections.len()).filter(near).min_by(|a, b| smooth[*a].total_cmp(&smooth[*b])))
}

/// Areas smoothed over three planes
fn smoothed(sections: &[Section]) -> Vec<f64> {
    (0..sections.len())
        .map(|i| {
            let low = i.saturating_sub(1);
            let high = (i + 1).min(sections.len() - 1);
            sections[low..=high].iter().map(|s| s.area_mm2).sum::<f64>() / (high - low + 1) as f64
        })
        .collect()
}

/// The sections from the neck downstream that belong to this stream alone and are seen whole
fn downstream_of(sections: &[Section], neck: usize) -> Vec<&Section> {
    let width = (4.0 * sections[neck].area_mm2 / std::f64::consts::PI).sqrt();
    let reach = (2.5 * width).clamp(7.0, 14.0);
    let mut taken: Vec<&Section> = Vec::new();
    for section in &sections[neck..] {
        if section.position_mm - sections[neck].position_mm > reach || section.cut_off == CutOff::Yes {
            break;
        }
        // A sudden gain of area is another jet joining.
        if taken.last().is_some_and(|last| section.area_mm2 > 1.35 * last.area_mm2 + 4.0) {
            break;
        }
        taken.push(section);
    }
    taken
}

fn pose(cut: &Cut, sections: &[Section], neck: usize, line: Option<&CentreLine>, axis: Direction) -> JetPose {
    /// Without a line through the centres the axis is only the first guess, radians
    const GUESSED: f64 = 0.2;
    let smooth = smoothed(sections);
    let here = &sections[neck];
    let area = smooth[neck];
    let within = |low: f64, high: f64| {
        (0..sections.len()).filter(move |i| {
            let d = sections[*i].position_mm - here.position_mm;
            d >= low && d <= high
        })
    };
    let widest = |low: f64, high: f64| within(low, high).map(|i| smooth[i]).fold(0.0, f64::max);
    let part = |yes: bool| if yes { Part::Found } else { Part::Missing };
    let convergence = part(widest(-9.0, -0.1) >= 1.5 * area);
    let expansion = part(widest(0.1, 12.0) >= 1.12 * area);
    let contraction = part(widest(-9.0, -0.1) >= 1.04 * area && widest(0.1, 12.0) >= 1.04 * area);
    // The neck between planes: the vertex of the parabola through three smoothed areas.
    let mut shift = 0.0;
    if neck > 0 && neck + 1 < sections.len() {
        let (a, b, c) = (smooth[neck - 1], smooth[neck], smooth[neck + 1]);
        let bend = a - 2.0 * b + c;
        if bend > 1e-9 {
            shift = (0.5 * (a - c) / bend).clamp(-1.0, 1.0)
                * (sections[neck + 1].position_mm - sections[neck - 1].position_mm)
                / 2.0;
        }
    }
    // How far one may go before the area rises by 3 %.
    let flat = within(-6.0, 6.0).filter(|i| smooth[*i] <= 1.03 * area).count() as f64;
    let step = if sections.len() > 1 { sections[1].position_mm - sections[0].position_mm } else { 0.5 };
    let level_error_mm = (flat * step / 12f64.sqrt()).clamp(0.2, 2.0);
    let foot = line.map_or(here.centre, |line| line.foot);
    let neck_point = cut.at_level(here.position_mm).at(foot);
    JetPose {
        neck: neck_point.moved(axis.into_inner() * (shift + NECK_BEYOND_MM)),
        narrowest: neck_point.moved(axis.into_inner() * shift),
        axis,
        axis_error: line.map_or(GUESSED, |line| line.slope_error.max(0.004)),
        level_error_mm,
        area_mm2: area,
        effective_mm2: area,
        haste: within(-4.0, 4.0).map(|i| sections[i].haste).fold(0.0, f64::max),
        convergence,
        contraction,
        expansion,
        whole: part(here.cut_off == CutOff::No),
        orifice: 0.0,
        reading: None,
        in_beat: InBeat::default(),
        profile: NeckProfile {
            positions_mm: sections
                .iter()
                .map(|s| s.position_mm - here.position_mm - shift - NECK_BEYOND_MM)
                .collect(),
            areas_mm2: sections.iter().map(|s| s.area_mm2).collect(),
            haste: sections.iter().map(|s| s.haste).collect(),
        },
    }
}
