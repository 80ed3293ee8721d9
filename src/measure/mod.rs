//! The whole job on one volume: trust, jets, neck, tracing, beat, and the result document.

pub mod results;

pub use results::Results;
