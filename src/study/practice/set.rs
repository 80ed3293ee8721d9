//! A set of cases: what learners get, and the sealed key that stays with the teacher.
//!
//! The rule of the seal is that of the reading lists ([`crate::study::list`]): the key's hash stands
//! in the list, so that a key changed afterwards is found out.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::STANDING;
use crate::phantom::{PracticeRecipe, Recipe, Truth};
use crate::study::list::{key_text, seal};
use crate::study::resample::{generator, shuffle};

/// The name of this version of the list
pub const LIST_SCHEMA: &str = "narrows/practice/1";
/// The name of this version of the key
pub const KEY_SCHEMA: &str = "narrows/practice-key/1";

/// The recipes that the program carries, by file name, the easiest first
pub const SHIPPED: [(&str, &str); 8] = [
    ("round.toml", include_str!("../../../sample-volumes/practice/round.toml")),
    ("elliptical.toml", include_str!("../../../sample-volumes/practice/elliptical.toml")),
    ("slit.toml", include_str!("../../../sample-volumes/practice/slit.toml")),
    ("oblique.toml", include_str!("../../../sample-volumes/practice/oblique.toml")),
    ("high-gain.toml", include_str!("../../../sample-volumes/practice/high-gain.toml")),
    ("shifted-baseline.toml", include_str!("../../../sample-volumes/practice/shifted-baseline.toml")),
    ("late-crescent.toml", include_str!("../../../sample-volumes/practice/late-crescent.toml")),
    ("three-jets.toml", include_str!("../../../sample-volumes/practice/three-jets.toml")),
];

/// What learners get
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PracticeList {
    /// Always `narrows/practice/1`
    pub schema: String,
    /// What practice is and is not
    pub about: String,
    /// BLAKE3 of the key file's bytes, hexadecimal
    pub key_blake3: String,
    /// The cases in the order to read them
    pub cases: Vec<ListedCase>,
}

/// One case as learners see it
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ListedCase {
    /// `case-1`, `case-2`, ...
    pub id: String,
    /// The volume, beside the list
    pub file: String,
    /// BLAKE3 of its bytes, hexadecimal
    pub blake3: String,
    /// How hard it is, 1 to 8
    pub grade: u8,
}

/// What stays with the teacher
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PracticeKey {
    /// Always `narrows/practice-key/1`
    pub schema: String,
    /// Start of the random order; `null` where the cases stand in order of their grade
    pub seed: Option<u64>,
    /// The cases in the order of the list
    pub cases: Vec<KeyCase>,
}

/// One case as the teacher sees it
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct KeyCase {
    /// `case-1`, `case-2`, ...
    pub id: String,
    /// The volume, beside the list
    pub file: String,
    /// BLAKE3 of its bytes, hexadecimal
    pub blake3: String,
    /// File name of the recipe
    pub recipe: String,
    /// What it is, how hard, and what there is to learn
    pub case: PracticeRecipe,
    /// What was really there
    pub truth: Truth,
}

/// What a recipe is as a case; one that does not say is of its own name, and of the middle grade
pub fn described(recipe: &Recipe) -> PracticeRecipe {
    recipe.practice.clone().unwrap_or_else(|| PracticeRecipe {
        title: recipe.name.clone(),
        grade: 4,
        teaches: recipe.note.clone(),
    })
}

/// The order of the cases, as positions among `grades`: by grade, or at random where a seed is given
pub fn order(grades: &[u8], seed: Option<u64>) -> Vec<usize> {
    let mut order: Vec<usize> = (0..grades.len()).collect();
    match seed {
        Some(seed) => shuffle(&mut generator(seed), &mut order),
        None => order.sort_by_key(|at| (grades[*at], *at)),
    }
    order
}

/// One case that was simulated and stored
#[derive(Clone, Debug, PartialEq)]
pub struct MadeCase {
    /// File name of the volume
    pub file: String,
    /// BLAKE3 of its bytes, hexadecimal
    pub blake3: String,
    /// File name of the recipe
    pub recipe: String,
    /// What was really there
    pub truth: Truth,
}

/// List and key of a set, the cases in their order; the text of the key is that of
/// [`key_text`]
pub fn make(cases: Vec<MadeCase>, seed: Option<u64>) -> (PracticeList, PracticeKey) {
    let cases: Vec<KeyCase> = cases
        .into_iter()
        .enumerate()
        .map(|(at, made)| KeyCase {
            id: format!("case-{}", at + 1),
            file: made.file,
            blake3: made.blake3,
            recipe: made.recipe,
            case: described(&made.truth.recipe),
            truth: made.truth,
        })
        .collect();
    let listed = cases
        .iter()
        .map(|case| ListedCase {
            id: case.id.clone(),
            file: case.file.clone(),
            blake3: case.blake3.clone(),
            grade: case.case.grade,
        })
        .collect();
    let key = PracticeKey { schema: KEY_SCHEMA.to_owned(), seed, cases };
    let list = PracticeList {
        schema: LIST_SCHEMA.to_owned(),
        about: STANDING.to_owned(),
        key_blake3: seal(&key_text(&key)),
        cases: listed,
    };
    (list, key)
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;
    use crate::phantom::flow::library_flow;

    #[test]
    fn the_cases_that_ship_are_graded_and_say_what_they_teach() {
        let (mut grades, mut flows) = (Vec::new(), HashSet::new());
        for (name, text) in SHIPPED {
            let recipe = Recipe::from_toml(text).unwrap_or_else(|error| panic!("{name}: {error}"));
            let case = recipe.practice.unwrap_or_else(|| panic!("{name} does not say what it is"));
            assert!(case.teaches.len() > 20 && !case.title.is_empty(), "{name}");
            // Solved, each another geometry.
            let flow = recipe.flow.solved.unwrap_or_else(|| panic!("{name} is drawn"));
            library_flow(&flow).unwrap_or_else(|error| panic!("{name}: {error}"));
            assert!(flows.insert(flow), "{name} has the flow of another case");
            // The name and the note go into no volume, but a file name must not tell either.
            grades.push(case.grade);
        }
        assert_eq!(grades, [1, 2, 3, 4, 5, 6, 7, 8]);
    }

    #[test]
    fn an_order_is_by_grade_or_sealed_by_a_seed() {
        assert_eq!(order(&[3, 1, 2, 1], None), [1, 3, 2, 0]);
        let drawn = order(&[1; 40], Some(5));
        assert_eq!(drawn, order(&[1; 40], Some(5)));
        assert_ne!(drawn, order(&[1; 40], Some(6)));
        let mut sorted = drawn;
        sorted.sort_unstable();
        assert_eq!(sorted, (0..40).collect::<Vec<_>>());
    }
}
