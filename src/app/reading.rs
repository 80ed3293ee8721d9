//! The numbers of one jet in one frame, made by the same core as the report's.
//!
//! What the numbers are of (the program's outline, the program's on the reader's plane, the reader's tracings) a
//! [`Reader`] says, for the screen and for the report alike. Here they are brought into the words of the screen.

use std::sync::Arc;

use crate::measure::results::Interval;
use crate::outline::Outline;
use crate::planimetry::{Assessment, Assumed, Implied, WidthAxes};
use crate::review::{Closed, Drawn, Fault, Read, Reader, Review, Tracing};
use crate::severity::Criteria;
use crate::space::{Cut, CutPoint, VolumePoint, angle_between};
use crate::ui::{Origin, OutlineSource, ReadOutline, Reading};
use crate::unit::Mm2;
use crate::volume::Volume4;

use super::signals::Signals;

/// The numbers of the selected jet in the current frame
pub(super) fn read(volume: &Arc<Volume4>, review: &Review, signals: &Signals) -> Reading {
    let place = review.place;
    let base = review.base(place.jet, place.frame);
    let turn = review.turn(place.jet);
    let cut = base.en_face(&turn);
    let tilt = base.tilt(&turn);
    let named = review.anterior_posterior();
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
        effective: Vec::new(),
        tilt_deg: tilt.to_degrees(),
        obliquity_percent: 100.0 * (1.0 / libm::cos(tilt.min(1.5)) - 1.0),
        beam_deg: beam,
        trouble: None,
        threshold: review.work.settings.threshold.unwrap_or(0.5),
    };
    let Some(signal) = signals.of(volume, place.frame) else {
        reading.trouble = Some("the volume has no velocity, so nothing can be traced".into());
        return reading;
    };
    reading.threshold = review.work.settings.threshold.unwrap_or_else(|| signal.tracing_level());
    ShownJet { review, at: Reader::new(review, place.frame, &signal), cut }.fill(&mut reading);
    reading
}

/// The selected jet on the plane that is shown
struct ShownJet<'a> {
    review: &'a Review,
    at: Reader<'a>,
    cut: Cut,
}

impl ShownJet<'_> {
    fn fill(&self, reading: &mut Reading) {
        let (jet, frame) = (reading.jet, reading.frame);
        let found = self.review.found(jet).and_then(|found| found.frames.get(frame));
        let read = self.at.read(jet);
        let as_measured = matches!(read, Read::AsMeasured);
        let live = match found.filter(|_| as_measured) {
            _ if self.review.is_blind() => {
                reading.trouble = Some("you read blind: trace the orifice, and its area is told".into());
                None
            }
            Some(at) if at.vca_mm2.is_none() => {
                reading.trouble = Some("the jet is not there in this frame".into());
                None
            }
            Some(at) if at.hidden => {
                reading.trouble =
                    Some("VC dropout: the vena contracta is hardly displayed in this frame".into());
                reading.origin = Origin::Hidden;
                reading.area = at.vca_mm2;
                None
            }
            _ => self.at.proposal(jet).map_err(|trouble| reading.trouble = Some(trouble.to_string())).ok(),
        };
        if let Some(live) = &live {
            reading.outlines.push(self.read_outline(&live.tracing.outline, &live.cut));
            reading.effective = self.points(&live.corrected, &live.cut);
            reading.threshold = live.tracing.level;
            match &read {
                Read::Same(other) => {
                    let text = format!("this is the orifice of jet {other}, where it counts");
                    reading.trouble = Some(text);
                }
                _ => self.take(reading, live),
            }
            if as_measured && found.is_some() {
                reading.origin = Origin::Measured;
            }
        }
        for tracing in self.review.work.tracings_of(jet, frame) {
            let Some(on) = tracing.cut.cut() else { continue };
            reading.outlines.push(self.kept_outline(tracing, &on));
        }
        if let Read::Traced(tracings, origin) = &read
            && *origin != crate::measure::results::Origin::ReaderCut
        {
            self.take_kept(reading, tracings);
        }
    }

    /// An outline of another cut's axes as the screen wants it: on this cut
    fn read_outline(&self, outline: &Outline, on: &Cut) -> ReadOutline {
        ReadOutline {
            source: OutlineSource::Live,
            points: self.points(outline, on),
            handles: self.points(&outline.with_few_vertices(), on),
            fault: None,
            crossing: None,
            open: false,
            area_mm2: Some(outline.area().get()),
            away: [0.0, 0.0],
            drawn: "by the program".into(),
        }
    }

    /// The points of an outline of another cut's axes, on this cut
    fn points(&self, outline: &Outline, on: &Cut) -> Vec<[f64; 2]> {
        outline.points().iter().map(|point| self.here(on.at(*point))).collect()
    }

    fn here(&self, point: VolumePoint) -> [f64; 2] {
        let (foot, _) = self.cut.project(point);
        [foot.u, foot.v]
    }

    fn take(&self, reading: &mut Reading, from: &Assessment) {
        reading.area = Some(from.vca.into());
        reading.traced_mm2 = Some(from.tracing.outline.area().get());
        reading.long_axis = Some(from.long_axis.into());
        reading.commissural = Some(from.commissural.into());
        reading.axes_assumed = from.axes.assumed == Assumed::Yes;
        reading.shape = Some(from.shape());
        reading.middle = Some(self.here(from.cut.at(from.corrected.centroid())));
        reading.width_direction = self.angle(&from.axes);
        let (width, area) = (from.displayed_widths().long_axis.get(), from.tracing.outline.area().get());
        reading.circle_misleads = Criteria::default().misled_by(width, area).is_some();
        implied(reading);
    }

    fn angle(&self, axes: &WidthAxes) -> f64 {
        libm::atan2(axes.long_axis.dot(&self.cut.v()), axes.long_axis.dot(&self.cut.u()))
    }

    /// The reader's tracings that count, added up
    fn take_kept(&self, reading: &mut Reading, tracings: &[Assessment]) {
        reading.origin = Origin::Traced;
        reading.summed = tracings.len();
        reading.trouble = None;
        if let [single] = tracings {
            reading.effective = self.points(&single.corrected, &single.cut);
            return self.take(reading, single);
        }
        reading.effective.clear();
        let areas = tracings.iter().map(|at| Interval::from(at.vca));
        reading.area = areas.reduce(Interval::together);
        reading.traced_mm2 = Some(tracings.iter().map(|at| at.tracing.outline.area().get()).sum());
        // Widths and shape belong to one outline; several have none together.
        reading.long_axis = None;
        reading.commissural = None;
        reading.shape = None;
        reading.circle_mm2 = None;
        reading.ellipse_mm2 = None;
        reading.circle_error_percent = None;
        reading.circle_misleads = false;
    }

    fn kept_outline(&self, tracing: &Tracing, on: &Cut) -> ReadOutline {
        let fault = self.review.work.fault(tracing);
        let points: Vec<[f64; 2]> =
            tracing.points().into_iter().map(|point| self.here(on.at(point))).collect();
        let area = Outline::new(tracing.points()).ok().filter(|_| fault.is_none());
        let (_, apart) = self.cut.project(on.centre());
        let tilt = angle_between(&self.cut.normal(), &on.normal()).to_degrees();
        ReadOutline {
            source: OutlineSource::Kept(tracing.id),
            handles: points.clone(),
            points,
            crossing: match fault {
                Some(Fault::Crossed([u, v])) => Some(self.here(on.at(CutPoint::new(u, v)))),
                _ => None,
            },
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
    let implied = Implied::of(Mm2::new(area.value), long.value, across.value);
    reading.circle_mm2 = Some(implied.circle.get());
    reading.ellipse_mm2 = Some(implied.ellipse.get());
    reading.circle_error_percent = Some(implied.error_percent);
}
