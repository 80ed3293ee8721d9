//! The guideline's steps at every boundary, to the letter; probabilities, vignettes and properties
//! (`probability`); files (`files`).
//!
//! Cut points and counts are those of Zoghbi and others, J Am Soc Echocardiogr 2017;30:303-371, from
//! memory; the European and American tables as tagged in their files.

mod files;
mod probability;

use std::sync::LazyLock;

use super::*;
use crate::beat::Pattern;
use crate::numeric::Interval;
use crate::planimetry::ShapeClass;
use crate::trust::Verdict;

static TABLES: LazyLock<[Criteria; 6]> =
    LazyLock::new(|| Criteria::BUILT_IN.map(|(_, text)| Criteria::from_toml(text).unwrap()));

fn evidence(text: &str) -> Evidence {
    Evidence::from_text(&format!("schema = \"{EVIDENCE_SCHEMA}\"\n{text}")).unwrap()
}

fn ase(text: &str) -> Grading {
    grade(&TABLES[0], &evidence(text), &Own::default())
}

fn by(name: &str, text: &str) -> Grading {
    grade(&Criteria::built_in(name).unwrap(), &evidence(text), &Own::default())
}

fn around(value: f64, half: f64) -> Interval {
    Interval::around(value, half, half)
}

fn own(vca: f64, half: f64) -> Own {
    Own {
        jets: 1,
        vca_mm2: Some(around(vca, half)),
        pattern: Pattern::Holosystolic,
        shape: Some(ShapeClass::Round),
        ..Own::default()
    }
}

fn grades(grading: &Grading, label: &str) -> Grades {
    grading.placements.iter().find(|p| p.label == label).unwrap_or_else(|| panic!("no {label}")).grades
}

/// What the guideline's own steps lead to
fn letter(grading: &Grading) -> (Decided, Option<[Class; 2]>) {
    (grading.guideline.decided, grading.guideline.classes)
}

fn one(grade: Grade) -> Grades {
    Grades { low: grade, high: grade }
}

/// So many criteria for mild and for severe; `None` where they contradict each other
fn counted(mild: usize, severe: usize) -> Option<String> {
    // The first two of each are independent of all others; the rest share four subjects.
    let contested = severe.saturating_sub(2) + mild.saturating_sub(2);
    if contested > 4 || mild > 6 || severe > 6 {
        return None;
    }
    let mut text = String::new();
    let alone = [
        ["leaflet = \"flail\"", "pulmonary_vein_flow = \"systolic_reversal\""],
        ["inflow = \"a_dominant\"", "cw_density = \"faint\""],
    ];
    for (list, number) in alone.iter().zip([severe, mild]) {
        for line in list.iter().take(number) {
            text.extend([line, "\n"]);
        }
    }
    let subjects = [
        ("vc_width_mm = 7", "vc_width_mm = 3"),
        (
            "convergence_radius_mm = 10\nconvergence_nyquist_cm_s = 35",
            "convergence_radius_mm = 3\nconvergence_nyquist_cm_s = 35",
        ),
        ("jet = \"large_central\"\njet_area_percent = 51", "jet = \"small_central\""),
        ("lv_size = \"dilated\"\nlv_function = \"normal\"", "lv_size = \"normal\"\nla_size = \"normal\""),
    ];
    let mut rest = subjects.iter();
    for (worse, _) in rest.by_ref().take(severe.saturating_sub(2)) {
        text.extend([*worse, "\n"]);
    }
    for (_, better) in rest.take(mild.saturating_sub(2)) {
        text.extend([*better, "\n"]);
    }
    Some(text)
}

// ------------------------------------------------------------- cut points

/// `II` or `II-III`
fn range(words: &str) -> Grades {
    let grade = |word: &str| Grade::ALL.into_iter().find(|grade| grade.name() == word).unwrap();
    let (low, high) = words.split_once('-').unwrap_or((words, words));
    Grades { low: grade(low), high: grade(high) }
}

#[test]
fn every_cut_point_of_the_default_just_below_at_and_above() {
    let central = "jet = \"large_central\"";
    let radius = "convergence_nyquist_cm_s = 35";
    for (key, label, beside, values) in [
        (
            "pisa_eroa_mm2",
            "EROA by PISA",
            "",
            "0 I, 19.99 I, 20 II, 20.01 II, 29.99 II, 30 III, 30.01 III, 39.99 III, 40 IV, 40.01 IV",
        ),
        (
            "regurgitant_volume_ml",
            "Regurgitant volume",
            "",
            "29.9 I, 30 II, 30.1 II, 44.9 II, 45 III, 45.1 III, 59.9 III, 60 IV, 60.1 IV",
        ),
        (
            "regurgitant_fraction_percent",
            "Regurgitant fraction",
            "",
            "29.9 I, 30 II, 30.1 II, 39.9 II, 40 III, 40.1 III, 49.9 III, 50 IV, 50.1 IV",
        ),
        (
            "vc_width_mm",
            "VC width, one view",
            "",
            "2.99 I, 3 II-III, 3.01 II-III, 6.99 II-III, 7 IV, 7.01 IV",
        ),
        ("vc_width_biplane_mm", "VC width, biplane", "", "7.99 I-III, 8 I-III, 8.01 IV"),
        (
            "convergence_radius_mm",
            "Flow convergence radius",
            radius,
            "2.99 I, 3 I, 3.01 II-III, 9.99 II-III, 10 IV, 10.01 IV",
        ),
        ("jet_area_percent", "Jet area over left atrium", central, "49.9 I-III, 50 I-III, 50.1 IV"),
        ("e_wave_m_s", "Peak E-wave velocity", "", "1.19 I-III, 1.2 I-III, 1.21 IV"),
        ("pisa_regurgitant_volume_ml", "Regurgitant volume by PISA", "", "29.9 I, 30 II, 60 IV"),
    ] {
        for (value, expected) in values.split(", ").map(|pair| pair.split_once(' ').unwrap()) {
            let grading = ase(&format!("{key} = {value}\n{beside}"));
            assert_eq!(grades(&grading, label), range(expected), "{key} = {value}");
        }
    }
}

#[test]
fn each_area_is_held_against_cuts_of_its_own_kind() {
    // Displayed: Khanna and others 2004, below 20, 20 to 40, above 40 mm2 (read). Effective: as EROA.
    use Grade::{I, II, III, IV};
    for (area, displayed, effective) in [
        (19.9, [I, I], [I, I]),
        (20.0, [II, III], [II, II]),
        (30.0, [II, III], [III, III]),
        (40.0, [II, III], [IV, IV]),
        (40.1, [IV, IV], [IV, IV]),
    ] {
        let own = Own { displayed_mm2: Some(Interval::exactly(area)), ..own(area, 0.0) };
        let grading = grade(&TABLES[0], &evidence("mechanism = \"primary\""), &own);
        let [low, high] = displayed;
        assert_eq!(grades(&grading, "VC area in 3D, displayed"), Grades { low, high }, "{area}");
        let [low, high] = effective;
        assert_eq!(grades(&grading, "VC area in 3D, effective"), Grades { low, high }, "{area}");
    }
    // After edge-to-edge repair: MITRA-PRO, below 10, 10 to 30, from 30 mm2 on (read).
    for (area, low, high) in [(9.9, I, I), (10.0, II, III), (29.9, II, III), (30.0, IV, IV)] {
        let own = Own { displayed_mm2: Some(Interval::exactly(area)), ..Own::default() };
        let grading = grade(&Criteria::built_in("mitra-pro").unwrap(), &Evidence::default(), &own);
        assert_eq!(grades(&grading, "VC area in 3D, displayed"), Grades { low, high }, "{area}");
        assert!(grading.placements[0].note.contains("24.8 %"));
    }
}

#[test]
fn every_specific_criterion_at_its_boundary() {
    use State::{Met, NotKnown, NotMet, Open};
    let state = |text: &str, label: &str| {
        let count = ase(text).count.unwrap();
        count.mild.iter().chain(&count.severe).find(|c| c.label.contains(label)).unwrap().state
    };
    for (text, label, expected) in [
        ("vc_width_mm = 2.99", "3 mm or less", Met),
        ("vc_width_mm = 3", "VC width of 3 mm or less", Met),
        ("vc_width_mm = 3.01", "VC width of 3 mm or less", NotMet),
        ("vc_width_mm = { value = 3, error = 0.5 }", "VC width of 3 mm or less", Met),
        ("", "VC width of 3 mm or less", NotKnown),
        ("vc_width_mm = 6.99", "VC width of 7", NotMet),
        ("vc_width_mm = 7", "VC width of 7", Met),
        ("vc_width_mm = 7.01", "VC width of 7", Met),
        ("vc_width_mm = { value = 7.5, low = 6.9, high = 8.1 }", "VC width of 7", Met),
        ("vc_width_mm = 7.5\nleak = \"late\"", "VC width of 7", Open),
        ("vc_width_mm = { value = 7.5, low = 7.0, high = 8.1 }", "VC width of 7", Met),
        ("convergence_radius_mm = 10", "radius of 10", NotKnown),
        ("convergence_radius_mm = 10\nconvergence_nyquist_cm_s = 29.9", "radius of 10", NotMet),
        ("convergence_radius_mm = 10\nconvergence_nyquist_cm_s = 30", "radius of 10", Met),
        ("convergence_radius_mm = 10\nconvergence_nyquist_cm_s = 40", "radius of 10", Met),
        ("convergence_radius_mm = 10\nconvergence_nyquist_cm_s = 40.1", "radius of 10", NotMet),
        ("convergence_radius_mm = 9.99\nconvergence_nyquist_cm_s = 35", "radius of 10", NotMet),
        ("convergence_radius_mm = 3\nconvergence_nyquist_cm_s = 35", "flow convergence absent", Met),
        ("convergence_radius_mm = 3.01\nconvergence_nyquist_cm_s = 35", "flow convergence absent", NotMet),
        ("convergence = \"absent\"", "flow convergence absent", Met),
        ("convergence = \"transient\"", "flow convergence absent", NotKnown),
        ("jet = \"large_central\"\njet_area_percent = 50", "large central jet", NotMet),
        ("jet = \"large_central\"\njet_area_percent = 50.1", "large central jet", Met),
        ("jet = \"eccentric\"\njet_area_percent = 60", "large central jet", NotMet),
        ("jet_area_percent = 60", "large central jet", NotKnown),
        ("jet = \"small_central\"", "small, narrow", Met),
        ("inflow = \"a_dominant\"", "A wave", Met),
        ("inflow = \"e_dominant\"", "A wave", NotMet),
        ("cw_density = \"faint\"", "CW signal", Met),
        ("cw_density = \"dense\"", "CW signal", NotKnown),
        ("cw_density = \"dense\"\ncw_contour = \"partial\"", "CW signal", Met),
        ("cw_density = \"dense\"\ncw_contour = \"triangular\"", "CW signal", NotMet),
        ("lv_size = \"normal\"\nla_size = \"normal\"", "of normal size", Met),
        ("lv_size = \"normal\"\nla_size = \"mildly_dilated\"", "of normal size", NotMet),
        ("lv_size = \"dilated\"\nlv_function = \"normal\"", "normal function", Met),
        ("lv_size = \"dilated\"\nlv_function = \"reduced\"", "normal function", NotMet),
        ("lv_size = \"mildly_dilated\"\nlv_function = \"normal\"", "normal function", NotMet),
        ("pulmonary_vein_flow = \"systolic_reversal\"", "reversal", Met),
        ("pulmonary_vein_flow = \"minimal_systolic\"", "reversal", NotMet),
        ("leaflet = \"flail\"", "flail", Met),
        ("leaflet = \"papillary_rupture\"", "flail", NotMet),
    ] {
        assert_eq!(state(text, label), expected, "{text:?}: {label}");
    }
}

// ------------------------------------------------------------- the count

#[test]
fn every_combination_of_counts_without_quantities() {
    let mut looked_at = 0;
    for mild in 0..=6 {
        for severe in 0..=6 {
            let Some(text) = counted(mild, severe) else { continue };
            looked_at += 1;
            let grading = ase(&text);
            let count = grading.count.as_ref().unwrap();
            assert_eq!((count.mild_met, count.severe_met), (mild, severe), "{text}");
            let expected = match (mild, severe) {
                // Four are definite, unless two or more of the other list are met.
                (4.., 0..2) => (Decided::Class, Some([Class::Mild; 2])),
                (0..2, 4..) => (Decided::Class, Some([Class::Severe; 2])),
                (4.., _) | (_, 4..) | (2.., 2..) => (Decided::Discordant, None),
                _ => (Decided::Nothing, None),
            };
            assert_eq!(letter(&grading), expected, "{mild} mild, {severe} severe");
        }
    }
    assert_eq!(looked_at, 39);
}

#[test]
fn every_count_for_severe_with_every_grade_of_eroa() {
    // Grade III is severe from three specific criteria on; two leave it moderate.
    for severe in 0..=6 {
        for (eroa, grade) in [(10.0, Grade::I), (25.0, Grade::II), (34.0, Grade::III), (45.0, Grade::IV)] {
            let text = format!("{}pisa_eroa_mm2 = {eroa}", counted(0, severe).unwrap());
            let grading = ase(&text);
            let quantitation = grading.quantitation.as_ref().unwrap();
            assert_eq!(quantitation.grades, one(grade));
            assert_eq!(quantitation.grade_3_is_severe, Some(severe >= 3));
            let class = if grade == Grade::III && severe >= 3 { Class::Severe } else { grade.class() };
            assert_eq!(quantitation.classes, [class; 2]);
            let expected = match (severe, class) {
                // Four or more make it severe, and the quantities contradict that; two against mild do as well.
                (4.., Class::Mild | Class::Moderate) | (2.., Class::Mild) => (Decided::Discordant, None),
                (_, class) => (Decided::Class, Some([class; 2])),
            };
            assert_eq!(letter(&grading), expected, "{severe} severe, EROA {eroa}");
        }
    }
}

#[test]
fn every_count_for_mild_with_every_grade_of_eroa() {
    for mild in 0..=6 {
        for (eroa, class) in
            [(10.0, Class::Mild), (25.0, Class::Moderate), (34.0, Class::Moderate), (45.0, Class::Severe)]
        {
            let grading = ase(&format!("{}pisa_eroa_mm2 = {eroa}", counted(mild, 0).unwrap()));
            let expected = match (mild, class) {
                (4.., Class::Moderate | Class::Severe) | (2.., Class::Severe) => (Decided::Discordant, None),
                (_, class) => (Decided::Class, Some([class; 2])),
            };
            assert_eq!(letter(&grading), expected, "{mild} mild, EROA {eroa}");
        }
    }
}

#[test]
fn the_published_examples() {
    // (a) four criteria for severe; (b) three and grade III; (c) two and grade III, round orifice;
    // (d) four for mild; (e) grade II; (f) a width of 7 mm alone; (g) contradiction.
    let class = |text: &str| letter(&ase(text));
    let of = |class: Class| (Decided::Class, Some([class; 2]));
    assert_eq!(class(&counted(0, 4).unwrap()), of(Class::Severe));
    assert_eq!(class(&(counted(0, 3).unwrap() + "pisa_eroa_mm2 = 34")), of(Class::Severe));
    let c = counted(0, 2).unwrap() + "pisa_eroa_mm2 = 34\norifice = \"round\"\nmechanism = \"secondary\"";
    assert_eq!(class(&c), of(Class::Moderate));
    assert_eq!(ase(&c).quantitation.unwrap().grades, one(Grade::III));
    assert_eq!(class(&counted(4, 0).unwrap()), of(Class::Mild));
    let e = ase("pisa_eroa_mm2 = 25");
    assert_eq!((e.quantitation.as_ref().unwrap().grades, letter(&e)), (one(Grade::II), of(Class::Moderate)));
    assert_eq!(class("vc_width_mm = 7"), (Decided::Nothing, None));
    let g = ase(&(counted(4, 0).unwrap() + "pisa_eroa_mm2 = 45"));
    assert_eq!((letter(&g).0, g.conclusion.outcome), (Decided::Discordant, Outcome::Indeterminate));
    let next = g.conclusion.next.join(" ");
    assert!(next.contains("transoesophageal") && next.contains("magnetic resonance"), "{next}");
    // Quantities: one class, two neighbours, two apart (a volume and a fraction decide as much as EROA).
    for (rvol, rf, expected) in [
        (66, 54, of(Class::Severe)),
        (35, 45, of(Class::Moderate)),
        (50, 54, (Decided::Between, Some([Class::Moderate, Class::Severe]))),
        (20, 32, (Decided::Between, Some([Class::Mild, Class::Moderate]))),
        (20, 54, (Decided::Discordant, Some([Class::Mild, Class::Severe]))),
    ] {
        let text = format!("regurgitant_volume_ml = {rvol}\nregurgitant_fraction_percent = {rf}");
        assert_eq!(class(&text), expected, "{text}");
    }
}

#[test]
fn an_elliptical_orifice_in_secondary_regurgitation_makes_grade_3_severe() {
    let with = |orifice: &str, mechanism: &str| {
        let text = format!("pisa_eroa_mm2 = 34\nvc_width_mm = 5\n{orifice}\n{mechanism}");
        letter(&ase(&text)).1
    };
    let (elliptical, round) = ("orifice = \"elliptical\"", "orifice = \"round\"");
    for secondary in ["secondary", "secondary_atrial", "secondary_ventricular"] {
        assert_eq!(with(elliptical, &format!("mechanism = \"{secondary}\"")), Some([Class::Severe; 2]));
    }
    let (secondary, primary) = ("mechanism = \"secondary\"", "mechanism = \"primary\"");
    assert_eq!(with(elliptical, secondary), Some([Class::Severe; 2]));
    assert_eq!(with(elliptical, primary), Some([Class::Moderate; 2]));
    assert_eq!(with(round, secondary), Some([Class::Moderate; 2]));
    assert_eq!(with("", ""), Some([Class::Moderate; 2]));
    // The mechanism decides and is not known.
    let open = ase(&format!("pisa_eroa_mm2 = 34\nvc_width_mm = 5\n{elliptical}"));
    assert_eq!(letter(&open), (Decided::Between, Some([Class::Moderate, Class::Severe])));
    assert!(open.conclusion.settles.unwrap().contains("primary or secondary"));
    // Grade II is not raised.
    let two = ase(&format!("pisa_eroa_mm2 = 29.9\nvc_width_mm = 5\n{elliptical}\n{secondary}"));
    assert_eq!(letter(&two).1, Some([Class::Moderate; 2]));
}

// ------------------------------------------------------------- the other tables

#[test]
fn the_other_tables_at_their_cuts() {
    let at = |name: &str, text: &str, label: &str| grades(&by(name, text), label);
    let (not, severe) = (Grades { low: Grade::I, high: Grade::III }, one(Grade::IV));
    let eroa = "EROA by PISA";
    for name in ["esc-2021", "esc-2025", "acc-aha-2020"] {
        assert_eq!(at(name, "pisa_eroa_mm2 = 39.9", eroa), not_or(name, not));
        assert_eq!(at(name, "pisa_eroa_mm2 = 40\nmechanism = \"primary\"", eroa), severe);
        assert_eq!(at(name, "regurgitant_volume_ml = 60", "Regurgitant volume"), severe);
        assert_eq!(at(name, "regurgitant_fraction_percent = 49.9", "Regurgitant fraction"), not);
        assert_eq!(at(name, "regurgitant_fraction_percent = 50", "Regurgitant fraction"), severe);
    }
    // ESC 2021 (from memory): secondary and elliptical, 30 may be severe: both stay open.
    let secondary = "mechanism = \"secondary\"\norifice = \"elliptical\"\n";
    for (value, expected) in [(29.9, not), (30.0, Grades::ALL), (39.9, Grades::ALL), (40.0, severe)] {
        assert_eq!(at("esc-2021", &format!("{secondary}pisa_eroa_mm2 = {value}"), eroa), expected, "{value}");
    }
    let round = "mechanism = \"secondary\"\norifice = \"round\"\npisa_eroa_mm2 = 35";
    assert_eq!(at("esc-2021", round, eroa), not);
    // EACVI 2013 (from memory): secondary, severe from 20 mm2 and 30 ml.
    for (value, mechanism, expected) in [
        (19.9, "secondary", one(Grade::I)),
        (20.0, "secondary", severe),
        (20.0, "primary", one(Grade::II)),
        (39.9, "primary", one(Grade::III)),
        (40.0, "primary", severe),
    ] {
        let text = format!("mechanism = \"{mechanism}\"\npisa_eroa_mm2 = {value}");
        assert_eq!(at("eacvi-2013", &text, eroa), expected, "{value} {mechanism}");
    }
    // Jet over atrium: ACC/AHA above 40, and below 20 mild (quoted); ASE above 50.
    for (value, expected) in [
        (19.9, one(Grade::I)),
        (20.0, Grades { low: Grade::II, high: Grade::III }),
        (40.0, Grades { low: Grade::II, high: Grade::III }),
        (40.1, severe),
    ] {
        let text = format!("jet = \"large_central\"\njet_area_percent = {value}");
        assert_eq!(at("acc-aha-2020", &text, "Jet area over left atrium"), expected, "{value}");
    }
    assert_eq!(at("esc-2021", "e_wave_m_s = 1.2", "Peak E-wave velocity"), not);
    assert_eq!(at("esc-2021", "e_wave_m_s = 1.21", "Peak E-wave velocity"), severe);
    assert_eq!(at("eacvi-2013", "e_wave_m_s = 1.5", "Peak E-wave velocity"), not);
}

/// ESC leaves an EROA of 30 to 40 open while mechanism and shape are not known
fn not_or(name: &str, not: Grades) -> Grades {
    if name.starts_with("esc") { Grades::ALL } else { not }
}

/// What is told apart by mechanism
#[test]
fn atrial_and_ventricular_secondary_regurgitation_are_told_apart() {
    let eroa = |mechanism: &str, orifice: &str| {
        let text = format!("mechanism = \"{mechanism}\"\norifice = \"{orifice}\"\npisa_eroa_mm2 = 35");
        grades(&by("esc-2025", &text), "EROA by PISA")
    };
    let not = Grades { low: Grade::I, high: Grade::III };
    let both = Grades { low: Grade::I, high: Grade::IV };
    assert_eq!((eroa("secondary_atrial", "round"), eroa("secondary_ventricular", "round")), (both, not));
    assert_eq!((eroa("secondary_ventricular", "elliptical"), eroa("primary", "elliptical")), (both, not));
    let atrial = ase("mechanism = \"secondary_atrial\"\npisa_eroa_mm2 = 32");
    assert!(atrial.cautions.iter().any(|caution| caution.contains("1,007")));
    // The displayed area: 39 mm2 defined severe in secondary regurgitation (Onishi 2024), 40 elsewhere.
    let displayed = |mechanism: &str| {
        let own = Own { displayed_mm2: Some(Interval::exactly(39.5)), ..Own::default() };
        let grading = grade(&TABLES[0], &evidence(&format!("mechanism = \"{mechanism}\"")), &own);
        grades(&grading, "VC area in 3D, displayed").high
    };
    assert_eq!((displayed("secondary"), displayed("primary")), (Grade::IV, Grade::III));
}

#[test]
fn a_table_that_defines_severe_only_says_not_severe() {
    let primary = "mechanism = \"primary\"\n";
    let grading = by("esc-2021", &format!("{primary}pisa_eroa_mm2 = 25\nregurgitant_fraction_percent = 35"));
    assert_eq!(grading.conclusion.outcome, Outcome::NotSevere);
    assert!(grading.count.is_none());
    let grading = by("esc-2021", &format!("{primary}pisa_eroa_mm2 = 45\nregurgitant_fraction_percent = 55"));
    assert_eq!(grading.conclusion.outcome, Outcome::Severe);
    let alone = by("esc-2021", &format!("{primary}pisa_eroa_mm2 = 45"));
    assert_eq!(alone.conclusion.outcome, Outcome::NotEnough);
    assert!(alone.conclusion.sentence.contains("one source speaks alone"));
    let apart = by("acc-aha-2020", "pisa_eroa_mm2 = 45\nregurgitant_fraction_percent = 35");
    assert_eq!(apart.conclusion.outcome, Outcome::Indeterminate);
}
