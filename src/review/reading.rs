//! The numbers of a review: the measurement, with what the reader did in its place.
//!
//! The volume is measured anew, with the directions and the continuous-wave Doppler that the reader
//! gave. Then, jet by jet: jets set aside are left out; where the reader has tracings that count,
//! they are assessed on the reader's own outline; where the reader only turned the cut or moved the
//! level, the outline is traced there; everything else stays as measured. Which of these a number
//! is stands with the jet.

use std::sync::Arc;

use nalgebra::Vector3;

use super::{Drawn, JetId, Quantity, Review, Tracing, evidence};
use crate::beat::ContinuousWave;
use crate::jet::{JetPose, NeckProfile, Part, Signal, SignalScale};
use crate::job::Watch;
use crate::measure::results::{JetResult, Origin, Reading};
use crate::measure::{self, FrameReading, MeasureError, Options, Results, reread, reread_jet};
use crate::outline::Outline;
use crate::planimetry::{Assessment, NeckImage, Tracing as Traced, assess_tracing, neck_image, trace};
use crate::space::{Cut, CutPoint, Direction, direction};
use crate::unit::{MetresPerSecond, Mm};
use crate::volume::Volume4;

/// Standard error of the axis of a cut laid by hand, radians (our own choice)
const HAND_AXIS_ERROR: f64 = 3.0 * std::f64::consts::PI / 180.0;
/// Standard error of a level along the jet, mm: the goal of the measurement (our own choice)
const LEVEL_ERROR_MM: f64 = 0.5;
/// Jets of two measurements whose necks are nearer than this are one, mm (our own choice)
const SAME_JET_MM: f64 = 5.0;

/// What a measurement must know of the review it belongs to
pub fn options(review: &Review) -> Options {
    let axis = review.results.iter().flat_map(|results| &results.jets).next().map(|jet| jet.axis);
    let axis = axis.map_or_else(Vector3::z, Vector3::from);
    Options {
        anterior_posterior: review.work.landmarks.anterior_posterior(axis).and_then(direction),
        continuous_wave: continuous_wave(review),
        evidence: evidence(&review.work.entries),
        ..Options::default()
    }
}

fn continuous_wave(review: &Review) -> ContinuousWave {
    let entered = |quantity| {
        review.work.entries.iter().find(|entry| entry.quantity == quantity).map(|entry| entry.value)
    };
    ContinuousWave {
        peak: entered(Quantity::CwPeakVelocity).map(MetresPerSecond::new),
        vti_m: entered(Quantity::CwVti).map(|cm| cm / 100.0),
        duration: None,
    }
}

/// The numbers of a review
///
/// # Errors
/// See [`MeasureError`].
pub fn numbers(review: &Review, volume: &Volume4, watch: &Watch) -> Result<Results, MeasureError> {
    let options = options(review);
    let base = measure::measure(volume, &options, watch)?;
    let Some(scale) = SignalScale::of(volume) else { return Err(MeasureError::NoVelocity) };
    // Numbers of jets mean those of the measurement that the reader saw.
    let mut seen = review.clone();
    if seen.results.is_none() {
        seen.results = Some(Arc::new(base.clone()));
    }
    let bench = Bench { review: &seen, volume, scale, named: options.anterior_posterior };
    let mut said = Vec::new();
    let mut jets = Vec::new();
    let known: Vec<JetId> = seen
        .results
        .iter()
        .flat_map(|results| &results.jets)
        .map(|jet| JetId::Found(jet.id as u32))
        .collect();
    let mut matched = Vec::new();
    for id in known.into_iter().chain(seen.work.added.iter().map(|added| added.id)) {
        let found = seen.found(id).and_then(|found| same_jet(found, &base));
        matched.extend(found.map(|jet| jet.id));
        if seen.work.dismissed.contains(&id) {
            said.push(format!("Jet {id} of the review was set aside by the reader."));
            continue;
        }
        match bench.jet(id, found, &mut said) {
            Some(jet) => jets.push(jet),
            None => said.push(format!("Jet {id} of the review could not be measured, and is left out.")),
        }
    }
    let new = base.jets.iter().filter(|jet| !matched.contains(&jet.id)).count();
    if new > 0 {
        said.push(format!(
            "{new} further jets are found by this version, and are left out: the reader did not see them."
        ));
    }
    said.extend(notes(&seen));
    Ok(reread(volume, &base, jets, &options.continuous_wave, said))
}

fn notes(review: &Review) -> Option<String> {
    let notes = review.work.notes.split_whitespace().collect::<Vec<_>>().join(" ");
    (!notes.is_empty()).then(|| format!("The reader noted: {notes}"))
}

/// The jet of this measurement that is the one the reader saw
fn same_jet<'a>(seen: &JetResult, base: &'a Results) -> Option<&'a JetResult> {
    let away = |jet: &JetResult| (Vector3::from(jet.neck_mm) - Vector3::from(seen.neck_mm)).norm();
    base.jets.iter().filter(|jet| away(jet) < SAME_JET_MM).min_by(|a, b| away(a).total_cmp(&away(b)))
}

struct Bench<'a> {
    review: &'a Review,
    volume: &'a Volume4,
    scale: SignalScale,
    named: Option<Direction>,
}

impl Bench<'_> {
    /// A jet as it was read
    fn jet(&self, id: JetId, found: Option<&JetResult>, said: &mut Vec<String>) -> Option<JetResult> {
        let work = &self.review.work;
        let mut readings: Vec<FrameReading> = Vec::new();
        let mut drawn = Vec::new();
        for frame in 0..self.volume.frames() {
            let tracings: Vec<&Arc<Tracing>> = work.tracings_of(id, frame).collect();
            if tracings.is_empty() {
                continue;
            }
            let signal = Signal::new(self.volume, frame, self.scale)?;
            let mut outlines = Vec::new();
            let mut cut = None;
            for tracing in tracings {
                if let Some(fault) = tracing.fault() {
                    said.push(format!("A tracing of jet {id} in frame {frame} does not count: {fault}."));
                    continue;
                }
                let Some(on) = tracing.cut.cut() else { continue };
                match self.assess_kept(&signal, id, tracing, &on) {
                    Some(assessed) => {
                        outlines.push(assessed);
                        drawn.push((frame, tracing.drawn));
                        cut.get_or_insert(on);
                    }
                    None => {
                        said.push(format!("A tracing of jet {id} in frame {frame} could not be measured."));
                    }
                }
            }
            if let Some(cut) = cut {
                readings.push(FrameReading { frame, cut, outlines });
            }
        }
        let name = id.to_string();
        if !readings.is_empty() {
            let jet =
                reread_jet(self.volume, found, &readings, axis_uncertainty_deg(found), Reading::default())?;
            let peak = readings.iter().find(|reading| reading.frame == jet.peak_frame)?;
            let hands = drawn.iter().filter(|(frame, _)| *frame == jet.peak_frame).map(|(_, drawn)| *drawn);
            let reading = Reading {
                origin: origin(hands),
                jet: Some(name),
                traced_frames: readings.iter().map(|reading| reading.frame).collect(),
                tracings: peak.outlines.len(),
            };
            if peak.outlines.len() > 1 {
                said.push(format!(
                    "The area of jet {id} is the sum of {} tracings; its widths and shape are those of the largest.",
                    peak.outlines.len()
                ));
            }
            return Some(JetResult { reading, ..jet });
        }
        let untouched = self.review.turn(id).is_none() && work.settings.threshold.is_none();
        let plain = |origin| Reading { origin, jet: Some(name.clone()), ..Reading::default() };
        match found {
            Some(found) if untouched => Some(JetResult { reading: plain(Origin::Program), ..found.clone() }),
            _ => {
                let frame = found.map_or(self.review.place.frame, |found| found.peak_frame);
                let cut = self.review.base(id, frame).en_face(&self.review.turn(id));
                let signal = Signal::new(self.volume, frame, self.scale)?;
                let level = work.settings.threshold.unwrap_or_else(|| signal.tracing_level());
                let assessed = self.live(&signal, id, &cut, level)?;
                let readings = [FrameReading { frame, cut, outlines: vec![assessed] }];
                reread_jet(
                    self.volume,
                    found,
                    &readings,
                    axis_uncertainty_deg(found),
                    plain(Origin::ReaderCut),
                )
            }
        }
    }

    /// A pose at a cut: the cut is what the reader says the neck is
    fn pose(&self, id: JetId, cut: &Cut) -> JetPose {
        let found = self.review.found(id);
        let axis_error =
            found.map_or(HAND_AXIS_ERROR, |found| found.axis_uncertainty_deg.to_radians() / 1.96);
        let level = self.review.turn(id).level_mm - self.review.neck_beyond_mm(id);
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
            area_mm2: near.unwrap_or(60.0),
            haste: 1.0,
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

    /// The outline the program draws on the reader's cut
    fn live(&self, signal: &Signal, id: JetId, cut: &Cut, level: f64) -> Option<Assessment> {
        let pose = self.pose(id, cut);
        // A turned cut may show far more than the neck: a wider picture is the second try.
        [None, Some(60.0)].into_iter().find_map(|side| {
            let image = match side {
                None => NeckImage::at(signal, &pose),
                Some(side) => neck_image(signal, &pose.en_face(), Mm::new(side), Mm::new(0.9)),
            };
            let traced = trace(&image, level, CutPoint::default()).ok()?;
            assess_tracing(signal, &pose, &image, traced, self.named).ok()
        })
    }

    /// A reader's tracing measured on its own cut
    fn assess_kept(&self, signal: &Signal, id: JetId, tracing: &Tracing, on: &Cut) -> Option<Assessment> {
        let pose = self.pose(id, on);
        let own = pose.en_face();
        let points: Vec<CutPoint> =
            tracing.points().into_iter().map(|point| own.project(on.at(point)).0).collect();
        let outline = Outline::new(points).ok()?;
        let reach = outline.points().iter().map(|point| libm::hypot(point.u, point.v)).fold(0.0, f64::max);
        let side = (2.0 * reach + 8.0).clamp(16.0, 120.0);
        let image = neck_image(signal, &own, Mm::new(side), Mm::new(0.9));
        let level = tracing
            .threshold
            .or(self.review.work.settings.threshold)
            .unwrap_or_else(|| signal.tracing_level());
        assess_tracing(signal, &pose, &image, Traced { outline, level }, self.named).ok()
    }
}

/// The uncertainty of a jet's axis; that of a cut laid by hand where the jet was placed by the reader
fn axis_uncertainty_deg(found: Option<&JetResult>) -> f64 {
    found.map_or(1.96 * HAND_AXIS_ERROR.to_degrees(), |found| found.axis_uncertainty_deg)
}

/// Who drew several tracings: the hand that did most
fn origin(hands: impl Iterator<Item = Drawn>) -> Origin {
    hands
        .map(|drawn| match drawn {
            Drawn::Proposed => (0, Origin::ReaderKept),
            Drawn::Corrected => (1, Origin::ReaderCorrected),
            Drawn::ByHand => (2, Origin::ReaderDrawn),
        })
        .max_by_key(|(rank, _)| *rank)
        .map_or(Origin::Program, |(_, origin)| origin)
}
