//! A guideline's table as data: cut points, signs, specific criteria, and how they are counted.
//!
//! A criteria file is TOML. Each value names its source and says whether it was read there, read
//! in another document that quotes it, or written from memory. Some are built in; a reader may give
//! his own, which is checked before it is used: a table that contradicts itself grades nobody.

use std::collections::BTreeSet;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::error::{SeverityError, nearest, nearest_in};
use super::grade::{Class, ClassNames, Grade, Grades};
use super::item::{Field, Item, Kind, Origin};
use super::rule::{Condition, items};

/// The name of this version of the criteria file
pub const CRITERIA_SCHEMA: &str = "narrows/criteria/1";

/// How far a value can be trusted to stand in its source
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Known {
    /// Read in the source
    Read,
    /// Read in another document that quotes the source
    Quoted,
    /// Written from memory
    Memory,
}

impl Known {
    /// As printed beside a value
    pub const fn words(self) -> &'static str {
        match self {
            Self::Read => "read",
            Self::Quoted => "quoted",
            Self::Memory => "from memory",
        }
    }
}

/// What a measure does in the algorithm
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// A quantitative row of the guideline: takes part in grading
    Quantitative,
    /// From the literature, no row of the guideline: can raise a class, grades nothing by itself
    Literature,
    /// Shown on the scale, and speaks for a class: more where a specific criterion asks for it
    Supportive,
}

/// One cut point; exactly one relation is given
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Bound {
    /// This or more
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<f64>,
    /// More than this
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub above: Option<f64>,
    /// Less than this
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub below: Option<f64>,
    /// This or less
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_most: Option<f64>,
}

impl Bound {
    /// Where it cuts
    pub fn at(&self) -> f64 {
        self.from.or(self.above).or(self.below).or(self.at_most).unwrap_or(f64::NAN)
    }

    /// Whether a value is on its side
    pub fn holds(&self, value: f64) -> bool {
        self.from.is_none_or(|cut| value >= cut)
            && self.above.is_none_or(|cut| value > cut)
            && self.below.is_none_or(|cut| value < cut)
            && self.at_most.is_none_or(|cut| value <= cut)
    }

    /// `≥`, `>`, `<` or `≤`
    pub fn sign(&self) -> &'static str {
        match (self.from, self.above, self.below) {
            (Some(_), _, _) => "≥",
            (_, Some(_), _) => ">",
            (_, _, Some(_)) => "<",
            _ => "≤",
        }
    }

    /// `≥ 40 mm²`
    pub fn words(&self, item: Item) -> String {
        format!("{} {}", self.sign(), item.words(self.at()))
    }

    fn given(&self) -> usize {
        [self.from, self.above, self.below, self.at_most].iter().flatten().count()
    }
}

/// Another cut to severe under circumstances
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Variant {
    /// All must hold
    pub when: Vec<Condition>,
    /// Severe from here on
    pub severe: Bound,
    /// Whether the guideline says "is" or "may be"
    pub binding: Binding,
    /// Where the value stands
    pub known: Known,
}

/// How firmly a guideline lowers a cut
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Binding {
    /// It is severe from there on
    Is,
    /// It may be severe from there on: both cuts count half
    MayBe,
}

/// A quantity with its cut points
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Measure {
    /// Which items are held against these cuts: the same quantity got in several ways
    pub items: Vec<Item>,
    /// Its name
    pub label: String,
    /// What it does in the algorithm
    pub role: Role,
    /// Mild: `below` or `at_most`
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mild: Option<Bound>,
    /// Where moderate becomes grade III: `from` or `above`
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grade_3: Option<Bound>,
    /// Severe: `from` or `above`
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub severe: Option<Bound>,
    /// Other cuts to severe under circumstances
    #[serde(default, skip_serializing_if = "Vec::is_empty", rename = "variant")]
    pub variants: Vec<Variant>,
    /// The measure says something only where all of these hold
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub needs: Vec<Condition>,
    /// Where the cuts stand
    pub known: Known,
    /// Their source, where it is not the guideline itself
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// What else is to be said
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

impl Measure {
    /// The grades of a value, with one cut to severe
    pub(crate) fn grades_of(&self, value: f64, severe: Option<Bound>) -> Grades {
        if severe.is_some_and(|cut| cut.holds(value)) {
            return Grades { low: Grade::IV, high: Grade::IV };
        }
        if self.mild.is_some_and(|cut| cut.holds(value)) {
            return Grades { low: Grade::I, high: Grade::I };
        }
        let most = if severe.is_some() { Grade::III } else { Grade::IV };
        match (self.mild, self.grade_3) {
            (None, _) => Grades { low: Grade::I, high: most },
            (Some(_), None) => Grades { low: Grade::II, high: most },
            (Some(_), Some(upper)) if upper.holds(value) => Grades { low: Grade::III, high: most },
            (Some(_), Some(_)) => Grades { low: Grade::II, high: Grade::II },
        }
    }

    /// Its cuts in words: `mild < 20 mm², grade III ≥ 30 mm², severe ≥ 40 mm²`
    pub fn words(&self) -> String {
        let Some(item) = self.items.first() else { return String::new() };
        let named = [("mild", self.mild), ("grade III", self.grade_3), ("severe", self.severe)];
        let parts: Vec<String> =
            named.iter().filter_map(|(name, cut)| Some(format!("{name} {}", (*cut)?.words(*item)))).collect();
        parts.join(", ")
    }
}

/// A sign that is no number
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Sign {
    /// Its name
    pub label: String,
    /// Alternatives, each a list of conditions that must all hold
    #[serde(default)]
    pub mild: Vec<Vec<Condition>>,
    /// As `mild`
    #[serde(default)]
    pub moderate: Vec<Vec<Condition>>,
    /// As `mild`
    #[serde(default)]
    pub severe: Vec<Vec<Condition>>,
    /// Where it stands
    pub known: Known,
    /// What else is to be said
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

impl Sign {
    /// The items it asks about, each once
    pub fn items(&self) -> Vec<Item> {
        items(&[self.mild.clone(), self.moderate.clone(), self.severe.clone()].concat())
    }
}

/// For which class a specific criterion speaks
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Speaks {
    /// For mild
    Mild,
    /// For severe
    Severe,
}

/// A specific criterion: one that is counted
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Specific {
    /// In words
    pub label: String,
    /// For which class
    pub speaks_for: Speaks,
    /// Alternatives, each a list of conditions that must all hold
    pub any: Vec<Vec<Condition>>,
    /// Where it stands
    pub known: Known,
}

/// How specific criteria are counted
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CountRule {
    /// From so many on, definite without quantitation
    pub definite: usize,
    /// From so many on, to be quantitated
    pub undecided: usize,
    /// Grade III is severe with so many specific criteria for severe
    pub raises_grade_3: usize,
    /// Grade III is severe also where one of these alternatives holds
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub raises_also: Vec<Vec<Condition>>,
    /// Where the rule stands
    pub known: Known,
}

/// A guideline's table
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Criteria {
    /// Always `narrows/criteria/1`
    pub schema: String,
    /// A short name
    pub name: String,
    /// As printed
    pub title: String,
    /// Authors, journal, year
    pub source: String,
    /// What else is to be said about the table as a whole
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// What the table calls its classes, the mildest first; absent for mild, moderate and severe
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub classes: Option<ClassNames>,
    /// How specific criteria are counted; absent where the guideline gives no count
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub count: Option<CountRule>,
    /// Quantities with cut points
    #[serde(rename = "measure")]
    pub measures: Vec<Measure>,
    /// Signs that are no numbers
    #[serde(default, rename = "sign")]
    pub signs: Vec<Sign>,
    /// Criteria that are counted
    #[serde(default, rename = "specific")]
    pub specifics: Vec<Specific>,
}

impl Default for Criteria {
    /// ASE/SCMR 2017
    fn default() -> Self {
        Self::from_toml(Self::BUILT_IN[0].1).expect("a test reads the criteria that are built in")
    }
}

impl Criteria {
    /// Name and text of the criteria that travel inside the program, the default first
    pub const BUILT_IN: [(&str, &str); 6] = [
        ("ase-2017", include_str!("criteria/ase-2017.toml")),
        ("esc-2025", include_str!("criteria/esc-2025.toml")),
        ("esc-2021", include_str!("criteria/esc-2021.toml")),
        ("eacvi-2013", include_str!("criteria/eacvi-2013.toml")),
        ("acc-aha-2020", include_str!("criteria/acc-aha-2020.toml")),
        ("mitra-pro", include_str!("criteria/mitra-pro.toml")),
    ];

    /// The criteria of a name
    ///
    /// # Errors
    /// [`SeverityError::NoSuchCriteria`].
    pub fn built_in(name: &str) -> Result<Self, SeverityError> {
        let names = || Self::BUILT_IN.iter().map(|(name, _)| *name);
        match Self::BUILT_IN.iter().find(|(known, _)| *known == name) {
            Some((_, text)) => Self::from_toml(text),
            None => Err(SeverityError::NoSuchCriteria {
                given: name.to_owned(),
                names: names().collect::<Vec<_>>().join(", "),
                near: nearest(name, names()),
            }),
        }
    }

    /// Reads and checks a criteria file
    ///
    /// # Errors
    /// [`SeverityError::Syntax`], [`SeverityError::Schema`] or [`SeverityError::Criteria`].
    pub fn from_toml(text: &str) -> Result<Self, SeverityError> {
        let criteria: Self = toml::from_str(text).map_err(|error| {
            let message = error.to_string().trim_end().to_owned();
            SeverityError::Syntax { what: "criteria", near: nearest_in(&message), message }
        })?;
        criteria.check()?;
        Ok(criteria)
    }

    /// The fields that these criteria ask for, in the order of [`Item::ALL`], for a form
    pub fn fields(&self) -> Vec<Field> {
        let mut wanted: Vec<Item> = self.measures.iter().flat_map(|measure| measure.items.clone()).collect();
        let needs = self.measures.iter().flat_map(|measure| {
            measure.needs.iter().chain(measure.variants.iter().flat_map(|variant| &variant.when))
        });
        wanted.extend(needs.map(|condition| condition.item));
        wanted.extend(self.signs.iter().flat_map(Sign::items));
        wanted.extend(self.specifics.iter().flat_map(|specific| items(&specific.any)));
        // Circumstances matter to every table.
        wanted.extend(Item::ALL.into_iter().filter(|item| item.origin() == Origin::Setting));
        wanted.extend([Item::CwPeakMS, Item::CwVtiCm]);
        Item::ALL
            .into_iter()
            .filter(|item| item.is_entered() && wanted.contains(item))
            .map(Item::field)
            .collect()
    }

    /// The class of a value by the cut points of an item; `None` where the table does not part all three
    pub fn class_of(&self, item: Item, value: f64) -> Option<Class> {
        let measure = self.measures.iter().find(|measure| measure.items.contains(&item))?;
        (measure.mild.is_some() && measure.severe.is_some())
            .then(|| measure.grades_of(value, measure.severe).high.class())
    }

    /// What one VC width and the displayed area of the same orifice are of, where that is not the same
    ///
    /// By this table's cuts, both of which were found on displayed colour.
    pub fn misled_by(&self, width_mm: f64, displayed_mm2: f64) -> Option<[Class; 2]> {
        let of_width = self.class_of(Item::VcWidthMm, width_mm)?;
        let of_area = self.class_of(Item::DisplayedAreaMm2, displayed_mm2)?;
        (of_width != of_area).then_some([of_width, of_area])
    }

    /// The table for regurgitation that is left after edge-to-edge repair: the displayed area, where the literature's
    /// cuts for native valves stand, is held against those that were found there
    pub(crate) fn after_repair(&self) -> Self {
        let is_area = |measure: &Measure| measure.items == [Item::DisplayedAreaMm2];
        let residual = Self::built_in("mitra-pro").expect("a test reads the criteria that are built in");
        let mut table = self.clone();
        for measure in table.measures.iter_mut().filter(|m| m.role == Role::Literature && is_area(m)) {
            let found = residual.measures.iter().find(|m| is_area(m)).cloned();
            let source = Some(residual.source.clone());
            *measure = found
                .map_or_else(|| measure.clone(), |found| Measure { role: measure.role, source, ..found });
        }
        table
    }

    /// The origins of what the quantitative rows hold
    pub(crate) fn quantified(&self) -> BTreeSet<Origin> {
        let rows = self.measures.iter().filter(|measure| measure.role == Role::Quantitative);
        rows.flat_map(|measure| &measure.items).map(|item| item.origin()).collect()
    }

    /// Whether the quantitative rows tell mild from moderate
    pub(crate) fn tells_mild(&self) -> bool {
        self.measures.iter().any(|measure| measure.role == Role::Quantitative && measure.mild.is_some())
    }

    fn check(&self) -> Result<(), SeverityError> {
        if self.schema != CRITERIA_SCHEMA {
            return Err(SeverityError::Schema {
                what: "criteria",
                found: self.schema.clone(),
                wanted: CRITERIA_SCHEMA,
            });
        }
        let wrong =
            |place: &str, message: String| SeverityError::Criteria { place: place.to_owned(), message };
        for (what, text) in [("name", &self.name), ("title", &self.title), ("source", &self.source)] {
            if text.trim().is_empty() {
                return Err(wrong(what, "must not be empty".into()));
            }
        }
        if self.classes.iter().flatten().any(|name| name.trim().is_empty()) {
            return Err(wrong("classes", "a name must not be empty".into()));
        }
        if !self.measures.iter().any(|measure| measure.role == Role::Quantitative) {
            return Err(wrong("measure", "no measure is quantitative, so nothing could be graded".into()));
        }
        let mut taken: Vec<Item> = Vec::new();
        for measure in &self.measures {
            let place = format!("measure {:?}", measure.label);
            check_measure(measure).map_err(|message| wrong(&place, message))?;
            for item in &measure.items {
                if taken.contains(item) {
                    return Err(wrong(&place, format!("`{}` already belongs to a measure", item.key())));
                }
                taken.push(*item);
            }
        }
        for sign in &self.signs {
            let place = format!("sign {:?}", sign.label);
            let rules = [&sign.mild, &sign.moderate, &sign.severe];
            if rules.iter().all(|rule| rule.is_empty()) {
                return Err(wrong(&place, "names no grade".into()));
            }
            for rule in rules {
                check_rule(rule).map_err(|message| wrong(&place, message))?;
            }
        }
        for specific in &self.specifics {
            let place = format!("specific {:?}", specific.label);
            if specific.any.is_empty() {
                return Err(wrong(&place, "has no alternative under `any`".into()));
            }
            check_rule(&specific.any).map_err(|message| wrong(&place, message))?;
        }
        match &self.count {
            None if !self.specifics.is_empty() => {
                Err(wrong("specific", "there are specific criteria and no [count]".into()))
            }
            None => Ok(()),
            Some(count) => {
                let each = [Speaks::Mild, Speaks::Severe]
                    .map(|class| self.specifics.iter().filter(|s| s.speaks_for == class).count());
                let least = each[0].min(each[1]);
                if count.definite == 0 || count.definite > least {
                    Err(wrong(
                        "count",
                        format!("`definite` must be from 1 to {least}, the shorter list's length"),
                    ))
                } else if count.undecided == 0 || count.undecided >= count.definite {
                    Err(wrong("count", "`undecided` must be from 1 to less than `definite`".into()))
                } else if count.raises_grade_3 == 0 || count.raises_grade_3 > each[1] {
                    Err(wrong("count", format!("`raises_grade_3` must be from 1 to {}", each[1])))
                } else {
                    check_rule(&count.raises_also).map_err(|message| wrong("count", message))
                }
            }
        }
    }
}

fn check_rule(rule: &[Vec<Condition>]) -> Result<(), String> {
    for conditions in rule {
        if conditions.is_empty() {
            return Err("an alternative without conditions would always hold".into());
        }
        conditions.iter().try_for_each(Condition::check)?;
    }
    Ok(())
}

fn check_measure(measure: &Measure) -> Result<(), String> {
    if measure.label.trim().is_empty() {
        return Err("has no label".into());
    }
    let Some(first) = measure.items.first() else { return Err("names no item".into()) };
    for item in &measure.items {
        if !matches!(item.field().kind, Kind::Number { .. }) {
            return Err(format!("`{}` is no number", item.key()));
        }
        if item.unit() != first.unit() {
            return Err(format!("`{}` and `{}` have different units", first.key(), item.key()));
        }
    }
    let Kind::Number { low, high, unit, .. } = first.field().kind else { return Ok(()) };
    let upward = |cut: &Bound| cut.from.or(cut.above).is_some();
    let check = |name: &str, cut: &Bound, up: bool| {
        if cut.given() != 1 || upward(cut) != up {
            let wanted = if up { "`from` or `above`" } else { "`below` or `at_most`" };
            return Err(format!("`{name}` needs one of {wanted}"));
        }
        if !(low..=high).contains(&cut.at()) {
            return Err(format!("`{name}` is {}, outside {low} to {high} {unit}", cut.at()));
        }
        Ok(())
    };
    for (name, cut, up) in
        [("mild", measure.mild, false), ("grade_3", measure.grade_3, true), ("severe", measure.severe, true)]
    {
        cut.as_ref().map_or(Ok(()), |cut| check(name, cut, up))?;
    }
    if measure.mild.is_none() && measure.severe.is_none() {
        return Err("has no cut".into());
    }
    if measure.grade_3.is_some() && (measure.mild.is_none() || measure.severe.is_none()) {
        return Err("`grade_3` needs `mild` and `severe` around it".into());
    }
    let cuts: Vec<f64> =
        [measure.mild, measure.grade_3, measure.severe].iter().flatten().map(Bound::at).collect();
    if cuts.windows(2).any(|pair| pair[0] >= pair[1]) {
        return Err("its cuts must rise from mild to severe".into());
    }
    for variant in &measure.variants {
        check("severe of a variant", &variant.severe, true)?;
        if variant.when.is_empty() {
            return Err("a variant without conditions would replace the cut".into());
        }
        variant.when.iter().try_for_each(Condition::check)?;
        let Some(severe) = measure.severe else { return Err("a variant needs a cut to vary".into()) };
        if variant.severe.at() > severe.at() {
            return Err("a variant may lower the cut to severe, not raise it".into());
        }
        if measure.mild.is_some_and(|mild| variant.severe.at() < mild.at()) {
            return Err("a variant's cut to severe lies below the cut from mild".into());
        }
    }
    measure.needs.iter().try_for_each(Condition::check)
}
