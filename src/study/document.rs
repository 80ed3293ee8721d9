//! JSON documents of a study, which say themselves what they are.

use serde::de::DeserializeOwned;
use serde_json::Value;

/// Why a text is not the document it was taken for
#[derive(Debug, thiserror::Error)]
pub enum DocumentError {
    /// It is no JSON, or JSON of another kind
    #[error("this is no document of the kind {0}")]
    Kind(String),
    /// It says that it is of the kind, and is not as one is written
    #[error("cannot read the document: {0}")]
    Damaged(#[from] serde_json::Error),
}

/// A document of a kind, by the name of its schema
///
/// # Errors
/// See [`DocumentError`].
pub fn parse<T: DeserializeOwned>(text: &str, schema: &str) -> Result<T, DocumentError> {
    let head: Option<Value> = serde_json::from_str(text).ok();
    let named = head.as_ref().and_then(|head| head.get("schema")).and_then(Value::as_str);
    if named != Some(schema) {
        return Err(DocumentError::Kind(schema.to_owned()));
    }
    // From the text again, so that damage is told with its line and column.
    Ok(serde_json::from_str(text)?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    #[test]
    fn another_kind_and_damage_are_told_apart() {
        let read = |text| parse::<BTreeMap<String, String>>(text, "narrows/x/1");
        assert!(matches!(read("{"), Err(DocumentError::Kind(_))));
        assert!(matches!(read(r#"{"schema": "narrows/y/1"}"#), Err(DocumentError::Kind(_))));
        let damaged = read(r#"{"schema": "narrows/x/1", "n": 3}"#);
        assert!(matches!(&damaged, Err(DocumentError::Damaged(error)) if error.line() == 1));
        assert_eq!(read(r#"{"schema": "narrows/x/1"}"#).unwrap().len(), 1);
    }
}
