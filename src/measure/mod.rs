//! The whole job on one volume: trust, jets, neck, tracing, beat, and the result document.

mod comparison;
mod frame;
mod given;
mod leak;
pub mod network;
mod reread;
pub mod results;
mod run;
mod zone;

pub use comparison::{
    COMPARISON_SCHEMA, Change, ChangeDirection, Comparison, Difference, compare, difference,
};
pub use reread::{FrameReading, reread, reread_jet};
pub use results::Results;
pub use run::{ENGINE, MeasureError, Options, measure, own_evidence};
