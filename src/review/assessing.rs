//! What a reader's cut or tracing measures: one rule for the screen and for the report.
//!
//! The cut is what the reader says the neck is. Its outline, traced by the program or drawn by the
//! reader, goes through the same blooming correction and interval as the measurement's own.

use super::{JetId, Review, Tracing};
use crate::jet::{JetPose, NeckProfile, Part, Signal, haste_about};
use crate::numeric::Interval;
use crate::outline::Outline;
use crate::planimetry::{
    Assessment, NeckImage, TraceError, Tracing as Traced, assess_tracing, neck_image, trace,
};
use crate::space::{Cut, CutPoint, Direction};
use crate::unit::Mm;

/// Where nothing is displayed at a cut its blood is not taken for slow
const UNKNOWN_HASTE: f64 = 1.0;
/// Standard error of the axis of a cut laid by hand, radians (our own choice)
pub(super) const HAND_AXIS_ERROR: f64 = 3.0 * std::f64::consts::PI / 180.0;
/// Standard error of a level along the jet, mm: the goal of the measurement (our own choice)
const LEVEL_ERROR_MM: f64 = 0.5;
/// Thickness over which the signal is averaged, mm: that of the measurement
const SLAB: Mm = Mm::new(0.9);
/// A turned cut may show far more than the neck: the side of the wider second picture, mm
const WIDE: Mm = Mm::new(60.0);
/// Area of a neck nobody has seen yet, mm2: only how large a picture is made (our own choice)
const UNSEEN_MM2: f64 = 60.0;

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

    /// The outline the program draws on a cut
    ///
    /// # Errors
    /// [`TraceError`] where nothing can be traced.
    pub fn traced(&self, cut: &Cut) -> Result<Assessment, TraceError> {
        let pose = self.pose(cut);
        let on = |image: &NeckImage| {
            let traced = trace(image, self.level(), CutPoint::default())?;
            assess_tracing(self.signal, &pose, image, traced, self.named)
        };
        on(&NeckImage::at(self.signal, &pose))
            .or_else(|_| on(&neck_image(self.signal, &pose.en_face(), WIDE, SLAB)))
    }

    /// A reader's tracing on its own cut; `None` where it does not count
    pub fn kept(&self, tracing: &Tracing, on: &Cut) -> Option<Assessment> {
        if tracing.fault().is_some() {
            return None;
        }
        let mut pose = self.pose(on);
        let own = pose.en_face();
        let points: Vec<CutPoint> =
            tracing.points().into_iter().map(|point| own.project(on.at(point)).0).collect();
        let outline = Outline::new(points).ok()?;
        // The core is what lies inside the tracing, wherever its cut has its centre.
        let middle = Cut::perpendicular_to(own.at(outline.centroid()), own.normal());
        pose.haste = haste_about(self.signal, &middle).unwrap_or(UNKNOWN_HASTE);
        let reach = outline.points().iter().map(|point| libm::hypot(point.u, point.v)).fold(0.0, f64::max);
        let side = Mm::new((2.0 * reach + 8.0).clamp(16.0, 120.0));
        let image = neck_image(self.signal, &own, side, SLAB);
        let level = tracing.threshold.unwrap_or_else(|| self.level());
        assess_tracing(self.signal, &pose, &image, Traced { outline, level }, self.named).ok()
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

    /// A pose at a cut, with what the measurement knows of the jet
    fn pose(&self, cut: &Cut) -> JetPose {
        let found = self.review.found(self.jet);
        let axis_error =
            found.map_or(HAND_AXIS_ERROR, |found| found.axis_uncertainty_deg.to_radians() / 1.96);
        let level = self.review.turn(self.jet).level_mm - self.review.neck_beyond_mm(self.jet);
        let profile = found.map(|found| found.neck_profile.as_slice()).unwrap_or_default();
        let seen: Vec<(f64, f64)> =
            profile.iter().filter_map(|point| Some((point.position_mm - level, point.area_mm2?))).collect();
        let near = seen.iter().min_by(|a, b| a.0.abs().total_cmp(&b.0.abs())).map(|point| point.1);
        JetPose {
            neck: cut.centre(),
            narrowest: cut.centre(),
            axis: cut.normal(),
            axis_error,
            level_error_mm: LEVEL_ERROR_MM,
            area_mm2: near.unwrap_or(UNSEEN_MM2),
            haste: haste_about(self.signal, cut).unwrap_or(UNKNOWN_HASTE),
            convergence: Part::Missing,
            contraction: Part::Missing,
            expansion: Part::Missing,
            whole: Part::Found,
            profile: NeckProfile {
                positions_mm: seen.iter().map(|point| point.0).collect(),
                haste: vec![1.0; seen.len()],
                areas_mm2: seen.iter().map(|point| point.1).collect(),
            },
        }
    }
}
