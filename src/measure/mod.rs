//! The whole job on one volume: trust, jets, neck, tracing, beat, and the result document.

mod beat;
mod comparison;
mod given;
mod leak;
pub mod results;
mod run;
pub mod told;
mod write;
mod zone;

pub use beat::{Beat, Dropout, Flow, JetBeat, JetFrame, MeasuredFrame};
pub use comparison::{
    COMPARISON_SCHEMA, Change, ChangeDirection, Comparison, Difference, compare, difference,
};
pub use results::Results;
pub use run::{ENGINE, MeasureError, Measurement, Options, check_systole, measure, own_evidence};
pub use told::Told;
