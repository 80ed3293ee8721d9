//! Documents of earlier versions brought up to this one.
//!
//! A step takes a document of one version to the next; reading runs them in order, then reads the
//! outcome as its own. There is one version so far, and so no step. Within a version the results
//! of a measurement may gain keys: results that an earlier program wrote, and that this one cannot
//! take as its own, are set aside, and the volume is measured again. What the reader did is kept
//! whatever wrote it.

use serde_json::Value;

use crate::measure::Results;

/// A step from one version to the next
type Step = fn(Value) -> Value;

/// The steps, the first from version 1 to version 2
const STEPS: [Step; 0] = [];

/// The version that is read and written
pub(super) const CURRENT: usize = STEPS.len() + 1;

/// A document of `version` as one of this version
pub(super) fn up(document: Value, version: usize) -> Value {
    let todo = STEPS.iter().skip(version.saturating_sub(1));
    set_aside(todo.fold(document, |document, step| step(document)))
}

/// Takes away results of another program version that cannot be read as they are
fn set_aside(mut document: Value) -> Value {
    let Some(results) = document.get("results") else { return document };
    let own = env!("CARGO_PKG_VERSION");
    let of_another = results.pointer("/tool/version").and_then(Value::as_str).is_some_and(|v| v != own);
    if of_another && serde_json::from_value::<Results>(results.clone()).is_err() {
        document["results"] = Value::Null;
    }
    document
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn results_of_another_version_are_set_aside_and_the_work_is_kept() {
        let old = json!({"results": {"tool": {"version": "0.0.1"}}, "work": {"notes": "kept"}});
        let up_to_date = up(old, 1);
        assert_eq!(up_to_date, json!({"results": null, "work": {"notes": "kept"}}));
        // Damage of our own version stays, to be told as damage.
        let own = json!({"results": {"tool": {"version": env!("CARGO_PKG_VERSION")}}});
        assert_eq!(up(own.clone(), 1), own);
    }
}
