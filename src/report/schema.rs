//! The published JSON Schema of the documents, made from the types that write them.

use crate::measure::Results;

/// The schema of `results.json`, pretty, with a newline at its end
pub fn results() -> String {
    pretty(&schemars::schema_for!(Results))
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
        let published: serde_json::Value =
            serde_json::from_str(include_str!("../../docs/schema/results.schema.json")).unwrap();
        assert!(
            published == serde_json::from_str::<serde_json::Value>(&results()).unwrap(),
            "docs/schema/results.schema.json is out of date: run `narrows schema results` and store its output"
        );
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
