//! One question, one answer: whoever asks for the area of a jet on its own plane gets the same bits.

// The helpers of a test may fail the test.
#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};

use narrows::format::{OpenOptions, open};
use narrows::jet::Signal;
use narrows::job::Watch;
use narrows::measure::results::{JetResult, Origin};
use narrows::measure::{Beat, JetBeat, JetFrame, Measurement, Options, Results, measure};
use narrows::phantom::Truth;
use narrows::planimetry::{Tracer, departures};
use narrows::review::{self, Command, Drawn, JetId, Reader, Review, Session, Source, Turn};
use narrows::study::practice;
use narrows::study::sweep::{Over, Remake, SweepOptions, sweep, sweep_beat};
use narrows::volume::Volume4;
use rayon::prelude::*;

/// Asks everyone about every jet of a volume
fn ask(volume: &Volume4, truth: Option<&Truth>) {
    let options = Options::default();
    let Measurement { beat, trust } = Measurement::of(volume, &options, &Watch::silent()).unwrap();
    let results = beat.results(volume, trust, &options, Vec::new());
    assert_eq!(measure(volume, &options, &Watch::silent()).unwrap(), results);
    assert!(!results.jets.is_empty());
    // As a file would give it back.
    let text = serde_json::to_string(&results).unwrap();
    let saved: Results = serde_json::from_str(&text).unwrap();
    for (jet, of_beat) in results.jets.iter().zip(&beat.jets) {
        swept(volume, &beat, jet);
        traced(volume, &beat, of_beat, jet);
        read(volume, &saved, jet);
    }
    untouched(volume, &saved, truth);
}

/// The sweep's middle, of the volume and of the beat that it would measure
fn swept(volume: &Volume4, beat: &Beat, jet: &JetResult) {
    let options = |values: &[f64]| SweepOptions {
        values: values.to_vec(),
        jet: jet.id,
        remake: Remake::Never,
        ..SweepOptions::default()
    };
    let silent = Watch::silent();
    let whole = sweep(volume, None, Over::Level, &options(&[0.0]), &silent).unwrap();
    for (over, value) in [(Over::Level, 0.0), (Over::Tilt, 0.0), (Over::Roll, 0.0), (Over::Gain, 1.0)] {
        let found = sweep_beat(volume, beat, None, over, &options(&[value]), &silent).unwrap();
        assert!(over != Over::Level || found == whole);
        assert_eq!((found.frame, found.chosen_vca_mm2), (jet.peak_frame, jet.vca_mm2), "{over:?}");
        let row = &found.rows[0];
        assert_eq!((row.vca_mm2, row.traced_mm2), (Some(jet.vca_mm2), Some(jet.traced_area_mm2)), "{over:?}");
        assert_eq!(row.long_axis_mm, Some(jet.width_mm.long_axis.value), "{over:?}");
        assert_eq!(row.commissural_mm, Some(jet.width_mm.commissural.value), "{over:?}");
    }
    // A plane rolled in itself is the same plane.
    let rolled = sweep_beat(volume, beat, None, Over::Roll, &options(&[1.0, 33.0]), &silent).unwrap();
    assert!(rolled.rows.iter().all(|row| row.vca_mm2 == Some(jet.vca_mm2)), "{rolled:?}");
}

/// The tracer itself, the middle of the tilt map, the base of the observer table
fn traced(volume: &Volume4, beat: &Beat, of_beat: &JetBeat, jet: &JetResult) {
    let signal = Signal::new(volume, jet.peak_frame, beat.scale).unwrap();
    let tracer = Tracer { signal: &signal, anterior_posterior: None, threshold: None };
    let section = jet.frames[jet.peak_frame].section().unwrap();
    let JetFrame::Measured(at) = &of_beat.frames[jet.peak_frame] else { panic!("not measured") };
    assert_eq!(section.plane, at.pose.as_ref().unwrap().en_face());
    assert_eq!(jet.vca_mm2, tracer.propose(&section).unwrap().vca.into());
    let core = at.largest().unwrap().core();
    let shown = tracer.displayed(&section.plane, core.as_ref()).unwrap();
    assert_eq!(shown.outline.area().get(), jet.traced_area_mm2);
    let held = tracer.at(shown.level).displayed(&section.plane, core.as_ref()).unwrap();
    assert_eq!(held.outline.area().get(), jet.traced_area_mm2);
    let observed = departures(&tracer, at.largest().unwrap());
    let told: Vec<f64> = jet.observer.iter().map(|change| change.mean_mm2).collect();
    assert_eq!(observed.iter().map(|change| change.mean.get()).collect::<Vec<_>>(), told);
}

fn session(volume: &Volume4, results: &Results) -> Session {
    let mut session = Session::new(Review::new(Source::of(volume, "00")));
    session.learn(results.clone());
    session
}

/// The screen, and a review in which the proposal was kept as it is
fn read(volume: &Volume4, results: &Results, jet: &JetResult) {
    let id = JetId::Found(jet.id as u32);
    let mut session = session(volume, results);
    session.apply(Command::Select(id)).unwrap();
    session.apply(Command::Frame(jet.peak_frame)).unwrap();
    let scale = narrows::jet::SignalScale::of(volume).unwrap();
    let signal = Signal::new(volume, jet.peak_frame, scale).unwrap();
    let live = Reader::new(session.review(), jet.peak_frame, &signal).proposal(id).unwrap();
    assert_eq!(jet.vca_mm2, live.vca.into(), "the screen's own tracing");

    // Rolled by a degree: the same plane still.
    let roll = Turn { roll: 1f64.to_radians(), ..Turn::default() };
    let mut rolled = session.clone();
    rolled.apply(Command::Turn(id, roll)).unwrap();
    let found = numbers(&rolled, volume, jet);
    assert_eq!((found.vca_mm2, found.reading.origin), (jet.vca_mm2, Origin::ReaderCut));

    // Kept: with all its vertices, and with those that the screen keeps.
    let shown = session.en_face();
    for outline in [live.tracing.outline.clone(), live.tracing.outline.with_few_vertices()] {
        let points = outline.points().iter().map(|point| {
            let (foot, _) = shown.project(live.cut.at(*point));
            [foot.u, foot.v]
        });
        let mut kept = session.clone();
        let keep = Command::AddTracing {
            points: points.collect(),
            drawn: Drawn::Proposed,
            threshold: Some(live.tracing.level),
        };
        kept.apply(keep).unwrap();
        let found = numbers(&kept, volume, jet);
        assert_eq!((found.peak_frame, found.reading.origin), (jet.peak_frame, Origin::ReaderKept));
        let near = |a: f64, b: f64, what: &str| {
            assert!((a / b - 1.0).abs() < 1e-3, "{what} of jet {}: {a} kept, {b} measured", jet.id);
        };
        near(found.vca_mm2.value, jet.vca_mm2.value, "area");
        near(found.vca_mm2.low, jet.vca_mm2.low, "low end");
        near(found.vca_mm2.high, jet.vca_mm2.high, "high end");
        near(found.traced_area_mm2, jet.traced_area_mm2, "displayed area");
        near(found.systole.mean_vca_mm2, jet.systole.mean_vca_mm2, "mean");
        // What the screen shows is what the report says, to the bit.
        let at = Reader::new(kept.review(), jet.peak_frame, &signal).area(id);
        assert_eq!(at, Some(found.vca_mm2));
    }
}

/// The jet of a review's numbers that is this one
fn numbers(session: &Session, volume: &Volume4, jet: &JetResult) -> JetResult {
    let found = review::numbers(session.review(), volume, &Watch::silent()).unwrap();
    let name = jet.id.to_string();
    found.jets.into_iter().find(|found| found.reading.jet.as_deref() == Some(&name)).unwrap()
}

/// A review in which nothing was done, and practice on it
fn untouched(volume: &Volume4, results: &Results, truth: Option<&Truth>) {
    let session = session(volume, results);
    let mut again = review::numbers(session.review(), volume, &Watch::silent()).unwrap();
    for jet in &mut again.jets {
        assert_eq!(jet.reading.jet.take(), Some(jet.id.to_string()));
    }
    again.source.blake3.clone_from(&results.source.blake3);
    assert_eq!(&again, results);
    let Some(truth) = truth else { return };
    let read = review::practised(session.review(), volume, &Watch::silent()).unwrap();
    let scored = practice::score(volume, truth, &read, &Watch::silent()).unwrap();
    for jet in &results.jets {
        let name = jet.id.to_string();
        let score = scored.jets.iter().find(|score| score.read_as.as_deref() == Some(&name)).unwrap();
        assert_eq!((score.reported_mm2, score.frame), (jet.vca_mm2.value, Some(jet.peak_frame)));
        // The program's outline on the reader's plane is the program's: only where the picture's centre lies differs.
        let on_plane = score.steps.unwrap().on_plane;
        assert!((on_plane / jet.vca_mm2.value - 1.0).abs() < 0.01, "{on_plane} for {}", jet.vca_mm2.value);
    }
}

#[test]
fn every_sample() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-volumes");
    let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let samples: Vec<PathBuf> =
        entries.filter(|path| path.extension().is_some_and(|end| end == "dcm")).collect();
    assert!(!samples.is_empty());
    samples.par_iter().for_each(|path| {
        println!("{}", path.display());
        let volume = open(path, &OpenOptions::default()).unwrap();
        let truth = narrows::phantom::truth_beside(path).unwrap();
        ask(&volume, truth.as_ref());
    });
}
