//! Files of evidence and of criteria.

use super::*;

#[test]
fn evidence_comes_back_as_it_was() {
    let text = r#"
        note = "second reading"
        mechanism = { value = "secondary", note = "transthoracic" }
        vc_width_mm = 6
        pisa_eroa_mm2 = { value = 31.5, low = 26, high = 38.25 }
        regurgitant_volume_ml = "66 ± 8"
        convergence_radius_mm = { value = "0.9 cm", note = "apical" }
        e_wave_m_s = { value = 1.25, error = 0.1, note = "mean of five" }
        cw_density = "dense"
    "#;
    let evidence = evidence(text);
    let json = serde_json::to_string(&evidence).unwrap();
    assert_eq!(Evidence::from_text(&json).unwrap(), evidence);
    assert_eq!(serde_json::from_str::<Evidence>(&json).unwrap(), evidence);
    let toml = toml::to_string(&evidence).unwrap();
    assert_eq!(Evidence::from_text(&toml).unwrap(), evidence);
    let schema = schemars::schema_for!(Evidence).to_value();
    jsonschema::validate(&schema, &serde_json::from_str(&json).unwrap()).unwrap();
    assert_eq!(evidence.number(Item::ConvergenceRadiusMm), Some(Interval::exactly(9.0)));
    assert_eq!(evidence.number(Item::RegurgitantVolumeMl), Some(around(66.0, 8.0)));
    let wave = evidence.number(Item::EWaveMS).unwrap();
    assert!((wave.low - 1.15).abs() < 1e-12 && (wave.high - 1.35).abs() < 1e-12);
    // What a person meant as it stands comes back from a document unasked.
    let small =
        Evidence::from_text(&format!("schema = \"{EVIDENCE_SCHEMA}\"\npisa_eroa_mm2 = \"2 mm2\"")).unwrap();
    let json = serde_json::to_string(&small).unwrap();
    assert_eq!(serde_json::from_str::<Evidence>(&json).unwrap(), small);
    let grading = grade(&Criteria::default(), &evidence, &own(41.0, 5.0));
    let json = serde_json::to_string(&grading).unwrap();
    assert_eq!(serde_json::from_str::<Grading>(&json).unwrap(), grading);
}

#[test]
fn the_example_of_the_documentation_is_evidence() {
    let text = include_str!("../../../docs/grading.md");
    let block = text.split("```toml\n").nth(1).unwrap().split("```").next().unwrap();
    let evidence = Evidence::from_text(block).unwrap();
    assert!(evidence.iter().count() > 15);
    // Every key that can be entered is listed there.
    for item in Item::ALL.into_iter().filter(|item| item.is_entered()) {
        assert!(text.contains(&format!("`{}`", item.key())), "{}", item.key());
    }
}

#[test]
fn what_is_wrong_with_evidence_is_told_with_a_hint() {
    let refused = |body: &str| Evidence::from_text(body).unwrap_err();
    let with = |line: &str| refused(&format!("schema = \"{EVIDENCE_SCHEMA}\"\n{line}"));
    let slip = with("vc_widht_mm = 6");
    assert_eq!(
        slip,
        SeverityError::UnknownKey { key: "vc_widht_mm".into(), near: Some("vc_width_mm".into()) }
    );
    assert_eq!(slip.hint(), "did you mean `vc_width_mm`?");
    assert!(with("frobnicate = 6").hint().contains("narrows schema evidence"));
    assert!(matches!(refused("vc_width_mm = 6"), SeverityError::Schema { .. }));
    assert!(matches!(refused("schema = \"narrows/evidence/9\""), SeverityError::Schema { .. }));
    assert!(matches!(refused("schema = "), SeverityError::Syntax { .. }));
    assert!(matches!(refused("{\"schema\": 3"), SeverityError::Syntax { .. }));
    assert!(matches!(refused("{\"vc_width_mm\": 3, \"vc_width_mm\": 4}"), SeverityError::Twice(_)));
    assert!(matches!(with("vca_mm2 = 40"), SeverityError::Measured("vca_mm2")));
    assert!(matches!(with("vc_width_mm = \"wide\""), SeverityError::Form { .. }));
    assert!(matches!(with("vc_width_mm = true"), SeverityError::Form { .. }));
    assert!(matches!(with("vc_width_mm = [1, 2]"), SeverityError::Form { .. }));
    assert!(matches!(
        with("vc_width_mm = 1979-05-27"),
        SeverityError::UnknownKey { .. } | SeverityError::Form { .. }
    ));
    assert!(matches!(with("cw_density = 3"), SeverityError::Form { .. }));
    assert!(matches!(with("note = 3"), SeverityError::Form { .. }));
    assert!(with("cw_density = \"dens\"").hint().contains("dense"));
    for wrong in [
        "vc_width_mm = 400",
        "vc_width_mm = -1",
        "vc_width_mm = nan",
        "vc_width_mm = inf",
        "e_wave_m_s = 120",
        "pisa_eroa_mm2 = 0.35",
        "pisa_eroa_mm2 = { value = 0.35, error = 0.05 }",
    ] {
        assert!(matches!(with(wrong), SeverityError::Unusual { .. }), "{wrong}");
    }
    // Ends and errors are numbers too.
    for wrong in ["{ value = 44, low = 0.38, high = 50 }", "{ value = 44, low = 38, high = 500 }"] {
        let refused = with(&format!("pisa_eroa_mm2 = {wrong}"));
        assert!(matches!(refused, SeverityError::Unusual { .. }), "{wrong}: {refused}");
    }
    for wrong in [
        "regurgitant_volume_ml = { value = 66, error = 800 }",
        "pisa_eroa_mm2 = { value = 44, error = 0.06 }",
        "pisa_eroa_mm2 = \"44 ± 0.06\"",
    ] {
        let refused = with(wrong);
        assert!(matches!(refused, SeverityError::UnusualError { .. }), "{wrong}: {refused}");
        assert!(refused.hint().contains("unit of the value"));
    }
    let apart = with("pisa_eroa_mm2 = { value = \"0.44 cm2\", error = 6 }");
    assert_eq!(apart.hint(), "write \"0.44 ± 0.06 cm2\"");
    assert!(matches!(with("pisa_eroa_mm2 = \"0.35 mm2\""), SeverityError::Unusual { .. }));
    assert!(with("pisa_eroa_mm2 = 0.35").hint().contains("was \"0.35 cm2\" meant?"));
    assert!(matches!(with("pisa_eroa_mm2 = \"700 mm2\""), SeverityError::Range { .. }));
    for wrong in [
        "vc_width_mm = { value = 6, low = 7, high = 8 }",
        "vc_width_mm = { value = 6, low = 7, high = 5 }",
        "vc_width_mm = { value = 6, low = 4, high = 5 }",
    ] {
        assert!(matches!(with(wrong), SeverityError::Interval { .. }), "{wrong}");
    }
    for wrong in [
        "vc_width_mm = { low = 5, high = 6 }",
        "vc_width_mm = { value = 6, low = 5 }",
        "vc_width_mm = { value = 6, error = 1, high = 7 }",
        "vc_width_mm = { value = 6, error = -1 }",
        "vc_width_mm = {}",
    ] {
        assert!(matches!(with(wrong), SeverityError::Form { .. }), "{wrong}");
    }
    let inner = with("vc_width_mm = { valeu = 6 }");
    assert_eq!(inner.hint(), "did you mean `value`?");
}

#[test]
fn criteria_that_contradict_themselves_are_refused() {
    let text = Criteria::BUILT_IN[0].1;
    let with = |from: &str, to: &str| {
        assert!(text.contains(from), "{from}");
        Criteria::from_toml(&text.replacen(from, to, 1)).unwrap_err()
    };
    let slip = with("grade_3 = { from = 30 }", "garde_3 = { from = 30 }");
    assert!(slip.to_string().contains("line"), "{slip}");
    assert_eq!(slip.hint(), "did you mean `grade_3`?");
    assert!(with("\"pisa_eroa_mm2\"", "\"pisa_eora_mm2\"").hint().contains("pisa_eroa_mm2"));
    for (from, to) in [
        ("severe = { from = 40 }", "severe = { from = 25 }"),
        ("mild = { below = 20 }", "mild = { from = 20 }"),
        ("mild = { below = 20 }", "mild = { below = 20, at_most = 3 }"),
        ("severe = { from = 40 }", "severe = { from = 4000 }"),
        ("definite = 4", "definite = 7"),
        ("definite = 4", "definite = 2"),
        ("raises_grade_3 = 3", "raises_grade_3 = 0"),
        ("[\"pisa_eroa_mm2\"]", "[\"pisa_eroa_mm2\", \"vc_width_mm\"]"),
        ("[\"pisa_eroa_mm2\"]", "[]"),
        ("[\"pisa_eroa_mm2\"]", "[\"lv_size\"]"),
        ("items = [\"vc_width_biplane_mm\"]", "items = [\"vc_width_mm\"]"),
        ("is = [\"flail\"] }]]", "is = [\"flial\"] }]]"),
        ("any = [[{ item = \"jet\", is = [\"small_central\"] }]]", "any = []"),
        ("any = [[{ item = \"jet\", is = [\"small_central\"] }]]", "any = [[]]"),
        ("title = \"ASE/SCMR 2017\"", "title = \" \""),
    ] {
        let refused = with(from, to);
        assert!(matches!(refused, SeverityError::Criteria { .. }), "{from} -> {to}: {refused}");
    }
    assert!(matches!(with("criteria/1", "criteria/2"), SeverityError::Schema { .. }));
    let none = text.replace("role = \"quantitative\"", "role = \"supportive\"");
    assert!(Criteria::from_toml(&none).is_err());
    let name = Criteria::built_in("ase2017").unwrap_err();
    assert!(name.to_string().contains("acc-aha-2020") && name.hint().contains("ase-2017"));
}

#[test]
fn every_built_in_table_is_sound_and_names_its_source() {
    for (name, text) in Criteria::BUILT_IN {
        let criteria = Criteria::from_toml(text).unwrap();
        assert_eq!(criteria.name, name);
        assert!(!criteria.fields().is_empty());
        assert!(criteria.fields().iter().all(|field| field.item.is_entered()));
        // A table can be written again and read back.
        assert_eq!(Criteria::from_toml(&toml::to_string(&criteria).unwrap()).unwrap(), criteria);
        let grading = grade(&criteria, &evidence("pisa_eroa_mm2 = 30"), &own(35.0, 3.0));
        assert!(grading.placements.iter().all(|p| !p.source.is_empty() && !p.cuts.is_empty()));
    }
}

#[test]
fn the_reasoning_is_complete_sentences() {
    let grading = ase(&(counted(1, 3).unwrap() + "pisa_eroa_mm2 = 34\nmechanism = \"primary\""));
    assert!(grading.steps.len() >= 7);
    for step in &grading.steps {
        assert!(step.asked.ends_with('?') || step.asked.ends_with('.'), "{}", step.asked);
        assert!(step.found.ends_with('.') && step.follows.ends_with('.'), "{step:?}");
    }
    assert_eq!(grading.steps.last().unwrap().follows, grading.guideline.sentence);
    assert!(grading.conclusion.sentence.ends_with('.'));
}
