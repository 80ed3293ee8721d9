//! What a review says of a jet in one frame: one rule for the screen and for the report.
//!
//! Where the reader has tracings that count, these are measured. Where the reader turned the plane, set the level or
//! placed the jet, the program traces there. Everything else is as it was measured.

use std::sync::Arc;

use super::{Drawn, JetId, Review, Tracing};
use crate::jet::{InBeat, Signal};
use crate::measure::results::{Interval, Origin};
use crate::outline::Placed;
use crate::planimetry::{Assessment, PlaneError, Section, TraceError, Tracer};
use crate::space::{Cut, CutPoint, Direction, angle_between};

/// Planes whose normals and levels differ by less than this are one, radians and mm
const SAME: f64 = 1e-6;
/// On the plane of a jet that a reader placed, what lies farther than this from its centre is something else, mm (our
/// own choice)
const NEAR_MM: f64 = 3.0;

/// What a review says of one jet in one frame
#[derive(Debug)]
pub enum Read {
    /// It is as it was measured
    AsMeasured,
    /// These take the place of the program's tracings
    Traced(Vec<Assessment>, Origin),
    /// On the reader's plane nothing can be traced
    Lost(TraceError),
    /// It is the orifice of another jet, where it counts
    Same(JetId),
}

/// One frame of a review
#[derive(Clone, Copy, Debug)]
pub struct Reader<'a> {
    review: &'a Review,
    frame: usize,
    tracer: Tracer<'a>,
}

impl<'a> Reader<'a> {
    /// A frame, with its signal
    pub fn new(review: &'a Review, frame: usize, signal: &'a Signal) -> Self {
        let anterior_posterior = review.anterior_posterior();
        let tracer = Tracer { signal, anterior_posterior, threshold: review.work.settings.threshold };
        Self { review, frame, tracer }
    }

    /// The directions in which widths are read; `None` where the reader did not mark them
    pub fn anterior_posterior(&self) -> Option<Direction> {
        self.tracer.anterior_posterior
    }

    /// What is said of a jet
    pub fn read(&self, jet: JetId) -> Read {
        let mut kept = self.kept(jet);
        if !kept.is_empty() {
            kept.sort_by_key(|(drawn, _)| std::cmp::Reverse(*drawn));
            // The hand that did most.
            let origin = match kept[0].0 {
                Drawn::Proposed => Origin::ReaderKept,
                Drawn::Corrected => Origin::ReaderCorrected,
                Drawn::ByHand => Origin::ReaderDrawn,
            };
            return Read::Traced(kept.into_iter().map(|(_, assessed)| assessed).collect(), origin);
        }
        if self.review.is_blind() {
            return Read::AsMeasured;
        }
        let chosen = self.review.is_chosen(jet) && self.may_be_there(jet);
        let rivals = self.rivals(jet);
        if !chosen && rivals.is_empty() {
            return Read::AsMeasured;
        }
        let assessed = match self.proposal(jet) {
            Ok(assessed) => assessed,
            Err(error) if chosen => return Read::Lost(error),
            Err(_) => return Read::AsMeasured,
        };
        let own = Placed { plane: assessed.cut, outline: assessed.tracing.outline.clone() };
        let over = |rival: &Placed| own.is_near(rival) && own.is_over(rival);
        match rivals.iter().find(|(_, rival)| over(rival)) {
            Some((other, _)) => Read::Same(*other),
            None if chosen => Read::Traced(vec![assessed], Origin::ReaderCut),
            None => Read::AsMeasured,
        }
    }

    /// The outlines of other jets before which the program's outline of this one stands back: those that the reader
    /// drew; and, where the reader chose where or how this one is traced, those of jets that were less moved
    fn rivals(&self, jet: JetId) -> Vec<(JetId, Placed)> {
        let jets = self.review.jets();
        let rank = |jet: JetId| {
            let moved = matches!(jet, JetId::Added(_)) || !self.review.turn(jet).is_none();
            (moved, jets.iter().position(|other| *other == jet))
        };
        let mut rivals = Vec::new();
        for &other in jets.iter().filter(|other| **other != jet) {
            let drawn: Vec<_> = self.counted(other).filter_map(|tracing| tracing.outline()).collect();
            if drawn.is_empty()
                && self.review.is_chosen(jet)
                && rank(other) < rank(jet)
                && self.may_be_there(other)
            {
                let outline =
                    self.proposal(other).map(|at| Placed { plane: at.cut, outline: at.tracing.outline });
                rivals.extend(outline.map(|outline| (other, outline)));
            }
            rivals.extend(drawn.into_iter().map(|outline| (other, outline)));
        }
        rivals
    }

    /// A jet's area, mm2; `None` where it is not there
    pub fn area(&self, jet: JetId) -> Option<Interval> {
        match self.read(jet) {
            Read::AsMeasured => self.review.found(jet)?.frames.get(self.frame)?.vca_mm2,
            Read::Traced(tracings, _) => {
                tracings.into_iter().map(|at| Interval::from(at.vca)).reduce(Interval::together)
            }
            Read::Lost(_) | Read::Same(_) => None,
        }
    }

    /// What the program draws on the reader's plane of a jet
    ///
    /// # Errors
    /// [`TraceError`] where nothing can be traced.
    pub fn proposal(&self, jet: JetId) -> Result<Assessment, TraceError> {
        let plane = self.review.base(jet, self.frame).en_face(&self.review.turn(jet));
        let section = self.section(jet, plane);
        let assessed = match jet {
            JetId::Found(_) => self.tracer.propose(&section),
            JetId::Added(_) | JetId::Free => self.tracer.seek(&section),
        }?;
        let middle = CutPoint::default();
        let outline = &assessed.tracing.outline;
        let placed = matches!(jet, JetId::Added(_));
        if placed && !outline.contains(middle) && outline.signed_distance(middle).get() > NEAR_MM {
            return Err(TraceError::Nothing(assessed.tracing.level));
        }
        Ok(assessed)
    }

    /// The reader's tracings of a jet that count
    fn counted(&self, jet: JetId) -> impl Iterator<Item = &'a Arc<Tracing>> {
        let work = &self.review.work;
        work.tracings_of(jet, self.frame).filter(|tracing| work.fault(tracing).is_none())
    }

    /// The reader's tracings of a jet that count, measured
    fn kept(&self, jet: JetId) -> Vec<(Drawn, Assessment)> {
        let measured = self.counted(jet).filter_map(|tracing| {
            let Placed { plane, outline } = tracing.outline()?;
            let level = tracing.threshold.or(self.tracer.threshold);
            let level = level.unwrap_or_else(|| self.tracer.signal.tracing_level());
            // What is read about the plane is read where the tracing lies.
            let middle = plane.centred(plane.at(outline.centroid()));
            let section = self.section(jet, middle).on(plane);
            Some((tracing.drawn, self.tracer.measure(&section, &outline, level).ok()?))
        });
        measured.collect()
    }

    /// A plane of a jet with what is known of it: the program's own as it was measured, any other as laid by hand
    fn section(&self, jet: JetId, plane: Cut) -> Section {
        let measured = self.review.found(jet).and_then(|found| found.frames.get(self.frame)?.section());
        let same = |own: &Section| {
            let apart = own.plane.project(plane.centre()).1;
            angle_between(&own.plane.normal(), &plane.normal()) < SAME && apart.abs() < SAME
        };
        match measured {
            Some(own) if same(&own) => own.on(plane),
            // What the other frames say of this one holds on every plane through its jet.
            other => Section {
                in_beat: other.map_or_else(InBeat::default, |own| own.in_beat),
                ..Section::read(self.tracer.signal, plane, PlaneError::BY_HAND)
            },
        }
    }

    /// Whether a plane that the reader chose is traced in this frame: a jet that was found, where it was traced
    fn may_be_there(&self, jet: JetId) -> bool {
        let Some(found) = self.review.found(jet) else { return true };
        found.frames.get(self.frame).is_some_and(|at| at.vca_mm2.is_some() && !at.hidden)
    }
}
