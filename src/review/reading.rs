//! The numbers of a review: the measured beat, with what the reader did in its place.
//!
//! The volume is measured anew, with the directions and the continuous-wave Doppler that the reader
//! gave. Jets set aside are left out, jets that the reader placed are added, and in each frame a
//! [`Reader`] says what takes the place of the program's tracings. What follows from the areas is
//! written by the same function as a measurement's results.

use std::collections::BTreeMap;
use std::sync::Arc;

use nalgebra::Vector3;

use super::{JetId, Read, Reader, Review, Sight, SignOff, Tracing, beside};
use crate::jet::Signal;
use crate::job::Watch;
use crate::measure::results::{JetResult, Reading};
use crate::measure::{Beat, JetBeat, JetFrame, MeasureError, Measurement, Options, Results, check_systole};
use crate::volume::Volume4;

/// Jets of two measurements whose vena contractas are nearer than this are one, mm (our own choice)
const SAME_JET_MM: f64 = 5.0;

/// What a measurement must know of the review it belongs to
pub fn options(review: &Review) -> Options {
    Options {
        anterior_posterior: review.anterior_posterior(),
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
    Measurement::of(volume, &options, watch).and_then(|measured| reread(review, volume, &measured))
}

/// The numbers of a review whose volume was measured already with the same [`options`], of which the systole, what was
/// entered and the criteria may have changed since
///
/// # Errors
/// [`MeasureError::Systole`].
pub fn reread(review: &Review, volume: &Volume4, measured: &Measurement) -> Result<Results, MeasureError> {
    let options = options(review);
    check_systole(volume, &options)?;
    let Measurement { beat, trust } = measured;
    let seen = seen(review, volume, measured);
    let mut said = Vec::new();
    let read = read(&seen, volume, beat, &mut said);
    let mut results = read.results(volume, trust.clone(), &options, said);
    for jet in &mut results.jets {
        jet.reading.blind_frames = blind_frames(&seen, &jet.reading);
    }
    if results.source.blake3.is_empty() {
        // On the screen the file's hash is taken later than the file is opened; the review has it.
        results.source.blake3.clone_from(&review.source.blake3);
    }
    Ok(results)
}

/// The measured beat with the reader's frames in it; its jets are named as in the review
pub fn read_beat(review: &Review, volume: &Volume4, measured: &Measurement) -> Beat {
    read(&seen(review, volume, measured), volume, &measured.beat, &mut Vec::new())
}

/// The review with the jets that its numbers mean
fn seen(review: &Review, volume: &Volume4, measured: &Measurement) -> Review {
    // Numbers of jets mean those of the measurement that the reader saw.
    let mut seen = review.clone();
    if seen.results.is_none() {
        let mut found = measured.beat.results(volume, measured.trust.clone(), &options(review), Vec::new());
        if seen.is_blind() {
            found.jets.clear();
        }
        seen.results = Some(Arc::new(found));
    }
    seen
}

/// The beat as the reader read it
fn read(seen: &Review, volume: &Volume4, beat: &Beat, said: &mut Vec<String>) -> Beat {
    let found = seen.results.iter().flat_map(|results| &results.jets).map(|jet| JetId::Found(jet.id as u32));
    let mut matched = Vec::new();
    let mut jets: Vec<(JetId, JetBeat)> = Vec::new();
    for id in found.chain(seen.work.added.iter().map(|added| added.id)) {
        let same = seen.found(id).and_then(|found| same_jet(found, beat));
        matched.extend(same);
        if seen.work.dismissed.contains(&id) {
            said.push(format!("Jet {id} of the review was set aside by the reader."));
            continue;
        }
        let absent = || vec![JetFrame::Absent; volume.frames()];
        let frames = same.map_or_else(absent, |same| beat.jets[same].frames.clone());
        jets.push((id, JetBeat { name: Some(id.to_string()), frames }));
    }
    let mut same: BTreeMap<(JetId, JetId), Vec<String>> = BTreeMap::new();
    for (frame, read) in in_frames(seen, volume, beat, &jets).into_iter().enumerate() {
        for ((id, jet), read) in jets.iter_mut().zip(read) {
            match read {
                Read::AsMeasured => {}
                Read::Traced(tracings, origin) => jet.frames[frame].replace(tracings, origin),
                Read::Lost(_) => jet.frames[frame] = JetFrame::Absent,
                Read::Same(other) => {
                    jet.frames[frame] = JetFrame::Absent;
                    same.entry((*id, other)).or_default().push((frame + 1).to_string());
                }
            }
        }
    }
    said.extend(same.iter().map(|((jet, other), frames)| {
        let frames = frames.join(", ");
        format!(
            "Jet {jet} is the orifice of jet {other} in frame {frames}, where it counts once, as jet {other}."
        )
    }));
    for (id, jet) in &jets {
        match jet.peak() {
            None if same.keys().any(|(taken, _)| taken == id) => {}
            None => said.push(format!("Jet {id} of the review could not be measured, and is left out.")),
            Some((_, at)) if at.tracings.len() > 1 => said.push(format!(
                "The area of jet {id} is the sum of {} tracings; its widths and shape are those of the largest.",
                at.tracings.len()
            )),
            Some(_) => {}
        }
        for tracing in seen.work.tracings.iter().filter(|tracing| tracing.jet == *id) {
            if let Some(fault) = seen.work.fault(tracing) {
                said.push(format!(
                    "A tracing of jet {id} in frame {} does not count: {fault}.",
                    tracing.frame + 1
                ));
            }
        }
    }
    let new = (0..beat.jets.len()).filter(|jet| !matched.contains(jet)).count();
    match &seen.sight {
        Sight::Open => {}
        Sight::Blind => said.push("Read blind: what the program finds was hidden from the reader.".to_owned()),
        Sight::Revealed { blind } => said.push(format!(
            "Read blind first: {} of the reader's tracings were made before what the program finds was shown.",
            blind.len()
        )),
    }
    if new > 0 && !seen.is_blind() {
        said.push(format!(
            "{new} further jets are found by this version, and are left out: the reader did not see them."
        ));
    }
    said.extend(notes(seen));
    said.extend(signed(seen));
    let jets = jets.into_iter().map(|(_, jet)| jet).filter(|jet| jet.peak().is_some());
    Beat { scale: beat.scale, jets: jets.collect() }
}

/// What the review says of the jets, `[frame][jet]`; a frame in which the reader did nothing is not looked at
fn in_frames(seen: &Review, volume: &Volume4, beat: &Beat, jets: &[(JetId, JetBeat)]) -> Vec<Vec<Read>> {
    let one = |frame: usize| -> Vec<Read> {
        let touched = |id: JetId| seen.is_chosen(id) || seen.work.tracings_of(id, frame).next().is_some();
        let any = jets.iter().any(|(id, _)| touched(*id));
        let signal = any.then(|| Signal::new(volume, frame, beat.scale)).flatten();
        let reader = signal.as_ref().map(|signal| Reader::new(seen, frame, signal));
        jets.iter().map(|(id, _)| reader.as_ref().map_or(Read::AsMeasured, |at| at.read(*id))).collect()
    };
    // Nobody cancels a silent watch.
    volume.each_frame(&Watch::silent(), "", one).unwrap_or_default()
}

/// The frames that a reader traced in and had not seen what the program finds
fn blind_frames(seen: &Review, reading: &Reading) -> Vec<usize> {
    let Some(jet) = reading.jet.as_ref().and_then(|name| name.parse::<JetId>().ok()) else {
        return Vec::new();
    };
    let counted = |tracing: &&Arc<Tracing>| seen.work.fault(tracing).is_none();
    let blind = |frame: &usize| {
        seen.work.tracings_of(jet, *frame).filter(counted).all(|tracing| seen.is_made_blind(tracing))
    };
    reading.traced_frames.iter().copied().filter(blind).collect()
}

fn signed(review: &Review) -> Option<String> {
    let SignOff { reader, study, date } = review.signed.as_ref()?;
    let study = if study.is_empty() { String::new() } else { format!(", study {study}") };
    Some(format!("Signed off by {reader} on {date}{study}: version {} of this reading.", review.edition))
}

fn notes(review: &Review) -> Option<String> {
    let notes = review.work.notes.split_whitespace().collect::<Vec<_>>().join(" ");
    (!notes.is_empty()).then(|| format!("The reader noted: {notes}"))
}

/// The jet of this beat that is the one the reader saw
fn same_jet(seen: &JetResult, beat: &Beat) -> Option<usize> {
    let away = |jet: &JetBeat| {
        let neck = jet.peak()?.1.pose.as_ref()?.neck;
        Some((Vector3::from(neck.to_array()) - Vector3::from(seen.neck_mm)).norm())
    };
    let near = beat.jets.iter().enumerate().filter_map(|(at, jet)| Some((away(jet)?, at)));
    near.filter(|(away, _)| *away < SAME_JET_MM).min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, at)| at)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phantom::{Recipe, simulate};
    use crate::review::{Command, Drawn, Session, Source};

    #[test]
    fn a_blind_reading_holds_what_the_reader_saw_and_nothing_of_the_program() {
        let recipe = "name = \"small\"\n[grid]\nshape = [40, 40, 40]\n[beat]\nframes = 3\n";
        let (volume, _) = simulate(&Recipe::from_toml(recipe).unwrap(), &Watch::silent()).unwrap();
        let of = |review: &Review| numbers(review, &volume, &Watch::silent()).unwrap();
        let open = Review::new(Source::of(&volume, ""));
        let found = of(&open).jets;
        assert_eq!(found.len(), 1, "the program finds the jet");
        let mut session = Session::new(open);
        session.apply(Command::ReadBlind).unwrap();
        let blind = of(session.review());
        assert!(blind.jets.is_empty(), "the program's jet is not the reader's");
        assert!(
            blind.cautions.iter().any(|caution| caution.starts_with("Read blind")),
            "{:?}",
            blind.cautions
        );
        session.apply(Command::Frame(found[0].peak_frame)).unwrap();
        let frame = found[0].peak_frame;
        let points = (0..24).map(|i| {
            let (sin, cos) = libm::sincos(f64::from(i) * std::f64::consts::TAU / 24.0);
            [3.5 * cos, 3.5 * sin]
        });
        let points = points.collect();
        session.apply(Command::AddTracing { points, drawn: Drawn::ByHand, threshold: None }).unwrap();
        let own = of(session.review()).jets;
        assert_eq!(own.len(), 1);
        assert_eq!(
            (own[0].reading.blind_frames.as_slice(), own[0].reading.tracings),
            ([frame].as_slice(), 1)
        );
        assert_eq!(own[0].reading.jet.as_deref(), Some("A"));
    }
}
