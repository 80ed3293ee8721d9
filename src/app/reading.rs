//! The numbers of one jet in one frame on the reader's cut, made by the same core as the report's.
//!
//! Where the reader changed nothing, the numbers are the measurement's own. Where the cut was
//! turned or the threshold moved, the outline is traced again on that cut and assessed with the
//! same blooming correction and interval. Where the reader has tracings that count, these are
//! assessed and added up; their half widths add as well, since what they share (point spread, gain)
//! is wrong for all of them alike.

use std::sync::Arc;

use crate::measure::results::{Interval, JetResult};
use crate::outline::Outline;
use crate::planimetry::{Assessment, Assumed, Implied, WidthAxes, classify};
use crate::review::{Assessing, Closed, Drawn, JetId, Review, Tracing};
use crate::space::{Cut, Direction, VolumePoint, angle_between, direction};
use crate::ui::{Origin, OutlineSource, ReadOutline, Reading};
use crate::unit::Mm;
use crate::volume::Volume4;

use super::signals::Signals;

/// How far a thinned outline may lie from the traced one, mm
const THIN_MM: f64 = 0.06;

/// The numbers of the selected jet in the current frame
pub(super) fn read(volume: &Arc<Volume4>, review: &Review, signals: &Signals) -> Reading {
    let place = review.place;
    let base = review.base(place.jet, place.frame);
    let turn = review.turn(place.jet);
    let cut = base.en_face(&turn);
    let tilt = base.tilt(&turn);
    let named = review.work.landmarks.anterior_posterior(base.axis().into_inner()).and_then(direction);
    let beam = volume.beam_at(cut.centre()).map(|beam| {
        let angle = angle_between(&beam, &base.axis());
        angle.min(std::f64::consts::PI - angle).to_degrees()
    });
    let mut reading = Reading {
        jet: place.jet,
        frame: place.frame,
        origin: Origin::Live,
        area: None,
        traced_mm2: None,
        summed: 0,
        long_axis: None,
        commissural: None,
        axes_assumed: named.is_none(),
        circle_mm2: None,
        ellipse_mm2: None,
        circle_error_percent: None,
        circle_misleads: false,
        shape: None,
        middle: None,
        width_direction: 0.0,
        outlines: Vec::new(),
        tilt_deg: tilt.to_degrees(),
        obliquity_percent: 100.0 * (1.0 / libm::cos(tilt.min(1.5)) - 1.0),
        beam_deg: beam,
        trouble: None,
        threshold: review.work.settings.threshold.unwrap_or(0.5),
        all_jets: None,
    };
    let Some(signal) = signals.of(volume, place.frame) else {
        reading.trouble = Some("the volume has no velocity, so nothing can be traced".into());
        return reading;
    };
    let bench = Bench { at: Assessing { review, signal: &signal, jet: place.jet, named }, cut };
    reading.threshold = bench.at.level();
    bench.fill(&mut reading);
    reading.all_jets = bench.all_jets(&reading);
    reading
}

struct Bench<'a> {
    at: Assessing<'a>,
    cut: Cut,
}

impl Bench<'_> {
    fn fill(&self, reading: &mut Reading) {
        let (review, jet, frame) = (self.at.review, reading.jet, reading.frame);
        let untouched = review.turn(jet).is_none() && review.work.settings.threshold.is_none();
        let found = review.found(jet);
        let absent =
            found.is_some_and(|found| found.frames.get(frame).is_some_and(|at| at.vca_mm2.is_none()));
        let hidden = found.filter(|found| found.frames.get(frame).is_some_and(|at| at.hidden));
        let live = if absent && untouched {
            reading.trouble = Some("the jet is not there in this frame".into());
            None
        } else if let Some(found) = hidden.filter(|_| untouched) {
            reading.trouble = Some("the neck is hardly displayed in this frame".into());
            reading.origin = Origin::Hidden;
            reading.area = found.frames.get(frame).and_then(|at| at.vca_mm2);
            None
        } else {
            match self.at.traced(&self.cut) {
                Ok(live) => Some(live),
                Err(trouble) => {
                    reading.trouble = Some(trouble.to_string());
                    None
                }
            }
        };
        if let Some(live) = &live {
            reading.outlines.push(self.read_outline(&live.tracing.outline, &live.cut));
            self.take(reading, live);
            if let Some(found) = found.filter(|_| untouched) {
                measured(reading, found, frame, self.at.named);
            }
        }
        self.add_kept(reading);
    }

    /// An outline of another cut's axes as the screen wants it: on this cut
    fn read_outline(&self, outline: &Outline, on: &Cut) -> ReadOutline {
        let thin = outline.simplified(Mm::new(THIN_MM)).ok();
        let points = |outline: &Outline| -> Vec<[f64; 2]> {
            outline.points().iter().map(|point| self.here(on.at(*point))).collect()
        };
        ReadOutline {
            source: OutlineSource::Live,
            points: points(outline),
            handles: points(thin.as_ref().unwrap_or(outline)),
            fault: None,
            open: false,
            area_mm2: Some(outline.area().get()),
            away: [0.0, 0.0],
            drawn: "by the program".into(),
        }
    }

    fn here(&self, point: VolumePoint) -> [f64; 2] {
        let (foot, _) = self.cut.project(point);
        [foot.u, foot.v]
    }

    fn take(&self, reading: &mut Reading, from: &Assessment) {
        reading.area = Some(from.vca.into());
        reading.threshold = from.tracing.level;
        reading.traced_mm2 = Some(from.tracing.outline.area().get());
        reading.long_axis = Some(from.long_axis.into());
        reading.commissural = Some(from.commissural.into());
        reading.axes_assumed = from.axes.assumed == Assumed::Yes;
        reading.shape = Some(classify(&from.corrected));
        reading.middle = Some(self.here(from.cut.at(from.tracing.outline.centroid())));
        reading.width_direction = self.angle(&from.axes);
        implied(reading);
    }

    fn angle(&self, axes: &WidthAxes) -> f64 {
        libm::atan2(axes.long_axis.dot(&self.cut.v()), axes.long_axis.dot(&self.cut.u()))
    }

    /// The reader's tracings: all are shown, those that count are assessed and added up
    fn add_kept(&self, reading: &mut Reading) {
        let work = &self.at.review.work;
        let mut sum: Option<Interval> = None;
        let mut shown = 0.0;
        let mut single = None;
        for tracing in work.tracings_of(reading.jet, reading.frame) {
            let Some(on) = tracing.cut.cut() else { continue };
            reading.outlines.push(self.kept_outline(tracing, &on));
            let Some(assessed) = self.at.kept(tracing, &on) else { continue };
            let area = Interval::from(assessed.vca);
            shown += assessed.tracing.outline.area().get();
            sum = Some(sum.map_or(area, |sum| sum.together(area)));
            single = Some(assessed);
            reading.summed += 1;
        }
        let (Some(sum), Some(single)) = (sum, single) else { return };
        reading.origin = Origin::Traced;
        if reading.summed == 1 {
            self.take(reading, &single);
        } else {
            // Widths and shape belong to one outline; several have none together.
            reading.long_axis = None;
            reading.commissural = None;
            reading.shape = None;
            reading.circle_mm2 = None;
            reading.ellipse_mm2 = None;
            reading.circle_error_percent = None;
            reading.circle_misleads = false;
        }
        reading.area = Some(sum);
        reading.traced_mm2 = Some(shown);
        reading.trouble = None;
    }

    /// The areas of all jets in this frame together, where there are several
    fn all_jets(&self, reading: &Reading) -> Option<Interval> {
        let jets = self.at.review.jets();
        if jets.len() < 2 || !jets.contains(&reading.jet) {
            return None;
        }
        let others = jets.into_iter().filter(|jet| *jet != reading.jet);
        let areas = others.filter_map(|jet| Assessing { jet, ..self.at }.area(reading.frame));
        Some(areas.fold(reading.area.unwrap_or(Interval::exactly(0.0)), Interval::together))
    }

    fn kept_outline(&self, tracing: &Tracing, on: &Cut) -> ReadOutline {
        let fault = tracing.fault();
        let points: Vec<[f64; 2]> =
            tracing.points().into_iter().map(|point| self.here(on.at(point))).collect();
        let area = Outline::new(tracing.points()).ok().filter(|_| fault.is_none());
        let (_, apart) = self.cut.project(on.centre());
        let tilt = angle_between(&self.cut.normal(), &on.normal()).to_degrees();
        ReadOutline {
            source: OutlineSource::Kept(tracing.id),
            handles: points.clone(),
            points,
            fault: fault.map(|fault| fault.to_string()),
            open: tracing.closed == Closed::Open,
            area_mm2: area.map(|outline| outline.area().get()),
            away: [tilt, apart.abs()],
            drawn: match tracing.drawn {
                Drawn::Proposed => "proposed, kept as it was",
                Drawn::Corrected => "proposed, corrected",
                Drawn::ByHand => "drawn by hand",
            }
            .into(),
        }
    }
}

/// Circle and ellipse that the widths imply
fn implied(reading: &mut Reading) {
    let (Some(long), Some(across)) = (reading.long_axis, reading.commissural) else { return };
    let Some(area) = reading.area.filter(|area| area.value > 0.0) else { return };
    let implied = Implied::of(area, long.value, across.value);
    reading.circle_mm2 = Some(implied.circle.get());
    reading.ellipse_mm2 = Some(implied.ellipse.get());
    reading.circle_error_percent = Some(implied.error_percent);
    reading.circle_misleads = implied.misleads;
}

/// The measurement's own numbers, where the reader changed nothing
///
/// With landmarks the widths stay those read along the named directions, on the same cut.
fn measured(reading: &mut Reading, found: &JetResult, frame: usize, named: Option<Direction>) {
    let Some(area) = found.frames.get(frame).and_then(|at| at.vca_mm2) else { return };
    reading.origin = Origin::Measured;
    reading.area = Some(area);
    if frame == found.peak_frame {
        reading.traced_mm2 = Some(found.traced_area_mm2);
        reading.shape = Some(found.shape.class);
    }
    if frame == found.peak_frame && named.is_none() {
        reading.long_axis = Some(found.width_mm.long_axis);
        reading.commissural = Some(found.width_mm.commissural);
        reading.axes_assumed = found.width_mm.axes_assumed;
    }
    implied(reading);
}

/// The areas of the reader's tracings in all frames: jet, frame, mm2 as displayed
pub(super) fn traced(review: &Review) -> Vec<(JetId, usize, f64)> {
    let mut sums: std::collections::BTreeMap<(JetId, usize), f64> = std::collections::BTreeMap::new();
    for tracing in review.work.tracings.iter().filter(|tracing| tracing.fault().is_none()) {
        if let Ok(outline) = Outline::new(tracing.points()) {
            *sums.entry((tracing.jet, tracing.frame)).or_default() += outline.area().get();
        }
    }
    sums.into_iter().map(|((jet, frame), area)| (jet, frame, area)).collect()
}
