//! The whole job on one volume: trust, jets, neck, tracing, beat, and the result document.

pub mod results;
mod run;
mod zone;

pub use results::Results;
pub use run::{ENGINE, MeasureError, Options, measure, own_evidence};
