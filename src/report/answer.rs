//! What page one says: severity, areas, time, trust, in the order in which a reader needs them.

use super::words::{self, as_a_circle, capital, count, fixed, ml_interval};
use super::{AreaUnit, content};
use crate::measure::results::{Results, Verdict};
use crate::severity::{Agreement, Class, Grading, Outcome, percent};

/// What page one says
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Answer {
    /// Of what the headline speaks
    pub(crate) of: String,
    /// Severity in words, or that there is no jet
    pub(crate) headline: String,
    /// Its probability, or that it is not determined
    pub(crate) beside: String,
    /// Why, and what would settle it
    pub(crate) why: String,
    /// The numbers: name, value, note
    pub(crate) values: Vec<[String; 3]>,
    /// Trust check: lead and sentence
    pub(crate) trust: [String; 2],
    /// Sentences below the picture: name, sentence
    pub(crate) said: Vec<[String; 2]>,
}

/// Page one of some results
pub(crate) fn answer(results: &Results, unit: AreaUnit) -> Answer {
    let verdict = results.trust.verdict;
    let trust = [
        format!("Trust check: {}", words::verdict(verdict)),
        format!("{}.", capital(words::verdict_meaning(verdict))),
    ];
    let mut answer = Answer { trust, ..Answer::default() };
    if results.jets.is_empty() {
        "Regurgitation".clone_into(&mut answer.of);
        "No regurgitant jet found".clone_into(&mut answer.headline);
        answer.why = format!(
            "None of the {} shows a jet that could be followed from its convergence through a vena contracta. This \
             describes the acquisition: a jet may still exist outside the acquired volume, between gated beats, or \
             hidden by a low colour gain or a high Nyquist limit (here {} m/s).",
            count(results.source.frames, "frame", "frames"),
            fixed(results.source.nyquist_m_s, 2)
        );
    } else {
        answer.values = values(results, unit);
        answer.said = said(results, unit);
    }
    if let Some(grading) = results.severity.as_ref().filter(|_| !results.jets.is_empty()) {
        answer.of = format!("Severity by {}", grading.criteria.title);
        [answer.headline, answer.beside] = headline(grading).map(|text| unit.sentence(&text));
        answer.why = unit.sentence(&why(grading));
    } else if !results.jets.is_empty() {
        // A document from before there was a grading: its area leads.
        let [name, value, _] = answer.values.remove(0);
        (answer.of, answer.headline) = (name, value);
    }
    answer
}

/// The class in words, and its probability
fn headline(grading: &Grading) -> [String; 2] {
    let conclusion = &grading.conclusion;
    let Some(all) = conclusion.probability else {
        return ["Not determined".into(), String::new()];
    };
    let tells_mild = all.mild.is_some();
    let names = grading.criteria.classes.as_ref();
    let name = |class: Class| grading.class_words(class);
    let named = match conclusion.outcome {
        Outcome::Severe => Some(all.severe),
        Outcome::Moderate => Some(all.of(Class::Moderate)),
        Outcome::Mild => Some(all.of(Class::Mild)),
        Outcome::NotSevere => Some(1.0 - all.severe),
        Outcome::NotEnough | Outcome::Indeterminate => None,
    };
    if let Some(share) = named {
        let word = match conclusion.outcome {
            Outcome::NotSevere => Outcome::NotSevere.words(),
            outcome => outcome.class().map_or("", name),
        };
        let word = if share < 0.8 { format!("probably {word}") } else { word.to_owned() };
        return [capital(&word), format!("probability {}", percent(share))];
    }
    let headline = match conclusion.open {
        Some([Class::Mild, Class::Severe]) | None => "Not determined".to_owned(),
        Some([low, Class::Severe]) if !tells_mild && low != Class::Severe => "Not determined".to_owned(),
        Some([low, high]) if low == high || !tells_mild => {
            let word = if tells_mild || high == Class::Severe { name(high) } else { "not severe" };
            capital(&format!("{word}?"))
        }
        Some([low, high]) => capital(&format!("{} to {}?", name(low), name(high))),
    };
    // Said once, whichever of the two says it.
    let beside = all.words(names);
    if headline == "Not determined" {
        [headline, beside]
    } else {
        [headline, format!("grade not determined: {beside}")]
    }
}

/// Why, and what would settle it
fn why(grading: &Grading) -> String {
    let conclusion = &grading.conclusion;
    let settles = match &conclusion.settles {
        Some(settles) => format!(" What would settle it best: {settles}."),
        None => String::new(),
    };
    format!("{}.{settles}", capital(&conclusion.why))
}

fn values(results: &Results, unit: AreaUnit) -> Vec<[String; 3]> {
    let total = &results.total;
    let jets = results.jets.len();
    let sum = if jets > 1 { format!(", sum of {}", count(jets, "jet", "jets")) } else { String::new() };
    let at = total.frame.map_or_else(String::new, |frame| {
        format!("at the peak, frame {} of {}; ", words::frame(frame), results.source.frames)
    });
    let mut values = vec![[
        format!("VC area, effective{sum}"),
        unit.interval(&total.vca_mm2),
        format!("{at}{}", as_a_circle(total.vca_mm2.value)),
    ]];
    let displayed = total.displayed_area_mm2.map(|area| unit.interval(&area));
    let traced = results.jets.first().filter(|_| jets == 1).map(|jet| unit.text(jet.traced_area_mm2));
    if let Some(displayed) = displayed.or(traced) {
        let note = "as a careful reader traces it; 3D VC area cut points refer to it".to_owned();
        values.push([format!("VC area, displayed{sum}"), displayed, note]);
    }
    let (value, note) = match (&total.velocity_weighted_mean_mm2, results.jets.first()) {
        (Some(mean), _) => (unit.interval(mean), "regurgitant volume over velocity-time integral".to_owned()),
        (None, Some(jet)) if jets == 1 => (
            "needs CW Doppler".to_owned(),
            format!("unweighted mean over systole {}", unit.text(jet.systole.mean_vca_mm2)),
        ),
        _ => ("needs CW Doppler".to_owned(), String::new()),
    };
    values.push(["Velocity-weighted mean area".into(), value, note]);
    if let Some(volume) = &total.regurgitant_volume_ml {
        let note = words::envelope(results).unwrap_or_default();
        values.push(["Regurgitant volume, from the area".into(), ml_interval(volume), note]);
    }
    values
}

fn said(results: &Results, unit: AreaUnit) -> Vec<[String; 2]> {
    let mut said: Vec<[String; 2]> = Vec::new();
    let mut put = |name: &str, text: String| said.push([name.to_owned(), text]);
    let placed = results.severity.iter().flat_map(|grading| &grading.placements);
    let differs: Vec<&str> =
        placed.filter(|p| p.agreement == Agreement::Differs).map(|p| p.label.as_str()).collect();
    if !differs.is_empty() {
        put("Discordant", format!("{}.", differs.join("; ")));
    }
    let worst = content::findings(results).into_iter().find(|row| row.verdict != "adequate");
    if let Some(worst) = worst.filter(|_| results.trust.verdict != Verdict::Adequate) {
        put("Acquisition", words::without_sources(&worst.message));
    }
    let Some(jet) = results.jets.first() else { return said };
    if let Some(text) = words::width_misleads(jet) {
        put("A single width", text);
    }
    put("Through systole", words::systole(jet, unit));
    put("Shape", words::shape_sentence(jet));
    put("Outline", words::origin(jet));
    if results.jets.len() > 1 {
        put("Several jets", "Picture and sentences are those of the largest jet; all follow.".into());
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::fixture;
    use crate::severity::{Criteria, Evidence, Own, grade};

    fn of(text: &str, own: &Own) -> [String; 2] {
        let evidence = Evidence::from_text(&format!("schema = \"narrows/evidence/1\"\n{text}")).unwrap();
        headline(&grade(&Criteria::default(), &evidence, own))
    }

    #[test]
    fn severity_leads_with_its_probability_or_what_would_settle_it() {
        let both = "pisa_eroa_mm2 = 52\nregurgitant_fraction_percent = 60";
        assert_eq!(of(both, &Own::default()), ["Severe", "probability 99 %"]);
        let near = "pisa_eroa_mm2 = 41\nregurgitant_fraction_percent = 51";
        assert!(of(near, &Own::default())[0].starts_with("Probably severe"));
        let [headline, beside] = of("pisa_eroa_mm2 = 38", &Own::default());
        assert_eq!(headline, "Moderate to severe?");
        assert!(beside.starts_with("grade not determined: severe 4"), "{beside}");
        assert_eq!(of("", &Own::default())[0], "Not determined");
        // It is not said a second time beside it.
        let [headline, beside] = of("vc_width_mm = 5", &Own::default());
        assert!(headline == "Not determined" && !beside.contains("determined"), "{headline}: {beside}");
    }

    #[test]
    fn page_one_holds_what_a_surgeon_asks_in_one_unit_and_without_sources() {
        let mut results = fixture::results();
        // The worst finding is told, its source not.
        let worst = results.trust.findings.iter_mut().max_by_key(|finding| finding.verdict).unwrap();
        worst.message.push_str(" (Topilsky 2012, from memory)");
        for unit in [AreaUnit::Cm2, AreaUnit::Mm2] {
            let answer = answer(&results, unit);
            let all = format!("{answer:?}");
            for wanted in
                ["effective", "displayed", "Velocity-weighted mean", "frame 3 of 6", "Trust check: limited"]
            {
                assert!(all.contains(wanted), "{wanted} is not in {all}");
            }
            assert!(!all.contains("memory") && !all.contains(unit.other().sign()), "{all}");
        }
        assert!(format!("{:?}", answer(&results, AreaUnit::Cm2)).contains("0.41 cm² (0.35 to 0.48)"));
    }
}
