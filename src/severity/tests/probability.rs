//! Probabilities, vignettes, caveats, and two properties: worse evidence never makes a milder class more
//! probable, and nothing that the volume measures softens a grading.

use std::sync::atomic::{AtomicUsize, Ordering};

use proptest::prelude::*;
use proptest::test_runner::{RngAlgorithm, TestRng, TestRunner};

use super::*;
use crate::numeric::special::normal_cdf;

fn outcome(text: &str) -> Outcome {
    ase(text).conclusion.outcome
}

fn severe(grading: &Grading) -> f64 {
    grading.conclusion.probability.unwrap().severe
}

fn placed<'a>(grading: &'a Grading, label: &str) -> &'a Placement {
    grading.placements.iter().find(|p| p.label == label).unwrap_or_else(|| panic!("no {label}"))
}

// ------------------------------------------------------------- one measurement

#[test]
fn a_value_is_a_distribution_against_its_own_cuts() {
    // EROA 44 with a stated error of 6 at 95 %, scatter of the method 20 %: the standard deviation at 42 is
    // sqrt(3.06^2 + 8.4^2) = 8.94, so 40 lies 0.447 of it below, and P(>= 40) = Phi(0.447) = 0.673.
    let grading = ase("pisa_eroa_mm2 = { value = 44, error = 6 }");
    let alone = placed(&grading, "EROA by PISA").probability.unwrap();
    assert!((alone.severe - normal_cdf(0.447)).abs() < 0.01, "{}", alone.severe);
    // Without an error it is log-normal with 25 %: P(>= 40) of 50 is Phi(ln(50 / 40) / 0.25), P(< 20) of 15 likewise.
    for (value, cut, class) in [(50.0_f64, 40.0_f64, Class::Severe), (15.0, 20.0, Class::Mild)] {
        let expected = normal_cdf(libm::log(value / cut).abs() / 0.25);
        let alone = placed(&ase(&format!("pisa_eroa_mm2 = {value}")), "EROA by PISA").probability.unwrap();
        assert!((alone.of(class) - expected).abs() < 0.01, "{value}");
    }
    // A fraction is normal: 4 points of the measurement and 6 of the method.
    let fraction = ase("regurgitant_fraction_percent = 56").conclusion.probability.unwrap();
    assert!((fraction.severe - normal_cdf(6.0 / 52.0_f64.sqrt())).abs() < 0.01);
    // Alone it is all the evidence there is.
    let all = grading.conclusion.probability.unwrap();
    assert!(
        (all.severe - alone.severe).abs() < 1e-9
            && (all.of(Class::Mild) - alone.of(Class::Mild)).abs() < 1e-9
    );
    // At the cut the odds are even, and a smaller error makes what is beyond it surer.
    let at = |text: &str| severe(&ase(text));
    assert!((at("pisa_eroa_mm2 = 40") - 0.5).abs() < 1e-9);
    assert!((at("regurgitant_fraction_percent = 50") - 0.5).abs() < 1e-9);
    assert!(
        at("pisa_eroa_mm2 = { value = 48, error = 2 }") > at("pisa_eroa_mm2 = { value = 48, error = 12 }")
    );
    // A table of severe only: even odds at its cut too.
    let european = by("esc-2021", "mechanism = \"primary\"\npisa_eroa_mm2 = 40");
    assert!((severe(&european) - 0.5).abs() < 1e-9);
    assert_eq!(european.conclusion.probability.unwrap().mild, None);
}

#[test]
fn what_shares_an_error_counts_once() {
    // Volume and EROA by PISA share the radius: two that say the same are no surer than one.
    let one = severe(&ase("pisa_eroa_mm2 = 46"));
    let both = severe(&ase("pisa_eroa_mm2 = 46\npisa_regurgitant_volume_ml = 69"));
    assert!((one - both).abs() < 1e-9, "{one} {both}");
    // The radius itself adds nothing to the EROA made of it.
    let radius = "pisa_eroa_mm2 = 46\nconvergence_radius_mm = 11\nconvergence_nyquist_cm_s = 35";
    assert!((severe(&ase(radius)) - one).abs() < 1e-9);
    // A fraction from the stroke volumes is another source.
    assert!(severe(&ase("pisa_eroa_mm2 = 46\nregurgitant_fraction_percent = 54")) > one + 0.05);
}

// ------------------------------------------------------------- vignettes

/// Primary regurgitation of a flail leaflet, everything severe
const FLAIL: &str = "mechanism = \"primary\"\nleaflet = \"flail\"\npisa_eroa_mm2 = { value = 44, error = 6 }\n\
    regurgitant_volume_ml = { value = 66, error = 8 }\nregurgitant_fraction_percent = { value = 54, error = 6 }\n\
    pulmonary_vein_flow = \"systolic_reversal\"\ncw_density = \"dense\"\ncw_contour = \"triangular\"\n\
    e_wave_m_s = 1.4\n";

/// A small central jet, everything mild
const SMALL: &str = "mechanism = \"primary\"\nleaflet = \"minor\"\njet = \"small_central\"\n\
    pisa_eroa_mm2 = { value = 11, error = 3 }\nregurgitant_volume_ml = { value = 18, error = 6 }\n\
    regurgitant_fraction_percent = { value = 19, error = 5 }\ninflow = \"a_dominant\"\ncw_density = \"faint\"\n\
    e_wave_m_s = 0.7\n";

#[test]
fn a_severe_regurgitation_is_not_softened() {
    let alone = ase(FLAIL);
    assert_eq!(alone.conclusion.outcome, Outcome::Severe);
    assert!(severe(&alone) > 0.95, "{}", alone.conclusion.sentence);
    assert!(alone.conclusion.sentence.starts_with("Severe by ASE/SCMR 2017 (probability 9"));
    assert_eq!(alone.conclusion.settles, None);
    // A VC area of 31 mm2, effective, displayed or both, discords and changes nothing.
    for displayed in [None, Some(around(31.0, 3.0))] {
        let volume = Own { displayed_mm2: displayed, width_mm: Some(around(4.0, 0.5)), ..own(31.0, 3.0) };
        let with = grade(&TABLES[0], &evidence(FLAIL), &volume);
        assert_eq!(with.conclusion.outcome, Outcome::Severe);
        assert_eq!(with.guideline, alone.guideline);
        assert!(severe(&with) >= severe(&alone));
        assert_eq!(placed(&with, "VC area in 3D, effective").agreement, Agreement::Differs);
        assert!(with.conclusion.next.iter().any(|next| next.contains("VC area in 3D, effective")));
    }
}

#[test]
fn one_discordant_value_does_not_turn_a_clear_case() {
    for (key, value) in [
        ("pisa_eroa_mm2", "28"),
        ("regurgitant_volume_ml", "48"),
        ("regurgitant_fraction_percent", "38"),
        ("vc_width_mm", "4"),
        ("inflow", "\"a_dominant\""),
        ("lv_size", "\"normal\"\nla_size = \"normal\""),
    ] {
        let kept: String = FLAIL
            .lines()
            .filter(|line| !line.starts_with(key))
            .fold(String::new(), |all, line| all + line + "\n");
        let grading = ase(&format!("{kept}{key} = {value}"));
        assert_eq!(grading.conclusion.outcome, Outcome::Severe, "{key}: {}", grading.conclusion.sentence);
    }
    for (key, value) in [
        ("leaflet", "\"flail\""),
        ("vc_width_mm", "5"),
        ("e_wave_m_s", "1.3"),
        ("pulmonary_vein_flow", "\"systolic_blunting\""),
        ("lv_size", "\"dilated\"\nlv_function = \"normal\""),
    ] {
        let kept: String = SMALL
            .lines()
            .filter(|line| !line.starts_with(key))
            .fold(String::new(), |all, line| all + line + "\n");
        let grading = ase(&format!("{kept}{key} = {value}"));
        assert_eq!(grading.conclusion.outcome, Outcome::Mild, "{key}: {}", grading.conclusion.sentence);
    }
    // A VC area that a careless tracing doubled: the steps still say mild, and so does the probability.
    let with = grade(&TABLES[0], &evidence(SMALL), &own(28.0, 4.0));
    assert_eq!(with.conclusion.outcome, Outcome::Mild, "{}", with.conclusion.sentence);
}

#[test]
fn what_is_not_determined_says_what_would_settle_it() {
    let grading = ase("pisa_eroa_mm2 = 38\nmechanism = \"primary\"");
    assert_eq!(grading.conclusion.outcome, Outcome::NotEnough);
    assert_eq!(grading.conclusion.open, Some([Class::Moderate, Class::Severe]));
    assert_eq!(grading.conclusion.settles.as_deref(), Some("Regurgitant fraction"));
    assert!(grading.conclusion.sentence.contains("one source speaks alone"));
    // The steps say moderate, everything together rather severe: no class is named.
    let torn = ase(&(counted(0, 2).unwrap() + "pisa_eroa_mm2 = 38\nmechanism = \"primary\""));
    assert_eq!(letter(&torn).1, Some([Class::Moderate; 2]));
    assert_eq!(torn.conclusion.outcome, Outcome::Indeterminate);
    assert!(
        torn.conclusion.sentence.contains("by all evidence rather severe"),
        "{}",
        torn.conclusion.sentence
    );
    // Of two classes, and the worse one probable by far: it is named. The milder never is.
    let worse = ase("pisa_eroa_mm2 = 52\nregurgitant_fraction_percent = 48\nleaflet = \"flail\"\n\
                     pulmonary_vein_flow = \"systolic_reversal\"");
    assert_eq!((letter(&worse).0, worse.conclusion.outcome), (Decided::Between, Outcome::Severe));
    let milder = ase("pisa_eroa_mm2 = 41\nregurgitant_fraction_percent = 35\ncw_density = \"dense\"");
    assert_eq!((letter(&milder).0, milder.conclusion.outcome), (Decided::Between, Outcome::Indeterminate));
    assert!(milder.conclusion.probability.unwrap().of(Class::Moderate) > 0.7);
}

#[test]
fn a_class_between_is_called_probable() {
    let near = ase("pisa_eroa_mm2 = 41\nregurgitant_fraction_percent = 51\nmechanism = \"primary\"");
    assert_eq!(near.conclusion.outcome, Outcome::Severe);
    assert!(near.conclusion.sentence.starts_with("Probably severe"), "{}", near.conclusion.sentence);
    let border = near.steps.iter().find(|step| step.asked.contains("quantities")).unwrap();
    assert!(border.contest.contains("memory"), "{border:?}");
    let stated = ase("pisa_eroa_mm2 = { value = 41, error = 4 }\nregurgitant_fraction_percent = 51");
    let border = stated.steps.iter().find(|step| step.asked.contains("quantities")).unwrap();
    assert!(border.contest.contains("may be of another grade: EROA by PISA"), "{border:?}");
    let criterion = ase("vc_width_mm = { value = 7.2, error = 0.6 }");
    let step = criterion.steps.iter().find(|step| step.asked.contains("for severe")).unwrap();
    assert!(step.contest.contains("Within its error this may be otherwise: VC width of 7 mm"), "{step:?}");
}

// ------------------------------------------------------------- the volume and the guideline

#[test]
fn the_volume_alone_is_compatible_and_never_grades() {
    for (area, word) in [(10.0, "mild"), (30.0, "moderate"), (62.0, "severe")] {
        let grading = grade(&TABLES[0], &Evidence::default(), &own(area, 2.0));
        assert_eq!(grading.conclusion.outcome, Outcome::NotEnough);
        assert!(grading.conclusion.sentence.contains(&format!("Compatible with {word}")) || area == 30.0);
        assert!(grading.conclusion.missing[0].contains("EROA"));
        assert!(grading.conclusion.settles.is_some());
    }
    let none = grade(&TABLES[0], &Evidence::default(), &Own::default());
    assert_eq!((none.conclusion.outcome, none.conclusion.probability), (Outcome::NotEnough, None));
    // With one quantity of the table beside it, it is a second source for the class that both give.
    for (eroa, area, expected) in [
        (48.0, 55.0, Outcome::Severe),
        (10.0, 9.0, Outcome::Mild),
        // Not where a worse class is still possible, nor where the two differ.
        (36.0, 25.0, Outcome::NotEnough),
        (48.0, 15.0, Outcome::NotEnough),
    ] {
        let grading = grade(&TABLES[0], &evidence(&format!("pisa_eroa_mm2 = {eroa}")), &own(area, 2.0));
        assert_eq!(grading.conclusion.outcome, expected, "{eroa} {area}: {}", grading.conclusion.sentence);
    }
}

#[test]
fn what_stands_apart_is_named() {
    let text = "pisa_eroa_mm2 = 50\nregurgitant_fraction_percent = 58\nvc_width_mm = 2.5\ncw_density = \"dense\"\n\
                cw_contour = \"triangular\"";
    let grading = ase(text);
    assert_eq!(grading.conclusion.outcome, Outcome::Severe);
    let differs: Vec<&str> = grading
        .placements
        .iter()
        .filter(|p| p.agreement == Agreement::Differs)
        .map(|p| p.label.as_str())
        .collect();
    assert_eq!(differs, ["VC width, one view"]);
    assert!(grading.conclusion.next.iter().any(|next| next.contains("differs: VC width, one view")));
}

// ------------------------------------------------------------- caveats

#[test]
fn a_late_regurgitation_holds_back_what_one_frame_says() {
    let text = "pisa_eroa_mm2 = 45\nvc_width_mm = 8\nconvergence_radius_mm = 11\nconvergence_nyquist_cm_s = 35\n\
                leaflet = \"flail\"\npulmonary_vein_flow = \"systolic_reversal\"\n";
    assert_eq!(ase(text).count.unwrap().severe_met, 4);
    for leak in ["early", "mid", "late"] {
        let grading = ase(&format!("{text}leak = \"{leak}\""));
        assert_eq!(grading.count.as_ref().unwrap().severe_met, 2, "{leak}");
        assert_eq!(grades(&grading, "EROA by PISA"), Grades::ALL);
        assert_ne!(grading.conclusion.outcome, Outcome::Severe);
        assert_eq!(placed(&grading, "EROA by PISA").probability, None, "a bound has none of its own");
        // Volume and fraction decide.
        let volume = "mechanism = \"primary\"\nregurgitant_volume_ml = 36\nregurgitant_fraction_percent = 36\n\
                      pisa_eroa_mm2 = 45\nleaflet = \"moderate\"\n";
        assert_eq!(outcome(&format!("{volume}leak = \"{leak}\"")), Outcome::Moderate);
    }
    // The reason is said: the quantity that is a bound and what makes it one, and the criteria held back.
    let late = ase(&format!("{text}leak = \"late\""));
    assert_eq!(late.conclusion.outcome, Outcome::Indeterminate);
    let why = &late.conclusion.why;
    assert!(why.contains("EROA by PISA is an upper bound only (late systole only)"), "{why}");
    assert!(why.contains("a caveat holds back VC width of 7 mm"), "{why}");
    // Biphasic: the area of the peak frame only.
    let biphasic = evidence("pisa_eroa_mm2 = 45\nleak = \"biphasic\"");
    let grading = grade(&TABLES[0], &biphasic, &own(45.0, 2.0));
    assert_eq!(placed(&grading, "VC area in 3D, effective").reach, Reach::AtMost);
    assert_eq!(placed(&grading, "EROA by PISA").reach, Reach::Exact);
}

#[test]
fn the_pattern_of_the_volume_bounds_its_own_areas_and_nothing_else() {
    // A late jet of a flail leaflet, severe by everything that was entered.
    let text = "leaflet = \"flail\"\npisa_eroa_mm2 = 52\npisa_regurgitant_volume_ml = 78\nvc_width_mm = 8\n\
                convergence_radius_mm = 11\nconvergence_nyquist_cm_s = 35\n\
                pulmonary_vein_flow = \"systolic_reversal\"\n";
    let alone = ase(text);
    assert_eq!(alone.conclusion.outcome, Outcome::Severe);
    for (pattern, words) in [
        (Pattern::Early, "early systole only"),
        (Pattern::Late, "late systole only"),
        (Pattern::Biphasic, "biphasic"),
    ] {
        let with = grade(&TABLES[0], &evidence(text), &Own { pattern, ..own(52.0, 4.0) });
        assert_eq!(with.conclusion.outcome, Outcome::Severe, "{}", with.conclusion.sentence);
        assert_eq!(with.guideline, alone.guideline);
        assert_eq!(placed(&with, "EROA by PISA").reach, Reach::Exact);
        // The peak area of a short regurgitation overstates it: by itself it makes nothing severe.
        assert_eq!(placed(&with, "VC area in 3D, effective").reach, Reach::AtMost);
        let by_area = |pattern| severe(&grade(&TABLES[0], &evidence(""), &Own { pattern, ..own(52.0, 4.0) }));
        assert!(by_area(pattern) < 0.5 && by_area(Pattern::Holosystolic) > 0.8);
        assert!(with.cautions.iter().any(|said| said.contains(words) && said.contains("`leak`")));
    }
    // What the volume says of a round orifice or a single jet makes nothing milder either.
    let third = "mechanism = \"secondary\"\npisa_eroa_mm2 = 34\nvc_width_mm = 5";
    assert_eq!(letter(&grade(&TABLES[0], &evidence(third), &own(20.0, 2.0))), letter(&ase(third)));
    let crescent = Own { shape: Some(ShapeClass::Crescent), ..own(20.0, 2.0) };
    assert_eq!(letter(&grade(&TABLES[0], &evidence(third), &crescent)).1, Some([Class::Severe; 2]));
}

#[test]
fn a_table_of_one_measure_names_classes_by_its_own_names() {
    let table = Criteria::built_in("mitra-pro").unwrap();
    let residual = evidence("setting = \"after_repair\"");
    for (area, outcome, words) in [
        (4.0, Outcome::Mild, "Below 0.10 cm²"),
        (18.0, Outcome::Moderate, "0.10 cm² to 0.30 cm²"),
        (50.0, Outcome::Severe, "0.30 cm² or more"),
    ] {
        let volume = Own { displayed_mm2: Some(around(area, 1.0)), ..Own::default() };
        let grading = grade(&table, &residual, &volume);
        assert_eq!(grading.conclusion.outcome, outcome, "{}", grading.conclusion.sentence);
        let said = format!("{words} by MITRA-PRO");
        let probably = format!("Probably {}", words.to_lowercase());
        let sentence = &grading.conclusion.sentence;
        assert!(sentence.starts_with(&said) || sentence.starts_with(&probably), "{sentence}");
        assert!(!sentence.contains("mild") && !sentence.contains("severe"), "{sentence}");
    }
    // One bound leaves it open, and says so.
    let cut = Own { displayed_mm2: Some(around(18.0, 1.0)), whole: false, ..own(15.0, 1.0) };
    let open = grade(&table, &residual, &cut).conclusion;
    assert_eq!(open.outcome, Outcome::Indeterminate);
    assert!(open.why.contains("lower bound only (the border of the volume cuts a jet)"), "{}", open.why);
}

#[test]
fn what_is_left_after_repair_is_held_against_cuts_found_there() {
    let volume = Own { displayed_mm2: Some(around(32.0, 1.0)), ..own(25.0, 1.0) };
    for (table, _) in Criteria::BUILT_IN {
        let by = |setting: &str| {
            let evidence = evidence(&format!("setting = \"{setting}\""));
            grade(&Criteria::built_in(table).unwrap(), &evidence, &volume)
        };
        let area = |grading: &Grading| grades(grading, "VC area in 3D, displayed");
        let residual = by("after_repair");
        assert_eq!(area(&residual), one(Grade::IV), "{table}");
        let placed = placed(&residual, "VC area in 3D, displayed");
        assert!(placed.source.contains("MITRA-PRO"), "{table}: {}", placed.source);
        if table != "mitra-pro" {
            assert!(residual.cautions[0].contains("0.10 and 0.30"), "{:?}", residual.cautions);
            assert_eq!(area(&by("chronic")).high, Grade::III, "{table}");
        }
    }
}

#[test]
fn what_would_settle_it_is_asked_where_it_decides() {
    // A bare crescent: no quantity is of grade III, so its mechanism decides nothing yet.
    let crescent = Own { shape: Some(ShapeClass::Crescent), ..own(31.0, 3.0) };
    let bare = grade(&TABLES[0], &Evidence::default(), &crescent);
    let settles = bare.conclusion.settles.unwrap();
    assert!(settles.starts_with("Regurgitant") || settles.starts_with("EROA"), "{settles}");
    let third = grade(&TABLES[0], &evidence("pisa_eroa_mm2 = 34"), &crescent);
    assert!(third.conclusion.settles.unwrap().contains("primary or secondary"));
    let shape = ase("pisa_eroa_mm2 = 34\nmechanism = \"secondary\"");
    assert_eq!(shape.conclusion.settles.as_deref(), Some("shape of the orifice"));
    // Quantities in conflict, none left to measure: what the guideline advises.
    let torn = ase("pisa_eroa_mm2 = 28\nregurgitant_fraction_percent = 52\nmechanism = \"primary\"");
    assert_eq!(torn.conclusion.outcome, Outcome::Indeterminate);
    let settles = torn.conclusion.settles.unwrap();
    assert!(settles.contains("transoesophageal") && settles.contains("magnetic resonance"), "{settles}");
    assert_eq!(torn.conclusion.next.iter().filter(|next| next.contains("transoesophageal")).count(), 1);
}

#[test]
fn low_flow_holds_back_the_volume() {
    let text = "pisa_eroa_mm2 = 46\nregurgitant_volume_ml = 40\nvc_width_mm = 8\n";
    let low = ase(&format!("{text}flow = \"low\""));
    assert_eq!(grades(&low, "Regurgitant volume"), Grades { low: Grade::II, high: Grade::IV });
    assert_eq!(low.conclusion.outcome, Outcome::Severe);
    assert!(severe(&low) > severe(&ase(text)) + 0.1);
}

#[test]
fn several_jets_add_areas_and_never_widths() {
    let two = Own { jets: 2, width_mm: None, ..own(45.0, 2.0) };
    let grading = grade(&TABLES[0], &evidence("vc_width_mm = 2.5\npisa_eroa_mm2 = 15"), &two);
    placed(&grading, "VC area in 3D, effective, sum of 2 jets");
    assert!(!grading.placements.iter().any(|p| p.label.contains("long axis")));
    assert_eq!(placed(&grading, "VC width, one view").reach, Reach::AtLeast);
    let count = grading.count.as_ref().unwrap();
    assert!(count.mild.iter().any(|c| c.label.contains("VC width") && c.state == State::Open));
    assert_ne!(grading.conclusion.outcome, Outcome::Mild);
    assert!(grading.cautions.iter().any(|caution| caution.contains("areas are added, their widths are not")));
}

#[test]
fn a_width_that_understates_cannot_speak_for_mild() {
    let state = |shape: ShapeClass| {
        let volume = Own { shape: Some(shape), ..own(45.0, 2.0) };
        let count = grade(&TABLES[0], &evidence("vc_width_mm = 2.5"), &volume).count.unwrap();
        count.mild.into_iter().find(|c| c.label.contains("VC width")).unwrap().state
    };
    assert_eq!((state(ShapeClass::Crescent), state(ShapeClass::Round)), (State::Open, State::Met));
    // The volume's own width takes no part in the count.
    let volume = Own { width_mm: Some(around(2.5, 0.2)), ..own(10.0, 2.0) };
    let count = grade(&TABLES[0], &Evidence::default(), &volume).count.unwrap();
    assert_eq!(count.mild_met, 0);
}

#[test]
fn an_unfit_volume_is_shown_and_excluded() {
    let unfit = Own { trust: Verdict::Unfit, ..own(60.0, 2.0) };
    let alone = grade(&TABLES[0], &Evidence::default(), &unfit);
    assert_eq!((alone.conclusion.outcome, alone.conclusion.probability), (Outcome::NotEnough, None));
    assert!(alone.conclusion.next[0].contains("Repeat the acquisition"));
    assert_eq!(placed(&alone, "VC area in 3D, effective").agreement, Agreement::NotUsed);
    // What else is known may grade without it; an unfit volume's pattern says nothing either.
    let others = "pisa_eroa_mm2 = 26\nregurgitant_fraction_percent = 36";
    for pattern in [Pattern::Holosystolic, Pattern::Late] {
        let graded = grade(&TABLES[0], &evidence(others), &Own { pattern, ..unfit });
        assert_eq!(graded.conclusion.outcome, Outcome::Moderate);
        assert_eq!(graded.conclusion.probability, ase(others).conclusion.probability);
    }
}

#[test]
fn poor_data_acute_and_residual_regurgitation() {
    assert_eq!(outcome(&(counted(0, 5).unwrap() + "data_quality = \"poor\"")), Outcome::Indeterminate);
    for setting in ["acute", "after_repair"] {
        let grading = ase(&(counted(4, 0).unwrap() + "setting = \"" + setting + "\""));
        assert!(grading.count.is_none());
        assert_eq!(grading.conclusion.outcome, Outcome::NotEnough);
        assert!(grading.steps.iter().any(|step| step.follows.contains("made for chronic")));
    }
    let residual = ase("setting = \"after_repair\"");
    assert!(residual.cautions.iter().any(|caution| caution.contains("mitra-pro")));
}

#[test]
fn flail_alone_is_never_severe() {
    let flail = ase("leaflet = \"flail\"");
    assert_eq!(flail.conclusion.outcome, Outcome::NotEnough);
    assert!(flail.cautions.iter().any(|caution| caution.contains("Kehl")));
    assert_eq!(
        outcome("leaflet = \"flail\"\npisa_eroa_mm2 = 12\nregurgitant_fraction_percent = 18"),
        Outcome::Mild
    );
}

#[test]
fn eroa_is_computed_where_it_can_be() {
    // Radius 1.0 cm at 40 cm/s, 5 m/s: 0.5027 cm2, closed form.
    let text = "convergence_radius_mm = \"1 cm\"\nconvergence_nyquist_cm_s = 40\ncw_peak_m_s = 5\n";
    let grading = ase(text);
    let eroa = grading.placements.iter().find(|p| p.by == By::Computed).unwrap();
    assert!((eroa.value.unwrap().value - 50.265).abs() < 1e-3);
    // What was entered wins.
    let typed = ase(&format!("{text}pisa_eroa_mm2 = 33"));
    assert!(!typed.placements.iter().any(|p| p.by == By::Computed));
}

// ------------------------------------------------------------- properties

/// Numbers that rise with severity: item, largest value drawn
const RISING: [(Item, f64); 9] = [
    (Item::VcWidthMm, 12.0),
    (Item::VcWidthBiplaneMm, 12.0),
    (Item::ConvergenceRadiusMm, 14.0),
    (Item::JetAreaPercent, 80.0),
    (Item::PisaEroaMm2, 60.0),
    (Item::PisaRegurgitantVolumeMl, 90.0),
    (Item::RegurgitantVolumeMl, 90.0),
    (Item::RegurgitantFractionPercent, 80.0),
    (Item::EWaveMS, 2.0),
];

/// Signs in the order of severity
const SIGNS: [(Item, &[&str]); 9] = [
    (Item::Leaflet, &["normal", "minor", "moderate", "flail"]),
    (Item::Jet, &["small_central", "intermediate", "large_central"]),
    (Item::Convergence, &["absent", "transient", "holosystolic"]),
    (Item::CwDensity, &["faint", "dense"]),
    (Item::CwContour, &["partial", "parabolic", "triangular"]),
    (
        Item::PulmonaryVeinFlow,
        &["systolic_dominant", "systolic_blunting", "minimal_systolic", "systolic_reversal"],
    ),
    (Item::Inflow, &["a_dominant", "neither", "e_dominant"]),
    (Item::LvSize, &["normal", "mildly_dilated", "dilated"]),
    (Item::LaSize, &["normal", "mildly_dilated", "dilated"]),
];

/// Circumstances, which stay as they are
const FIXED: [(Item, &[&str]); 7] = [
    (Item::Mechanism, &["primary", "secondary", "mixed"]),
    (Item::Orifice, &["round", "elliptical"]),
    (Item::Jets, &["single", "several"]),
    (Item::Leak, &["holosystolic", "late", "biphasic"]),
    (Item::Flow, &["normal", "low"]),
    (Item::LvFunction, &["normal", "reduced"]),
    (Item::Setting, &["chronic", "acute"]),
];

/// Evidence drawn at random, and the same with some of it worse
fn pair(
    numbers: &[(bool, f64, f64, f64)],
    signs: &[(bool, f64, f64)],
    fixed: &[(bool, f64)],
) -> [Evidence; 2] {
    let mut both = [Evidence::default(), Evidence::default()];
    for ((item, most), (known, at, half, worse)) in RISING.into_iter().zip(numbers) {
        let limit = match item.field().kind {
            Kind::Number { high, .. } => high,
            Kind::Choice(_) => unreachable!(),
        };
        for (evidence, more) in both.iter_mut().zip([0.0, *worse]) {
            let value = (at + more * (1.0 - at)) * most;
            let half = half * 0.2 * most;
            let value = Interval { value, low: (value - half).max(0.0), high: (value + half).min(limit) };
            if *known {
                evidence.set_number(item, value).unwrap();
            }
        }
    }
    for ((item, keys), (known, at, worse)) in SIGNS.into_iter().zip(signs) {
        let pick = |x: f64| keys[((x * keys.len() as f64) as usize).min(keys.len() - 1)];
        for (evidence, more) in both.iter_mut().zip([0.0, *worse]) {
            if *known {
                evidence.set_choice(item, pick(at + more * (1.0 - at))).unwrap();
            }
        }
    }
    for ((item, keys), (known, at)) in FIXED.into_iter().zip(fixed) {
        for evidence in &mut both {
            if *known {
                evidence
                    .set_choice(item, keys[((at * keys.len() as f64) as usize).min(keys.len() - 1)])
                    .unwrap();
            }
            evidence.set_number(Item::ConvergenceNyquistCmS, Interval::exactly(35.0)).unwrap();
        }
    }
    both
}

fn rank(outcome: Outcome) -> Option<u8> {
    match outcome {
        Outcome::Mild | Outcome::NotSevere => Some(0),
        Outcome::Moderate => Some(1),
        Outcome::Severe => Some(2),
        Outcome::NotEnough | Outcome::Indeterminate => None,
    }
}

/// Evidence drawn at random about one underlying severity, so that many cases end in a grade, and the same
/// with some of it worse; the place of an area on 0 to 1, its half width, how much worse; shape and table
type Drawn = ([Evidence; 2], Option<(f64, f64, f64)>, ShapeClass, usize);

fn drawn() -> impl Strategy<Value = Drawn> {
    let sharp = || prop_oneof![3 => Just(0.0), 1 => 0.0..0.4];
    let more = || prop_oneof![Just(0.0), 0.0..1.0];
    let parts = (
        0.0..1.0_f64,
        prop::collection::vec((prop::bool::weighted(0.4), 0.0..1.0, sharp(), more()), 9),
        prop::collection::vec((prop::bool::weighted(0.6), 0.0..1.0, more()), 9),
        prop::collection::vec((prop::bool::weighted(0.15), 0.0..1.0), 7),
        prop::option::weighted(0.8, (0.0..1.0, 0.0..6.0, more())),
        (0..3_usize, 0..TABLES.len()),
    );
    parts.prop_map(|(base, mut numbers, mut signs, fixed, area, (shape, table))| {
        let about = |at: f64| f64::clamp(base + 0.5 * (at - 0.5), 0.0, 1.0);
        for (_, at, ..) in &mut numbers {
            *at = about(*at);
        }
        for (_, at, _) in &mut signs {
            *at = about(*at);
        }
        let shape = [ShapeClass::Round, ShapeClass::Elliptical, ShapeClass::Crescent][shape];
        (pair(&numbers, &signs, &fixed), area, shape, table)
    })
}

fn holds<S: Strategy>(cases: u32, strategy: S, property: impl Fn(S::Value) -> Result<(), TestCaseError>) {
    let config = ProptestConfig { cases, ..ProptestConfig::default() };
    let mut runner = TestRunner::new_with_rng(config, TestRng::deterministic_rng(RngAlgorithm::ChaCha));
    runner.run(&strategy, property).unwrap_or_else(|error| panic!("{error}"));
}

/// Both shares of worse classes, and the named class
fn measured(grading: &Grading) -> (Option<[f64; 2]>, Option<u8>) {
    let all = grading.conclusion.probability;
    let shares = all.map(|all| [Class::Moderate, Class::Severe].map(|class| all.at_least(class)));
    (shares, rank(grading.conclusion.outcome))
}

#[test]
fn worse_evidence_never_gives_a_milder_grade() {
    let (decided, risen) = (AtomicUsize::new(0), AtomicUsize::new(0));
    holds(2500, drawn(), |([before, after], area, shape, table)| {
        let volume = |worse: f64| {
            area.map_or_else(Own::default, |(at, half, more)| Own {
                shape: Some(shape),
                ..own(60.0 * (at + worse * more * (1.0 - at)), half)
            })
        };
        let first = grade(&TABLES[table], &before, &volume(0.0));
        let second = grade(&TABLES[table], &after, &volume(1.0));
        let ((less, a), (more, b)) = (measured(&first), measured(&second));
        if let (Some(a), Some(b)) = (a, b) {
            decided.fetch_add(1, Ordering::Relaxed);
            risen.fetch_add(usize::from(a < b), Ordering::Relaxed);
            prop_assert!(a <= b, "{}\n{}", first.conclusion.sentence, second.conclusion.sentence);
        }
        if let (Some(less), Some(more)) = (less, more) {
            for (less, more) in less.iter().zip(more) {
                prop_assert!(
                    *less <= more + 1e-9,
                    "{}\n{}",
                    first.conclusion.sentence,
                    second.conclusion.sentence
                );
            }
        }
        for low in &first.placements {
            if let Some(high) = second.placements.iter().find(|p| p.label == low.label && p.by == low.by) {
                prop_assert!(low.grades.low <= high.grades.low, "{}", low.label);
                prop_assert!(low.position.is_none() || low.position <= high.position);
                prop_assert!(low.low <= low.high && high.high <= 3.0 && low.low >= 0.0);
            }
        }
        Ok(())
    });
    let (decided, risen) = (decided.into_inner(), risen.into_inner());
    assert!(decided > 400 && risen > 80, "only {decided} pairs ended in grades, {risen} in different ones");
}

/// What the volume says beside its areas
fn said() -> impl Strategy<Value = Own> {
    let shapes = [ShapeClass::Round, ShapeClass::Elliptical, ShapeClass::Crescent, ShapeClass::Irregular];
    let patterns = [
        Pattern::Holosystolic,
        Pattern::Early,
        Pattern::Mid,
        Pattern::Late,
        Pattern::Biphasic,
        Pattern::Unknown,
    ];
    (0..shapes.len(), 0..patterns.len(), 0..4_usize, prop::bool::weighted(0.8)).prop_map(
        move |(shape, pattern, jets, whole)| Own {
            jets,
            shape: Some(shapes[shape]),
            pattern: patterns[pattern],
            whole,
            ..Own::default()
        },
    )
}

#[test]
fn nothing_of_the_volume_ever_makes_the_conclusion_milder() {
    let (named, raised) = (AtomicUsize::new(0), AtomicUsize::new(0));
    holds(4000, (drawn(), said()), |(([evidence, _], area, _, table), said)| {
        let criteria = &TABLES[table];
        let with = area.map_or(said, |(at, half, width)| {
            let area = Interval::around(80.0 * at, half, half);
            Own {
                vca_mm2: Some(area),
                displayed_mm2: (half < 4.0).then_some(area.scaled(1.3)),
                width_mm: Some(Interval::around(12.0 * width, 0.5, 0.5)),
                regurgitant_volume_ml: (half > 2.0).then_some(area.scaled(1.4)),
                ..said
            }
        });
        let (before, after) =
            (grade(criteria, &evidence, &Own::default()), grade(criteria, &evidence, &with));
        let told = || format!("{}\n{}", before.conclusion.sentence, after.conclusion.sentence);
        if let (Some(before), Some(after)) = (before.guideline.classes, after.guideline.classes) {
            // A table of severe only says moderate for all that is not severe.
            let low = before[0] <= after[0] || !criteria.tells_mild();
            prop_assert!(low && before[1] <= after[1], "{}", told());
        }
        let ((less, a), (more, b)) = (measured(&before), measured(&after));
        if let Some(less) = less {
            for (less, more) in less.iter().zip(more.unwrap()) {
                prop_assert!(*less <= more + 1e-12, "{}", told());
            }
        }
        if let Some(a) = a {
            named.fetch_add(1, Ordering::Relaxed);
            raised.fetch_add(usize::from(b != Some(a)), Ordering::Relaxed);
            prop_assert!(b.is_none_or(|b| b >= a), "{}", told());
            prop_assert!(a < 2 || b == Some(2), "severe stays severe: {}", told());
        } else if let (Some(b), Some([_, high])) = (b, before.conclusion.open) {
            // Where nothing was named, no class is named below the worst that was still possible.
            let high = if criteria.tells_mild() { high as u8 } else { 2 * u8::from(high == Class::Severe) };
            prop_assert!(b >= high, "{}", told());
        }
        Ok(())
    });
    let (named, raised) = (named.into_inner(), raised.into_inner());
    assert!(named > 400 && raised > 20, "only {named} cases were named, {raised} changed by the volume");
}
