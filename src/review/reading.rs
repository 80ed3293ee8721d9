//! The numbers of a review: the measurement, with what the reader did in its place.
//!
//! The volume is measured anew, with the directions and the continuous-wave Doppler that the reader
//! gave. Then, jet by jet: jets set aside are left out; where the reader has tracings that count,
//! they are assessed on the reader's own outline; where the reader only turned the cut or moved the
//! level, the outline is traced there; everything else stays as measured. Which of these a number
//! is stands with the jet.

use std::sync::Arc;

use nalgebra::Vector3;

use super::assessing::Assessing;
use super::{Drawn, JetId, Review, Tracing, beside};
use crate::jet::{Signal, SignalScale};
use crate::job::Watch;
use crate::measure::results::{JetResult, Origin, Reading};
use crate::measure::{self, FrameReading, MeasureError, Options, Results, reread, reread_jet};
use crate::planimetry::PlaneError;
use crate::space::{Direction, direction};
use crate::volume::Volume4;

/// Jets of two measurements whose necks are nearer than this are one, mm (our own choice)
const SAME_JET_MM: f64 = 5.0;

/// What a measurement must know of the review it belongs to
pub fn options(review: &Review) -> Options {
    let axis = review.results.iter().flat_map(|results| &results.jets).next().map(|jet| jet.axis);
    let axis = axis.map_or_else(Vector3::z, Vector3::from);
    Options {
        anterior_posterior: review.work.landmarks.anterior_posterior(axis).and_then(direction),
        continuous_wave: beside::continuous_wave(&review.work.evidence),
        systole: beside::systole(&review.work),
        criteria: beside::criteria(&review.work).unwrap_or_default(),
        evidence: review.work.evidence.clone(),
        ..Options::default()
    }
}

/// The numbers of a review
///
/// # Errors
/// See [`MeasureError`].
pub fn numbers(review: &Review, volume: &Volume4, watch: &Watch) -> Result<Results, MeasureError> {
    let options = options(review);
    let mut base = measure::measure(volume, &options, watch)?;
    if base.source.blake3.is_empty() {
        // On the screen the file's hash is taken later than the file is opened; the review has it.
        base.source.blake3.clone_from(&review.source.blake3);
    }
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
    Ok(reread(volume, &base, jets, &options, said))
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
            let at = Assessing { review: self.review, signal: &signal, jet: id, named: self.named };
            let mut outlines = Vec::new();
            let mut cut = None;
            for tracing in tracings {
                if let Some(fault) = tracing.fault() {
                    said.push(format!("A tracing of jet {id} in frame {frame} does not count: {fault}."));
                    continue;
                }
                let Some(on) = tracing.cut.cut() else { continue };
                match at.kept(tracing, &on) {
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
                let at = Assessing { review: self.review, signal: &signal, jet: id, named: self.named };
                let assessed = at.traced(&cut).ok()?;
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
}

/// The uncertainty of a jet's axis; that of a cut laid by hand where the jet was placed by the reader
fn axis_uncertainty_deg(found: Option<&JetResult>) -> f64 {
    found.map_or(1.96 * PlaneError::BY_HAND.axis.to_degrees(), |found| found.axis_uncertainty_deg)
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
