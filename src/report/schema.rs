//! The published JSON Schema of the documents, made from the types that write them.

use crate::format::array::Sidecar;
use crate::measure::{Comparison, Results};
use crate::review::{Recheck, Review};
use crate::severity::{Criteria, Evidence};
use crate::study::agree::Agreement;
use crate::study::practice::{PracticeKey, PracticeList, Scores};
use crate::study::shapes::Shapes;
use crate::study::sweep::Sweep;

/// The schema of `results.json`, pretty, with a newline at its end
pub fn results() -> String {
    pretty(&schemars::schema_for!(Results))
}

/// The schema of `NAME.review.json`, pretty, with a newline at its end
pub fn review() -> String {
    pretty(&schemars::schema_for!(Review))
}

/// The schema of a file of evidence, pretty, with a newline at its end
pub fn evidence() -> String {
    pretty(&schemars::schema_for!(Evidence))
}

/// The schema of a criteria file, as JSON; the file itself is TOML
pub fn criteria() -> String {
    pretty(&schemars::schema_for!(Criteria))
}

/// The schema of `NAME.narrows.json`, pretty, with a newline at its end
pub fn sidecar() -> String {
    pretty(&schemars::schema_for!(Sidecar))
}

/// The schema of `comparison.json`, pretty, with a newline at its end
pub fn comparison() -> String {
    pretty(&schemars::schema_for!(Comparison))
}

/// The schema of what `narrows recheck` finds, pretty, with a newline at its end
pub fn recheck() -> String {
    pretty(&schemars::schema_for!(Recheck))
}

/// The schema of `agreement.json`, pretty, with a newline at its end
pub fn agreement() -> String {
    pretty(&schemars::schema_for!(Agreement))
}

/// The schema of `sweep.json`, pretty, with a newline at its end
pub fn sweep() -> String {
    pretty(&schemars::schema_for!(Sweep))
}

/// The schema of `shapes.json`, pretty, with a newline at its end
pub fn shapes() -> String {
    pretty(&schemars::schema_for!(Shapes))
}

/// The schema of `practice.json`, the list that learners get, pretty, with a newline at its end
pub fn practice() -> String {
    pretty(&schemars::schema_for!(PracticeList))
}

/// The schema of `NAME.key.json`, the key of a practice set, pretty, with a newline at its end
pub fn practice_key() -> String {
    pretty(&schemars::schema_for!(PracticeKey))
}

/// The schema of what `narrows practice score` writes, pretty, with a newline at its end
pub fn practice_scores() -> String {
    pretty(&schemars::schema_for!(Scores))
}

fn pretty(schema: &schemars::Schema) -> String {
    let mut text = serde_json::to_string_pretty(schema).expect("a schema is plain JSON");
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::fixture;

    #[test]
    fn the_published_schema_is_current() {
        // Compared as JSON: the order of keys says nothing.
        for (name, published, current) in [
            ("results", include_str!("../../docs/schema/results.schema.json"), results()),
            ("review", include_str!("../../docs/schema/review.schema.json"), review()),
            ("evidence", include_str!("../../docs/schema/evidence.schema.json"), evidence()),
            ("criteria", include_str!("../../docs/schema/criteria.schema.json"), criteria()),
            ("sidecar", include_str!("../../docs/schema/sidecar.schema.json"), sidecar()),
        ] {
            let [published, current]: [serde_json::Value; 2] =
                [published, &current].map(|text| serde_json::from_str(text).unwrap());
            assert!(
                published == current,
                "docs/schema/{name}.schema.json is out of date: run `narrows schema {name}` and store its output"
            );
        }
    }

    #[test]
    fn the_other_published_schemas_are_current() {
        let value = |text: &str| serde_json::from_str::<serde_json::Value>(text).unwrap();
        let published = [
            (include_str!("../../docs/schema/comparison.schema.json"), comparison(), "comparison"),
            (include_str!("../../docs/schema/recheck.schema.json"), recheck(), "recheck"),
            (include_str!("../../docs/schema/agreement.schema.json"), agreement(), "agreement"),
            (include_str!("../../docs/schema/sweep.schema.json"), sweep(), "sweep"),
            (include_str!("../../docs/schema/shapes.schema.json"), shapes(), "shapes"),
            (include_str!("../../docs/schema/practice.schema.json"), practice(), "practice"),
            (include_str!("../../docs/schema/practice-key.schema.json"), practice_key(), "practice-key"),
            (
                include_str!("../../docs/schema/practice-scores.schema.json"),
                practice_scores(),
                "practice-scores",
            ),
        ];
        for (stored, made, name) in published {
            assert!(
                value(stored) == value(&made),
                "out of date: run `narrows schema {name}` and store its output"
            );
        }
    }

    #[test]
    fn a_comparison_and_a_recheck_validate() {
        let results = fixture::results();
        let document =
            serde_json::to_value(crate::measure::compare(results.clone(), results.clone())).unwrap();
        jsonschema::validate(&serde_json::from_str(&comparison()).unwrap(), &document).unwrap();
        let saved = serde_json::to_value(&results).unwrap();
        let mut fresh = saved.clone();
        fresh["jets"][0]["vca_mm2"]["value"] = 1.0.into();
        let found = serde_json::to_value(crate::review::compare("r", &saved, &fresh)).unwrap();
        jsonschema::validate(&serde_json::from_str(&recheck()).unwrap(), &found).unwrap();
    }

    #[test]
    fn the_documents_of_practice_validate() {
        use crate::phantom::{Recipe, simulate};
        use crate::study::practice::{Attempt, MadeCase, make, score};
        let text = "[grid]\nshape = [24, 24, 24]\n[beat]\nframes = 1\nfirst_s = 0.2\n";
        let watch = crate::job::Watch::silent();
        let (volume, truth) = simulate(&Recipe::from_toml(text).unwrap(), &watch).unwrap();
        let scored = score(&volume, &truth, &[], &watch).unwrap();
        let case =
            MadeCase { file: "case-1.dcm".into(), blake3: "00".into(), recipe: "a.toml".into(), truth };
        let (list, key) = make(vec![case], Some(3));
        let attempt = Attempt {
            learner: "ann".into(),
            case: "case-1".into(),
            title: String::new(),
            grade: 1,
            teaches: String::new(),
            attempt: 0,
            saved_s: None,
            review: "case-1.review.json".into(),
            blind: true,
            score: scored,
        };
        let scores = Scores::of(vec![attempt], Vec::new());
        for (schema, document) in [
            (practice(), serde_json::to_value(list).unwrap()),
            (practice_key(), serde_json::to_value(key).unwrap()),
            (practice_scores(), serde_json::to_value(scores).unwrap()),
        ] {
            let schema = serde_json::from_str(&schema).unwrap();
            jsonschema::validate(&schema, &document).unwrap();
            let mut damaged = document;
            damaged["schema"] = 1.into();
            assert!(!jsonschema::is_valid(&schema, &damaged));
        }
    }

    #[test]
    fn a_review_validates() {
        use crate::review::{Command, Drawn, JetId, Review, Session, Source, Turn};
        let mut session = Session::new(Review::new(Source { frames: 2, ..Source::default() }));
        let points = vec![[0.0, 0.0], [3.0, 0.0], [0.0, 3.0]];
        session.apply(Command::AddTracing { points, drawn: Drawn::ByHand, threshold: None }).unwrap();
        session.apply(Command::Turn(JetId::Free, Turn { roll: 1.0, ..Turn::default() })).unwrap();
        session.learn(fixture::results());
        let schema = serde_json::from_str(&review()).unwrap();
        let document = serde_json::to_value(session.review()).unwrap();
        jsonschema::validate(&schema, &document).unwrap();
        let mut damaged = document;
        damaged["work"]["tracings"][0]["drawn"] = "by_magic".into();
        assert!(!jsonschema::is_valid(&schema, &damaged));
    }

    #[test]
    fn a_document_validates_and_a_damaged_one_does_not() {
        let schema = serde_json::from_str(&results()).unwrap();
        let document = serde_json::to_value(fixture::results()).unwrap();
        jsonschema::validate(&schema, &document).unwrap();
        let mut damaged = document.clone();
        damaged["jets"][0]["vca_mm2"]["low"] = "wide".into();
        assert!(!jsonschema::is_valid(&schema, &damaged));
        let mut damaged = document;
        damaged["trust"]["verdict"] = "splendid".into();
        assert!(!jsonschema::is_valid(&schema, &damaged));
    }
}
