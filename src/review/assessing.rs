//! What a reader's cut or tracing measures: one rule for the screen and for the report.
//!
//! The cut is what the reader says the neck is. Its outline, traced by the program or drawn by the
//! reader, goes through the same blooming correction and interval as the measurement's own.

use super::{JetId, Review, Tracing};
use crate::jet::Signal;
use crate::numeric::Interval;
use crate::outline::Outline;
use crate::planimetry::{Assessment, PlaneError, Section, TraceError, Tracer};
use crate::space::{Cut, Direction};

/// One jet of a review in one frame
#[derive(Clone, Copy, Debug)]
pub struct Assessing<'a> {
    /// The review
    pub review: &'a Review,
    /// The frame's signal
    pub signal: &'a Signal,
    /// The jet
    pub jet: JetId,
    /// Anterior-posterior direction, where the reader marked it
    pub named: Option<Direction>,
}

impl Assessing<'_> {
    /// Share of the plateau at which outlines are traced: the reader's, or the program's
    pub fn level(&self) -> f64 {
        self.review.work.settings.threshold.unwrap_or_else(|| self.signal.tracing_level())
    }

    fn tracer(&self) -> Tracer<'_> {
        Tracer {
            signal: self.signal,
            anterior_posterior: self.named,
            threshold: self.review.work.settings.threshold,
        }
    }

    /// The outline the program draws on a cut
    ///
    /// # Errors
    /// [`TraceError`] where nothing can be traced.
    pub fn traced(&self, cut: &Cut) -> Result<Assessment, TraceError> {
        self.tracer().propose(&Section::read(self.signal, *cut, self.error()))
    }

    /// A reader's tracing on its own cut; `None` where it does not count
    pub fn kept(&self, tracing: &Tracing, on: &Cut) -> Option<Assessment> {
        if tracing.fault().is_some() {
            return None;
        }
        let outline = Outline::new(tracing.points()).ok()?;
        // The core is what lies inside the tracing, wherever its cut has its centre.
        let middle = on.centred(on.at(outline.centroid()));
        let section = Section::read(self.signal, middle, self.error()).on(*on);
        let level = tracing.threshold.unwrap_or_else(|| self.level());
        self.tracer().measure(&section, &outline, level).ok()
    }

    /// The jet's area in the frame of the signal: of the reader's tracings where some count, else on
    /// the reader's cut, else as it was measured; `None` where the jet is not there
    pub fn area(&self, frame: usize) -> Option<Interval> {
        let (review, jet) = (self.review, self.jet);
        let kept = review.work.tracings_of(jet, frame).filter_map(|tracing| {
            let assessed = self.kept(tracing, &tracing.cut.cut()?)?;
            Some(Interval::from(assessed.vca))
        });
        if let Some(sum) = kept.reduce(Interval::together) {
            return Some(sum);
        }
        let turn = review.turn(jet);
        if turn.is_none() && review.work.settings.threshold.is_none() && review.found(jet).is_some() {
            return review.found(jet)?.frames.get(frame)?.vca_mm2;
        }
        let assessed = self.traced(&review.base(jet, frame).en_face(&turn)).ok()?;
        Some(Interval::from(assessed.vca))
    }

    /// How far the cut may lie from the one that is meant: as the measurement found, or as one lays it by hand
    fn error(&self) -> PlaneError {
        let hand = PlaneError::BY_HAND;
        let found = self.review.found(self.jet);
        let axis = found.map_or(hand.axis, |found| found.axis_uncertainty_deg.to_radians() / 1.96);
        PlaneError { axis, ..hand }
    }
}
