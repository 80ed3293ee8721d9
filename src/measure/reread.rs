//! Results in which a reader's outlines take the place of the program's.
//!
//! A reader who traces does so in a few frames. There the areas are the reader's, corrected and
//! given an interval by the same planimetry; in all other frames they stay the program's. What
//! follows from the areas (course, mean, sum, regurgitant volume, cautions) is made anew from the
//! mixture, and each jet says which is which.

use crate::beat::{self, Envelope, SystoleBounds};
use crate::planimetry::{Assessment, Assumed, Implied};
use crate::severity::weigh;
use crate::space::{Cut, VolumePoint, angle_between};
use crate::unit::Mm2;
use crate::volume::Volume4;

use super::leak;
use super::results::{
    Components, FrameResult, Interval, IntervalPart, JetResult, Reading, Results, Seen, SingleWidth, Widths,
};
use super::run::{Options, cautions, own_evidence, shape, systole_result, total};

/// What was read of one jet in one frame
#[derive(Clone, Debug)]
pub struct FrameReading {
    /// Index from 0
    pub frame: usize,
    /// The cut, its normal along the flow
    pub cut: Cut,
    /// The outlines, each assessed; their areas add
    pub outlines: Vec<Assessment>,
}

impl FrameReading {
    /// The sum of the areas; half widths add, since what outlines share is wrong for all alike
    pub fn vca_mm2(&self) -> Interval {
        let areas = self.outlines.iter().map(|outline| Interval::from(outline.vca));
        areas.fold(Interval::exactly(0.0), Interval::together)
    }

    fn largest(&self) -> Option<&Assessment> {
        self.outlines.iter().max_by(|a, b| a.vca.value.get().total_cmp(&b.vca.value.get()))
    }
}

/// A jet with these readings in the place of the program's
///
/// `base` is the jet as the program measured it, `None` for a jet that the reader placed. The peak
/// is taken among the frames read. `None` where nothing was read.
pub fn reread_jet(
    volume: &Volume4,
    base: Option<&JetResult>,
    readings: &[FrameReading],
    axis_uncertainty_deg: f64,
    reading: Reading,
) -> Option<JetResult> {
    let peak = readings
        .iter()
        .filter(|reading| !reading.outlines.is_empty())
        .max_by(|a, b| a.vca_mm2().value.total_cmp(&b.vca_mm2().value).then(b.frame.cmp(&a.frame)))?;
    let at = peak.largest()?;
    let vca = peak.vca_mm2();
    let (long_axis, commissural) = (Interval::from(at.long_axis), Interval::from(at.commissural));
    let implied = Implied::of(vca, long_axis.value, commissural.value);
    let axis: [f64; 3] = peak.cut.normal().into_inner().into();
    let unseen =
        Components { convergence: Seen::Missing, contraction: Seen::Missing, expansion: Seen::Missing };
    Some(JetResult {
        id: base.map_or(0, |base| base.id),
        axis,
        axis_uncertainty_deg,
        neck_mm: base.map_or_else(|| peak.cut.centre().to_array(), |base| base.neck_mm),
        traced_at_mm: peak.cut.centre().to_array(),
        peak_frame: peak.frame,
        beam_angle_deg: beam_angle_deg(volume, &peak.cut),
        components: base.map_or(unseen, |base| base.components),
        neck_profile: base.map(|base| base.neck_profile.clone()).unwrap_or_default(),
        vca_mm2: vca,
        traced_area_mm2: peak.outlines.iter().map(|outline| outline.tracing.outline.area().get()).sum(),
        tracing_mm: at.tracing.outline.points().iter().map(|p| at.cut.at(*p).to_array()).collect(),
        width_mm: Widths {
            long_axis,
            commissural,
            long_axis_direction: at.axes.long_axis.into_inner().into(),
            axes_assumed: at.axes.assumed == Assumed::Yes,
        },
        circle_area_mm2: implied.circle.get(),
        ellipse_area_mm2: implied.ellipse.get(),
        shape: shape(at),
        single_width: SingleWidth { error_percent: implied.error_percent, misleads: implied.misleads },
        frames: frames(volume, base, readings),
        // Made anew when the jets are put together.
        systole: systole_of(volume, &[], 0.0, &whole_systole(volume, &[])),
        interval_parts: parts(peak),
        observer: Vec::new(),
        reading,
        // Upstream of the outline, and so not the reader's.
        convergence: base.map(|base| base.convergence.clone()).unwrap_or_default(),
    })
}

fn beam_angle_deg(volume: &Volume4, cut: &Cut) -> Option<f64> {
    let beam = volume.beam_at(cut.centre())?;
    let angle = angle_between(&cut.normal(), &beam).to_degrees();
    Some(angle.min(180.0 - angle))
}

/// The parts of the interval; those of several outlines add by name
fn parts(peak: &FrameReading) -> Vec<IntervalPart> {
    let mut sums: Vec<IntervalPart> = Vec::new();
    for part in peak.outlines.iter().flat_map(|outline| &outline.parts) {
        match sums.iter_mut().find(|known| known.source == part.source) {
            Some(known) => known.effect_mm2 += part.effect.get(),
            None => {
                sums.push(IntervalPart { source: part.source.to_owned(), effect_mm2: part.effect.get() });
            }
        }
    }
    sums
}

fn frames(volume: &Volume4, base: Option<&JetResult>, readings: &[FrameReading]) -> Vec<FrameResult> {
    (0..volume.frames())
        .map(|frame| {
            let known = base.and_then(|base| base.frames.iter().find(|at| at.frame == frame));
            let read = readings.iter().find(|reading| reading.frame == frame && !reading.outlines.is_empty());
            let place = |point: VolumePoint| Some(point.to_array());
            FrameResult {
                frame,
                time_s: volume.timeline.times()[frame].get(),
                vca_mm2: read.map(FrameReading::vca_mm2).or_else(|| known.and_then(|at| at.vca_mm2)),
                hidden: read.is_none() && known.is_some_and(|at| at.hidden),
                neck_mm: known.and_then(|at| at.neck_mm).or_else(|| place(read?.cut.centre())),
                traced_at_mm: read
                    .and_then(|read| place(read.cut.centre()))
                    .or_else(|| known.and_then(|at| at.traced_at_mm)),
                axis: read
                    .map(|read| read.cut.normal().into_inner().into())
                    .or_else(|| known.and_then(|at| at.axis)),
            }
        })
        .collect()
}

fn whole_systole(volume: &Volume4, jets: &[JetResult]) -> SystoleBounds {
    let present: Vec<usize> = (0..volume.frames())
        .filter(|frame| jets.iter().any(|jet| jet.frames.get(*frame).is_some_and(|at| at.vca_mm2.is_some())))
        .collect();
    beat::bounds(&volume.timeline, &present)
}

fn systole_of(
    volume: &Volume4,
    frames: &[FrameResult],
    peak_mm2: f64,
    systole: &SystoleBounds,
) -> super::results::Systole {
    let mut areas: Vec<Option<Mm2>> =
        frames.iter().map(|at| at.vca_mm2.map(|vca| Mm2::new(vca.value))).collect();
    areas.resize(volume.frames(), None);
    systole_result(&beat::course(volume.timeline.times(), &areas, systole), peak_mm2, systole)
}

/// The results of a volume with other jets: numbered by size, their course, sum, regurgitant volume,
/// weighing and cautions made anew; `said` are further cautions
pub fn reread(
    volume: &Volume4,
    base: &Results,
    mut jets: Vec<JetResult>,
    options: &Options,
    said: Vec<String>,
) -> Results {
    jets.sort_by(|a, b| b.vca_mm2.value.total_cmp(&a.vca_mm2.value));
    let given = options.systole.and_then(|[start, end]| beat::given_bounds(&volume.timeline, start, end));
    let systole = given.unwrap_or_else(|| whole_systole(volume, &jets));
    for (place, jet) in jets.iter_mut().enumerate() {
        jet.id = place + 1;
        jet.systole = systole_of(volume, &jet.frames, jet.vca_mm2.value, &systole);
    }
    // The flows are the program's, and so are the areas they are held against.
    let seen = leak::flow_frames(&base.jets);
    let envelope = Envelope::new(&options.continuous_wave, &systole, &seen);
    let total = total(&jets, volume, envelope.as_ref());
    let mut cautions = cautions(volume, &jets, &total, &systole);
    cautions.extend(said);
    let mut results = Results { jets, total, cautions, severity: None, ..base.clone() };
    results.severity = Some(weigh(&options.criteria, &options.evidence, &own_evidence(&results)));
    results
}
