//! Every number of a saved review held against a new measurement.
//!
//! The saved results are taken as they stand in the file, value by value, so that those of an
//! earlier version can be compared even where this version has more to say. The same input and
//! method give the same bits, so any difference counts; there is no tolerance to hide one in.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::measure::Options;

use super::ReviewError;
use super::file::{head, read_text};

/// The name of this version of the document
pub const RECHECK_SCHEMA: &str = "narrows/recheck/1";

/// What a new measurement says of a saved one
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Recheck {
    /// Always `narrows/recheck/1`
    pub schema: String,
    /// File name of the review, without its folder
    pub review: String,
    /// BLAKE3 of the volume that was measured anew
    pub blake3: String,
    /// Version and method of the saved numbers
    pub then: [String; 2],
    /// Version and method of the new ones
    pub now: [String; 2],
    /// Values compared
    pub compared: usize,
    /// Values that the saved results do not have: this version says more
    pub added: Vec<String>,
    /// Every value that is another, or no longer there
    pub changes: Vec<Change>,
}

/// A value that is another
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Change {
    /// Where it stands: `jets[0].vca_mm2.value`
    pub path: String,
    /// As it was saved
    pub then: Value,
    /// As it is now; `null` where it is no longer there
    pub now: Value,
    /// By how much a number changed, percent of what it was; `null` for words and from zero
    pub percent: Option<f64>,
}

impl Recheck {
    /// Whether every saved value is the same
    pub fn is_same(&self) -> bool {
        self.changes.is_empty()
    }
}

/// The results of a review as they stand in its file
///
/// # Errors
/// As [`super::load`]; [`ReviewError::NoResults`] where the review was saved before measuring.
pub fn saved_results(path: &std::path::Path) -> Result<Value, ReviewError> {
    let (mut document, _) = head(&read_text(path)?)?;
    match document.get_mut("results").map(Value::take) {
        Some(results @ Value::Object(_)) => Ok(results),
        _ => Err(ReviewError::NoResults),
    }
}

/// What the measurement of saved results was told, as far as they say; results of an earlier version
/// say less
pub fn told(saved: &Value) -> Options {
    fn part<T: Default + serde::de::DeserializeOwned>(saved: &Value, at: &str) -> T {
        saved.pointer(at).and_then(|value| T::deserialize(value).ok()).unwrap_or_default()
    }
    let criteria: String = part(saved, "/severity/criteria/name");
    Options::of(&part(saved, "/given"), &criteria, part(saved, "/severity/evidence"))
}

/// Compares saved results with new ones
pub fn compare(review: &str, saved: &Value, fresh: &Value) -> Recheck {
    let word = |of: &Value, at: &str| of.pointer(at).and_then(Value::as_str).unwrap_or("unknown").to_owned();
    let tool = |of: &Value| [word(of, "/tool/version"), word(of, "/tool/engine")];
    let mut out = Recheck {
        schema: RECHECK_SCHEMA.to_owned(),
        review: review.to_owned(),
        blake3: word(fresh, "/source/blake3"),
        then: tool(saved),
        now: tool(fresh),
        compared: 0,
        added: Vec::new(),
        changes: Vec::new(),
    };
    walk("", saved, fresh, &mut out);
    out
}

fn walk(path: &str, then: &Value, now: &Value, out: &mut Recheck) {
    // The version is told at the top, and the name of a file is no number.
    if path == "tool" || path == "source.file" {
        return;
    }
    match (then, now) {
        (Value::Object(then), Value::Object(now)) => {
            let inside = |key: &str| if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") };
            for (key, value) in then {
                walk(&inside(key), value, now.get(key).unwrap_or(&Value::Null), out);
            }
            out.added.extend(now.keys().filter(|key| !then.contains_key(*key)).map(|key| inside(key)));
        }
        (Value::Array(then), Value::Array(now)) if then.len() == now.len() => {
            for (index, (then, now)) in then.iter().zip(now).enumerate() {
                walk(&format!("{path}[{index}]"), then, now, out);
            }
        }
        (Value::Array(then), Value::Array(now)) => {
            out.compared += 1;
            let (a, b) = (then.len(), now.len());
            out.changes.push(Change {
                path: format!("{path}.length"),
                then: a.into(),
                now: b.into(),
                percent: percent(a as f64, b as f64),
            });
            for (index, (then, now)) in then.iter().zip(now).enumerate() {
                walk(&format!("{path}[{index}]"), then, now, out);
            }
        }
        (then, now) => {
            out.compared += 1;
            let numbers = then.as_f64().zip(now.as_f64());
            let same = numbers.map_or_else(|| then == now, |(a, b)| a == b);
            if !same {
                out.changes.push(Change {
                    path: path.to_owned(),
                    then: then.clone(),
                    now: now.clone(),
                    percent: numbers.and_then(|(a, b)| percent(a, b)),
                });
            }
        }
    }
}

fn percent(then: f64, now: f64) -> Option<f64> {
    (then != 0.0).then(|| 100.0 * (now - then) / then.abs())
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn every_difference_is_told_and_nothing_else() {
        let saved = json!({
            "tool": {"version": "0.1.0", "engine": "1"},
            "source": {"file": "a.dcm", "blake3": "00"},
            "jets": [{"vca_mm2": {"value": 40.0, "low": 36}, "shape": "round", "axis": [0.0, 1.0]}],
            "cautions": ["a", "b"],
        });
        let same = compare("r", &saved, &saved);
        assert!(same.is_same() && same.compared == 8, "{same:?}");
        let mut fresh = saved.clone();
        fresh["tool"]["engine"] = "2".into();
        fresh["source"]["file"] = "renamed.dcm".into();
        fresh["jets"][0]["vca_mm2"]["value"] = 42.0.into();
        fresh["jets"][0]["shape"] = "elliptical".into();
        fresh["jets"][0]["reading"] = json!({"origin": "program"});
        fresh["cautions"] = json!(["a"]);
        let told = compare("r", &saved, &fresh);
        let paths: Vec<&str> = told.changes.iter().map(|change| change.path.as_str()).collect();
        assert_eq!(paths, ["cautions.length", "jets[0].shape", "jets[0].vca_mm2.value"]);
        assert_eq!(told.changes[2].percent, Some(5.0));
        assert_eq!(told.added, ["jets[0].reading"]);
        assert_eq!((told.then[1].as_str(), told.now[1].as_str()), ("1", "2"));
        let mut less = saved.clone();
        less["jets"][0].as_object_mut().unwrap().remove("shape");
        assert_eq!(compare("r", &saved, &less).changes[0].now, Value::Null);
    }
}
