//! Conditions on what is known, and how far they are true.
//!
//! A condition may hold, fail, be open because an interval lies across the cut, or be unknown
//! because nobody entered it. A [`Rule`] is a list of alternatives, each a list of conditions that
//! must all hold.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::item::{Item, Kind};

/// One condition; exactly one of the relations is given
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Condition {
    /// On what
    pub item: Item,
    /// The choice is one of these
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub is: Option<Vec<String>>,
    /// The number is this or more
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<f64>,
    /// The number is more than this
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub above: Option<f64>,
    /// The number is less than this
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub below: Option<f64>,
    /// The number is this or less
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_most: Option<f64>,
    /// The number lies between these, ends included
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub within: Option<[f64; 2]>,
}

/// Alternatives, each a list of conditions that must all hold
pub(crate) type Rule = Vec<Vec<Condition>>;

/// How far something is true
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Truth {
    Yes,
    No,
    /// The interval, or a caveat, leaves both possible
    Open,
    /// Not entered
    Unknown,
}

/// What is known about the items
pub(crate) trait Facts {
    /// The lowest and highest that a number can be
    fn number(&self, item: Item) -> Option<(f64, f64)>;
    /// The key of a choice
    fn choice(&self, item: Item) -> Option<&str>;
}

impl Condition {
    pub(super) fn truth(&self, facts: &impl Facts) -> Truth {
        if let Some(keys) = &self.is {
            return match facts.choice(self.item) {
                None => Truth::Unknown,
                Some(key) if keys.iter().any(|k| k == key) => Truth::Yes,
                Some(_) => Truth::No,
            };
        }
        let Some((low, high)) = facts.number(self.item) else { return Truth::Unknown };
        // Holding at both ends of an interval means holding on it: every relation is an interval itself.
        match (self.holds(low), self.holds(high)) {
            (true, true) => Truth::Yes,
            (false, false) if !self.lies_between(low, high) => Truth::No,
            _ => Truth::Open,
        }
    }

    fn holds(&self, value: f64) -> bool {
        self.from.is_none_or(|cut| value >= cut)
            && self.above.is_none_or(|cut| value > cut)
            && self.below.is_none_or(|cut| value < cut)
            && self.at_most.is_none_or(|cut| value <= cut)
            && self.within.is_none_or(|[a, b]| (a..=b).contains(&value))
    }

    /// Whether the values that hold lie strictly inside an interval
    fn lies_between(&self, low: f64, high: f64) -> bool {
        self.within.is_some_and(|[a, b]| low < a && b < high)
    }

    /// Why a condition cannot stand
    pub(super) fn check(&self) -> Result<(), String> {
        let relations = [
            self.is.is_some(),
            self.from.is_some(),
            self.above.is_some(),
            self.below.is_some(),
            self.at_most.is_some(),
            self.within.is_some(),
        ];
        let key = self.item.key();
        if relations.iter().filter(|given| **given).count() != 1 {
            return Err(format!(
                "a condition on `{key}` needs one of is, from, above, below, at_most, within"
            ));
        }
        match (self.item.field().kind, &self.is) {
            (Kind::Choice(_), None) => Err(format!("`{key}` is a choice: its condition is `is = [...]`")),
            (Kind::Number { .. }, Some(_)) => Err(format!("`{key}` is a number and has no `is`")),
            (Kind::Choice(choices), Some(keys)) => {
                if keys.is_empty() {
                    return Err(format!("`is` of `{key}` names no choice"));
                }
                let wrong = keys.iter().find(|key| self.item.choice(key).is_none());
                let all: Vec<&str> = choices.iter().map(|choice| choice.key).collect();
                wrong.map_or(Ok(()), |wrong| {
                    Err(format!("`{key}` has no choice `{wrong}`; it has {}", all.join(", ")))
                })
            }
            (Kind::Number { low, high, unit, .. }, None) => {
                let cuts = [self.from, self.above, self.below, self.at_most];
                let ends = self.within.into_iter().flatten();
                for cut in cuts.into_iter().flatten().chain(ends) {
                    if !(low..=high).contains(&cut) {
                        return Err(format!("{cut} of `{key}` lies outside {low} to {high} {unit}"));
                    }
                }
                match self.within {
                    Some([a, b]) if a > b => Err(format!("`within` of `{key}` runs backward")),
                    _ => Ok(()),
                }
            }
        }
    }
}

fn all(conditions: &[Condition], facts: &impl Facts) -> Truth {
    let truths: Vec<Truth> = conditions.iter().map(|condition| condition.truth(facts)).collect();
    [Truth::No, Truth::Unknown, Truth::Open]
        .into_iter()
        .find(|worst| truths.contains(worst))
        .unwrap_or(Truth::Yes)
}

/// How far a rule is true: as far as its truest alternative
pub(crate) fn truth(rule: &Rule, facts: &impl Facts) -> Truth {
    let truths: Vec<Truth> = rule.iter().map(|conditions| all(conditions, facts)).collect();
    [Truth::Yes, Truth::Open, Truth::Unknown]
        .into_iter()
        .find(|best| truths.contains(best))
        .unwrap_or(Truth::No)
}

/// The items a rule asks about, each once, in order
pub(crate) fn items(rule: &Rule) -> Vec<Item> {
    let mut items = Vec::new();
    for condition in rule.iter().flatten() {
        if !items.contains(&condition.item) {
            items.push(condition.item);
        }
    }
    items
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Width(Option<(f64, f64)>);
    impl Facts for Width {
        fn number(&self, _: Item) -> Option<(f64, f64)> {
            self.0
        }
        fn choice(&self, item: Item) -> Option<&str> {
            (item == Item::LvSize).then_some("dilated")
        }
    }

    fn on(item: Item) -> Condition {
        Condition { item, is: None, from: None, above: None, below: None, at_most: None, within: None }
    }

    #[test]
    fn an_interval_across_the_cut_leaves_it_open() {
        let severe = Condition { from: Some(7.0), ..on(Item::VcWidthMm) };
        for (range, truth) in [
            (Some((7.0, 7.0)), Truth::Yes),
            (Some((6.9, 6.9)), Truth::No),
            (Some((6.5, 7.5)), Truth::Open),
            (Some((6.5, f64::INFINITY)), Truth::Open),
            (None, Truth::Unknown),
        ] {
            assert_eq!(severe.truth(&Width(range)), truth, "{range:?}");
        }
        let band = Condition { within: Some([30.0, 40.0]), ..on(Item::ConvergenceNyquistCmS) };
        assert_eq!(band.truth(&Width(Some((30.0, 40.0)))), Truth::Yes);
        assert_eq!(band.truth(&Width(Some((20.0, 50.0)))), Truth::Open);
        assert_eq!(band.truth(&Width(Some((41.0, 50.0)))), Truth::No);
    }

    #[test]
    fn alternatives_and_conjunctions() {
        let big = Condition { is: Some(vec!["dilated".into()]), ..on(Item::LvSize) };
        let good = Condition { is: Some(vec!["normal".into()]), ..on(Item::LvFunction) };
        let wide = Condition { above: Some(5.0), ..on(Item::VcWidthMm) };
        let facts = Width(Some((6.0, 6.0)));
        assert_eq!(truth(&vec![vec![big.clone(), good.clone()]], &facts), Truth::Unknown);
        assert_eq!(truth(&vec![vec![big.clone(), good], vec![wide.clone()]], &facts), Truth::Yes);
        assert_eq!(truth(&vec![vec![big, wide]], &Width(Some((1.0, 2.0)))), Truth::No);
        assert_eq!(truth(&Vec::new(), &facts), Truth::No);
    }

    #[test]
    fn conditions_that_mean_nothing_are_refused() {
        assert!(on(Item::VcWidthMm).check().is_err());
        assert!(Condition { from: Some(99.0), ..on(Item::VcWidthMm) }.check().is_err());
        assert!(Condition { from: Some(1.0), below: Some(2.0), ..on(Item::VcWidthMm) }.check().is_err());
        assert!(Condition { from: Some(1.0), ..on(Item::LvSize) }.check().is_err());
        assert!(Condition { is: Some(vec!["huge".into()]), ..on(Item::LvSize) }.check().is_err());
        assert!(Condition { within: Some([40.0, 30.0]), ..on(Item::VcWidthMm) }.check().is_err());
        assert!(Condition { from: Some(f64::NAN), ..on(Item::VcWidthMm) }.check().is_err());
    }
}
