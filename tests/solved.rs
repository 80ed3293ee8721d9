//! The whole measurement on solved flows for tuning: one jet, its axis and level, an interval that holds, the flow.
//!
//! `examples/accuracy` judges on the flows for testing, by stratum; these few say that nothing is broken.

#![allow(clippy::unwrap_used, reason = "a test may fail where it stands")]

use narrows::jet::Signal;
use narrows::job::Watch;
use narrows::measure::{Measurement, Options, measure};
use narrows::phantom::flow::FlowUse;
use narrows::phantom::{Recipe, random_recipe, simulate};
use narrows::planimetry::{PlaneError, Section, Tracer};
use narrows::unit::Mm;

#[test]
fn solved_jets_are_found_once_and_their_intervals_hold() {
    for name in ["round-33-thick", "ellipse-12-6", "crescent-100"] {
        let recipe = format!(
            "name = \"{name}\"\nseed = 5\n[beat]\nframes = 1\nfirst_s = 0.2\n[flow]\nsolved = \"{name}\"\n"
        );
        let (volume, truth) = simulate(&Recipe::from_toml(&recipe).unwrap(), &Watch::silent()).unwrap();
        let results = measure(&volume, &Options::default(), &Watch::silent()).unwrap();
        assert_eq!(results.jets.len(), 1, "{name}");
        let (jet, put_in) = (&results.jets[0], &truth.jets[0].frames[0]);
        let area = put_in.effective_area_mm2;
        assert!(jet.vca_mm2.low <= area && area <= jet.vca_mm2.high, "{name}: {:?} {area}", jet.vca_mm2);
        assert!((jet.vca_mm2.value / area - 1.0).abs() < 0.3, "{name}: {:?} {area}", jet.vca_mm2);
        let cosine: f64 = (0..3).map(|i| jet.axis[i] * truth.jets[0].axis[i]).sum();
        assert!(libm::acos(cosine) < 8f64.to_radians(), "{name}: {cosine}");
        let away: f64 = (0..3).map(|i| (jet.neck_mm[i] - put_in.neck_mm[i]).powi(2)).sum();
        assert!(away.sqrt() < 2.5, "{name}: {} mm", away.sqrt());
        assert!(jet.displayed_area_mm2.unwrap().value > 0.8 * jet.vca_mm2.value);
    }
}

#[test]
fn blood_that_moves_around_a_jet_is_no_part_of_what_is_traced() {
    // With power and with velocity alone; all of the plane is coloured by blood of 0.12 to 0.34 m/s.
    for seed in [305, 306, 328] {
        let recipe = random_recipe(seed, FlowUse::Tuning).unwrap().single_frame();
        let (volume, truth) = simulate(&recipe, &Watch::silent()).unwrap();
        let found = Measurement::of(&volume, &Options::default(), &Watch::silent()).unwrap().beat;
        let [jet] = &found.jets[..] else { panic!("{seed}: {} jets", found.jets.len()) };
        let at = jet.frames[0].measured().unwrap().largest().unwrap();
        let (truth, shown) = (truth.jets[0].frames[0].effective_area_mm2, at.tracing.outline.area().get());
        assert!(shown < 3.0 * truth, "{seed}: {shown} around {truth}");
        // A reader who traces the jet, and leaves the slow blood out, reads about its area.
        let signal = Signal::new(&volume, 0, found.scale).unwrap();
        let tracer = Tracer { signal: &signal, anterior_posterior: None, threshold: None };
        let section = Section::read(&signal, at.cut, PlaneError::BY_HAND);
        let traced = at.corrected.offset(Mm::new(1.0)).unwrap();
        let read = tracer.measure(&section, &traced, at.tracing.level).unwrap().vca.value.get();
        assert!((read / truth - 1.0).abs() < 0.4, "{seed}: {read} of {truth}");
    }
}

#[test]
fn an_outline_drawn_where_the_program_traces_nothing_is_read_by_the_network_too() {
    let recipe = "seed = 5\n[beat]\nframes = 1\nfirst_s = 0.2\n[flow]\nsolved = \"round-33-thick\"\n";
    let (volume, _) = simulate(&Recipe::from_toml(recipe).unwrap(), &Watch::silent()).unwrap();
    let found = Measurement::of(&volume, &Options::default(), &Watch::silent()).unwrap().beat;
    let at = found.jets[0].frames[0].measured().unwrap().largest().unwrap();
    let signal = Signal::new(&volume, 0, found.scale).unwrap();
    let tracer = Tracer { signal: &signal, anterior_posterior: None, threshold: None };
    let beside = at.cut.centred(at.cut.centre().moved(at.cut.u().into_inner() * 26.0));
    let section = Section::read(&signal, beside, PlaneError::BY_HAND);
    assert!(tracer.propose(&section).is_err());
    let read = tracer.measure(&section, &at.tracing.outline, 0.5).unwrap();
    assert!(read.arms.network_mm2.is_some());
}
