//! Integrated grading: every measurement against published cut points, the guideline's own steps, and how
//! probable each class is.
//!
//! Three things come in. [`Criteria`] are a guideline's table as a data file, each value with its
//! source and whether it was read there or quoted from memory. [`Evidence`] is what the reader
//! enters. [`Own`] is what the volume measured. [`grade()`] makes of them a [`Grading`]: the guideline's
//! steps carried out to the letter, with what in them can be contested; the probability of each class, each
//! value a distribution with its error (`pool`); and a conclusion that needs both.
//!
//! The trade-off: a rule that always answers would be easier to use. This one says that the grade is not
//! determined where measurements disagree or one source speaks alone, how probable each class still is, and
//! which measurement would settle it. What the volume measures has no row in a guideline's table: it can
//! raise a class, never lower one, and neither can anything else that the volume says.

mod case;
mod conclude;
mod criteria;
mod error;
mod evidence;
mod grade;
mod grading;
mod item;
mod own;
mod pool;
mod rule;
mod scale;
mod spread;
mod steps;
mod typed;

#[cfg(test)]
mod tests;

/// The longest file of evidence or criteria in bytes; a typed one is a few thousand (our own choice)
pub const LONGEST_TEXT: u64 = 1 << 20;

/// Whether criteria are given as a file: a path has a slash or an ending, and a file that is there wins over a misspelt
/// name
pub fn is_criteria_file(given: &str) -> bool {
    let path = std::path::Path::new(given);
    path.extension().is_some() || path.components().count() != 1 || path.is_file()
}

pub use conclude::grade;
pub use criteria::{
    Binding, Bound, CRITERIA_SCHEMA, CountRule, Criteria, Known, Measure, Role, Sign, Speaks, Specific,
    Variant,
};
pub use error::SeverityError;
pub use evidence::{EVIDENCE_SCHEMA, Entry, Evidence, Given};
pub use grade::{Class, ClassNames, Grade, Grades, Probability, class_words, percent};
pub use grading::{
    Agreement, By, Conclusion, Count, CriteriaUsed, Criterion, CutPoints, Decided, Firm, Grading, Outcome,
    Placement, Quantitation, Reach, State, Step, Verdict,
};
pub use item::{Choice, Field, Group, Item, Kind};
pub use own::Own;
pub use rule::Condition;
pub use scale::Scale;
pub use typed::number_words;
