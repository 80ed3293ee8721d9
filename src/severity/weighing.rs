//! What a weighing says: placements, count, quantitation, reasoning, conclusion.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::criteria::{Known, Role};
use super::evidence::Evidence;
use super::grade::{Class, Grades};
use super::item::Item;
use crate::numeric::Interval;

/// All measurements weighed against one table
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Weighing {
    /// Which table
    pub criteria: CriteriaUsed,
    /// What follows from all of it
    pub conclusion: Conclusion,
    /// Every measurement and sign on the scale
    pub placements: Vec<Placement>,
    /// The specific criteria; `null` where the table gives no count or it was not made for this case
    pub count: Option<Count>,
    /// The quantities together; `null` where there are none
    pub quantitation: Option<Quantitation>,
    /// The reasoning, in order
    pub steps: Vec<Step>,
    /// What bends these measurements, a sentence each
    pub cautions: Vec<String>,
    /// What the reader entered
    pub evidence: Evidence,
}

/// Which table was used
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CriteriaUsed {
    /// Its short name
    pub name: String,
    /// As printed
    pub title: String,
    /// Authors, journal, year
    pub source: String,
}

/// How a weighing ends
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Mild
    Mild,
    /// Moderate
    Moderate,
    /// Severe
    Severe,
    /// Not severe, by a table that defines severe only
    NotSevere,
    /// The evidence is too little, whatever it points to
    NotEnough,
    /// The evidence is poor, discordant, or lies across a cut
    Indeterminate,
}

/// What follows from the evidence
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Conclusion {
    /// How it ends
    pub outcome: Outcome,
    /// The lowest and highest class that the evidence leaves open; `null` where it says nothing
    pub open: Option<[Class; 2]>,
    /// In a sentence
    pub sentence: String,
    /// What is not known and would count, the most telling first
    pub missing: Vec<String>,
    /// What to do next, a sentence each
    pub next: Vec<String>,
}

/// Where a value comes from
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum By {
    /// Measured in the volume
    Volume,
    /// Entered by the reader
    Reader,
    /// Computed from what the reader entered
    Computed,
}

/// What a caveat does to a value
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Reach {
    /// It stands as it is
    Exact,
    /// The truth may be more: a lower bound
    AtLeast,
    /// The truth may be less: an upper bound
    AtMost,
    /// The truth may be more or less
    Either,
}

impl Reach {
    /// In words; empty where it stands as it is
    pub fn words(self) -> &'static str {
        match self {
            Self::Exact => "",
            Self::AtLeast => "lower bound",
            Self::AtMost => "upper bound",
            Self::Either => "bent both ways",
        }
    }
}

/// How a measurement stands to the conclusion
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Agreement {
    /// It leaves the class concluded open
    Agrees,
    /// It does not
    Differs,
    /// Nothing was concluded, or it leaves all grades open
    NotJudged,
    /// Shown, but left out of the weighing
    NotUsed,
}

impl Agreement {
    /// In words
    pub fn words(self) -> &'static str {
        match self {
            Self::Agrees => "agrees",
            Self::Differs => "differs",
            Self::NotJudged => "not judged",
            Self::NotUsed => "left out",
        }
    }
}

/// One measurement or sign on the scale: 0 to 1 mild, 1 to 2 moderate, 2 to 3 severe
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Placement {
    /// What it rests on
    pub items: Vec<Item>,
    /// Its name
    pub label: String,
    /// Where it comes from
    pub by: By,
    /// What it does in the algorithm; `null` for a sign
    pub role: Option<Role>,
    /// The number; `null` for a sign
    pub value: Option<Interval>,
    /// Unit of the number; empty for a sign and a ratio
    pub unit: String,
    /// Value or sign in words
    pub words: String,
    /// Place of the value, 0 to 3; `null` where the table only says on which side of a cut it lies
    pub position: Option<f64>,
    /// Lower end on the scale, of the interval or of the stretch left open
    pub low: f64,
    /// Upper end
    pub high: f64,
    /// The grades it leaves open, caveats included
    pub grades: Grades,
    /// What a caveat does to it
    pub reach: Reach,
    /// How it stands to the conclusion
    pub agreement: Agreement,
    /// The cuts it was held against
    pub cuts: String,
    /// Where those stand
    pub source: String,
    /// How they are known
    pub known: Known,
    /// What else is to be said; empty where nothing is
    pub note: String,
}

/// How a specific criterion stands
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// It is met, over the whole interval
    Met,
    /// It is not met
    NotMet,
    /// The interval lies across its cut, or a caveat holds it back
    Open,
    /// What it asks about is not known
    NotKnown,
}

/// One specific criterion
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Criterion {
    /// In words
    pub label: String,
    /// How it stands
    pub state: State,
    /// What was found, in words
    pub found: String,
}

/// The specific criteria, counted
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Count {
    /// For mild
    pub mild: Vec<Criterion>,
    /// For severe
    pub severe: Vec<Criterion>,
    /// Met for mild
    pub mild_met: usize,
    /// Met for severe
    pub severe_met: usize,
    /// The class that the count alone makes definite; `null` where it does not
    pub definite: Option<Class>,
}

/// The quantities together
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Quantitation {
    /// The grades they have in common, or, where they have none, the gap between them
    pub grades: Grades,
    /// Whether they have grades in common
    pub concordant: bool,
    /// Whether grade III counts as severe; `null` where that cannot be told
    pub grade_3_is_severe: Option<bool>,
    /// The lowest and highest class that follow
    pub classes: [Class; 2],
    /// How many of them are quantitative rows of the guideline
    pub rows: usize,
}

/// One step of the reasoning
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Step {
    /// What was asked
    pub asked: String,
    /// What was found
    pub found: String,
    /// What follows
    pub follows: String,
}
