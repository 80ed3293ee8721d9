//! The weighing: every measurement on one scale, held against published criteria, step by step.
//!
//! Three things come in. [`Criteria`] are a guideline's table as a data file, each value with its
//! source and whether it was read there or quoted from memory. [`Evidence`] is what the reader
//! enters. [`Own`] is what the volume measured. [`weigh()`] makes of them a [`Weighing`]: a place for
//! each measurement on a scale from 0 to 3, the count of specific criteria, the quantitation, a
//! conclusion, and the reasoning as a list of steps that can be followed and contested.
//!
//! The trade-off: a rule that always answers would be easier to use. This one says
//! "indeterminate" where measurements disagree or an interval lies across a cut point, and "not enough"
//! where one source speaks alone. A grade that cannot be defended is worth less than none.
//!
//! Intervals are carried through rather than cut off: a measurement says which grades it leaves open,
//! and a caveat (a leak in late systole only, several jets, low flow) opens one end of it. The grades
//! left open by all quantities together are what they have in common.

mod case;
mod criteria;
mod error;
mod evidence;
mod grade;
mod item;
mod own;
mod rule;
mod scale;
mod weigh;
mod weighing;

#[cfg(test)]
mod tests;

pub use criteria::{
    Binding, Bound, CRITERIA_SCHEMA, CountRule, Criteria, Known, Measure, Role, Sign, Speaks, Specific,
    Variant,
};
pub use error::SeverityError;
pub use evidence::{EVIDENCE_SCHEMA, Entry, Evidence, Given};
pub use grade::{Class, Grade, Grades};
pub use item::{Choice, Field, Group, Item, Kind};
pub use own::{Own, WidthFit};
pub use rule::Condition;
pub use scale::Scale;
pub use weigh::weigh;
pub use weighing::{
    Agreement, By, Conclusion, Count, CriteriaUsed, Criterion, Outcome, Placement, Quantitation, Reach,
    State, Step, Weighing,
};
