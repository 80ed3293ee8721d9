//! What a grading says: placements, count, quantities, the guideline's steps, probabilities, conclusion.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::criteria::{Bound, Known, Role};
use super::evidence::Evidence;
use super::grade::{Class, ClassNames, Grades, Probability, class_words};
use super::item::Item;
use crate::numeric::Interval;

/// All measurements integrated by one table
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Grading {
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
    /// The guideline's own verdict, by its steps carried out to the letter
    #[serde(default)]
    pub guideline: Verdict,
    /// Those steps, in order
    pub steps: Vec<Step>,
    /// What limits these measurements, a sentence each
    pub cautions: Vec<String>,
    /// What the reader entered
    pub evidence: Evidence,
}

impl Grading {
    /// A class in words, as the table calls it
    pub fn class_words(&self, class: Class) -> &str {
        class_words(self.criteria.classes.as_ref(), class)
    }
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
    /// What it calls its classes, the mildest first; `null` for mild, moderate and severe
    #[serde(default)]
    pub classes: Option<ClassNames>,
}

/// How a grading ends
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
    /// Not determined: the evidence is too little, whatever it is compatible with
    NotEnough,
    /// Not determined: the evidence is poor, discordant, or of two classes
    Indeterminate,
}

impl Outcome {
    /// The class that is named; "not severe" counts as moderate
    pub const fn class(self) -> Option<Class> {
        match self {
            Self::Mild => Some(Class::Mild),
            Self::Moderate | Self::NotSevere => Some(Class::Moderate),
            Self::Severe => Some(Class::Severe),
            Self::NotEnough | Self::Indeterminate => None,
        }
    }

    /// As printed
    pub const fn words(self) -> &'static str {
        match self {
            Self::Mild => "mild",
            Self::Moderate => "moderate",
            Self::Severe => "severe",
            Self::NotSevere => "not severe",
            Self::NotEnough => "not enough",
            Self::Indeterminate => "indeterminate",
        }
    }
}

/// How far the guideline's own steps lead
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Decided {
    /// To nothing yet: it asks for quantitation
    #[default]
    Nothing,
    /// To one class
    Class,
    /// To several neighbouring classes
    Between,
    /// To data that contradict each other, which it calls indeterminate
    Discordant,
}

/// What the guideline's own steps lead to
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Verdict {
    /// How far
    pub decided: Decided,
    /// The lowest and highest class that follow; `null` where none does
    pub classes: Option<[Class; 2]>,
    /// In a sentence
    pub sentence: String,
}

/// What follows from the evidence
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Conclusion {
    /// How it ends
    pub outcome: Outcome,
    /// How probable each class is, all evidence together; `null` where it says nothing
    #[serde(default)]
    pub probability: Option<Probability>,
    /// The lowest and highest class with a probability of more than a tenth; `null` where there is none
    pub open: Option<[Class; 2]>,
    /// In a sentence
    pub sentence: String,
    /// Why, in a few words
    #[serde(default)]
    pub why: String,
    /// The single measurement that would tell most; `null` where the grade is sure or none is left
    #[serde(default)]
    pub settles: Option<String>,
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
            Self::Either => "biased either way",
        }
    }
}

/// How a measurement stands to the conclusion
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Agreement {
    /// It is compatible with the class concluded
    Agrees,
    /// It does not
    Differs,
    /// Nothing was concluded, or it is compatible with every class
    NotJudged,
    /// Shown, but excluded
    NotUsed,
}

impl Agreement {
    /// In words
    pub fn words(self) -> &'static str {
        match self {
            Self::Agrees => "agrees",
            Self::Differs => "differs",
            Self::NotJudged => "not judged",
            Self::NotUsed => "excluded",
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
    /// Value, in its own unit, or sign in words
    pub words: String,
    /// How probable each class is by this alone; `null` for a sign, a bound, and what is held against no cut
    #[serde(default)]
    pub probability: Option<Probability>,
    /// Place of the value, 0 to 3; `null` where the table only says on which side of a cut it lies
    pub position: Option<f64>,
    /// Lower end on the scale, of the interval or of the stretch it is compatible with
    pub low: f64,
    /// Upper end
    pub high: f64,
    /// The grades that its 95 % interval touches, caveats included
    pub grades: Grades,
    /// Its grade by the value itself, where the guideline's steps ask for it; `null` elsewhere
    #[serde(default)]
    pub letter: Option<Grades>,
    /// What a caveat does to it
    pub reach: Reach,
    /// How it stands to the conclusion
    pub agreement: Agreement,
    /// The cuts it was held against, in its own unit
    pub cuts: String,
    /// The same as numbers, in its own unit
    #[serde(default)]
    pub cut_points: CutPoints,
    /// Where those stand
    pub source: String,
    /// How they are known
    pub known: Known,
    /// What else is to be said; empty where nothing is
    pub note: String,
}

/// The cuts that a measurement was held against
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CutPoints {
    /// Mild
    pub mild: Option<Bound>,
    /// Where moderate becomes grade III
    pub grade_3: Option<Bound>,
    /// Severe, as it applies here
    pub severe: Option<Bound>,
}

/// How a specific criterion stands
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// It is met
    Met,
    /// It is not met
    NotMet,
    /// A caveat holds it back
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
    /// Whether it stands over the whole 95 % interval of its numbers
    #[serde(default)]
    pub firm: Firm,
}

/// Whether an answer holds over the whole 95 % interval
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Firm {
    /// It does
    #[default]
    Firm,
    /// Inside the interval it would be otherwise
    Borderline,
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
    /// The lowest and highest grade among them
    pub grades: Grades,
    /// Whether all are of one class
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
    /// What in it is borderline or rests on memory, so that it can be contested; empty where nothing is
    #[serde(default)]
    pub contest: String,
}
